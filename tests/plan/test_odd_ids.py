"""Ids as people write them: with ; , " ' & < = and umlauts, two that differ by case alone: plan, folder, review, approval."""

from __future__ import annotations

from itertools import pairwise

import pyogrio
import pytest

import tussock
from site_factory import Sites, feet_box

PATCHES = ["A;1", "a;1", 'B"2', "C'3", "Größe & <b>", "=1+1", "d,4", "A"]
RULES = """
[ruleset]
title = "strips; \\"quoted\\" & <b> (invented)"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "W;50"
from = { layer = "water" }
distance = "50 ft"
forbids = { aquatic_label = false }
source = "invented for tests"
[[setback]]
id = "w;50"
from = { layer = "water" }
distance = "30 ft"
permit = "an office; \\"by\\" <letter>"
source = "invented for tests"
[[setback]]
id = "=R&<\\"ü', 1"
from = { layer = "water" }
distance = "15 ft"
forbids = { delivery = "broadcast" }
conditions = ["wind; at most 5 mph"]
source = "invented for tests"
"""
PRODUCT = """
[[product]]
id = '{name}'
active = "{active}"
form = "salt"
strength = "4 lb/gal"
aquatic_label = {aquatic}
methods = {{ foliar_spot = ["0.5 %", "5 %"] }}
limit_per_year = "{limit} lb/acre"
source = "invented for tests"
"""
TREATMENT = """
[[treatment]]
id = '{name}'
species = ["{species}"]
method = "foliar_spot"
product = '{product}'
concentration = "2 %"
spray_volume = "20 gal/acre"
preference = {preference}
{extra}
"""
OPERATIONS = """
[crew]
size = 2
licensed = 1
wage = "30 USD/hour"
setup_time = "15 min"
source = "invented for tests"
[[production]]
method = "foliar_spot"
rate = "0.5 acre/hour"
source = "invented for tests"
[[price]]
product = 'gly; "a" (1 %)'
price = "40 USD/gal"
source = "invented for tests"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    base = tmp_path_factory.mktemp("odd")
    # one acre is 208.7 ft on a side; each patch begins at the pond, and the next begins on its last 100 ft
    patches = [
        {
            "patch_id": name,
            "species": ("one", "two")[number % 2],
            "growth_form": "shrub",
            "cover_pct": 100,
            "geometry": feet_box(number * 200, 0, number * 200 + 300, 150),
        }
        for number, name in enumerate(PATCHES)
    ]
    products = [
        ('gly; "a" (1 %)', "glyphosate", "true", 8),
        ('GLY; "a" (1 %)', "glyphosate", "false", 8),
        ("tri: <b> & ö; c", "triclopyr", "true", 6),
    ]
    treatments = [
        ("T;1", "one", products[1][0], 1, ""),
        ("t;1", "one", products[0][0], 2, f"tank_mix = [{{ product = '{products[2][0]}', concentration = \"1 %\" }}]"),
        ('=x: "2"; & <i>', "two", products[0][0], 1, ""),
    ]
    path = Sites(base).write(
        patches,
        water=[
            {"kind": "pond", "name": "Pond; \"P\" <1> & 'ä'", "state": "wet", "geometry": feet_box(0, -100, 2000, 0)}
        ],
        history=[
            {
                "product_id": products[0][0],
                "ae_lb_per_acre": 1.0,
                "date": "2027-03-01",
                "geometry": feet_box(0, 0, 150, 150),
            }
        ],
        rules=RULES,
        products="".join(PRODUCT.format(name=a, active=b, aquatic=c, limit=d) for a, b, c, d in products),
        treatments="".join(
            TREATMENT.format(name=a, species=b, product=c, preference=d, extra=e) for a, b, c, d, e in treatments
        ),
        operations=OPERATIONS,
    )
    return tussock.make_plan(tussock.read_site(path)).write(base / "plan")


def list_violations(folder):
    table = tussock.review_plan(folder)
    return table.loc[table["level"] == "violation", ["check", "where", "found", "expected"]].to_numpy().tolist()


def test_plan_review_and_approval_take_them_all(folder):
    assert list_violations(folder) == []
    tussock.approve_plan(folder, approved_by='J. "O\'B" & <Co>; Möller', date="2027-04-01")
    assert list_violations(folder) == []


def test_what_belongs_to_a_unit_stands_in_tables(folder):
    def read(name):
        return pyogrio.read_dataframe(folder / "plan.gpkg", layer=name, read_geometry=False)

    units = read("units")
    assert set(units["patch_id"]) == set(PATCHES)
    setbacks = read("unit_setbacks").groupby("unit_id")["setback_id"].agg(set)
    # 10 ft from the pond all three rules hold, 40 ft off one
    assert set(map(frozenset, setbacks)) == {
        frozenset({"W;50"}),
        frozenset({"W;50", "w;50"}),
        frozenset({"W;50", "w;50", "=R&<\"ü', 1"}),
    }
    shared = read("unit_shared")
    pairs = {
        tuple(sorted(units.set_index("unit_id")["patch_id"][[one, two]]))
        for one, two in zip(shared["unit_a"], shared["unit_b"], strict=True)
    }
    assert pairs == {tuple(sorted(pair)) for pair in pairwise(PATCHES)}
    # seven pieces of 100 x 150 ft
    assert shared["area_acre"].sum() == pytest.approx(7 * 100 * 150 / 43_560, rel=1e-4)
    records = read("unit_history")
    covered = units.set_index("unit_id").loc[records["unit_id"], "area_acre"].sum()
    assert covered == pytest.approx(150 * 150 / 43_560, rel=1e-4)  # the first patch alone lies on it
    tanks = read("unit_products")
    mixed = tanks[tanks["role"] == "partner"]
    assert set(mixed["product_id"]) == {"tri: <b> & ö; c"}
    assert mixed["ae_lb_per_acre"].tolist() == pytest.approx([20 * 0.01 * 4] * len(mixed))
