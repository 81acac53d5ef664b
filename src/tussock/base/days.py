"""In: windows of the year as "MM-DD" pairs. Out: sets of calendar days that can be intersected, over new year too.

A set of days is a boolean array of 366 places, one for each day of a leap year, used as a circle.
"""

from __future__ import annotations

import datetime as dt
import re
from functools import lru_cache
from typing import Annotated, Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator

from tussock.base.errors import QuantityError

DaySet: TypeAlias = NDArray[np.bool_]
Window: TypeAlias = tuple[str, str]

DAYS_IN_CIRCLE: Final = 366
_LEAP_YEAR: Final = 2000


def day_index(text: object) -> int:
    """Return the place of a "MM-DD" day in the circle of 366 days.

    Raises
    ------
    QuantityError
        Not of that form, or a day that does not exist (31 September).
    """
    match = re.fullmatch(r"(\d{2})-(\d{2})", text) if isinstance(text, str) else None
    if match is None:
        raise QuantityError(f'{text!r}; write a day as "MM-DD", such as "07-01"')
    try:
        day = dt.date(_LEAP_YEAR, int(match[1]), int(match[2]))
    except ValueError as error:
        raise QuantityError(f'"{text}", a day that does not exist; write a day as "MM-DD", such as "09-30"') from error
    return day.timetuple().tm_yday - 1


@lru_cache(maxsize=1024)
def window_days(window: Window) -> DaySet:
    """Return the days of a window, to be read only; both ends count, and a window may wrap over new year."""
    first, last = day_index(window[0]), day_index(window[1])
    place = np.arange(DAYS_IN_CIRCLE)
    days: DaySet = (place >= first) & (place <= last) if first <= last else (place >= first) | (place <= last)
    days.setflags(write=False)
    return days


def all_days() -> DaySet:
    """Return the whole year."""
    return np.ones(DAYS_IN_CIRCLE, dtype=np.bool_)


def longest_run(days: DaySet) -> tuple[int, int] | None:
    """Return first and last place of the longest run of days on the circle; None where there is no day.

    Of runs of equal length the one that starts first in the year is taken.
    """
    if not days.any():
        return None
    if days.all():
        return 0, DAYS_IN_CIRCLE - 1
    starts = np.flatnonzero(days & ~np.roll(days, 1))
    ends = np.flatnonzero(days & ~np.roll(days, -1))
    if ends[0] < starts[0]:
        ends = np.roll(ends, -1)
    lengths = (ends - starts) % DAYS_IN_CIRCLE
    best = int(np.argmax(lengths))
    return int(starts[best]), int(ends[best])


def run_dates(run: tuple[int, int], year: int) -> tuple[dt.date, dt.date]:
    """Return the dates of a run that starts in ``year`` (and may end in the next one)."""
    first, last = run
    return _date(first, year), _date(last, year if last >= first else year + 1)


def _date(place: int, year: int) -> dt.date:
    day = dt.date(_LEAP_YEAR, 1, 1) + dt.timedelta(days=place)
    try:
        return day.replace(year=year)
    except ValueError:  # 29 February in a common year
        return dt.date(year, 2, 28)


def day_label(place: int) -> str:
    """Return "MM-DD" of a place in the circle."""
    return f"{dt.date(_LEAP_YEAR, 1, 1) + dt.timedelta(days=place):%m-%d}"


def _window(value: Any) -> Any:
    if not (isinstance(value, list | tuple) and len(value) == 2):  # noqa: PLR2004  (a window has two ends)
        raise QuantityError(f'{value!r}; write two days, such as ["07-01", "09-30"]')
    for end in value:
        day_index(end)
    return tuple(value)


SeasonWindow = Annotated[Window, BeforeValidator(_window)]
