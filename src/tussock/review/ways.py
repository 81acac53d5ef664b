"""In: units, access, water and the table of hours. Out: findings on its terms, and on the ways that they rest on."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.review.columns import find_places
from tussock.review.efforts import find_efforts
from tussock.review.evidence import Evidence
from tussock.review.geometry import find_geodesic_m, move_to_degrees
from tussock.review.ground import find_difference
from tussock.review.places import find_mixing, find_stops
from tussock.review.rows import Row, info, pick_rows, show_number, violation
from tussock.review.setbacks import find_tolerance_m

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_TOLERANCE: Final = 1e-8
#: Shared edges are found vertex by vertex; where outlines touch within 5 mm only, a little more or less counts.
_EDGE_M: Final = 0.5
_EDGE_SHARE: Final = 0.03
#: Odd numbers that mix the bits of four coordinates into one number to sort by.
_MIX: Final = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93], dtype=np.uint64
)
#: Terms of the table of hours that follow from others.
_TERMS: Final = (
    "loads",
    "setup_h",
    "walk_in_h",
    "search_h",
    "treating_h",
    "refill_h",
    "mixing_h",
    "flagging_h",
    "cleaning_h",
    "records_h",
    "travel_h",
    "breaks_h",
    "productive_h",
    "crew_h",
    "labour_cost",
    "product_cost",
    "supply_cost",
    "equipment_cost",
    "cost",
)


def check_hours(evidence: Evidence) -> list[Row]:
    """Check that the table of hours has a row for each planned unit, and every term follows from times and ways."""
    hours, units = evidence.hours, evidence.units
    planned = np.flatnonzero((units["status"] == "planned").to_numpy())
    place = find_places(units["unit_id"], hours["unit_id"])
    count = np.bincount(place[place >= 0], minlength=len(units))
    wanted = np.bincount(planned, minlength=len(units))
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        count != wanted,
        lambda k: violation(f"unit {ids[k]}", f"{count[k]} rows in unit_hours", str(wanted[k]), "one if planned"),
    )
    if "unit_hours" not in evidence.delivered.tables and len(planned):
        return [violation("plan.gpkg, unit_hours", "missing", "a row for each planned unit")]
    names = hours["unit_id"].to_numpy()
    rows += pick_rows(place < 0, lambda k: violation(f"unit_hours, {names[k]}", "no unit of the plan", "one of them"))
    known = np.flatnonzero(place >= 0)
    efforts = find_efforts(evidence)
    for name in _TERMS:
        found, expected = hours[name].to_numpy(dtype=float)[known], efforts[name][place[known]]
        off = find_difference(found, expected)
        rows += pick_rows(
            off > _TOLERANCE,
            lambda k, name=name, found=found, expected=expected: violation(  # type: ignore[misc]
                f"unit_hours, {names[known[k]]}, {name}", show_number(found[k]), show_number(expected[k])
            ),
            off,
        )
    return [*rows, info("plan.gpkg", f"{len(_TERMS)} terms of {len(hours)} planned units")]


def check_ways(evidence: Evidence) -> list[Row]:
    """Check the ways on foot and the flagged edges that hours rest on, measured anew."""
    operations = evidence.catalog.operations
    if operations is None or operations.time is None or not len(evidence.hours):
        return [info("plan.gpkg", "no ways on foot: the operations do not time the day")]
    rows: list[Row] = []
    place = find_places(evidence.units["unit_id"], evidence.hours["unit_id"])
    for column, label, sets in (
        ("walk_m", "access", [find_stops(evidence)]),
        ("mixing_m", "mixing_place", find_mixing(evidence)),
    ):
        rows += _check_way(evidence, place, column, label, sets)
    edge = find_flagged_edge_m(evidence)
    known = np.flatnonzero(place >= 0)
    found, expected = evidence.hours["limited_edge_m"].to_numpy(dtype=float)[known], edge[place[known]]
    names = evidence.hours["unit_id"].to_numpy()[known]
    off = np.abs(found - expected)
    rows += pick_rows(
        ~(off <= _EDGE_M + _EDGE_SHARE * expected),
        lambda k: violation(f"unit_hours, {names[k]}, limited_edge", f"{found[k]:.2f} m", f"{expected[k]:.2f} m"),
        off,
    )
    return [*rows, info("plan.gpkg", f"ways and flagged edges of {len(names)} planned units")]


def _check_way(evidence: Evidence, place: IntArray, column: str, label: str, sets: list[BoolArray]) -> list[Row]:
    """Check a way and the place that it leads to; any of several sets of places may be the one that was taken."""
    known = np.flatnonzero(place >= 0)
    hours = evidence.hours.iloc[known]
    found, said = hours[column].to_numpy(dtype=float), hours[label].to_numpy(dtype=object)
    agrees, best = np.zeros(len(known), dtype=bool), np.full(len(known), np.nan)
    for chosen in sets[::-1]:
        best = _measure_m(evidence, chosen)[place[known]]
        same = np.where(np.isnan(found) | np.isnan(best), np.isnan(found) == np.isnan(best), True)
        same &= np.isnan(best) | (np.abs(found - best) <= find_tolerance_m(best))
        agrees |= same & _check_label(evidence, chosen, said, best, place[known])
    names = hours["unit_id"].to_numpy()
    return pick_rows(
        ~agrees,
        lambda k: violation(
            f"unit_hours, {names[k]}, {column.removesuffix('_m')}",
            f"{found[k]:.2f} m to {said[k] or 'nowhere'}",
            f"{best[k]:.2f} m",
        ),
    )


def _measure_m(evidence: Evidence, chosen: BoolArray) -> FloatArray:
    """Return the distance of every unit to the nearest of some access features [m]; nan where there is none."""
    if not chosen.any():
        return np.full(len(evidence.units), np.nan)
    nearest = evidence.nearest("access", np.where(chosen, 0.0, np.nan))
    return np.where(nearest.on, 0.0, nearest.distance_m)


def _check_label(
    evidence: Evidence, chosen: BoolArray, said: NDArray[Any], best: FloatArray, unit: IntArray
) -> BoolArray:
    """Tell where the place that is named is as near as the nearest one."""
    if not chosen.any():
        return np.array([text == "" for text in said.tolist()], dtype=bool)
    labels = evidence.delivered.layers["access"]["label"].astype(str).to_numpy(dtype=object)
    owner = evidence.nearest("access", np.where(chosen, 0.0, np.nan)).owner[unit]
    right: BoolArray = labels[owner] == said
    for name in set(said[~right].tolist()):  # two places can be as near as each other
        own = chosen & (labels == name)
        if own.any():
            rows = (said == name) & ~right
            right[rows] = _measure_m(evidence, own)[unit[rows]] <= best[rows] + find_tolerance_m(best[rows])
    return right


def _find_twins(key: FloatArray) -> tuple[IntArray, IntArray]:
    """Return an order of rows in which equal ones are neighbours, and the places in it whose next one is equal."""
    mixed = ((key + 0.0).view(np.uint64) * _MIX).sum(axis=1, dtype=np.uint64)
    order = np.argsort(mixed, kind="stable")
    same = (key[order][1:] == key[order][:-1]).all(axis=1)
    if ((mixed[order][1:] == mixed[order][:-1]) & ~same).any():  # two rows with one number: sort by all columns
        order = np.lexsort(key.T)
        same = (key[order][1:] == key[order][:-1]).all(axis=1)
    return order, np.flatnonzero(same)


def find_flagged_edge_m(evidence: Evidence) -> FloatArray:
    """Return the length of the setback edges that each planned unit bears the flagging of [m], shape (u,).

    An edge between two units of a patch with different setbacks is found by the segments that both outlines have; two
    planned units bear half of it each, else the planned one bears all. Lengths are geodesics.
    """
    parts, owner = shapely.get_parts(evidence.unit_outline, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    keep = ring[1:] == ring[:-1]
    ends = np.stack([xy[:-1][keep], xy[1:][keep]], axis=1)
    unit = owner[part[ring[:-1][keep]]]
    turned = (ends[:, 0, 0] > ends[:, 1, 0]) | ((ends[:, 0, 0] == ends[:, 1, 0]) & (ends[:, 0, 1] > ends[:, 1, 1]))
    key = np.where(turned[:, None, None], ends[:, ::-1], ends).reshape(-1, 4)
    order, twin = _find_twins(key)
    one, two = unit[order[twin]], unit[order[twin + 1]]
    patch, setbacks = evidence.unit_patch, evidence.units["setbacks"].to_numpy(dtype=object)
    planned = (evidence.units["status"] == "planned").to_numpy(dtype=bool) & ~evidence.looked
    flagged = (one != two) & (patch[one] == patch[two]) & (setbacks[one] != setbacks[two])
    one, two, segment = one[flagged], two[flagged], ends[order[twin[flagged]]]
    degrees = shapely.get_coordinates(move_to_degrees(shapely.linestrings(segment), evidence.crs)).reshape(-1, 2, 2)
    length = find_geodesic_m(degrees[:, 0], degrees[:, 1])
    share = np.where(planned[one] & planned[two], 0.5, 1.0) * length
    edge: FloatArray = np.bincount(one, share * planned[one], minlength=len(planned)).astype(np.float64)
    borne: FloatArray = edge + np.bincount(two, share * planned[two], minlength=len(planned))
    return borne
