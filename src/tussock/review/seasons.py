"""In: windows of the year and planned dates. Out: sets of days as arrays of 366 places, 29 February among them."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np
from numpy.typing import NDArray

Days = NDArray[np.bool_]

_LEAP_YEAR: Final = 2000
_PLACES: Final = 366


def _place(month: int, day: int) -> int:
    return (dt.date(_LEAP_YEAR, month, day) - dt.date(_LEAP_YEAR, 1, 1)).days


def _between(first: int, last: int) -> Days:
    days = np.zeros(_PLACES, dtype=bool)
    if first <= last:
        days[first : last + 1] = True
    else:
        days[first:] = True
        days[: last + 1] = True
    return days


def find_window(window: tuple[str, str] | None) -> Days:
    """Return the days of a window such as ``("09-01", "06-10")``, both ends in it; the whole year for None."""
    if window is None:
        return np.ones(_PLACES, dtype=bool)
    first, last = (_place(int(text[:2]), int(text[3:])) for text in window)
    return _between(first, last)


def find_planned(first: str, last: str) -> Days | None:
    """Return the days from one ISO date to another; None where they are no dates, or the second is not later.

    A stretch of a year or more is every day.
    """
    try:
        start, end = dt.date.fromisoformat(first), dt.date.fromisoformat(last)
    except ValueError:
        return None
    if end < start:
        return None
    if (end - start).days >= _PLACES - 2:
        return np.ones(_PLACES, dtype=bool)
    return _between(_place(start.month, start.day), _place(end.month, end.day))
