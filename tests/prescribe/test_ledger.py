"""The yearly allowance of an active on a piece of ground. Limits are parameters of these tests, not facts of a label."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from site_factory import PRODUCTS, feet_box
from tussock.base.records import Product, Treatment
from tussock.prescribe.dose import Stand, find_dose
from tussock.prescribe.judge import Component, Dosed
from tussock.prescribe.ledger import Use, find_groups
from tussock.prescribe.limits import apply_limits

LB_PER_ACRE = 1.1208511
SIDE_FT = math.sqrt(43560)


def spot(product, concentration, *, treatment_id="spot", extra="", preference=1, volume="20 gal/acre"):
    return (
        f'[[treatment]]\nid = "{treatment_id}"\ngrowth_form = ["shrub"]\nmethod = "foliar_spot"\nproduct = "{product}"\n'
        f'concentration = "{concentration}"\nspray_volume = "{volume}"\npreference = {preference}\n{extra}\n'
    )


def record(product, dose, date="2027-04-10", box=(-10, -10, 300, 300), **more):
    return {"product_id": product, "ae_lb_per_acre": dose, "date": date, "geometry": feet_box(*box)} | more


def only(result):
    return result.options["verdict"].iloc[0], result.options["reason"].iloc[0]


def test_one_active_adds_up_across_products(prescriber):
    # 7.0 lb of the upland product in April and 20 x 2 % x 4 = 1.6 now: 8.6 of 8 whatever the product
    result = prescriber.run(treatments=spot("glyphosate-aquatic", "2 %"), history=[record("glyphosate-upland", 7.0)])
    verdict, reason = only(result)
    assert verdict == "refused"
    assert "8.6 of 8 lb ae/acre (1.6 asked, 1 left after record 1 of 10 Apr 2027" in reason


@pytest.mark.parametrize(
    ("product_id", "active"),
    [
        ("glyphosate-upland", "glyphosate acid"),
        ("", "Glyphosate isopropylamine salt"),
        ("of another crew", "GLYPHOSATE"),
        ("glyphosate-upland", ""),
    ],
)
def test_a_record_counts_whatever_its_active_is_called(prescriber, product_id, active):
    # 7.0 lb in April and 20 x 2 % x 4 = 1.6 now: 8.6 of 8
    history = [record(product_id, 7.0, active=active)]
    verdict, reason = only(prescriber.run(treatments=spot("glyphosate-aquatic", "2 %"), history=history))
    assert verdict == "refused"
    assert "8.6 of 8 lb ae/acre (1.6 asked, 1 left after record 1 of 10 Apr 2027" in reason


def test_products_of_one_acid_under_two_names_add_up(prescriber):
    head, tail = PRODUCTS.split('id = "glyphosate-upland"')
    tail = tail.replace('active = "glyphosate"', 'active = "Glyphosate  potassium salt"', 1)
    result = prescriber.run(
        products=head + 'id = "glyphosate-upland"' + tail,
        treatments=spot("glyphosate-upland", "2 %"),
        history=[record("glyphosate-aquatic", 7.0)],
    )
    assert "8.6 of 8 lb ae/acre" in only(result)[1]


@pytest.mark.parametrize(
    ("product_id", "active", "message"),
    [
        ("glyphosate-upland", "weed away", 'row 1, column "active": found "weed away", which is not known'),
        ("", "glyposate", r"nearest: glyphosate"),
        ("glyphosate-upland", "triclopyr acid", '"triclopyr acid" for glyphosate-upland, which is glyphosate'),
    ],
)
def test_a_record_of_an_unknown_or_contradictory_active_stops(prescriber, product_id, active, message):
    history = [record(product_id, 7.0, active=active)]
    with pytest.raises(ValueError, match=message):
        prescriber.run(treatments=spot("glyphosate-aquatic", "2 %"), history=history)


def test_an_unknown_active_of_a_product_stops_until_it_is_named(prescriber):
    # 20 gal/acre x 2 % x 4 lb/gal = 1.6 lb now and 7 lb in April: 8.6 of 8
    products = PRODUCTS.replace('active = "glyphosate"', 'active = "barrenil"')
    treatments = spot("glyphosate-aquatic", "2 %")
    with pytest.raises(ValueError, match=r'products.toml, line \d+: product "glyphosate-aquatic", active.*not known'):
        prescriber.run(products=products, treatments=treatments)
    named = products.replace('active = "barrenil"', 'active = "barrenil"\nactive_names = ["BNL"]')
    result = prescriber.run(products=named, treatments=treatments, history=[record("", 7.0, active="bnl sodium")])
    assert "8.6 of 8 lb ae/acre" in only(result)[1]


def test_a_rule_for_a_salt_binds_the_acid_and_an_unknown_active_in_a_rule_stops(prescriber):
    rules = (
        '[ruleset]\ntitle = "t"\nauthority = "a"\nsource = "invented"\nstatus = "checked"\n[[setback]]\nid = "R"\n'
        'distance = "anywhere"\nforbids = {{ active = "{active}" }}\nsource = "invented"\n'
    )
    treatments = spot("glyphosate-aquatic", "2 %")
    result = prescriber.run(treatments=treatments, rules=rules.format(active="glyphosate, potassium salt"))
    assert only(result)[0] == "refused"
    with pytest.raises(ValueError, match=r'rules0.toml: active: found "glyposate", which is not known'):
        prescriber.run(treatments=treatments, rules=rules.format(active="glyposate"))


def test_strictest_label_on_the_ground_binds(prescriber):
    # the amine used in April allows 6 lb a year, the ester 8: 3 + 4 = 7 is over what the amine's label says
    head, tail = PRODUCTS.split('id = "triclopyr-amine-aquatic"')
    tail = tail.replace('limit_per_year = "8 lb/acre"', 'limit_per_year = "6 lb/acre"', 1)
    products = head + 'id = "triclopyr-amine-aquatic"' + tail
    treatments = spot("triclopyr-ester", "5 %", volume="20 gal/acre", extra='carrier = "water"')
    result = prescriber.run(treatments=treatments, products=products, history=[record("triclopyr-amine-aquatic", 3.0)])
    assert "(label of triclopyr-amine-aquatic, used on this ground): 7 of 6 lb ae/acre" in only(result)[1]


def test_shared_ground_shows_what_all_patches_use(prescriber):
    patches = [{"species": name, "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT)} for name in ("buckthorn", "honeysuckle")]
    result = prescriber.run(patches, treatments=spot("glyphosate-aquatic", "4 %"))
    # 20 x 4 % x 4 = 3.2 lb each, 6.4 of 8 on the same ground
    assert result.units["annual_limit_used_pct"].tolist() == pytest.approx([80.0, 80.0])


def test_another_active_has_its_own_allowance(prescriber):
    result = prescriber.run(treatments=spot("glyphosate-aquatic", "2 %"), history=[record("imazapyr-aquatic", 1.5)])
    assert only(result)[0] == "chosen"
    assert result.units["annual_limit_used_pct"].iloc[0] == pytest.approx(20.0)  # 1.6 of 8


def test_records_of_another_year_do_not_count(prescriber):
    result = prescriber.run(
        treatments=spot("glyphosate-aquatic", "2 %"), history=[record("glyphosate-aquatic", 8.0, date="2026-10-01")]
    )
    assert only(result)[0] == "chosen"


def test_several_records_on_one_ground_add_up(prescriber):
    history = [record("imazapyr-aquatic", 0.5), record("imazapyr-aquatic", 0.6, date="2027-05-20")]
    result = prescriber.run(treatments=spot("imazapyr-aquatic", "1.25 %"), history=history)
    # 20 x 1.25 % x 2 = 0.5; 0.5 + 0.6 + 0.5 = 1.6 of 1.5
    assert "1.6 of 1.5 lb ae/acre" in only(result)[1]
    assert "20 May 2027" in only(result)[1]


def test_limit_for_one_application(prescriber):
    products = PRODUCTS.replace('limit_per_year = "1.5 lb/acre"', 'limit_per_application = "0.6 lb/acre"')
    result = prescriber.run(treatments=spot("imazapyr-aquatic", "2 %"), products=products)
    assert "limit for one application of imazapyr: 0.8 of 0.6 lb ae/acre" in only(result)[1]
    assert "the ceiling is 1.5 %" in only(result)[1]


def test_number_of_applications(prescriber):
    products = PRODUCTS.replace('id = "imazapyr-aquatic"', 'id = "imazapyr-aquatic"\nmax_applications_per_year = 1')
    result = prescriber.run(
        treatments=spot("imazapyr-aquatic", "1 %"), products=products, history=[record("imazapyr-aquatic", 0.1)]
    )
    assert "1 of 1 applications a year are used on this ground" in only(result)[1]


@pytest.mark.parametrize(("window", "expected"), [('["05-01", "09-30"]', "2027-06-09"), ('["05-01", "06-01"]', None)])
def test_interval_between_applications(prescriber, window, expected):
    # 10 April and 60 days: 9 June is the first day again
    products = PRODUCTS.replace('id = "imazapyr-aquatic"', 'id = "imazapyr-aquatic"\nmin_interval = "60 day"')
    treatments = spot("imazapyr-aquatic", "1 %", extra=f"season = {window}")
    result = prescriber.run(treatments=treatments, products=products, history=[record("imazapyr-aquatic", 0.1)])
    if expected is None:
        assert "no date:" in only(result)[1]
        assert "interval of 60 days" in only(result)[1]
    else:
        assert result.units["season_from"].iloc[0] == expected


def test_up_to_the_limit_weakens_the_mix_where_the_user_allows_it(prescriber):
    # 1.1 of 1.5 used: 0.4 left is 1 % at 20 gal/acre of 2 lb/gal; asked 0.8 (2 %)
    treatments = spot("imazapyr-aquatic", "2 %", extra="up_to_limit = true")
    result = prescriber.run(treatments=treatments, history=[record("imazapyr-aquatic", 1.1)])
    unit = result.units.iloc[0]
    assert unit["ae_kg_per_ha"] == pytest.approx(0.4 * LB_PER_ACRE, rel=1e-6)
    assert unit["concentration_pct"] == pytest.approx(1.0)
    assert "mixed at 1 % instead of 2 %" in unit["reason"]
    assert unit["annual_limit_used_pct"] == pytest.approx(100.0)


def test_up_to_the_limit_stops_at_the_labels_weakest_mix(prescriber):
    treatments = spot("imazapyr-aquatic", "2 %", extra="up_to_limit = true")
    result = prescriber.run(treatments=treatments, history=[record("imazapyr-aquatic", 1.4)])
    assert "below the label's 0.5 %" in only(result)[1]


def test_tank_mix_partner_counts_by_itself(prescriber):
    partner = 'tank_mix = [{ product = "imazapyr-aquatic", concentration = "1 %" }]'
    treatments = spot("glyphosate-aquatic", "2 %", extra=partner)
    free = prescriber.run(treatments=treatments)
    unit = free.units.iloc[0]
    # 20 gal/acre x 1 acre x 1 % = 0.2 gal = 25.6 fl oz
    assert "imazapyr-aquatic: 25.6 fl oz (1 %)" in unit["tank_mix"]
    assert unit["product_l"] / 3.785411784 == pytest.approx(0.4, rel=1e-5)
    # 20 x 1 % x 2 = 0.4; 1.2 + 0.4 is over 1.5 for the partner alone
    used = prescriber.run(treatments=treatments, history=[record("imazapyr-aquatic", 1.2)])
    assert "annual limit of imazapyr: 1.6 of 1.5 lb ae/acre" in only(used)[1]


def test_unknown_partner_is_a_fault(prescriber):
    partner = 'tank_mix = [{ product = "nothing", concentration = "1 %" }]'
    with pytest.raises(ValueError, match=r'tank_mix: found "nothing"'):
        prescriber.run(treatments=spot("glyphosate-aquatic", "2 %", extra=partner))


def mixed(partner, concentration):
    return f'tank_mix = [{{ product = "{partner}", concentration = "{concentration}" }}]'


def test_two_products_of_one_active_in_a_tank_add_up(prescriber):
    # 25 gal/acre x (5 % x 4 + 5 % x 4 lb/gal) = 5 + 5 = 10 of 8 lb
    treatments = spot("glyphosate-aquatic", "5 %", volume="25 gal/acre", extra=mixed("glyphosate-upland", "5 %"))
    verdict, reason = only(prescriber.run(treatments=treatments))
    assert verdict == "refused"
    assert "annual limit of glyphosate: 10 of 8 lb ae/acre (glyphosate-aquatic 5 + glyphosate-upland 5)" in reason


def test_amine_and_ester_of_one_acid_are_held_to_the_stricter_label(prescriber):
    # 40 gal/acre x (3 % x 3 lb/gal amine + 4 % x 4 lb/gal ester) = 3.6 + 6.4 = 10 of the 6 on the label of the amine
    head, tail = PRODUCTS.split('id = "triclopyr-amine-aquatic"')
    tail = tail.replace('limit_per_year = "8 lb/acre"', 'limit_per_year = "6 lb/acre"', 1)
    products = head + 'id = "triclopyr-amine-aquatic"' + tail
    treatments = spot("triclopyr-ester", "4 %", volume="40 gal/acre", extra=mixed("triclopyr-amine-aquatic", "3 %"))
    verdict, reason = only(prescriber.run(treatments=treatments, products=products))
    assert verdict == "refused"
    assert "10 of 6 lb ae/acre" in reason
    # 3.6 + 1.6 = 5.2 of 6: 86.7 %
    treatments = spot("triclopyr-ester", "1 %", volume="40 gal/acre", extra=mixed("triclopyr-amine-aquatic", "3 %"))
    unit = prescriber.run(treatments=treatments, products=products).units.iloc[0]
    assert unit["annual_limit_used_pct"] == pytest.approx(5.2 / 6 * 100)


def test_a_tank_is_held_to_the_limit_for_one_application(prescriber):
    # 25 gal/acre x (3 % + 3 %) x 4 lb/gal = 3 + 3 = 6 of 5 in one application
    products = PRODUCTS.replace(
        'id = "glyphosate-upland"', 'id = "glyphosate-upland"\nlimit_per_application = "5 lb/acre"'
    )
    treatments = spot("glyphosate-aquatic", "3 %", volume="25 gal/acre", extra=mixed("glyphosate-upland", "3 %"))
    assert (
        "limit for one application of glyphosate: 6 of 5 lb ae/acre"
        in only(prescriber.run(treatments=treatments, products=products))[1]
    )


def test_up_to_the_limit_weakens_every_product_of_the_active(prescriber):
    # 10 of 8 asked: four fifths of 5 % and 5 % are 4 % and 4 %, 4 lb each
    treatments = spot(
        "glyphosate-aquatic",
        "5 %",
        volume="25 gal/acre",
        extra=mixed("glyphosate-upland", "5 %") + "\nup_to_limit = true",
    )
    unit = prescriber.run(treatments=treatments).units.iloc[0]
    assert unit["concentration_pct"] == pytest.approx(4.0)
    assert "(4 %)" in unit["tank_mix"]
    assert unit["ae_kg_per_ha"] == pytest.approx(4.0 * LB_PER_ACRE, rel=1e-6)
    assert unit["annual_limit_used_pct"] == pytest.approx(100.0)


def test_the_whole_tank_of_another_patch_counts_on_shared_ground(prescriber):
    # 20 gal/acre x (2.5 % + 2.5 %) x 4 = 2 + 2 = 4 lb on the first patch, 22 x 5 % x 4 = 4.4 on the second: 8.4 of 8
    patches = [{"species": name, "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT)} for name in ("buckthorn", "honeysuckle")]
    first = spot("glyphosate-aquatic", "2.5 %", treatment_id="tank", extra=mixed("glyphosate-upland", "2.5 %"))
    second = spot("glyphosate-aquatic", "5 %", treatment_id="one", volume="22 gal/acre")
    treatments = first.replace('growth_form = ["shrub"]', 'species = ["buckthorn"]') + second.replace(
        'growth_form = ["shrub"]', 'species = ["honeysuckle"]'
    )
    result = prescriber.run(patches, treatments=treatments)
    reason = result.options.set_index(["unit_id", "treatment_id"])["reason"]["P1-01", "one"]
    assert "8.4 of 8 lb ae/acre (4.4 asked, 4 left after patch P0 (tank, 4 lb ae/acre planned))" in reason


def test_a_product_is_no_partner_of_itself(prescriber):
    treatments = spot("glyphosate-aquatic", "5 %", extra=mixed("glyphosate-aquatic", "5 %"))
    with pytest.raises(ValueError, match="glyphosate-aquatic stands in the tank twice; name it once"):
        prescriber.run(treatments=treatments)


def test_stem_limit_closes_the_active_for_an_overlapping_patch(prescriber):
    products = PRODUCTS.replace(
        'id = "glyphosate-aquatic"', 'id = "glyphosate-aquatic"\nlimit_stems_per_year = "100/acre"'
    )
    inject = (
        '[[treatment]]\nid = "inject"\nspecies = ["knotweed"]\nmethod = "stem_injection"\n'
        'product = "glyphosate-aquatic"\nconcentration = "100 %"\ndose_per_stem = "1 mL"\npreference = 0\n'
    )
    patches = [
        {"species": "knotweed", "stem_count": 150, "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT)},
        {"species": "buckthorn", "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT)},
    ]
    result = prescriber.run(patches, products=products, treatments=inject + spot("glyphosate-upland", "0.5 %"))
    assert result.units["stems"].iloc[0] == 100
    reason = result.options.set_index(["unit_id", "treatment_id"])["reason"]["P1-01", "spot"]
    assert "used up on this ground by patch P0 (inject" in reason


def for_species(text, species):
    return text.replace('growth_form = ["shrub"]', f'species = ["{species}"]')


def on_one_ground(*boxes):
    names = ("buckthorn", "honeysuckle", "privet")
    return [{"species": name, "geometry": feet_box(*box)} for name, box in zip(names, boxes, strict=False)]


NEAR_WATER = """
[ruleset]
title = "one strip (invented)"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "W-50"
from = { layer = "water" }
distance = "50 ft"
forbids = { aquatic_label = false }
source = "invented for tests"
"""
THIRD = """
[[product]]
id = "glyphosate-third"
active = "glyphosate"
form = "acid"
strength = "4 lb/gal"
aquatic_label = true
methods = { foliar_spot = ["0.5 %", "10 %"] }
limit_per_year = "8 lb/acre"
source = "invented for tests"
"""


def test_uses_count_where_they_stand(prescriber):
    # One patch takes 3 lb of a label with 4 lb within 50 ft of the pond, and 5 lb of one with 8 further off. Another
    # on all of its ground asks 2 lb of a label with 8: near the pond 3 + 2 = 5 of 4, further off 5 + 2 = 7 of 8, 87.5 %.
    products = PRODUCTS.replace('limit_per_year = "8 lb/acre"', 'limit_per_year = "4 lb/acre"', 1) + THIRD
    treatments = [
        for_species(spot("glyphosate-upland", "5 %", treatment_id="far", volume="25 gal/acre"), "buckthorn"),
        for_species(
            spot("glyphosate-aquatic", "3 %", treatment_id="near", volume="25 gal/acre", preference=2), "buckthorn"
        ),
        for_species(spot("glyphosate-third", "2 %", treatment_id="other", volume="25 gal/acre"), "honeysuckle"),
    ]
    result = prescriber.run(
        on_one_ground((0, 0, 200, 200), (0, 0, 200, 200)),
        products=products,
        rules=NEAR_WATER,
        water=[{"kind": "pond", "state": "wet", "geometry": feet_box(-100, 0, 0, 200)}],
        treatments="\n".join(treatments),
    )
    units = result.units.set_index(["patch_id", "setbacks"])
    assert units.loc[("P0", "W-50"), ["treatment_id", "annual_limit_used_pct"]].tolist() == ["near", pytest.approx(75)]
    assert units.loc[("P0", ""), ["treatment_id", "annual_limit_used_pct"]].tolist() == ["far", pytest.approx(87.5)]
    assert units.loc[("P1", ""), ["treatment_id", "annual_limit_used_pct"]].tolist() == ["other", pytest.approx(87.5)]
    assert units.loc[("P1", "W-50"), "status"] == "no_option"
    assert "(label of glyphosate-aquatic, used on this ground): 5 of 4 lb" in units.loc[("P1", "W-50"), "reason"]


def test_two_patches_that_do_not_meet_are_not_added_on_a_third(prescriber):
    # 3 lb on the west half and 3 on the east half, 4 on all of it: 7 of 8 everywhere, and nowhere 10
    treatments = [
        for_species(spot("glyphosate-upland", "3 %", treatment_id="half", volume="25 gal/acre"), "buckthorn"),
        for_species(spot("glyphosate-upland", "4 %", treatment_id="whole", volume="25 gal/acre"), "privet"),
    ]
    patches = on_one_ground((0, 0, 100, 200), (100, 0, 200, 200), (0, 0, 200, 200))
    patches[1]["species"] = "buckthorn"
    result = prescriber.run(patches, treatments="\n".join(treatments))
    assert result.units["status"].tolist() == ["planned"] * 4
    assert result.units["annual_limit_used_pct"].tolist() == pytest.approx([87.5] * 4)


def test_three_patches_on_one_ground_add_up(prescriber):
    # 3 + 3 + 3 lb = 9 of 8: the third is refused
    treatments = spot("glyphosate-upland", "3 %", volume="25 gal/acre")
    result = prescriber.run(on_one_ground(*[(0, 0, 200, 200)] * 3), treatments=treatments)
    assert result.units["status"].tolist() == ["planned", "planned", "no_option"]
    assert "9 of 8 lb ae/acre (3 asked, 2 left" in result.units["reason"].iloc[2]
    assert result.units["annual_limit_used_pct"].tolist()[:2] == pytest.approx([75.0, 75.0])


INJECT = (
    '[[treatment]]\nid = "inject"\nspecies = ["buckthorn"]\nmethod = "stem_injection"\n'
    'product = "glyphosate-aquatic"\nconcentration = "100 %"\ndose_per_stem = "1 mL"\npreference = 1\n'
)
STEM_LIMIT = PRODUCTS.replace(
    'id = "glyphosate-aquatic"', 'id = "glyphosate-aquatic"\nlimit_stems_per_year = "100/acre"'
)


def test_stems_of_another_product_use_up_a_stem_limit(prescriber):
    # 60 stems/acre by a product without a stem limit, 70 by one with 100: 40 are left, 30 wait
    products = STEM_LIMIT + THIRD.replace("methods = {", 'methods = { stem_injection = ["50 %", "100 %"],')
    other = INJECT.replace('"inject"', '"other"').replace("glyphosate-aquatic", "glyphosate-third")
    patches = on_one_ground((0, 0, SIDE_FT, SIDE_FT), (0, 0, SIDE_FT, SIDE_FT))
    patches[0] |= {"stem_count": 60}
    patches[1] |= {"stem_count": 70}
    treatments = other + INJECT.replace("buckthorn", "honeysuckle")
    units = prescriber.run(patches, products=products, treatments=treatments).units
    assert units["stems"].tolist() == [60, 40]
    assert "130 stems/acre of 100 stems/acre a year" in units["reason"].iloc[1]
    # the other way round: the label with 100 stems binds ground that a product without a stem limit comes to later
    treatments = INJECT + other.replace("buckthorn", "honeysuckle")
    units = prescriber.run(patches, products=products, treatments=treatments).units
    assert units["stems"].tolist() == [60, 40]
    assert "(label of glyphosate-aquatic, used on this ground): 130 stems/acre of 100" in units["reason"].iloc[1]


def test_a_record_that_used_up_its_stem_limit_closes_the_active(prescriber):
    history = [record("glyphosate-aquatic", 0.5, stems_per_acre=100.0)]
    result = prescriber.run(products=STEM_LIMIT, treatments=spot("glyphosate-upland", "1 %"), history=history)
    assert "used up on this ground by record 1 of 10 Apr 2027" in only(result)[1]


def test_a_stem_limit_is_not_used_up_where_the_active_is_sprayed(prescriber):
    # 150 stems of 100 would use up the year of glyphosate on ground where 0.4 lb of it are sprayed
    patches = on_one_ground((0, 0, SIDE_FT, SIDE_FT), (0, 0, SIDE_FT, SIDE_FT))[::-1]
    patches[1] |= {"stem_count": 150}
    treatments = for_species(spot("glyphosate-upland", "0.5 %"), "honeysuckle") + INJECT
    result = prescriber.run(patches, products=STEM_LIMIT, treatments=treatments)
    assert result.units["status"].tolist() == ["planned", "no_option"]
    assert (
        "150 stems/acre of 100 stems/acre a year, which leaves nothing for patch P0" in result.units["reason"].iloc[1]
    )


def test_groups_that_stand_together_are_the_largest_ones():
    # a - b - c - d in a row, and a triangle b c e: each group is as large as it can be
    linked = {"a": {"b"}, "b": {"a", "c", "e"}, "c": {"b", "d", "e"}, "d": {"c"}, "e": {"b", "c"}}
    assert sorted(map(sorted, find_groups(linked))) == [["a", "b"], ["b", "c", "e"], ["c", "d"]]
    assert find_groups({}) == [frozenset()]


# ---------------------------------------------------------------- properties

PRODUCT = Product.model_validate(
    {
        "id": "p",
        "active": "a",
        "form": "salt",
        "strength": "4 lb/gal",
        "aquatic_label": True,
        "methods": {"foliar_spot": ["0.1 %", "50 %"]},
        "limit_per_year": "8 lb/acre",
        "source": "invented",
    }
)


def limit(concentration_pct, volume, used, limit_lb):
    treatment = Treatment.model_validate(
        {
            "id": "t",
            "growth_form": ["shrub"],
            "method": "foliar_spot",
            "product": "p",
            "concentration": f"{concentration_pct} %",
            "spray_volume": f"{volume} gal/acre",
        }
    )
    product = PRODUCT.model_copy(update={"limit_per_year_kg_per_ha": limit_lb * LB_PER_ACRE})
    stand = Stand(math.nan, (), 1.0)
    component = Component(product, treatment.concentration)
    dose = find_dose(treatment, product, treatment.concentration, stand)
    uses = [Use("a", used * LB_PER_ACRE, 0.0, "earlier")]
    return dose, apply_limits(treatment, [Dosed(component, dose)], stand, uses, "us")


@given(
    pct=st.floats(0.1, 50),
    volume=st.floats(1, 100),
    used=st.floats(0, 10),
    limit_lb=st.floats(0.1, 10),
    cut=st.floats(0.05, 1),
)
def test_a_stricter_limit_never_allows_more(pct, volume, used, limit_lb, cut):
    _, wide = limit(pct, volume, used, limit_lb)
    _, strict = limit(pct, volume, used, limit_lb * cut)
    assert not (wide.refusals and not strict.refusals)


@given(pct=st.floats(0.1, 50), volume=st.floats(1, 100), used=st.floats(0, 10), limit_lb=st.floats(0.1, 10))
def test_what_is_allowed_stays_within_the_limit(pct, volume, used, limit_lb):
    dose, limited = limit(pct, volume, used, limit_lb)
    total = used * LB_PER_ACRE + dose.ae_kg_per_ha
    assert bool(limited.refusals) == bool(total > limit_lb * LB_PER_ACRE * (1 + 1e-9))
    if not limited.refusals:
        assert limited.used_pct <= 100 * (1 + 1e-9)
        assert np.isclose(limited.used_pct, total / (limit_lb * LB_PER_ACRE) * 100)
