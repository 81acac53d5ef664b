"""Partners in a tank count like the first product: for setbacks, water, labels, listings and limits."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import HEADER, make_delivered
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.folder import run_checks
from tussock.review.limits import Ledger
from tussock.review.partners import read_partners

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


@pytest.mark.parametrize("text", ["", "b: 25.6 fl oz (1.2 %)", "b: 20 fl oz (1 %)", "c: 25.6 fl oz (1 %)", "some b"])
def test_partners_that_are_not_those_of_the_treatment_are_found(text):
    found = review({"tank_mix": text}, "doses")
    assert "unit P0-01, tank_mix" in found["where"].tolist()


def test_the_right_partners_are_no_finding():
    assert "unit P0-01, tank_mix" not in review({}, "doses")["where"].tolist()


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


def test_partners_are_read_from_words():
    first, second = read_partners("x, y: 3.2 fl oz (2 %); z: amount unknown (0.5 %)")
    assert (first.product, first.share, second.product, second.share) == ("x, y", 0.02, "z", 0.005)
    assert read_partners("x") is None
    assert read_partners("") == []
