"""Every cell of a published buffer table, decided by the packaged rule set.

USDA Forest Service, Siuslaw Invasive Plants Project, Appendix A, Project Design Criteria, Table A-1 (year not shown in
the part read). Distances in feet, on the slope, from the water's edge of perennial and intermittent streams, wetlands,
lakes, ponds and high water tables. Cells by delivery: broadcast, spot, hand. A star: no buffer where the wetland, pond
or lake is dry.
"""

from __future__ import annotations

from itertools import product

import pytest

from tussock.base.records import DELIVERY, Ruleset
from tussock.trade.rulesets import read_packaged

NONE, EDGE, PROHIBITED = "no buffer", "to the water's edge", "prohibited"
# active, form, aquatic label: broadcast, spot, hand
TABLE = {
    ("clopyralid", "salt", False): ("100", "15", EDGE),
    ("glyphosate", "salt", False): ("100", "50", "50"),
    ("glyphosate", "salt", True): ("50*", NONE, NONE),
    ("imazapic", "salt", False): ("100", "15", EDGE),
    ("imazapyr", "salt", True): ("50*", NONE, NONE),
    ("imazapyr", "salt", False): ("100", "50", EDGE),
    ("sethoxydim", "ester", False): ("100", "50", "50"),
    ("triclopyr", "amine", True): (PROHIBITED, "15", NONE),
}
CELLS = [
    (*key, delivery, cell)
    for key, cells in TABLE.items()
    for delivery, cell in zip(("broadcast", "spot", "hand"), cells, strict=True)
]
RUNNING = ("stream", "stream_perennial", "stream_intermittent", "creek", "river", "high_water_table")
STILL = ("wetland", "lake", "pond")
FOOT = 0.3048


@pytest.fixture(name="table", scope="module")
def fixture_table() -> Ruleset:
    return Ruleset.model_validate(read_packaged("USFS-SIUSLAW-A1"))


def decide(table, kind, state, method, active, form, aquatic_label):
    """Return what the rule set says: "not listed", "prohibited", or the largest distance [ft], None without one."""
    wanted = {"method": method, "active": active, "form": form, "aquatic_label": aquatic_label}
    against = [setback for setback in table.setback if setback.forbids.matches(**wanted)]
    if any(setback.distance == "anywhere" for setback in against):
        return PROHIBITED
    if not any(row.matches(**wanted) for row in table.listed):
        return "not listed"
    here = [
        setback.distance_m / FOOT
        for setback in against
        if kind in setback.source_filter.kind and setback.source_filter.state in (None, state)
    ]
    return max(here, default=None)


def distance_ft(cell, *, dry_pond=False):
    if cell == NONE or (cell.endswith("*") and dry_pond):
        return None
    return 0.0 if cell == EDGE else float(cell.rstrip("*"))


def test_there_are_24_cells():
    assert len(CELLS) == 24


@pytest.mark.parametrize(("active", "form", "aquatic_label", "delivery", "cell"), CELLS)
def test_cell(table, active, form, aquatic_label, delivery, cell):
    methods = [name for name, of in DELIVERY.items() if of == delivery]
    for method, kind, state in product(methods, RUNNING + STILL, ("wet", "dry")):
        found = decide(table, kind, state, method, active, form, aquatic_label)
        if cell == PROHIBITED:
            assert found == PROHIBITED
        else:
            wanted = distance_ft(cell, dry_pond=state == "dry" and kind in STILL)
            assert found == (None if wanted is None else pytest.approx(wanted, rel=1e-12))


@pytest.mark.parametrize("method", [name for name, of in DELIVERY.items() if of != "none"])
@pytest.mark.parametrize("aquatic_label", [True, False])
def test_triclopyr_ester_is_not_listed(table, method, aquatic_label):
    assert decide(table, "stream", "wet", method, "triclopyr", "ester", aquatic_label) == "not listed"


@pytest.mark.parametrize(
    ("active", "form", "aquatic_label"),
    [
        ("2,4-D", "amine", True),
        ("triclopyr", "amine", False),
        ("clopyralid", "salt", True),
        ("dicamba", "amine", False),
    ],
)
def test_what_the_table_does_not_hold_is_not_listed(table, active, form, aquatic_label):
    assert decide(table, "pond", "wet", "foliar_spot", active, form, aquatic_label) == "not listed"


def test_header(table):
    assert table.ruleset.listed_only
    assert table.ruleset.status == "checked"
    assert len(table.listed) == 23  # 24 cells without the prohibited one
    assert {setback.measure for setback in table.setback} == {"slope"}


def test_every_row_carries_its_cell_as_source(table):
    sources = [row.source for row in (*table.setback, *table.listed)]
    assert all("Table A-1, cell " in source for source in sources)


@pytest.mark.parametrize(
    ("band_ft", "method", "active", "aquatic_label", "allowed"),
    [
        # a creek bank in five bands by distance from the wetted edge; -1 stands for the channel itself
        (-1, "cut_stump", "glyphosate", True, True),
        (-1, "stem_injection", "imazapyr", True, True),
        (-1, "foliar_spot", "triclopyr", True, False),
        (7, "foliar_spot", "triclopyr", True, False),
        (16, "foliar_spot", "triclopyr", True, True),
        (200, "boom", "triclopyr", True, False),
        (16, "cut_stump", "glyphosate", False, False),
        (51, "cut_stump", "glyphosate", False, True),
        (51, "boom", "glyphosate", False, False),
        (101, "boom", "glyphosate", False, True),
    ],
)
def test_creek_bank_by_hand(table, band_ft, method, active, aquatic_label, allowed):
    form = "amine" if active == "triclopyr" else "salt"
    found = decide(table, "stream", "wet", method, active, form, aquatic_label)
    clear = found not in (PROHIBITED, "not listed") and (found is None or band_ft > found)
    assert clear == allowed
