"""In: units, water, receptors and the rules of a delivered plan. Out: findings on setbacks, measured anew."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import LENGTH
from tussock.base.text import show_length
from tussock.review.columns import find_places
from tussock.review.dates import SURVEYED
from tussock.review.evidence import Evidence
from tussock.review.measured import Measured
from tussock.review.rows import Row, info, pick_rows, violation, warning
from tussock.review.tanks import find_forbidden

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: A unit may stand nearer than a setback by this [m]: rounding of coordinates in files and projections.
NEARER_M: Final = 1e-3
#: Curved edges of a zone are drawn on the outside of the circle: by at most this share of the distance, and 1 cm.
CURVE_SHARE: Final = 0.003
CURVE_M: Final = 0.01
#: Of a wide feature the share is counted from no less than this part of half width and distance together.
_LEAST_SHARE: Final = 1 / 64
#: Ground on a feature under this is a shared edge [m2].
EDGE_M2: Final = 0.05


def find_due(evidence: Evidence, item: Measured) -> BoolArray:
    """Tell on which units a setback is in force by distances measured here: nearer than asked for, errors counted."""
    if item.anywhere:
        return np.ones(len(evidence.units), dtype=bool)
    if not item.meant:
        return np.zeros(len(evidence.units), dtype=bool)
    reach = item.required_m + item.error_m
    due: BoolArray = item.distance_m < reach - NEARER_M
    touching = item.on & ~due & (reach <= NEARER_M)
    if touching.any():  # a distance of 0 ft without error: only ground on the feature counts, not a shared edge
        due |= touching & (find_ground_on(evidence, item, np.flatnonzero(touching)) > EDGE_M2)
        due |= touching & _find_bare(evidence, item)
    return due


def _find_bare(evidence: Evidence, item: Measured) -> BoolArray:
    """Tell which units are bound by a point, or by a line that has no width: what it touches is on it."""
    wanted = item.setback.source_filter
    if wanted is None:
        return np.zeros(len(evidence.units), dtype=bool)
    areal = shapely.get_dimensions(evidence.outlines(wanted.layer)) == 2  # noqa: PLR2004
    bare: BoolArray = ~areal[item.owner] & (item.half_width_m == 0)
    return bare


def find_ground_on(evidence: Evidence, item: Measured, units: NDArray[np.intp]) -> FloatArray:
    """Return the ground of some units that lies on the areal features which bind them [m2], 0 for the others."""
    ground = np.zeros(len(evidence.units))
    wanted = item.setback.source_filter
    if wanted is None:
        return ground
    features = evidence.outlines(wanted.layer)[item.owner[units]]
    common = shapely.intersection(evidence.unit_ground[units], features)
    ground[units] = shapely.area(common) * evidence.unit_scale[units]
    return ground


def find_over_m(asked_m: FloatArray, half_width_m: FloatArray) -> FloatArray:
    """Return how much further than asked the curved edge of a zone may stand [m].

    Parameters
    ----------
    asked_m
        Distance and error [m], shape (n,).
    half_width_m
        Half the width of the feature that it is counted from the edge of [m], shape (n,).
    """
    whole = asked_m + half_width_m
    share = np.where(asked_m > NEARER_M, np.maximum(asked_m, whole * _LEAST_SHARE), whole)
    return np.asarray(CURVE_SHARE * share + CURVE_M, dtype=float)


def find_most_m(item: Measured) -> FloatArray:
    """Return the largest distance at which a unit can still carry a setback [m]."""
    asked = item.required_m + item.error_m
    return asked + find_over_m(asked, item.half_width_m)


def check_setbacks(evidence: Evidence) -> list[Row]:
    """Check that the setbacks a unit lists are those in force on it, by distances measured anew."""
    rows: list[Row] = []
    ids = evidence.units["unit_id"].to_numpy()
    for place, item in enumerate(evidence.measured):
        listed, name = evidence.listed[place], item.setback.id
        due = find_due(evidence, item)
        rows += pick_rows(
            due & ~listed,
            lambda k, item=item, name=name: violation(  # type: ignore[misc]
                f"unit {ids[k]}, setback {name}",
                f"not listed, {_describe_distance(evidence, item, k)}",
                _describe_required(evidence, item, k),
                f"nearer than the setback allows; {item.setback.source}",
            ),
            np.zeros(len(ids)) if item.anywhere else item.required_m + item.error_m - item.distance_m,
        )
        if item.anywhere:
            continue
        far = listed & ((item.distance_m > find_most_m(item)) | (not item.meant))
        rows += pick_rows(
            far,
            lambda k, item=item, name=name: violation(  # type: ignore[misc]
                f"unit {ids[k]}, setback {name}",
                f"listed, {_describe_distance(evidence, item, k)}",
                _describe_required(evidence, item, k),
                "not in force at that distance",
            ),
        )
    rows += _check_unknown(evidence)
    return [
        *rows,
        info(
            "plan.gpkg", f"{len(ids)} units against {len(evidence.measured)} setbacks, {_count_near(evidence)} in force"
        ),
    ]


def _count_near(evidence: Evidence) -> str:
    return f"{int(evidence.listed.sum())} pairs"


def _describe_distance(evidence: Evidence, item: Measured, unit: int) -> str:
    if item.anywhere:
        return "and it holds anywhere"
    if not item.meant:
        return "and no mapped feature is meant"
    return f"{show_length(item.achieved_m[unit], evidence.system)} from {find_label(evidence, item, unit)}"


def _describe_required(evidence: Evidence, item: Measured, unit: int) -> str:
    if item.anywhere or not item.meant:
        return "listed on every unit" if item.anywhere else "listed on no unit"
    required = show_length(item.required_m[unit], evidence.system)
    return f"{required} and {show_length(item.error_m, evidence.system)} of mapping error"


def find_label(evidence: Evidence, item: Measured, unit: int) -> str:
    """Return the name of the feature that binds a unit."""
    wanted = item.setback.source_filter
    owner = int(item.owner[unit])
    if wanted is None or owner < 0:
        return "the whole site"
    frame = evidence.delivered.layers[wanted.layer]
    return str(frame["label"].iloc[owner]) if "label" in frame.columns else f"{wanted.layer}, row {owner + 1}"


def _check_unknown(evidence: Evidence) -> list[Row]:
    """Find setbacks of no rule set in the tables of units, pairs that stand twice, and words that say others."""
    known = {setback.id for _, setback in evidence.catalog.setbacks()}
    units = evidence.units
    rows: list[Row] = []
    for name, column in (("unit_setbacks", "setbacks"), ("unit_checks", "check_in_field")):
        table = evidence.table(name)
        ids, rules = table["unit_id"].tolist(), table["setback_id"].tolist()
        there = find_places(units["unit_id"], table["unit_id"]) >= 0
        twice = table.duplicated(["unit_id", "setback_id"]).to_numpy()
        bad = ~there | twice | np.array([rule not in known for rule in rules], dtype=bool)
        rows += pick_rows(
            bad,
            lambda k, name=name, ids=ids, rules=rules: violation(  # type: ignore[misc]
                f"{name}, {ids[k]}", f"lists {rules[k]}", "units and setbacks of the plan, each pair once"
            ),
        )
        told: dict[str, list[str]] = {}
        for unit_id, rule in zip(ids, rules, strict=True):
            told.setdefault(unit_id, []).append(rule)
        wanted = [";".join(sorted(set(told.get(unit_id, ())))) for unit_id in units["unit_id"].tolist()]
        found = units[column].tolist()
        rows += pick_rows(
            np.array([one != two for one, two in zip(found, wanted, strict=True)], dtype=bool),
            lambda k, column=column, found=found, wanted=wanted: violation(  # type: ignore[misc]
                f"unit {units['unit_id'].iloc[k]}, {column}", found[k] or "a blank", wanted[k] or "a blank"
            ),
        )
    return rows


def check_forbidden(evidence: Evidence) -> list[Row]:
    """Check that no planned work stands where a setback forbids it on the planned dates."""
    rows: list[Row] = []
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    said = units["reason"].str.contains(SURVEYED, regex=False).to_numpy(dtype=bool)
    count = 0
    for place, item in enumerate(evidence.measured):
        listed = evidence.listed[place]
        near = find_due(evidence, item) | listed
        forbidden = evidence.worked & near & find_forbidden(evidence, item.setback) & find_closed(evidence, item)
        count += int(forbidden.sum())
        sure = listed | (near & (item.error_m == 0)) | (item.distance_m < item.required_m - item.error_m)
        surveyed = said if item.setback.unless_surveyed else np.zeros(len(ids), dtype=bool)
        describe = _describer(evidence, item, ids)
        worst = None if item.anywhere else item.required_m - item.distance_m
        rows += pick_rows(
            forbidden & sure & ~surveyed,
            lambda k, describe=describe: violation(*describe(k)),  # type: ignore[misc]
            worst,
        )
        rows += pick_rows(
            forbidden & (~sure | surveyed),
            lambda k, describe=describe: warning(*describe(k)),  # type: ignore[misc]
            worst,
        )
    text = f"{int(evidence.worked.sum())} units with work, {len(evidence.measured)} setbacks, {count} findings"
    return [*rows, info("plan.gpkg", text)]


def find_closed(evidence: Evidence, item: Measured) -> BoolArray:
    """Tell on which units the planned dates meet the season of a setback; a unit without dates meets every season."""
    season = item.setback.season
    hits = [runs is None or any(days.meets(season) for days in runs) for runs in evidence.date_runs]
    return np.array(hits, dtype=bool)[evidence.unit_dates]


def _describer(evidence: Evidence, item: Measured, ids: NDArray[Any]) -> Any:
    def describe(unit: int) -> tuple[str, str, str, str]:
        row = evidence.units.iloc[unit]
        what = ", ".join(filter(None, (row["method"], row["product_id"])))
        unsure = item.error_m > 0 and item.distance_m[unit] >= item.required_m[unit] - item.error_m
        notes = ["within the mapping error: field check" if unsure else "beyond the mapping error"]
        if item.anywhere:
            notes = []
        if item.setback.unless_surveyed:
            notes.insert(0, SURVEYED)
        return (
            f"unit {ids[unit]}, setback {item.setback.id}",
            f"{row['treatment_id']} ({what}), {_describe_distance(evidence, item, unit)}",
            f"not within {_describe_required(evidence, item, unit)}" if not item.anywhere else "nowhere on the site",
            "; ".join([*notes, item.setback.source]),
        )

    return describe


def check_distances(evidence: Evidence) -> list[Row]:
    """Check the distances of units and patches to the nearest water and receptor against those measured anew."""
    rows: list[Row] = []
    ids = evidence.units["unit_id"].to_numpy()
    size = LENGTH.size(evidence.system)
    nearest = {name: find_nearest_m(evidence, name) for name in ("water", "receptors")}
    found = evidence.units["nearest_water_m"].to_numpy()
    rows += _compare_distance("unit", ids, "nearest water", found, nearest["water"], size)
    patch_ids = evidence.patches["patch_id"].to_numpy()
    for layer, column in (("water", "nearest_water_m"), ("receptors", "nearest_receptor_m")):
        least = np.full(len(patch_ids), np.inf)
        known = evidence.unit_patch >= 0
        np.minimum.at(least, evidence.unit_patch[known], np.nan_to_num(nearest[layer][known], nan=np.inf))
        least[np.isinf(least)] = np.nan
        what = column.removesuffix("_m").replace("_", " ")
        rows += _compare_distance("patch", patch_ids, what, evidence.patches[column].to_numpy(), least, size)
    return [*rows, info("plan.gpkg", f"{len(ids)} units and {len(patch_ids)} patches against water and receptors")]


def find_nearest_m(evidence: Evidence, layer: str) -> FloatArray:
    """Return the distance of every unit to the nearest feature of a layer, whatever its kind [m]."""
    if layer not in evidence.edges or not len(evidence.delivered.layers[layer]):
        return np.full(len(evidence.units), np.nan)
    half = evidence.half_width_m(layer)
    nearest = evidence.nearest(layer, half)
    return np.where(nearest.on, 0.0, np.maximum(nearest.distance_m - half[nearest.owner], 0.0))


def find_tolerance_m(distance: FloatArray) -> FloatArray:
    """Return how far two honest measurements of a distance may be apart [m]: the plan's CRS may be off by 1e-4."""
    tolerance: FloatArray = 5e-3 + 2e-4 * np.nan_to_num(distance)
    return tolerance


def _compare_distance(
    kind: str, ids: NDArray[Any], what: str, found: FloatArray, expected: FloatArray, size: float
) -> list[Row]:
    one = np.isnan(found) != np.isnan(expected)
    off = np.where(one, np.inf, np.abs(np.nan_to_num(found) - np.nan_to_num(expected)))
    unit = "ft" if size != 1.0 else "m"
    return pick_rows(
        off > find_tolerance_m(expected),
        lambda k: violation(
            f"{kind} {ids[k]}", f"{what} {found[k] / size:.2f} {unit}", f"{expected[k] / size:.2f} {unit}"
        ),
        off,
    )
