"""In: a number of units and weeks. Out: time, objective, bound and gap of the season's calendar, greedy and by HiGHS.

python benchmarks/season_calendar.py                  # 200 units, 20 weeks, three quarters full
python benchmarks/season_calendar.py --load 0.9       # nearly full: the gap stays wider, for the bound is weak

The season is invented: hours, windows of four to ten weeks, twenty areas, and pairs of patches along streams.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time

import numpy as np

from tussock.budget.assignment import Problem, assign_greedily, find_left_out, is_feasible
from tussock.budget.solver import assign_weeks
from tussock.budget.weeks import Job

WEEK_H = 96.0  # three persons, four days of eight hours
CARRIED_H = 12.0  # half a crew day


def make_season(units: int, weeks: int, load: float, seed: int = 0) -> Problem:
    rng = np.random.default_rng(seed)
    hours = rng.gamma(2, 1, units)
    hours = np.minimum(hours * load * WEEK_H * weeks / hours.sum(), WEEK_H / 2)
    day = dt.date(2027, 5, 3)
    jobs, opened = [], []
    for place, own in enumerate(hours):
        first = int(rng.integers(0, weeks - 3))
        last = min(weeks - 1, first + int(rng.integers(3, 10)))
        area, priority = str(rng.integers(20)), float(rng.random())
        jobs.append(Job(f"J{place}", f"P{place}", float(own), day, day, area=area, priority=priority))
        opened.append(tuple(range(first, last + 1)))
    order = tuple((k, k + 1) for k in range(0, units // 4, 2) if opened[k][0] <= opened[k + 1][-1])
    carried = tuple(own > CARRIED_H for own in hours)
    return Problem(tuple(jobs), tuple(opened), np.full(weeks, WEEK_H), 1.0, order, carried)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--weeks", type=int, default=20)
    parser.add_argument("--load", type=float, default=0.75)
    parser.add_argument("--gap", type=float, default=0.02)
    parser.add_argument("--time-limit", type=float, default=55.0)
    parser.add_argument("--nodes", type=int, default=400)
    options = parser.parse_args()
    problem = make_season(options.units, options.weeks, options.load)
    ways = (
        lambda: assign_greedily(problem),
        lambda: assign_weeks(problem, options.gap, options.time_limit, options.nodes),
    )
    for way in ways:
        before = time.process_time()
        found = way()
        spent = time.process_time() - before
        left = sum(find_left_out(own) > 0 for own in found.shares)
        print(
            f"{options.units} units x {options.weeks} weeks, {options.load:.0%} full: {found.method}: objective "
            f"{found.objective:.1f}, bound {found.bound:.1f}, gap {found.gap:.2%}, {left} left out, "
            f"{found.seconds:.1f} s ({spent:.1f} s of CPU), {found.stopped or 'at once'}, "
            f"limits {'kept' if is_feasible(problem, found.shares) else 'BROKEN'}",
            flush=True,
        )


if __name__ == "__main__":
    main()
