"""Acid equivalents: published ratios and molar masses."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.errors import MissingExtraError, QuantityError
from tussock.trade import acid_equivalent as ae

WATER, HYDROGEN = 18.015, 1.008  # g/mol, standard atomic weights


@pytest.mark.parametrize(
    ("active", "name", "ratio", "places"),
    [
        # published weight ratios acid / compound, as printed on labels and in extension tables
        ("glyphosate", "isopropylamine salt", 0.741, 3),
        ("triclopyr", "triethylamine salt", 0.717, 3),
        ("triclopyr", "butoxyethyl ester", 0.719, 3),
        ("2,4-D", "dimethylamine salt", 0.831, 3),
        ("imazapyr", "isopropylamine salt", 0.8155, 4),
        ("dicamba", "dimethylamine salt", 0.831, 3),
        ("dicamba", "isopropylamine salt", 0.789, 3),
    ],
)
def test_published_ratio(active, name, ratio, places):
    assert round(ae.find_ratio(active, name), places) == ratio


@pytest.mark.parametrize(
    ("formula", "molar_mass"),
    [
        ("C3H8NO5P", 169.07),  # glyphosate
        ("C7H4Cl3NO3", 256.46),  # triclopyr
        ("C6H4Cl2N2O2", 207.01),  # aminopyralid
        ("C8H6Cl2O3", 221.04),  # dicamba and 2,4-D
        ("C10H13Cl2NO3", 266.12),  # dicamba dimethylamine salt
        ("C13H16Cl3NO4", 356.6),  # triclopyr butoxyethyl ester
    ],
)
def test_published_molar_mass(formula, molar_mass):
    assert ae.weigh_formula(formula) == pytest.approx(molar_mass, abs=0.05)


@pytest.mark.parametrize("compound", ae.list_compounds().values(), ids=lambda item: f"{item.active} {item.name}")
def test_compound_is_acid_and_partner(compound):
    # an amine salt is acid + base; choline hydroxide and the alcohols of esters leave water; a metal replaces hydrogen
    left = ae.weigh_formula(compound.acid) + ae.weigh_formula(compound.partner) - ae.weigh_formula(compound.formula)
    if compound.form == "ester" or compound.name == "choline salt":
        lost = WATER
    elif compound.partner == "K":
        lost = HYDROGEN
    else:
        lost = 0.0
    assert left == pytest.approx(lost, abs=0.002)


@settings(deadline=None, database=None)
@given(ai=st.floats(1e-6, 1e3), ratio=st.floats(0.01, 1))
def test_there_and_back(ai, ratio):
    acid = ae.convert_ai_to_ae(ai, ratio)
    assert acid <= ai
    assert ae.convert_ae_to_ai(acid, ratio) == pytest.approx(ai, rel=1e-9)


def test_two_acids_in_one_compound():
    # by hand: a salt of two acids with one two-fold base holds twice the acid
    assert ae.find_acid_ratio("C2H4O2", "C4H6CaO4", acids_per_compound=2) == pytest.approx(
        2 * 60.052 / 158.166, rel=1e-4
    )


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ae.find_ratio("glyphosate", "purple salt"), "name one of: isopropylamine salt, potassium salt"),
        (lambda: ae.find_ratio("nothing", "salt"), "known actives: 2,4-D, aminopyralid"),
        (lambda: ae.weigh_formula("Xx9"), '"Xx9", which is not a chemical formula'),
        (lambda: ae.find_acid_ratio("C6H17N2O5P", "C3H8NO5P"), "are the two exchanged"),
        (lambda: ae.convert_ai_to_ae(1.0, None), "ai is given where ae is needed, and no ratio"),
        (lambda: ae.convert_ae_to_ai(1.0, 1.2), "an acid ratio of 1.2"),
        (lambda: ae.check_ratio(0.0), "an acid ratio of 0"),
    ],
)
def test_bad_input(call, words):
    with pytest.raises(QuantityError, match=words):
        call()


def test_missing_package_is_named_with_advice(monkeypatch):
    monkeypatch.setitem(sys.modules, "molmass", None)
    with pytest.raises(MissingExtraError, match=r'pip install "tussock\[chemistry\]"'):
        ae.weigh_formula("C3H8NO5P")
