"""Earlier work of any year: intervals, yearly limits and counts look at full dates. Days and doses by hand."""

from __future__ import annotations

import pytest

from prescribe.conftest import SIDE_FT
from site_factory import feet_box

SOUTH = '{ from = 2026-10-01, to = 2027-09-30, name = "2026/27" }'
#: 300 L/ha x 2 % x 480 g/L are 2.88 kg ae/ha; 5 kg/ha a year are 57.6 % used.
PRODUCT = """
[[product]]
id = "glyphosate-metric"
active = "glyphosate"
form = "salt"
strength = "480 g/L"
aquatic_label = true
methods = {{ foliar_spot = ["0.5 %", "5 %"] }}
limit_per_year = "5 kg/ha"
{more}
source = "invented for tests"
"""
TREATMENT = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-metric"
concentration = "2 %"
spray_volume = "300 L/ha"
season = ["{first}", "{last}"]
"""


def record(date, dose=0.5):
    return {
        "product_id": "glyphosate-metric",
        "ae_kg_per_ha": dose,
        "date": date,
        "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT),
    }


def run(prescriber, *records, window=("10-15", "03-31"), season=SOUTH, more=""):
    return prescriber.run(
        treatments=TREATMENT.format(first=window[0], last=window[1]),
        products=PRODUCT.format(more=more),
        history=list(records),
        season=season,
        site='units = "metric"',
    )


def days(result):
    return tuple(result.units[["season_from", "season_to"]].iloc[0])


def test_an_interval_does_not_stop_at_new_year(prescriber):
    """20 December and 60 days: 11 to the end of December, 31 in January, 18 in February."""
    result = run(
        prescriber, record("2026-12-20"), season="2027", window=("01-01", "06-30"), more='min_interval = "60 days"'
    )
    assert days(result) == ("2027-02-18", "2027-06-30")
    assert (
        "days lost to interval of 60 days of glyphosate-metric after record 1 of 20 Dec 2026 (glyphosate-metric, "
        "0.5 kg ae/ha), not before 18 Feb 2027" in result.units["reason"].iloc[0]
    )


def test_an_interval_counts_within_a_season_over_new_year(prescriber):
    result = run(prescriber, record("2026-12-20"), more='min_interval = "60 days"')
    assert days(result) == ("2027-02-18", "2027-03-31")


def test_once_in_365_days_is_not_planned_again_in_the_window_it_was_used_in(prescriber):
    """From 20 November 2026 on a year is over on 20 November 2027, after the season."""
    result = run(prescriber, record("2026-11-20"), more='min_interval = "365 days"')
    assert result.units["status"].tolist() == ["no_option"]
    assert "not before 20 Nov 2027 leaves no day of season 2026/27" in result.units["reason"].iloc[0]


def test_an_interval_holds_before_a_record_from_after_the_season_too(prescriber):
    """60 days before 15 October 2027 are 16 August: 15 in October, 30 in September, 15 in August."""
    result = run(prescriber, record("2027-10-15"), window=("06-01", "09-30"), more='min_interval = "60 days"')
    assert days(result) == ("2027-06-01", "2027-08-16")


@pytest.mark.parametrize(
    ("date", "window", "planned"),
    [
        ("2026-11-20", ("10-15", "03-31"), False),  # in the season
        ("2026-09-30", ("10-15", "03-31"), False),  # before it, in the calendar year that the work may begin in
        ("2026-09-30", ("01-10", "03-31"), True),  # before it, and the work is all of the next calendar year
        ("2026-11-20", ("01-10", "03-31"), False),  # in the season, whatever calendar year
        ("2025-12-31", ("10-15", "03-31"), True),  # in no label year of the work
    ],
)
def test_a_yearly_limit_holds_over_the_season_and_over_each_calendar_year_of_the_work(
    prescriber, date, window, planned
):
    """3.0 applied and 2.88 asked are 5.88 of 5; 2.88 alone are 57.6 %."""
    result = run(prescriber, record(date, 3.0), window=window)
    assert (result.units["status"].iloc[0] == "planned") == planned
    if planned:
        assert result.units["annual_limit_used_pct"].iloc[0] == pytest.approx(57.6)
    else:
        assert "5.88 of 5 kg ae/ha (2.88 asked, 2 left after record 1" in result.units["reason"].iloc[0]


def test_records_of_two_label_years_are_not_added_up(prescriber):
    """1.5 in March 2026 (calendar year) and 1.5 in August 2027 (season): each leaves room, 4.38 of 5 are 87.6 %."""
    result = run(prescriber, record("2026-03-01", 1.5), record("2027-08-01", 1.5), window=("10-15", "12-31"))
    assert result.units["status"].tolist() == ["planned"]
    assert result.units["annual_limit_used_pct"].iloc[0] == pytest.approx(87.6)


@pytest.mark.parametrize(("date", "planned"), [("2026-11-20", False), ("2025-11-20", True)])
def test_a_count_of_applications_looks_at_dates(prescriber, date, planned):
    result = run(prescriber, record(date), more="max_applications_per_year = 1")
    assert (result.units["status"].iloc[0] == "planned") == planned


def test_a_rest_of_the_limit_is_planned_up_to_the_strictest_year(prescriber):
    """3.0 in the season leave 2.0, 2.5 in the calendar year 2026 leave 2.5: 2.0 are planned, 100 % used."""
    records = [record("2026-03-01", 2.5), record("2027-08-01", 3.0)]
    treatment = TREATMENT.format(first="10-15", last="12-31") + "up_to_limit = true\n"
    result = prescriber.run(
        treatments=treatment,
        products=PRODUCT.format(more=""),
        history=records,
        season=SOUTH,
        site='units = "metric"',
    )
    assert result.units["ae_kg_per_ha"].iloc[0] == pytest.approx(2.0)
    assert result.units["annual_limit_used_pct"].iloc[0] == pytest.approx(100.0)
