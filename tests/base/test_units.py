"""Quantities as text. What is accepted and refused follows from the form "number unit"; factors: NIST Handbook 44."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tussock.base.units import parse_money, parse_quantity


@pytest.mark.parametrize(
    ("text", "unit", "size"),
    [
        ("100 ft", "m", 30.48),
        ("1 acre", "m2", 4046.8564224),
        ("1 gal", "L", 3.785411784),
        ("1 fl oz", "L", 3.785411784 / 128),
        ("1 lb/gal", "kg/L", 0.45359237 / 3.785411784),
        ("5 gal/acre", "L/ha", 5 * 3.785411784 / 0.40468564224),
        ("20 %", "", 0.2),
        ("480 g/L", "kg/L", 0.48),
        ("700 mL/min", "L/s", 0.7 / 60),
        ("1600/acre", "1/ha", 1600 / 0.40468564224),
        (" 2.5  ha ", "m2", 25000.0),
    ],
)
def test_accepted(text, unit, size):
    assert parse_quantity(text, unit) == pytest.approx(size, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("1 1/2 gal", "L"),
        ("8 oz", "L"),
        ("70 F", "m"),
        ("nan m", "m"),
        ("inf m", "m"),
        ("1e999 m", "m"),
        ("9**9**9 m", "m"),
        ("1 attospeed_of_light", "m"),
        ("-5 ft", "m"),
        ("5", "m"),
        ("ft", "m"),
        ("", "m"),
        ("5 ft; import os", "m"),
        ("1,5 m", "m"),
        ("5 gal", "m"),
        (5, "m"),
        (None, "m"),
        ("0.2", ""),
    ],
)
def test_refused_with_the_form_that_is_accepted(text, unit):
    with pytest.raises(ValueError, match="write a number and a unit"):
        parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("3,8 lb/gal", "kg/L", "(1.5, not 1,5)"),
        ("1 1/2 gal", "L", "(1.5, not 1 1/2)"),
        ("3 acre", "m", "of another kind than a length"),
        ("8 lb", "kg/ha", "of another kind than a weight for an area"),
    ],
)
def test_refusal_says_what_is_wrong(text, unit, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        parse_quantity(text, unit)


@pytest.mark.parametrize("text", ["40 USD/fortnight", "40 USD/gal"])
def test_money_for_another_unit_shows_the_amount(text):
    with pytest.raises(ValueError, match=re.escape(f'"{text}"') + ".*45 USD/hour"):
        parse_money(text, "s")


@given(st.floats(1e-6, 1e9))
def test_size_comes_back(size):
    assert math.isclose(parse_quantity(f"{size!r} ft", "m"), size * 0.3048, rel_tol=1e-12)


@given(st.text(max_size=30))
def test_any_text_gives_a_finite_size_or_one_clear_error(text):
    size = message = None
    try:
        size = parse_quantity(text, "m")
    except ValueError as error:
        message = str(error)
    assert "write a number and a unit" in message if size is None else math.isfinite(size) and size >= 0


def test_money():
    amount, currency = parse_money("45 USD/hour", "s")
    assert amount * 3600 == pytest.approx(45)
    assert currency == "USD"
    for text in ("45", "45 USD", "-1 USD/hour", "45 dollars/hour", "nan USD/hour", "45 USD/gal"):
        with pytest.raises(ValueError, match=r"write|of another kind|not negative"):
            parse_money(text, "s")
