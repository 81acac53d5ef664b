"""Rules bind all work, also digging, pulling, cutting and mowing. A nest plot in feet; the answers are worked out by hand.

The plot is y < 0; a patch 200 ft wide lies from 20 to 120 ft north of it, 20,000 ft2. A rule of 60 ft holds on the part
from 20 to 60 ft, 200 x 40 = 8,000 ft2, and leaves 12,000 ft2 (no accuracy is stated, the plot is wider than the patch).
"""

from __future__ import annotations

import pytest

import tussock
from site_factory import FOOT_M, NO_RULES, Sites, feet_box

DIG, MOW, SPRAY = (
    f'[[treatment]]\nid = "{name}"\nspecies = ["reed"]\nmethod = "{method}"\npreference = {place}\n{more}\n'
    for place, (name, method, more) in enumerate(
        [
            ("dig-it", "dig", ""),
            ("mow-it", "mow", 'season = ["05-01", "09-30"]'),
            (
                "spray-it",
                "foliar_spot",
                'product = "glyphosate-aquatic"\nconcentration = "2 %"\nspray_volume = "20 gal/acre"',
            ),
        ]
    )
)
PATCH = {"patch_id": "A", "species": "reed", "growth_form": "herbaceous", "cover_pct": 100}
PLOT = [{"kind": "nest", "name": "nest 1", "geometry": feet_box(-500, -100, 700, 0)}]


def rule(effect, name="NEST"):
    return (
        f'[[setback]]\nid = "{name}"\nfrom = {{ layer = "receptors", kind = "nest" }}\ndistance = "60 ft"\n{effect}\n'
        'source = "invented"\n'
    )


def plan(folder, effect, treatments):
    return Sites(folder).plan(
        [PATCH | {"geometry": feet_box(0, 20, 200, 120)}],
        receptors=PLOT,
        rules=NO_RULES + rule(effect),
        treatments=treatments,
    )


def split(made):
    """Ground [ft2] and the treatment planned, near the plot and further off."""
    units = made.units.assign(near=made.units["setbacks"] == "NEST", ft2=made.units.geometry.area / FOOT_M**2)
    return {"near" if row.near else "far": (row.ft2, row.treatment_id or row.status) for row in units.itertuples()}


#: What the rule forbids, and what is planned within 60 ft of the plot where dig-it, mow-it, spray-it is the preference.
FORBIDS = {
    '{ method = ["dig", "pull"] }': "mow-it",
    '{ method = ["dig", "mow"] }': "spray-it",
    '{ delivery = "none" }': "spray-it",
    '{ delivery = ["spot", "none"] }': "no_option",
    '{ work = "all" }': "no_option",
    "{}": "dig-it",  # every herbicide, and nothing else
    "{ aquatic_label = true }": "dig-it",
    '{ delivery = "hand" }': "dig-it",
}


@pytest.mark.parametrize(("forbids", "near"), FORBIDS.items())
def test_a_rule_binds_work_with_and_without_herbicide(tmp_path, forbids, near):
    made = plan(tmp_path, f"forbids = {forbids}", DIG + MOW + SPRAY)
    found = split(made)
    assert found["near"][1] == near
    assert found["far"] == (pytest.approx(12_000, rel=1e-3), "dig-it")
    assert found["near"][0] == pytest.approx(8_000, rel=1e-3)
    table = made.compliance[made.compliance["distance_verdict"] == "inside"]
    assert "does not meet the loaded rules as mapped" not in set(made.compliance["verdict"])
    judged = {"dig-it": "not applicable", "no_option": "not applicable"}
    assert table["verdict"].tolist() == [judged.get(near, "meets the loaded rules as mapped")]


def test_a_refusal_says_how_far_and_what_to_do(tmp_path):
    made = plan(tmp_path, 'forbids = { work = "all" }', DIG + SPRAY)
    reasons = set(made.options.loc[made.options["verdict"] == "refused", "reason"])
    assert reasons == {
        "NEST: 20.0 ft from nest 1 (60.0 ft required); unlock: no work is allowed there: ask nobody",
    }
    near = made.units[made.units["status"] == "no_option"].iloc[0]
    assert near["non_chemical"] == "none: no pull: NEST; no dig: NEST; no cut: NEST; no mow: NEST"


def test_a_way_that_is_forbidden_is_not_offered(tmp_path):
    made = plan(tmp_path, 'forbids = { method = ["dig", "pull"] }', SPRAY)
    offers = dict(zip(made.units["setbacks"], made.units["non_chemical"], strict=True))
    assert offers["NEST"] == "not in the catalog: cut or mow; no pull: NEST; no dig: NEST"
    assert "pull or dig" in offers[""]  # the usual offer for a herbaceous plant


def test_a_nest_rule_closes_days_to_mowing(tmp_path):
    """Mowing is for 1 May to 30 September, the nests close 15 April to 31 July: 1 August to 30 September is left."""
    made = plan(tmp_path, 'forbids = { method = "mow" }\nseason = ["04-15", "07-31"]', MOW)
    dates = {row.setbacks: (row.season_from, row.season_to) for row in made.units.itertuples()}
    assert dates == {"NEST": ("2027-08-01", "2027-09-30"), "": ("2027-05-01", "2027-09-30")}
    assert set(made.units["treatment_id"]) == {"mow-it"}
    verdicts = made.compliance.set_index("distance_verdict")["verdict"].to_dict()
    assert verdicts == {"inside": "meets the loaded rules as mapped", "clear": "meets the loaded rules as mapped"}


def test_a_survey_lifts_a_rule_on_mowing(tmp_path):
    made = plan(tmp_path, 'forbids = { method = "mow" }\nunless_surveyed = true', MOW)
    near = made.units[made.units["setbacks"] == "NEST"].iloc[0]
    assert near["treatment_id"] == "mow-it"
    assert near["reason"].startswith("allowed if surveyed: NEST: 20.0 ft from nest 1")
    assert set(made.compliance.loc[made.compliance["distance_verdict"] == "inside", "verdict"]) == {"to do before work"}


@pytest.mark.parametrize(
    ("applies", "asked"),
    [
        ("", False),  # a permit that does not say is about herbicide
        ('applies_to = { work = "all" }', True),
        ('applies_to = { method = ["dig", "pull"] }', True),
        ('applies_to = { method = "mow" }', False),
    ],
)
def test_a_permit_says_what_it_is_about(tmp_path, applies, asked):
    made = plan(tmp_path, f'permit = "the heritage office"\n{applies}', DIG)
    verdict = set(made.compliance.loc[made.compliance["distance_verdict"] == "inside", "verdict"])
    assert verdict == ({"to do before work"} if asked else {"not applicable"})


@pytest.mark.parametrize(
    ("effect", "found", "need"),
    [
        ('forbids = { delivery = "none", active = "imazapyr" }', '"none" with active', "write two rules"),
        ('forbids = { method = "dig", aquatic_label = false }', '"dig" with aquatic_label', "write two rules"),
        ('forbids = { work = "all", delivery = "spot" }', 'work = "all" with delivery', "it stands alone"),
        ('forbids = { method = "boom", delivery = "hand" }', 'method "boom", which is of delivery', "leave out one"),
        ('forbids = { method = "dig" }\napplies_to = { work = "all" }', "applies_to without permit", "in forbids"),
    ],
)
def test_keys_that_exclude_each_other_are_refused(tmp_path, effect, found, need):
    path = Sites(tmp_path).write(
        [PATCH | {"geometry": feet_box(0, 20, 200, 120)}], receptors=PLOT, rules=NO_RULES + rule(effect)
    )
    with pytest.raises(ValueError, match=r"rules0\.toml") as caught:
        tussock.read_site(path)
    text = str(caught.value)
    assert 'setback[1] ("NEST")' in text
    assert found in text
    assert need in text


def test_a_permit_names_an_active_by_any_of_its_names(tmp_path):
    """The potassium salt of glyphosate is glyphosate: the permit is asked for."""
    made = plan(tmp_path, 'permit = "an office"\napplies_to = { active = "glyphosate potassium salt" }', SPRAY)
    assert set(made.compliance.loc[made.compliance["distance_verdict"] == "inside", "verdict"]) == {"to do before work"}
