"""In: planned units, water, rules that count. Out: findings on the list of permits and notices and its counters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import AREA, LENGTH
from tussock.base.records import Counts, Setback
from tussock.review.evidence import Evidence
from tussock.review.geometry import (
    find_geodesic_area_m2,
    find_geodesic_m,
    find_unit_vectors,
    move_outlines,
    rebuild,
)
from tussock.review.measured import Measured
from tussock.review.rows import Row, info, violation
from tussock.review.tanks import find_about, find_meant_work

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Counters agree to this, relative, and to a tenth of a square metre or half a metre of shore.
_SHARE: Final = 1e-3
_LEAST_M2: Final = 0.1
_LEAST_M: Final = 0.5
#: A shore runs through a unit where it lies on its edge to this [degrees], a centimetre.
_EDGE_DEG: Final = 1e-7


def check_permits(evidence: Evidence) -> list[Row]:
    """Check that every permit and notice that planned work asks for is listed once, with the counters that follow."""
    table = evidence.table("permits")
    ids = table["setback_id"].tolist()
    rows: list[Row] = []
    known = set()
    count = 0
    for place, item in enumerate(evidence.measured):
        if item.setback.effect not in ("permit", "notify"):
            continue
        units = np.flatnonzero(evidence.listed[place] & _find_works(evidence, item.setback))
        name = f"permits, {item.setback.id}"
        known.add(item.setback.id)
        if ids.count(item.setback.id) != int(len(units) > 0):
            expected = "one row" if len(units) else "no row: nothing planned asks for it"
            rows.append(violation(name, f"{ids.count(item.setback.id)} rows", expected, item.setback.source))
        elif len(units):
            rows += _check_row(evidence, item, units, table.iloc[ids.index(item.setback.id)])
            count += 1
    rows += [
        violation(f"permits, {name}", "a row", "rules that ask for a permit or a notice") for name in set(ids) - known
    ]
    return [*rows, info("plan.gpkg", f"{count} permits and notices")]


def _find_works(evidence: Evidence, setback: Setback) -> BoolArray:
    """Tell on which units work is planned that a rule asks for a permit or a notice for."""
    works: BoolArray = find_meant_work(evidence, find_about(setback))
    return works & (evidence.units["status"] == "planned").to_numpy()


def _check_row(evidence: Evidence, item: Measured, units: IntArray, row: pd.Series[Any]) -> list[Row]:
    setback = item.setback
    name = f"permits, {setback.id}"
    counts = setback.counts
    texts = {
        "ruleset": item.ruleset.title,
        "effect": setback.effect,
        "what": setback.permit or setback.notify or "",
        "repeats": "" if counts is None else "counted" if counts.repeats else "once",
        "source": setback.source,
    }
    rows = [
        violation(f"{name}, {key}", str(row[key]), wanted) for key, wanted in texts.items() if str(row[key]) != wanted
    ]
    water_m2, shore_m, earlier = (np.nan, np.nan, 0.0) if counts is None else _count(evidence, item, counts, units)
    for key, expected, least, quantity in (
        ("unit_count", float(len(units)), 0.0, None),
        ("earlier_count", earlier, 0.0, None),
        ("treated_water_m2", water_m2, _LEAST_M2, AREA),
        ("shoreline_m", shore_m, _LEAST_M, LENGTH),
    ):
        found = float(row[key])
        size = 1.0 if quantity is None else quantity.size(evidence.system)
        same = np.isnan(found) and np.isnan(expected)
        if not same and not abs(found - expected) <= least + _SHARE * abs(expected):
            rows.append(violation(f"{name}, {key}", f"{found / size:.6g}", f"{expected / size:.6g}", setback.source))
    return rows


def _count(evidence: Evidence, item: Measured, counts: Counts, units: IntArray) -> tuple[float, float, float]:
    """Return treated water [m2], shoreline [m] and earlier applications that count.

    Ground is joined and cut in degrees; areas and lengths of what is left are geodesics.
    """
    grounds = rebuild(evidence.unit_degrees[units])
    grounds = grounds[~shapely.is_empty(grounds)]
    history = np.empty(0, dtype=object)
    if "history" in evidence.delivered.layers and len(evidence.delivered.layers["history"]):
        history = rebuild(evidence.feature_degrees("history"))[_find_counted(evidence)]
    water = _find_water(evidence, item, np.concatenate([grounds, history]))
    tree = shapely.STRtree(water)
    history = history[np.unique(tree.query(history, predicate="intersects")[0])]
    # ground off all water adds nothing to either counter
    grounds = grounds[np.unique(tree.query(grounds, predicate="dwithin", distance=2 * _EDGE_DEG)[0])]
    pieces = np.concatenate([grounds, history])
    if not counts.repeats:
        pieces = _join(pieces)
    waters = _join(water)
    return (
        _add_areas(pieces, waters) if counts.treated_water_area else np.nan,
        _add_shores(pieces, waters) if counts.shoreline else np.nan,
        float(len(history)),
    )


def _find_counted(evidence: Evidence) -> BoolArray:
    """Tell which records of earlier work are of a calendar year that the season touches."""
    layer, season = evidence.delivered.layers["history"], evidence.catalog.season
    if season is None or "date" not in layer.columns:
        return np.ones(len(layer), dtype=bool)
    year = layer["date"].astype(str).str[:4]
    counted: BoolArray = year.between(str(season.first.year), str(season.last.year)).to_numpy(dtype=bool)
    return counted


def _join(shapes: NDArray[Any]) -> NDArray[Any]:
    """Return the parts of all shapes together, those that touch joined."""
    joined: NDArray[Any] = shapely.get_parts(shapely.disjoint_subset_union_all(shapely.get_parts(shapes)))
    return joined


def _add_areas(pieces: NDArray[Any], waters: NDArray[Any]) -> float:
    """Return the geodesic area of the water in all pieces together [m2]."""
    shapely.prepare(waters)
    piece, place = shapely.STRtree(waters).query(pieces, predicate="intersects")
    whole = shapely.covers(waters[place], pieces[piece])
    cut = shapely.intersection(pieces[piece[~whole]], waters[place[~whole]])
    return float(find_geodesic_area_m2(np.concatenate([pieces[piece[whole]], cut])).sum())


def _add_shores(pieces: NDArray[Any], waters: NDArray[Any]) -> float:
    """Return the geodesic length of the shore in all pieces together [m], segment by segment."""
    xy, ring = shapely.get_coordinates(shapely.get_rings(waters), return_index=True)
    ends = np.stack([xy[:-1], xy[1:]], axis=1)[ring[1:] == ring[:-1]]
    if not len(ends):
        return 0.0
    segments = shapely.linestrings(ends)
    near = shapely.buffer(pieces, _EDGE_DEG, quad_segs=2)
    piece, segment = shapely.STRtree(segments).query(near, predicate="intersects")
    shapely.prepare(near)
    whole = shapely.covers(near[piece], segments[segment])
    cut = shapely.intersection(near[piece[~whole]], segments[segment[~whole]])
    inside = np.concatenate([segments[segment[whole]], cut])
    xy, line = shapely.get_coordinates(shapely.get_parts(inside), return_index=True)
    same = line[1:] == line[:-1]
    return float(find_geodesic_m(xy[:-1][same], xy[1:][same]).sum())


def _find_water(evidence: Evidence, item: Measured, grounds: NDArray[Any]) -> NDArray[Any]:
    """Return the wet water that a rule means and that some ground touches, in degrees; lines with their width."""
    wanted = item.setback.source_filter
    chosen = evidence.feature_column("water", "state") != "dry"
    if wanted is not None and wanted.layer == "water":
        chosen &= evidence.find_meant(wanted.model_copy(update={"state": None}))
    shapes, half = evidence.feature_degrees("water")[chosen].copy(), evidence.half_width_m("water")[chosen]
    lines = np.flatnonzero(half > 0)
    middle = shapely.get_coordinates(shapely.centroid(shapes[lines]))
    sphere = find_unit_vectors(middle[:, 0], middle[:, 1])
    nearest = np.argmax(sphere @ np.array([part.middle for part in evidence.parts]).T, axis=1)
    for place in np.unique(nearest).tolist():
        part, own = evidence.parts[place], lines[nearest == place]
        drawn = shapely.buffer(move_outlines(shapes[own], part.to_local), half[own], quad_segs=16)
        shapes[own] = move_outlines(drawn, part.to_degrees)
    shapes = rebuild(shapes[np.isin(shapely.get_type_id(shapes), (3, 6))])
    touched: NDArray[Any] = shapes[np.unique(shapely.STRtree(grounds).query(shapes, predicate="intersects")[0])]
    return touched
