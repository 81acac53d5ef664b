"""No herbicide near a kind of water or receptor that no rule names, and none at all where no rule speaks of water.

The patch of the prescriber is one acre, 208.71 ft square, its south edge on y = 0; water lies south of it. The rule asks
for 100 ft from streams. All distances are worked out by hand.
"""

from __future__ import annotations

import json
import math

import geopandas as gpd
import numpy as np
import pytest
import shapely

import tussock
from site_factory import FOOT_M, NO_RULES, Sites, feet_box
from tussock.prescribe.units import NO_RULES as REFUSED_WITHOUT_SETS
from tussock.prescribe.units import NO_WATER_RULE

SIDE_FT = math.sqrt(43_560)
HEAD = NO_RULES.replace('no_rule_for = ["water", "receptors"]\n', "")
SPOT = """
[[treatment]]
id = "spot"
species = ["buckthorn"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
preference = 1

[[treatment]]
id = "pull"
species = ["buckthorn"]
method = "pull"
preference = 2
"""


def rule(layer="water", name="S", more='kind = "stream"', distance="100 ft", effect="forbids = {}"):
    source = f'{{ layer = "{layer}"{f", {more}" if more else ""} }}'
    return f'[[setback]]\nid = "{name}"\nfrom = {source}\ndistance = "{distance}"\n{effect}\nsource = "invented"\n'


def creek(gap_ft, kind="creek", **more):
    return {"kind": kind, "geometry": feet_box(-500, -gap_ft - 50, 700, -gap_ft)} | more


def run(prescriber, rules, water=(), **options):
    return prescriber.run(rules=rules, water=list(water), treatments=SPOT, **options)


def spot(result):
    """Verdict and reason of the spray on every unit."""
    own = result.options[result.options["treatment_id"] == "spot"]
    return list(zip(own["verdict"], own["reason"], strict=True))


def allowed(result):
    return {verdict for verdict, _ in spot(result)} <= {"chosen", "allowed"}


# ---- no rule that speaks of water


def test_a_head_without_rules_lets_no_herbicide_be_planned(prescriber):
    result = run(prescriber, HEAD, [creek(0)])
    ((verdict, reason),) = spot(result)
    assert verdict == "refused"
    assert reason.startswith(NO_WATER_RULE)
    assert 'unlock: a rule from water, or in a rule file no_rule_for = ["water"]' in reason
    assert result.units["treatment_id"].tolist() == ["pull"]  # work without herbicide is not touched by it
    assert result.units["allowed_use"].tolist() == ["no herbicide"]
    assert REFUSED_WITHOUT_SETS in spot(run(prescriber, []))[0][1]


@pytest.mark.parametrize(
    ("rules", "spoken"),
    [
        (HEAD + rule("receptors", more='kind = "well"'), False),
        (HEAD + rule(effect='permit = "an office"', more=""), False),
        (HEAD + rule(effect='forbids = { method = "dig" }', more=""), False),
        (HEAD + 'no_rule_for = ["spring"]\n', False),
        (HEAD + 'no_rule_for = ["water"]\n', True),
        (HEAD + rule(), True),
        (HEAD + '[[setback]]\nid = "E"\ndistance = "anywhere"\nforbids = { form = "ester" }\nsource = "x"\n', True),
        (HEAD + 'listed_only = true\n[[listed]]\nactive = "glyphosate"\n', True),
    ],
)
def test_what_speaks_of_water(prescriber, rules, spoken):
    """No water is mapped within 300 ft, so that nothing but this decides."""
    result = run(prescriber, rules, [creek(300)])
    assert allowed(result) == spoken
    assert (NO_WATER_RULE in spot(result)[0][1]) == (not spoken)
    assert result.units["allowed_use"].tolist() == ["open" if spoken else "no herbicide"]


def test_outputs_say_that_no_rule_speaks_of_water(tmp_path):
    patch = {"patch_id": "A", "species": "buckthorn", "growth_form": "shrub", "cover_pct": 50}
    plan = Sites(tmp_path).plan(
        [patch | {"geometry": feet_box(0, 0, 100, 100)}],
        water=[creek(0)],
        rules=HEAD + rule("receptors"),
        treatments=SPOT,
    )
    (row,) = plan.findings[plan.findings["row"] == "catalog.rules"].to_dict("records")
    assert (row["what"], row["done"]) == (
        "no loaded rule speaks of water",
        "no herbicide is planned: a plan without setbacks cannot be checked",
    )
    folder = plan.write(tmp_path / "plan")
    page = (folder / "compliance.html").read_text(encoding="utf-8")
    assert "No loaded rule speaks of water: no herbicide is planned." in page
    table = tussock.review_plan(folder)
    assert table[table["level"] == "violation"].to_dict("records") == []


# ---- kinds that no rule names


def test_a_kind_that_no_rule_names_is_refused_with_its_distance(prescriber):
    result = run(prescriber, HEAD + rule(), [creek(42)])
    ((verdict, reason),) = spot(result)
    assert verdict == "refused"
    assert reason == (
        '42.0 ft from creek (row 1): no loaded rule names the kind "creek" (water), looked for within 100.0 ft; unlock: '
        'a rule that names it, or in a rule file kinds = { "creek" = "..." } or no_rule_for = ["creek"]'
    )
    assert result.units["treatment_id"].tolist() == ["pull"]
    assert result.units["allowed_use"].tolist() == ["no herbicide"]


def test_a_kind_taken_as_another_has_its_setback(prescriber):
    """42 ft away the rule of 100 ft reaches 58 ft into the patch: 58 x 208.71 = 12,105 ft2."""
    for line in ('kinds = { creek = "stream" }\n', 'kinds = { " CREEK" = "Stream" }\n'):
        result = run(prescriber, HEAD + line + rule(), [creek(42)])
        near = result.units[result.units["setbacks"] == "S"]
        assert near["area_m2"].sum() / FOOT_M**2 == pytest.approx(58 * SIDE_FT, rel=1e-3)
        assert near["treatment_id"].tolist() == ["pull"]
        assert result.units.loc[result.units["setbacks"] == "", "treatment_id"].tolist() == ["spot"]
    before = f'kinds = {{ creek = "stream" }}\n{HEAD}'  # before the first table is as good
    assert len(run(prescriber, before + rule(), [creek(42)]).units) == 2


def test_a_kind_taken_as_another_has_its_width(prescriber):
    """A line 50 ft away, 12 ft wide: its edge is 44 ft away; a width given for the kind itself comes first, 8 ft: 46."""
    line = {
        "kind": "creek",
        "geometry": shapely.LineString([(-500 * FOOT_M, -50 * FOOT_M), (700 * FOOT_M, -50 * FOOT_M)]),
    }
    for widths, edge_ft in (('stream = "12 ft"', 44), ('stream = "12 ft", creek = "8 ft"', 46)):
        result = run(
            prescriber,
            HEAD + 'kinds = { creek = "stream" }\n' + rule(),
            [line],
            layer_lines={"water": f"default_width = {{ {widths} }}"},
        )
        assert result.units["nearest_water_m"].min() / FOOT_M == pytest.approx(edge_ft, abs=1e-3)


def test_a_waived_kind_is_left_alone(prescriber):
    result = run(prescriber, HEAD + 'no_rule_for = ["Creek"]\n' + rule(), [creek(42)])
    assert allowed(result)
    (told,) = result.findings[result.findings["row"] == 'kind "creek"'].to_dict("records")
    assert (told["level"], told["done"]) == ("info", "a rule file says that none is wanted: no setback runs from those")
    assert result.kinds[["kind", "state", "unnamed_count"]].to_dict("records") == [
        {"kind": "creek", "state": "no rule wanted", "unnamed_count": 0}
    ]


@pytest.mark.parametrize("codes", [[460], [460.0, np.nan], ["460"]])
def test_codes_of_a_hydrography_table(prescriber, codes):
    water = [creek(42, codes[0]), *(creek(900, code) for code in codes[1:])]
    reason = spot(run(prescriber, HEAD + rule(), water))[0][1]
    assert '42.0 ft from 460 (row 1): no loaded rule names the kind "460" (water)' in reason
    for line in ("no_rule_for = [460]\n", 'no_rule_for = ["460"]\n'):
        assert allowed(run(prescriber, HEAD + line + rule(), water))
    for line in ('kinds = { 460 = "stream" }\n', 'kinds = { "460" = "stream" }\n'):
        assert set(run(prescriber, HEAD + line + rule(), water).units["setbacks"]) == {"S", ""}
    assert set(run(prescriber, HEAD + rule(more="kind = 460"), water).units["setbacks"]) == {"S", ""}


@pytest.mark.parametrize(
    ("rules", "gap_ft", "refused"),
    [
        (rule(), 99.9, True),
        (rule(), 100.1, False),
        (rule(distance="100 ft") + rule(name="N", distance="150 ft", effect='notify = "x"'), 149, True),
        (rule(distance="40 ft"), 41, False),
        (rule(distance="0 ft"), 99.9, True),  # no rule of water has a distance: 100 ft
        (rule(distance="0 ft"), 100.1, False),
    ],
)
def test_near_is_as_far_as_the_rules_of_the_layer_look_out(prescriber, rules, gap_ft, refused):
    assert allowed(run(prescriber, HEAD + rules, [creek(gap_ft)])) == (not refused)


def test_the_errors_of_both_layers_add_to_it(prescriber):
    lines = {"infestations": 'accuracy = "3 ft"', "water": 'accuracy = "2 ft"'}
    for gap_ft, refused in ((104.9, True), (105.1, False)):
        result = run(prescriber, HEAD + rule(), [creek(gap_ft)], layer_lines=lines)
        assert allowed(result) == (not refused)


@pytest.mark.parametrize(
    ("rules", "named"),
    [
        (rule(more=""), True),  # a rule for every kind that forbids a herbicide
        (rule() + rule(name="P", more="", effect='permit = "x"'), False),  # a permit for every kind is no setback
        (rule() + rule(name="D", more="", effect='forbids = { method = "dig" }'), False),
        (rule() + rule(name="P", more='kind = "creek"', effect='notify = "x"'), True),
        (rule() + rule(name="M", more='kind = "creek", name = "Mink Creek"'), False),  # it has no name
    ],
)
def test_what_names_a_kind(prescriber, rules, named):
    result = run(prescriber, HEAD + rules, [creek(42, **({"name": "Otter Creek"} if "Mink" in rules else {}))])
    assert ("no loaded rule names" in spot(result)[0][1]) == (not named)


def test_a_layer_is_waived_only_where_no_rule_runs_from_it(prescriber):
    bare, rules = HEAD + 'no_rule_for = ["water"]\n', HEAD.replace("rules for tests", "more rules") + rule()
    assert allowed(run(prescriber, bare, [creek(0), creek(0, "")]))
    assert "no loaded rule names" in spot(run(prescriber, [bare, rules], [creek(42)]))[0][1]


def test_receptors_are_looked_at_alike(prescriber):
    hive = [{"kind": "hives", "name": "h1", "geometry": shapely.Point(50 * FOOT_M, -60 * FOOT_M)}]
    rules = HEAD + rule() + rule("receptors", "H", 'kind = "apiary"', "300 ft")
    assert (
        '60.0 ft from hives h1: no loaded rule names the kind "hives" (receptors), looked for within 300.0 ft'
        in (spot(run(prescriber, rules, receptors=hive))[0][1])
    )
    taken = rules.replace("[[setback]]", 'kinds = { hives = "apiary" }\n[[setback]]', 1)
    # the far corner of the patch is 312 ft away, root of (208.71 - 50)^2 + (208.71 + 60)^2
    assert set(run(prescriber, taken, receptors=hive).units["setbacks"]) == {"H", ""}
    # a layer that no rule runs from is looked at too
    assert "hives h1: no loaded rule names" in spot(run(prescriber, HEAD + rule(), receptors=hive))[0][1]


def test_a_kind_that_is_not_mapped_counts_as_every_kind(prescriber):
    assert run(prescriber, HEAD + rule(), [creek(42, "")]).units["setbacks"].tolist()[0] == "S"
    well = [{"kind": "", "name": "w1", "geometry": shapely.Point(50 * FOOT_M, -60 * FOOT_M)}]
    assert (
        "w1: its kind is not mapped, and no loaded rule is for all of receptors"
        in (spot(run(prescriber, HEAD + rule(), receptors=well))[0][1])
    )


@pytest.mark.parametrize(
    ("sets", "found", "need"),
    [
        (['kinds = { creek = "creek" }'], 'takes "creek" as itself', "leave it out"),
        (['kinds = { creek = "stream" }', 'kinds = { creek = "river" }'], 'and as "stream" in another', "one kind"),
        (['kinds = { creek = "brook", brook = "stream" }'], 'which is taken as "stream"', 'creek = "stream"'),
        (['kinds = { stream = "river" }'], 'S runs from "stream"', 'name "river" in that rule too'),
    ],
)
def test_kinds_that_cannot_be_are_refused(tmp_path, sets, found, need):
    files = [HEAD.replace("rules for tests", f"set {place}") + line + "\n" for place, line in enumerate(sets)]
    files[0] += rule()
    path = Sites(tmp_path).write([{"patch_id": "A", "geometry": feet_box(0, 0, 9, 9)}], rules=files)
    with pytest.raises(ValueError, match=r"rules\d\.toml") as caught:
        tussock.read_site(path)
    assert found in str(caught.value)
    assert need in str(caught.value)


# ---- the table of kinds and rules, in every output


def test_the_table_of_kinds_is_in_plan_report_and_inspect(tmp_path):
    from click.testing import CliRunner

    from tussock.cli import tussock as commands

    pypdf = pytest.importorskip("pypdf")
    patch = {"patch_id": "A", "species": "buckthorn", "growth_form": "shrub", "cover_pct": 50}
    water = [creek(42), creek(300, "canal"), creek(600, "spring"), creek(900, "stream")]
    sites = Sites(tmp_path)
    rules = HEAD + 'no_rule_for = ["spring"]\nkinds = { canal = "stream" }\n' + rule()
    path = sites.write([patch | {"geometry": feet_box(0, 0, 100, 100)}], water=water, rules=rules, treatments=SPOT)
    plan = tussock.make_plan(tussock.read_site(path))
    columns = ["kind_given", "kind", "state", "unnamed_count", "setback_id"]
    rows = [
        ("canal", "stream", "a rule", 0, "S"),
        ("creek", "creek", "no rule", 1, ""),
        ("spring", "spring", "no rule wanted", 0, ""),
        ("stream", "stream", "a rule", 0, "S"),
    ]
    assert list(plan.kinds[columns].itertuples(index=False, name=None)) == rows
    (near,) = plan.unruled.to_dict("records")
    assert (near["unit_id"], near["kind"], near["feature"]) == ("A-01", "creek", "creek (row 1)")
    assert (near["achieved_ft"], near["looks_out_ft"]) == (pytest.approx(42, abs=1e-3), pytest.approx(100))

    folder = plan.write(tmp_path / "plan")
    held = gpd.read_file(folder / "plan.gpkg", layer="kinds", ignore_geometry=True)
    assert list(held[columns].fillna("").itertuples(index=False, name=None)) == rows
    held = gpd.read_file(folder / "plan.gpkg", layer="unruled", ignore_geometry=True)
    assert held["unit_id"].tolist() == ["A-01"]
    layer = gpd.read_file(folder / "plan.gpkg", layer="water")
    assert dict(zip(layer["kind_given"], layer["kind"], strict=True))["canal"] == "stream"
    found = json.loads((folder / "run.json").read_text(encoding="utf-8"))["findings"]
    assert [row["row"] for row in found if row["stage"] == "prescribe" and "no loaded rule names" in row["what"]]
    page = (folder / "compliance.html").read_text(encoding="utf-8")
    pdf = " ".join(" ".join(part.extract_text() for part in pypdf.PdfReader(folder / "compliance.pdf").pages).split())
    for text in (page, pdf):
        assert "Kinds of water and receptors, and the rules that run from them" in text
        assert "Units near a kind that no loaded rule names: no herbicide there" in text
    assert ">spring<" in page
    assert "no rule wanted" in page

    said = CliRunner().invoke(commands, ["inspect", str(path)]).output
    assert 'kind of water "canal", taken as "stream", 1 mapped: S (forbids, its kind)' in said
    assert 'kind of water "creek", 1 mapped: no rule; 1 WITHOUT A RULE: no herbicide near' in said
    assert 'kind of water "spring", 1 mapped: no rule wanted' in said
    assert "SPEAKS OF WATER" not in said
    (tmp_path / "rules0.toml").write_text(HEAD, encoding="utf-8")
    said = CliRunner().invoke(commands, ["inspect", str(path)]).output
    assert "NO LOADED RULE SPEAKS OF WATER: no herbicide is planned" in said
