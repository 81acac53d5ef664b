"""In: dates planned on units, windows of treatments, labels and closures. Out: findings where they do not fit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from tussock.base.records import LOOK, Treatment
from tussock.base.text import show_season, show_validity, show_window
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation, warning
from tussock.review.seasons import Stretch

#: Words of a unit whose dates hold only after a survey.
SURVEYED: Final = "allowed if surveyed"


def check_dates(evidence: Evidence) -> list[Row]:
    """Check that planned days are of the season, in the windows of treatment and labels, and in no closure."""
    units = evidence.units
    names = units["treatment_id"].mask(evidence.looked, LOOK)
    tests = {item.id: list(_list_windows(evidence, item)) for item in evidence.treatments}
    tests[LOOK] = [*_list_closures(evidence), *_list_validities(evidence, LOOK, herbicide=False)]
    ids, codes = units["unit_id"].to_numpy(), evidence.unit_dates
    keys = list(zip(names, units["season_from"], units["season_to"], codes.tolist(), strict=True))
    faults = {key: _find_fault(evidence, tests, *key) for key in dict.fromkeys(keys)}
    bad = np.array([bool(faults[key]) for key in keys], dtype=bool)
    rows = pick_rows(
        bad,
        lambda k: violation(
            f"unit {ids[k]}", f"{units['season_from'].iloc[k]} to {units['season_to'].iloc[k]}", faults[keys[k]]
        ),
    )
    rows += _check_runs(evidence)
    return [*rows, *_check_surveys(evidence), info("plan.gpkg", f"dates of {len(units)} units")]


def _check_runs(evidence: Evidence) -> list[Row]:
    """Check that the runs of days of each planned unit are told, and that its dates are one of them."""
    units, windows = evidence.units, evidence.unit_windows
    ids = units["unit_id"].to_numpy()
    ends = list(zip(units["season_from"], units["season_to"], strict=True))
    planned = (units["treatment_id"] != "").to_numpy(dtype=bool) | evidence.looked
    off = np.array([pair not in windows.get(name, ()) for name, pair in zip(ids, ends, strict=True)], dtype=bool)
    rows = pick_rows(
        off & planned,
        lambda k: violation(f"unit {ids[k]}", " to ".join(ends[k]), "one of its runs of days in unit_windows"),
    )
    known = set(ids[planned].tolist())
    return rows + [
        violation(f"unit_windows, {name}", "days of no planned unit", "the planned units")
        for name in windows
        if name not in known
    ]


def _list_windows(evidence: Evidence, treatment: Treatment) -> Iterator[tuple[str, Callable[[Stretch], bool]]]:
    """Yield what bounds the dates of a treatment, whatever the ground: a name, and a test of planned days."""
    if treatment.season is not None:
        yield f"{show_window(treatment.season)}, the window of {treatment.id}", _keeps(treatment.season)
    for name, window in treatment.windows.items():
        yield f"{show_window(window)}, {name}", _keeps(window)
    yield from _list_closures(evidence)
    yield from _list_label_windows(evidence, treatment)
    yield from _list_validities(evidence, treatment.method, herbicide=treatment.product is not None)


def _list_closures(evidence: Evidence) -> Iterator[tuple[str, Callable[[Stretch], bool]]]:
    """Yield the closures of the site that no survey lifts."""
    for closure in evidence.catalog.closures:
        if not closure.unless_surveyed:
            yield f"outside closure {closure.id}, {show_window(closure.season)}", _avoids(closure.season)


def _list_validities(
    evidence: Evidence, method: str, *, herbicide: bool
) -> Iterator[tuple[str, Callable[[Stretch], bool]]]:
    """Yield the days of the rule sets that are about some work."""
    for ruleset in evidence.catalog.rulesets:
        head = ruleset.ruleset
        forbids = [setback.forbids for setback in ruleset.setback if setback.forbids is not None]
        about = herbicide or any(rule.binds(method, []) for rule in forbids)
        if about and head.title not in evidence.catalog.accepted:
            dates = show_validity(head.valid_from, head.valid_to)
            yield f"the days of rule set {head.title}, valid {dates}", _lies_in(head.valid_from, head.valid_to)


def _list_label_windows(evidence: Evidence, treatment: Treatment) -> Iterator[tuple[str, Callable[[Stretch], bool]]]:
    """Yield what bounds the dates of a herbicide: its labels, and summer heat."""
    catalog = evidence.catalog
    for product, _ in evidence.components(treatment):
        if product is None:
            continue
        if product.season is not None:
            yield f"{show_window(product.season)}, the label of {product.id}", _keeps(product.season)
        hot = catalog.hot_season
        if product.heat_limit and hot is not None:
            yield f"outside the heat of {show_window(hot)} for {product.id}", _avoids(hot)


def _keeps(window: tuple[str, str]) -> Callable[[Stretch], bool]:
    return lambda days: days.keeps(window)


def _avoids(window: tuple[str, str]) -> Callable[[Stretch], bool]:
    return lambda days: not days.meets(window)


def _lies_in(first: dt.date | None, last: dt.date | None) -> Callable[[Stretch], bool]:
    return lambda days: days.lies_in(first, last)


def _find_fault(
    evidence: Evidence,
    tests: dict[str, list[tuple[str, Callable[[Stretch], bool]]]],
    treatment: str,
    first: str,
    last: str,
    code: int,
) -> str:
    """Return what is expected of the days of a unit where they are wrong; an empty text where they are not."""
    if not treatment:
        return "" if first == last == "" else "no dates where nothing is planned"
    runs, season = evidence.date_runs[code], evidence.catalog.season
    if runs is None:
        return "two dates, such as 2027-07-01 and 2027-09-30"
    if season is not None and not all(days.lies_in(season.first, season.last) for days in runs):
        return f"within the season {show_season(season)}"
    held = (name for name, holds in tests.get(treatment, []) if not all(holds(days) for days in runs))
    return next((f"within {name}" for name in held), "")


def _check_surveys(evidence: Evidence) -> list[Row]:
    """Check that dates within a closure that a survey can lift say so."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    said = units["reason"].str.contains(SURVEYED, regex=False).to_numpy(dtype=bool)
    codes, found = evidence.unit_dates, evidence.date_runs
    rows: list[Row] = []
    for closure in [item for item in evidence.catalog.closures if item.unless_surveyed]:
        days = [runs is not None and any(run.meets(closure.season) for run in runs) for runs in found]
        hits = np.array(days, dtype=bool)[codes]
        name = f"closure {closure.id}, {show_window(closure.season)}"
        rows += pick_rows(
            hits & ~said,
            lambda k, name=name: violation(f"unit {ids[k]}", f"dates in {name}", SURVEYED),  # type: ignore[misc]
        )
        rows += pick_rows(
            hits & said,
            lambda k, name=name: warning(f"unit {ids[k]}", f"dates in {name}", "a survey first", SURVEYED),  # type: ignore[misc]
        )
    return rows
