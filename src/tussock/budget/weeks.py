"""In: the season's dates, and jobs with their lawful days. Out: working weeks in parts, and those open to each job.

A week is cut where a job's days begin or end within it: on every day of a part the same jobs are lawful, so that what
is assigned to a part may be laid out on any of its days.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from tussock.base.days import Span
from tussock.base.records import SeasonCalendar

_WEEK: dt.timedelta = dt.timedelta(days=7)


@dataclass(frozen=True)
class Week:
    """One working week, or a part of one: the number of the week from 1, and working days."""

    number: int
    days: tuple[dt.date, ...]


@dataclass(frozen=True)
class Job:
    """A piece of work for the calendar: one unit.

    Attributes
    ----------
    unit_id, patch_id
        The unit, and the patch it is a piece of.
    hours
        Paid person-hours.
    first, last
        First and last lawful day.
    windows
        Runs of lawful days, both ends of each in it; without any, every day from ``first`` to ``last``.
    area
        Ground that the crew moves to as a whole, such as the place where it parks.
    priority
        0 to 1.
    dirty
        Whether the crew carries seeds away from it: such sites come last.
    outlet_m
        Way downstream to the outlet; larger is further up. nan away from streams.
    licensed
        Whether only a crew with a licensed person may do it.
    note
        What the calendar says of it.
    """

    unit_id: str
    patch_id: str
    hours: float
    first: dt.date
    last: dt.date
    area: str = ""
    priority: float = 0.5
    dirty: bool = False
    outlet_m: float = float("nan")
    licensed: bool = False
    note: str = ""
    windows: tuple[Span, ...] = ()

    @property
    def runs(self) -> tuple[Span, ...]:
        """Runs of lawful days."""
        return self.windows or ((self.first, self.last),)

    def find_end(self, day: dt.date) -> dt.date | None:
        """Return the last day of the run that a day lies in; None where no work of it may stand on that day."""
        return next((last for first, last in self.runs if first <= day <= last), None)


def list_weeks(calendar: SeasonCalendar, jobs: Sequence[Job] = ()) -> list[Week]:
    """Return the working weeks of a season, cut where the lawful days of a job begin or end.

    Weeks begin on Monday; the working days are the first ``days_per_week`` days that are not closed and lie in the
    season. A week without one is left out.
    """
    begins = {day for job in jobs for first, last in job.runs for day in (first, last + dt.timedelta(days=1))}
    cuts = sorted(begins)
    monday = calendar.first - dt.timedelta(days=calendar.first.weekday())
    closed = set(calendar.closed)
    weeks: list[Week] = []
    number = 0
    while monday <= calendar.last:
        days = [monday + dt.timedelta(days=place) for place in range(calendar.days_per_week)]
        own = [day for day in days if calendar.first <= day <= calendar.last and day not in closed]
        number += bool(own)
        parts: dict[int, list[dt.date]] = {}
        for day in own:
            parts.setdefault(bisect_right(cuts, day), []).append(day)
        weeks += [Week(number, tuple(part)) for part in parts.values()]
        monday += _WEEK
    return weeks


def list_open_weeks(job: Job, weeks: Sequence[Week]) -> list[int]:
    """Return the places of the weeks, or parts of weeks, whose every working day is lawful for a job."""
    return [place for place, week in enumerate(weeks) if all(job.find_end(day) is not None for day in week.days)]
