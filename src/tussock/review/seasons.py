"""In: windows of the year and planned dates. Out: which days of the dates lie in a window, day by day."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: In so many days every day of the year has come, 29 February too; a longer stretch tells nothing more.
_MOST_DAYS: Final = 9 * 366


@dataclass(frozen=True)
class Stretch:
    """Days from one date to another, both in it."""

    first: dt.date
    last: dt.date

    @cached_property
    def month_days(self) -> NDArray[np.int64]:
        """Month x 100 + day of each of its days, shape (n,)."""
        count = min((self.last - self.first).days + 1, _MOST_DAYS)
        dates = np.datetime64(self.first, "D") + np.arange(count)
        months = dates.astype("datetime64[M]")
        days: NDArray[np.int64] = (dates - months).astype(np.int64) + 1
        return days + (months.astype(np.int64) % 12 + 1) * 100

    def _lie_in(self, window: tuple[str, str]) -> NDArray[np.bool_]:
        first, last = (int(text[:2]) * 100 + int(text[3:]) for text in window)
        after, before = self.month_days >= first, self.month_days <= last
        return after & before if first <= last else after | before

    def meets(self, window: tuple[str, str] | None) -> bool:
        """Tell whether one of the days lies in a window such as ``("09-01", "06-10")``; None is the whole year."""
        return window is None or bool(self._lie_in(window).any())

    def keeps(self, window: tuple[str, str]) -> bool:
        """Tell whether every day lies in a window."""
        return bool(self._lie_in(window).all())

    def lies_in(self, first: dt.date | None, last: dt.date | None) -> bool:
        """Tell whether every day lies between two dates, both in it; None is an end that is open."""
        return (first is None or first <= self.first) and (last is None or self.last <= last)


def find_planned(first: str, last: str) -> Stretch | None:
    """Return the days from one ISO date to another; None where they are no dates, or the second is earlier."""
    try:
        start, end = dt.date.fromisoformat(first), dt.date.fromisoformat(last)
    except ValueError:
        return None
    return Stretch(start, end) if start <= end else None
