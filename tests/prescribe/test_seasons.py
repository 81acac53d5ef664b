"""Windows that must share a day. Expectations are counted on a calendar by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from site_factory import NO_RULES, PRODUCTS, feet_box
from tussock.base.days import Season, find_longest, list_runs, window_days, year_season
from tussock.prescribe.seasons import NamedDays, intersect_seasons

YEAR = year_season(2027)
SOUTH = Season(dt.date(2026, 7, 1), dt.date(2027, 6, 30), "2026/27")


def window(first, last, season=YEAR, **more):
    return NamedDays(f"{first} to {last}", window_days(season, (first, last)), **more)


def dates(answer, season=YEAR):
    return tuple(day.isoformat() for day in find_longest(list_runs(season, answer.days)))


def test_windows_are_intersected():
    answer = intersect_seasons(YEAR, [window("06-01", "09-30"), window("08-15", "10-31"), window("01-01", "09-10")])
    assert dates(answer) == ("2027-08-15", "2027-09-10")


def test_windows_wrap_over_new_year_where_the_season_does():
    windows = [window("11-01", "03-15", SOUTH), window("12-20", "01-10", SOUTH)]
    assert dates(intersect_seasons(SOUTH, windows), SOUTH) == ("2026-12-20", "2027-01-10")


def test_both_ends_count():
    answer = intersect_seasons(YEAR, [window("06-01", "06-30"), window("06-30", "07-31")])
    assert dates(answer) == ("2027-06-30", "2027-06-30")


def test_no_date_names_the_pair_and_the_cheapest_relaxation():
    # 30 June to 5 July are five days apart, to 20 July twenty
    answer = intersect_seasons(YEAR, [window("05-01", "06-30"), window("07-05", "08-31"), window("01-01", "12-31")])
    assert "05-01 to 06-30 and 07-05 to 08-31 leave no day" in answer.refusal
    assert "by 5 days" in answer.refusal


def test_no_date_between_three_windows_of_which_any_two_meet():
    answer = intersect_seasons(YEAR, [window("01-01", "05-31"), window("05-01", "09-30"), window("09-15", "01-15")])
    assert answer.refusal.count(" to ") == 3 + answer.refusal.split("unlock")[1].count(" to ")


def test_a_window_that_the_season_does_not_reach_is_named_with_the_season():
    spring = Season(dt.date(2027, 3, 1), dt.date(2027, 6, 30), "spring 2027")
    answer = intersect_seasons(spring, [window("07-01", "09-30", spring)])
    assert answer.refusal == ("no date: 07-01 to 09-30 leaves no day of season spring 2027 (1 Mar to 30 Jun 2027)")


def test_a_survey_is_the_third_answer():
    nesting = NamedDays("nesting 04-15 to 07-31", ~window_days(YEAR, ("04-15", "07-31")), surveyable=True)
    answer = intersect_seasons(YEAR, [window("05-01", "06-30", own=True), nesting])
    assert answer.refusal == ""
    assert answer.notes[0] == "allowed if surveyed: nesting 04-15 to 07-31"
    assert dates(answer) == ("2027-05-01", "2027-06-30")


month_days = st.dates(dt.date(2000, 1, 1), dt.date(2000, 12, 31)).map(lambda day: f"{day:%m-%d}")
seasons = st.builds(
    lambda first, days: Season(first, first + dt.timedelta(days=days), "s"),
    st.dates(dt.date(2020, 1, 1), dt.date(2030, 12, 31)),
    st.integers(0, 365),
)


@given(seasons, st.lists(st.tuples(month_days, month_days), min_size=1, max_size=5))
def test_a_day_is_open_where_every_window_is(season, windows):
    """Each date by its own month and day, whatever the season: no arithmetic of windows on the way."""
    answer = intersect_seasons(season, [window(*pair, season) for pair in windows])
    assert len(answer.days) == (season.last - season.first).days + 1
    for place, is_open in enumerate(answer.days):
        label = f"{season.first + dt.timedelta(days=place):%m-%d}"
        inside = all(
            first <= label <= last if first <= last else label >= first or label <= last for first, last in windows
        )
        assert bool(is_open) == inside
    assert bool(answer.refusal) == (not answer.days.any())


@given(month_days, month_days, month_days, month_days)
def test_a_relaxation_really_unlocks(a, b, c, d):
    one, two = window(a, b), window(c, d)
    answer = intersect_seasons(YEAR, [one, two])
    if not answer.refusal or " by " not in answer.refusal:  # 29 February of a common year is no day at all
        return
    days = int(answer.refusal.split(" by ")[1].split(" ")[0])

    def grow(count):
        places = np.flatnonzero(one.days)[:, None] + np.arange(-count, count + 1)
        grown = np.zeros(YEAR.count, dtype=bool)
        grown[places[(places >= 0) & (places < YEAR.count)]] = True
        return grown

    assert (grow(days) & two.days).any()
    assert not (grow(days - 1) & two.days).any()


# ------------------------------------------------------------ through whole prescriptions

SPOT = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
season = ["06-01", "09-30"]
"""
CLOSURE = (
    '[[closure]]\nid = "nesting"\nseason = ["04-15", "09-30"]\nreason = "ground-nesting birds"\nsource = "invented"\n'
)


def unit(prescriber, treatments=SPOT, **options):
    result = prescriber.run(treatments=treatments, **options)
    return result.units.iloc[0]


def test_plant_stage_method_product_and_rule_windows_bind_together(prescriber):
    products = PRODUCTS.replace('id = "glyphosate-aquatic"', 'id = "glyphosate-aquatic"\nseason = ["01-01", "09-20"]')
    rules = (
        NO_RULES
        + '[[setback]]\nid = "BLOOM"\ndistance = "anywhere"\nforbids = { delivery = "spot" }\n'
        + 'season = ["05-15", "08-09"]\nsource = "invented"\n'
    )
    treatments = SPOT + 'windows = { "full leaf" = ["07-01", "09-25"] }\n'
    row = unit(prescriber, treatments, products=products, rules=rules)
    assert (row["season_from"], row["season_to"]) == ("2027-08-10", "2027-09-20")
    assert "days lost to BLOOM" in row["reason"]


def test_closure_of_the_site_leaves_no_date_and_says_what_would(prescriber):
    row = unit(prescriber, site=CLOSURE)
    assert row["status"] == "no_option"
    assert "closure nesting (ground-nesting birds), 15 Apr to 30 Sep" in row["reason"]
    # the window ends with the closure: one day later would do
    assert "by 1 day" in row["reason"]


def test_closure_that_a_survey_lifts(prescriber):
    row = unit(prescriber, site=CLOSURE.replace("[[closure]]", "[[closure]]\nunless_surveyed = true"))
    assert row["status"] == "planned"
    assert "allowed if surveyed: closure nesting" in row["reason"]


def test_setback_that_a_survey_lifts(prescriber):
    rules = (
        NO_RULES
        + '[[setback]]\nid = "NEST"\nfrom = { layer = "receptors" }\ndistance = "50 ft"\nforbids = {}\n'
        + 'season = ["04-15", "10-31"]\nunless_surveyed = true\nsource = "invented"\n'
    )
    nest = [{"kind": "nest", "name": "N1", "geometry": feet_box(0, 0, 500, 500)}]
    result = prescriber.run(treatments=SPOT, rules=rules, receptors=nest)
    assert result.units["status"].iloc[0] == "planned"
    assert "allowed if surveyed: NEST" in result.units["reason"].iloc[0]
    assert result.compliance["verdict"].tolist() == ["to do before work"]
