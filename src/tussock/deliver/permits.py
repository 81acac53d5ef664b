"""In: a plan. Out: permits and notices that its work asks for, with what the rule sets count: water area and shoreline.

Areas are geodesic. Ground is that of the planned units with a herbicide on which the rule is in force; water is what is
mapped as wet, streams drawn as lines with their width. Earlier applications of the year count in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.geodesy import find_area_m2, move_geometry, wgs84
from tussock.base.records import Counts, FeatureFilter, Setback
from tussock.base.stages import PlanTables
from tussock.base.verdicts import TO_DO
from tussock.deliver.earlier import list_counted_records

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

#: A shore runs through a unit where it lies on its edge to this [m].
_EDGE_M: Final = 0.01


def list_permits(plan: PlanTables) -> pd.DataFrame:
    """Return the permits and notices of a plan.

    Parameters
    ----------
    plan
        With its compliance table.

    Returns
    -------
    DataFrame
        Columns of `base.columns.PERMITS` under the names and units of the site; one row for each rule that asks for a
        permit or a notice on a planned unit.
    """
    import pandas as pd

    due = plan.compliance[plan.compliance["verdict"] == TO_DO]
    rows = []
    for ruleset, setback in plan.site.setbacks():
        own = due.loc[(due["setback_id"] == setback.id) & due["effect"].isin(["permit", "notify"]), "unit_id"]
        if not len(own):
            continue
        water_m2, shore_m, earlier = (np.nan, np.nan, 0)
        if setback.counts is not None:
            water_m2, shore_m, earlier = _count(plan, setback, setback.counts, own)
        rows.append(
            {
                "setback_id": setback.id,
                "ruleset": ruleset.title,
                "effect": setback.effect,
                "what": setback.permit or setback.notify or "",
                "unit_count": own.nunique(),
                "treated_water_m2": water_m2,
                "shoreline_m": shore_m,
                "earlier_count": earlier,
                "repeats": "" if setback.counts is None else "counted" if setback.counts.repeats else "once",
                "source": setback.source,
            }
        )
    table = pd.DataFrame(rows, columns=[column.si_name for column in c.PERMITS])
    for name in ("treated_water_m2", "shoreline_m"):
        table[name] = table[name].astype("float64")
    return c.present(table, c.PERMITS, plan.site.options.units)


def _count(plan: PlanTables, setback: Setback, counts: Counts, unit_ids: pd.Series[Any]) -> tuple[float, float, int]:
    """Return treated water [m2], shoreline [m] and how many earlier applications count; nan for what is not counted."""
    own = plan.units[plan.units["unit_id"].isin(unit_ids)]
    if not len(own):
        return 0.0, 0.0, 0
    grounds = np.asarray(own.geometry.array, dtype=object)
    local = _find_local(grounds, plan.patches.crs)
    grounds = move_geometry(grounds, plan.patches.crs, local)
    history = list_counted_records(plan)
    earlier = np.empty(0, dtype=object)
    if history is not None and len(history):
        earlier = move_geometry(np.asarray(history.geometry.array, dtype=object), history.crs, local)
    water = shapely.union_all(_find_water(plan, setback.source_filter, local))
    shore = shapely.boundary(water)
    earlier = earlier[shapely.intersects(earlier, water)]
    pieces = np.concatenate([grounds, earlier])
    if not counts.repeats:
        pieces = np.array([shapely.union_all(pieces)], dtype=object)
    water_m2 = float(find_area_m2(shapely.intersection(pieces, water), local).sum())
    shores = shapely.intersection(shore, shapely.buffer(pieces, _EDGE_M))
    degrees = move_geometry(shores, local, "EPSG:4326")
    shore_m = float(sum(wgs84().geometry_length(line) for line in degrees))
    return (
        water_m2 if counts.treated_water_area else np.nan,
        shore_m if counts.shoreline else np.nan,
        len(earlier),
    )


def _find_local(grounds: NDArray[Any], crs: CRS) -> CRS:
    """Return a CRS in metres around some ground; its centre is rounded, so that no vertex stands on it."""
    from pyproj import CRS

    degrees = move_geometry(grounds, crs, "EPSG:4326")
    west, south, east, north = shapely.total_bounds(degrees)
    lat, lon = round((south + north) / 2, 3), round((west + east) / 2, 3)
    return CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m +type=crs")


def _find_water(plan: PlanTables, wanted: FeatureFilter | None, local: CRS) -> NDArray[Any]:
    """Return the outlines of the mapped water that is not dry and that a rule means, lines with their width."""
    frame = plan.features["water"]
    if not len(frame):
        return np.empty(0, dtype=object)
    chosen = (frame["state"] != "dry").to_numpy(dtype=bool, copy=True)
    if wanted is not None and wanted.layer == "water":
        if wanted.kind:
            chosen &= (frame["kind"].isin(wanted.kind) | (frame["kind"] == "")).to_numpy(dtype=bool)
        if wanted.name and "name" in frame.columns:
            chosen &= frame["name"].astype(str).str.strip().isin(wanted.name).to_numpy(dtype=bool)
    outlines = move_geometry(np.asarray(frame.geometry.array, dtype=object)[chosen], frame.crs, local)
    line = np.isin(shapely.get_type_id(outlines), (1, 5))
    half = np.nan_to_num(frame["width_m"].to_numpy(dtype=float)[chosen]) / 2
    drawn = outlines.copy()
    drawn[line] = shapely.buffer(outlines[line], half[line], quad_segs=16)
    return drawn[np.isin(shapely.get_type_id(drawn), (3, 6))]
