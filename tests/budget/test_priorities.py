"""Ranking and cut line worked by hand; streams and criteria on drawn ground."""

from __future__ import annotations

import tomllib

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from site_factory import FOOT_M, NO_RULES, feet_box
from tussock.base.records import Operations
from tussock.budget.priorities import CRITERIA, list_moves, list_weights, rank_patches
from tussock.budget.streams import list_downstream, place_on_streams


def record(money, weights=""):
    text = f'[priorities]\nsource = "invented for tests"\n{weights}\n[money]\n{money}\nsource = "invented for tests"'
    return Operations.model_validate(tomllib.loads(text))


def tables():
    """Three patches: A is retreated work, B is upstream, C is near something of value; 10, 20 and 30 h."""
    criteria = pd.DataFrame(0.0, index=["A", "B", "C"], columns=list(CRITERIA))
    criteria.loc["A", "retreatment"], criteria.loc["B", "upstream"], criteria.loc["C", "value_at_risk"] = 1.0, 0.95, 0.5
    patches = pd.DataFrame(
        {"status": "planned", "crew_h": [10.0, 20.0, 30.0], "cost": [400.0, 900.0, 1000.0], "infested_m2": 1.0},
        index=criteria.index,
    )
    return patches, criteria


def test_score_is_the_weighted_mean_and_the_line_is_where_the_hours_end():
    patches, criteria = tables()
    operations = record('budget_hours = "30 hours"', "retreatment = 2.0")
    table = rank_patches(patches, criteria, list_weights(operations.priorities), operations)
    assert table["score"].to_dict() == pytest.approx({"A": 2 / 6, "B": 0.95 / 6, "C": 0.5 / 6})
    assert table["line"].to_dict() == {"A": "in", "B": "in", "C": "out"}  # 10 + 20 = 30 fits exactly
    assert table["sum_h"].tolist() == [10, 30, 60]


def test_nothing_below_the_line_is_pulled_up():
    patches, criteria = tables()
    criteria.loc["C"] = 1.0  # C first: 30 h, then A with 40 in all does not fit, and neither does what follows
    operations = record('budget_hours = "35 hours"')
    table = rank_patches(patches, criteria, list_weights(operations.priorities), operations)
    assert table["line"].to_dict() == {"C": "in", "A": "out", "B": "out"}


def test_money_is_first_spent_on_mobilisation_and_contingency():
    """2,000 USD, 10 % contingency, 500 mobilisation: 2000 / 1.1 - 500 = 1318 for work; 1300 fits, 2300 does not."""
    patches, criteria = tables()
    operations = record('budget = "2000 USD"\nmobilisation = "500 USD"\ncontingency = "10 %"')
    table = rank_patches(patches, criteria, list_weights(operations.priorities), operations)
    assert table["line"].to_dict() == {"A": "in", "B": "in", "C": "out"}


def test_blank_cost_and_no_treatment_are_neither_in_nor_out():
    patches, criteria = tables()
    patches.loc["B", "cost"] = float("nan")
    patches.loc["C", ["status", "crew_h", "cost"]] = ["none", 0.0, 0.0]
    operations = record('budget = "2000 USD"')
    table = rank_patches(patches, criteria, list_weights(operations.priorities), operations)
    assert table["line"].to_dict() == {"A": "in", "B": "not known", "C": "no treatment"}


def test_a_fifth_more_on_one_weight_swaps_two_patches_at_the_line():
    """Room for one patch: A (1.00) stands above B (0.95) until upstream weighs 1.2 (1.14), or retreatment 0.8."""
    patches, criteria = tables()
    moves = list_moves(patches, criteria, record('budget_hours = "20 hours"'))
    assert moves["criterion"].iloc[0] == "as planned"
    assert moves["hours_in"].iloc[0] == 10
    changed = moves[moves["entering"] != ""].set_index(["criterion", "change_pct"])[["entering", "leaving", "hours_in"]]
    assert changed.to_dict("index") == {
        ("retreatment", -20.0): {"entering": "B", "leaving": "A", "hours_in": 20.0},
        ("upstream", 20.0): {"entering": "B", "leaving": "A", "hours_in": 20.0},
    }
    assert len(moves) == 1 + 2 * len(CRITERIA)


# ------------------------------------------------------------ along the streams


def lines(*coordinates):
    return gpd.GeoDataFrame(
        {"kind": "stream"}, index=range(len(coordinates)), geometry=[shapely.LineString(c) for c in coordinates]
    )


#: Two branches of 100 m that meet at (100, 0) and run 200 m on to the outlet at (300, 0).
FORK = lines([(0, 100), (100, 0)], [(0, -100), (100, 0)], [(100, 0), (300, 0)])


def box(x, y):
    return shapely.box(x - 1, y - 1, x + 1, y + 1)


def test_way_to_the_outlet_and_what_lies_below_what():
    patches = [box(150, 3), box(0, 100), box(250, 3), box(0, -100), box(150, 500)]
    places = place_on_streams(patches, FORK, 30.0)
    assert places[4] is None
    assert places[0].outlet_m == pytest.approx(150, abs=1.5)
    assert places[1].outlet_m == pytest.approx(2**0.5 * 100 + 200, abs=1.5)
    assert sorted(list_downstream(places)) == [(0, 2), (1, 0), (3, 0)]


def test_a_stream_that_runs_in_a_circle_ends():
    ring = lines([(0, 0), (100, 0)], [(100, 0), (50, 80)], [(50, 80), (0, 0)])
    assert place_on_streams([box(50, 0)], ring, 30.0)[0].outlet_m < 400


def test_criteria_on_drawn_ground(sites, operations, treatments):
    """P1 and P2 by the stream (P1 above), P2 treated last year, P3 a speck 50 ft from a well, P4 large and alone."""
    rows = [
        {
            "patch_id": name,
            "species": "reed",
            "growth_form": "herbaceous",
            "cover_pct": 50,
            "last_treated": year,
            "geometry": shape,
        }
        for name, year, shape in (
            ("P1", "", feet_box(0, 10, 200, 160)),
            ("P2", "2026-08-01", feet_box(600, 10, 800, 160)),
            ("P3", "2025", feet_box(2000, 1000, 2050, 1050)),
            ("P4", "", feet_box(4000, 1000, 4400, 1400)),
        )
    ]
    creek = shapely.LineString([(-1000 * FOOT_M, 0), (1000 * FOOT_M, 0)])
    water = [{"kind": "stream", "state": "wet", "width_ft": 6.0, "geometry": creek}]
    well = [{"kind": "well", "name": "well", "geometry": shapely.Point(2100 * FOOT_M, 1025 * FOOT_M)}]
    text = (
        operations + '[priorities]\nvalue_kinds = ["well"]\nvalue_distance = "200 ft"\nsource = "invented for tests"\n'
    )
    plan = sites.plan(rows, water=water, receptors=well, treatments=treatments, operations=text, rules=NO_RULES)
    table = plan.work["priorities"].set_index("patch_id")
    assert table["retreatment"].to_dict() == {"P1": 0, "P2": 1, "P3": 0, "P4": 0}
    assert table["small_outlier"].to_dict() == {"P1": 0, "P2": 0, "P3": 1, "P4": 0}
    assert table.loc["P3", "value_at_risk"] == pytest.approx(1 - 50 / 200, rel=1e-3)
    assert table.loc["P1", "upstream"] == 1
    assert 0 < table.loc["P2", "upstream"] < 1
    assert table.loc[["P3", "P4"], "upstream"].tolist() == [0, 0]
    assert table["feasibility"].tolist() == [1, 1, 1, 1]


def test_feasibility_is_the_share_of_the_ground_that_has_a_treatment(sites, operations, treatments, no_spray):
    """300 ft from the water's edge on; no spraying on the first 100 ft, and no other way is offered there."""
    pond = {"kind": "pond", "state": "wet", "geometry": feet_box(-300, 0, 0, 150)}
    row = {"patch_id": "P1", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    text = treatments.replace(
        'growth_form = ["herbaceous"]\nmethod = "pull"', 'growth_form = ["tree"]\nmethod = "pull"'
    )
    plan = sites.plan(
        [row | {"geometry": feet_box(0, 0, 300, 150)}],
        water=[pond],
        rules=no_spray(100),
        treatments=text,
        operations=operations + '[priorities]\nsource = "invented for tests"\n',
    )
    assert plan.work["priorities"]["feasibility"].tolist() == [pytest.approx(2 / 3, rel=1e-4)]


def test_records_of_the_year_before_the_season_speak_for_a_second_treatment(sites, operations, treatments):
    """Season October 2026 to September 2027: the twelve months before it begin on 1 October 2025."""
    dates = {"P1": "2025-09-30", "P2": "2025-10-01", "P3": "2026-09-30", "P4": "2026-10-01"}
    rows, records = [], []
    for place, (name, date) in enumerate(dates.items()):
        shape = feet_box(place * 1000, 0, place * 1000 + 200, 200)
        rows.append(
            {"patch_id": name, "species": "reed", "growth_form": "herbaceous", "cover_pct": 50} | {"geometry": shape}
        )
        records.append({"product_id": "", "active": "imazapyr", "ae_lb_per_acre": 0.1, "date": date, "geometry": shape})
    text = operations + '[priorities]\nsource = "invented for tests"\n'
    plan = sites.plan(
        rows,
        history=records,
        treatments=treatments,
        operations=text,
        rules=NO_RULES,
        season="{ from = 2026-10-01, to = 2027-09-30 }",
    )
    table = plan.work["priorities"].set_index("patch_id")
    assert table["retreatment"].to_dict() == {"P1": 0, "P2": 1, "P3": 1, "P4": 0}
    told = plan.findings[plan.findings["layer"] == "history"]
    assert told["what"].tolist() == ["2 records from before 1 Jan 2026"]
