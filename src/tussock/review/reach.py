"""In: units, open water, standing places, throws. Out: findings on ground that no throw from firm ground reaches.

On dry ground a crew walks up to the plant. In open water it works from the standing places that are mapped, else from
anywhere on the bank; where no water at all is mapped, standing places limit all ground.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.text import show_length
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.geometry import LocalEdges, Part, move_outlines, rebuild
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.trade.methods import METHODS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Places for vehicles: nobody throws a stream from them.
_VEHICLES: Final = ("road", "parking", "gate", "trailhead")
#: Waters that a crew walks into.
_WADED: Final = ("wetland", "marsh", "swamp", "bog", "fen", "seep", "wet meadow")
#: A throw is taken as longer by this where ground is said to be within it, and as shorter where it is said not to be:
#: circles drawn with corners, the scale of the working CRS, rounding.
_SLACK_SHARE: Final = 0.003
_SLACK_M: Final = 0.02
#: Ground beyond a throw under this is a shared edge or a sliver that was merged [m2], with the sliver area of the site.
_EDGE_M2: Final = 0.05
_OUT_OF_REACH: Final = re.compile(r"out of reach: ")


@dataclass(frozen=True)
class _Ground:
    """What limits a throw, in the projection of one part: standing places and open water, each with an index."""

    standing: NDArray[Any]
    water: NDArray[Any]
    water_mapped: bool


def check_reach(evidence: Evidence) -> list[Row]:
    """Check that no unit is planned with a throw that does not reach its ground, and none refused that it reaches."""
    throws = np.array([_find_throw_m(item) for item in evidence.treatments], dtype=float)
    if not np.isfinite(throws).any():
        return [info("plan.gpkg", "no treatment is thrown")]
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    names = {item.id: place for place, item in enumerate(evidence.treatments)}
    treatment = np.array([names.get(name, -1) for name in options["treatment_id"].tolist()], dtype=np.intp)
    thrown = (unit >= 0) & (treatment >= 0) & np.isfinite(np.r_[throws, np.nan][treatment])
    verdict = options["verdict"].to_numpy(dtype=object)
    said = options["reason"].str.contains(_OUT_OF_REACH, regex=True).to_numpy(dtype=bool)
    used = thrown & np.isin(verdict, ("chosen", "allowed"))
    refused = thrown & (verdict == "refused") & said
    pairs = np.flatnonzero(used | refused)
    beyond, nearest = _measure(evidence, unit[pairs], throws[treatment[pairs]])
    least = max(evidence.catalog.sliver_area_m2, _EDGE_M2)
    rows = _describe_used(evidence, pairs[used[pairs]], throws[treatment], beyond[used[pairs]], least)
    rows += _describe_refused(evidence, pairs[refused[pairs]], throws[treatment], nearest[refused[pairs]])
    return [*rows, info("plan.gpkg", f"{int(used.sum())} candidates with a throw, {int(refused.sum())} out of reach")]


def _find_throw_m(treatment: Any) -> float:
    """Return the throw of a treatment [m]: its own, or the usual one of its method; nan where nothing is thrown."""
    throw = treatment.throw_m if treatment.throw_m is not None else METHODS[treatment.method].throw_m
    return float("nan") if throw is None else float(throw)


def _describe_used(
    evidence: Evidence, rows: IntArray, throw: FloatArray, beyond: FloatArray, least: float
) -> list[Row]:
    options = evidence.options
    return pick_rows(
        beyond > least,
        lambda k: violation(
            f"unit {options['unit_id'].iloc[rows[k]]}, {options['treatment_id'].iloc[rows[k]]}",
            f"{options['verdict'].iloc[rows[k]]}, {beyond[k]:.2f} m2 beyond the throw of "
            f"{show_length(throw[rows[k]], evidence.system)}",
            "refused: out of reach from firm ground",
        ),
        beyond,
    )


def _describe_refused(evidence: Evidence, rows: IntArray, throw: FloatArray, nearest: FloatArray) -> list[Row]:
    options = evidence.options
    enough = throw[rows] * (1 - _SLACK_SHARE) - _SLACK_M
    return pick_rows(
        ~(nearest >= enough),
        lambda k: violation(
            f"unit {options['unit_id'].iloc[rows[k]]}, {options['treatment_id'].iloc[rows[k]]}",
            f"refused as out of reach, {show_length(nearest[k], evidence.system)} from firm ground",
            f"further than the throw of {show_length(throw[rows[k]], evidence.system)}",
        ),
    )


def _measure(evidence: Evidence, unit: IntArray, throw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return, for pairs of unit and throw, the ground beyond the throw [m2] and the least way to firm ground [m]."""
    beyond, nearest = np.zeros(len(unit)), np.full(len(unit), np.nan)
    wanted = np.zeros(len(evidence.units), dtype=bool)
    wanted[unit] = True
    for part, outline, edges in evidence.local:
        members = part.members
        some = wanted[members]
        if not some.any():
            continue
        place = np.full(len(evidence.units), -1, np.intp)
        place[members[some]] = np.arange(int(some.sum()))
        own = np.flatnonzero(place[unit] >= 0)
        shapes = rebuild(outline[some])
        beyond[own], nearest[own] = _measure_part(_gather(evidence, part, edges), shapes, place[unit[own]], throw[own])
    return beyond, nearest


def _gather(evidence: Evidence, part: Part, edges: dict[str, LocalEdges]) -> _Ground:
    """Return standing places and open water in the projection of a part; all of them where none is near."""
    layers = evidence.delivered.layers
    standing, water = np.empty(0, dtype=object), np.empty(0, dtype=object)
    if "access" in layers and len(layers["access"]):
        firm = ~np.isin(evidence.feature_column("access", "kind"), _VEHICLES)
        standing, _ = evidence.move_near("access", firm, part, edges["access"])
        if not len(standing) and firm.any():
            standing = move_outlines(evidence.feature_degrees("access")[firm], part.to_local)
    mapped = "water" in layers and len(layers["water"]) > 0
    if mapped:
        areal = layers["water"].geometry.geom_type.isin(["Polygon", "MultiPolygon"]).to_numpy()
        wet = evidence.feature_column("water", "state") != "dry"
        open_water = areal & wet & ~np.isin(evidence.feature_column("water", "kind"), _WADED)
        water = _join_touching(rebuild(evidence.move_near("water", open_water, part, edges["water"])[0]))
    return _Ground(standing, water, mapped)


def _join_touching(water: NDArray[Any]) -> NDArray[Any]:
    """Return waters with those that touch or overlap joined to one: between two parts of one water there is no bank."""
    first, second = shapely.STRtree(water).query(water, predicate="intersects")
    leader = np.arange(len(water))
    while True:
        least = leader.copy()
        np.minimum.at(least, first, leader[second])
        if (least == leader).all():
            break
        leader = least
    groups = [water[leader == place] for place in np.unique(leader).tolist()]
    joined = np.empty(len(groups), dtype=object)
    joined[:] = [group[0] if len(group) == 1 else shapely.union_all(group) for group in groups]
    return joined


def _measure_part(
    ground: _Ground, shapes: NDArray[Any], unit: IntArray, throw: FloatArray
) -> tuple[FloatArray, FloatArray]:
    beyond, nearest = np.zeros(len(unit)), np.full(len(unit), np.nan)
    tree = shapely.STRtree(ground.water)
    item, water = tree.query(shapes, predicate="intersects")
    if len(ground.standing):
        own, spot = shapely.STRtree(ground.standing).query_nearest(shapes, all_matches=False)
        way = np.full(len(shapes), np.nan)
        way[own] = shapely.distance(shapes[own], ground.standing[spot])
        nearest = way[unit]
    elif len(ground.water):
        bank = np.zeros(len(shapes))
        np.maximum.at(bank, item, shapely.distance(shapely.boundary(ground.water[water]), shapes[item]))
        nearest = bank[unit]
    waters: dict[int, list[int]] = {}
    for own, place in zip(item.tolist(), water.tolist(), strict=True):
        waters.setdefault(own, []).append(place)
    # one unit after the other: each is held against the firm ground around it alone
    done: dict[tuple[int, float], float] = {}
    limited: dict[int, Any] = {}
    for k, pair in enumerate(zip(unit.tolist(), throw.tolist(), strict=True)):
        own, throw_m = pair
        if own not in waters and ground.water_mapped:
            continue
        if pair not in done:
            if own not in limited:
                limited[own] = _limit(ground, waters.get(own, []), shapes[own])
            done[pair] = _find_beyond_m2(ground, waters.get(own, []), limited[own], throw_m)
        beyond[k] = done[pair]
    return beyond, nearest


def _limit(ground: _Ground, waters: list[int], shape: Any) -> Any:
    """Return the ground of a unit that nobody walks on."""
    if not ground.water_mapped:
        return shape
    joined = ground.water[waters[0]] if len(waters) == 1 else shapely.union_all(ground.water[waters])
    return shapely.intersection(shape, joined)


def _find_beyond_m2(ground: _Ground, waters: list[int], limited: Any, throw_m: float) -> float:
    """Return the limited ground of a unit that lies further than a throw, which is taken a little longer [m2]."""
    if limited.area == 0:
        return 0.0
    reach_m = throw_m * (1 + _SLACK_SHARE) + _SLACK_M
    west, south, east, north = limited.bounds
    box = west - 2 * reach_m, south - 2 * reach_m, east + 2 * reach_m, north + 2 * reach_m
    if len(ground.standing):
        firm = ground.standing[shapely.dwithin(ground.standing, limited, reach_m)]
    elif ground.water_mapped:
        firm = shapely.clip_by_rect(shapely.boundary(ground.water[waters]), *box)
    else:
        return 0.0
    covered = shapely.union_all(shapely.buffer(firm, reach_m, quad_segs=64))  # parts of the firm ground overlap
    return float(shapely.area(shapely.difference(limited, covered)))
