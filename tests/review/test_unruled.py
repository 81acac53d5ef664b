"""The review finds herbicide near a kind that no rule names, and where no rule speaks of water, by its own measuring.

A creek lies 42 ft south of patch A, and 258 ft from patch B; the only rule asks for 100 ft from streams. So nothing may
be sprayed on A, and B is sprayed.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

import tussock
from review.random_sites import deliver_quickly
from review.tampering import content_of, edit_layer, edit_run, edit_table
from site_factory import NO_RULES, Sites, feet_box
from tussock.review.folder import run_checks
from tussock.review.loading import load_folder

RULES = NO_RULES.replace('no_rule_for = ["water", "receptors"]\n', 'kinds = { canal = "stream" }\n') + (
    '[[setback]]\nid = "S"\nfrom = { layer = "water", kind = "stream" }\ndistance = "100 ft"\nforbids = {}\n'
    'source = "invented"\n'
)
SPOT = """
[[treatment]]
id = "spot"
species = ["reed"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
preference = 1
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    patch = {"species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    water = {"creek": (-100, -42), "canal": (800, 850)}
    return Sites(tmp_path_factory.mktemp("creek")).write(
        [
            patch | {"patch_id": "A", "geometry": feet_box(0, 0, 100, 100)},
            patch | {"patch_id": "B", "geometry": feet_box(0, 216, 100, 316)},
        ],
        water=[{"kind": kind, "geometry": feet_box(-300, low, 400, high)} for kind, (low, high) in water.items()],
        rules=RULES,
        treatments=SPOT,
    )


@pytest.fixture(scope="module")
def folder(site: Path) -> Path:
    plan = tussock.make_plan(tussock.read_site(site))
    assert dict(zip(plan.units["unit_id"], plan.units["treatment_id"], strict=True)) == {"A-01": "", "B-01": "spot"}
    assert plan.units["allowed_use"].tolist() == ["no herbicide", "open"]
    return deliver_quickly(plan, site.parent / "plan")


load_once = cache(load_folder)


def test_the_plan_as_written_has_no_violation(site, folder):
    table = tussock.review_plan(folder, site)
    assert table[table["level"] == "violation"].to_dict("records") == []


def spray_a(units):
    row = units.index[units["unit_id"] == "B-01"][0]
    names = ["treatment_id", "method", "delivery", "product_id", "active", "status", "spray_gal"]
    units.loc[units["unit_id"] == "A-01", names] = units.loc[row, names].to_list()


def allow_a(options):
    options.loc[options["unit_id"] == "A-01", ["verdict", "reason"]] = ["allowed", "allowed, preference 1"]


def open_a(units):
    units.loc[units["unit_id"] == "A-01", "allowed_use"] = "open"


def call_the_creek_a_spring(run):
    """Patch B is not near, but the creek is still without a rule: the table of kinds tells otherwise."""
    content_of(run, "rules")["ruleset"]["no_rule_for"] = ["creek"]


def rule_on_land_only(run):
    content_of(run, "rules")["setback"][0]["from"] = {"layer": "receptors"}


def reach_further(run):
    """The rule looks out to 300 ft now: B lies 258 ft from the creek."""
    content_of(run, "rules")["setback"][0]["distance"] = "300 ft"


def take_the_canal_back(water):
    water.loc[water["kind_given"] == "canal", "kind"] = "canal"


def rename_the_creek(water):
    water.loc[water["kind_given"] == "creek", "kind"] = "stream"


def hide_the_row(unruled):
    return unruled.iloc[:0]


def bring_it_nearer(unruled):
    unruled["achieved_ft"] -= 1


def name_it_by_a_rule(kinds):
    kinds.loc[kinds["kind"] == "creek", ["setback_id", "state", "unnamed_count"]] = ["S", "a rule", 0]


CHANGES = [
    ("kinds", edit_layer, "units", spray_a, "spot planned 42.0 ft from creek"),
    ("kinds", edit_table, "options", allow_a, "allowed"),
    ("uses", edit_layer, "units", open_a, "open"),
    ("kinds", edit_run, None, call_the_creek_a_spring, "1, 1, 0"),
    ("kinds", edit_run, None, rule_on_land_only, "spot planned"),
    ("choices", edit_run, None, rule_on_land_only, "no loaded rule speaks of water"),
    ("kinds", edit_run, None, reach_further, "spot planned 258.0 ft from creek"),
    ("kinds", edit_layer, "water", take_the_canal_back, "canal"),
    ("kinds", edit_layer, "water", rename_the_creek, "stream"),
    ("kinds", edit_table, "unruled", hide_the_row, "no row"),
    ("kinds", edit_table, "unruled", bring_it_nearer, "41.00"),
    ("kinds", edit_table, "kinds", name_it_by_a_rule, "1, 0, 0"),
]


@pytest.mark.parametrize(
    ("check", "edit", "table", "falsify", "said"), CHANGES, ids=lambda x: getattr(x, "__name__", "")
)
def test_a_falsified_plan_is_found(folder, check, edit, table, falsify, said):
    delivered = load_once(folder)
    changed = edit(delivered, falsify) if table is None else edit(delivered, table, falsify)
    found = run_checks(changed, only={check})
    bad = found[found["level"] == "violation"]
    assert not bad["found"].str.contains("could not be done").any(), bad.to_string()
    assert bad["found"].str.contains(said, regex=False).any(), found.to_string()


def test_a_kind_in_the_file_that_the_plan_has_otherwise_is_found(site, folder):
    """The creek becomes a stream far from the rule files: the layer of the site tells."""
    delivered = edit_layer(load_once(folder), "water", rename_the_creek)
    found = run_checks(delivered, site, only=())
    bad = found[(found["check"] == "inputs") & (found["level"] == "violation")]
    assert bad["where"].str.contains("water, row 1, kind").any(), found.to_string()
