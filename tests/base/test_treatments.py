"""Treatments as records: a dose is stated in one way and in full, and a mix is never more than the whole."""

from __future__ import annotations

import re

import pytest
from pydantic import ValidationError

import tussock
from site_factory import Sites, feet_box
from tussock.base.errors import QuantityError
from tussock.base.records import Treatment

BASE = {"id": "t", "growth_form": "tree", "product": "glyphosate-aquatic", "concentration": "50 %"}


def build(**keys):
    return Treatment.model_validate(BASE | keys)


@pytest.mark.parametrize(
    ("method", "keys", "needs"),
    [
        ("stem_injection", {"dose_per_cut": "1 mL"}, ("cut_per_diameter", "cut_spacing", "dose_per_stem")),
        ("stem_injection", {}, ("dose_per_cut with cut_per_diameter or cut_spacing", "dose_per_stem")),
        ("cut_stump", {"dose_per_ring_area": "1.5 L/m2"}, ("ring_width", "dose_per_stem")),
        ("cut_stump", {}, ("dose_per_ring_area with ring_width", "dose_per_cut", "dose_per_stem")),
        ("basal_bark", {"band_height": "15 in"}, ("dose_per_bark_area with band_height", "dose_per_stem")),
        ("basal_bark", {"dose_per_bark_area": "0.3 L/m2"}, ("band_height",)),
        ("foliar_spot", {}, ("spray_volume",)),
    ],
)
def test_a_dose_that_is_not_stated_is_asked_for_by_its_keys(method, keys, needs) -> None:
    """No default stands in: not one cut for a stem of any size, not a film of mix on the bark, not the whole stump."""
    with pytest.raises(ValidationError) as refused:
        build(method=method, **keys)
    for need in needs:
        assert need in str(refused.value)


@pytest.mark.parametrize(
    ("method", "keys"),
    [
        ("stem_injection", {"dose_per_cut": "1 mL", "cut_per_diameter": "3 in"}),
        ("stem_injection", {"dose_per_cut": "1 mL", "cut_spacing": "4 in"}),
        ("stem_injection", {"dose_per_stem": "5 mL"}),
        ("cut_stump", {"dose_per_cut": "2 mL"}),
        ("cut_stump", {"dose_per_ring_area": "1.5 L/m2", "ring_width": "1 in"}),
        ("basal_bark", {"dose_per_bark_area": "0.3 L/m2", "band_height": "15 in"}),
        ("basal_bark", {"spray_volume": "5 gal/acre"}),
    ],
)
def test_a_dose_stated_in_full_is_taken(method, keys) -> None:
    assert build(method=method, **keys).id == "t"


@pytest.mark.parametrize(
    ("method", "keys", "found"),
    [
        ("stem_injection", {"dose_per_cut": "1 mL", "cut_spacing": "3 in", "dose_per_stem": "5 mL"}, "together"),
        ("cut_stump", {"dose_per_cut": "1 mL", "spray_volume": "5 gal/acre"}, "spray_volume and dose_per_cut together"),
        ("foliar_spot", {"dose_per_cut": "1 mL", "spray_volume": "5 gal/acre"}, 'dose_per_cut with "foliar_spot"'),
        ("basal_bark", {"dose_per_cut": "1 mL", "band_height": "1 ft"}, 'dose_per_cut with "basal_bark"'),
    ],
)
def test_a_dose_stated_twice_or_by_a_key_of_another_method_is_refused(method, keys, found) -> None:
    with pytest.raises(ValidationError, match=re.escape(found)):
        build(method=method, **keys)


@pytest.mark.parametrize(
    ("parts", "found"),
    [
        # 100 + 0.25; 50 + 60; 99 + 0.5 + 0.6: by hand
        ({"concentration": "100 %", "dye": "0.25 %"}, "concentration 100 % + dye 0.25 % = 100.25 % of the mix"),
        (
            {"tank_mix": [{"product": "other", "concentration": "60 %"}]},
            "concentration 50 % + tank_mix (other) 60 % = 110 % of the mix",
        ),
        (
            {"concentration": "99 %", "dye": "0.5 %", "adjuvant": "0.6 %"},
            "concentration 99 % + dye 0.5 % + adjuvant 0.6 % = 100.1 % of the mix",
        ),
    ],
)
def test_shares_over_the_whole_are_refused_also_in_code(parts, found) -> None:
    with pytest.raises(ValidationError, match=re.escape(found)):
        build(method="cut_stump", dose_per_cut="1 mL", **parts)


def test_a_full_tank_without_carrier_is_taken() -> None:
    """99.75 + 0.25 = 100 %."""
    assert build(method="cut_stump", dose_per_cut="1 mL", concentration="99.75 %", dye="0.25 %").dye == 0.0025


def test_a_copy_with_another_share_is_checked_too() -> None:
    treatment = build(method="cut_stump", dose_per_cut="1 mL")
    with pytest.raises(QuantityError, match=r'treatment "t": concentration 50 % \+ dye 60 % = 110 %'):
        treatment.model_copy(update={"dye": 0.6})
    with pytest.raises(QuantityError, match='treatment "t": no dose'):
        treatment.model_copy(update={"dose_per_cut_l": None})


def test_faults_of_a_file_are_told_by_file_treatment_and_key(tmp_path) -> None:
    text = """
[[treatment]]
id = "inject"
growth_form = "tree"
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "100 %"
dose_per_cut = "1 mL"

[[treatment]]
id = "thick"
growth_form = "tree"
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "100 %"
dye = "0.25 %"
dose_per_cut = "1 mL"
"""
    patch = {"patch_id": "T", "species": "elm", "growth_form": "tree", "geometry": feet_box(0, 0, 200, 200)}
    path = Sites(tmp_path).write([patch], treatments=text)
    with pytest.raises(tussock.InputError) as refused:
        tussock.read_site(path)
    first, second = refused.value.faults
    assert (first.where, first.what, first.line) == ("treatments.toml", 'treatment[1] ("inject")', 2)
    assert first.found == "dose_per_cut without cut_per_diameter or cut_spacing"
    assert first.need == 'give cut_per_diameter = "3 in" or cut_spacing = "3 in", or dose_per_stem instead'
    assert (second.where, second.what, second.line) == ("treatments.toml", 'treatment[2] ("thick")', 10)
    assert second.found == "concentration 100 % + dye 0.25 % = 100.25 % of the mix"
