"""Uses of one acid on one piece of ground, whoever plans them: sums worked out by hand, on plans that break a limit."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import make_delivered, make_frame
from tussock.review.folder import run_checks

LB_PER_ACRE = 0.45359237 / 0.40468564224
STEMS_PER_ACRE = 1 / 0.40468564224


def product(name, limit="8 lb/acre", **more):
    methods = {"foliar_spot": ["0.5 %", "10 %"], "stem_injection": ["50 %", "100 %"]}
    row = {"id": name, "active": "glyphosate", "form": "salt", "strength": "4 lb/gal", "aquatic_label": True}
    return row | {"methods": methods, "limit_per_year": limit} | more


def spot(name, pounds, product_id):
    """A treatment of some pounds on an acre: 25 gal/acre x 1 % x 4 lb/gal is one pound."""
    row = {"id": name, "growth_form": ["shrub"], "method": "foliar_spot", "product": product_id}
    return row | {"concentration": f"{pounds} %", "spray_volume": "25 gal/acre"}


def unit(name, treatment, pounds, box, used, **more):
    row = {"unit_id": name, "patch_id": name.partition("-")[0], "treatment_id": treatment, "method": "foliar_spot"}
    row |= {"product_id": "a", "ae_lb_per_acre": pounds, "annual_limit_used_pct": used}
    return row | {"geometry": shapely.box(*box)} | more


def review(units, products, treatments, history=()):
    delivered = make_delivered(units, products=products, treatments=treatments)
    if history:
        delivered.layers["history"] = make_frame(list(history))
    table = run_checks(delivered, only={"limits"})
    found = table[table["level"] == "violation"]
    return found.set_index("where")["found"].str.split(" of | and another").str[0].to_dict()


def test_a_use_counts_where_it_stands():
    """3 lb (limit 4) near water, 5 lb (limit 8) further off, 2 lb (limit 8) on both: 5 of 4 and 7 of 8."""
    products = [product("a", "4 lb/acre"), product("b"), product("c")]
    treatments = [spot("near", 3, "a"), spot("far", 5, "b"), spot("other", 2, "c")]
    units = [
        unit("P0-01", "near", 3.0, (0, 0, 50, 100), 75.0),
        unit("P0-02", "far", 5.0, (50, 0, 100, 100), 87.5, product_id="b"),
        unit("P1-01", "other", 2.0, (0, 0, 100, 100), 87.5, product_id="c"),
    ]
    found = review(units, products, treatments)
    assert found == {
        "unit P0-01, a": "5 lb ae/acre",
        "unit P1-01, c": "5 lb ae/acre",
        "unit P0-01, annual_limit_used_pct": "75 %",
        "unit P1-01, annual_limit_used_pct": "87.5 %",
    }
    # off the near strip the other patch meets 5 lb only
    units[2] = unit("P1-01", "other", 2.0, (50, 0, 100, 100), 87.5, product_id="c")
    assert review(units, products, treatments) == {}


def test_two_patches_that_do_not_meet_are_not_added_on_a_third():
    """3 lb on each half and 4 on the whole are 7 of 8; three patches on one ground are 3 + 3 + 4 = 10."""
    treatments = [spot("half", 3, "a"), spot("whole", 4, "a")]
    west, east, whole = (0, 0, 50, 100), (50, 0, 100, 100), (0, 0, 100, 100)
    units = [
        unit("P0-01", "half", 3.0, west, 87.5),
        unit("P1-01", "half", 3.0, east, 87.5),
        unit("P2-01", "whole", 4.0, whole, 87.5),
    ]
    assert review(units, [product("a")], treatments) == {}
    units[1] = unit("P1-01", "half", 3.0, (40, 0, 90, 100), 87.5)
    found = review(units, [product("a")], treatments)
    assert found["unit P2-01, a"] == "10 lb ae/acre"
    assert found["unit P0-01, a"] == "10 lb ae/acre"


def inject(name, product_id):
    row = {"id": name, "growth_form": ["shrub"], "method": "stem_injection", "product": product_id}
    return row | {"concentration": "100 %", "dose_per_stem": "1 mL"}


def stem_unit(name, treatment, product_id, stems, used):
    """Stems of a patch of an acre (208.71 ft on a side): 1 mL x 4 lb/gal each."""
    pounds = stems * 4 * 0.001 / 3.785411784
    more = {"product_id": product_id, "method": "stem_injection", "stems": stems, "stem_count": stems}
    return unit(name, treatment, pounds, (0, 0, 208.710326, 208.710326), used, **more)


def review_stems(units, products, treatments):
    delivered = make_delivered(units, products=products, treatments=treatments)
    stems = [row.get("stem_count") for row in units]
    delivered.layers["patches"]["stem_count"] = stems
    delivered.layers["patches"]["area_acre"] = 1.0
    table = run_checks(delivered, only={"limits"})
    found = table[(table["level"] == "violation") & ~table["where"].str.contains("used_pct")]
    return dict(zip(found["where"], found["expected"], strict=True))


@pytest.mark.parametrize("limited", ["a", "b"])
def test_a_stem_limit_counts_stems_of_every_product_of_the_active(limited):
    """60 + 70 stems/acre are 130 of 100, whichever of the two labels has the limit."""
    products = [product(name) for name in ("a", "b")]
    products["ab".index(limited)]["limit_stems_per_year"] = "100/acre"
    units = [stem_unit("P0-01", "ta", "a", 60, 60.0), stem_unit("P1-01", "tb", "b", 70, 100.0)]
    found = review_stems(units, products, [inject("ta", "a"), inject("tb", "b")])
    assert found.keys() == {"unit P0-01, a", "unit P1-01, b"}
    assert all("247.11 stems/ha" in text for text in found.values())  # 100 / 0.40468564


def test_nothing_else_of_the_active_stands_where_a_stem_limit_is_used_up():
    """100 stems of 100 leave nothing for 1 lb of another product of the active on that ground; 90 stems do."""
    products = [product("a", limit_stems_per_year="100/acre"), product("b")]
    spray = unit("P1-01", "s", 1.0, (0, 0, 208.710326, 208.710326), 14.0, product_id="b")
    treatments = [inject("ta", "a"), spot("s", 1, "b")]
    found = review_stems([stem_unit("P0-01", "ta", "a", 100, 100.0), spray], products, treatments)
    assert found.keys() == {"unit P0-01, a", "unit P1-01, b"}
    assert review_stems([stem_unit("P0-01", "ta", "a", 90, 90.0), spray], products, treatments) == {}


def test_a_record_binds_by_the_label_of_its_product_whatever_case_its_id_has():
    """Product "A" allows 4 lb and "a" 8: 2 lb of "A" in April and 3 now are 5 of 4."""
    record = {"product_id": "A", "active": "glyphosate", "ae_kg_per_ha": 2 * LB_PER_ACRE, "date": "2027-04-10"}
    record["geometry"] = shapely.box(0, 0, 100, 100)
    units = [unit("P0-01", "now", 3.0, (0, 0, 100, 100), 125.0)]
    products = [product("a"), product("A", "4 lb/acre")]
    assert review(units, products, [spot("now", 3, "a")], [record]) == {"unit P0-01, a": "5 lb ae/acre"}
    assert review(units, products, [spot("now", 3, "a")], [record | {"product_id": "a"}]).keys() == {
        "unit P0-01, annual_limit_used_pct"
    }
