"""Years after the first, against a worked case: 6 h of searching each year, 40 h of treating in the first.

Each year finds what the kill of the years before has left, and searches all the ground again. The totals 72.6 h
(94 % kill) and 78.2 h (83 %) follow by hand: 5 x 6 + 40 (1 + r + r2 + r3 + r4).
"""

from __future__ import annotations

import tomllib

import pytest

from site_factory import NO_RULES, feet_box
from tussock.base.records import Operations
from tussock.budget.followup import find_years


@pytest.mark.parametrize(
    ("kill", "years", "total"),
    [(0.94, [46.0, 8.4, 6.1, 6.0, 6.0], 72.6), (0.83, [46.0, 12.8, 7.2, 6.2, 6.0], 78.2)],
)
def test_five_years_of_searching_and_treating(kill, years, total):
    found = find_years(6.0, 40.0, 1 - kill, 5)
    assert [round(hours, 1) for hours in found] == years
    assert round(sum(found), 1) == total
    left = 1 - kill
    assert sum(found) == pytest.approx(30 + 40 * (1 - left**5) / (1 - left))


def test_search_never_shrinks():
    assert min(find_years(6.0, 40.0, 0.01, 30)) >= 6.0


def test_visits_stop_after_quiet_years():
    """6 % regrowth: 100, 6, 0.36, 0.02, ... %; the third and fourth visit find less than 1 %, then visits stop."""
    found = find_years(6.0, 40.0, 0.06, 7, stop_below=0.01, stop_years=2)
    assert [hours > 0 for hours in found] == [True, True, True, True, False, False, False]


FOLLOW_UP = """
[followup]
years = 3
source = "invented for tests"
[[followup.regrowth]]
species = ["reed"]
share = "20 %"
source = "invented for tests"
"""


def test_years_of_a_planned_patch(sites, operations, time_model, treatments):
    rows = [
        {
            "patch_id": name,
            "species": name,
            "growth_form": "herbaceous",
            "cover_pct": 50,
            "geometry": feet_box(x, 0, x + 90, 90),
        }
        for name, x in (("reed", 0), ("thistle", 500))
    ]
    text = operations + time_model + FOLLOW_UP
    plan = sites.plan(rows, rules=NO_RULES, treatments=treatments, operations=text)
    table = plan.work["follow_up"].set_index(["patch_id", "year"])
    hours = plan.work["unit_hours"].set_index("patch_id")
    paid = 8 / 7  # paid hours for each hour on the site
    shrinking = sum(hours.loc["reed", f"{name}_hours"] for name in ("treating", "refill", "mixing")) * paid
    steady = hours.loc["reed", "crew_hours"] - shrinking
    assert table.loc[("reed", 1), "crew_hours"] == pytest.approx(hours.loc["reed", "crew_hours"])
    assert table.loc[("reed", 1), "cost"] == pytest.approx(hours.loc["reed", "cost"])
    assert table.loc[("reed", 3), "crew_hours"] == pytest.approx(steady + shrinking * 0.04)
    assert table.loc[("thistle", 2), "crew_hours"] != table.loc[("thistle", 2), "crew_hours"]  # blank: nobody knows
    assert plan.findings["what"].str.contains("no regrowth row fits 1 patch").any()


def test_regrowth_is_a_share():
    with pytest.raises(ValueError, match="more than the whole"):
        Operations.model_validate(tomllib.loads(FOLLOW_UP.replace("20 %", "120 %")))
