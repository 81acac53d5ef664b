"""In: jobs, weeks, capacity, order. Out: weeks for each job, found greedily, what they cost, and whether they hold.

The objective is in weighted person-hours and has no constant part, so that the gap is the gap of what can be changed:
each visit to an area costs its move, each job costs its hours for the weeks it waits (more for high priority), and a
job left out costs ten times its hours (more for high priority).
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tussock.budget.weeks import Job

FloatArray = NDArray[np.float64]

#: Weighted hours that one hour of a job costs when it waits the whole season.
_WAIT: Final = 0.5
#: Weighted hours that one hour of a job costs when it is left out.
_LEFT_OUT: Final = 10.0
#: The weights in words, for the outputs.
WEIGHTS: Final = (
    f"moves as they are; waiting the whole season {_WAIT:g} and being left out {_LEFT_OUT:g} weighted hours for each "
    "crew hour, times 0.5 to 1.5 by priority"
)
_CLOSE: Final = 1e-6
#: The greedy calendar carries on no smaller share of a job than this.
_LEAST_SHARE: Final = 0.1


@dataclass(frozen=True)
class Problem:
    """What is to be assigned.

    Attributes
    ----------
    jobs
        Work; no job is longer than the largest week.
    open_weeks
        Weeks that each job can be done in.
    capacity_h
        Person-hours of each week, shape (w,).
    move_h
        Person-hours of moving the crew to an area, once for each week it is visited.
    order
        Pairs of jobs (before, after): by no week is more done of the second than of the first, as far as the first
        is done at all.
    carried
        Whether a job may be carried on into other weeks; the others are done in one week or left out. Empty: none.
    numbers
        Number of the week that each of the weeks is (a part of), shape (w,); empty: each is one of its own.
    licensed_h
        Person-hours of each week of the crews that may do licensed jobs, shape (w,); None: every crew may.
    """

    jobs: tuple[Job, ...]
    open_weeks: tuple[tuple[int, ...], ...]
    capacity_h: FloatArray
    move_h: float
    order: tuple[tuple[int, int], ...] = ()
    carried: tuple[bool, ...] = ()
    licensed_h: FloatArray | None = None
    numbers: tuple[int, ...] = ()

    def find_wait(self, opened: Sequence[int], week: int) -> float:
        """Return the share of the season that a job waits in one of its weeks."""
        numbers = self.numbers or range(len(self.capacity_h))
        return (numbers[week] - numbers[opened[0]]) / max(numbers[-1] - numbers[0], 1)

    def visit(self, job: Job) -> str:
        """Return what a move takes a crew to: the area of a job; with licences, each kind of crew moves by itself."""
        return f"{job.area} (licensed)" if job.licensed and self.licensed_h is not None else job.area

    def may_carry(self, place: int) -> bool:
        """Tell whether a job may be done in several weeks."""
        return bool(self.carried) and self.carried[place]


#: Share of a job that is done in each week; what is missing to 1 is left out.
Shares: TypeAlias = Mapping[int, float]


@dataclass(frozen=True)
class Assignment:
    """Weeks of each job, the objective, the bound on what any calendar could reach, and by which method.

    ``gap`` is (objective - bound) / objective; nan where no bound is known. ``stopped`` says what ended the search.
    """

    shares: tuple[Shares, ...]
    objective: float
    bound: float
    method: str
    seconds: float
    stopped: str = ""

    @property
    def gap(self) -> float:
        """Relative distance of the objective from the bound."""
        if math.isnan(self.bound):
            return math.nan
        return 0.0 if self.objective <= _CLOSE else max(self.objective - self.bound, 0.0) / self.objective


def find_wait_cost(problem: Problem, place: int, week: int) -> float:
    """Return what a job costs in one of its weeks: its hours x the share of the season it waits x its priority."""
    job = problem.jobs[place]
    return _WAIT * job.hours * (0.5 + job.priority) * problem.find_wait(problem.open_weeks[place], week)


def find_left_out_cost(job: Job) -> float:
    """Return what leaving a job out costs."""
    return _LEFT_OUT * job.hours * (0.5 + job.priority)


def find_left_out(shares: Shares) -> float:
    """Return the share of a job that is left out."""
    left = 1 - sum(shares.values())
    return 0.0 if left < _CLOSE else left


def find_objective(problem: Problem, shares: Sequence[Shares]) -> float:
    """Return the objective of an assignment, worked out from its definition."""
    total = 0.0
    for place, (job, own) in enumerate(zip(problem.jobs, shares, strict=True)):
        total += find_left_out(own) * find_left_out_cost(job)
        total += sum(share * find_wait_cost(problem, place, week) for week, share in own.items())
    return total + problem.move_h * len(list_visits(problem, shares))


def list_visits(problem: Problem, shares: Sequence[Shares]) -> set[tuple[str, int]]:
    """Return the areas and the weeks they are visited in."""
    return {(problem.visit(job), week) for job, own in zip(problem.jobs, shares, strict=True) for week in own}


def is_feasible(problem: Problem, shares: Sequence[Shares]) -> bool:
    """Tell whether an assignment keeps windows, capacity (with the moves in it), licences, whole jobs and order."""
    used, licensed = np.zeros((2, len(problem.capacity_h)))
    for place, (job, opened, own) in enumerate(zip(problem.jobs, problem.open_weeks, shares, strict=True)):
        if not set(own) <= set(opened) or sum(own.values()) > 1 + _CLOSE:
            return False
        if not problem.may_carry(place) and len(own) > 0 and find_left_out(own) > 0:
            return False
        for week, share in own.items():
            used[week] += job.hours * share
            licensed[week] += job.hours * share * job.licensed
    visits = list_visits(problem, shares)
    for _, week in visits:
        used[week] += problem.move_h
    areas = {problem.visit(job) for job in problem.jobs if job.licensed}
    for area, week in visits:
        licensed[week] += problem.move_h * (area in areas)
    kept = all(
        _done_by(shares[after], week) <= _done_by(shares[before], week) + find_left_out(shares[before]) + _CLOSE
        for before, after in problem.order
        for week in range(len(used))
    )
    if problem.licensed_h is not None and not (licensed <= problem.licensed_h + _CLOSE * 10).all():
        return False
    return kept and bool((used <= problem.capacity_h + _CLOSE * 10).all())


def _done_by(shares: Shares, week: int) -> float:
    return sum(share for own, share in shares.items() if own <= week)


def assign_greedily(problem: Problem) -> Assignment:
    """Assign jobs one by one to the week that costs least: tightest window first, then the weightiest.

    A job comes after those that the order puts before it. One that no week has room for is carried over several where
    it may be, else left out.
    """
    start = time.monotonic()
    shares: list[Shares] = [{} for _ in problem.jobs]
    left = problem.capacity_h.copy()
    licensed_left = np.full(len(left), math.inf) if problem.licensed_h is None else problem.licensed_h.copy()
    visited: set[tuple[str, int]] = set()
    before, after = _list_order(problem)
    for place in _sort_jobs(problem, before):
        job, opened = problem.jobs[place], problem.open_weeks[place]
        area = problem.visit(job)
        floor = max((max(shares[item]) for item in before.get(place, ()) if shares[item]), default=0)
        ceiling = min((min(shares[item]) for item in after.get(place, ()) if shares[item]), default=len(left))
        choices = [
            (problem.move_h * ((area, week) not in visited), find_wait_cost(problem, place, week), week)
            for week in opened
            if floor <= week <= ceiling
        ]
        room = np.minimum(left, licensed_left) if job.licensed else left
        own = _choose_weeks(job, choices, room, carry=problem.may_carry(place))
        for week, share in own.items():
            taken = job.hours * share + problem.move_h * ((area, week) not in visited)
            left[week] -= taken
            licensed_left[week] -= taken * job.licensed
            visited.add((area, week))
        shares[place] = own
    return Assignment(tuple(shares), find_objective(problem, shares), math.nan, "greedy", time.monotonic() - start)


def _choose_weeks(
    job: Job, choices: list[tuple[float, float, int]], left: FloatArray, *, carry: bool
) -> dict[int, float]:
    """Return the cheapest week that a job fits into whole; else, where it may be carried, the first ones with room."""
    whole = [(move + wait, week) for move, wait, week in choices if job.hours + move <= left[week] + _CLOSE]
    if whole:
        return {min(whole)[1]: 1.0}
    own: dict[int, float] = {}
    missing = 1.0
    for move, _, week in choices if carry else ():
        room = max(float(left[week]) - move, 0.0) / job.hours
        share = min(room, missing)
        if share > _LEAST_SHARE or share == missing:
            own[week] = share
            missing -= share
        if missing <= _CLOSE:
            break
    return own


def _sort_jobs(problem: Problem, before: Mapping[int, Sequence[int]]) -> list[int]:
    """Return the jobs by urgency, each after those that come before it."""
    done: dict[int, None] = {}
    for place in sorted(range(len(problem.jobs)), key=lambda item: _urgency(problem, item)):
        waiting = [place]
        while waiting:
            ahead = [item for item in before.get(waiting[-1], ()) if item not in done and item not in waiting]
            if ahead:
                waiting.append(ahead[0])
            else:
                done.setdefault(waiting.pop())
    return list(done)


def _urgency(problem: Problem, place: int) -> tuple[Any, ...]:
    job, opened = problem.jobs[place], problem.open_weeks[place]
    return len(opened), -job.hours * (0.5 + job.priority), opened[0] if opened else 0, job.unit_id


def _list_order(problem: Problem) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
    before: dict[int, list[int]] = {}
    after: dict[int, list[int]] = {}
    for first, second in problem.order:
        before.setdefault(second, []).append(first)
        after.setdefault(first, []).append(second)
    return before, after
