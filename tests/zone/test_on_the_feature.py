"""A distance of 0 ft is the feature itself: what a well or a line without width stands on is inside.

"Standing exactly at the distance counts as inside", so at 0 ft the unit that a point or a line touches has the rule. A
lake has ground of its own: a patch that only shares its shore is not on it. All distances here are 0 by construction.
"""

from __future__ import annotations

import pytest
import shapely

import tussock
from site_factory import FOOT_M, NO_RULES, Sites, feet_box

SITE = """
[[setback]]
id = "ON-WELL"
from = { layer = "receptors", kind = ["well"] }
distance = "0 ft"
forbids = {}
source = "invented for tests"
[[setback]]
id = "IN-WATER"
from = { layer = "water" }
distance = "0 ft"
forbids = { aquatic_label = false }
source = "invented for tests"
[[setback]]
id = "LAKE-50"
from = { layer = "water", kind = ["lake"] }
distance = "50 ft"
forbids = { method = "boom" }
source = "invented for tests"
"""


def row(name, shape):
    return {"patch_id": name, "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": shape}


def point(x, y):
    return shapely.Point(x * FOOT_M, y * FOOT_M)


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Patch A holds a well and a brook without width crosses it; B shares the lake's shore; C has the well at its edge."""
    patches = [
        row("A", feet_box(0, 0, 200, 200)),
        row("B", feet_box(1000, 0, 1200, 200)),
        row("C", feet_box(2000, 0, 2200, 200)),
        row("D", feet_box(3000, 0, 3200, 200)),
    ]
    brook = shapely.LineString([(-100 * FOOT_M, 30), (300 * FOOT_M, 40)])
    water = [
        {"kind": "brook", "width_ft": 0.0, "geometry": brook},
        {"kind": "lake", "width_ft": 0.0, "geometry": feet_box(900, -500, 1000, 700)},
    ]
    receptors = [
        {"kind": "well", "name": name, "geometry": point(*xy)}
        for name, xy in (("in A", (100, 50)), ("at C", (2000, 100)), ("off D", (3200.1, 100)))
    ]
    path = Sites(tmp_path_factory.mktemp("on")).write(
        patches,
        water=water,
        receptors=receptors,
        rules=NO_RULES + SITE,
        layer_lines={"water": 'zero_width = "none"'},
    )
    plan = tussock.make_plan(tussock.read_site(path))
    return plan, plan.write(path.parent / "plan"), path


def in_force(plan, patch):
    return [set(filter(None, text.split(";"))) for text in plan.units.query(f"patch_id == '{patch}'")["setbacks"]]


def test_a_well_or_a_line_without_width_is_inside_what_it_stands_on(planned):
    plan, _, _ = planned
    assert in_force(plan, "A") == [{"ON-WELL", "IN-WATER"}]
    assert in_force(plan, "C") == [{"ON-WELL"}]  # exactly at the distance
    assert in_force(plan, "D") == [set()]  # 0.1 ft off
    rows = plan.compliance.set_index(["unit_id", "setback_id"])
    well = rows.loc[("A-01", "ON-WELL")]
    assert (well["feature"], well["achieved_ft"], well["distance_verdict"]) == ("well in A", 0.0, "inside")
    assert rows.loc[("D-01", "ON-WELL"), "achieved_ft"] == pytest.approx(0.1, rel=1e-3)


def test_a_shared_shore_is_not_on_the_lake(planned):
    plan, _, _ = planned
    assert sorted(in_force(plan, "B"), key=len) == [set(), {"LAKE-50"}]


def test_the_review_agrees_and_finds_one_that_is_struck_out(planned, tmp_path):
    import shutil
    import sqlite3

    _, folder, path = planned
    found = tussock.review_plan(folder, path)
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
    copy = shutil.copytree(folder, tmp_path / "copy")
    with sqlite3.connect(copy / "plan.gpkg") as base:
        base.create_function("ST_IsEmpty", 1, lambda _: 0)
        for name in ("MinX", "MaxX", "MinY", "MaxY"):
            base.create_function(f"ST_{name}", 1, lambda _: 0.0)
        base.execute("UPDATE units SET setbacks = 'IN-WATER' WHERE unit_id = 'A-01'")
    found = tussock.review_plan(copy)
    missed = found[(found["check"] == "setbacks") & (found["level"] == "violation")]
    assert missed["where"].tolist() == ["unit A-01, setbacks"]
