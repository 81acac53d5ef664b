"""In: units, water, standing places, boats, candidates. Out: findings where ground is said to be reached and is not.

A person walks up to plants on dry ground and in water that is waded. In open water he works from the standing places
that are mapped, else from anywhere on the bank, or from a boat where the access layer has one; a machine stands in no
water. Where no water at all is mapped, standing places limit all ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.records import Treatment
from tussock.base.text import show_length
from tussock.base.verdicts import BY_BOAT, ON_FOOT, OUT_OF_REACH
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.geometry import LocalEdges, Part, move_outlines, rebuild
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.trade.methods import METHODS
from tussock.trade.places import find_access_use, find_launch_touch_m, is_waded

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
#: Who stands, how far he reaches [m], whether from a boat too.
Way: TypeAlias = tuple[str, float, bool]

#: A reach is taken as longer by this where ground is said to be within it, and as shorter where it is said not to be:
#: circles drawn with corners, the scale of the working CRS, rounding.
_SLACK_SHARE: Final = 0.003
_SLACK_M: Final = 0.02
#: Ground beyond a reach under this is a shared edge or a sliver that was merged [m2], with the sliver area of the site.
_EDGE_M2: Final = 0.05
#: Slivers beside one another that were merged into ground out of reach, at most.
_SLIVERS: Final = 3
_CLAIMS: Final = (ON_FOOT, BY_BOAT, OUT_OF_REACH)


@dataclass(frozen=True)
class _Ground:
    """What limits a reach, in the projection of one part."""

    standing: NDArray[Any]
    boats: NDArray[Any]
    open_water: NDArray[Any]
    wet: NDArray[Any]
    water_mapped: bool


def check_reach(evidence: Evidence) -> list[Row]:
    """Check how every unit is said to be reached by every candidate that is for its plant, and by what is planned."""
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    names = {item.id: place for place, item in enumerate(evidence.treatments)}
    treatment = np.array([names.get(name, -1) for name in options["treatment_id"].tolist()], dtype=np.intp)
    known = np.flatnonzero((unit >= 0) & (treatment >= 0))
    said = options["reached"].to_numpy(dtype=object)
    suits = np.zeros(len(options), dtype=bool)
    suits[known] = _find_suits(evidence)[treatment[known], evidence.unit_patch[unit[known]]]
    pairs = np.flatnonzero(suits)
    ways = [_find_way(item) for item in evidence.treatments]
    beyond_foot, beyond, within = _measure(evidence, unit[pairs], [ways[place] for place in treatment[pairs].tolist()])
    least = max(evidence.catalog.sliver_area_m2, _EDGE_M2)
    claim = said[pairs]

    def describe(found: str, expected: str, figures: FloatArray) -> Any:
        def row(k: int) -> Row:
            option = options.iloc[pairs[k]]
            reach = show_length(ways[treatment[pairs[k]]][1], evidence.system)
            where = f"unit {option['unit_id']}, {option['treatment_id']}"
            return violation(where, f"{option['verdict']}, {found.format(f'{figures[k]:.2f} m2')} {reach}", expected)

        return row

    rows = pick_rows(
        (claim == ON_FOOT) & (beyond_foot > least),
        describe("said to be reached on foot, {} beyond the reach of", OUT_OF_REACH, beyond_foot),
        beyond_foot,
    )
    rows += pick_rows(
        (claim == BY_BOAT) & (beyond > least),
        describe("said to be reached by boat, {} beyond the reach of", OUT_OF_REACH, beyond),
        beyond,
    )
    rows += pick_rows(
        (claim == OUT_OF_REACH) & (within > _SLIVERS * least),
        describe("said to be out of reach, {} within the reach of", "reached", within),
        within,
    )
    rows += _check_claims(evidence, suits, said)
    rows += _check_units(evidence, unit)
    out = int((claim == OUT_OF_REACH).sum())
    return [*rows, info("plan.gpkg", f"reach of {len(pairs)} candidates on units, {out} out of reach")]


def _find_suits(evidence: Evidence) -> BoolArray:
    """Tell which treatment is for which patch's plant, shape (treatments, patches); one more column is for none."""
    patches = evidence.patches
    plants = list(zip(patches["species"].tolist(), patches["growth_form"].tolist(), strict=True))
    table = np.zeros((len(evidence.treatments), len(plants) + 1), dtype=bool)
    grown = (patches["found_empty"] == "").to_numpy(dtype=bool)
    for place, item in enumerate(evidence.treatments):
        table[place, :-1] = np.array([item.suits(*plant) for plant in plants], dtype=bool) & grown
    return table


def _find_way(treatment: Treatment) -> Way:
    """Return who must stand within which reach: the treatment's own one, or the usual one of its method."""
    method = METHODS[treatment.method]
    own = [size for size in (treatment.throw_m, treatment.reach_m) if size is not None]
    return method.stands, float(own[0] if own else method.reach_m), method.from_boat


def _check_claims(evidence: Evidence, suits: BoolArray, said: NDArray[Any]) -> list[Row]:
    """Check that what is allowed is reached, and that every candidate for the plant says how."""
    options = evidence.options
    planned = options["verdict"].isin(["chosen", "allowed"]).to_numpy(dtype=bool)
    bad = (planned & ~np.isin(said, (ON_FOOT, BY_BOAT))) | (suits & ~np.isin(said, _CLAIMS)) | (~suits & (said != ""))

    def describe(k: int) -> Row:
        option = options.iloc[k]
        expected = "a blank: not for this plant" if not suits[k] else ", ".join(_CLAIMS[: 2 if planned[k] else 3])
        return violation(
            f"unit {option['unit_id']}, {option['treatment_id']}, reached",
            f"{option['verdict']}: {said[k]!r}",
            expected,
        )

    return pick_rows(bad, describe)


def _check_units(evidence: Evidence, unit: IntArray) -> list[Row]:
    """Check that a unit is reached as its chosen candidate is, and is out of reach only where a candidate is."""
    options, units = evidence.options, evidence.units
    said = units["reached"].to_numpy(dtype=object)
    reached = options["reached"].to_numpy(dtype=object)
    expected = np.full(len(units), "", dtype=object)
    out = np.zeros(len(units), dtype=bool)
    out[unit[(unit >= 0) & (reached == OUT_OF_REACH)]] = True
    chosen = (unit >= 0) & (options["verdict"] == "chosen").to_numpy(dtype=bool)
    expected[unit[chosen]] = reached[chosen]
    planned = (units["status"] == "planned").to_numpy(dtype=bool)
    may = ~planned & out & (units["area_counted_with"] == "").to_numpy(dtype=bool)
    bad = (said != expected) & ~(may & (said == OUT_OF_REACH))
    ids = units["unit_id"].to_numpy()
    return pick_rows(bad, lambda k: violation(f"unit {ids[k]}, reached", repr(said[k]), repr(expected[k])))


def _measure(evidence: Evidence, unit: IntArray, ways: list[Way]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Measure pairs of unit and way.

    Returns
    -------
    beyond_foot, beyond, within
        Ground out of reach on foot, and by boat too [m2]; the largest piece of ground that is reached [m2].
    """
    beyond_foot, beyond, within = np.zeros(len(unit)), np.zeros(len(unit)), evidence.unit_area_m2[unit].copy()
    for part, outline, edges in evidence.local:
        place = np.full(len(evidence.units), -1, np.intp)
        place[part.members] = np.arange(len(part.members))
        own = np.flatnonzero(place[unit] >= 0)
        if not len(own):
            continue
        ground = _gather(evidence, part, edges)
        shapes = rebuild(outline)
        done: dict[tuple[int, Way], tuple[float, float, float] | None] = {}
        near = {name: _find_waters(water, shapes) for name, water in (("m", ground.wet), ("p", ground.open_water))}
        # one unit after the other: each is held against the firm ground around it alone
        for k in own.tolist():
            way, item = ways[k], int(place[unit[k]])
            if (item, way) not in done:
                waters = near[way[0][0]].get(item, [])
                done[item, way] = _find_beyond_m2(ground, waters, shapes[item], way)
            found = done[item, way]
            if found is not None:
                beyond_foot[k], beyond[k], within[k] = found
    return beyond_foot, beyond, within


def _find_waters(water: NDArray[Any], shapes: NDArray[Any]) -> dict[int, list[int]]:
    """Return the waters that each outline shares a point with."""
    found: dict[int, list[int]] = {}
    for item, place in zip(*shapely.STRtree(water).query(shapes, predicate="intersects").tolist(), strict=True):
        found.setdefault(item, []).append(place)
    return found


def _gather(evidence: Evidence, part: Part, edges: dict[str, LocalEdges]) -> _Ground:
    """Return standing places, boats and water in the projection of a part; places to stand however far."""
    layers = evidence.delivered.layers
    none = np.empty(0, dtype=object)
    mapped = "water" in layers and len(layers["water"]) > 0
    wet, open_water = none, none
    if mapped:
        damp = evidence.feature_column("water", "state") != "dry"
        shapes, rows = evidence.move_near("water", damp, part, edges["water"])
        drawn = _widen(rebuild(shapes), evidence.half_width_m("water")[rows])
        deep = ~_find_waded(evidence)[rows]
        wet, open_water = drawn, drawn[deep]
    standing, boats = none, none
    if "access" in layers and len(layers["access"]):
        kinds = evidence.feature_column("access", "kind").tolist()
        use = np.array([find_access_use(kind) for kind in kinds], dtype=object)
        every = move_outlines(evidence.feature_degrees("access"), part.to_local)
        standing = every[use == "standing"]
        touch_m = find_launch_touch_m()
        touched = [open_water[shapely.dwithin(open_water, ramp, touch_m)] for ramp in every[use == "launch"]]
        areas = every[use == "boat"]
        boats = np.concatenate([areas[shapely.get_dimensions(areas) == 2], *touched])  # noqa: PLR2004  (an area)
    return _Ground(standing, boats, _join_touching(open_water), _join_touching(wet), mapped)


def _widen(shapes: NDArray[Any], half_m: FloatArray) -> NDArray[Any]:
    """Return waters as ground: lines as wide as they are."""
    line = shapely.get_dimensions(shapes) < 2  # noqa: PLR2004  (an area)
    wide = shapes.copy()
    wide[line] = shapely.buffer(shapes[line], half_m[line], quad_segs=64)
    return wide


def _find_waded(evidence: Evidence) -> BoolArray:
    """Tell which waters a person walks into: by the mapper's word, else by their kind."""
    word = evidence.feature_column("water", "wade")
    usual = np.array([is_waded(kind) for kind in evidence.feature_column("water", "kind").tolist()], dtype=bool)
    waded: BoolArray = (word == "yes") | ((word != "no") & usual)
    return waded


def _join_touching(water: NDArray[Any]) -> NDArray[Any]:
    """Return waters with those that touch or overlap joined to one: between two parts of one water there is no bank."""
    water = water[~shapely.is_empty(water)]
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


def _find_beyond_m2(ground: _Ground, waters: list[int], shape: Any, way: Way) -> tuple[float, float, float] | None:
    """Return ground out of reach on foot, and by boat too, and the largest piece reached [m2]; None: all is."""
    stands, reach_m, from_boat = way
    water = ground.wet if stands == "machine" else ground.open_water
    firm: NDArray[Any] = ground.standing if stands == "person" else ground.standing[:0]
    if not ground.water_mapped:
        if not len(ground.standing):
            return None
        limited = shape
    else:
        if not waters:
            return None
        limited = shapely.intersection(shape, shapely.union_all(water[waters]))
        if not len(firm):
            firm = shapely.boundary(water[waters])
    if shapely.area(limited) == 0:
        return None
    long_m = reach_m * (1 + _SLACK_SHARE) + _SLACK_M
    short_m = reach_m * (1 - _SLACK_SHARE) - _SLACK_M
    boats = ground.boats if from_boat else ground.boats[:0]
    foot = shapely.area(_take_off(limited, firm, long_m))
    both = shapely.area(_take_off(limited, np.concatenate([firm, boats]), long_m))
    left = _take_off(limited, np.concatenate([firm, boats]), short_m)
    reached = shapely.area(shapely.get_parts(shapely.difference(shape, left)))
    return float(foot), float(both), float(reached.max(initial=0.0))


def _take_off(limited: Any, firm: NDArray[Any], reach_m: float) -> Any:
    """Return ground without what lies within a reach of firm ground."""
    near = firm[shapely.dwithin(firm, limited, reach_m)] if reach_m > 0 else firm[:0]
    if not len(near):
        return limited
    west, south, east, north = limited.bounds
    far = 2 * reach_m
    box = shapely.box(west - far, south - far, east + far, north + far)
    return shapely.difference(
        limited, shapely.union_all(shapely.buffer(shapely.intersection(near, box), reach_m, quad_segs=64))
    )
