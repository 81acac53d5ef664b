"""The review's own count of earlier work: intervals over New Year, limits by season and calendar year. All by hand."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import make_delivered, make_frame
from tussock.review.folder import run_checks

PRODUCT = {
    "id": "a",
    "active": "glyphosate",
    "form": "salt",
    "strength": "480 g/L",
    "aquatic_label": True,
    "methods": {"foliar_spot": ["0.5 %", "5 %"]},
    "limit_per_year": "5 kg/ha",
}
TREATMENT = {
    "id": "t",
    "growth_form": ["shrub"],
    "method": "foliar_spot",
    "product": "a",
    "concentration": "2 %",
    "spray_volume": "300 L/ha",
}
OUTLINE = shapely.box(0, 0, 200, 200)
SOUTH = {"from": "2026-10-01", "to": "2027-09-30", "name": "2026/27"}
LB_PER_ACRE = 0.45359237 / 0.40468564224


def check(date, first, last, *, season=SOUTH, dose=3.0, used=57.6, **product):
    """Violations of the limits: 300 L/ha x 2 % x 480 g/L are 2.88 kg ae/ha of 5."""
    unit = {
        "treatment_id": "t",
        "product_id": "a",
        "ae_lb_per_acre": 2.88 / LB_PER_ACRE,
        "season_from": first,
        "season_to": last,
        "annual_limit_used_pct": used,
        "geometry": OUTLINE,
    }
    delivered = make_delivered([unit], products=[PRODUCT | product], treatments=[TREATMENT])
    delivered.run["documents"][0]["content"]["site"]["season"] = season
    row = {"product_id": "a", "active": "glyphosate", "ae_kg_per_ha": dose, "date": date, "geometry": OUTLINE}
    delivered.layers["history"] = make_frame([row])
    table = run_checks(delivered, only={"limits"})
    own = table[(table["check"] == "limits") & (table["level"] == "violation")]
    return own["expected"].tolist()


def test_an_interval_that_new_year_was_to_end_is_found():
    """20 December and 60 days end on 18 February."""
    expected = ["not before 2027-02-18, the interval after 2026-12-20"]
    wait = {"min_interval": "60 days", "dose": 0.5}
    assert check("2026-12-20", "2027-01-01", "2027-06-30", season=2027, **wait) == expected
    assert check("2026-12-20", "2027-02-18", "2027-06-30", season=2027, **wait) == []
    assert check("2026-12-20", "2027-02-17", "2027-03-31", used=67.6, **wait) == expected


def test_an_interval_before_a_record_from_after_the_season_is_found():
    """60 days before 15 October are 16 August."""
    wait = {"min_interval": "60 days", "dose": 0.5, "used": 67.6}
    assert check("2027-10-15", "2027-06-01", "2027-08-17", **wait) == ["the interval before the record of 2027-10-15"]
    assert check("2027-10-15", "2027-06-01", "2027-08-16", **wait) == []


@pytest.mark.parametrize(
    ("date", "first", "last", "over"),
    [
        ("2026-11-20", "2026-10-15", "2027-03-31", True),
        ("2026-09-30", "2026-10-15", "2027-03-31", True),
        ("2026-09-30", "2027-01-10", "2027-03-31", False),
        ("2026-11-20", "2027-01-10", "2027-03-31", True),
        ("2025-12-31", "2026-10-15", "2027-03-31", False),
    ],
)
def test_a_limit_is_held_over_the_season_and_over_the_calendar_years_of_the_work(date, first, last, over):
    """3.0 applied and 2.88 planned are 5.88 of 5 kg/ha, and 117.6 % used."""
    limit = f"at most {5 / LB_PER_ACRE:.4g} lb ae/acre in the year"
    assert check(date, first, last) == ([limit, "117.6 %"] if over else [])


def test_the_number_of_applications_counts_records_of_the_season():
    once = {"max_applications_per_year": 1, "dose": 0.5}
    assert check("2026-11-20", "2027-01-10", "2027-03-31", used=67.6, **once) == ["at most 1 a year"]
    assert check("2025-11-20", "2027-01-10", "2027-03-31", **once) == []
