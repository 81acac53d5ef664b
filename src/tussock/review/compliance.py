"""In: the compliance table of a delivered plan. Out: findings on its rows, figures and words against the rules."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import LENGTH
from tussock.base.verdicts import (
    CLEAR,
    FAILS,
    FIELD_CHECK,
    INSIDE,
    MEETS,
    NOT_APPLICABLE,
    NOT_CHECKED,
    TO_DO,
    WITHIN_ERROR,
)
from tussock.review.columns import find_places, read_number
from tussock.review.evidence import Evidence
from tussock.review.geometry import find_geodesic_m
from tussock.review.measured import Measured
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.setbacks import find_closed, find_label, find_tolerance_m
from tussock.review.slopes import check_slopes
from tussock.review.tanks import find_about, find_forbidden, find_meant_work, means_bare_work

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: The point that a distance runs from may stand off its unit by this [degrees], a tenth of a metre.
_POINT_OFF_DEG: Final = 1e-6


def check_compliance(evidence: Evidence) -> list[Row]:
    """Check the compliance table: its rows, its figures against those measured anew, and the verdicts that follow."""
    table = evidence.compliance
    setbacks = [setback.id for _, setback in evidence.catalog.setbacks()]
    unit = find_places(evidence.units["unit_id"], table["unit_id"])
    rule = _find_rules(setbacks, table["setback_id"].to_numpy(dtype=object))
    rows = pick_rows(
        (unit < 0) | (rule < 0),
        lambda k: violation(
            _name(table, k), "a row for no unit or no setback of the plan", "a unit and a setback of the plan"
        ),
    )
    rows += _check_complete(evidence, unit, rule, setbacks)
    known = np.flatnonzero((unit >= 0) & (rule >= 0))
    if len(known):
        sub = table.iloc[known].reset_index(drop=True)
        rows += _check_texts(evidence, sub, unit[known], rule[known])
        rows += _check_figures(evidence, sub, unit[known], rule[known])
        rows += _check_ends(evidence, sub, unit[known], known)
        rows += check_slopes(evidence, sub, unit[known], rule[known])
        rows += _check_verdicts(evidence, sub, unit[known], rule[known])
    return [*rows, info("compliance", f"{len(table)} rows of unit and setback")]


def _find_rules(setbacks: list[str], names: NDArray[Any]) -> NDArray[np.intp]:
    places = {name: place for place, name in enumerate(setbacks)}
    return np.array([places.get(name, -1) for name in names.tolist()], dtype=np.intp)


def _name(table: Any, row: int) -> str:
    return f"unit {table['unit_id'].iloc[row]}, setback {table['setback_id'].iloc[row]}"


def _check_complete(
    evidence: Evidence, unit: NDArray[np.intp], rule: NDArray[np.intp], setbacks: list[str]
) -> list[Row]:
    count = np.zeros((len(setbacks), len(evidence.units)), dtype=np.int64)
    known = (unit >= 0) & (rule >= 0)
    np.add.at(count, (rule[known], unit[known]), 1)
    wanted = np.array([[item.meant] for item in evidence.measured], dtype=np.int64).reshape(-1, 1)
    wrong = np.argwhere(count != np.broadcast_to(wanted, count.shape)) if count.size else np.empty((0, 2), np.intp)
    ids = evidence.units["unit_id"].to_numpy()

    def describe(k: int) -> Row:
        place, who = wrong[k]
        where = f"unit {ids[who]}, setback {setbacks[place]}"
        return violation(where, f"{count[place, who]} rows", f"{int(wanted[place, 0])}")

    return pick_rows(np.ones(len(wrong), dtype=bool), describe)


def _check_texts(evidence: Evidence, table: Any, unit: NDArray[np.intp], rule: NDArray[np.intp]) -> list[Row]:
    """Compare the columns that repeat the rule and the unit."""
    pairs = evidence.catalog.setbacks()
    expected = {
        "ruleset": np.array([ruleset.title for ruleset, _ in pairs], dtype=object)[rule],
        "effect": np.array([setback.effect for _, setback in pairs], dtype=object)[rule],
        "source": np.array([setback.source for _, setback in pairs], dtype=object)[rule],
        "patch_id": evidence.units["patch_id"].to_numpy(dtype=object)[unit],
    }
    rows = []
    for name, wanted in expected.items():
        found = table[name].to_numpy(dtype=object)
        rows += pick_rows(
            found != wanted,
            lambda k, name=name, found=found, wanted=wanted: violation(  # type: ignore[misc]
                f"{_name(table, k)}, {name}", str(found[k]), str(wanted[k])
            ),
        )
    return rows


def _stack(evidence: Evidence, name: str) -> FloatArray:
    return np.array([getattr(item, name) for item in evidence.measured], dtype=float).reshape(
        len(evidence.measured), len(evidence.units)
    )


def _check_figures(evidence: Evidence, table: Any, unit: NDArray[np.intp], rule: NDArray[np.intp]) -> list[Row]:
    """Compare required and achieved distance and the stated error."""
    required, achieved = _stack(evidence, "required_m")[rule, unit], _stack(evidence, "achieved_m")[rule, unit]
    error = np.array([item.error_m for item in evidence.measured])[rule]
    # where a rule asks each feature for its own distance, two features can bind alike: what is compared is the margin
    found_margin = table["achieved_m"].to_numpy() - table["required_m"].to_numpy()
    tolerance = find_tolerance_m(achieved)
    tied = np.abs(found_margin - (achieved - required)) <= tolerance
    varied = np.array([_varies(item) for item in evidence.measured], dtype=bool)[rule]
    rows = []
    for name, expected, slack, forgiven in (
        ("required", required, np.full(len(table), 1e-6), tied & varied),
        ("achieved", achieved, tolerance, tied & varied),
        ("error", error, np.full(len(table), 1e-6), np.zeros(len(table), dtype=bool)),
    ):
        found = table[f"{name}_m"].to_numpy()
        one = np.isnan(found) != np.isnan(expected)
        off = np.where(one, np.inf, np.abs(np.nan_to_num(found) - np.nan_to_num(expected)))
        rows += pick_rows(
            (off > slack) & ~forgiven,
            lambda k, name=name, found=found, expected=expected: violation(  # type: ignore[misc]
                f"{_name(table, k)}, {name}", _show(evidence, found[k]), _show(evidence, expected[k])
            ),
            off,
        )
    return rows + _check_features(evidence, table, unit, rule)


def _check_ends(evidence: Evidence, table: Any, unit: NDArray[np.intp], rows_of: NDArray[np.intp]) -> list[Row]:
    """Check both ends of a distance: as far apart as achieved, the first on the unit."""
    source = evidence.delivered.tables["compliance"].iloc[rows_of]
    ends = [read_number(source, name) for name in ("from_lon", "from_lat", "to_lon", "to_lat")]
    known = np.flatnonzero(np.isfinite(np.column_stack(ends)).all(axis=1))
    from_lon, from_lat, to_lon, to_lat = (values[known] for values in ends)
    apart = find_geodesic_m(np.column_stack([from_lon, from_lat]), np.column_stack([to_lon, to_lat]))
    achieved = table["achieved_m"].to_numpy()[known]
    rows = pick_rows(
        np.abs(apart - achieved) > find_tolerance_m(achieved),
        lambda k: violation(
            f"{_name(table, known[k])}, nearest points",
            _show(evidence, apart[k]),
            f"{_show(evidence, achieved[k])} apart",
        ),
        np.abs(apart - achieved),
    )
    shapes = evidence.unit_degrees[unit[known]]
    middle = shapely.bounds(shapes)[:, ::2].mean(axis=1)
    turned = from_lon + 360.0 * np.round((np.nan_to_num(middle, nan=0.0) - from_lon) / 360.0)
    off = shapely.distance(shapely.points(turned, from_lat), shapes)
    return rows + pick_rows(
        off > _POINT_OFF_DEG,
        lambda k: violation(f"{_name(table, known[k])}, from", "a point off the unit", "a point on its outline"),
        off,
    )


def _varies(item: Measured) -> bool:
    return not item.anywhere and item.meant and item.setback.distance_m is None


def _check_features(evidence: Evidence, table: Any, unit: NDArray[np.intp], rule: NDArray[np.intp]) -> list[Row]:
    """Check that the feature named is one that the rule means."""
    names = [_list_labels(evidence, item) for item in evidence.measured]
    found = table["feature"].to_numpy(dtype=object)
    bad = np.array(
        [label not in names[place] for label, place in zip(found.tolist(), rule.tolist(), strict=True)], dtype=bool
    )
    return pick_rows(
        bad,
        lambda k: violation(
            f"{_name(table, k)}, feature", str(found[k]), find_label(evidence, evidence.measured[rule[k]], int(unit[k]))
        ),
    )


def _list_labels(evidence: Evidence, item: Measured) -> set[str]:
    wanted = item.setback.source_filter
    if item.anywhere or wanted is None or wanted.layer not in evidence.delivered.layers:
        return {"the whole site"}
    frame = evidence.delivered.layers[wanted.layer]
    return (
        set(frame["label"].astype(str).to_numpy()[evidence.find_meant(wanted)]) if "label" in frame.columns else set()
    )


def _show(evidence: Evidence, size_m: float) -> str:
    size = LENGTH.size(evidence.system)
    return "blank" if np.isnan(size_m) else f"{size_m / size:.3f} {'ft' if size != 1.0 else 'm'}"


def _check_verdicts(evidence: Evidence, table: Any, unit: NDArray[np.intp], rule: NDArray[np.intp]) -> list[Row]:
    """Compare both verdicts with what follows from the setbacks that the unit lists and the treatment planned."""
    verdict = table["verdict"].to_numpy(dtype=object)
    rows = pick_rows(
        verdict == FAILS,
        lambda k: violation(_name(table, k), FAILS, MEETS, "the plan itself says that it does not hold"),
    )
    expected = _find_verdicts(evidence)[rule, unit]
    must, may = _find_doubts(evidence, table, unit, rule)
    meets = expected == MEETS
    expected = np.where(meets & must, FIELD_CHECK, expected)
    forgiven = meets & may & ~must & np.isin(verdict, (MEETS, FIELD_CHECK))
    rows += pick_rows(
        (verdict != expected) & ~forgiven & (verdict != FAILS),
        lambda k: violation(f"{_name(table, k)}, verdict", str(verdict[k]), str(expected[k])),
    )
    word = table["distance_verdict"].to_numpy(dtype=object)
    likely, other = _find_words(evidence, rule, unit)
    return rows + pick_rows(
        (word != likely) & (word != other),
        lambda k: violation(f"{_name(table, k)}, distance_verdict", str(word[k]), str(likely[k])),
    )


def _find_verdicts(evidence: Evidence) -> NDArray[Any]:
    """Return the verdict that each setback and unit should have, shape (setbacks, u)."""
    units = evidence.units
    verdicts = np.full((len(evidence.measured), len(units)), NOT_APPLICABLE, dtype=object)
    planned = evidence.worked & (units["status"] == "planned").to_numpy()
    for place, item in enumerate(evidence.measured):
        listed, row = evidence.listed[place], verdicts[place]
        about = find_about(item.setback)
        works = planned & (evidence.sprayed | means_bare_work(about))
        if item.setback.effect != "forbids":
            row[works & listed & find_meant_work(evidence, about)] = TO_DO
            continue
        if item.ruleset.ruleset.status == "draft":
            row[works] = NOT_CHECKED
            continue
        row[works] = MEETS
        forbidden = works & listed & find_forbidden(evidence, item.setback)
        if item.setback.unless_surveyed:
            row[forbidden] = TO_DO
        else:
            row[forbidden & find_closed(evidence, item)] = FAILS
    return verdicts


def _find_doubts(
    evidence: Evidence, table: Any, unit: NDArray[np.intp], rule: NDArray[np.intp]
) -> tuple[BoolArray, BoolArray]:
    """Tell where a result rests on a width that was assumed and could turn over with the real one: surely, and maybe.

    Two features can bind a unit alike, so the one that the row names decides; a name that stands twice leaves it open.
    """
    must, may = np.zeros(len(table), dtype=bool), np.zeros(len(table), dtype=bool)
    widths = _list_widths(evidence)
    labels = table["feature"].to_numpy(dtype=object)
    for place, item in enumerate(evidence.measured):
        wanted = item.setback.source_filter
        rows = np.flatnonzero(rule == place)
        if wanted is None or wanted.layer != "water" or item.anywhere or not item.meant or not len(rows):
            continue
        named = [widths.get(label, ((), ())) for label in labels[rows].tolist()]
        assumed = np.array([max(one, default=np.nan) for one, _ in named])
        sure = np.array([bool(other) for _, other in named], dtype=bool)
        who = unit[rows]
        edge = item.required_m[who] + item.error_m + assumed
        slack = find_tolerance_m(item.achieved_m[who])
        must[rows] = (item.achieved_m[who] <= edge - slack) & ~sure
        may[rows] = item.achieved_m[who] <= edge + slack
    return must, may


def _list_widths(evidence: Evidence) -> dict[str, tuple[tuple[float, ...], tuple[float, ...]]]:
    """Return the widths of each name of water [m]: those that were assumed, and those that were mapped."""
    frame = evidence.delivered.layers["water"]
    if "width_assumed" not in frame.columns or "label" not in frame.columns:
        return {}
    assumed = frame["width_assumed"].fillna(0).astype(bool).to_numpy()
    widths: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
    for label, width, guess in zip(
        frame["label"].astype(str), 2 * evidence.half_width_m("water"), assumed, strict=True
    ):
        one, other = widths.get(label, ((), ()))
        widths[label] = ((*one, float(width)), other) if guess else (one, (*other, float(width)))
    return widths


def _find_words(
    evidence: Evidence, rule: NDArray[np.intp], unit: NDArray[np.intp]
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the distance verdict of each row, and the other one that its rounding would leave open."""
    achieved, required = _stack(evidence, "achieved_m")[rule, unit], _stack(evidence, "required_m")[rule, unit]
    error = np.array([item.error_m for item in evidence.measured])[rule]
    anywhere = np.array([item.anywhere for item in evidence.measured], dtype=bool)[rule]
    listed = evidence.listed[rule, unit]
    slack = find_tolerance_m(achieved)
    edge = np.where(error == 0, required, required - error)
    words = np.where(achieved <= edge, INSIDE, WITHIN_ERROR).astype(object)
    other = np.where(np.abs(achieved - edge) <= slack, np.where(words == INSIDE, WITHIN_ERROR, INSIDE), words)
    words[~listed], other[~listed] = CLEAR, CLEAR
    words[anywhere], other[anywhere] = INSIDE, INSIDE
    return words, other
