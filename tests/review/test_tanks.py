"""Partners in a tank count like the first product: for setbacks, water, labels, listings and limits."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import HEADER, make_delivered, make_frame
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.folder import run_checks
from tussock.review.uses_on_ground import Ledger

PRODUCTS = [
    {
        "id": "a",
        "active": "glyphosate",
        "form": "salt",
        "strength": "4 lb/gal",
        "aquatic_label": True,
        "methods": {"foliar_spot": ["0.5 %", "5 %"]},
        "limit_per_year": "8 lb/acre",
    },
    {
        "id": "b",
        "active": "triclopyr",
        "form": "ester",
        "strength": "4 lb/gal",
        "aquatic_label": False,
        "methods": {"foliar_spot": ["0.5 %", "5 %"]},
        "limit_per_year": "1 lb/acre",
    },
]
TREATMENT = {
    "id": "t",
    "growth_form": ["herbaceous"],
    "method": "foliar_spot",
    "product": "a",
    "concentration": "2 %",
    "tank_mix": [{"product": "b", "concentration": "1 %"}],
    "spray_volume": "20 gal/acre",
}
POND = {"geometry": shapely.box(0, -60, 200, 0)}
LB_PER_ACRE = 0.45359237 / 0.40468564224


def review(unit, only, treatment=TREATMENT, **options):
    """Violations of one check on one unit that is planned with the tank mix; 20 gal x 2 % x 4 lb/gal = 1.6 lb/acre."""
    row = {
        "treatment_id": "t",
        "method": "foliar_spot",
        "product_id": "a",
        "ae_lb_per_acre": 1.6,
        "tank_mix": "b: 25.6 fl oz (1 %)",
        "spray_gal": 20.0,
        "geometry": shapely.box(0, 10, 100, 60),
    }
    delivered = make_delivered([row | unit], products=PRODUCTS, treatments=[treatment], **options)
    table = run_checks(delivered, only={only})
    return table[(table["check"] == only) & (table["level"] == "violation")]


def test_a_partner_that_a_setback_forbids_is_found():
    rule = {"id": "R", "from": {"layer": "water"}, "distance": "50 ft", "forbids": {"form": "ester"}}
    found = review({}, "forbidden", water=[POND], setbacks=[rule])
    assert found["where"].tolist() == ["unit P0-01, setback R"]


def test_a_partner_without_an_aquatic_label_in_water_is_found():
    wet = {"geometry": shapely.box(0, -20, 100, 30)}
    found = review(wet, "label", water=[POND], setbacks=[])
    assert found["found"].str.contains("of water").any()
    assert not review({}, "label", water=[POND])["found"].str.contains("of water").any()


def test_a_partner_that_is_not_listed_is_found():
    rules = {"ruleset": HEADER | {"listed_only": True}, "listed": [{"active": "glyphosate"}]}
    found = review({}, "listed", rules=rules)
    assert found["found"].str.contains("triclopyr").tolist() == [True]


def test_a_partner_over_its_yearly_limit_is_found():
    """20 gal x 1 % x 4 lb/gal = 0.8 lb/acre keep 1 lb/acre; 1.5 % are 1.2 lb/acre and do not."""
    assert not review({}, "limits")["found"].str.contains("triclopyr").any()
    heavier = TREATMENT | {"tank_mix": [{"product": "b", "concentration": "1.5 %"}]}
    found = review({"tank_mix": "b: 38.4 fl oz (1.5 %)"}, "limits", heavier)
    assert found.loc[found["where"] == "unit P0-01, b", "found"].str.startswith("1.2 lb ae/acre of triclopyr").all()
    assert found.loc[found["where"] == "unit P0-01, b", "expected"].tolist() == ["at most 1 lb ae/acre in the year"]


TWIN = PRODUCTS[0] | {"id": "c", "form": "acid", "active": "Glyphosate"}
TWO_OF_ONE = TREATMENT | {
    "concentration": "5 %",
    "tank_mix": [{"product": "c", "concentration": "5 %"}],
    "spray_volume": "25 gal/acre",
}
HALF = {"ae_lb_per_acre": 5.0, "tank_mix": "c: 160 fl oz (5 %)", "spray_gal": 25.0, "annual_limit_used_pct": 62.5}


def review_twins(units, products, treatments=(TWO_OF_ONE,)):
    rows = [
        {"treatment_id": "t", "method": "foliar_spot", "product_id": "a", "geometry": shapely.box(0, 10, 100, 60)}
        | unit
        for unit in units
    ]
    table = run_checks(make_delivered(rows, products=products, treatments=treatments), only={"limits"})
    return table[table["level"] == "violation"]


def test_two_products_of_one_acid_in_a_tank_are_added():
    """25 gal x (5 % + 5 %) x 4 lb/gal = 5 + 5 = 10 of 8 lb/acre: 125 %, and not 62.5 %."""
    found = review_twins([HALF], [PRODUCTS[0], TWIN])
    year = found[found["expected"] == "at most 8 lb ae/acre in the year"]
    assert year["found"].str.startswith("10 lb ae/acre of glyphosate").tolist() == [True, True]
    used = found[found["where"] == "unit P0-01, annual_limit_used_pct"]
    assert used[["found", "expected"]].to_numpy().tolist() == [["62.5 %", "125 %"]]


def test_a_tank_over_the_limit_of_one_application_is_found():
    """5 + 5 = 10 lb/acre in one application, of 9; the yearly limit of 12 holds."""
    own = [item | {"limit_per_year": "12 lb/acre"} for item in (PRODUCTS[0], TWIN)]
    found = review_twins(
        [HALF | {"annual_limit_used_pct": 250 / 3}], [own[0], own[1] | {"limit_per_application": "9 lb/acre"}]
    )
    assert found["where"].tolist() == ["unit P0-01, c"]
    assert found["expected"].tolist() == ["at most 9 lb ae/acre in one application"]


def test_the_whole_tank_of_another_patch_is_counted():
    """20 gal x (2.5 % + 2.5 %) x 4 lb/gal = 2 + 2 on one patch, 25 x 5 % x 4 = 5 on the other: 9 of 8 lb/acre.

    With the larger product of the tank alone it would be 7.
    """
    light = {"concentration": "2.5 %", "spray_volume": "20 gal/acre"}
    tank = TWO_OF_ONE | light | {"tank_mix": [{"product": "c", "concentration": "2.5 %"}]}
    alone = TWO_OF_ONE | {"id": "s", "tank_mix": []}
    units = [
        {"ae_lb_per_acre": 2.0, "spray_gal": 20.0, "tank_mix": "c: 64 fl oz (2.5 %)"},
        {"ae_lb_per_acre": 5.0, "treatment_id": "s"},
    ]
    found = review_twins(units, [PRODUCTS[0], TWIN], [tank, alone])
    year = found[found["expected"] == "at most 8 lb ae/acre in the year"]
    assert year["where"].tolist() == ["unit P0-01, a", "unit P0-01, c", "unit P1-01, a"]
    assert year["found"].str.startswith("9 lb ae/acre").all()


@pytest.mark.parametrize("text", ["", "b: 25.6 fl oz (1.2 %)", "b: 20 fl oz (1 %)", "c: 25.6 fl oz (1 %)", "some b"])
def test_partners_that_are_not_those_of_the_treatment_are_found(text):
    found = review({"tank_mix": text}, "doses")
    assert "unit P0-01, tank_mix" in found["where"].tolist()


def test_the_right_partners_are_no_finding():
    assert "unit P0-01, tank_mix" not in review({}, "doses")["where"].tolist()


def test_parts_over_the_whole_of_a_mix_are_found():
    """20 gal of mix are 2,560 fl oz: 51.2 of product, 25.6 of the partner, 2,500 of dye are 2,576.8, or 100.65625 %."""
    whole = {"product_fl_oz": 51.2, "partner_fl_oz": 25.6, "dye_fl_oz": 2483.2}
    assert "unit P0-01, mix" not in review(whole, "doses")["where"].tolist()  # 2,560 of 2,560
    found = review(whole | {"dye_fl_oz": 2500.0}, "doses").set_index("where").loc["unit P0-01, mix"]
    assert found["found"] == "100.656250% of it is product, dye and adjuvant"


def test_a_treatment_over_the_whole_in_the_documents_is_found():
    """2 % + 1 % + 98 % of dye: no plan can have been made by it."""
    found = review({}, "run", TREATMENT | {"dye": "98 %"})
    assert found["found"].str.contains(r"concentration 2 % \+ dye 98 % \+ tank_mix \(b\) 1 % = 101 % of the mix").any()


def test_doses_of_a_tank_follow_from_the_shares():
    row = {
        "treatment_id": "t",
        "ae_lb_per_acre": 1.6,
        "tank_mix": "b: 25.6 fl oz (1 %)",
        "geometry": shapely.box(0, 0, 9, 9),
    }
    delivered = make_delivered([row], products=PRODUCTS, treatments=[TREATMENT])
    applied = Ledger(Evidence(delivered, read_catalog(delivered.run["documents"]))).applied
    assert applied["active"].tolist() == ["glyphosate", "triclopyr"]
    assert applied["dose"].tolist() == pytest.approx([1.6 * LB_PER_ACRE, 0.8 * LB_PER_ACRE])


@pytest.mark.parametrize(("product_id", "active"), [("a", "glyphosate acid"), ("", "Glyphosate isopropylamine salt")])
def test_records_are_added_by_their_acid_whatever_they_call_it(product_id, active):
    """7 lb/acre in April and 1.6 now are 8.6 of 8."""
    found = review_record(product_id, active)
    assert found["where"].tolist() == ["unit P0-01, a", "unit P0-01, annual_limit_used_pct"]
    assert found["found"].iloc[0].startswith("8.6 lb ae/acre of glyphosate (planned 1.6, earlier 7)")


def test_records_of_an_unknown_or_contradictory_active_are_found():
    assert review_record("", "weed away")["where"].tolist() == ["history, row 1, active"]
    found = review_record("a", "triclopyr")
    assert found["expected"].iloc[0] == "glyphosate, as a is"
    assert "unit P0-01, a" in found["where"].tolist()


def review_record(product_id, active):
    outline = shapely.box(0, 10, 100, 60)
    unit = {"treatment_id": "t", "product_id": "a", "ae_lb_per_acre": 1.6, "annual_limit_used_pct": 20.0}
    delivered = make_delivered(
        [unit | {"geometry": outline}], products=PRODUCTS, treatments=[TREATMENT | {"tank_mix": []}]
    )
    row = {"product_id": product_id, "active": active, "ae_kg_per_ha": 7 * LB_PER_ACRE, "date": "2027-04-10"}
    delivered.layers["history"] = make_frame([row | {"geometry": outline}])
    table = run_checks(delivered, only={"limits"})
    return table[table["level"] == "violation"]
