"""A patch that was found empty is looked at, with its hours, and nothing else: no method, no product, no mix."""

from __future__ import annotations

import csv
from dataclasses import replace

import pyogrio
import pypdf
import pytest
import shapely

import tussock
from site_factory import Sites, feet_box

SIDE_FT = 43560**0.5  # an acre
TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous", "shrub", "tree"]
method = "foliar_spot"
product = "glyphosate-upland"
concentration = "2 %"
spray_volume = "20 gal/acre"
preference = 1
"""
NO_ENTRY = """
[ruleset]
title = "no entry (invented)"
authority = "the warden"
source = "invented for tests"
status = "checked"
[[setback]]
id = "WATER-10"
from = { layer = "water" }
distance = "10 ft"
forbids = {}
source = "invented for tests"
[[setback]]
id = "DENS"
from = { layer = "receptors", kind = "den" }
distance = "5 ft"
forbids = { work = "all" }
source = "invented for tests"
[[setback]]
id = "NESTS"
from = { layer = "receptors", kind = "nest" }
distance = "5 ft"
forbids = { method = ["mow", "cut"] }
source = "invented for tests"
"""
OPERATIONS = """
[crew]
size = 2
wage = "30 USD/hour"
setup_time = "20 min"
day = "8 hour"
source = "invented for tests"
[time]
travel = "60 min"
breaks = "30 min"
records = "6 min"
cleaning = "12 min"
search = "0.5 acre/hour"
walk = "1 m/s"
terrain_factor = 1.0
source = "invented for tests"
[[production]]
method = "foliar_spot"
rate = "0.5 acre/hour"
source = "invented for tests"
[[price]]
product = "glyphosate-upland"
price = "40 USD/gal"
source = "invented for tests"
[calendar]
first = 2027-08-02
last = 2027-09-30
source = "invented for tests"
[followup]
years = 3
source = "invented for tests"
[[followup.regrowth]]
share = "50 %"
source = "invented for tests"
"""


def patch(place, name, cover, **more):
    west = place * 400
    row = {
        "patch_id": name,
        "species": "reed",
        "growth_form": "herbaceous",
        "cover_pct": cover,
        "stem_count": None,
        "status": None,
        "geometry": feet_box(west, 0, west + SIDE_FT, SIDE_FT),
    }
    return row | more


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    sites = Sites(tmp_path_factory.mktemp("look"))
    den = {"kind": "den", "name": "den", "geometry": feet_box(9 * 400, 0, 9 * 400 + SIDE_FT, SIDE_FT)}
    nest = {"kind": "nest", "name": "nest", "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT)}
    return sites.plan(
        [
            patch(0, "zero", "0"),
            patch(1, "word", "eradicated"),
            patch(2, "status", "60", status="Eradicated"),
            patch(3, "stems", None, growth_form="shrub", stem_count=0.0),
            patch(4, "both", "0", growth_form="shrub", stem_count=12.0),
            patch(5, "live", "50", status="present"),
            patch(6, "zeroed", "40", stem_count=0.0),
            patch(7, "range", "0-10"),
            patch(9, "den", "0"),
        ],
        receptors=[den, nest],
        access=[{"kind": "parking", "name": "lot", "geometry": shapely.Point(-100, 10)}],
        rules=NO_ENTRY,
        treatments=TREATMENTS,
        operations=OPERATIONS,
        site='default_cover = "25 %"\n[[closure]]\nid = "nests"\nseason = ["04-01", "07-15"]\nreason = "birds"\nsource = "invented"\n',
    )


EMPTY = ["zero", "word", "status", "stems"]


def units(plan):
    return plan.units.set_index("patch_id")


def test_what_says_that_nothing_grows_there(plan):
    found = plan.patches.set_index("patch_id")["found_empty"]
    assert found[EMPTY].tolist() == ["cover 0", "cover eradicated", "Eradicated", "0 stems"]
    assert (found[["both", "live", "zeroed", "range"]] == "").all()
    told = plan.findings.set_index("row")["what"]
    assert told["status"] == "found empty (Eradicated), but cover 60 % mapped"
    assert told["both"] == "cover 0, but stems mapped"
    assert units(plan)["infested_acre"][EMPTY].tolist() == [0.0] * 4
    assert units(plan)["infested_acre"].isna()["both"]


def test_a_look_and_nothing_else(plan):
    looked = units(plan).loc[EMPTY]
    assert (looked["method"] == "look").all()
    assert (looked["status"] == "planned").all()
    assert (looked[["treatment_id", "product_id", "active", "tank_mix", "carrier"]] == "").all(axis=None)
    assert (looked[["spray_gal", "product_fl_oz", "ae_lb", "ae_lb_per_acre", "loads"]] == 0).all(axis=None)
    assert looked["reason"].str.contains("found empty .*: a look and no treatment").all()
    judged = plan.options[plan.options["unit_id"].isin(looked["unit_id"])]
    assert (judged["verdict"] == "refused").all()
    assert judged["reason"].str.contains("unlock: map what stands there").all()
    assert set(plan.product_budget["unit_count"]) == {4}  # both, live, zeroed, range
    assert plan.patches.set_index("patch_id")["status"][EMPTY].tolist() == ["planned"] * 4
    # outside the closure; a rule on mowing does not close a look, one on all work does
    assert (looked["season_from"] == "2027-07-16").all()
    den = units(plan).loc["den"]
    assert (den["status"], den["method"], den["crew_hours"]) == ("no_option", "", 0)
    assert "DENS" in den["reason"]


def test_its_hours_by_hand(plan):
    # 100 m from the lot, there and back at 1 m/s, two persons: 400 s; an acre at 0.5 acre/hour: 2 h; boots 12 min each;
    # a record of 6 min. Of the 8 h of a day 6.5 are on the site: paid hours are 8 / 6.5 of that. No set-up.
    on_site = 400 / 3600 + 2 + 2 * 12 / 60 + 6 / 60
    unit = units(plan).loc["zero"]
    assert unit["crew_hours"] == pytest.approx(on_site * 8 / 6.5, rel=1e-4)
    assert unit["cost"] == pytest.approx(30 * on_site * 8 / 6.5, rel=1e-4)
    hours = plan.work["unit_hours"].set_index("patch_id").loc["zero"]
    assert (hours[["setup_hours", "treating_hours", "refill_hours", "mixing_hours", "flagging_hours"]] == 0).all()
    season = plan.budget.set_index("item")["likely"]
    assert season["net area that is looked at (found empty)"] == pytest.approx(4, rel=1e-5)
    assert season["net area with a treatment"] == pytest.approx(4, rel=1e-5)
    assert season["crew time"] == pytest.approx(plan.units["crew_hours"].sum(), rel=1e-9)
    assert set(plan.work["follow_up"]["patch_id"]) == {"both", "live", "zeroed", "range"}
    days = plan.work["calendar"].set_index("patch_id")["note"]
    assert set(days[EMPTY]) == {"a look: found empty"}


def test_every_output_shows_the_look_and_the_review_agrees(plan, tmp_path):
    folder = plan.write(tmp_path / "plan")
    found = tussock.review_plan(folder)
    assert found[found["level"] == "violation"].empty
    with (folder / "record.csv").open(encoding="utf-8") as file:
        record = {row["patch_id"]: row for row in csv.DictReader(file)}
    assert {name for name, row in record.items() if row["method"] == "look"} == set(EMPTY)
    assert record["zero"]["product_id"] == ""
    sheets = " ".join(page.extract_text() for page in pypdf.PdfReader(folder / "crew_sheets.pdf").pages)
    assert sheets.count("LOOK ONLY: found empty.") == 4
    assert "a look: found empty" in (folder / "season.ics").read_bytes().decode().replace("\r\n ", "")
    assert "Look only: found empty" in (folder / "map.html").read_text(encoding="utf-8")
    assert "look at patches that were found empty" in (folder / "bid_schedule.csv").read_text(encoding="utf-8")
    assert pyogrio.read_dataframe(folder / "plan.gpkg", layer="units")["method"].eq("look").sum() == 4


def test_the_review_finds_a_visit_with_herbicide_on_empty_ground(plan, tmp_path):
    units = plan.units.copy()
    row = units["patch_id"] == "zero"
    live = units[units["patch_id"] == "live"].iloc[0]
    for name in ("treatment_id", "method", "delivery", "product_id", "active"):
        units.loc[row, name] = live[name]
    patches = plan.patches.copy()
    patches.loc[patches["patch_id"] == "live", "found_empty"] = "cover 0"
    found = tussock.review_plan(replace(plan, units=units, patches=patches).write(tmp_path / "plan"))
    bad = found[(found["level"] == "violation") & (found["expected"] == "a look, or nothing")]
    assert set(bad["where"]) == {"unit zero-01", "unit live-01"}
