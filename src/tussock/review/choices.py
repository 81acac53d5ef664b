"""In: candidates, choices and states of units and patches. Out: findings where they do not agree."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation, warning
from tussock.review.setbacks import find_due
from tussock.review.stems import find_fitting
from tussock.review.tanks import find_standing_faults, forbids_treatment

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

_VERDICTS: Final = ("chosen", "allowed", "refused")
#: Columns that are blank, or nothing, where nothing is planned.
_BLANK: Final = ("treatment_id", "method", "delivery", "product_id", "active", "season_from", "season_to")
_APPLIED: Final = ("spray_l", "product_l", "ae_kg", "ae_kg_per_ha", "loads")
_NOTHING: Final = (*_APPLIED, "crew_h", "cost")


def check_choices(evidence: Evidence) -> list[Row]:
    """Check that every candidate is judged once on every unit, and that the best allowed one is the one planned."""
    options = evidence.options
    unit = find_places(evidence.units["unit_id"], options["unit_id"])
    treatment = _find_treatments(evidence)
    verdict = options["verdict"].to_numpy(dtype=object)

    def name(k: int) -> str:
        return f"unit {options['unit_id'].iloc[k]}, {options['treatment_id'].iloc[k]}"

    rows = pick_rows(
        (unit < 0) | (treatment < 0),
        lambda k: violation(name(k), "no unit or no treatment of the plan", "one of the plan"),
    )
    rows += pick_rows(
        ~np.isin(verdict, _VERDICTS), lambda k: violation(name(k), f"verdict {verdict[k]!r}", ", ".join(_VERDICTS))
    )
    silent = (verdict == "refused") & (options["reason"].str.strip() == "").to_numpy()
    rows += pick_rows(silent, lambda k: violation(name(k), "refused without a reason", "the reason in words"))
    rows += _check_complete(evidence, unit, treatment)
    known = (unit >= 0) & (treatment >= 0)
    rows += _check_chosen(evidence, unit, treatment, verdict, known)
    rows += _check_allowed(evidence, unit, treatment, verdict, known)
    rows += _check_refused(evidence, unit, treatment, verdict, known)
    return [*rows, info("plan.gpkg", f"{len(options)} candidates on {len(evidence.units)} units")]


def _find_treatments(evidence: Evidence) -> IntArray:
    import pandas as pd

    return find_places(
        pd.Series([item.id for item in evidence.treatments], dtype="str"), evidence.options["treatment_id"]
    )


def _check_complete(evidence: Evidence, unit: IntArray, treatment: IntArray) -> list[Row]:
    shape = (len(evidence.units), len(evidence.treatments))
    known = (unit >= 0) & (treatment >= 0)
    count = np.zeros(shape, dtype=np.int64)
    np.add.at(count, (unit[known], treatment[known]), 1)
    wrong = np.argwhere(count != 1)
    ids, names = evidence.units["unit_id"].to_numpy(), [item.id for item in evidence.treatments]
    return pick_rows(
        np.ones(len(wrong), dtype=bool),
        lambda k: violation(f"unit {ids[wrong[k, 0]]}, {names[wrong[k, 1]]}", f"{count[tuple(wrong[k])]} rows", "1"),
    )


def _check_chosen(
    evidence: Evidence, unit: IntArray, treatment: IntArray, verdict: NDArray[Any], known: BoolArray
) -> list[Row]:
    count = len(evidence.units)
    chosen = known & (verdict == "chosen")
    number = np.bincount(unit[chosen], minlength=count)
    planned = (evidence.units["status"] == "planned").to_numpy() & ~evidence.looked
    ids = evidence.units["unit_id"].to_numpy()
    names = [item.id for item in evidence.treatments]
    rows = pick_rows(
        number != planned,
        lambda k: violation(
            f"unit {ids[k]}, {evidence.units['status'].iloc[k]}", f"{number[k]} chosen", str(int(planned[k]))
        ),
    )
    other = chosen & (treatment != evidence.unit_treatment[unit])
    rows += pick_rows(
        other,
        lambda k: violation(
            f"unit {ids[unit[k]]}",
            f"{evidence.units['treatment_id'].iloc[unit[k]] or 'nothing'} planned",
            f"{names[treatment[k]]}, the one chosen among the options",
        ),
    )
    preference = np.array([item.preference for item in evidence.treatments] + [0])
    open_rows = known & np.isin(verdict, ("chosen", "allowed"))
    best = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(best, unit[open_rows], preference[treatment[open_rows]])
    worse = chosen & (preference[treatment] > best[unit])
    rows += pick_rows(
        worse,
        lambda k: violation(
            f"unit {ids[unit[k]]}",
            f"{names[treatment[k]]} of preference {preference[treatment[k]]} chosen",
            f"preference {best[unit[k]]}, the lowest allowed",
        ),
    )
    idle = (np.bincount(unit[open_rows], minlength=count) > 0) & ~planned
    return rows + pick_rows(
        idle, lambda k: violation(f"unit {ids[k]}", "an option is allowed, none is planned", "planned")
    )


def _check_allowed(
    evidence: Evidence, unit: IntArray, treatment: IntArray, verdict: NDArray[Any], known: BoolArray
) -> list[Row]:
    """Check that what is allowed is for that plant, on the label, listed, and not forbidden all year by a setback."""
    faults = {place: find_standing_faults(evidence, item) for place, item in enumerate(evidence.treatments)}
    options = evidence.options
    suits = find_suits(evidence)
    fits = np.array([find_fitting(evidence, item) for item in evidence.treatments], dtype=bool)
    fits = fits.reshape(len(evidence.treatments), len(evidence.units))
    forbidden = find_forbidden_all_year(evidence)
    open_rows = np.flatnonzero(known & np.isin(verdict, ("chosen", "allowed")))
    some, what = unit[open_rows], treatment[open_rows]
    bad = np.array([bool(faults[place]) for place in what.tolist()], dtype=bool)
    bad |= ~suits[what, evidence.unit_patch[some]] | ~fits[what, some] | forbidden[what, some]

    def describe(k: int) -> Row:
        reasons = list(faults[int(what[k])])
        if not suits[what[k], evidence.unit_patch[some[k]]]:
            reasons.append("not for this plant")
        if not fits[what[k], some[k]]:
            reasons.append("not for stems of that diameter")
        if forbidden[what[k], some[k]]:
            reasons.append("forbidden by a setback in force")
        row = options.iloc[open_rows[k]]
        return violation(
            f"unit {row['unit_id']}, {row['treatment_id']}", f"{row['verdict']}: {'; '.join(reasons)}", "refused"
        )

    return pick_rows(bad, describe)


def _check_refused(
    evidence: Evidence, unit: IntArray, treatment: IntArray, verdict: NDArray[Any], known: BoolArray
) -> list[Row]:
    """Check that a setback which a refusal names is in force on the unit and forbids that treatment."""
    options = evidence.options
    rows: list[Row] = []
    option, rule = _find_named(evidence, np.flatnonzero(known & (verdict == "refused")))
    for place, item in enumerate(evidence.measured):
        named = option[rule == place]
        forbids = np.array([forbids_treatment(evidence, item.setback, one) for one in evidence.treatments], dtype=bool)
        there = evidence.listed[place] | find_due(evidence, item)
        bad = ~(forbids[treatment[named]] & there[unit[named]])
        name = item.setback.id
        rows += pick_rows(
            bad,
            lambda k, name=name, named=named: violation(  # type: ignore[misc]
                f"unit {options['unit_id'].iloc[named[k]]}, {options['treatment_id'].iloc[named[k]]}",
                f"refused by {name}",
                f"a setback in force that forbids it: {name} is not, by the rules in run.json",
            ),
        )
    return rows


def _find_named(evidence: Evidence, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Return pairs of option row and setback that its reason names, such as "AQ-100: 42.3 ft from pond P7"."""
    places = {item.setback.id: place for place, item in enumerate(evidence.measured)}
    if not places:
        return np.empty(0, np.intp), np.empty(0, np.intp)
    longest_first = sorted(places, key=len, reverse=True)
    pattern = re.compile(rf"(?:^|\s)({'|'.join(map(re.escape, longest_first))}): ")
    texts = evidence.options["reason"].to_numpy(dtype=object)[rows].tolist()
    found = {text: [places[name] for name in dict.fromkeys(pattern.findall(text))] for text in set(texts)}
    pairs = [(row, place) for row, text in zip(rows.tolist(), texts, strict=True) for place in found[text]]
    table = np.array(pairs, dtype=np.intp).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def find_suits(evidence: Evidence) -> BoolArray:
    """Tell which treatment is for which patch, shape (treatments, patches); one more column is for no patch."""
    patches = evidence.patches
    pairs = list(zip(patches["species"].tolist(), patches["growth_form"].tolist(), strict=True))
    known = {pair: place for place, pair in enumerate(dict.fromkeys(pairs))}
    code = np.array([known[pair] for pair in pairs], dtype=np.intp)
    table = np.array([[item.suits(*pair) for pair in known] for item in evidence.treatments], dtype=bool)
    table = table.reshape(len(evidence.treatments), len(known))[:, code]
    return np.column_stack([table, np.ones(len(table), dtype=bool)])


def find_forbidden_all_year(evidence: Evidence) -> BoolArray:
    """Tell which treatment is forbidden on which unit by a setback in force on every day, shape (treatments, u)."""
    forbidden = np.zeros((len(evidence.treatments), len(evidence.units)), dtype=bool)
    for place, item in enumerate(evidence.measured):
        if item.setback.season is not None or item.setback.unless_surveyed:
            continue
        there = evidence.listed[place] | find_due(evidence, item)
        for number, treatment in enumerate(evidence.treatments):
            if forbids_treatment(evidence, item.setback, treatment):
                forbidden[number] |= there
    return forbidden


def check_status(evidence: Evidence) -> list[Row]:
    """Check that states, reasons and names of units and patches agree with the treatment that is planned."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    status = units["status"].to_numpy(dtype=object)
    planned = status == "planned"
    rows = pick_rows(
        ~np.isin(status, ("planned", "no_option")),
        lambda k: violation(f"unit {ids[k]}, status", repr(status[k]), "planned or no_option"),
    )
    for name in _BLANK:
        filled = (units[name] != "").to_numpy()
        rows += pick_rows(
            filled & ~planned,
            lambda k, name=name: violation(f"unit {ids[k]}, {name}", str(units[name].iloc[k]), "a blank"),  # type: ignore[misc]
        )
    for name in _NOTHING:
        amount = units[name].to_numpy()
        rows += pick_rows(
            (amount > 0) & ~planned,
            lambda k, name=name, amount=amount: violation(f"unit {ids[k]}, {name}", f"{amount[k]:.6g}", "nothing"),  # type: ignore[misc]
        )
    silent = ~planned & (units["reason"].str.strip() == "").to_numpy()
    rows += pick_rows(silent, lambda k: violation(f"unit {ids[k]}", "no option, no reason", "the reason in words"))
    rows += _check_looks(evidence, planned)
    rows += _check_names(evidence, planned & ~evidence.looked)
    rows += _check_cautions(evidence)
    rows += _check_patch_status(evidence, planned) + _check_set_aside(evidence, planned)
    return [*rows, info("plan.gpkg", f"{len(ids)} units, {len(evidence.patches)} patches")]


def _check_looks(evidence: Evidence, planned: BoolArray) -> list[Row]:
    """Check that ground on which no plant was found is looked at, with nothing to apply, and no other ground is."""
    units, patches, place = evidence.units, evidence.patches, evidence.unit_patch
    ids = units["unit_id"].to_numpy()
    known = place >= 0
    bare = np.zeros(len(ids), dtype=bool)
    bare[known] = (patches["cover_high_pct"].to_numpy(dtype=float) == 0)[place[known]]
    said = evidence.on_empty
    rows = pick_rows(
        planned & ~evidence.looked & (bare | said),
        lambda k: violation(f"unit {ids[k]}", f"{units['method'].iloc[k]} on ground found empty", "a look, or nothing"),
    )
    rows += pick_rows(
        evidence.looked & ~(bare & said),
        lambda k: violation(f"unit {ids[k]}", "a look", "a patch that was found empty"),
    )
    filled = np.logical_or.reduce([(units[name] != "").to_numpy() for name in ("treatment_id", "product_id", "active")])
    applied = np.logical_or.reduce([units[name].to_numpy() > 0 for name in _APPLIED])
    return rows + pick_rows(
        evidence.looked & (filled | applied),
        lambda k: violation(f"unit {ids[k]}", "a look with a treatment, a product or an amount", "a look and no more"),
    )


def _check_names(evidence: Evidence, planned: BoolArray) -> list[Row]:
    """Check that method, delivery, product and active of a unit are those of its treatment."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        planned & (evidence.unit_treatment < 0),
        lambda k: violation(
            f"unit {ids[k]}", f"treatment {units['treatment_id'].iloc[k]!r}", "a treatment of the documents"
        ),
    )
    columns: dict[str, list[str]] = {"method": [], "delivery": [], "product_id": [], "active": []}
    for item in evidence.treatments:
        product = evidence.product(item)
        columns["method"].append(item.method)
        columns["delivery"].append(item.delivery)
        columns["product_id"].append(item.product or "")
        columns["active"].append("" if product is None else product.active)
    known = planned & (evidence.unit_treatment >= 0)
    for name, values in columns.items():
        wanted = np.array([*values, ""], dtype=object)[evidence.unit_treatment]
        found = units[name].to_numpy(dtype=object)
        rows += pick_rows(
            known & (found != wanted),
            lambda k, name=name, found=found, wanted=wanted: violation(  # type: ignore[misc]
                f"unit {ids[k]}, {name}", str(found[k]), f"{wanted[k]}, as {units['treatment_id'].iloc[k]} has it"
            ),
        )
    return rows


def _check_cautions(evidence: Evidence) -> list[Row]:
    """Check that permits, notices, mixing bans and conditions in force stand among the cautions of the unit."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    cautions = units["cautions"].to_numpy(dtype=object)
    rows: list[Row] = []
    for place, item in enumerate(evidence.measured):
        setback = item.setback
        texts = [text for text in (setback.permit, setback.notify, *setback.conditions) if text]
        texts += [f"no mixing or filling here ({setback.id})"] if setback.no_mixing else []
        there = np.flatnonzero(evidence.listed[place])
        for text in texts:
            missing = np.zeros(len(ids), dtype=bool)
            missing[there] = [text not in said for said in cautions[there]]
            rows += pick_rows(
                missing,
                lambda k, text=text, setback=setback: violation(  # type: ignore[misc]
                    f"unit {ids[k]}, cautions", f"nothing of {setback.id}", text
                ),
            )
    return rows


def _check_set_aside(evidence: Evidence, planned: BoolArray) -> list[Row]:
    """Name the patches that were set aside, and find those on which something is planned all the same."""
    patches, place = evidence.patches, evidence.unit_patch
    aside = (patches["set_aside"].str.strip() != "").to_numpy(dtype=bool)
    used = np.bincount(place[(place >= 0) & planned], minlength=len(patches)) > 0
    names, why = patches["patch_id"].to_numpy(), patches["set_aside"].to_numpy(dtype=object)
    rows = pick_rows(
        aside & used,
        lambda k: violation(f"patch {names[k]}, set_aside", f"{why[k]}, and planned", "nothing planned on it"),
    )
    return rows + pick_rows(
        aside & ~used,
        lambda k: warning(f"patch {names[k]}", f"set aside, not planned: {why[k]}", "", "draw it anew and plan again"),
    )


def _check_patch_status(evidence: Evidence, planned: BoolArray) -> list[Row]:
    units, patches, place = evidence.units, evidence.patches, evidence.unit_patch
    own = (place >= 0) & (units["area_counted_with"] == "").to_numpy()
    every = np.bincount(place[own], minlength=len(patches))
    done = np.bincount(place[own & planned], minlength=len(patches))
    expected = np.where(done == 0, "none", np.where(done == every, "planned", "partly")).astype(object)
    found = patches["status"].to_numpy(dtype=object)
    ids = patches["patch_id"].to_numpy()
    rows = pick_rows(found != expected, lambda k: violation(f"patch {ids[k]}, status", str(found[k]), str(expected[k])))
    open_units = np.bincount(place[(place >= 0) & ~planned], minlength=len(patches)) > 0
    silent = open_units & (patches["reason"].str.strip() == "").to_numpy()
    return rows + pick_rows(
        silent, lambda k: violation(f"patch {ids[k]}", "units without option, no reason", "the reason in words")
    )
