"""The season's calendar: a small one whose optimum is found by trying all, limits kept, left-out work explained."""

from __future__ import annotations

import datetime as dt
import importlib
import itertools
import math
import sys
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.records import Operations, SeasonCalendar
from tussock.budget.assignment import (
    Problem,
    assign_greedily,
    assign_weeks,
    find_left_out,
    find_objective,
    is_feasible,
)
from tussock.budget.calendar import plan_season
from tussock.budget.weeks import Job, list_open_weeks, list_weeks

DAY = dt.date(2027, 6, 7)  # a Monday


def job(
    name, hours, *, area="yard", priority=0.5, first=DAY, last=dt.date(2027, 12, 31), dirty=False, outlet_m=math.nan
):
    return Job(name, f"P{name}", hours, first, last, area, priority, dirty, outlet_m)


def enumerate_optimum(problem):
    """The best of all ways to put each job into one of its weeks or leave it out: no solver, no bound, all tried."""
    choices = [[{}, *({week: 1.0} for week in weeks)] for weeks in problem.open_weeks]
    return min(find_objective(problem, way) for way in itertools.product(*choices) if is_feasible(problem, way))


SMALL = Problem(
    jobs=tuple(
        job(str(place), hours, area=area, priority=priority)
        for place, (hours, area, priority) in enumerate(
            [
                (10, "north", 0.9),
                (8, "north", 0.1),
                (14, "south", 0.5),
                (6, "south", 0.8),
                (9, "east", 0.4),
                (12, "north", 0.2),
            ]
        )
    ),
    open_weeks=((0, 1), (0, 1, 2), (1, 2), (0, 1, 2), (0, 2), (0, 1)),
    capacity_h=np.array([24.0, 22.0, 24.0]),
    move_h=1.5,
    order=((5, 3), (1, 4)),
)


def test_the_solver_finds_the_optimum_that_trying_all_finds():
    found = assign_weeks(SMALL, 0.0, 20)
    assert found.method == "HiGHS"
    assert is_feasible(SMALL, found.shares)
    assert found.objective == pytest.approx(enumerate_optimum(SMALL), rel=1e-6)
    assert found.gap == pytest.approx(0, abs=1e-6)


def test_the_objective_by_hand():
    """Two jobs of 10 h in one area, weeks 0 and 2 of 3: two moves of 1.5; the second waits the whole season at 0.5."""
    problem = Problem((job("a", 10), job("b", 10)), ((0,), (0, 1, 2)), np.array([12.0, 12.0, 12.0]), 1.5)
    assert find_objective(problem, [{0: 1.0}, {2: 1.0}]) == pytest.approx(2 * 1.5 + 0.5 * 10 * 1.0)
    assert find_objective(problem, [{}, {0: 1.0}]) == pytest.approx(1.5 + 10 * 10)


@st.composite
def problems(draw):
    weeks = draw(st.integers(1, 3))
    count = draw(st.integers(1, 5))
    jobs, opened = [], []
    for place in range(count):
        hours = draw(st.floats(1, 20))
        jobs.append(job(str(place), hours, area=draw(st.sampled_from("ab")), priority=draw(st.floats(0, 1))))
        first = draw(st.integers(0, weeks - 1))
        opened.append(tuple(range(first, draw(st.integers(first, weeks - 1)) + 1)))
    pairs = [(0, 1)] if count > 1 and opened[0][0] <= opened[1][-1] else []
    return Problem(tuple(jobs), tuple(opened), np.full(weeks, draw(st.floats(8, 40))), 1.0, tuple(pairs))


@settings(max_examples=25, deadline=None)
@given(problems())
def test_no_calendar_breaks_its_limits_or_claims_a_false_bound(problem):
    best = enumerate_optimum(problem)
    for found in (assign_greedily(problem), assign_weeks(problem, 0.0, 20)):
        assert is_feasible(problem, found.shares)
        assert found.objective >= best - 1e-6
    assert found.objective == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert found.bound <= best + 1e-6


def test_long_jobs_are_carried_over_and_none_is_lost():
    problem = Problem(
        (job("long", 50), job("b", 5)), ((0, 1, 2), (0, 1, 2)), np.full(3, 24.0), 1.5, carried=(True, False)
    )
    for found in (assign_greedily(problem), assign_weeks(problem, 0.0, 20)):
        assert is_feasible(problem, found.shares)
        assert [find_left_out(own) for own in found.shares] == [0.0, 0.0]
        assert len(found.shares[0]) == 3


def test_greedy_without_the_solver_and_without_time(monkeypatch):
    hurried = assign_weeks(SMALL, 0.02, 0)
    assert hurried.method == "greedy"
    assert math.isnan(hurried.gap)
    monkeypatch.setitem(sys.modules, "highspy", None)
    with pytest.raises(ImportError, match="highspy"):
        importlib.import_module("highspy")
    assert assign_weeks(SMALL, 0.02, 20).shares == hurried.shares


def test_the_solver_prints_nothing(capfd):
    assign_weeks(SMALL, 0.0, 20)
    assert capfd.readouterr().out == ""


# ------------------------------------------------------------ weeks and days


def calendar(**fields):
    return SeasonCalendar(first=DAY, last=dt.date(2027, 7, 2), source="invented for tests", **fields)


def test_working_weeks_leave_closed_days_out():
    weeks = list_weeks(calendar(days_per_week=3, closed=[dt.date(2027, 6, 14)]))
    assert [week.days[0] for week in weeks] == [DAY, dt.date(2027, 6, 15), dt.date(2027, 6, 21), dt.date(2027, 6, 28)]
    assert [len(week.days) for week in weeks] == [3, 2, 3, 3]


def test_a_window_inside_one_week_opens_that_week():
    weeks = list_weeks(calendar())
    narrow = job("a", 1, first=dt.date(2027, 6, 15), last=dt.date(2027, 6, 16))
    wide = job("b", 1, first=dt.date(2027, 6, 9), last=dt.date(2027, 6, 25))
    gone = job("c", 1, first=dt.date(2027, 8, 1), last=dt.date(2027, 8, 9))
    assert [list_open_weeks(item, weeks) for item in (narrow, wide, gone)] == [[1], [1, 2], []]


OPERATIONS = """
[crew]
size = 2
wage = "30 USD/hour"
day = "8 hours"
source = "invented for tests"
[calendar]
first = 2027-06-07
last = 2027-06-25
days_per_week = 4
move_time = "30 min"
gap = "0 %"
source = "invented for tests"
"""


def operations(text=OPERATIONS):
    return Operations.model_validate(tomllib.loads(text))


def test_days_hold_the_hours_clean_before_dirty_and_upstream_first():
    """16 person-hours a day; within a week the dirty site comes last, and 900 m from the outlet before 100 m."""
    jobs = [
        job("d", 10, dirty=True, outlet_m=2000),
        job("low", 10, outlet_m=100),
        job("up", 10, outlet_m=900),
        job("big", 25),
    ]
    season = plan_season(operations(), jobs, [("Pup", "Plow")])
    table = season.calendar
    assert table["note"].eq("").all()
    assert table.groupby("unit_id")["crew_h"].sum().to_dict() == pytest.approx(
        {"d": 10, "low": 10, "up": 10, "big": 25}
    )
    assert table.groupby("unit_id")["share"].sum().tolist() == pytest.approx([1, 1, 1, 1])
    # no day holds more than two persons work, but for finishing a unit within a quarter of an hour
    assert table.groupby("crew_day")["crew_h"].sum().max() <= 16.25
    first_week = table[table["week"] == 1].drop_duplicates("unit_id")["unit_id"].tolist()
    assert first_week.index("up") < first_week.index("low")
    assert first_week[-1] == "d"
    assert dict(zip(season.quality["item"], season.quality["value"], strict=True))["gap between both"] == "0"


def test_what_does_not_fit_names_the_binding_constraint():
    """Week of 7 June: 4 days x 16 h = 64 crew hours; 70 h may be done only then, in jobs that are not carried over."""
    last = dt.date(2027, 6, 11)
    jobs = [job(f"j{place}", 7, last=last) for place in range(10)]
    jobs.append(job("winter", 4, first=dt.date(2027, 12, 1), last=dt.date(2027, 12, 5)))
    season = plan_season(operations(), jobs, [])
    left = season.calendar[season.calendar["crew_day"].isna()].set_index("unit_id")["note"]
    assert left["winter"] == (
        "left out: its dates 2027-12-01 to 2027-12-05 hold no working day of the season (2027-06-07 to 2027-06-24)"
    )
    capacity = "crew capacity: jobs that fit only 2027-06-07 to 2027-06-10 ask 70.0 crew hours, the crews have 64.0"
    assert left.drop("winter").tolist() == [f"left out: {capacity}"]
    assert {finding.row for finding in season.findings} == set(left.index)


def test_an_order_that_the_dates_forbid_is_said():
    jobs = [job("up", 5, first=dt.date(2027, 6, 21)), job("low", 5, last=dt.date(2027, 6, 11))]
    season = plan_season(operations(), jobs, [("Pup", "Plow")])
    assert season.calendar["crew_day"].notna().all()
    assert [finding.row for finding in season.findings] == ["Plow"]
    assert "the dates of Pup open after those of Plow" in season.findings[0].what


def test_by_no_week_is_more_done_downstream_than_upstream():
    jobs = [job("up", 30, priority=0.0), job("low", 30, priority=1.0), job("other", 60)]
    table = plan_season(operations(), jobs, [("Pup", "Plow")]).calendar
    done = table.pivot_table(index="week", columns="unit_id", values="share", aggfunc="sum").fillna(0).cumsum()
    assert (done["low"] <= done["up"] + 1e-6).all()
    assert done[["low", "up"]].iloc[-1].tolist() == pytest.approx([1, 1])


def test_the_same_season_twice_is_the_same_calendar():
    jobs = [job(f"j{place:02d}", 3 + place % 5, area="ab"[place % 2], priority=place / 20) for place in range(20)]
    first, second = (plan_season(operations(), jobs, []).calendar for _ in range(2))
    assert first.equals(second)
