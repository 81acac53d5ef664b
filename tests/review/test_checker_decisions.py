"""The checker by itself, from outlines and rules alone: published cells, widths of streams, errors of the map."""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import make_delivered
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.folder import run_checks
from tussock.review.setbacks import find_due
from tussock.trade.rulesets import read_packaged

POND = {"geometry": shapely.box(0, -60, 200, 0), "kind": "pond"}
METHODS = {"broadcast": "boom", "spot": "foliar_spot", "hand": "wick"}

# USDA Forest Service, Siuslaw Invasive Plants Project, Appendix A, Project Design Criteria, Table A-1 (year not shown in
# the part read): feet from the water's edge by active, form and label, for broadcast, spot and hand.
NONE, EDGE, PROHIBITED = "none", "to the water's edge", "prohibited"
TABLE = {
    ("clopyralid", "salt", False): (100, 15, EDGE),
    ("glyphosate", "salt", False): (100, 50, 50),
    ("glyphosate", "salt", True): (50, NONE, NONE),
    ("imazapic", "salt", False): (100, 15, EDGE),
    ("imazapyr", "salt", True): (50, NONE, NONE),
    ("imazapyr", "salt", False): (100, 50, EDGE),
    ("sethoxydim", "acid", False): (100, 50, 50),
    ("triclopyr", "amine", True): (PROHIBITED, 15, NONE),
}
CELLS = [(*key, delivery, cell) for key, cells in TABLE.items() for delivery, cell in zip(METHODS, cells, strict=True)]


def strip(start_ft, depth_ft=5):
    """Ground along the shore that begins at a distance from it."""
    return shapely.box(0, start_ft, 200, start_ft + depth_ft)


def review_strip(active, form, aquatic, delivery, start_ft, check, **options):
    """Violations and warnings of one check on a strip that is planned with a product."""
    method = METHODS[delivery]
    product = {
        "id": "p",
        "active": active,
        "form": form,
        "strength": "2 lb/gal",
        "aquatic_label": aquatic,
        "methods": {method: ["1 %", "50 %"]},
    }
    treatment = {
        "id": "t",
        "growth_form": ["herbaceous"],
        "method": method,
        "product": "p",
        "concentration": "2 %",
        "spray_volume": "10 gal/acre",
    }
    unit = {"treatment_id": "t", "method": method, "product_id": "p", "geometry": strip(start_ft)}
    delivered = make_delivered([unit], water=[POND], products=[product], treatments=[treatment], **options)
    table = run_checks(delivered, only={check})
    assert not table["found"].str.contains("could not be done|not checked: without", regex=True).any(), (
        table.to_string()
    )
    chosen = table[table["check"] == check]
    return {level: chosen[chosen["level"] == level] for level in ("violation", "warning")}


@pytest.mark.parametrize(("active", "form", "aquatic", "delivery", "cell"), CELLS)
def test_every_cell_of_the_table_is_decided_by_distance_alone(active, form, aquatic, delivery, cell):
    rules = {"rules": read_packaged("USFS-SIUSLAW-A1")}
    last_inside, first_outside = {NONE: (None, -1), EDGE: (-4, 1), PROHIBITED: (500, None)}.get(
        cell, (None, None) if isinstance(cell, str) else (cell - 1, cell + 1)
    )
    if last_inside is not None:
        found = review_strip(active, form, aquatic, delivery, last_inside, "forbidden", **rules)
        assert len(found["violation"]) >= 1
    if first_outside is not None:
        found = review_strip(active, form, aquatic, delivery, first_outside, "forbidden", **rules)
        assert found["violation"].empty


def test_what_the_table_does_not_list_is_found():
    rules = {"rules": read_packaged("USFS-SIUSLAW-A1")}
    found = review_strip("triclopyr", "ester", False, "hand", 300, "listed", **rules)
    assert found["violation"]["note"].tolist() == ["not listed"]
    assert review_strip("triclopyr", "amine", True, "hand", 300, "listed", **rules)["violation"].empty


@pytest.mark.parametrize(("inside_ft", "level"), [(12, "violation"), (5, "warning")])
def test_ground_beyond_the_error_is_a_violation_and_within_it_a_field_check(inside_ft, level):
    """15 ft asked for, 3 m (9.84 ft) of error: 12 ft too near is beyond it, 5 ft too near cannot be told."""
    rule = {"id": "R", "from": {"layer": "water"}, "distance": "15 ft", "forbids": {}}
    found = review_strip(
        "glyphosate", "salt", True, "spot", 15 - inside_ft, "forbidden", setbacks=[rule], accuracy="3 m"
    )
    assert {name: len(rows) for name, rows in found.items()} == {
        "violation": int(level == "violation"),
        "warning": int(level == "warning"),
    }
    note = found[level]["note"].iloc[0]
    assert ("field check" in note) == (level == "warning")


def find_inside_ft2(width_m):
    """Dry ground on which a setback of 50 ft from a straight creek of 1,000 ft is in force, in cells of 5 ft [ft2]."""
    half_ft = 15
    cells = [
        shapely.box(0, side * start, 1000, side * (start + 5)) for start in range(half_ft, 120, 5) for side in (1, -1)
    ]
    creek = {"geometry": shapely.LineString([(-500, 0), (1500, 0)]), "kind": "stream", "width_m": width_m}
    rule = {"id": "R", "from": {"layer": "water"}, "distance": "50 ft", "forbids": {}}
    delivered = make_delivered([{"geometry": cell} for cell in cells], water=[creek], setbacks=[rule])
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    due = find_due(evidence, evidence.measured[0])
    return sum(cell.area for cell, there in zip(cells, due, strict=True) if there)


def test_a_setback_runs_from_the_edge_of_a_creek_and_not_from_its_line():
    """1,000 ft of creek, 30 ft wide: 2 x 1,000 x 50 ft2 of land are inside (2.30 acre), 1.61 acre from the line."""
    assert find_inside_ft2(30 * 0.3048) / 43_560 == pytest.approx(2.2957, abs=1e-4)
    assert find_inside_ft2(0.0) / 43_560 == pytest.approx(2 * 35 * 1000 / 43_560, abs=1e-4)


@pytest.mark.parametrize(
    ("state", "kind", "inside"),
    [("wet", "pond", True), (None, "pond", True), ("dry", "pond", False), ("wet", "", True), ("wet", "lake", False)],
)
def test_no_state_counts_as_wet_and_no_kind_as_every_kind(state, kind, inside):
    rule = {"id": "R", "from": {"layer": "water", "kind": "pond", "state": "wet"}, "distance": "50 ft", "forbids": {}}
    delivered = make_delivered(
        [{"geometry": strip(20)}], water=[POND | {"state": state, "kind": kind}], setbacks=[rule]
    )
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    assert find_due(evidence, evidence.measured[0]).tolist() == [inside]


def test_a_tree_brings_its_own_distance():
    """Twice the height of 30 ft reaches 60 ft; the nearer tree of 5 ft does not matter there."""
    trees = [
        {"geometry": shapely.Point(100, 0), "kind": "tree", "height_ft": 30.0},
        {"geometry": shapely.Point(100, 20), "kind": "tree", "height_ft": 5.0},
    ]
    rule = {
        "id": "T",
        "from": {"layer": "receptors", "kind": "tree"},
        "distance": {"column": "height_ft", "times": 2.0},
        "forbids": {},
    }
    delivered = make_delivered([{"geometry": strip(59)}, {"geometry": strip(61)}], receptors=trees, setbacks=[rule])
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    measured = evidence.measured[0]
    assert find_due(evidence, measured).tolist() == [True, False]
    assert measured.owner.tolist() == [0, 0]
    assert measured.required_m.tolist() == pytest.approx([60 * 0.3048] * 2)


def test_on_the_feature_itself_counts_ground_and_not_a_shared_edge():
    rule = {"id": "R", "from": {"layer": "water"}, "distance": "0 ft", "forbids": {}}
    delivered = make_delivered([{"geometry": strip(0)}, {"geometry": strip(-5)}], water=[POND], setbacks=[rule])
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    assert find_due(evidence, evidence.measured[0]).tolist() == [False, True]
