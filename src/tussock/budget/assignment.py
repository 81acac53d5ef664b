"""In: jobs, weeks, capacity, order. Out: weeks for each job, by HiGHS or greedily, with what it costs and the bound.

The objective is in weighted person-hours and has no constant part, so that the gap is the gap of what can be changed:
each visit to an area costs its move, each job costs its hours for the weeks it waits (more for high priority), and a
job left out costs ten times its hours (more for high priority).
"""

from __future__ import annotations

import importlib
import math
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tussock.budget.weeks import Job

FloatArray = NDArray[np.float64]

#: Weighted hours that one hour of a job costs when it waits the whole season.
_WAIT: Final = 0.5
#: Weighted hours that one hour of a job costs when it is left out.
_LEFT_OUT: Final = 10.0
_CLOSE: Final = 1e-6
#: The greedy calendar carries on no smaller share of a job than this.
_LEAST_SHARE: Final = 0.1
#: A share under this is rounding of the solver.
_CRUMB: Final = 1e-5


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
    """

    jobs: tuple[Job, ...]
    open_weeks: tuple[tuple[int, ...], ...]
    capacity_h: FloatArray
    move_h: float
    order: tuple[tuple[int, int], ...] = ()
    carried: tuple[bool, ...] = ()

    def may_carry(self, place: int) -> bool:
        """Tell whether a job may be done in several weeks."""
        return bool(self.carried) and self.carried[place]


#: Share of a job that is done in each week; what is missing to 1 is left out.
Shares: TypeAlias = Mapping[int, float]


@dataclass(frozen=True)
class Assignment:
    """Weeks of each job, the objective, the bound on what any calendar could reach, and by which method.

    ``gap`` is (objective - bound) / objective; nan where no bound is known.
    """

    shares: tuple[Shares, ...]
    objective: float
    bound: float
    method: str
    seconds: float

    @property
    def gap(self) -> float:
        """Relative distance of the objective from the bound."""
        if math.isnan(self.bound):
            return math.nan
        return 0.0 if self.objective <= _CLOSE else max(self.objective - self.bound, 0.0) / self.objective


def find_wait_cost(job: Job, opened: Sequence[int], week: int, weeks: int) -> float:
    """Return what a job costs in one of its weeks: its hours x the share of the season it waits x its priority."""
    return _WAIT * job.hours * (0.5 + job.priority) * (week - opened[0]) / max(weeks - 1, 1)


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
    weeks = len(problem.capacity_h)
    for job, opened, own in zip(problem.jobs, problem.open_weeks, shares, strict=True):
        total += find_left_out(own) * find_left_out_cost(job)
        total += sum(share * find_wait_cost(job, opened, week, weeks) for week, share in own.items())
    return total + problem.move_h * len(list_visits(problem, shares))


def list_visits(problem: Problem, shares: Sequence[Shares]) -> set[tuple[str, int]]:
    """Return the areas and the weeks they are visited in."""
    return {(job.area, week) for job, own in zip(problem.jobs, shares, strict=True) for week in own}


def is_feasible(problem: Problem, shares: Sequence[Shares]) -> bool:
    """Tell whether an assignment keeps windows, capacity (with the moves in it), whole jobs and order."""
    used = np.zeros(len(problem.capacity_h))
    for place, (job, opened, own) in enumerate(zip(problem.jobs, problem.open_weeks, shares, strict=True)):
        if not set(own) <= set(opened) or sum(own.values()) > 1 + _CLOSE:
            return False
        if not problem.may_carry(place) and len(own) > 0 and find_left_out(own) > 0:
            return False
        for week, share in own.items():
            used[week] += job.hours * share
    for _, week in list_visits(problem, shares):
        used[week] += problem.move_h
    kept = all(
        _done_by(shares[after], week) <= _done_by(shares[before], week) + find_left_out(shares[before]) + _CLOSE
        for before, after in problem.order
        for week in range(len(used))
    )
    return kept and bool((used <= problem.capacity_h + _CLOSE * 10).all())


def _done_by(shares: Shares, week: int) -> float:
    return sum(share for own, share in shares.items() if own <= week)


def assign_weeks(problem: Problem, gap: float, time_limit_s: float) -> Assignment:
    """Assign jobs to weeks: by HiGHS where it is installed and has time, else greedily.

    Parameters
    ----------
    problem
        What is to be assigned.
    gap
        Relative gap at which the solver may stop.
    time_limit_s
        Time for the solver [s]; 0 gives the greedy calendar at once.
    """
    start = time.monotonic()
    greedy = assign_greedily(problem)
    if time_limit_s <= 0 or not problem.jobs:
        return greedy
    try:
        highspy: Any = importlib.import_module("highspy")
    except ImportError:
        return greedy
    found = _solve(highspy, problem, gap, time_limit_s, greedy)
    seconds = time.monotonic() - start
    return Assignment(found.shares, found.objective, found.bound, found.method, seconds)


def assign_greedily(problem: Problem) -> Assignment:
    """Assign jobs one by one to the week that costs least: tightest window first, then the weightiest.

    A job comes after those that the order puts before it. One that no week has room for is carried over several where
    it may be, else left out.
    """
    start = time.monotonic()
    shares: list[Shares] = [{} for _ in problem.jobs]
    left = problem.capacity_h.copy()
    visited: set[tuple[str, int]] = set()
    before, after = _list_order(problem)
    for place in _sort_jobs(problem, before):
        job, opened = problem.jobs[place], problem.open_weeks[place]
        floor = max((max(shares[item]) for item in before.get(place, ()) if shares[item]), default=0)
        ceiling = min((min(shares[item]) for item in after.get(place, ()) if shares[item]), default=len(left))
        choices = [
            (problem.move_h * ((job.area, week) not in visited), find_wait_cost(job, opened, week, len(left)), week)
            for week in opened
            if floor <= week <= ceiling
        ]
        own = _choose_weeks(job, choices, left, carry=problem.may_carry(place))
        for week, share in own.items():
            left[week] -= job.hours * share + problem.move_h * ((job.area, week) not in visited)
            visited.add((job.area, week))
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


@dataclass
class _Model:
    """Rows and columns of the linear model while it is built."""

    cost: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    index: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    x: list[dict[int, int]] = field(default_factory=list)
    out: list[int] = field(default_factory=list)
    z: dict[tuple[str, int], int] = field(default_factory=dict)

    def column(self, cost: float, *, whole: bool = True) -> int:
        self.cost.append(cost)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, lower: float, upper: float, terms: Mapping[int, float]) -> None:
        self.lower.append(lower)
        self.upper.append(upper)
        self.starts.append(len(self.index))
        self.index += list(terms)
        self.value += list(terms.values())


def _build(problem: Problem) -> _Model:
    """Build the model: x (job in week), out (job left out), z (area visited in week)."""
    model = _Model()
    weeks = len(problem.capacity_h)
    x, out, z = model.x, model.out, model.z
    for place, (job, opened) in enumerate(zip(problem.jobs, problem.open_weeks, strict=True)):
        whole = not problem.may_carry(place)
        x.append({week: model.column(find_wait_cost(job, opened, week, weeks), whole=whole) for week in opened})
        out.append(model.column(find_left_out_cost(job), whole=whole))
        model.row(1.0, 1.0, dict.fromkeys((*x[-1].values(), out[-1]), 1.0))
    for job, columns in zip(problem.jobs, x, strict=True):
        for week, column in columns.items():
            key = (job.area, week)
            if key not in z:
                z[key] = model.column(problem.move_h)
            model.row(-math.inf, 0.0, {column: 1.0, z[key]: -1.0})
    for week, capacity in enumerate(problem.capacity_h):
        terms = {columns[week]: job.hours for job, columns in zip(problem.jobs, x, strict=True) if week in columns}
        terms |= {column: problem.move_h for (_, own), column in z.items() if own == week}
        if terms:
            model.row(-math.inf, float(capacity), terms)
        for area in {area for area, own in z if own == week}:
            _add_area_row(model, problem, x, z, area, week)
    _add_order(model, problem, x, out)
    return model


def _add_area_row(
    model: _Model, problem: Problem, x: list[dict[int, int]], z: Mapping[tuple[str, int], int], area: str, week: int
) -> None:
    """Tie a visit to all the work done on it: the hours of an area in a week fit into one visit's share of the week."""
    own = {
        columns[week]: job.hours
        for job, columns in zip(problem.jobs, x, strict=True)
        if job.area == area and week in columns
    }
    room = float(problem.capacity_h[week]) - problem.move_h
    if sum(own.values()) > room > 0:
        model.row(-math.inf, 0.0, own | {z[area, week]: -room})


def _add_order(model: _Model, problem: Problem, x: list[dict[int, int]], out: list[int]) -> None:
    """Add, for each pair and week: by then no more is done of the second than of the first, or the first is out."""
    for before, after in problem.order:
        for week in range(len(problem.capacity_h)):
            done = {column: 1.0 for own, column in x[after].items() if own <= week}
            first = {column: -1.0 for own, column in x[before].items() if own <= week}
            if done and len(first) < len(x[before]):
                model.row(-math.inf, 0.0, done | first | {out[before]: -1.0})


def _solve(highspy: Any, problem: Problem, gap: float, time_limit_s: float, greedy: Assignment) -> Assignment:
    """Solve the model, started from the greedy calendar; the better of the two is returned."""
    model = _build(problem)
    with _silence():
        solver = highspy.Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 2),
        ("random_seed", 0),
        ("mip_rel_gap", max(gap, 0.0)),
        ("time_limit", time_limit_s),
    ):
        solver.setOptionValue(name, value)
    count = len(model.cost)
    columns, inf = np.arange(count, dtype=np.int32), highspy.kHighsInf
    solver.addVars(count, np.zeros(count), np.ones(count))
    solver.changeColsCost(count, columns, np.array(model.cost))
    kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
    solver.changeColsIntegrality(count, columns, np.array([kinds[whole] for whole in model.whole]))
    lower = np.where(np.isneginf(model.lower), -inf, model.lower)
    starts, index = np.array(model.starts, dtype=np.int32), np.array(model.index, dtype=np.int32)
    solver.addRows(len(lower), lower, np.array(model.upper), len(index), starts, index, np.array(model.value))
    solver.setSolution(count, columns, _find_start(problem, model, greedy))
    solver.run()
    info = solver.getInfo()
    bound = float(info.mip_dual_bound)
    bound = bound if math.isfinite(bound) and abs(bound) < inf else math.nan
    shares = _read_shares(np.array(solver.getSolution().col_value), problem, model.x)
    objective = math.inf if shares is None or not is_feasible(problem, shares) else find_objective(problem, shares)
    if shares is None or objective > greedy.objective:
        return Assignment(greedy.shares, greedy.objective, bound, "greedy, HiGHS found nothing better", 0.0)
    return Assignment(shares, objective, min(bound, objective) if not math.isnan(bound) else bound, "HiGHS", 0.0)


@contextmanager
def _silence() -> Iterator[None]:
    """Send what a library writes past Python to standard output nowhere: HiGHS greets when it is made."""
    sys.stdout.flush()
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _find_start(problem: Problem, model: _Model, greedy: Assignment) -> FloatArray:
    """Return the greedy calendar as the solver's variables, so that it starts from there."""
    value = np.zeros(len(model.cost))
    for columns, left_out, own in zip(model.x, model.out, greedy.shares, strict=True):
        for week, share in own.items():
            value[columns[week]] = share
        value[left_out] = find_left_out(own)
    value[[model.z[visit] for visit in list_visits(problem, greedy.shares)]] = 1.0
    return value


def _read_shares(values: FloatArray, problem: Problem, x: list[dict[int, int]]) -> tuple[Shares, ...] | None:
    """Return the shares of a solution: whole jobs in one week, crumbs of carried ones added to their largest week."""
    if len(values) == 0:
        return None
    shares: list[Shares] = []
    for place, columns in enumerate(x):
        own = {week: float(values[column]) for week, column in columns.items() if values[column] > _CRUMB}
        if not problem.may_carry(place):
            own = {week: 1.0 for week, share in own.items() if share > 0.5}  # noqa: PLR2004  (a half is past doubt)
        elif own and abs(sum(own.values()) - 1) < _CRUMB * len(columns):
            total = sum(own.values())
            own = {week: share / total for week, share in own.items()}
        shares.append(own)
    return tuple(shares)
