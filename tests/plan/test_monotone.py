"""What must not turn around: more cover never costs less, a longer throw never reaches less."""

from __future__ import annotations

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from site_factory import FOOT_M, Sites, feet_box

OPERATIONS = """
[crew]
size = 2
licensed = 1
wage = "30 USD/hour"
setup_time = "10 min"
source = "invented for tests"

[[equipment]]
id = "backpack"
capacity = "4 gal"
flow = "0.4 gal/min"
refill_time = "10 min"
source = "invented for tests"

[[production]]
method = "foliar_spot"
rate = "0.2 acre/hour"
source = "invented for tests"

[[price]]
product = "glyphosate-aquatic"
price = "40 USD/gal"
source = "invented for tests"
"""
SPOT = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
equipment = "backpack"
"""
RELAXED = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@RELAXED
@given(cover=st.floats(0.5, 50.0))
def test_twice_the_cover_never_costs_less(tmp_path_factory, cover):
    rows = [
        {
            "patch_id": name,
            "species": name,
            "growth_form": "shrub",
            "cover_pct": share,
            "geometry": feet_box(x, 0, x + 150, 150),
        }
        for name, share, x in (("once", cover, 0), ("twice", 2 * cover, 300))
    ]
    plan = Sites(tmp_path_factory.mktemp("cover")).plan(rows, treatments=SPOT, operations=OPERATIONS)
    patches = plan.patches.set_index("patch_id")
    for column in ("infested_acre", "spray_gal", "product_gal", "ae_lb"):
        assert patches.loc["twice", column] == pytest.approx(2 * patches.loc["once", column], rel=1e-4)
    for column in ("crew_hours", "cost"):
        assert patches.loc["twice", column] >= patches.loc["once", column]
    rates = plan.units["ae_lb_per_acre"]
    assert rates.iloc[0] == pytest.approx(rates.iloc[1])


@RELAXED
@given(throw=st.floats(2.0, 40.0), longer=st.floats(1.0, 2.0), x=st.floats(0, 100))
def test_a_longer_throw_never_reaches_less(tmp_path_factory, throw, longer, x):
    reached = []
    for size in (throw, throw * longer):
        treatments = (
            '[[treatment]]\nid = "stream"\ngrowth_form = ["herbaceous"]\nmethod = "low_volume_stream"\n'
            f'product = "glyphosate-aquatic"\nconcentration = "20 %"\nspray_volume = "5 gal/acre"\nthrow = "{size} ft"\n'
        )
        patch = {
            "patch_id": "E",
            "species": "a",
            "growth_form": "herbaceous",
            "cover_pct": 50,
            "geometry": feet_box(0, 0, 100, 45),
        }
        plan = Sites(tmp_path_factory.mktemp("throw")).plan(
            [patch],
            water=[{"kind": "pond", "state": "wet", "geometry": feet_box(-300, 0, 400, 300)}],
            access=[{"kind": "standing", "name": "s", "geometry": shapely.Point(x * FOOT_M, 0)}],
            treatments=treatments,
        )
        reached.append(plan.units.loc[plan.units["status"] == "planned", "area_acre"].sum())
    assert reached[1] >= reached[0] * (1 - 1e-9)
