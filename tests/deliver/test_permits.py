"""Permits and notices with their counters, against arithmetic by hand on drawn rectangles."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from site_factory import Sites, feet_box
from tussock.base.errors import InputError
from tussock.deliver.permits import list_permits

ACRE_FT2 = 43_560

RULES = """
[ruleset]
title = "rules for tests (invented)"
authority = "nobody"
source = "invented for tests"
read_by = "nobody"
status = "checked"

[[setback]]
id = "IN-WATER"
from = {{ layer = "water", kind = "pond", state = "wet" }}
distance = "0 ft"
permit = "the watershed office"
{counts}
source = "invented for tests"

[[setback]]
id = "AQUATIC"
from = {{ layer = "water" }}
distance = "0 ft"
forbids = {{ aquatic_label = false }}
source = "invented for tests"
"""
#: The whole patch is within the throw: reach is not what is counted here.
TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "30 gal/acre"
throw = "120 ft"
source = "invented for tests"
"""
#: A pond of 1,000 ft x 400 ft, its north shore at y = 0; a patch of 200 ft x 150 ft, 100 ft of it in the pond.
POND = {"geometry": feet_box(0, -400, 1000, 0), "kind": "pond", "state": "wet"}
PATCH = {
    "geometry": feet_box(300, -100, 500, 50),
    "patch_id": "P1",
    "species": "reed",
    "growth_form": "herbaceous",
    "cover_pct": "100",
}
#: Earlier work this year on 100 ft x 100 ft of the pond, half of it on the ground of the patch.
EARLIER = {
    "geometry": feet_box(450, -100, 550, 0),
    "product_id": "glyphosate-aquatic",
    "ae_lb_per_acre": 1.0,
    "date": "2027-04-10",
}


def count(tmp_path: Path, counts: str, *, history: list[dict[str, Any]] | None = None, **options: Any) -> Any:
    """The one row of the list of permits."""
    plan = Sites(tmp_path).plan(
        [PATCH], water=[POND], history=history, rules=RULES.format(counts=counts), treatments=TREATMENTS, **options
    )
    table = list_permits(plan)
    assert table["setback_id"].tolist() == ["IN-WATER"]
    return table.iloc[0]


def test_water_area_and_shoreline_by_hand(tmp_path: Path) -> None:
    """200 ft x 100 ft of pond is 20,000 ft2; the shore runs through the patch for 200 ft."""
    row = count(tmp_path, "counts = { treated_water_area = true, shoreline = true }")
    assert row["treated_water_acre"] == pytest.approx(20_000 / ACRE_FT2, rel=1e-4)
    assert row["shoreline_ft"] == pytest.approx(200, rel=1e-3)
    assert (row["unit_count"], row["repeats"], row["earlier_count"]) == (1, "once", 0)


def test_the_same_ground_counts_once_unless_repeats_count(tmp_path: Path) -> None:
    """Together 200 x 100 + 50 x 100 ft2 and 250 ft of shore; each time 200 x 100 + 100 x 100 ft2 and 300 ft."""
    both = "treated_water_area = true, shoreline = true"
    once, each = (tmp_path / name for name in ("once", "each"))
    for folder in (once, each):
        folder.mkdir()
    row = count(once, f"counts = {{ {both}, repeats = false }}", history=[EARLIER])
    assert row["treated_water_acre"] == pytest.approx(25_000 / ACRE_FT2, rel=1e-4)
    assert row["shoreline_ft"] == pytest.approx(250, rel=1e-3)
    assert row["earlier_count"] == 1
    row = count(each, f"counts = {{ {both}, repeats = true }}", history=[EARLIER])
    assert row["treated_water_acre"] == pytest.approx(30_000 / ACRE_FT2, rel=1e-4)
    assert row["shoreline_ft"] == pytest.approx(300, rel=1e-3)
    assert row["repeats"] == "counted"


def test_what_a_rule_set_does_not_count_is_blank(tmp_path: Path) -> None:
    none, area = (tmp_path / name for name in ("none", "area"))
    for folder in (none, area):
        folder.mkdir()
    row = count(none, "")
    assert row[["treated_water_acre", "shoreline_ft"]].isna().all()
    assert row["repeats"] == ""
    row = count(area, "counts = { treated_water_area = true }")
    assert row["treated_water_acre"] > 0
    assert row[["shoreline_ft"]].isna().all()


@pytest.mark.parametrize(
    ("counts", "found"),
    [
        ("counts = { repeats = true }", "nothing to count"),
        ("counts = { treated_area = true }", "treated_area"),
        ("counts = 3", "counts"),
    ],
)
def test_counters_that_say_nothing_are_refused(tmp_path: Path, counts: str, found: str) -> None:
    with pytest.raises(InputError, match=found):
        count(tmp_path, counts)


def test_only_permits_and_notices_count(tmp_path: Path) -> None:
    rules = RULES.format(counts="counts = { shoreline = true }").replace(
        'permit = "the watershed office"', "forbids = {}"
    )
    with pytest.raises(InputError, match="counts without permit or notify"):
        Sites(tmp_path).plan([PATCH], water=[POND], rules=rules, treatments=TREATMENTS)
