"""In: jobs, weeks, capacity, order. Out: weeks for each job by HiGHS, with the bound; greedily where it is not there.

Three steps, each only where the gap is not reached yet: the root of the search tree; rounds that open a part of the
calendar and leave the rest as it is; the search tree from the calendar found so far.
"""

from __future__ import annotations

import importlib
import math
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from tussock.budget.assignment import (
    Assignment,
    Problem,
    assign_greedily,
    find_left_out,
    find_objective,
    is_feasible,
)
from tussock.budget.model import Model, build_model, find_values, read_shares
from tussock.budget.neighbourhoods import list_held, list_neighbourhoods

#: Nodes for the first look at the whole season: its root, where most of the bound comes from.
_FIRST_NODES: Final = 1
#: Nodes for each round, which opens a part of the calendar only.
_ROUND_NODES: Final = 60
#: Gap at which a round stops, far under what is asked of the season: what it opens is a part of the objective.
_ROUND_GAP: Final = 5e-4
#: What a round costs, in nodes of the tree of the whole season (200 units in 20 weeks: 1.1 s and 0.11 s of CPU).
_NODES_A_ROUND: Final = 10
#: What a calendar was found by, and what ended the search.
_METHOD: Final = "HiGHS"
_GAP: Final = "gap reached"
_NODES: Final = "node limit reached: a larger node_limit narrows the gap"
_TIME: Final = "time limit reached: another run may stop elsewhere; set a smaller node_limit to repeat it"


def assign_weeks(problem: Problem, gap: float, time_limit_s: float, node_limit: int = 400) -> Assignment:
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
        Most steps of the search, half of them in rounds of improvement, a round counting as ten, the rest nodes of the
        tree. Unlike the time, they end the search at the same place on every machine.
    """
    start = time.monotonic()
    greedy = assign_greedily(problem)
    if time_limit_s <= 0 or not problem.jobs:
        return greedy
    try:
        highspy: Any = importlib.import_module("highspy")
    except ImportError:
        return greedy
    search = _Search(highspy, problem, build_model(problem), gap, start + time_limit_s, greedy)
    search.run(node_limit)
    return replace(search.best, seconds=time.monotonic() - start)


@dataclass
class _Search:
    """The search for one season: the best calendar so far, with the bound on every calendar.

    A search starts from the greedy calendar only where that leaves nothing out: from a poor one the solver's own
    heuristics take longer to get away.
    """

    highspy: Any
    problem: Problem
    model: Model
    gap: float
    ends: float
    best: Assignment

    def run(self, node_limit: int) -> None:
        """Look at the root, improve in rounds, then search the tree; stop as soon as the gap is reached."""
        self.search_tree(_FIRST_NODES)
        if node_limit > _FIRST_NODES and not self.is_done():
            rounds = node_limit // (2 * _NODES_A_ROUND)
            self.improve(rounds)
            if not self.is_done():
                self.search_tree(node_limit - rounds * _NODES_A_ROUND)

    def is_done(self) -> bool:
        """Tell whether the gap or the end of the time is reached."""
        if self.best.gap <= self.gap:
            self.best = replace(self.best, stopped=_GAP)
        return self.best.stopped in (_GAP, _TIME)

    def search_tree(self, nodes: int) -> None:
        """Search the whole season; its bound holds for every calendar."""
        solver = self.make_solver(self.gap, nodes)
        if self.best.method == _METHOD or not any(find_left_out(own) for own in self.best.shares):
            self.start_from_best(solver)
        self.run_solver(solver)
        bound = float(solver.getInfo().mip_dual_bound)
        if math.isfinite(bound) and abs(bound) < self.highspy.kHighsInf:
            known = self.best.bound
            self.best = replace(self.best, bound=bound if math.isnan(known) else max(bound, known))
        self.take(solver)
        method = self.best.method if self.best.method == _METHOD else "greedy, HiGHS found nothing better"
        self.best = replace(self.best, stopped=self.describe_stop(solver), method=method)

    def improve(self, rounds: int) -> None:
        """Open one part of the calendar after the other; the rest stays as it is in the best one."""
        for opened in list_neighbourhoods(self.problem, rounds):
            if self.is_done():
                return
            if time.monotonic() >= self.ends:
                self.best = replace(self.best, stopped=_TIME)
                return
            columns = list_held(self.problem, self.model, self.best.shares, opened)
            solver = self.make_solver(_ROUND_GAP, _ROUND_NODES)
            values = find_values(self.problem, self.model, self.best.shares)
            solver.changeColsBounds(len(columns), columns, values[columns], values[columns])
            self.start_from_best(solver)
            self.run_solver(solver)
            self.take(solver)

    def make_solver(self, gap: float, nodes: int) -> Any:
        """Return HiGHS with the model; on one thread, so that it runs the same on every machine."""
        model = self.model
        with _silence():
            solver = self.highspy.Highs()
        for name, value in (
            ("output_flag", False),
            ("threads", 1),
            ("random_seed", 0),
            ("mip_rel_gap", max(gap, 0.0)),
            ("time_limit", max(self.ends - time.monotonic(), 0.0)),
            ("mip_max_nodes", nodes),
        ):
            solver.setOptionValue(name, value)
        count = len(model.cost)
        columns, inf = np.arange(count, dtype=np.int32), self.highspy.kHighsInf
        solver.addVars(count, np.zeros(count), np.ones(count))
        solver.changeColsCost(count, columns, np.array(model.cost))
        kinds = (self.highspy.HighsVarType.kContinuous, self.highspy.HighsVarType.kInteger)
        solver.changeColsIntegrality(count, columns, np.array([kinds[whole] for whole in model.whole]))
        lower = np.where(np.isneginf(model.lower), -inf, model.lower)
        starts, index = np.array(model.starts, dtype=np.int32), np.array(model.index, dtype=np.int32)
        solver.addRows(len(lower), lower, np.array(model.upper), len(index), starts, index, np.array(model.value))
        return solver

    def start_from_best(self, solver: Any) -> None:
        """Hand the best calendar so far to the solver."""
        values = find_values(self.problem, self.model, self.best.shares)
        solver.setSolution(len(values), np.arange(len(values), dtype=np.int32), values)

    def run_solver(self, solver: Any) -> None:
        """Run the solver; where other work of this process has set HiGHS up for more threads, set it up anew."""
        if solver.run() == self.highspy.HighsStatus.kError:
            self.highspy.Highs.resetGlobalScheduler(True)
            solver.run()

    def take(self, solver: Any) -> None:
        """Keep the calendar of a run where it holds and is better than the best so far."""
        shares = read_shares(np.array(solver.getSolution().col_value), self.problem, self.model)
        if shares is None or not is_feasible(self.problem, shares):
            return
        objective = find_objective(self.problem, shares)
        if objective <= self.best.objective:
            self.best = replace(self.best, shares=shares, objective=objective, method=_METHOD)
        if not math.isnan(self.best.bound):  # rounding only
            self.best = replace(self.best, bound=min(self.best.bound, self.best.objective))

    def describe_stop(self, solver: Any) -> str:
        """Say what ended a search of the tree, and whether it would end there again."""
        kinds, status = self.highspy.HighsModelStatus, solver.getModelStatus()
        words = {kinds.kOptimal: _GAP, kinds.kSolutionLimit: _NODES, kinds.kTimeLimit: _TIME}
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
