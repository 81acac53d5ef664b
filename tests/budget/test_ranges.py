"""Low, likely and high carried from cover to volume, product, hours and cost. Worked by hand; prices are invented."""

from __future__ import annotations

import math

import pytest

from site_factory import feet_box

SIDE_FT = math.sqrt(2 * 43560)
SPOT = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
"""
OPERATIONS = """
[crew]
size = 1
licensed = 1
wage = "30 USD/hour"
setup_time = "1 hour"
source = "invented for tests"

[[production]]
method = "foliar_spot"
rate = "0.1 acre/hour"
source = "invented for tests"

[[price]]
product = "glyphosate-aquatic"
price = "100 USD/gal"
source = "invented for tests"
"""


def patch(name, cover, place):
    x = place * 500
    return {
        "patch_id": name,
        "species": name,
        "growth_form": "shrub",
        "cover_pct": cover,
        "geometry": feet_box(x, 0, x + SIDE_FT, SIDE_FT),
    }


@pytest.fixture
def plan(sites):
    return sites.plan([patch("A", "5-25", 0), patch("B", "5-25", 1)], treatments=SPOT, operations=OPERATIONS)


def ends(plan, name):
    row = plan.patches.set_index("patch_id").loc["A"]
    stem, _, unit = name.partition("_")
    suffix = f"_{unit}" if unit else ""
    return [row[f"{stem}{end}{suffix}"] for end in ("_low", "", "_high")]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("infested_acre", [0.1, 0.3, 0.5]),  # 2 acres at 5, 15 and 25 %
        ("spray_gal", [2.0, 6.0, 10.0]),  # 20 gal/acre
        ("product_gal", [0.04, 0.12, 0.2]),  # 2 %
        ("ae_lb", [0.16, 0.48, 0.8]),  # 4 lb/gal
        ("crew_hours", [2.0, 4.0, 6.0]),  # 1 h to set up, 0.1 acre an hour
        ("cost", [64.0, 132.0, 200.0]),  # 30 USD an hour, 100 USD a gallon
    ],
)
def test_each_patch_carries_its_range(plan, name, expected):
    assert ends(plan, name) == pytest.approx(expected, rel=1e-5)


def test_season_adds_departures_in_quadrature(plan):
    # two patches, each 4 gal from its likely value: the season departs by 4 x sqrt(2), not by 8
    season = plan.budget.set_index("item").loc["spray volume"]
    assert season["likely"] == pytest.approx(12.0, rel=1e-5)
    assert season["high"] - season["likely"] == pytest.approx(4 * math.sqrt(2), rel=1e-5)
    assert season["likely"] - season["low"] == pytest.approx(4 * math.sqrt(2), rel=1e-5)


def test_stem_work_does_not_move_with_cover(sites):
    stump = """
[[treatment]]
id = "stump"
growth_form = ["shrub"]
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "50 %"
dose_per_stem = "10 mL"
"""
    row = patch("A", "5-25", 0) | {"stem_count": 100}
    plan = sites.plan([row], treatments=stump, operations=OPERATIONS.replace("foliar_spot", "cut_stump"))
    assert ends(plan, "spray_gal") == pytest.approx([1 / 3.785411784] * 3, rel=1e-9)


def test_unknown_cover_leaves_every_end_blank(sites):
    plan = sites.plan([patch("A", None, 0), patch("B", "25%", 1)], treatments=SPOT, operations=OPERATIONS)
    assert all(math.isnan(value) for value in ends(plan, "spray_gal"))
    assert plan.budget.set_index("item").loc["spray volume", "likely"] == pytest.approx(10.0, rel=1e-5)
