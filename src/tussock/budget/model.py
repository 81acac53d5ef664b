"""In: jobs, weeks, capacity, order. Out: the season as a linear model with whole numbers, and its values as a calendar.

The model has x (share of a job in a week), out (share left out) and z (area visited in a week).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tussock.budget.assignment import (
    Problem,
    Shares,
    find_left_out,
    find_left_out_cost,
    find_wait_cost,
    list_visits,
)

FloatArray = NDArray[np.float64]

#: A share under this is rounding of the solver.
_CRUMB: Final = 1e-5


@dataclass
class Model:
    """Rows and columns of the linear model; ``x``, ``out`` and ``z`` tell which column is what."""

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
        """Add a column from 0 to 1 and return its number."""
        self.cost.append(cost)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, lower: float, upper: float, terms: Mapping[int, float]) -> None:
        """Add a row: the sum of its terms lies between its ends."""
        self.lower.append(lower)
        self.upper.append(upper)
        self.starts.append(len(self.index))
        self.index += list(terms)
        self.value += list(terms.values())


def build_model(problem: Problem) -> Model:
    """Build the model of a season: x (job in week), out (job left out), z (area visited in week)."""
    model = Model()
    x, out, z = model.x, model.out, model.z
    for place, (job, opened) in enumerate(zip(problem.jobs, problem.open_weeks, strict=True)):
        whole = not problem.may_carry(place)
        x.append({week: model.column(find_wait_cost(problem, place, week), whole=whole) for week in opened})
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


def _add_licensed_row(model: Model, problem: Problem, week: int) -> None:
    """Hold the jobs that want a licensed person within the hours of the crews that have one."""
    jobs = list(zip(problem.jobs, model.x, strict=True))
    terms = {columns[week]: job.hours for job, columns in jobs if job.licensed and week in columns}
    terms |= {model.z[problem.visit(job), week]: problem.move_h for job, own in jobs if job.licensed and week in own}
    if terms and problem.licensed_h is not None:
        model.row(-math.inf, float(problem.licensed_h[week]), terms)


def _add_area_row(
    model: Model, problem: Problem, x: list[dict[int, int]], z: Mapping[tuple[str, int], int], area: str, week: int
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


def _add_order(model: Model, problem: Problem, x: list[dict[int, int]], out: list[int]) -> None:
    """Add, for each pair and week: by then no more is done of the second than of the first, or the first is out."""
    for before, after in problem.order:
        for week in range(len(problem.capacity_h)):
            done = {column: 1.0 for own, column in x[after].items() if own <= week}
            first = {column: -1.0 for own, column in x[before].items() if own <= week}
            if done and len(first) < len(x[before]):
                model.row(-math.inf, 0.0, done | first | {out[before]: -1.0})


def find_values(problem: Problem, model: Model, shares: Sequence[Shares]) -> FloatArray:
    """Return a calendar as values of the model's columns, so that a search can start from there."""
    value = np.zeros(len(model.cost))
    for columns, left_out, own in zip(model.x, model.out, shares, strict=True):
        for week, share in own.items():
            value[columns[week]] = share
        value[left_out] = find_left_out(own)
    value[[model.z[visit] for visit in list_visits(problem, shares)]] = 1.0
    return value


def read_shares(values: FloatArray, problem: Problem, model: Model) -> tuple[Shares, ...] | None:
    """Return the shares of a solution: whole jobs in one week, crumbs of carried ones added to their largest week."""
    if len(values) == 0:
        return None
    shares: list[Shares] = []
    for place, columns in enumerate(model.x):
        own = {week: float(values[column]) for week, column in columns.items() if values[column] > _CRUMB}
        if not problem.may_carry(place):
            own = {week: 1.0 for week, share in own.items() if share > 0.5}  # noqa: PLR2004  (a half is past doubt)
        elif own and abs(sum(own.values()) - 1) < _CRUMB * len(columns):
            total = sum(own.values())
            own = {week: share / total for week, share in own.items()}
        shares.append(own)
    return tuple(shares)
