"""Mixes, crew days and purchases by hand."""

from __future__ import annotations

import tomllib

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import tussock
from site_factory import NO_RULES, feet_box
from tussock.base.records import Operations
from tussock.budget.loads import choose_packs, find_loads, find_mix_amounts, list_purchases


def test_a_mix_adds_up_and_its_last_load_is_partial():
    """10 gal at 2 % product, 1 % dye, 0.5 % adjuvant in a 4 gal sprayer: 4 + 4 + 2 gal, 0.08 and 0.04 gal product."""
    unit = {"spray_l": 10.0, "product_l": 0.2, "dye_l": 0.1, "adjuvant_l": 0.05, "carrier": "water"}
    amounts = find_mix_amounts(unit)
    assert amounts["water_l"] == pytest.approx(10 - 0.2 - 0.1 - 0.05)
    assert amounts["oil_l"] == 0
    loads = find_loads(amounts, 4.0)
    assert loads == pytest.approx(
        {"loads": 3, "full_load_l": 4, "last_load_l": 2, "product_per_load_l": 0.08, "product_last_load_l": 0.04}
    )


def test_partners_in_the_tank_displace_water():
    unit = {"spray_l": 10.0, "product_l": 0.2, "dye_l": 0.0, "adjuvant_l": 0.0, "carrier": "water"}
    amounts = find_mix_amounts(unit | {"partners_l": (("q", 0.1), ("r", 0.2))})
    assert (amounts["partner_l"], amounts["water_l"]) == (pytest.approx(0.3), pytest.approx(9.5))


def test_oil_carries_a_mix_in_oil():
    amounts = find_mix_amounts({"spray_l": 10.0, "product_l": 2.0, "dye_l": 0.1, "adjuvant_l": 0.0, "carrier": "oil"})
    assert (amounts["water_l"], amounts["oil_l"]) == (0, pytest.approx(7.9))


@pytest.mark.parametrize(
    ("need", "sizes", "packs"),
    [
        (6.0, [1.0, 2.5], {2.5: 2, 1.0: 1}),
        (5.5, [1.0, 2.5], {2.5: 1, 1.0: 3}),  # 5.5 to the drop; 3 x 2.5 would leave 2
        (0.1, [1.0], {1.0: 1}),
        (10.0, [2.5], {2.5: 4}),  # divides evenly: no fifth pack
        (0.0, [1.0], {}),
        (3.0, [], {}),
    ],
)
def test_packs_leave_least_over_then_are_fewest(need, sizes, packs):
    assert {size: count for size, count in choose_packs(need, sizes).items() if count} == packs


@given(st.floats(0.01, 60), st.sets(st.sampled_from([0.25, 0.5, 1.0, 2.5, 5.0]), min_size=1))
def test_packs_cover_the_need_and_leave_less_than_the_smallest(need, sizes):
    bought = sum(size * count for size, count in choose_packs(need, sorted(sizes)).items())
    assert need - 1e-6 <= bought < need + min(sizes) + 1e-6


def test_purchases_take_the_shelf_off_first():
    operations = Operations.model_validate(
        tomllib.loads(
            '[[price]]\nproduct = "p"\nprice = "10 USD/L"\npacks = ["1 L", "5 L"]\non_shelf = "0.5 L"\nsource = "x"'
        )
    )
    mixes = pd.DataFrame({"dye_l": [0.1, 0.1], "adjuvant_l": 0.0, "oil_l": 0.0})
    uses = pd.DataFrame({"product_id": ["p", "p", "q"], "product_l": [4.0, 3.0, 2.0]})
    rows = list_purchases(operations, uses, mixes, "metric").set_index("item")
    assert rows.loc["q", "needed_l"] == pytest.approx(2.0)
    product = rows.loc["p"]
    assert product[["needed_l", "on_shelf_l", "to_buy_l", "containers", "bought_l"]].tolist() == [7, 0.5, 6.5, 3, 7]
    assert product["packs"] == "1 x 5 l + 2 x 1 l"
    assert product["left_over_l"] == pytest.approx(0.5)
    assert product["cost"] == pytest.approx(70)
    assert rows.loc["dye", "to_buy_l"] == pytest.approx(0.2)  # no price, no pack: the exact need


def patch(name, x, size=200):
    shape = feet_box(x, 0, x + size, size)
    return {"patch_id": name, "species": "reed", "growth_form": "herbaceous", "cover_pct": 50, "geometry": shape}


def test_units_of_one_day_are_filled_from_the_same_loads(sites, operations, treatments):
    """Two patches of 200 x 200 ft, 0.918 acre, half infested: 9.18 gal each, on one day."""
    plan = sites.plan([patch("A", 0), patch("B", 500)], treatments=treatments, operations=operations, rules=NO_RULES)
    units, days = plan.work["unit_mixes"], plan.work["day_mixes"]
    mix = 200 * 200 / 43560 / 2 * 20
    assert units["mix_gal"].tolist() == pytest.approx([mix, mix], rel=1e-4)
    assert units["loads"].tolist() == [3, 3]
    assert len(days) == 1  # about 3.4 h each, 24 h in a crew day
    assert days.loc[0, "mix_gal"] == pytest.approx(2 * mix, rel=1e-4)
    assert days.loc[0, "loads"] == 5  # 18.4 gal in 4 gal, not 3 + 3
    assert days.loc[0, "last_load_gal"] == pytest.approx(2 * mix - 16, rel=1e-3)


def test_a_unit_without_a_stem_takes_no_mix_and_the_review_asks_for_none(sites, operations, tmp_path):
    """One tree in a patch that a rule cuts in two: it is counted on the larger piece, the other gets no mix."""
    treatment = """
[[treatment]]
id = "inject"
growth_form = ["tree"]
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "100 %"
dose_per_stem = "5 mL"
"""
    rules = NO_RULES + (
        '[[setback]]\nid = "NEAR"\nfrom = { layer = "water" }\ndistance = "50 ft"\n'
        'forbids = { delivery = "broadcast" }\nsource = "invented for tests"\n'
    )
    pace = operations + '[[production]]\nmethod = "stem_injection"\nstems = "60/hour"\nsource = "invented for tests"\n'
    pace += '[calendar]\nfirst = 2027-06-07\nlast = 2027-06-25\nsource = "invented for tests"\n'
    tree = patch("A", 0) | {"growth_form": "tree", "stem_count": 1}
    water = [{"kind": "pond", "state": "wet", "geometry": feet_box(-100, -100, 300, 0)}]
    plan = sites.plan([tree], water=water, rules=rules, treatments=treatment, operations=pace)
    assert sorted(plan.units["stems"].tolist()) == [0, 1]
    assert plan.work["calendar"]["crew_day"].notna().all()  # both stand on a day
    found = tussock.review_plan(plan.write(tmp_path / "plan"))
    assert found[found["level"] == "violation"].to_dict("records") == []


def test_mixes_of_different_strength_are_not_blended(sites, operations):
    """Two patches of 0.918 acre, half infested: 9.18 gal each at 20 gal/acre.

    4 % of a 4 lb/gal product at 20 gal/acre is 3.2 lb/acre. On B 6.4 of the 8 lb are used already, so 1.6 lb/acre are
    left: a mix of 2 %. One mix of 3 % for both would put 2.4 lb/acre on B, 8.8 of 8.
    """
    treatment = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "4 %"
spray_volume = "20 gal/acre"
equipment = "pack"
up_to_limit = true
"""
    record = {"product_id": "glyphosate-aquatic", "ae_lb_per_acre": 6.4, "date": "2027-04-15"}
    plan = sites.plan(
        [patch("A", 0), patch("B", 500)],
        treatments=treatment,
        operations=operations,
        rules=NO_RULES,
        history=[record | {"geometry": feet_box(480, -20, 720, 220)}],
    )
    days = plan.work["day_mixes"]
    assert len(days["crew_day"].unique()) == 1
    assert sorted(days["concentration_pct"].tolist()) == pytest.approx([2, 4])
    gallons = 200 * 200 / 43560 / 2 * 20
    assert days["mix_gal"].tolist() == pytest.approx([gallons] * 2, rel=1e-4)
    ounces = sorted(days["product_fl_oz"].tolist())
    assert ounces == pytest.approx([gallons * 0.02 * 128, gallons * 0.04 * 128], rel=1e-4)
