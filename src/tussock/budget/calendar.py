"""In: planned units with hours and dates, the season's weeks. Out: the calendar by crew day, and what does not fit."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tussock.base.findings import Finding
from tussock.base.records import Operations, SeasonCalendar
from tussock.base.text import show_dates
from tussock.budget.assignment import WEIGHTS, Assignment, Problem, Shares, find_left_out, list_visits
from tussock.budget.operations import find_times
from tussock.budget.solver import assign_weeks
from tussock.budget.weeks import Job, Week, list_open_weeks, list_weeks
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

COLUMNS: Final = (
    "crew_day",
    "week",
    "date",
    "crew",
    "sequence",
    "unit_id",
    "patch_id",
    "area",
    "crew_h",
    "share",
    "dirty",
    "note",
)
#: Slot of the week, date, crew, job, person-hours of it there.
Filled: TypeAlias = tuple[int, dt.date, int, Job, float]
_SMALL_H: Final = 1e-6
#: A unit is finished on the day it was begun rather than carried over for less than this [person-hours].
_OVERRUN_H: Final = 0.25
#: A unit that takes longer than this much of a crew day may be carried over into another week.
_CARRIED_DAYS: Final = 0.5


@dataclass(frozen=True)
class Schedule:
    """The calendar, what is known about its quality, and what was noticed.

    ``calendar`` has the columns of `COLUMNS`, one row for each unit and crew day; units left out stand at the end with
    a blank date and the binding constraint in ``note``. ``quality`` has ``item, value, unit``.
    """

    calendar: pd.DataFrame
    quality: pd.DataFrame
    findings: tuple[Finding, ...]


def plan_season(operations: Operations, jobs: Sequence[Job], order: Sequence[tuple[str, str]]) -> Schedule:
    """Plan the season: weeks by the solver, then days and crews within each week.

    Parameters
    ----------
    operations
        With ``calendar`` and ``crew``.
    jobs
        One job for each unit.
    order
        Pairs of patches (upper, lower): the lower one is treated in no earlier week than the upper one.

    Returns
    -------
    Schedule
        Within a week clean sites come before dirty ones, areas are worked through one after the other, and upstream
        comes before downstream.
    """
    calendar, crew = operations.calendar, operations.crew
    if calendar is None or crew is None:
        return Schedule(_make_table([]), _make_quality([]), ())
    times = find_times(operations)
    day_s = crew.day_s if crew.day_s is not None else DEFAULTS["day_s"].size if times is None else times.day_s
    crew_day_h = crew.size * day_s / 3600
    weeks = list_weeks(calendar, jobs)
    capacity = np.array([len(week.days) * calendar.crews * crew_day_h for week in weeks])
    move_h = calendar.move_s * crew.size / 3600
    open_weeks = [tuple(list_open_weeks(job, weeks)) for job in jobs]
    pairs, impossible = _pair_jobs(jobs, open_weeks, order)
    carried = tuple(job.hours > crew_day_h * _CARRIED_DAYS for job in jobs)
    licensed = None if calendar.licensed_crews is None else capacity * calendar.licensed_crews / calendar.crews
    numbers = tuple(week.number for week in weeks)
    problem = Problem(tuple(jobs), tuple(open_weeks), capacity, move_h, tuple(pairs), carried, licensed, numbers)
    solvable, back = _drop_closed(problem)
    found = assign_weeks(solvable, calendar.gap, calendar.time_limit_s, calendar.node_limit)
    shares: list[Shares] = [{} for _ in jobs]
    for place, own in zip(back, found.shares, strict=True):
        shares[place] = own
    finish_crumbs(problem, shares)
    rows = _lay_out(problem, weeks, shares, calendar, crew_day_h)
    left = _explain_left_out(problem, weeks, shares)
    quality = _describe_quality(problem, found, shares, rows)
    findings = _list_findings(left, impossible)
    return Schedule(_make_table(rows + left), _make_quality(quality), tuple(findings))


def finish_crumbs(problem: Problem, shares: list[Shares]) -> None:
    """Finish a unit in its last week where less than a quarter of an hour of it is left out, once in each week."""
    taken: set[int] = set()
    for place, job in enumerate(problem.jobs):
        own, left = shares[place], find_left_out(shares[place])
        last = max(own, default=-1)
        if own and last not in taken and 0 < left * job.hours <= _OVERRUN_H:
            taken.add(last)
            shares[place] = {**own, last: own[last] + left}


def _drop_closed(problem: Problem) -> tuple[Problem, list[int]]:
    """Leave out the jobs that no week is open for; the order skips over them."""
    kept = [place for place, weeks in enumerate(problem.open_weeks) if weeks]
    new = {place: number for number, place in enumerate(kept)}
    order = tuple((new[a], new[b]) for a, b in problem.order if a in new and b in new)
    jobs = tuple(problem.jobs[place] for place in kept)
    weeks = tuple(problem.open_weeks[place] for place in kept)
    carried = tuple(problem.may_carry(place) for place in kept)
    return replace(problem, jobs=jobs, open_weeks=weeks, order=order, carried=carried), kept


def _pair_jobs(
    jobs: Sequence[Job], open_weeks: Sequence[tuple[int, ...]], order: Sequence[tuple[str, str]]
) -> tuple[list[tuple[int, int]], list[tuple[str, str]]]:
    """Return the pairs of jobs that the order of patches asks for, and the pairs of patches whose windows forbid it."""
    by_patch: dict[str, list[int]] = {}
    for place, job in enumerate(jobs):
        if open_weeks[place]:
            by_patch.setdefault(job.patch_id, []).append(place)
    pairs, impossible = [], []
    for upper, lower in order:
        for before in by_patch.get(upper, ()):
            for after in by_patch.get(lower, ()):
                if open_weeks[before][0] <= open_weeks[after][-1]:
                    pairs.append((before, after))
                elif (upper, lower) not in impossible:
                    impossible.append((upper, lower))
    return pairs, impossible


def _lay_out(
    problem: Problem, weeks: Sequence[Week], shares: Sequence[Shares], calendar: SeasonCalendar, crew_day_h: float
) -> list[dict[str, Any]]:
    """Lay the jobs of each week onto its crew days, one after the other; a job may go on the day after."""
    rows: list[dict[str, Any]] = []
    number = 0
    for place, week in enumerate(weeks):
        own = [(job, job.hours * part[place]) for job, part in zip(problem.jobs, shares, strict=True) if place in part]
        fill = _fill_week(_sort_week(own, week), week, calendar, crew_day_h, problem.move_h)
        days = sorted({(slot, day, crew) for slot, day, crew, _, _ in fill}, key=lambda item: (item[1], item[2]))
        names = {slot: number + count for count, (slot, _, _) in enumerate(days, start=1)}
        number += len(days)
        sequence: dict[int, int] = {}
        for slot, day, crew, job, hours in fill:
            sequence[slot] = sequence.get(slot, 0) + 1
            rows.append(
                {"crew_day": names[slot], "week": week.number, "date": day.isoformat(), "crew": crew}
                | {"sequence": sequence[slot], "unit_id": job.unit_id, "patch_id": job.patch_id, "area": job.area}
                | {"crew_h": hours, "share": hours / job.hours, "dirty": job.dirty}
                | {"note": job.note}
            )
    return sorted(rows, key=lambda row: (row["crew_day"], row["sequence"]))


def _sort_week(jobs: Sequence[tuple[Job, float]], week: Week) -> list[tuple[Job, float]]:
    """Sort the jobs of a week: those whose days end before the next Monday first, clean before dirty, by area."""
    sunday = week.days[0] + dt.timedelta(days=6 - week.days[0].weekday())

    def key(item: tuple[Job, float]) -> tuple[Any, ...]:
        job = item[0]
        late = (job.find_end(week.days[0]) or sunday) >= sunday
        outlet = -math.inf if math.isnan(job.outlet_m) else job.outlet_m
        return late, job.dirty, job.area, -outlet, job.patch_id, job.unit_id

    return sorted(jobs, key=key)


def _fill_week(
    jobs: Sequence[tuple[Job, float]], week: Week, calendar: SeasonCalendar, crew_day_h: float, move_h: float
) -> list[Filled]:
    """Lay the jobs of a week onto the days of its crews; those that want a licensed person onto crews that have one.

    The licensed crews are the first ones. Other work goes to the other crews first. Where a day takes both kinds, it is
    put in order again: clean before dirty, by area, upstream first.
    """
    slots = [(day, crew) for crew in range(1, calendar.crews + 1) for day in week.days]
    free = [crew_day_h] * len(slots)
    split = len(slots) if calendar.licensed_crews is None else calendar.licensed_crews * len(week.days)
    if split == len(slots):
        return _fill_days(jobs, slots, list(range(len(slots))), free, move_h)
    licensed = [item for item in jobs if item[0].licensed]
    others = [item for item in jobs if not item[0].licensed]
    filled = _fill_days(licensed, slots, list(range(split)), free, move_h)
    filled += _fill_days(others, slots, [*range(split, len(slots)), *range(split)], free, move_h)
    rank = {job.unit_id: place for place, (job, _) in enumerate(jobs)}
    return sorted(filled, key=lambda item: (item[0], rank[item[3].unit_id]))


def _fill_days(
    jobs: Sequence[tuple[Job, float]],
    slots: Sequence[tuple[dt.date, int]],
    turn: Sequence[int],
    free: list[float],
    move_h: float,
) -> list[Filled]:
    """Return (slot, date, crew, job, hours) for jobs laid end to end; a move to another area takes its time.

    ``turn`` is the order in which the slots are filled, ``free`` what is left of each [person-hours]; it is used up.
    """
    filled: list[Filled] = []
    place = 0
    visited: set[str] = set()
    for job, asked in jobs:
        left = asked
        if job.area not in visited and place < len(turn):
            visited.add(job.area)
            free[turn[place]] -= move_h
        while left > _SMALL_H and place < len(turn):
            slot = turn[place]
            if free[slot] <= _SMALL_H:
                place += 1
                if place < len(turn):  # what runs over the day is taken from the next one
                    free[turn[place]] += min(free[slot], 0.0)
                    free[slot] = max(free[slot], 0.0)
                continue
            hours = left if left <= free[slot] + _OVERRUN_H else min(left, free[slot])
            filled.append((slot, *slots[slot], job, hours))
            left, free[slot] = left - hours, free[slot] - hours
        if left > _SMALL_H and turn:  # only rounding can run past the last day: capacity was kept by the week
            filled.append((turn[-1], *slots[turn[-1]], job, left))
    return filled


def _explain_left_out(problem: Problem, weeks: Sequence[Week], shares: Sequence[Shares]) -> list[dict[str, Any]]:
    """Return a row for each job that is left out, whole or in part, with the constraint that binds it."""
    rows = []
    for place, job in enumerate(problem.jobs):
        left = find_left_out(shares[place])
        if left == 0:
            continue
        rows.append(
            dict.fromkeys(COLUMNS)
            | {"unit_id": job.unit_id, "patch_id": job.patch_id, "area": job.area, "crew_h": job.hours * left}
            | {"date": "", "share": left, "dirty": job.dirty}
            | {"note": f"left out: {find_binding(problem, weeks, place, shares)}"}
        )
    return rows


def find_binding(problem: Problem, weeks: Sequence[Week], place: int, shares: Sequence[Shares]) -> str:
    """Return in words what keeps a job out of the calendar: its dates, the capacity of its weeks, or the order.

    Parameters
    ----------
    problem
        Jobs, weeks open, capacity, order.
    weeks
        The season's working weeks.
    place
        Which job.
    shares
        What is done of each job in which week.
    """
    job, opened = problem.jobs[place], problem.open_weeks[place]
    if not weeks:
        return "the calendar has no working day (calendar.first, last, days_per_week from Monday on, closed)"
    if not opened:
        own = " and ".join(show_dates(*run) for run in job.runs)
        return f"its dates {own} hold no working day of the season ({show_dates(weeks[0].days[0], weeks[-1].days[-1])})"
    capacity_h = problem.capacity_h
    if job.licensed and problem.licensed_h is not None:
        capacity_h = problem.licensed_h
        if not capacity_h[list(opened)].any():
            return "it wants a licensed person, and no crew has one (calendar.licensed_crews)"
    largest = float(capacity_h[list(opened)].max())
    if not problem.may_carry(place) and job.hours + problem.move_h > largest:
        what = f"it takes {job.hours:.1f} crew hours with a move, in one go"
        return f"{what}, and no stretch of working days in its dates holds more than {largest:.1f} in one week"
    over = _explain_capacity(problem, weeks, place)
    if over:
        return over
    first, last, _, _ = _find_tightest(problem, opened, licensed=job.licensed and problem.licensed_h is not None)
    after = [problem.jobs[a].patch_id for a, b in problem.order if b == place and shares[a]]
    order = f", and it comes after {', '.join(after)}" if after else ""
    span = show_dates(weeks[first].days[0], weeks[last].days[-1])
    return f"crew capacity in {span} with the moves between areas{order}: better used by other work"


def _explain_capacity(problem: Problem, weeks: Sequence[Week], place: int) -> str:
    """Say whose hours ask for more than the crews have in a job's own days, or around them; else an empty text."""
    job, opened = problem.jobs[place], problem.open_weeks[place]
    pairs = zip(problem.jobs, problem.open_weeks, strict=True)
    own_h = sum(other.hours for other, its in pairs if its and set(its) <= set(opened))
    room_h = float(problem.capacity_h[list(opened)].sum())
    if len(job.runs) > 1 and own_h > room_h:
        days = " and ".join(show_dates(*run) for run in job.runs)
        return f"crew capacity: jobs that fit only {days} ask {own_h:.1f} crew hours, the crews have {room_h:.1f}"
    for licensed in (False, True) if job.licensed and problem.licensed_h is not None else (False,):
        first, last, asked, room = _find_tightest(problem, opened, licensed=licensed)
        span = show_dates(weeks[first].days[0], weeks[last].days[-1])
        if asked > room:
            who, kind = ("crews that have one", " for a licensed person") if licensed else ("crews", "")
            what = f"crew capacity: jobs{kind} that fit only {span} ask {asked:.1f} crew hours"
            return f"{what}, the {who} have {room:.1f}"
    return ""


def _find_tightest(problem: Problem, opened: Sequence[int], *, licensed: bool) -> tuple[int, int, float, float]:
    """Return the run of weeks around a job's own that is asked for most: first, last, hours asked, hours there.

    ``licensed`` looks at the jobs that want a licensed person, and the crews that have one.
    """
    capacity_h = problem.licensed_h if licensed and problem.licensed_h is not None else problem.capacity_h
    pairs = zip(problem.jobs, problem.open_weeks, strict=True)
    spans = [(weeks[0], weeks[-1], job.hours) for job, weeks in pairs if weeks and (job.licensed or not licensed)]
    best = (-math.inf, opened[0], opened[-1], 0.0, 0.0)
    for first in sorted({low for low, _, _ in spans if low <= opened[0]}):
        for last in sorted({high for _, high, _ in spans if high >= opened[-1]}):
            asked = sum(hours for low, high, hours in spans if first <= low and high <= last)
            room = float(capacity_h[first : last + 1].sum())
            best = max(best, (asked - room, first, last, asked, room))
    return best[1:]


def _describe_quality(
    problem: Problem, found: Assignment, shares: Sequence[Shares], rows: Sequence[Mapping[str, Any]]
) -> list[tuple[str, Any, str]]:
    """Return what is known about the calendar: method, objective, bound and gap as they are, hours and moves."""
    placed = sum(job.hours * (1 - find_left_out(own)) for job, own in zip(problem.jobs, shares, strict=True))
    visits = list_visits(problem, shares)
    gap = found.gap * 100
    unknown = "" if math.isfinite(gap) else "not known: no bound was worked out"
    return [
        ("method", found.method, ""),
        ("search ended", found.stopped or "at once: the greedy calendar", ""),
        ("what the objective weighs", WEIGHTS, "invented, no source"),
        ("objective", found.objective, "weighted crew hours"),
        ("bound: no calendar can be better", found.bound, "weighted crew hours"),
        ("gap between both", unknown or gap, "" if unknown else "%"),
        ("jobs", float(len(problem.jobs)), "count"),
        ("jobs left out, whole or in part", float(sum(find_left_out(own) > 0 for own in shares)), "count"),
        ("jobs carried over into another week", float(sum(len(own) > 1 for own in shares)), "count"),
        ("work asked", float(sum(job.hours for job in problem.jobs)), "hours"),
        ("work in the calendar", float(placed), "hours"),
        ("capacity of the season", float(problem.capacity_h.sum()), "hours"),
        ("visits to areas", float(len(visits)), "count"),
        ("moves between areas", len(visits) * problem.move_h, "hours"),
        ("crew days", float(len({row["crew_day"] for row in rows})), "count"),
    ]


def _list_findings(left: Sequence[Mapping[str, Any]], impossible: Sequence[tuple[str, str]]) -> list[Finding]:
    findings = [
        Finding("budget", "calendar", str(row["unit_id"]), str(row["note"]), "not in the calendar; see its note")
        for row in left
    ]
    for upper, lower in impossible:
        what = f"the dates of {upper} open after those of {lower}, which lies downstream of it, have closed"
        done = "treated downstream first; plan a second look at the lower patch"
        findings.append(Finding("budget", "calendar", lower, what, done))
    return findings


def _make_table(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    table = pd.DataFrame(list(rows), columns=list(COLUMNS))
    return table.astype({"crew_day": "Int64", "week": "Int64", "crew": "Int64", "sequence": "Int64"})


def _make_quality(rows: Sequence[tuple[str, Any, str]]) -> pd.DataFrame:
    import pandas as pd

    shown = [(item, value if isinstance(value, str) else f"{value:.6g}", unit) for item, value, unit in rows]
    return pd.DataFrame(shown, columns=["item", "value", "unit"])
