"""In: dates planned on units, windows of treatments, labels and closures. Out: findings where they do not fit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation, warning
from tussock.review.seasons import Days, find_planned, find_window

#: Words of a unit whose dates hold only after a survey.
SURVEYED: Final = "allowed if surveyed"
_END_OF_FEBRUARY: Final = 58


def check_dates(evidence: Evidence) -> list[Row]:
    """Check that planned dates are of the season, in the windows of treatment and labels, and in no closure."""
    units = evidence.units
    texts = units["treatment_id"] + "\x1f" + units["season_from"] + "\x1f" + units["season_to"]
    windows = {item.id: list(_list_windows(evidence, place)) for place, item in enumerate(evidence.treatments)}
    faults = {text: _find_fault(evidence, windows, *text.split("\x1f")) for text in dict.fromkeys(texts.tolist())}
    bad = texts.map(lambda text: bool(faults[text])).to_numpy(dtype=bool)
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        bad,
        lambda k: violation(
            f"unit {ids[k]}", f"{units['season_from'].iloc[k]} to {units['season_to'].iloc[k]}", faults[texts.iloc[k]]
        ),
    )
    return [*rows, *_check_surveys(evidence), info("plan.gpkg", f"dates of {len(units)} units")]


def _list_windows(evidence: Evidence, place: int) -> Iterator[tuple[str, Days]]:
    """Yield what bounds the dates of a treatment, whatever the ground: a name, and the days that it leaves open."""
    treatment = evidence.treatments[place]
    if treatment.season is not None:
        yield f"{' to '.join(treatment.season)}, the window of {treatment.id}", find_window(treatment.season)
    for name, window in treatment.windows.items():
        yield f"{' to '.join(window)}, {name}", find_window(window)
    for product, _ in evidence.components(treatment):
        if product is None:
            continue
        if product.season is not None:
            yield f"{' to '.join(product.season)}, the label of {product.id}", find_window(product.season)
        hot = evidence.catalog.hot_season
        if product.heat_limit and hot is not None:
            yield f"outside the heat of {' to '.join(hot)} for {product.id}", ~find_window(hot)
    for closure in evidence.catalog.closures:
        if not closure.unless_surveyed:
            yield f"outside closure {closure.id}, {' to '.join(closure.season)}", ~find_window(closure.season)


def _find_fault(
    evidence: Evidence, windows: dict[str, list[tuple[str, Days]]], treatment: str, first: str, last: str
) -> str:
    """Return what is expected of a pair of dates where they are wrong; an empty text where they are not."""
    if not treatment:
        return "" if first == last == "" else "no dates where nothing is planned"
    days = find_planned(first, last)
    if days is None:
        return "two dates, such as 2027-07-01 and 2027-09-30"
    if int(first[:4]) != evidence.catalog.season:
        return f"a first day in {evidence.catalog.season}"
    for name, window in windows.get(treatment, []):
        left = window.copy()
        left[_END_OF_FEBRUARY] |= window[_END_OF_FEBRUARY + 1]  # the 28th stands for the 29th in a common year
        if (days & ~left).any():
            return f"within {name}"
    return ""


def _check_surveys(evidence: Evidence) -> list[Row]:
    """Check that dates within a closure that a survey can lift say so."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    said = units["reason"].str.contains(SURVEYED, regex=False).to_numpy(dtype=bool)
    codes, pairs = evidence.unit_dates, evidence.date_pairs
    rows: list[Row] = []
    for closure in [item for item in evidence.catalog.closures if item.unless_surveyed]:
        closed = find_window(closure.season)
        hits = np.array([days is not None and bool((days & closed).any()) for days in pairs], dtype=bool)[codes]
        name = f"closure {closure.id}, {' to '.join(closure.season)}"
        rows += pick_rows(
            hits & ~said,
            lambda k, name=name: violation(f"unit {ids[k]}", f"dates in {name}", SURVEYED),  # type: ignore[misc]
        )
        rows += pick_rows(
            hits & said,
            lambda k, name=name: warning(f"unit {ids[k]}", f"dates in {name}", "a survey first", SURVEYED),  # type: ignore[misc]
        )
    return rows
