"""How far a method works and from where: the bank, standing places, shallow water, a boat; a machine on firm ground only.

Reaches are common practice, no source: an arm 3 ft, a stream 20 ft, a machine where it stands. Areas in ft2 are worked
out by hand beside each expectation.
"""

from __future__ import annotations

import pytest
import shapely

import tussock
from site_factory import FOOT_M, Sites, feet_box

ANY_WATER = """
[ruleset]
title = "water rules for tests"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "AQ-10"
from = { layer = "water" }
distance = "10 ft"
forbids = { aquatic_label = false }
source = "invented for tests"
"""
MOW = '[[treatment]]\nid = "mow"\ngrowth_form = ["herbaceous"]\nmethod = "mow"\npreference = 1\n'
PULL = '[[treatment]]\nid = "pull"\ngrowth_form = ["herbaceous"]\nmethod = "pull"\npreference = 2\n'
STREAM = """
[[treatment]]
id = "stream"
growth_form = ["herbaceous"]
method = "low_volume_stream"
product = "glyphosate-aquatic"
concentration = "20 %"
spray_volume = "5 gal/acre"
preference = 3
"""
OPERATIONS = """
[crew]
size = 2
wage = "30 USD/hour"
source = "invented for tests"
[[production]]
method = "pull"
rate = "0.01 acre/hour"
source = "invented for tests"
[[production]]
method = "mow"
rate = "1 acre/hour"
source = "invented for tests"
[[production]]
method = "low_volume_stream"
rate = "1 acre/hour"
source = "invented for tests"
"""


def patch(name, west, south, east, north, **more):
    box = feet_box(west, south, east, north)
    return {"patch_id": name, "species": "reed", "growth_form": "herbaceous", "cover_pct": 100, "geometry": box} | more


def water(kind, west, south, east, north, **more):
    return {"kind": kind, "state": "wet", "geometry": feet_box(west, south, east, north)} | more


def spot(kind, x, y):
    return {"kind": kind, "name": kind, "geometry": shapely.Point(x * FOOT_M, y * FOOT_M)}


def areas(plan, name, by="treatment_id"):
    """Area [ft2] of a patch by treatment, or by how it is reached."""
    own = plan.units[plan.units["patch_id"] == name]
    return (own.groupby(by)["area_acre"].sum() * 43560).to_dict()


def near(**expected):
    return {name.replace("_", " "): pytest.approx(size, rel=1e-3, abs=0.5) for name, size in expected.items()}


def violations(plan, folder):
    found = tussock.review_plan(plan.write(folder))
    return found[found["level"] == "violation"]


@pytest.fixture(scope="module")
def banks(tmp_path_factory):
    """Patches of 60 ft by the shore, one at each kind of water; no standing place is mapped."""
    site = Sites(tmp_path_factory.mktemp("banks"))
    middle = shapely.LineString([(7000 * FOOT_M, 0), (9000 * FOOT_M, 0)])
    return site.plan(
        [
            patch("lake", 0, -10, 60, 45),
            patch("far", 100, 200, 160, 245),
            patch("boat", 2000, -10, 2060, 45),
            patch("area", 3000, -10, 3060, 45),
            patch("off", 3600, -10, 3660, 45),
            patch("marsh", 4000, -10, 4060, 45),
            patch("shallow", 5000, -10, 5060, 45),
            patch("deep", 6000, -10, 6060, 45),
            patch("river", 8000, -10, 8100, 40),
            patch("dry", 10000, -10, 10060, 45),
        ],
        water=[
            water("lake", -300, 0, 400, 900),
            water("lake", 1800, 0, 2300, 900),
            water("reservoir", 2800, 0, 3300, 900),
            water("lake", 3500, 0, 3800, 900),
            water("marsh", 3900, 0, 4400, 900),
            water("pond", 4900, 0, 5300, 900, wade="yes"),
            water("wetland", 5900, 0, 6300, 900, wade="no"),
            {"kind": "river", "state": "wet", "width_ft": 60.0, "geometry": middle},
            water("pond", 9900, 0, 10200, 900, state="dry"),
        ],
        access=[
            spot("fence", 30, 30),
            spot("locked gate", 130, 220),
            spot("boat launch", 2200, 0),
            {"kind": "boat water", "name": "bay", "geometry": feet_box(2900, 25, 3200, 500)},
            spot("boat launch", 3650, -20),
        ],
        rules=ANY_WATER,
        treatments=MOW + PULL + STREAM,
        operations=OPERATIONS,
    )


def test_each_method_works_as_far_as_it_reaches_from_the_bank(banks):
    # 60 ft wide: dry 10 ft, then an arm of 3 ft, then a throw of 20 ft from the bank, then 25 ft that nothing reaches
    assert areas(banks, "lake") == near(mow=600, pull=180, stream=1020) | {"": pytest.approx(1500, rel=1e-3)}
    assert areas(banks, "lake", "reached") == near(on_foot=1800, out_of_reach=1500)
    assert banks.patches.set_index("patch_id")["status"]["lake"] == "partly"


def test_no_hand_and_no_machine_200_ft_out_in_a_lake(banks):
    unit = banks.units[banks.units["patch_id"] == "far"].iloc[0]
    assert unit["status"] == "no_option"
    assert unit["reached"] == "out of reach"
    assert unit["crew_hours"] == 0
    assert "200.0 ft and more from the bank, the reach is 3.0 ft" in unit["reason"]
    assert "a machine does not stand in water" in unit["reason"]
    assert "once it is reached from a standing place or a boat" in unit["non_chemical"]
    judged = banks.options[banks.options["unit_id"] == unit["unit_id"]]
    assert judged["verdict"].tolist() == ["refused"] * 3
    assert judged["reached"].tolist() == ["out of reach"] * 3


def test_kinds_that_state_nothing_open_nothing_and_are_told(banks):
    told = banks.findings[(banks.findings["layer"] == "access") & (banks.findings["stage"] == "repair")]
    assert told["what"].tolist() == ['kind "fence"', 'kind "locked gate"']
    assert told["done"].str.contains("opens no ground").all()
    assert told["done"].str.contains("boardwalk").all()


def test_a_launch_opens_the_water_that_it_touches(banks):
    # all water is worked by hand from the boat; the machine keeps to its 10 ft of dry ground
    assert areas(banks, "boat") == near(mow=600, pull=60 * 45)
    assert areas(banks, "boat", "reached") == near(on_foot=600 + 180, by_boat=60 * 42)
    afloat = banks.units[(banks.units["patch_id"] == "boat") & (banks.units["reached"] == "by boat")]
    assert afloat["cautions"].str.contains("by boat, from boat launch").all()
    # 20 ft from the shore it touches nothing: as without a boat
    assert areas(banks, "off", "reached") == near(on_foot=1800, out_of_reach=1500)


def test_an_area_for_boats_opens_what_it_covers(banks):
    # boats from 25 ft out: an arm from 22 ft on (60 x 23), a throw from the boat down to 5 ft; the bank opens 3 and 20 ft
    assert areas(banks, "area") == near(mow=600, pull=180 + 60 * 23, stream=60 * 19)
    assert areas(banks, "area", "reached") == near(on_foot=1800, by_boat=1500)


def test_shallow_water_is_waded_and_bears_no_machine(banks):
    for name in ("marsh", "shallow"):  # by its kind; by the mapper's word
        assert areas(banks, name) == near(mow=600, pull=60 * 45)
        assert areas(banks, name, "reached") == near(on_foot=60 * 55)
    assert areas(banks, "deep", "reached") == near(on_foot=1800, out_of_reach=1500)
    assert areas(banks, "dry") == near(mow=60 * 55)


def test_a_wide_river_drawn_as_a_line_is_open_water(banks):
    # 60 ft wide, bank at 30 ft: dry 10 ft, an arm down to 27 ft, a throw down to 10 ft, then 20 ft that nothing reaches
    assert areas(banks, "river") == near(mow=1000, pull=300, stream=1700) | {"": pytest.approx(2000, rel=1e-3)}


def test_the_review_agrees_and_finds_what_is_changed(banks, tmp_path):
    from dataclasses import replace

    assert violations(banks, tmp_path / "plan").empty
    told = banks.options.copy()
    far = told["unit_id"].str.startswith("far") & (told["treatment_id"] == "pull")
    told.loc[far, "reached"] = "by boat"
    close = (told["unit_id"] == banks.units.loc[banks.units["patch_id"] == "dry", "unit_id"].iloc[0]) & (
        told["treatment_id"] == "pull"
    )
    told.loc[close, "reached"] = "out of reach"
    found = violations(replace(banks, options=told), tmp_path / "told")
    assert {"unit far-01, pull", "unit dry-01, pull"} <= set(found.loc[found["check"] == "reach", "where"])


def test_standing_places_and_two_patches_on_one_ground(tmp_path):
    # a boardwalk 40 ft out: arms reach 37 to 43 ft (60 x 6), throws 20 to 60 ft; 0 to 20 ft of water nobody reaches,
    # for where standing places are mapped the bank is none. The second patch has 5 x 2 ft within the throw: a sliver.
    walk = shapely.LineString([(-50 * FOOT_M, 40 * FOOT_M), (100 * FOOT_M, 40 * FOOT_M)])
    plan = Sites(tmp_path).plan(
        [patch("A", 0, -10, 60, 45), patch("B", 30, 58, 35, 640), patch("C", 30, 44, 35, 640, species="cattail")],
        water=[water("lake", -300, 0, 400, 900)],
        access=[{"kind": "Boardwalk", "name": "walk", "geometry": walk}],
        rules=ANY_WATER,
        treatments=MOW + PULL + STREAM,
    )
    assert areas(plan, "A", "reached") == near(on_foot=600 + 60 * 25, out_of_reach=60 * 20)
    assert areas(plan, "B", "reached") == near(out_of_reach=5 * 582)
    assert violations(plan, tmp_path / "out").empty


def test_own_reach_and_throw(tmp_path):
    # a hook of 8 ft, a machine with an arm of 12 ft, a throw of 30 ft
    longer = (MOW + PULL + STREAM).replace('"mow"\np', '"mow"\nreach = "12 ft"\np')
    longer = longer.replace('"pull"\np', '"pull"\nreach = "8 ft"\np').replace(
        "preference = 3", 'throw = "30 ft"\npreference = 3'
    )
    plan = Sites(tmp_path).plan(
        [patch("A", 0, -10, 60, 45)], water=[water("lake", -300, 0, 400, 900)], rules=ANY_WATER, treatments=longer
    )
    assert areas(plan, "A") == near(mow=60 * 22, stream=60 * 18) | {"": pytest.approx(60 * 15, rel=1e-3)}
    assert violations(plan, tmp_path / "out").empty


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('throw = "20 ft"', 'throw with the method "pull", which throws nothing; write reach'),
        ('reach = "-1 ft"', "reach"),
    ],
)
def test_a_reach_that_cannot_be_is_refused(tmp_path, line, says):
    path = Sites(tmp_path).write([patch("A", 0, 0, 9, 9)], treatments=PULL.replace("preference", f"{line}\npreference"))
    with pytest.raises(tussock.InputError, match=says):
        tussock.read_site(path)
