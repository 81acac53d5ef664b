"""Every product in a tank counts by itself: liters, acid equivalent and money, in units, patches, products and season.

One acre, half of it infested, at 20 gal/acre is 10 gal of mix. Prices are invented.
"""

from __future__ import annotations

import pandas as pd
import pytest

import tussock
from site_factory import NO_RULES, Sites, feet_box
from tussock.budget.units import unit_amount

TREATMENTS = """
[[treatment]]
id = "mix"
species = ["reed"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
tank_mix = [
    { product = "imazapyr-aquatic", concentration = "1 %" },
    { product = "triclopyr-amine-aquatic", concentration = "1.5 %" },
]
spray_volume = "20 gal/acre"
equipment = "pack"

[[treatment]]
id = "alone"
species = ["fern"]
method = "foliar_spot"
product = "imazapyr-aquatic"
concentration = "1 %"
spray_volume = "20 gal/acre"
equipment = "pack"

[[treatment]]
id = "weakened"
species = ["thistle"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "4 %"
tank_mix = [
    { product = "imazapyr-aquatic", concentration = "0.6 %" },
    { product = "triclopyr-amine-aquatic", concentration = "3 %" },
]
spray_volume = "100 gal/acre"
up_to_limit = true
equipment = "pack"
"""
PRICES = """
[[price]]
product = "imazapyr-aquatic"
price = "160 USD/gal"
source = "invented for tests"

[[price]]
product = "triclopyr-amine-aquatic"
price = "90 USD/gal"
source = "invented for tests"
"""


def acre(species, place, cover=50):
    west = place * 600
    shape = feet_box(west, 0, west + 435.6, 100)
    return {"patch_id": species, "species": species, "growth_form": "herbaceous", "cover_pct": cover, "geometry": shape}


@pytest.fixture(scope="module")
def plan(tmp_path_factory, operations):
    sites = Sites(tmp_path_factory.mktemp("tanks"))
    rows = [acre("reed", 0, "25-75"), acre("fern", 1), acre("thistle", 2)]
    return sites.plan(rows, rules=NO_RULES, treatments=TREATMENTS, operations=operations + PRICES)


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    return plan.write(tmp_path_factory.mktemp("written") / "plan")


def test_a_unit_costs_what_is_in_its_tank(plan):
    """2 % of 10 gal at 40 USD, 1 % at 160 and 1.5 % at 90: 8 + 16 + 13.50 USD; 0.1 x 2 + 0.15 x 3 lb of partners."""
    unit = plan.units.set_index("patch_id").loc["reed"]
    assert unit["product_fl_oz"] == pytest.approx(0.2 * 128, rel=1e-5)
    assert unit["ae_lb"] == pytest.approx(0.2 * 4, rel=1e-5)
    assert unit["partner_fl_oz"] == pytest.approx((0.1 + 0.15) * 128, rel=1e-5)
    assert unit["partner_ae_lb"] == pytest.approx(0.1 * 2 + 0.15 * 3, rel=1e-5)
    assert unit["product_cost"] == pytest.approx(8 + 16 + 13.5, rel=1e-5)
    assert unit["cost"] == pytest.approx(unit[["labour_cost", "product_cost", "equipment_cost"]].sum())


def test_a_product_counts_alone_and_as_a_partner(plan):
    """Imazapyr: 0.1 gal beside glyphosate, 0.1 gal alone, and 0.6 % of the 50 gal on the third patch: 0.3 gal."""
    row = plan.product_budget.set_index("product_id").loc["imazapyr-aquatic"]
    assert row["unit_count"] == 3
    assert row["area_acre"] == pytest.approx(3, rel=1e-5)
    assert row["spray_gal"] == pytest.approx(10 + 10 + 50, rel=1e-5)
    assert row["product_gal"] == pytest.approx(0.1 + 0.1 + 0.3, rel=1e-5)
    assert row["ae_lb"] == pytest.approx((0.1 + 0.1 + 0.3) * 2, rel=1e-5)
    assert row["product_cost"] == pytest.approx(0.5 * 160, rel=1e-5)


def test_a_weakened_mix_counts_what_the_limit_leaves(plan):
    """100 gal/acre: 4 % x 4 lb/gal is 16 of 8 lb/acre, so 2 %; 3 % x 3 is 9 of 8, so 2 2/3 %; 0.6 % x 2 is within 1.5."""
    unit = plan.units.set_index("patch_id").loc["thistle"]
    assert unit["product_fl_oz"] == pytest.approx(50 * 0.02 * 128, rel=1e-5)
    assert unit["partner_fl_oz"] == pytest.approx(50 * (0.006 + 0.08 / 3) * 128, rel=1e-5)
    row = plan.product_budget.set_index("product_id").loc["triclopyr-amine-aquatic"]
    assert row["product_gal"] == pytest.approx(0.15 + 50 * 0.08 / 3, rel=1e-5)
    mix = plan.work["unit_mixes"].set_index("patch_id").loc["thistle"]
    assert mix["partner_fl_oz"] == pytest.approx(unit["partner_fl_oz"])
    assert mix["water_gal"] == pytest.approx(50 * (1 - 0.02 - 0.006 - 0.08 / 3), rel=1e-5)


def test_season_patches_units_and_products_add_up_to_the_same(plan):
    season = plan.season.set_index("item")["likely"]
    units, products = plan.units, plan.product_budget
    tank = (units["product_fl_oz"] + units["partner_fl_oz"]).sum() / 128
    for total in (plan.patches["product_gal"].sum(), products["product_gal"].sum(), tank):
        assert total == pytest.approx(season["product"], rel=1e-12)
    for total in (
        plan.patches["ae_lb"].sum(),
        products["ae_lb"].sum(),
        (units["ae_lb"] + units["partner_ae_lb"]).sum(),
    ):
        assert total == pytest.approx(season["acid equivalent"], rel=1e-12)
    for total in (units["product_cost"].sum(), products["product_cost"].sum()):
        assert total == pytest.approx(season["product cost"], rel=1e-12)
    assert units["cost"].sum() == pytest.approx(plan.patches["cost"].sum(), rel=1e-12)
    assert plan.patches["cost"].sum() == pytest.approx(season["cost"], rel=1e-12)
    needed = plan.work["purchases"].set_index("item")["needed_gal"]
    assert needed.to_dict() == pytest.approx(products.set_index("product_id")["product_gal"].to_dict(), rel=1e-12)


def test_partners_move_with_cover(plan):
    """25 to 75 % of an acre: 5 and 15 gal of mix, 4.5 % of it product; money for it 37.50 USD a 10 gal."""
    patch = plan.patches.set_index("patch_id").loc["reed"]
    ends = patch[["product_low_gal", "product_gal", "product_high_gal"]]
    assert ends.tolist() == pytest.approx([5 * 0.045, 10 * 0.045, 15 * 0.045], rel=1e-5)
    cost = plan.season.set_index("item").loc["product cost"]
    assert cost["high"] - cost["likely"] == pytest.approx(37.5 / 2, rel=1e-5)


def test_a_partner_without_a_price_leaves_the_cost_of_its_units_blank(sites, operations):
    plan = sites.plan([acre("reed", 0), acre("fern", 1)], rules=NO_RULES, treatments=TREATMENTS, operations=operations)
    assert plan.units[["product_cost", "cost"]].isna().all(axis=None)
    assert (plan.units["crew_hours"] > 0).all()
    said = plan.findings.loc[plan.findings["stage"] == "budget", "row"].tolist()
    assert {'price of "imazapyr-aquatic"', 'price of "triclopyr-amine-aquatic"'} <= set(said)


def test_partners_displace_the_oil_that_carries_them():
    unit = {"spray_l": 10.0, "product_l": 2.0, "partners_l": (("q", 1.0),), "dye_l": 0.1, "carrier": "oil"}
    assert unit_amount(unit, "oil") == pytest.approx(6.9)


# ------------------------------------------------------------ the review finds the same on its own path


def find_violations(folder):
    table = tussock.review_plan(folder)
    return table[(table["level"] == "violation") & (table["check"] != "files")]


def test_the_review_agrees(folder):
    assert find_violations(folder).to_dict("records") == []


@pytest.mark.parametrize("column", ["product_gal", "ae_lb", "product_cost", "unit_count"])
def test_a_partner_missing_in_a_product_row_is_found(folder, column, tmp_path):
    import shutil

    copy = shutil.copytree(folder, tmp_path / "plan")
    table = pd.read_csv(copy / "product_budget.csv").set_index("product_id")
    alone = {"product_gal": 0.1, "ae_lb": 0.2, "product_cost": 16.0, "unit_count": 1}
    table.loc["imazapyr-aquatic", column] = alone[column]
    table.to_csv(copy / "product_budget.csv")
    found = find_violations(copy)
    assert any(where.startswith("product imazapyr-aquatic, ") for where in found["where"])


def test_a_product_that_is_only_a_partner_needs_its_row(folder, tmp_path):
    import shutil

    copy = shutil.copytree(folder, tmp_path / "plan")
    table = pd.read_csv(copy / "product_budget.csv").set_index("product_id")
    table.drop(index="triclopyr-amine-aquatic").to_csv(copy / "product_budget.csv")
    found = find_violations(copy)
    assert found["found"].str.contains("triclopyr-amine-aquatic not in product_budget.csv").any()
