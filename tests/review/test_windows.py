"""Dates against windows of treatment, label, heat and closures; days counted by hand on a calendar."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import HEADER, make_delivered
from tussock.review.folder import run_checks
from tussock.review.seasons import find_planned

PRODUCT = {
    "id": "a",
    "active": "glyphosate",
    "form": "salt",
    "strength": "4 lb/gal",
    "aquatic_label": True,
    "methods": {"wick": ["20 %", "50 %"]},
}
TREATMENT = {
    "id": "t",
    "growth_form": ["herbaceous"],
    "method": "wick",
    "product": "a",
    "concentration": "33 %",
    "spray_volume": "2 gal/acre",
    "season": ["10-01", "03-31"],
}


def review_dates(first, last, *, product=PRODUCT, treatment=TREATMENT, site=None, reason=""):
    """Violations of the check of dates, as texts of what is expected."""
    unit = {"treatment_id": "t", "product_id": "a", "season_from": first, "season_to": last, "reason": reason}
    delivered = make_delivered(
        [unit | {"geometry": shapely.box(0, 0, 9, 9)}], products=[product], treatments=[treatment]
    )
    if site is not None:
        header = delivered.run["documents"][0]["content"]
        header |= {key: value for key, value in site.items() if key == "closure"}
        header["site"] |= {key: value for key, value in site.items() if key != "closure"}
    table = run_checks(delivered, only={"dates"})
    own = table[table["check"] == "dates"]
    return own.loc[own["level"] == "violation", "expected"].tolist()


SOUTH = {"season": {"from": "2027-07-01", "to": "2028-06-30", "name": "2027/28"}}


@pytest.mark.parametrize(
    ("first", "last", "inside"),
    [
        ("2027-10-01", "2028-03-31", True),
        ("2027-10-01", "2028-04-01", False),
        ("2027-09-30", "2027-12-31", False),
        ("2028-02-01", "2028-02-29", True),
        ("2027-12-31", "2028-01-01", True),
    ],
)
def test_a_window_over_new_year_counts_both_ends(first, last, inside):
    assert (review_dates(first, last, site=SOUTH) == []) == inside


@pytest.mark.parametrize(
    ("first", "last"), [("", ""), ("2027-11-31", "2027-12-01"), ("2027-12-01", "2027-11-01"), ("soon", "later")]
)
def test_what_is_no_pair_of_dates_is_found(first, last):
    assert review_dates(first, last) == ["two dates, such as 2027-07-01 and 2027-09-30"]


@pytest.mark.parametrize(
    ("first", "last"), [("2026-11-01", "2026-12-01"), ("2027-12-01", "2028-01-01"), ("2026-12-31", "2027-01-01")]
)
def test_dates_outside_the_season_are_found(first, last):
    assert review_dates(first, last) == ["within the season 2027"]


def test_dates_outside_a_season_of_two_years_are_found():
    expected = ["within the season 2027/28 (1 Jul 2027 to 30 Jun 2028)"]
    assert review_dates("2027-02-01", "2027-02-28", site=SOUTH) == expected
    assert review_dates("2028-12-01", "2028-12-31", site=SOUTH) == expected


def test_a_season_that_is_none_is_found():
    site = {"season": {"from": "2027-07-01", "to": "2026-06-30"}}
    delivered = make_delivered([{"geometry": shapely.box(0, 0, 9, 9)}])
    delivered.run["documents"][0]["content"]["site"] |= site
    table = run_checks(delivered, only={"run"})
    found = table.loc[table["level"] == "violation", "found"].str.cat(sep=" | ")
    assert "2026-06-30, before from, 2027-07-01" in found


@pytest.mark.parametrize(("valid_to", "accepted", "found"), [("2027-11-30", [], True), ("2027-11-30", ["s"], False)])
def test_days_outside_a_rule_set_are_found(valid_to, accepted, found):
    delivered = make_delivered(
        [
            {"treatment_id": "t", "product_id": "a", "season_from": "2027-11-01", "season_to": "2027-12-01"}
            | {"geometry": shapely.box(0, 0, 9, 9)}
        ],
        products=[PRODUCT],
        treatments=[TREATMENT],
        rules={"ruleset": HEADER | {"title": "s", "valid_to": valid_to}},
    )
    delivered.run["documents"][0]["content"]["site"]["accept_out_of_date"] = accepted
    table = run_checks(delivered, only={"dates"})
    wrong = table.loc[(table["check"] == "dates") & (table["level"] == "violation"), "expected"].tolist()
    assert wrong == (["within the days of rule set s, valid to 30 Nov 2027"] if found else [])


def test_label_heat_and_plant_stage_bind_too():
    spring = PRODUCT | {"season": ["11-01", "12-31"]}
    assert review_dates("2027-10-15", "2027-11-15", product=spring) == ["within 1 Nov to 31 Dec, the label of a"]
    hot = {"site": {"hot_season": ["12-20", "12-31"]}}["site"]
    warm = PRODUCT | {"heat_limit": "85 F"}
    assert review_dates("2027-12-01", "2027-12-25", product=warm, site=hot) == [
        "within outside the heat of 20 Dec to 31 Dec for a"
    ]
    assert review_dates("2027-12-01", "2027-12-25", site=hot) == []
    stage = TREATMENT | {"windows": {"flowering": ["10-05", "10-20"]}}
    assert review_dates("2027-10-01", "2027-10-10", treatment=stage) == ["within 5 Oct to 20 Oct, flowering"]


def test_a_closure_binds_unless_it_was_surveyed_and_said_so():
    closure = {"id": "C", "season": ["11-01", "11-30"], "reason": "hunting", "source": "invented for tests"}
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [closure]}) == [
        "within outside closure C, 1 Nov to 30 Nov"
    ]
    lifted = closure | {"unless_surveyed": True}
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [lifted]}) == ["allowed if surveyed"]
    said = "allowed if surveyed: closure C"
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [lifted]}, reason=said) == []


def test_a_stretch_is_read_day_by_day():
    """27 February to 1 March: three days in 2027, four in 2028, whose 29 February is a day of its own."""
    common, leap = (find_planned(f"{year}-02-27", f"{year}-03-01") for year in (2027, 2028))
    assert common is not None
    assert leap is not None
    assert common.month_days.tolist() == [227, 228, 301]
    assert leap.month_days.tolist() == [227, 228, 229, 301]
    assert (common.keeps(("02-01", "02-28")), common.meets(("02-29", "02-29")), leap.meets(("02-29", "02-29"))) == (
        False,
        False,
        True,
    )
    winter = find_planned("2027-12-30", "2028-01-02")
    assert winter is not None
    assert winter.month_days.tolist() == [1230, 1231, 101, 102]
    assert winter.keeps(("12-15", "01-31"))
    assert not winter.keeps(("01-01", "01-31"))
    assert not winter.meets(("02-01", "12-29"))
    assert winter.meets(None)
