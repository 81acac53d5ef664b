"""In: named sets of days (treatment, plant stage, label, rule, closure). Out: the days they share, or why none.

Sets of days are circles of 366 days, so windows wrap over new year. Where no day is left, the answer names a pair of
windows that exclude each other and the fewest days by which one window would have to give.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tussock.base import days as day_tools

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
    days: day_tools.DaySet
    surveyable: bool = False
    own: bool = False


@dataclass(frozen=True)
class SeasonAnswer:
    """Days that every window leaves open; refusal where there is none; notes on days lost and surveys needed."""

    days: day_tools.DaySet
    refusal: str = ""
    notes: tuple[str, ...] = ()


def intersect_seasons(windows: Sequence[NamedDays]) -> SeasonAnswer:
    """Intersect windows.

    Parameters
    ----------
    windows
        All that bind; an empty sequence leaves the whole year.

    Returns
    -------
    SeasonAnswer
        Three answers: days; days that hold only after a survey (said in the notes); or none, with the binding pair
        and the cheapest relaxations.
    """
    days = _share(windows)
    if days.any():
        return SeasonAnswer(days, notes=tuple(_describe_losses(windows)))
    fixed = [window for window in windows if not window.surveyable]
    surveyed = _share(fixed)
    lifted = [window for window in windows if window.surveyable]
    if lifted and surveyed.any():
        names = " and ".join(window.name for window in lifted if not (window.days & surveyed).all())
        return SeasonAnswer(surveyed, notes=(f"allowed if surveyed: {names}", *_describe_losses(fixed)))
    return SeasonAnswer(days, _describe_conflict(fixed if not surveyed.any() else windows))


def _share(windows: Sequence[NamedDays]) -> day_tools.DaySet:
    days: day_tools.DaySet = np.logical_and.reduce([day_tools.all_days(), *(window.days for window in windows)])
    return days


def _describe_losses(windows: Sequence[NamedDays]) -> list[str]:
    own = _share([window for window in windows if window.own])
    return [f"days lost to {window.name}" for window in windows if not window.own and (own & ~window.days).any()]


def _describe_conflict(windows: Sequence[NamedDays]) -> str:
    """Name the binding pair (or all windows, where no two exclude each other) and what would unlock it."""
    pairs = [(one, two) for one, two in combinations(windows, 2) if not (one.days & two.days).any()]
    empty = [window for window in windows if not window.days.any()]
    binding = [empty[0]] if empty else list(pairs[0]) if pairs else list(windows)
    text = "no date: " + " and ".join(window.name for window in binding)
    text += " leave no day" if len(binding) != 1 else " leaves no day"
    relaxations = find_relaxations(windows)
    if not relaxations:
        return text
    offers = [f"move or widen {name} by {count} day{'s' if count > 1 else ''}" for name, count in relaxations]
    return f"{text}; unlock: {' or '.join(offers[:_MOST_RELAXATIONS])}"


def find_relaxations(windows: Sequence[NamedDays]) -> list[tuple[str, int]]:
    """Return windows that alone stand in the way, with the fewest days each would have to give; cheapest first."""
    found = []
    for place, window in enumerate(windows):
        others = _share([*windows[:place], *windows[place + 1 :]])
        if others.any() and window.days.any():
            found.append((window.name, _find_gap(window.days, others)))
    return sorted(found, key=lambda item: item[1])


def _find_gap(one: day_tools.DaySet, two: day_tools.DaySet) -> int:
    """Return the fewest days around the circle from a day of one set to a day of the other."""
    first, second = np.flatnonzero(one), np.flatnonzero(two)
    apart = np.abs(first[:, None] - second[None, :])
    return int(np.minimum(apart, day_tools.DAYS_IN_CIRCLE - apart).min())


def show_window(window: day_tools.Window) -> str:
    """Return a window in words."""
    return f"{window[0]} to {window[1]}"
