"""Published sets beside the big table, decided by the checker alone: a foot or less inside and outside each distance.

Sources, one for each row: Maine Code of Rules 01-026 chapter 29, sections 1 and 6; New Hampshire Code of Administrative
Rules Pes 1001.01-.02; 40 CFR 170.405 (application exclusion zone); UK Local Environment Risk Assessment for Pesticides,
farmer guidance; New York 6 NYCRR 663.2(b); PNW Weed Management Handbook, riparian restoration sites.
"""

from __future__ import annotations

import pytest
import shapely

from review.small_plans import make_delivered
from review.test_checker_decisions import strip
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.folder import run_checks
from tussock.review.setbacks import find_due
from tussock.trade.rulesets import read_packaged

METRE_FT = 1 / 0.3048

#: Set, rule, kind and state of the feature, distance [ft], methods that it forbids and methods that it leaves alone.
ROWS = [
    ("ME-CH29", "ME29-BROADCAST-25", "lake", "wet", 25, ["boom"], ["foliar_spot", "wick"]),
    ("ME-CH29", "ME29-BROADCAST-25", "stream", "dry", 25, ["boom"], ["foliar_spot"]),
    ("ME-CH29", "ME29-MIXING-50", "pond", "wet", 50, [], []),
    ("NH-PES1001", "NH1001-25", "river", "wet", 25, ["boom", "foliar_spot", "wick", "cut_stump"], []),
    ("UK-LERAP", "LERAP-BOOM-5", "ditch", "wet", 5 * METRE_FT, ["boom"], ["wick"]),
    ("UK-LERAP", "LERAP-EDGE-1", "ditch", "dry", 1 * METRE_FT, ["boom", "foliar_spot"], ["wick"]),
    ("NY-663", "NY663-100", "freshwater wetland", "wet", 100, [], []),
]


def make(ruleset, water, start_ft, *, method="foliar_spot", active="glyphosate", receptors=()):
    """A strip of ground that begins at a distance from a feature, planned with a product by a method."""
    product = {
        "id": "p",
        "active": active,
        "form": "salt",
        "strength": "2 lb/gal",
        "aquatic_label": True,
        "methods": {method: ["1 %", "50 %"]},
    }
    treatment = {
        "id": "t",
        "growth_form": ["herbaceous"],
        "method": method,
        "product": "p",
        "concentration": "2 %",
        **({"dose_per_cut": "1 mL"} if method == "cut_stump" else {"spray_volume": "10 gal/acre"}),
    }
    unit = {"treatment_id": "t", "method": method, "product_id": "p", "geometry": strip(start_ft, 0.5)}
    return make_delivered(
        [unit],
        water=list(water),
        receptors=list(receptors),
        rules=read_packaged(ruleset),
        products=[product],
        treatments=[treatment],
    )


def find_in_force(delivered, rule):
    """Whether a rule is in force on the strip, by the distance measured anew."""
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    item = next(item for item in evidence.measured if item.setback.id == rule)
    return bool(find_due(evidence, item)[0])


def find_forbidden(delivered, rule):
    """Whether the plan of the strip goes against a rule."""
    table = run_checks(delivered, only={"forbidden"})
    assert not table["found"].str.contains("could not be done|not checked: without", regex=True).any()
    bad = table[(table["check"] == "forbidden") & (table["level"] == "violation")]
    return bool(bad["where"].str.contains(rule, regex=False).any())


def feature(kind, state):
    return {"geometry": shapely.box(0, -60, 200, 0), "kind": kind, "state": state}


@pytest.mark.parametrize(("ruleset", "rule", "kind", "state", "distance_ft", "forbids", "leaves"), ROWS)
def test_a_row_is_decided_by_distance(ruleset, rule, kind, state, distance_ft, forbids, leaves):
    water = [feature(kind, state)]
    inside, outside = distance_ft - 0.3, distance_ft + 0.3
    assert find_in_force(make(ruleset, water, inside), rule)
    assert not find_in_force(make(ruleset, water, outside), rule)
    for method in forbids:
        assert find_forbidden(make(ruleset, water, inside, method=method), rule), method
        assert not find_forbidden(make(ruleset, water, outside, method=method), rule), method
    for method in leaves:
        assert not find_forbidden(make(ruleset, water, inside, method=method), rule), method


def test_wet_and_dry_ditches_have_each_their_distance():
    """5 m beside a wet watercourse, for boom sprayers; 1 m beside a dry ditch."""
    for state, rule, in_force in (("wet", "LERAP-BOOM-5", True), ("dry", "LERAP-BOOM-5", False)):
        assert find_in_force(make("UK-LERAP", [feature("ditch", state)], 3 * METRE_FT), rule) == in_force
    assert not find_forbidden(make("UK-LERAP", [feature("ditch", "dry")], 3 * METRE_FT, method="boom"), "LERAP")


@pytest.mark.parametrize(("rule", "distance_ft"), [("AEZ-FINE-100", 100), ("AEZ-COARSE-25", 25)])
def test_the_exclusion_zone_runs_from_places_of_people(rule, distance_ft):
    school = [{"geometry": shapely.box(0, -60, 200, 0), "kind": "school"}]
    water = [feature("pond", "wet") | {"geometry": shapely.box(5000, 0, 5010, 10)}]
    assert find_in_force(make("WPS-AEZ", water, distance_ft - 0.3, receptors=school), rule)
    assert not find_in_force(make("WPS-AEZ", water, distance_ft + 0.3, receptors=school), rule)


@pytest.mark.parametrize("height_ft", [20.0, 55.0])
def test_a_sensitive_tree_is_kept_by_its_height(height_ft):
    tree = [{"geometry": shapely.Point(100, 0), "kind": "sensitive tree", "height_ft": height_ft}]
    water = [feature("pond", "wet") | {"geometry": shapely.box(5000, 0, 5010, 10)}]
    for active, start_ft, expected in (
        ("aminocyclopyrachlor", height_ft - 0.3, True),
        ("aminocyclopyrachlor", height_ft + 0.3, False),
        ("glyphosate", height_ft - 0.3, False),
    ):
        delivered = make("TREE-ROOT", water, start_ft, active=active, receptors=tree)
        assert find_forbidden(delivered, "TREE-HEIGHT") == expected
