"""Money, the bid schedule, and what must add up: season = patches = units = products."""

from __future__ import annotations

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from site_factory import FOOT_M, feet_box

MONEY = """
[money]
mobilisation = "500 USD"
contingency = "10 %"
source = "invented for tests"
[calendar]
first = 2027-06-01
last = 2027-09-30
source = "invented for tests"
[[price]]
product = "dye"
price = "50 USD/gal"
source = "invented for tests"
"""
CREEK = {"kind": "stream", "state": "wet", "width_ft": 10.0, "geometry": shapely.LineString([(0, -200), (0, 200)])}
YARD = {"kind": "parking", "name": "yard", "geometry": shapely.Point(900 * FOOT_M, 0)}


def patch(name, x, cover=50):
    shape = feet_box(x, 0, x + 300, 150)
    return {"patch_id": name, "species": "reed", "growth_form": "herbaceous", "cover_pct": cover, "geometry": shape}


@pytest.fixture
def plan(sites, operations, time_model, treatments, no_spray):
    rows = [patch("P1", 20), patch("P2", 500, "25-75"), patch("P3", 1200, 80)]
    text = operations + time_model + MONEY
    return sites.plan(rows, water=[CREEK], access=[YARD], rules=no_spray(100), treatments=treatments, operations=text)


def test_season_is_the_sum_of_patches_of_units_and_of_products(plan):
    season = plan.season.set_index("item")["likely"]
    work = plan.work
    for item, column in (("crew time", "crew_hours"), ("cost", "cost"), ("spray volume", "spray_gal")):
        assert plan.patches[column].sum() == pytest.approx(season[item], rel=1e-12)
        assert plan.units[column].sum() == pytest.approx(season[item], rel=1e-12)
    hours = work["unit_hours"]
    terms = [
        "setup",
        "walk_in",
        "search",
        "treating",
        "refill",
        "mixing",
        "flagging",
        "cleaning",
        "records",
        "travel",
        "breaks",
    ]
    assert sum(hours[f"{term}_hours"].sum() for term in terms) == pytest.approx(season["crew time"], rel=1e-12)
    parts = season[["labour", "product cost", "equipment", "supplies"]]
    assert parts.sum() == pytest.approx(season["cost"], rel=1e-12)
    products = plan.product_budget
    assert products["product_gal"].sum() == pytest.approx(season["product"], rel=1e-12)
    assert products["product_cost"].sum() == pytest.approx(season["product cost"], rel=1e-12)
    for name in ("unit_mixes", "day_mixes"):
        assert work[name]["mix_gal"].sum() == pytest.approx(season["spray volume"], rel=1e-9)
        assert work[name]["product_fl_oz"].sum() / 128 == pytest.approx(season["product"], rel=1e-9)
    bought = work["purchases"].set_index("item")
    assert bought.loc["glyphosate-aquatic", "needed_gal"] == pytest.approx(season["product"], rel=1e-12)
    calendar = work["calendar"]
    assert calendar["crew_day"].notna().all()
    assert calendar["crew_hours"].sum() == pytest.approx(season["crew time"], rel=1e-9)


def test_mobilisation_and_contingency_come_on_top(plan):
    money = plan.work["money"].set_index("item")
    cost = plan.season.set_index("item").loc["cost"]
    for end in ("low", "likely", "high"):
        assert money.loc["work", end] == pytest.approx(cost[end])
        assert money.loc["contingency", end] == pytest.approx(0.1 * (cost[end] + 500))
        assert money.loc["total", end] == pytest.approx(1.1 * (cost[end] + 500))
    assert money.loc["total", "low"] < money.loc["total", "likely"] < money.loc["total", "high"]


def test_bid_schedule_lists_what_is_priced(plan):
    bid = plan.work["bid_schedule"].set_index("item")
    units = plan.units
    sprayed = units.loc[units["method"] == "foliar_spot", "area_acre"].sum()
    assert bid.loc["treatment: foliar spot (spot)", ["unit", "quantity"]].tolist() == ["acre", pytest.approx(sprayed)]
    # the setback edge runs 100 ft from the creek's edge, 105 ft from its line: 150 ft long across P1
    assert bid.loc["setback edge flagged", "quantity"] == pytest.approx(150, rel=1e-3)
    assert bid.loc["mobilisation", ["unit", "quantity"]].tolist() == ["lump sum", 1]
    assert bid["unit_price"].isna().all()


def test_metric_tables_hold_the_same_plan(sites, operations, time_model, treatments, no_spray):
    rows, text = [patch("P1", 20), patch("P2", 500)], operations + time_model + MONEY
    options = {"water": [CREEK], "access": [YARD], "rules": no_spray(100), "treatments": treatments, "operations": text}
    us, metric = (sites.plan(rows, site=f'units = "{units}"', **options) for units in ("us", "metric"))
    first, second = us.work["unit_hours"], metric.work["unit_hours"]
    assert second["walk_m"].tolist() == pytest.approx((first["walk_ft"] * FOOT_M).tolist())
    assert second["crew_hours"].tolist() == pytest.approx(first["crew_hours"].tolist())
    mixes = us.work["unit_mixes"]["mix_gal"] * 3.785411784
    assert metric.work["unit_mixes"]["mix_l"].tolist() == pytest.approx(mixes.tolist())


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cover=st.integers(1, 90), more=st.integers(1, 10))
def test_more_cover_never_costs_less(sites, operations, time_model, treatments, cover, more, no_spray):
    text = operations + time_model
    cost = []
    for share in (cover, cover + more):
        plan = sites.plan(
            [patch("P1", 20, share)], access=[YARD], rules=no_spray(100), treatments=treatments, operations=text
        )
        cost.append(plan.patches.loc[0, ["cost", "crew_hours", "product_gal"]])
        for name in ("infestations", "water", "access"):
            (sites.folder / f"{name}.gpkg").unlink()
    assert (cost[1] >= cost[0]).all()


def test_work_that_the_calendar_does_not_hold_is_named(sites, operations, time_model, treatments, no_spray):
    """P1 fits 12 crew hours, P2 does not; nobody knows the cover of P3."""
    rows = [patch("P1", 20), patch("P2", 500), patch("P3", 1200, None)]
    text = operations + time_model + MONEY.replace("contingency", 'budget_hours = "12 hours"\ncontingency')
    text += '[priorities]\nsource = "invented for tests"\n'
    plan = sites.plan(rows, access=[YARD], rules=no_spray(100), treatments=treatments, operations=text)
    assert set(plan.work["calendar"]["patch_id"]) == {"P1"}
    said = plan.findings[plan.findings["layer"] == "calendar"].set_index("row")["what"]
    assert said["cut line"] == "below the cut line: 1 patch: P2"
    assert said["hours"] == "1 unit without known hours: P3-01"


def test_sums_say_which_units_they_leave_out(sites, operations, treatments):
    """No price for what P1 is sprayed with: the cost of the season is that of P2 alone, and nothing hides it."""
    rows = [patch("P1", 20), patch("P2", 500) | {"species": "fern"}]
    text = operations.replace('product = "glyphosate-aquatic"', 'product = "glyphosate-upland"')
    text += '[money]\nmobilisation = "500 USD"\nsource = "invented for tests"\n'
    only = treatments.replace('id = "spot"\n', 'id = "spot"\nspecies = ["reed"]\n')
    plan = sites.plan(rows, treatments=only, operations=text)
    cost = plan.patches.set_index("patch_id")["cost"]
    money = plan.work["money"].set_index("item")
    assert cost.isna().to_dict() == {"P1": True, "P2": False}
    assert money.loc["total", "likely"] == pytest.approx(cost["P2"] + 500)
    left_out = money.loc["units whose cost is not known: not in work, contingency and total"]
    assert left_out[["low", "likely", "high", "unit"]].tolist() == [1, 1, 1, "count"]
    said = plan.findings[plan.findings["row"] == "cost"]
    assert said["what"].tolist() == ["1 planned units whose cost is not known: P1-01"]


def test_a_budget_that_mobilisation_uses_up_is_said(sites, operations, treatments):
    text = operations + '[money]\nmobilisation = "500 USD"\nbudget = "300 USD"\nsource = "x"\n'
    text += '[priorities]\nsource = "x"\n'
    plan = sites.plan([patch("P1", 20)], treatments=treatments, operations=text)
    assert plan.work["priorities"]["line"].tolist() == ["out"]
    said = plan.findings[plan.findings["row"] == "money.budget"]
    assert said["what"].tolist() == ["the budget does not reach beyond mobilisation and contingency"]
