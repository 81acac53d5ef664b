"""Two patches on one ground: 1.00 and 0.80 acre with 0.30 in common (invented, worked out by hand).

One species is one stand of 1.50 acre in area, volume, product, time and cost. Two species are two stands.
"""

from __future__ import annotations

import pytest

from site_factory import Sites, feet_box

WIDTH_FT, ACRE_FT2 = 100.0, 43_560.0
TREATMENT = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "imazapyr-aquatic"
concentration = "2.5 %"
spray_volume = "20 gal/acre"
equipment = "pack"
preference = 1
"""
OPERATIONS = """
[crew]
size = 1
licensed = 1
wage = "30 USD/hour"
source = "invented for tests"

[[equipment]]
id = "pack"
capacity = "4 gal"
refill_time = "12 min"
flow = "0.5 gal/min"
source = "invented for tests"

[[production]]
method = "foliar_spot"
rate = "0.25 acre/hour"
source = "invented for tests"

[[price]]
product = "imazapyr-aquatic"
price = "100 USD/gal"
source = "invented for tests"
"""
RULES = """
[ruleset]
title = "none near (invented)"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "W"
from = { layer = "water" }
distance = "1 ft"
forbids = {}
source = "invented for tests"
"""


def strip(west_acre, east_acre):
    return feet_box(west_acre * ACRE_FT2 / WIDTH_FT, 0, east_acre * ACRE_FT2 / WIDTH_FT, WIDTH_FT)


def plan(folder, outlines, species):
    rows = [
        {"patch_id": name, "species": kind, "growth_form": "herbaceous", "cover_pct": 100, "geometry": outline}
        for (name, outline), kind in zip(outlines.items(), species, strict=True)
    ]
    return Sites(folder).plan(rows, treatments=TREATMENT, operations=OPERATIONS, rules=RULES)


PAIR = {"A": strip(0.0, 1.0), "B": strip(0.7, 1.5)}


def test_one_species_nets_out_in_area_volume_product_time_and_cost(tmp_path):
    units = plan(tmp_path, PAIR, ["reed", "reed"]).units
    planned = units[units["status"] == "planned"]
    assert planned["area_acre"].sum() == pytest.approx(1.50, rel=1e-5)
    assert planned["spray_gal"].sum() == pytest.approx(1.50 * 20, rel=1e-5)
    assert planned["product_fl_oz"].sum() == pytest.approx(1.50 * 20 * 0.025 * 128, rel=1e-5)
    assert planned["ae_lb"].sum() == pytest.approx(1.50 * 1.0, rel=1e-5)
    assert planned["spray_seconds"].sum() == pytest.approx(1.50 * 20 / 0.5 * 60, rel=1e-5)
    assert planned["treating_hours"].sum() == pytest.approx(1.50 / 0.25, rel=1e-5)
    assert planned["product_cost"].sum() == pytest.approx(1.50 * 20 * 0.025 * 100, rel=1e-5)
    counted = units[units["area_counted_with"].fillna("") != ""]
    assert counted["area_acre"].sum() == pytest.approx(0.30, rel=1e-4)
    for name in ("spray_gal", "product_fl_oz", "ae_lb", "crew_hours", "cost"):
        assert not counted[name].fillna(0).any()


def test_one_species_costs_as_much_as_one_patch_of_the_same_ground(tmp_path):
    (tmp_path / "pair").mkdir()
    (tmp_path / "one").mkdir()
    pair = plan(tmp_path / "pair", PAIR, ["reed", "reed"]).units
    one = plan(tmp_path / "one", {"A": strip(0.0, 1.0), "B": strip(1.0, 1.5)}, ["reed", "reed"]).units
    for name in ("area_acre", "spray_gal", "ae_lb", "treating_hours", "product_cost"):
        planned = pair.loc[pair["status"] == "planned", name].sum()
        assert planned == pytest.approx(one.loc[one["status"] == "planned", name].sum(), rel=1e-5)


def test_two_species_flag_the_shared_ground_at_twice_the_dose(tmp_path):
    # 20 gal/acre x 2.5 % x 2 lb/gal = 1.0 lb ae/acre each; the limit of the invented product is 1.5 in a year
    done = plan(tmp_path, PAIR, ["reed", "cattail"])
    refused = done.units[done.units["status"] == "no_option"]
    assert refused["area_acre"].sum() == pytest.approx(0.30, rel=1e-4)
    assert refused["reason"].str.contains("2 of 1.5 lb ae/acre").all()
    planned = done.units[done.units["status"] == "planned"]
    assert planned["ae_lb"].sum() == pytest.approx(1.50 * 1.0, rel=1e-5)  # the shared ground is sprayed once


def test_two_species_below_the_limit_add_their_doses(tmp_path):
    rows = [
        {"patch_id": name, "species": kind, "growth_form": "herbaceous", "cover_pct": 100, "geometry": outline}
        for (name, outline), kind in zip(PAIR.items(), ("reed", "cattail"), strict=True)
    ]
    half = TREATMENT.replace("2.5 %", "1.5 %")  # 0.6 lb ae/acre each, 1.2 of 1.5 on the shared ground: 80 %
    done = Sites(tmp_path).plan(rows, treatments=half, operations=OPERATIONS, rules=RULES)
    planned = done.units[done.units["status"] == "planned"]
    assert planned["area_acre"].sum() == pytest.approx(1.80, rel=1e-5)
    assert planned["ae_lb"].sum() == pytest.approx(1.80 * 0.6, rel=1e-5)
    used = planned.groupby(planned["annual_limit_used_pct"].round(6))["area_acre"].sum()
    assert used.index.tolist() == pytest.approx([40.0, 80.0])
    assert used.tolist() == pytest.approx([1.20, 0.60], rel=1e-4)


def test_an_id_with_a_semicolon_is_one_patch(tmp_path):
    # shared ground 0.30 acre: 1.50 acre of one stand; two species at 1.0 lb ae/acre are 2.0 of 1.5 lb on it
    names = {"A;1": PAIR["A"], "B": PAIR["B"]}
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    units = plan(tmp_path / "one", names, ["reed", "reed"]).units
    assert units.loc[units["status"] == "planned", "area_acre"].sum() == pytest.approx(1.50, rel=1e-5)
    units = plan(tmp_path / "two", names, ["reed", "cattail"]).units
    refused = units[units["status"] == "no_option"]
    assert refused["area_acre"].sum() == pytest.approx(0.30, rel=1e-4)
    assert refused["reason"].str.contains("2 of 1.5 lb ae/acre").all()
