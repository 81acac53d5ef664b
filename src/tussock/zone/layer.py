"""In: rules bound in each cell. Out: the layer of setback zones for maps, one row for each setback."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.geodesy import move_geometry
from tussock.base.records import Combination
from tussock.zone.grounds import draw_zone
from tussock.zone.rules import BoundRule

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.stages import Cell, Site

#: Zones are drawn this far around the patches [m]; further away they decide nothing.
_SHOWN_M: Final = 150.0


def draw_setback_zones(site: Site, cells: list[tuple[list[BoundRule], Cell]]) -> gpd.GeoDataFrame:
    """Draw each setback's zone near the patches.

    Returns
    -------
    GeoDataFrame
        One row for each setback, in the order of the rule files, in the infestation layer's own CRS: ``setback_id,
        ruleset, distance_m, effect, forbids, season, source``. Empty geometry where no feature is meant.
    """
    import geopandas as gpd

    layer_crs = site.layers["infestations"].frame.crs
    rows, shapes = [], []
    for place, (ruleset, setback) in enumerate(site.setbacks()):
        drawn = [move_geometry(np.array([_draw(rules[place], cell)]), cell.crs, layer_crs)[0] for rules, cell in cells]
        shapes.append(drawn[0] if len(drawn) == 1 else shapely.union_all(drawn))
        rows.append(
            {
                "setback_id": setback.id,
                "ruleset": ruleset.title,
                "distance_m": np.nan if setback.distance_m is None else setback.distance_m,
                "effect": setback.effect,
                "forbids": describe_forbids(setback.forbids),
                "season": " to ".join(setback.season) if setback.season else "",
                "source": setback.source,
            }
        )
    columns = ["setback_id", "ruleset", "distance_m", "effect", "forbids", "season", "source"]
    import pandas as pd

    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry=shapes, crs=layer_crs)


def _draw(rule: BoundRule, cell: Cell) -> Any:
    outlines = np.asarray(cell.patches.geometry.array, dtype=object)
    if rule.group is None:
        return shapely.buffer(shapely.convex_hull(shapely.union_all(outlines)), _SHOWN_M)
    tree = shapely.STRtree(outlines)
    group = rule.group
    if not len(group):
        return shapely.MultiPolygon()
    reach = rule.reach_m[group.run_owner] + _SHOWN_M
    runs = _find_near(tree, group.runs, reach)
    cells = _find_near(tree, group.cells, np.full(len(group.cells), _SHOWN_M))
    zone = draw_zone(group, runs, cells, rule.reach_m)
    parts = [part for part in shapely.get_parts(zone) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def _find_near(tree: shapely.STRtree, geometry: NDArray[Any], distance_m: NDArray[np.float64]) -> NDArray[np.intp]:
    """Return the geometries within a distance of any patch."""
    if not len(geometry):
        return np.empty(0, np.intp)
    return np.unique(tree.query(geometry, predicate="dwithin", distance=distance_m)[0])


def describe_forbids(forbids: Combination | None) -> str:
    """Return what a rule forbids in words; empty where it forbids nothing."""
    if forbids is None:
        return ""
    words = []
    if forbids.delivery:
        words.append(" or ".join(forbids.delivery))
    if forbids.method:
        words.append(" or ".join(name.replace("_", " ") for name in forbids.method))
    if forbids.active:
        words.append(" or ".join(forbids.active))
    if forbids.form:
        words.append(" or ".join(forbids.form))
    if forbids.aquatic_label is not None:
        words.append("products with an aquatic label" if forbids.aquatic_label else "products without an aquatic label")
    return ", ".join(words) if words else "every herbicide"
