"""Windows that must share a day. Expectations are counted on a calendar by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from site_factory import NO_RULES, PRODUCTS, feet_box
from tussock.base import days as day_tools
from tussock.prescribe.seasons import NamedDays, intersect_seasons


def window(first, last, **more):
    return NamedDays(f"{first} to {last}", day_tools.window_days((first, last)), **more)


def dates(answer):
    run = day_tools.longest_run(answer.days)
    return tuple(day_tools.day_label(place) for place in run)


def test_windows_are_intersected():
    answer = intersect_seasons([window("06-01", "09-30"), window("08-15", "10-31"), window("01-01", "09-10")])
    assert dates(answer) == ("08-15", "09-10")


def test_windows_wrap_over_new_year():
    answer = intersect_seasons([window("11-01", "03-15"), window("12-20", "01-10")])
    assert dates(answer) == ("12-20", "01-10")
    first, last = day_tools.run_dates(day_tools.longest_run(answer.days), 2027)
    assert (first, last) == (dt.date(2027, 12, 20), dt.date(2028, 1, 10))


def test_both_ends_count():
    assert dates(intersect_seasons([window("06-01", "06-30"), window("06-30", "07-31")])) == ("06-30", "06-30")


def test_no_date_names_the_pair_and_the_cheapest_relaxation():
    # 30 June to 5 July are five days apart, to 20 July twenty
    answer = intersect_seasons([window("05-01", "06-30"), window("07-05", "08-31"), window("01-01", "12-31")])
    assert "05-01 to 06-30 and 07-05 to 08-31 leave no day" in answer.refusal
    assert "by 5 days" in answer.refusal


def test_no_date_between_three_windows_of_which_any_two_meet():
    answer = intersect_seasons([window("01-01", "05-31"), window("05-01", "09-30"), window("09-15", "01-15")])
    assert answer.refusal.count(" to ") == 3 + answer.refusal.split("unlock")[1].count(" to ")


def test_a_survey_is_the_third_answer():
    nesting = NamedDays("nesting 04-15 to 07-31", ~day_tools.window_days(("04-15", "07-31")), surveyable=True)
    answer = intersect_seasons([window("05-01", "06-30", own=True), nesting])
    assert answer.refusal == ""
    assert answer.notes[0] == "allowed if surveyed: nesting 04-15 to 07-31"
    assert dates(answer) == ("05-01", "06-30")


@pytest.mark.parametrize("text", ["09-31", "02-30", "13-01", "9-1", "", 901, None])
def test_impossible_days_are_refused(text):
    with pytest.raises(ValueError, match="MM-DD"):
        day_tools.day_index(text)


day_texts = st.dates(dt.date(2000, 1, 1), dt.date(2000, 12, 31)).map(lambda day: f"{day:%m-%d}")


@given(st.lists(st.tuples(day_texts, day_texts), min_size=1, max_size=5))
def test_a_day_is_open_where_every_window_is(windows):
    answer = intersect_seasons([window(*pair) for pair in windows])
    for place in range(0, 366, 7):
        label = day_tools.day_label(place)
        inside = all(
            first <= label <= last if first <= last else label >= first or label <= last for first, last in windows
        )
        assert bool(answer.days[place]) == inside
    assert bool(answer.refusal) == (not answer.days.any())


@given(day_texts, day_texts, day_texts, day_texts)
def test_a_relaxation_really_unlocks(a, b, c, d):
    one, two = window(a, b), window(c, d)
    answer = intersect_seasons([one, two])
    if not answer.refusal:
        return
    days = int(answer.refusal.split(" by ")[1].split(" ")[0])
    grown = one.days.copy()
    for _ in range(days):
        grown |= np.roll(grown, 1) | np.roll(grown, -1)
    shrunk = one.days.copy()
    for _ in range(days - 1):
        shrunk |= np.roll(shrunk, 1) | np.roll(shrunk, -1)
    assert (grown & two.days).any()
    assert not (shrunk & two.days).any()


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
    assert "closure nesting (ground-nesting birds), 04-15 to 09-30" in row["reason"]
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
