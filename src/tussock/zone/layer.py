"""In: rules bound in each cell. Out: the layer of setback zones for maps, one row for each setback."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.findings import Finding
from tussock.base.text import join_words, show_window
from tussock.wording.rules import describe_forbidden
from tussock.zone.features import FeatureGroup, as_objects
from tussock.zone.grounds import draw_zone
from tussock.zone.kernel import THREADS
from tussock.zone.origin import move_out
from tussock.zone.outlines import mend_outlines
from tussock.zone.rules import BoundRule

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

    from tussock.base.stages import Site
    from tussock.zone.units import Part

#: Zones are drawn this far around the patches [m]; further away they decide nothing.
_SHOWN_M: Final = 150.0
_ROUNDING_M: Final = 1e-9
_BLOCK: Final = 10_000
#: Parts and holes under this area [m2] are no ground.
_DOT_M2: Final = 1e-6
#: What drawing around a feature can end in; the layer is for the eye, and must not end the plan.
_FAILURES: Final = (shapely.GEOSException, TypeError, ValueError)


@dataclass(frozen=True)
class Drawn:
    """The zone of a rule in the CRS of the patches' layer, and the features around which it could not be drawn."""

    zone: Any
    left_out: tuple[str, ...] = ()


def draw_setback_zones(
    site: Site, wholes: list[tuple[list[BoundRule], Part]]
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Draw each setback's zone near the patches.

    Returns
    -------
    GeoDataFrame
        One row for each setback, in the order of the rule files, in the infestation layer's own CRS: ``setback_id,
        ruleset, distance_m, effect, forbids, season, source, not_drawn``. Empty geometry where no feature is meant.
    list of Finding
        One for each setback with features around which it could not be drawn. Nothing but the layer rests on that.
    """
    import geopandas as gpd
    import pandas as pd

    layer_crs = site.layers["infestations"].frame.crs
    cells = [_draw_cell(rules, whole, layer_crs) for rules, whole in wholes]
    rows, shapes, findings = [], [], []
    for place, (ruleset, setback) in enumerate(site.setbacks()):
        drawn = [cell[place] for cell in cells]
        left_out = join_words(list(dict.fromkeys(label for item in drawn for label in item.left_out)))
        shapes.append(drawn[0].zone if len(drawn) == 1 else _join([item.zone for item in drawn]))
        if left_out:
            what = f"the zone around {left_out} could not be drawn"
            done = "left out of the layer of zones; what is allowed is decided by distances, not by it"
            findings.append(Finding("zone", "rules", setback.id, what, done))
        rows.append(
            {
                "setback_id": setback.id,
                "ruleset": ruleset.title,
                "distance_m": np.nan if setback.distance_m is None else setback.distance_m,
                "effect": setback.effect,
                "forbids": describe_forbidden(setback),
                "season": show_window(setback.season) if setback.season else "",
                "source": setback.source,
                "not_drawn": left_out,
            }
        )
    columns = ["setback_id", "ruleset", "distance_m", "effect", "forbids", "season", "source", "not_drawn"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry=shapes, crs=layer_crs), findings


def _draw_cell(rules: list[BoundRule], whole: Part, layer_crs: CRS) -> list[Drawn]:
    """Return the zone of each rule near the patches of a cell; rules with one zone share it."""
    outlines = np.asarray(whole.cell.patches.geometry.array, dtype=object)
    tree = shapely.STRtree(outlines)
    keys = [(id(rule.group), rule.reach_m.tobytes()) for rule in rules]
    different = dict(zip(keys, rules, strict=True))
    gaps: dict[int, tuple[FloatArray, FloatArray]] = {}
    for group in {id(rule.group): rule.group for rule in rules}.values():
        if group is not None:
            _ = group.ready
            most_m = max(float(rule.reach_m.max(initial=0.0)) for rule in rules if rule.group is group) + _SHOWN_M
            gaps[id(group)] = _find_gaps(tree, group.runs, most_m), _find_gaps(tree, group.cells, _SHOWN_M)

    def finish(zone: Any) -> Any:
        """Return a zone moved to the layer's CRS and sound there."""
        return mend_outlines(move_out(as_objects([zone]), whole.origin, whole.cell.crs, layer_crs))[0]

    def draw(rule: BoundRule) -> Drawn:
        group = rule.group
        if group is None:
            return Drawn(
                finish(shapely.buffer(shapely.convex_hull(shapely.multipoints(_find_corners(outlines))), _SHOWN_M))
            )
        run_gap_m, cell_gap_m = gaps[id(group)]
        runs = np.flatnonzero(run_gap_m <= rule.reach_m[group.run_owner] + _SHOWN_M)
        cells = np.flatnonzero(cell_gap_m <= _SHOWN_M)
        try:
            return Drawn(finish(_draw(group, rule.reach_m, runs, cells)))
        except _FAILURES:
            return _draw_one_by_one(group, rule.reach_m, runs, cells, finish)

    with ThreadPoolExecutor(THREADS) as pool:
        made = dict(zip(different, pool.map(draw, different.values()), strict=True))
    return [made[key] for key in keys]


def _find_corners(outlines: GeometryArray) -> FloatArray:
    return np.asarray(shapely.get_coordinates(outlines), dtype=float)


def _draw(group: FeatureGroup, reach_m: FloatArray, runs: IntArray, cells: IntArray) -> Any:
    zone = draw_zone(group, runs, cells, reach_m)
    return shapely.MultiPolygon(_drop_dots(shapely.get_parts(zone)).tolist())


def _draw_one_by_one(
    group: FeatureGroup, reach_m: FloatArray, runs: IntArray, cells: IntArray, finish: Callable[[Any], Any]
) -> Drawn:
    """Return the zone around those features alone around which it can be drawn, and name the others."""
    zone, left_out = shapely.MultiPolygon(), []
    for owner in np.union1d(group.run_owner[runs], group.cell_owner[cells]).tolist():  # a loop over geometry: rare
        own = runs[group.run_owner[runs] == owner], cells[group.cell_owner[cells] == owner]
        try:
            zone = _join([zone, finish(_draw(group, reach_m, *own))])
        except _FAILURES:
            left_out.append(str(group.label[owner]))
    return Drawn(zone, tuple(left_out))


def _join(zones: list[Any]) -> Any:
    joined = shapely.union_all(zones)
    return joined if joined.geom_type == "MultiPolygon" else shapely.MultiPolygon(shapely.get_parts(joined).tolist())


def _drop_dots(parts: GeometryArray) -> GeometryArray:
    """Return polygons without the parts and holes that rounding has left: no point of theirs would survive a move."""
    parts = parts[shapely.area(parts) > _DOT_M2]  # lines and points go too
    rings, owner = shapely.get_rings(parts, return_index=True)
    hole = np.r_[False, owner[1:] == owner[:-1]][: len(owner)]
    solid = hole & (shapely.area(shapely.polygons(rings)) > _DOT_M2)
    spotted = np.unique(owner[hole & ~solid])
    kept = (~hole | solid) & np.isin(owner, spotted)
    if len(spotted):
        parts[spotted] = shapely.polygons(rings[kept], indices=np.searchsorted(spotted, owner[kept]))
    return parts


def _find_gaps(tree: shapely.STRtree, geometry: GeometryArray, most_m: float) -> FloatArray:
    """Return the distance of each geometry to the nearest patch [m], shape (n,); inf where it is over ``most_m``."""
    first, ours = _find_first(tree.geometries), shapely.bounds(tree.geometries)
    blocks = [geometry[start : start + _BLOCK] for start in range(0, len(geometry), _BLOCK)]
    return np.concatenate([np.empty(0), *(_find_block_gaps(tree, first, ours, block, most_m) for block in blocks)])


def _find_block_gaps(
    tree: shapely.STRtree, first: FloatArray, ours: FloatArray, geometry: GeometryArray, most_m: float
) -> FloatArray:
    """Measure a block of geometries; ``first`` and ``ours`` are the first vertex and the box of each patch.

    Two vertices are no nearer than their geometries, and boxes no further: only patches that can be the nearest of a
    geometry are measured.
    """
    outlines, box = tree.geometries, shapely.bounds(geometry)
    item, patch = tree.query(shapely.box(*(box + most_m * np.array([-1.0, -1.0, 1.0, 1.0])).T))
    aside = np.maximum(np.maximum(ours[patch, :2] - box[item, 2:], box[item, :2] - ours[patch, 2:]), 0.0)
    least = np.hypot(*aside.T)
    most = np.hypot(*(_find_first(geometry)[item] - first[patch]).T)
    bound = np.full(len(geometry), most_m)
    np.minimum.at(bound, item, most)
    close = least <= bound[item] + _ROUNDING_M
    item, patch = item[close], patch[close]
    gap = np.full(len(geometry), np.inf)
    np.minimum.at(gap, item, shapely.distance(geometry[item], outlines[patch]))
    return gap


def _find_first(geometry: GeometryArray) -> FloatArray:
    """Return the first vertex of each geometry, shape (n, 2)."""
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    return np.asarray(xy[np.searchsorted(owner, np.arange(len(geometry)))], dtype=float)
