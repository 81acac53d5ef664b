"""The review judges work without herbicide by the same rules: each falsified plan is found by the check meant to.

A nest plot is y < 0, a patch lies 20 to 120 ft north of it. Within 60 ft nobody digs, nobody mows from 15 April to
31 July, and all work needs a permit: so the near 8,000 ft2 are mown from 1 August and the far 12,000 ft2 are dug.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import geopandas as gpd
import pytest

from field_site import pick
from review.random_sites import deliver_quickly
from review.tampering import edit_layer, edit_run, edit_table, row_of
from site_factory import NO_RULES, Sites, feet_box, local_crs
from tussock.review.folder import bring, run_checks
from tussock.review.loading import load_folder

RULES = NO_RULES + "".join(
    f'[[setback]]\nid = "{name}"\nfrom = {{ layer = "receptors", kind = "nest" }}\ndistance = "60 ft"\n{effect}\n'
    'source = "invented"\n'
    for name, effect in {
        "NO-DIGGING": 'forbids = { method = ["dig", "pull"] }',
        "NO-MOWING": 'forbids = { method = "mow" }\nseason = ["04-15", "07-31"]',
        "PERMIT": 'permit = "the heritage office"\napplies_to = { work = "all" }',
        "HERBICIDE": "forbids = {}",
    }.items()
)
TREATMENTS = """
[[treatment]]
id = "dig-it"
species = ["reed"]
method = "dig"
preference = 1

[[treatment]]
id = "mow-it"
species = ["reed"]
method = "mow"
season = ["05-01", "09-30"]
preference = 2
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("nests")
    patch = {"patch_id": "A", "species": "reed", "growth_form": "herbaceous", "cover_pct": 100}
    plan = Sites(place).plan(
        [patch | {"geometry": feet_box(0, 20, 200, 120)}],
        receptors=[{"kind": "nest", "name": "nest 1", "geometry": feet_box(-500, -100, 700, 0)}],
        rules=RULES,
        treatments=TREATMENTS,
    )
    rows = {(row.treatment_id, row.season_from, row.season_to) for row in plan.units.itertuples()}
    assert rows == {("mow-it", "2027-08-01", "2027-09-30"), ("dig-it", "2027-01-01", "2027-12-31")}
    return deliver_quickly(plan, place / "plan")


load_once = cache(load_folder)


def near(frame):
    return frame["setbacks"].fillna("") != ""


def dig_near(units):
    units.loc[near(units), ["treatment_id", "method", "season_from", "season_to"]] = [
        "dig-it",
        "dig",
        "2027-01-01",
        "2027-12-31",
    ]


def dig_by_the_method_alone(units):
    units.loc[near(units), "method"] = "dig"


def mow_among_the_nests(units):
    units.loc[near(units), "season_from"] = "2027-07-15"


def allow_digging(options):
    refused = (options["treatment_id"] == "dig-it") & (options["verdict"] == "refused")
    assert refused.sum() == 1
    options.loc[refused, ["verdict", "reason"]] = ["allowed", "allowed, preference 1"]


def refuse_mowing_by_a_rule_on_digging(options):
    chosen = (options["treatment_id"] == "mow-it") & (options["verdict"] == "chosen")
    options.loc[chosen, ["verdict", "reason"]] = ["refused", "NO-DIGGING: 20.0 ft from nest 1 (60.0 ft required)"]


def say_not_applicable(compliance):
    compliance.loc[compliance["setback_id"] == "NO-DIGGING", "verdict"] = "not applicable"


def say_herbicide_is_judged(compliance):
    compliance.loc[compliance["setback_id"] == "HERBICIDE", "verdict"] = "meets the loaded rules as mapped"


def forget_the_permit(permits):
    return permits[permits["setback_id"] != "PERMIT"].reset_index(drop=True)


def forbid_all_work(run):
    row_of(run, "rules", "setback", "NO-DIGGING")["forbids"] = {"work": "all"}


CHANGES = {
    "forbidden": [(edit_layer, "units", dig_near), (edit_layer, "units", mow_among_the_nests)],
    "forbidden ": [(edit_layer, "units", dig_by_the_method_alone), (edit_run, None, forbid_all_work)],
    "choices": [(edit_table, "options", allow_digging), (edit_table, "options", refuse_mowing_by_a_rule_on_digging)],
    "compliance": [
        (edit_table, "compliance", say_not_applicable),
        (edit_table, "compliance", say_herbicide_is_judged),
        (edit_layer, "units", dig_near),
    ],
    "permits": [(edit_table, "permits", forget_the_permit)],
}


@pytest.mark.parametrize(
    ("check", "change"),
    [(name.strip(), change) for name, changes in CHANGES.items() for change in changes],
    ids=lambda item: item if isinstance(item, str) else item[2].__name__,
)
def test_a_falsified_plan_is_found(folder, check, change):
    edit, table, falsify = change
    delivered = load_once(folder)
    changed = edit(delivered, falsify) if table is None else edit(delivered, table, falsify)
    found = run_checks(changed, only={check})
    bad = found[found["level"] == "violation"]
    assert len(bad), found.to_string()
    assert not bad["found"].str.contains("could not be done").any(), bad.to_string()
    assert bad["where"].str.contains("A-|permits, PERMIT").all()


def test_the_plan_as_written_has_no_violation(folder):
    table = run_checks(load_once(folder))
    assert table[table["level"] == "violation"].to_dict("records") == []


def test_digging_in_the_field_is_held_against_the_rule(folder, tmp_path):
    """30 ft inside the strip of 60 ft, positions true to 3 ft: beyond the error."""
    ground = {"method": ["dig"], "date": ["2027-08-20"], "geometry": [feet_box(20, 30, 180, 55)]}
    path = tmp_path / "dug.gpkg"
    gpd.GeoDataFrame(ground, crs=local_crs()).to_file(path)
    table = run_checks(load_once(folder), only=["approval"], brought=bring(treated=path, accuracy="3 ft"))
    (row,) = [item for item in pick(table, "treated", "violation") if "setback" in item[0]]
    assert "NO-DIGGING" in row[0]
    assert row[1].startswith("dig, 30.0 ft inside the strip along nest 1")
