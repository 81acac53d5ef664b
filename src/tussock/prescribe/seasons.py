"""In: named sets of days (treatment, plant stage, label, rule, closure). Out: the days they share, or why none.

Where no day of the season is left, the answer names a pair of windows that exclude each other and the fewest days by
which one window would have to give.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tussock.base.days import DaySet, Season, Span, Window, all_days, list_occurrences, list_runs, window_days
from tussock.base.findings import Finding
from tussock.base.records import Treatment
from tussock.base.text import join_words, show_dates, show_season, show_window

_MOST_RELAXATIONS = 2


@dataclass(frozen=True)
class NamedDays:
    """Days that one window leaves open.

    Attributes
    ----------
    name
        What the window is, in words.
    days
        The days left open.
    surveyable
        Whether a survey can lift it.
    own
        Whether it is the treatment's own window: what it closes is no loss.
    """

    name: str
    days: DaySet
    surveyable: bool = False
    own: bool = False


@dataclass(frozen=True)
class SeasonAnswer:
    """Days that every window leaves open; refusal where there is none; notes on days lost and surveys needed."""

    days: DaySet
    refusal: str = ""
    notes: tuple[str, ...] = ()


def intersect_seasons(season: Season, windows: Sequence[NamedDays]) -> SeasonAnswer:
    """Intersect windows.

    Parameters
    ----------
    season
        The days that there are.
    windows
        All that bind; an empty sequence leaves the whole season.

    Returns
    -------
    SeasonAnswer
        Three answers: days; days that hold only after a survey (said in the notes); or none, with the binding pair
        and the cheapest relaxations.
    """
    days = _share(season, windows)
    if days.any():
        return SeasonAnswer(days, notes=tuple(_describe_losses(season, windows)))
    fixed = [window for window in windows if not window.surveyable]
    surveyed = _share(season, fixed)
    lifted = [window for window in windows if window.surveyable]
    if lifted and surveyed.any():
        names = " and ".join(window.name for window in lifted if not (window.days & surveyed).all())
        return SeasonAnswer(surveyed, notes=(f"allowed if surveyed: {names}", *_describe_losses(season, fixed)))
    return SeasonAnswer(days, _describe_conflict(season, fixed if not surveyed.any() else windows))


def _share(season: Season, windows: Sequence[NamedDays]) -> DaySet:
    days: DaySet = np.logical_and.reduce([all_days(season), *(window.days for window in windows)])
    return days


def _describe_losses(season: Season, windows: Sequence[NamedDays]) -> list[str]:
    own = _share(season, [window for window in windows if window.own])
    return [f"days lost to {window.name}" for window in windows if not window.own and (own & ~window.days).any()]


def _describe_conflict(season: Season, windows: Sequence[NamedDays]) -> str:
    """Name the binding pair (or all windows, where no two exclude each other) and what would unlock it."""
    pairs = [(one, two) for one, two in combinations(windows, 2) if not (one.days & two.days).any()]
    empty = [window for window in windows if not window.days.any()]
    binding = [empty[0]] if empty else list(pairs[0]) if pairs else list(windows)
    text = "no date: " + " and ".join(window.name for window in binding)
    text += " leave no day" if len(binding) != 1 else " leaves no day"
    if empty:
        text += f" of season {show_season(season)}"
    relaxations = find_relaxations(season, windows)
    if not relaxations:
        return text
    offers = [f"move or widen {name} by {count} day{'s' if count > 1 else ''}" for name, count in relaxations]
    return f"{text}; unlock: {' or '.join(offers[:_MOST_RELAXATIONS])}"


def find_relaxations(season: Season, windows: Sequence[NamedDays]) -> list[tuple[str, int]]:
    """Return windows that alone stand in the way, with the fewest days each would have to give; cheapest first."""
    found = []
    for place, window in enumerate(windows):
        others = _share(season, [*windows[:place], *windows[place + 1 :]])
        if others.any() and window.days.any():
            found.append((window.name, _find_gap(window.days, others)))
    return sorted(found, key=lambda item: item[1])


def _find_gap(one: DaySet, two: DaySet) -> int:
    """Return the fewest days from a day of one set to a day of the other."""
    first, second = np.flatnonzero(one), np.flatnonzero(two)
    return int(np.abs(first[:, None] - second[None, :]).min())


def find_cut_windows(season: Season, treatments: Sequence[Treatment]) -> list[Finding]:
    """Say which windows of treatments run on past an end of the season, and which season would hold them whole."""
    named: dict[Window, list[str]] = {}
    for treatment in treatments:
        own = [*([] if treatment.season is None else [treatment.season]), *treatment.windows.values()]
        for window in dict.fromkeys(own):
            named.setdefault(window, []).append(treatment.id)
    findings = []
    for window, names in named.items():
        cut = [one for one in list_occurrences(season, window) if one[0] < season.first or one[1] > season.last]
        if cut:
            held = " and ".join(show_dates(*run) for run in list_runs(season, window_days(season, window)))
            what = f"{show_window(window)} of {join_words(names)}: season {show_season(season)} holds {held}"
            first, last = _offer_season(cut[-1])
            done = (
                f"no day outside the season is planned; season = {{ from = {first}, to = {last} }} would hold it whole"
            )
            findings.append(Finding("prescribe", "treatments", "window", what, done, "info"))
    return findings


def _offer_season(whole: Span) -> Span:
    """Return a year of days around a window: it begins in the middle of the days before it, on the first of a month."""
    first, last = whole
    before = last.replace(year=last.year - 1, day=min(last.day, 28))
    middle = before + (first - before) / 2
    start = middle.replace(day=1) if middle.replace(day=1) > before else middle
    return start, start.replace(year=start.year + 1, day=min(start.day, 28)) - dt.timedelta(days=1)
