"""Unit factors.

NIST Handbook 44, Appendix C, General Tables of Units of Measurement: exact factors; the acre from the international
foot.
"""

from __future__ import annotations

import pytest

from tussock.base import units
from tussock.base.units import parse_quantity

FACTORS = [
    ("1 in", "cm", 2.54),
    ("1 ft", "m", 0.3048),
    ("1 yd", "m", 0.9144),
    ("1 mi", "m", 1609.344),
    ("1 mi", "ft", 5280),
    ("1 acre", "ft2", 43560),
    ("1 acre", "m2", 4046.8564224),
    ("1 ha", "m2", 10000),
    ("1 gal", "L", 3.785411784),
    ("1 gal", "qt", 4),
    ("1 gal", "pt", 8),
    ("1 gal", "fl_oz", 128),
    ("1 fl oz", "mL", 29.5735295625),
    ("1 lb", "kg", 0.45359237),
    ("1 lb", "oz", 16),
    ("1 oz", "g", 28.349523125),
]


@pytest.mark.parametrize(("text", "unit", "factor"), FACTORS)
def test_factor(text, unit, factor):
    assert parse_quantity(text, unit) == pytest.approx(factor, rel=1e-14)


def test_gallon_is_231_cubic_inches():
    assert pytest.approx(units.GALLON_L, rel=1e-14) == 231 * 0.0254**3 * 1000


def test_acre_is_not_the_survey_acre():
    # 43560 ft2 with the survey foot of 1200/3937 m would be 4046.8726 m2
    assert parse_quantity("1 acre", "m2") != pytest.approx(43560 * (1200 / 3937) ** 2, rel=1e-6)


def test_dose_factor():
    # 1 lb/acre = 0.45359237 kg / 0.40468564224 ha
    assert parse_quantity("1 lb/acre", "kg/ha") == pytest.approx(0.45359237 / 0.40468564224, rel=1e-14)
