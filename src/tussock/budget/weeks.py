"""In: the season's dates, and jobs with date windows. Out: working weeks, and those each job can be done in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from tussock.base.records import SeasonCalendar

_WEEK: dt.timedelta = dt.timedelta(days=7)


@dataclass(frozen=True)
class Week:
    """One working week: its number from 1 and its working days."""

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
        Date window; both ends count.
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


def list_weeks(calendar: SeasonCalendar) -> list[Week]:
    """Return the working weeks of a season.

    Weeks begin on Monday; the working days are the first ``days_per_week`` days that are not closed and lie in the
    season. A week without one is left out.
    """
    monday = calendar.first - dt.timedelta(days=calendar.first.weekday())
    closed = set(calendar.closed)
    weeks: list[Week] = []
    while monday <= calendar.last:
        days = [monday + dt.timedelta(days=place) for place in range(calendar.days_per_week)]
        own = tuple(day for day in days if calendar.first <= day <= calendar.last and day not in closed)
        if own:
            weeks.append(Week(len(weeks) + 1, own))
        monday += _WEEK
    return weeks


def list_open_weeks(job: Job, weeks: Sequence[Week]) -> list[int]:
    """Return the places of the weeks that a job can be done in.

    Those whose every working day lies in its window; where there is none, those with at least one such day.
    """
    whole = [place for place, week in enumerate(weeks) if job.first <= week.days[0] and week.days[-1] <= job.last]
    return whole or [
        place for place, week in enumerate(weeks) if any(job.first <= day <= job.last for day in week.days)
    ]
