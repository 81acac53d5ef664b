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
    find_left_out,
    find_objective,
    is_feasible,
)
from tussock.budget.calendar import finish_crumbs, plan_season
from tussock.budget.model import build_model
from tussock.budget.neighbourhoods import Neighbourhood, list_held, list_neighbourhoods
from tussock.budget.solver import assign_weeks
from tussock.budget.weeks import Job, list_open_weeks, list_weeks

DAY = dt.date(2027, 6, 7)  # a Monday


def job(name, hours, *, area="yard", first=DAY, last=dt.date(2027, 12, 31), **more):
    return Job(name, f"P{name}", hours, first, last, area, **more)


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
        more = {"priority": draw(st.floats(0, 1)), "licensed": draw(st.booleans())}
        jobs.append(job(str(place), hours, area=draw(st.sampled_from("ab")), **more))
        first = draw(st.integers(0, weeks - 1))
        opened.append(tuple(range(first, draw(st.integers(first, weeks - 1)) + 1)))
    pairs = [(0, 1)] if count > 1 and opened[0][0] <= opened[1][-1] else []
    capacity = np.full(weeks, draw(st.floats(8, 40)))
    licensed = draw(st.sampled_from([None, capacity / 2]))
    return Problem(tuple(jobs), tuple(opened), capacity, 1.0, tuple(pairs), licensed_h=licensed)


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


def test_a_week_is_cut_where_the_days_of_a_job_begin_or_end():
    """The week of 14 June has four working days; a job of the 15th and 16th leaves the 14th, those two, and the 17th."""
    narrow = job("a", 1, first=dt.date(2027, 6, 15), last=dt.date(2027, 6, 16))
    wide = job("b", 1, first=dt.date(2027, 6, 9), last=dt.date(2027, 6, 25))
    gone = job("c", 1, first=dt.date(2027, 8, 1), last=dt.date(2027, 8, 9))
    weeks = list_weeks(calendar(), [narrow, wide, gone])
    assert [(week.number, len(week.days)) for week in weeks] == [(1, 2), (1, 2), (2, 1), (2, 2), (2, 1), (3, 4), (4, 4)]
    assert [list_open_weeks(item, weeks) for item in (narrow, wide, gone)] == [[3], [1, 2, 3, 4, 5], []]


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
        "left out: its dates 1 Dec to 5 Dec 2027 hold no working day of the season (7 Jun to 24 Jun 2027)"
    )
    capacity = "crew capacity: jobs that fit only 7 Jun to 10 Jun 2027 ask 70.0 crew hours, the crews have 64.0"
    assert left.drop("winter").tolist() == [f"left out: {capacity}"]
    assert {finding.row for finding in season.findings} == set(left.index)


JUNE = OPERATIONS.replace("2027-06-07", "2027-06-28").replace("2027-06-25", "2027-07-02")


def test_no_job_stands_on_an_unlawful_day():
    """Week of 28 June, Monday to Thursday, 16 crew hours a day: "late" may be done from Wednesday 30 June, "early" to
    Tuesday. With a move of an hour each, 30 h fit Monday and Tuesday, 20 + 10 h Wednesday and Thursday.
    """
    jobs = [
        job("late", 20, first=dt.date(2027, 6, 30)),
        job("early", 30, last=dt.date(2027, 6, 29), area="shed"),
        job("any", 10),
    ]
    table = plan_season(operations(JUNE), jobs, []).calendar
    assert table["note"].eq("").all()
    assert set(table.loc[table["unit_id"] == "late", "date"]) <= {"2027-06-30", "2027-07-01"}
    assert set(table.loc[table["unit_id"] == "early", "date"]) == {"2027-06-28", "2027-06-29"}
    assert table.groupby("unit_id")["share"].sum().tolist() == pytest.approx([1, 1, 1])
    assert set(table["week"]) == {1}


def test_what_its_lawful_days_do_not_hold_is_left_out_with_the_true_cause():
    """50 h from Wednesday on: Wednesday and Thursday hold 32, with a move of an hour 31, whatever is free before them."""
    season = plan_season(operations(JUNE), [job("late", 50, first=dt.date(2027, 6, 30))], [])
    placed = season.calendar[season.calendar["crew_day"].notna()]
    assert set(placed["date"]) == {"2027-06-30", "2027-07-01"}
    assert placed["crew_h"].sum() == pytest.approx(31)
    left = season.calendar[season.calendar["crew_day"].isna()].iloc[0]
    assert left["crew_h"] == pytest.approx(19)
    cause = "crew capacity: jobs that fit only 30 Jun to 1 Jul 2027 ask 50.0 crew hours, the crews have 32.0"
    assert left["note"] == f"left out: {cause}"


def test_every_run_of_days_is_used_and_nothing_between():
    """Monday and Thursday are open, 16 h each: 20 h take parts of both; 60 h leave 30 out with two moves of an hour."""
    runs = ((dt.date(2027, 6, 1), dt.date(2027, 6, 28)), (dt.date(2027, 7, 1), dt.date(2027, 7, 9)))
    table = plan_season(operations(JUNE), [job("a", 20, windows=runs)], []).calendar
    assert set(table["date"]) == {"2027-06-28", "2027-07-01"}
    assert table["share"].sum() == pytest.approx(1)
    left = plan_season(operations(JUNE), [job("a", 60, windows=runs)], []).calendar.iloc[-1]
    assert left["crew_h"] == pytest.approx(30)
    assert left["note"] == (
        "left out: crew capacity: jobs that fit only 1 Jun to 28 Jun 2027 and 1 Jul to 9 Jul 2027 ask 60.0 crew hours, "
        "the crews have 32.0"
    )


def test_a_unit_is_finished_rather_than_left_out_for_a_quarter_of_an_hour():
    """1 % of 20 h are 0.2 h: finished in its last week, once in a week; 2 % are 0.4 h and stay left out."""
    jobs = tuple(job(name, 20) for name in "abc")
    problem = Problem(jobs, ((0, 1),) * 3, np.array([60.0, 60.0]), 1.0, carried=(True,) * 3)
    shares = [{0: 0.5, 1: 0.49}, {1: 0.99}, {0: 0.98}]
    finish_crumbs(problem, shares)
    assert [find_left_out(own) for own in shares] == pytest.approx([0, 0.01, 0.02])


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_no_calendar_books_a_day_outside_the_windows(data):
    day = st.integers(-3, 22).map(lambda count: DAY + dt.timedelta(days=count))
    jobs = []
    for place in range(data.draw(st.integers(1, 7))):
        days = sorted(data.draw(st.lists(day, min_size=4, max_size=4, unique=True)))
        runs = ((days[0], days[1]), (days[2], days[3])) if data.draw(st.booleans()) else ((days[1], days[2]),)
        hours, area = data.draw(st.floats(1, 40)), data.draw(st.sampled_from("ab"))
        jobs.append(job(f"j{place}", hours, area=area, first=runs[0][0], last=runs[-1][1], windows=runs))
    season = plan_season(operations(OPERATIONS.replace('gap = "0 %"', 'gap = "5 %"\ntime_limit = "0 s"')), jobs, [])
    lawful = {item.unit_id: item.windows for item in jobs}
    placed = season.calendar[season.calendar["crew_day"].notna()]
    for name, date in zip(placed["unit_id"], placed["date"], strict=True):
        assert any(first <= dt.date.fromisoformat(date) <= last for first, last in lawful[name])
    # every hour is placed or told
    total = season.calendar.groupby("unit_id")["crew_h"].sum()
    assert total.to_dict() == pytest.approx({item.unit_id: item.hours for item in jobs}, rel=1e-6)
    assert placed.groupby(["date", "crew"])["crew_h"].sum().max() <= 16.25 + 1e-6 or not len(placed)


CREWS = OPERATIONS.replace("days_per_week = 4", "days_per_week = 4\ncrews = 2")
LICENSED = CREWS.replace("crews = 2", "crews = 2\nlicensed_crews = 1")
WEEK = {"last": dt.date(2027, 6, 11)}


def test_two_crews_side_by_side_hold_twice_as_much():
    """Week of 7 June: 4 days x 16 h = 64 crew hours for one crew, 128 for two; 15 jobs of 8 h and one move ask 121."""
    jobs = [job(f"j{place:02d}", 8, **WEEK) for place in range(15)]
    one, two = (plan_season(operations(text), jobs, []).calendar for text in (OPERATIONS, CREWS))
    assert one["crew_day"].notna().sum() < two["crew_day"].notna().sum()
    assert two["note"].eq("").all()
    assert two.groupby("unit_id")["share"].sum().tolist() == pytest.approx([1] * 15)
    assert set(two["crew"]) == {1, 2}
    assert two.groupby("date")["crew"].nunique().max() == 2
    for table in (one, two):
        days = table[table["crew_day"].notna()].groupby(["date", "crew"])["crew_h"].sum()
        assert days.max() <= 16.25  # a unit is finished within a quarter of an hour
        assert table.groupby("crew_day")[["date", "crew"]].nunique().max().max() == 1


def test_only_licensed_crews_take_work_that_wants_a_licence():
    """60 h each of both kinds, in two areas: crew 1 has the licence, and no crew has more than its day."""
    jobs = [job(f"r{place}", 6, area="a", licensed=True, **WEEK) for place in range(10)]
    jobs += [job(f"o{place}", 6, area="ab"[place % 2], dirty=place == 3, **WEEK) for place in range(10)]
    table = plan_season(operations(LICENSED), jobs, []).calendar
    assert table["note"].eq("").all()
    restricted = table["unit_id"].str.startswith("r")
    assert set(table.loc[restricted, "crew"]) == {1}
    assert set(table.loc[~restricted, "crew"]) <= {1, 2}
    assert table.groupby(["date", "crew"])["crew_h"].sum().max() <= 16.25
    assert table.groupby("unit_id")["crew_h"].sum().tolist() == pytest.approx([6] * 20)
    for _, day in table.groupby("crew_day"):
        assert day["dirty"].tolist() == sorted(day["dirty"])


def test_licensed_work_beyond_the_licensed_crews_is_left_out_and_says_why():
    """70 h want the licence in a week that holds 64 of it, though both crews together have 128."""
    jobs = [job(f"r{place}", 7, licensed=True, **WEEK) for place in range(10)]
    season = plan_season(operations(LICENSED), jobs, [])
    left = season.calendar[season.calendar["crew_day"].isna()]
    assert left["note"].tolist() == [
        "left out: crew capacity: jobs for a licensed person that fit only 7 Jun to 10 Jun 2027 ask 70.0 crew hours, "
        "the crews that have one have 64.0"
    ]
    nobody = plan_season(operations(LICENSED.replace("licensed_crews = 1", "licensed_crews = 0")), jobs, [])
    assert nobody.calendar["note"].str.contains("wants a licensed person, and no crew has one").all()


def test_more_licensed_crews_than_crews():
    with pytest.raises(ValueError, match="licensed_crews 3 of 2 crews; at most all crews are"):
        operations(LICENSED.replace("licensed_crews = 1", "licensed_crews = 3"))


def test_a_plan_sends_restricted_products_with_the_licensed_crew(sites, treatments):
    from site_factory import NO_RULES, PRODUCTS, feet_box

    products = PRODUCTS.replace("methods = { boom", "restricted_use = true\nmethods = { boom", 1)
    rows = [
        {"patch_id": name, "species": name, "growth_form": "herbaceous", "cover_pct": 50}
        | {"geometry": feet_box(x, 0, x + 200, 150)}
        for name, x in (("reed", 0), ("fern", 500))
    ]
    text = treatments.replace('id = "spot"\n', 'id = "spot"\nspecies = ["reed"]\n')
    crew = LICENSED.replace("size = 2", "size = 2\nlicensed = 1") + PACES
    plan = sites.plan(rows, products=products, treatments=text, operations=crew, rules=NO_RULES)
    crews = plan.work["calendar"].set_index("patch_id")["crew"].to_dict()
    assert crews == {"reed": 1, "fern": 2}


PACES = """
[[production]]
method = "foliar_spot"
rate = "0.25 acre/hour"
source = "invented for tests"
[[production]]
method = "pull"
rate = "0.05 acre/hour"
source = "invented for tests"
"""


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


def hard_season():
    """40 jobs that fill six weeks: not solved at the root of the search."""
    rng = np.random.default_rng(7)
    jobs = tuple(job(f"j{k:02d}", 1 + 4 * rng.random(), area=str(k % 9), priority=rng.random()) for k in range(40))
    opened = tuple(tuple(range(first, first + 3)) for first in rng.integers(0, 4, 40).tolist())
    return Problem(jobs, opened, np.full(6, sum(item.hours for item in jobs) / 6 + 5), 1.0)


def test_a_run_that_stops_at_its_node_limit_can_be_repeated():
    problem = hard_season()
    first, second = (assign_weeks(problem, 0.0, 60, node_limit=1) for _ in range(2))
    assert first.stopped.startswith("node limit reached")
    assert first.gap > 0
    assert (first.shares, first.bound) == (second.shares, second.bound)
    assert is_feasible(problem, first.shares)


def test_a_run_that_stops_at_its_time_limit_says_so():
    hurried = assign_weeks(hard_season(), 0.0, 1e-3)
    assert hurried.stopped.startswith("time limit reached: another run may stop elsewhere")


def test_the_quality_says_what_ended_the_search_and_what_was_weighed():
    quality = plan_season(operations(), [job("a", 5)], []).quality.set_index("item")["value"]
    assert quality["search ended"] == "gap reached"
    assert "being left out 10" in quality["what the objective weighs"]


def test_rounds_of_improvement_never_make_it_worse_and_can_be_repeated():
    """The root alone, then sixty steps, half of them in three rounds: a better calendar, no lower a bound."""
    problem = hard_season()
    root = assign_weeks(problem, 0.0, 60, node_limit=1)
    first, second = (assign_weeks(problem, 0.0, 60, node_limit=60) for _ in range(2))
    assert first.objective < root.objective
    assert root.bound <= first.bound <= first.objective
    assert is_feasible(problem, first.shares)
    assert (first.shares, first.bound, first.stopped) == (second.shares, second.bound, second.stopped)


def test_what_a_round_does_not_open_is_held():
    """By hand: of two areas and three weeks, area a is open in weeks 0 and 1."""
    jobs = (job("in", 4, area="a"), job("late", 4, area="a"), job("out", 4, area="a"), job("other", 4, area="b"))
    problem = Problem(jobs, ((0, 1, 2),) * 4, np.full(3, 24.0), 1.0)
    model = build_model(problem)
    held = list_held(problem, model, [{0: 1.0}, {2: 1.0}, {}, {0: 1.0}], Neighbourhood(frozenset("a"), range(2)))
    free = set(range(len(model.cost))) - set(held.tolist()) - set(model.z.values())
    may_move = {model.x[place][week] for place in (0, 2) for week in (0, 1)}
    assert free == may_move | {model.out[0], model.out[2]}


def test_parts_are_drawn_alike_in_every_run_and_reach_every_area_and_week():
    problem = hard_season()
    first, second = (list(list_neighbourhoods(problem, 40)) for _ in range(2))
    assert first == second
    assert set().union(*(part.areas for part in first[1::2])) == {item.area for item in problem.jobs}
    assert set().union(*(part.weeks for part in first[::2])) == set(range(6))
    assert (
        list(list_neighbourhoods(Problem((job("a", 1),), ((0,),), np.array([8.0]), 1.0), 2))
        == [Neighbourhood(frozenset({"yard"}), range(1))] * 2
    )


def test_another_use_of_the_solver_in_the_process_is_no_hindrance():
    """HiGHS keeps the number of threads that it was first run with in a process, and refuses a run with another one."""
    highspy = importlib.import_module("highspy")
    highspy.Highs.resetGlobalScheduler(True)
    other = highspy.Highs()
    other.setOptionValue("output_flag", False)
    other.setOptionValue("threads", 2)
    other.addVars(1, np.zeros(1), np.ones(1))
    other.run()
    found = assign_weeks(SMALL, 0.0, 20)
    assert (found.method, found.stopped) == ("HiGHS", "gap reached")
    assert found.objective == pytest.approx(enumerate_optimum(SMALL), rel=1e-6)
