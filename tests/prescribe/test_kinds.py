"""A kind spelled otherwise in a layer than in a rule is told: it has no setback. Expectations by hand."""

from __future__ import annotations

import pytest

from site_factory import NO_RULES, feet_box

RULE = '[[setback]]\nid = "{id}"\nfrom = {{ layer = "water"{kind} }}\ndistance = "100 ft"\nforbids = {{}}\nsource = "invented"\n'


def rules(**kinds):
    texts = [
        RULE.format(id=name, kind=f", kind = {kind}".replace("'", '"') if kind else "") for name, kind in kinds.items()
    ]
    return NO_RULES + "".join(texts)


def run(prescriber, kinds, **rule_kinds):
    water = [
        {"kind": kind, "geometry": feet_box(place * 100, -400, place * 100 + 50, -300)}
        for place, kind in enumerate(kinds)
    ]
    findings = prescriber.run(water=water, rules=rules(**rule_kinds)).findings
    return [f"{row.level} {row.row}: {row.what}: {row.done}" for row in findings.itertuples()]


@pytest.mark.parametrize(
    ("mapped", "named", "meant"),
    [
        (["lake", "lakee"], ["lake"], '"lake" is meant'),
        (["lakes"], ["lake", "pond"], '"lake" is meant'),
        (["lake", "canal"], ["lake"], "name it in a rule, or in a rule file under kinds or no_rule_for"),
    ],
)
def test_a_mapped_kind_that_no_rule_names(prescriber, mapped, named, meant):
    (text,) = run(prescriber, mapped, A=named)
    assert text.startswith(f'warning kind "{mapped[-1]}": no loaded rule names this kind (1 mapped)')
    assert "no herbicide is planned within 100.0 ft of those" in text
    assert meant in text


def test_a_slip_is_told_although_another_rule_takes_every_kind(prescriber):
    (text,) = run(prescriber, ["lake", "lakee", "canal"], A=["lake"], B=None)
    assert 'warning kind "lakee"' in text
    assert "only rules without a kind run from those" in text


def test_a_slip_in_one_rule_of_two(prescriber):
    (text,) = run(prescriber, ["lake"], A=["lake"], B=["lke"])
    assert 'warning B: the rule names "lke", which nothing in the layer water is mapped as; "lake" is' in text


def test_kinds_that_meet_are_not_told(prescriber):
    # a rule may name kinds that this site has none of: published tables do
    assert run(prescriber, ["lake", "stream"], A=["lake", "river", "stream", "spring"]) == []
    assert run(prescriber, ["lake", ""], A=["lake"]) == []
    assert run(prescriber, ["canal"], A=None) == []


TREATMENT = """
[[treatment]]
id = "spot"
species = {species}
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "50 gal/acre"
preference = 1
season = ["07-01", "09-30"]
source = "invented for tests"
"""


@pytest.mark.parametrize(
    ("species", "told"),
    [
        ('["buckthron"]', ["buckthron"]),
        ('["Buckthorn"]', []),  # upper and lower case are one name
        ('["buckthorn", "buckthron"]', []),  # the patches have their treatment
        ('["bamboo"]', []),  # merely not on this site
    ],
)
def test_a_species_that_looks_like_a_slip_of_a_mapped_one(prescriber, species, told):
    findings = prescriber.run(rules=rules(A=None), treatments=TREATMENT.format(species=species)).findings
    own = findings[findings["layer"] == "treatments"]
    assert own["level"].tolist() == ["warning"] * len(told)
    for name, text in zip(told, own["what"], strict=True):
        assert text == f'the treatment is for "{name}", which no patch is mapped as; "buckthorn" is'
