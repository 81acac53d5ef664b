"""In: a season's dates, windows of the year as "MM-DD" pairs. Out: sets of the season's days, their runs, label years.

A set of days is a boolean array with one place for each day of the season, place 0 its first day. Days outside the
season do not exist in it, and 29 February only where the season has one.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator

from tussock.base.errors import QuantityError

DaySet: TypeAlias = NDArray[np.bool_]
#: First and last day of the year, "MM-DD"; both count, and it may run over new year.
Window: TypeAlias = tuple[str, str]
#: First and last date; both count.
Span: TypeAlias = tuple[dt.date, dt.date]

#: A season holds no more days: a whole year, with its 29 February.
MOST_DAYS: Final = 366
_LEAP_YEAR: Final = 2000


@dataclass(frozen=True)
class Season:
    """The days that a plan is for.

    Attributes
    ----------
    first, last
        Both count. The first is not after the last, and there are at most `MOST_DAYS`.
    name
        What outputs call it, such as "2027" or "2026/27".
    """

    first: dt.date
    last: dt.date
    name: str

    def __str__(self) -> str:
        """Return the name: titles say "season 2026/27"."""
        return self.name

    @property
    def count(self) -> int:
        """Number of days."""
        return (self.last - self.first).days + 1

    @property
    def is_year(self) -> bool:
        """Whether it is a calendar year under its own number."""
        return self == year_season(self.first.year)

    def holds(self, day: dt.date) -> bool:
        """Tell whether a day lies in the season."""
        return self.first <= day <= self.last

    @property
    def years(self) -> Span:
        """First and last day of the calendar years that it touches: no label year of the season reaches further."""
        return dt.date(self.first.year, 1, 1), dt.date(self.last.year, 12, 31)

    def date(self, place: int) -> dt.date:
        """Return the date of a place in its sets of days."""
        return self.first + dt.timedelta(days=place)

    def to_json(self) -> dict[str, str]:
        """Return it as ``run.json`` and an approval hold it: ``from, to`` (ISO) and ``name``."""
        return {"from": self.first.isoformat(), "to": self.last.isoformat(), "name": self.name}


def year_season(year: int) -> Season:
    """Return the season of a calendar year, 1 January to 31 December."""
    return Season(dt.date(year, 1, 1), dt.date(year, 12, 31), str(year))


def read_month_day(text: object) -> tuple[int, int]:
    """Return month and day of a "MM-DD" text.

    Raises
    ------
    QuantityError
        Not of that form, or a day that does not exist (31 September).
    """
    match = re.fullmatch(r"(\d{2})-(\d{2})", text) if isinstance(text, str) else None
    if match is None:
        raise QuantityError(f'{text!r}; write a day as "MM-DD", such as "07-01"')
    month, day = int(match[1]), int(match[2])
    try:
        dt.date(_LEAP_YEAR, month, day)
    except ValueError as error:
        raise QuantityError(f'"{text}", a day that does not exist; write a day as "MM-DD", such as "09-30"') from error
    return month, day


def list_occurrences(season: Season, window: Window) -> tuple[Span, ...]:
    """Return every occurrence of a window that has a day in the season, whole: its ends may lie outside the season.

    In a common year a window from 29 February opens on 1 March, and one to 29 February closes on 28 February.
    """
    start, end = (read_month_day(text) for text in window)
    found = []
    for year in range(season.first.year - 1, season.last.year + 1):
        first = _find_date(year, start, opens=True)
        last = _find_date(year + (start > end), end, opens=False)
        if first <= last and first <= season.last and last >= season.first:
            found.append((first, last))
    return tuple(found)


def _find_date(year: int, month_day: tuple[int, int], *, opens: bool) -> dt.date:
    try:
        return dt.date(year, *month_day)
    except ValueError:  # 29 February in a common year
        return dt.date(year, 3, 1) if opens else dt.date(year, 2, 28)


@lru_cache(maxsize=1024)
def window_days(season: Season, window: Window) -> DaySet:
    """Return the days of a window in a season, to be read only; both ends count."""
    days = span_days(season, list_occurrences(season, window))
    days.setflags(write=False)
    return days


def span_days(season: Season, spans: Iterable[tuple[dt.date | None, dt.date | None]]) -> DaySet:
    """Return the days of a season that lie in one of several spans of dates; None is an end that is open."""
    days = ~all_days(season)
    for first, last in spans:
        start = 0 if first is None else max((first - season.first).days, 0)
        stop = season.count if last is None else (last - season.first).days + 1
        days[start : max(stop, 0)] = True
    return days


def all_days(season: Season) -> DaySet:
    """Return the whole season."""
    return np.ones(season.count, dtype=np.bool_)


def list_runs(season: Season, days: DaySet) -> tuple[Span, ...]:
    """Return the runs of days without a gap, as dates, in order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], days.astype(np.int8), [0]))))
    return tuple((season.date(int(start)), season.date(int(stop) - 1)) for start, stop in edges.reshape(-1, 2))


def find_longest(runs: Iterable[Span]) -> Span | None:
    """Return the longest of several spans, the earliest of those of equal length; None where there is none."""
    return max(runs, key=lambda run: (run[1] - run[0], -run[0].toordinal()), default=None)


def list_label_years(season: Season, days: DaySet) -> tuple[Span, ...]:
    """Return the spans of dates that a limit for a year is held over, each by itself; the strictest result binds.

    A label says "a year" and seldom which. So the sum is taken over the season's own dates, and over each calendar
    year in which a day is open; a span that lies in another one is left out. The season of a calendar year gives that
    year alone.

    Parameters
    ----------
    season
        The plan's season.
    days
        Days on which work may stand; without any, those of the whole season count.
    """
    runs = list_runs(season, days) or ((season.first, season.last),)
    years = sorted({year for first, last in runs for year in (first.year, last.year)})
    spans = [(season.first, season.last), *((dt.date(year, 1, 1), dt.date(year, 12, 31)) for year in years)]
    spans = list(dict.fromkeys(spans))
    return tuple(one for one in spans if not any(two != one and two[0] <= one[0] and one[1] <= two[1] for two in spans))


def _window(value: Any) -> Any:
    if not (isinstance(value, list | tuple) and len(value) == 2):  # noqa: PLR2004  (a window has two ends)
        raise QuantityError(f'{value!r}; write two days, such as ["07-01", "09-30"]')
    for end in value:
        read_month_day(end)
    return tuple(value)


SeasonWindow = Annotated[Window, BeforeValidator(_window)]
