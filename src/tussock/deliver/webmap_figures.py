"""In: values of a table. Out: the texts that the map shows, each rounded once."""

from __future__ import annotations

import math
from typing import Any, Final

from tussock.base import columns as c

UNKNOWN: Final = "not known"

#: Decimal places by quantity; a smaller size than these can show keeps two significant digits.
_PLACES: Final[dict[str, int]] = {
    "area": 3,
    "liquid": 2,
    "small liquid": 1,
    "mass": 3,
    "dose": 3,
    "rate": 1,
    "length": 1,
    "share": 1,
    "seconds": 0,
    "hours": 2,
    "money": 2,
    "count": 0,
}

_UNIT_WORDS: Final = {"fl_oz": "fl oz", "ml": "mL", "l": "L", "gal_per_acre": "gal/acre", "l_per_ha": "L/ha"}


def is_blank(value: Any) -> bool:
    """Tell whether a cell holds nothing: None, nan, NA or an empty text."""
    try:
        return value is None or bool(value == "") or bool(value != value)  # noqa: PLR0124  (nan is not itself)
    except TypeError:  # pandas' NA answers neither yes nor no
        return True


def show_figure(value: Any, quantity: str) -> str:
    """Return a number as the map shows it.

    Parameters
    ----------
    value
        Number in the unit of the plan's tables; blank gives an empty text.
    quantity
        One of ``area, liquid, small liquid, mass, dose, rate, length, share, seconds, hours, money, count``.

    Examples
    --------
    >>> show_figure(0.10686, "area"), show_figure(0.000413, "area"), show_figure(12345.678, "money")
    ('0.107', '0.00041', '12,345.68')
    >>> show_figure(1, "count"), show_figure(float("nan"), "area")
    ('1', '')
    """
    if is_blank(value):
        return ""
    number = float(value)
    places = _PLACES[quantity]
    if places and 0 < abs(number) < 10.0 ** (1 - places):
        places = max(places, 1 - math.floor(math.log10(abs(number))))
    return f"{number:,.{places}f}"


def show_short(value: Any, quantity: str) -> str:
    """Return a number that somebody chose, such as a rule's distance, without zeros that say nothing.

    Examples
    --------
    >>> show_short(100.0, "length"), show_short(33.333, "share")
    ('100', '33.3')
    """
    text = show_figure(value, quantity)
    return text.rstrip("0").rstrip(".") if "." in text else text


def unit_word(quantity: c.Quantity, system: c.UnitSystem) -> str:
    """Return the unit of a quantity as people write it."""
    suffix = quantity.suffix(system)
    return _UNIT_WORDS.get(suffix, suffix.replace("_per_", "/"))


def show_length(value: Any, system: c.UnitSystem, *, short: bool = False) -> str:
    """Return a distance of a plan's table with its unit; empty where blank."""
    text = show_short(value, "length") if short else show_figure(value, "length")
    return f"{text} {unit_word(c.LENGTH, system)}" if text else ""
