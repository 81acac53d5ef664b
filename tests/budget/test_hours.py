"""Hours and money of a unit against figures worked by hand, term by term; they are round on purpose."""

from __future__ import annotations

import tomllib

import pytest
import shapely

from site_factory import ACRE_M2, FOOT_M, feet_box
from tussock.base.records import Operations, Treatment
from tussock.budget.operations import find_times, list_time_basis
from tussock.budget.units import Visit, find_effort, find_walking_pace
from tussock.trade.times import DEFAULTS

SPOT = Treatment.model_validate(
    {
        "id": "spot",
        "growth_form": ["herbaceous"],
        "method": "foliar_spot",
        "product": "glyphosate-aquatic",
        "concentration": "2 %",
        "spray_volume": "20 gal/acre",
        "equipment": "pack",
    }
)
GALLON_L = 3.785411784
#: One acre, half of it infested: 0.5 acre x 20 gal/acre = 10 gal, 2 % of it product.
UNIT = {
    "area_m2": ACRE_M2,
    "infested_m2": ACRE_M2 / 2,
    "stems": float("nan"),
    "spray_l": 10 * GALLON_L,
    "product_l": 0.2 * GALLON_L,
    "spray_s": float("nan"),
    "product_id": "glyphosate-aquatic",
    "dye_l": 0.1 * GALLON_L,
    "adjuvant_l": 0.0,
    "carrier": "water",
}
#: 300 m from the vehicle, 450 m from the mixing place, 90 m of setback edge to flag.
VISIT = Visit(units=1, walk_m=300.0, mixing_m=450.0, edge_m=90.0)


def record(*texts):
    return Operations.model_validate(tomllib.loads("\n".join(texts)))


def test_every_term_of_the_hours_by_hand(operations, time_model):
    effort = find_effort(record(operations, time_model), SPOT, UNIT, {}, VISIT)
    expected = {
        "loads": 3,  # 10 gal in 4 gal: 4 + 4 + 2
        "setup_h": 3 * 20 / 60,  # whole crew
        "walk_in_h": 2 * 300 * 1.2 / 1.0 / 3600 * 3,  # there and back at 1 m/s, whole crew
        "search_h": 1 / 2,  # 1 acre at 2 acre/hour
        "treating_h": 0.5 / 0.25,
        "refill_h": 3 * 12 / 60 + 2 * 2 * 450 * 1.2 / 1.0 / 3600,  # the first load is filled on the way in
        "mixing_h": 3 * 5 / 60,
        "flagging_h": 90 / 0.5 / 3600,
        "cleaning_h": 3 * 10 / 60,
        "records_h": 6 / 60,
    }
    for name, value in expected.items():
        assert getattr(effort, name) == pytest.approx(value, rel=1e-12), name
    on_site = 1 + 0.6 + 0.5 + 2 + 1.2 + 0.25 + 0.05 + 0.5 + 0.1
    assert sum(value for name, value in expected.items() if name != "loads") == pytest.approx(on_site)
    # a day of 8 h has 7 h on the site: 40 min of travel and 20 min of breaks go with it
    assert effort.travel_h == pytest.approx(on_site * (40 / 60) / 7)
    assert effort.breaks_h == pytest.approx(on_site * (20 / 60) / 7)
    assert effort.crew_h == pytest.approx(on_site * 8 / 7)
    assert effort.productive_h == pytest.approx(0.5 + 2 + 1.2 + 0.25 + 0.05)
    assert effort.labour_cost == pytest.approx(on_site * 8 / 7 * 36)
    assert effort.product_cost == pytest.approx(0.2 * 40)
    assert effort.equipment_cost == pytest.approx((2 + 1.2) * 5)
    assert effort.cost == pytest.approx(on_site * 8 / 7 * 36 + 8 + 16)


def test_without_a_time_table_only_the_three_terms_count(operations):
    effort = find_effort(record(operations), SPOT, UNIT, {}, VISIT)
    assert effort.crew_h == pytest.approx(1 + 2 + 0.6)
    assert (effort.walk_in_h, effort.search_h, effort.mixing_h, effort.travel_h, effort.breaks_h) == (0, 0, 0, 0, 0)


def test_treating_takes_no_less_than_the_nozzle_is_open(operations):
    """10 gal through 0.05 gal/min is 200 min, more than the 120 min of the pace; through 0.1 gal/min 100 min, less."""
    hours = [
        find_effort(record(operations), SPOT, UNIT | {"spray_s": minutes * 60}, {}).treating_h for minutes in (200, 100)
    ]
    assert hours == pytest.approx([200 / 60, 2])


def test_stem_work_is_timed_by_the_stem(operations):
    """90 stems at 45 an hour."""
    stump = Treatment.model_validate(
        {"id": "stump", "growth_form": ["tree"], "method": "cut_stump", "product": "glyphosate-aquatic"}
        | {"concentration": "50 %", "dose_per_stem": "10 mL"}
    )
    pace = '[[production]]\nmethod = "cut_stump"\nstems = "45/hour"\nsource = "invented for tests"'
    unit = UNIT | {"stems": 90.0, "spray_l": 0.9, "product_l": 0.45}
    assert find_effort(record(operations, pace), stump, unit, {}).treating_h == pytest.approx(2)


def test_units_of_one_patch_share_the_visit(operations, time_model):
    alone, shared = (
        find_effort(record(operations, time_model), SPOT, UNIT, {}, Visit(units=count, walk_m=300.0))
        for count in (1, 4)
    )
    assert shared.walk_in_h == pytest.approx(alone.walk_in_h / 4)
    assert shared.cleaning_h == pytest.approx(alone.cleaning_h / 4)
    assert shared.setup_h == alone.setup_h


def test_dirty_sites_take_the_longer_cleaning(operations, time_model):
    text = time_model + 'cleaning_dirty = "25 min"\n'
    effort = find_effort(record(operations, text), SPOT, UNIT, {}, Visit(dirty=True))
    assert effort.cleaning_h == pytest.approx(3 * 25 / 60)


def test_walking_pace_by_slope():
    """Tobler 1993: 6 km/h x exp(-3.5 |slope + 0.05|), 0.6 off a path; 10 %: up 3.55 x 0.6, down 5.04 x 0.6 km/h."""
    times = find_times(record('[time]\nsource = "invented for tests"'))
    assert find_walking_pace(times, 0.0) * 3.6 == pytest.approx(3.02, abs=0.005)
    up, down = 6 * 0.591555 * 0.6, 6 * 0.839457 * 0.6  # exp(-0.525), exp(-0.175)
    assert find_walking_pace(times, 0.1) * 3.6 == pytest.approx(2 * up * down / (up + down), rel=1e-5)
    assert find_walking_pace(times, 0.3) < find_walking_pace(times, 0.1)


def test_every_default_says_where_it_comes_from():
    text = '[crew]\nsize = 2\nwage = "30 USD/hour"\nsource = "a"\n[time]\ntravel = "1 hour"\nsource = "b"'
    rows = list_time_basis(record(text), "us").set_index("term")
    assert rows.loc["travel", ["size", "unit", "taken_from", "source"]].tolist() == [60, "min", "operations file", "b"]
    defaults = rows[rows["taken_from"] != "operations file"]
    assert len(defaults) == len(DEFAULTS) == len(rows) - 1  # the day and all but travel, and the walking pace
    assert defaults["source"].str.contains("invented default|Tobler 1993").all()


def test_times_are_shown_in_the_units_of_the_site(operations, time_model):
    """2 acre/hour is 2 acre/hour; 0.5 m/s is 30 m/min, and 98.43 ft/min; 3.6 km/hour is 60 m/min."""
    us, metric = (list_time_basis(record(operations, time_model), name).set_index("term") for name in ("us", "metric"))
    assert us.loc["search", ["size", "unit"]].tolist() == [pytest.approx(2), "acre/hour"]
    assert us.loc["flagging", ["size", "unit"]].tolist() == [pytest.approx(30 / FOOT_M), "ft/min"]
    assert metric.loc["search", ["size", "unit"]].tolist() == [pytest.approx(0.809371, rel=1e-5), "ha/hour"]
    assert metric.loc["walk", ["size", "unit"]].tolist() == [pytest.approx(60), "m/min"]
    assert metric.loc["terrain_factor", ["size", "unit"]].tolist() == [1.2, ""]


def test_roles_give_size_licence_and_mean_wage():
    crew = record(
        '[crew]\nsource = "x"\n[[crew.role]]\nname = "lead"\ncount = 1\nwage = "42 USD/hour"\nlicensed = true\n'
        '[[crew.role]]\nname = "hand"\ncount = 2\nwage = "30 USD/hour"'
    ).crew
    assert (crew.size, crew.licensed) == (3, 1)
    assert crew.wage_per_s[0] * 3600 == pytest.approx((42 + 2 * 30) / 3)


# ------------------------------------------------------------ distances on the ground

WATER = {"kind": "pond", "state": "wet", "geometry": feet_box(-300, -500, -101, 600)}
NO_MIX = """
[[setback]]
id = "NO-MIX"
from = { layer = "water" }
distance = "100 ft"
no_mixing = true
source = "invented for tests"
"""
PATCH = {
    "patch_id": "P1",
    "species": "reed",
    "growth_form": "herbaceous",
    "cover_pct": 50,
    "geometry": feet_box(0, 0, 300, 150),
}


@pytest.fixture
def rules(no_spray):
    return no_spray(201) + NO_MIX  # 100 ft into the patch; the edge of NO-MIX stays a foot off it


def point(x, y):
    return shapely.Point(x * FOOT_M, y * FOOT_M)


def test_way_in_mixing_place_and_flagged_edge_on_the_ground(sites, operations, time_model, treatments, rules):
    """Setback edge 100 ft into the patch, 150 ft long; yard 400 ft and mixing place 700 ft east of the patch."""
    access = [
        {"kind": "parking", "name": "yard", "geometry": point(700, 75)},
        {"kind": "mixing", "name": "pad", "geometry": point(1000, 75)},
    ]
    text = operations + time_model
    plan = sites.plan([PATCH], water=[WATER], access=access, rules=rules, treatments=treatments, operations=text)
    hours = plan.work["unit_hours"].set_index("unit_id")
    units = plan.units.set_index("unit_id")
    near, far = units.index[units["method"] == "pull"][0], units.index[units["method"] == "foliar_spot"][0]
    assert hours.loc[far, "walk_ft"] == pytest.approx(400, rel=1e-4)
    assert hours.loc[near, "walk_ft"] == pytest.approx(600, rel=1e-4)
    assert hours.loc[far, "mixing_ft"] == pytest.approx(700, rel=1e-4)
    assert hours.loc[[near, far], "limited_edge_ft"].tolist() == pytest.approx([75, 75], rel=1e-3)
    # 600 ft, the longer of the two ways in, there and back for three, shared by two units
    walk_h = 2 * 600 * FOOT_M * 1.2 / 3600 * 3 / 2
    assert hours["walk_in_hours"].tolist() == pytest.approx([walk_h, walk_h], rel=1e-4)
    assert plan.work["mixing_places"]["verdict"].tolist() == ["meets the loaded rules as mapped"]


def test_the_crew_walks_in_anew_on_each_day(sites, operations, time_model, treatments, rules):
    """3 acres, all sprayed at 0.25 acre/hour and 20 gal/acre: some 20 h with loads, on a site day of 7 h x 3: 21 h.

    With twice the ground it is two days, so two ways in.
    """
    access = [{"kind": "parking", "name": "yard", "geometry": point(-400, 50)}]
    walk = {}
    for acres in (3, 6):
        shape = feet_box(0, 0, acres * 435.6, 100)
        rows = [PATCH | {"cover_pct": 100, "geometry": shape}]
        plan = sites.plan(
            rows,
            water=[WATER | {"geometry": feet_box(9000, 0, 9100, 100)}],
            access=access,
            rules=rules,
            treatments=treatments,
            operations=operations + time_model,
        )
        hours = plan.work["unit_hours"].iloc[0]
        on_site = hours["crew_hours"] * 7 / 8
        walk[acres] = hours["walk_in_hours"]
        assert (on_site > 21) == (acres == 6)
        for name in ("infestations", "water", "access"):
            (sites.folder / f"{name}.gpkg").unlink()
    assert walk[6] == pytest.approx(2 * walk[3], rel=1e-6)


def test_a_mixing_place_inside_a_mixing_ban_is_not_used(sites, operations, time_model, treatments, rules):
    access = [
        {"kind": "mixing", "name": "shore", "geometry": point(-50, 75)},  # 50 ft from the pond
        {"kind": "mixing", "name": "pad", "geometry": point(1000, 75)},
    ]
    text = operations + time_model
    plan = sites.plan([PATCH], water=[WATER], access=access, rules=rules, treatments=treatments, operations=text)
    verdicts = plan.work["mixing_places"].set_index("place")["verdict"]
    assert verdicts["mixing shore"] == "inside: not used for mixing"
    assert set(plan.work["unit_hours"]["mixing_place"]) == {"mixing pad"}
    found = plan.findings[(plan.findings["stage"] == "budget") & (plan.findings["row"] == "mixing shore")]
    assert found["what"].str.contains("NO-MIX").all()
    assert len(found) == 1


def test_no_place_to_mix_leaves_the_hours_of_sprayed_units_blank(sites, operations, time_model, treatments, rules):
    access = [{"kind": "mixing", "name": "shore", "geometry": point(-50, 75)}]
    text = operations + time_model
    plan = sites.plan([PATCH], water=[WATER], access=access, rules=rules, treatments=treatments, operations=text)
    units = plan.units.set_index("method")
    assert units.loc["foliar_spot", ["crew_hours", "cost"]].isna().all()
    assert units.loc["pull", "crew_hours"] > 0
    assert plan.findings["what"].str.contains("no place is left where mixing is allowed").any()


def test_a_mixing_place_that_is_not_mapped_is_an_error(sites, operations, time_model, treatments, rules):
    import tussock

    text = operations + time_model + 'mixing_at = ["quarry"]\n'
    access = [{"kind": "parking", "name": "yard", "geometry": point(700, 75)}]
    with pytest.raises(tussock.InputError, match=r'time\.mixing_at: found "quarry"; name a point or an area .*: yard'):
        sites.plan([PATCH], water=[WATER], access=access, rules=rules, treatments=treatments, operations=text)
