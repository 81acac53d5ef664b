"""Dates against windows of treatment, label, heat and closures; days counted by hand on a calendar."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import make_delivered
from tussock.review.folder import run_checks
from tussock.review.seasons import find_planned, find_window

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


@pytest.mark.parametrize(
    ("first", "last", "inside"),
    [
        ("2027-10-01", "2028-03-31", True),
        ("2027-10-01", "2028-04-01", False),
        ("2027-09-30", "2027-12-31", False),
        ("2027-02-01", "2027-02-28", True),
        ("2027-12-31", "2028-01-01", True),
    ],
)
def test_a_window_over_new_year_counts_both_ends(first, last, inside):
    assert (review_dates(first, last) == []) == inside


@pytest.mark.parametrize(
    ("first", "last"), [("", ""), ("2027-11-31", "2027-12-01"), ("2027-12-01", "2027-11-01"), ("soon", "later")]
)
def test_what_is_no_pair_of_dates_is_found(first, last):
    assert review_dates(first, last) == ["two dates, such as 2027-07-01 and 2027-09-30"]


def test_another_year_is_found():
    assert review_dates("2026-11-01", "2026-12-01") == ["a first day in 2027"]


def test_label_heat_and_plant_stage_bind_too():
    spring = PRODUCT | {"season": ["11-01", "12-31"]}
    assert review_dates("2027-10-15", "2027-11-15", product=spring) == ["within 11-01 to 12-31, the label of a"]
    hot = {"site": {"hot_season": ["12-20", "12-31"]}}["site"]
    warm = PRODUCT | {"heat_limit": "85 F"}
    assert review_dates("2027-12-01", "2027-12-25", product=warm, site=hot) == [
        "within outside the heat of 12-20 to 12-31 for a"
    ]
    assert review_dates("2027-12-01", "2027-12-25", site=hot) == []
    stage = TREATMENT | {"windows": {"flowering": ["10-05", "10-20"]}}
    assert review_dates("2027-10-01", "2027-10-10", treatment=stage) == ["within 10-05 to 10-20, flowering"]


def test_a_closure_binds_unless_it_was_surveyed_and_said_so():
    closure = {"id": "C", "season": ["11-01", "11-30"], "reason": "hunting", "source": "invented for tests"}
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [closure]}) == [
        "within outside closure C, 11-01 to 11-30"
    ]
    lifted = closure | {"unless_surveyed": True}
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [lifted]}) == ["allowed if surveyed"]
    said = "allowed if surveyed: closure C"
    assert review_dates("2027-11-10", "2027-12-01", site={"closure": [lifted]}, reason=said) == []


def test_days_are_counted_with_29_february_among_them():
    """1 March is day 61 of a leap year: 31 + 29 + 1."""
    assert int(find_window(("01-01", "03-01")).sum()) == 61
    assert int(find_window(("12-31", "01-01")).sum()) == 2
    assert int(find_window(None).sum()) == 366
    days = find_planned("2027-02-27", "2027-03-01")
    assert days is not None
    assert int(days.sum()) == 4
    whole = find_planned("2027-01-01", "2027-12-31")
    assert whole is not None
    assert whole.all()
