"""In: jobs, weeks, capacity, order. Out: weeks for each job by HiGHS, with the bound; greedily where it is not there.

The model has x (share of a job in a week), out (share left out) and z (area visited in a week).
"""

from __future__ import annotations

import importlib
import math
import os
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.budget.assignment import (
    Assignment,
    Problem,
    Shares,
    assign_greedily,
    find_left_out,
    find_left_out_cost,
    find_objective,
    find_wait_cost,
    is_feasible,
    list_visits,
)

FloatArray = NDArray[np.float64]

#: A share under this is rounding of the solver.
_CRUMB: Final = 1e-5


def assign_weeks(problem: Problem, gap: float, time_limit_s: float, node_limit: int = 500) -> Assignment:
    """Assign jobs to weeks: by HiGHS where it is installed and has time, else greedily.

    Parameters
    ----------
    problem
        What is to be assigned.
    gap
        Relative gap at which the solver may stop.
    time_limit_s
        Time for the solver [s]; 0 gives the greedy calendar at once.
    node_limit
        Most nodes of the search tree: unlike the time, they end the search at the same place on every machine.
    """
    start = time.monotonic()
    greedy = assign_greedily(problem)
    if time_limit_s <= 0 or not problem.jobs:
        return greedy
    try:
        highspy: Any = importlib.import_module("highspy")
    except ImportError:
        return greedy
    found = _solve(highspy, problem, gap, time_limit_s, node_limit, greedy)
    return replace(found, seconds=time.monotonic() - start)


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
            key = (problem.visit(job), week)
            if key not in z:
                z[key] = model.column(problem.move_h)
            model.row(-math.inf, 0.0, {column: 1.0, z[key]: -1.0})
    for week, capacity in enumerate(problem.capacity_h):
        terms = {columns[week]: job.hours for job, columns in zip(problem.jobs, x, strict=True) if week in columns}
        terms |= {column: problem.move_h for (_, own), column in z.items() if own == week}
        if terms:
            model.row(-math.inf, float(capacity), terms)
        if problem.licensed_h is not None:
            _add_licensed_row(model, problem, week)
        for area in {area for area, own in z if own == week}:
            _add_area_row(model, problem, x, z, area, week)
    _add_order(model, problem, x, out)
    return model


def _add_licensed_row(model: _Model, problem: Problem, week: int) -> None:
    """Hold the jobs that want a licensed person within the hours of the crews that have one."""
    jobs = list(zip(problem.jobs, model.x, strict=True))
    terms = {columns[week]: job.hours for job, columns in jobs if job.licensed and week in columns}
    terms |= {model.z[problem.visit(job), week]: problem.move_h for job, own in jobs if job.licensed and week in own}
    if terms and problem.licensed_h is not None:
        model.row(-math.inf, float(problem.licensed_h[week]), terms)


def _add_area_row(
    model: _Model, problem: Problem, x: list[dict[int, int]], z: Mapping[tuple[str, int], int], area: str, week: int
) -> None:
    """Tie a visit to all the work done on it: the hours of an area in a week fit into one visit's share of the week."""
    own = {
        columns[week]: job.hours
        for job, columns in zip(problem.jobs, x, strict=True)
        if problem.visit(job) == area and week in columns
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


def _solve(
    highspy: Any, problem: Problem, gap: float, time_limit_s: float, node_limit: int, greedy: Assignment
) -> Assignment:
    """Solve the model; the better of its calendar and the greedy one is returned.

    The search starts from the greedy calendar only where that leaves nothing out: from a poor one the solver's own
    heuristics take longer to get away (200 units in 20 weeks, 90 % full, 300 nodes: a gap of 5.6 against 4.8 %). One
    thread, so that it runs the same on every machine.
    """
    model = _build(problem)
    with _silence():
        solver = highspy.Highs()
    for name, value in (
        ("output_flag", False),
        ("threads", 1),
        ("random_seed", 0),
        ("mip_rel_gap", max(gap, 0.0)),
        ("time_limit", time_limit_s),
        ("mip_max_nodes", node_limit),
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
    if not any(find_left_out(own) for own in greedy.shares):
        solver.setSolution(count, columns, _find_start(problem, model, greedy))
    solver.run()
    stopped = _describe_stop(highspy, solver.getModelStatus())
    info = solver.getInfo()
    bound = float(info.mip_dual_bound)
    bound = bound if math.isfinite(bound) and abs(bound) < inf else math.nan
    shares = _read_shares(np.array(solver.getSolution().col_value), problem, model.x)
    objective = math.inf if shares is None or not is_feasible(problem, shares) else find_objective(problem, shares)
    if shares is None or objective > greedy.objective:
        return Assignment(greedy.shares, greedy.objective, bound, "greedy, HiGHS found nothing better", 0.0, stopped)
    bound = min(bound, objective) if not math.isnan(bound) else bound
    return Assignment(shares, objective, bound, "HiGHS", 0.0, stopped)


def _describe_stop(highspy: Any, status: Any) -> str:
    """Say what ended the search, and whether it would end there again."""
    kinds = highspy.HighsModelStatus
    words = {
        kinds.kOptimal: "gap reached",
        kinds.kSolutionLimit: "node limit reached: a larger node_limit narrows the gap",
        kinds.kTimeLimit: "time limit reached: another run may stop elsewhere; set a smaller node_limit to repeat it",
    }
    return words.get(status, str(status))


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
