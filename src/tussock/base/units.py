"""In: quantities as text ("100 ft", "20 %"). Out: plain floats in one stated unit; and the factors for display.

The text is checked against a strict pattern before pint sees it: pint by itself reads "1 1/2 gal" as 0.5,
"1 fl oz" as femtolitre-ounces, accepts nan, and has two acres. The registry is loaded from `units.txt`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Annotated, Any, Final, NewType

from pydantic import BeforeValidator

from tussock.base.errors import QuantityError

if TYPE_CHECKING:
    from pint import UnitRegistry

ACRE_M2: Final = 4046.8564224
FOOT_M: Final = 0.3048
INCH_M: Final = 0.0254
GALLON_L: Final = 3.785411784
FLUID_OUNCE_L: Final = GALLON_L / 128
POUND_KG: Final = 0.45359237
HECTARE_M2: Final = 10_000.0
LB_PER_ACRE_KG_PER_HA: Final = POUND_KG / (ACRE_M2 / HECTARE_M2)

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_WORD = r"[A-Za-z_]+[23]?"
_QUANTITY = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>%|/?\s*{_WORD}(?:\s*/\s*{_WORD})*)?\s*")
_SPELLINGS = (
    (re.compile(r"\b(?:fl\.?\s*oz\.?|fluid ounces?)(?![A-Za-z])", re.I), "fl_oz"),
    (re.compile(r"\b(?:gpa)\b", re.I), "gal/acre"),
    (re.compile(r"\bsq\.?\s*(ft|m|in)\b", re.I), r"\g<1>2"),
    (re.compile(r"\b(ft|m|in|cm)(?:\^|\*\*)2"), r"\g<1>2"),
    (re.compile(r"\bacres\b"), "acre"),
    (re.compile(r"\b(hour|day|minute|second|stem|gallon|quart|pint|pound|meter|liter|mile|yard)s\b"), r"\1"),
)
_COMMA = re.compile(r"\s*[+-]?\d+,\d+")
_EXAMPLES: Final = {
    "m": "100 ft",
    "m2": "0.5 acre",
    "L": "4 gal",
    "L/ha": "5 gal/acre",
    "kg/L": "3 lb/gal",
    "kg/ha": "8 lb/acre",
    "L/s": "700 mL/min",
    "1/ha": "1600/acre",
    "s": "20 min",
    "m/s": "2 mi/hour",
    "ha/s": "0.25 acre/hour",
    "1/s": "60/hour",
    "L/m": "2 mL/in",
    "L/m2": "0.3 L/m2",
    "kg": "5 lb",
    "": "20 %",
}
#: What each unit measures, for messages.
_KINDS: Final = {
    "m": "a length",
    "m2": "an area",
    "L": "a volume",
    "L/ha": "a volume for an area",
    "kg/L": "a weight for a volume",
    "kg/ha": "a weight for an area",
    "L/s": "a volume for a time",
    "1/ha": "a number for an area",
    "s": "a time",
    "m/s": "a speed",
    "ha/s": "an area for a time",
    "1/s": "a number for a time",
    "L/m": "a volume for a length",
    "L/m2": "a volume for an area",
    "kg": "a weight",
}
#: More acid equivalent in a liter than this is a slip of the unit, such as kg/L for g/L [kg/L]: the herbicides of the
#: trade, liquid or dry, weigh less than that themselves (common practice, no source).
MOST_STRENGTH_KG_PER_L: Final = 2.0


@lru_cache(maxsize=1)
def registry() -> UnitRegistry[float]:
    """Return the one unit registry."""
    from pint import UnitRegistry

    with resources.as_file(resources.files("tussock.base") / "units.txt") as path:
        return UnitRegistry(str(path), cache_folder=None)


def parse_quantity(text: object, unit: str, *, minimum: float | None = 0.0) -> float:
    """Read one quantity and return its size in ``unit``.

    Parameters
    ----------
    text
        A string with a unit, such as ``"100 ft"``, ``"5 gal/acre"`` or ``"20 %"``.
    unit
        Unit wanted; ``""`` for a share (``"20 %"`` gives 0.2, a bare number is refused).
    minimum
        Smallest size accepted, in ``unit``; ``None`` for no floor.

    Returns
    -------
    float
        Size in ``unit``, finite.

    Raises
    ------
    QuantityError
        Not a string, not of the form "number unit", unknown unit, wrong dimension, not finite or too small.

    Examples
    --------
    >>> round(parse_quantity("100 ft", "m"), 9)
    30.48
    >>> parse_quantity("20 %", "")
    0.2
    """
    form = f'write a number and a unit, such as "{_EXAMPLES.get(unit, "1 " + unit)}"'
    if not isinstance(text, str):
        raise QuantityError(f"{text!r} without a unit; {form}, in quotes")
    spelled = text
    for pattern, written in _SPELLINGS:
        spelled = pattern.sub(written, spelled)
    match = _QUANTITY.fullmatch(spelled)
    if match is None:
        wrong = "1,5" if _COMMA.match(text) else "1 1/2"
        raise QuantityError(f'"{text}", which is not one number and one unit; {form} (1.5, not {wrong})')
    number, unit_text = float(match["number"]), (match["unit"] or "").replace(" ", "")
    size = number * _factor(text, unit_text, unit, form)
    if not math.isfinite(size):
        raise QuantityError(f'"{text}", which is not finite; {form}')
    if minimum is not None and size < minimum:
        raise QuantityError(f'"{text}", which is below {minimum:g} {unit or "%"}; {form}')
    return size


def _factor(text: str, unit_text: str, unit: str, form: str) -> float:
    """Return the factor from the unit written to the unit wanted."""
    if unit == "":
        if unit_text == "%":
            return 0.01
        raise QuantityError(f'"{text}", where a share is needed; {form}')
    if unit_text in ("", "%"):
        raise QuantityError(f'"{text}" without a unit that fits; {form}')
    ureg = registry()
    expression = f"1{unit_text}" if unit_text.startswith("/") else unit_text
    try:
        written = ureg.parse_expression(expression)
        wanted = ureg.parse_expression(unit)
    except Exception as error:  # pint raises several kinds, all meaning "not a unit"
        raise QuantityError(f'"{text}" with the unknown unit "{unit_text}"; {form}') from error
    if not hasattr(written, "dimensionality") or written.dimensionality != wanted.dimensionality:
        hint = ' ("oz" is a weight; for volume write "fl oz")' if re.search(r"\boz\b", unit_text) else ""
        kind = f" than {_KINDS[unit]}" if unit in _KINDS else ""
        raise QuantityError(f'"{text}", which is of another kind{kind}{hint}; {form}')
    return float((written / wanted).to_base_units().magnitude)


def _door(unit: str, *, minimum: float | None = 0.0, positive: bool = False) -> BeforeValidator:
    def check(value: Any) -> Any:
        # floats pass so that a record can be copied; a TOML file reaches this only as text or raw number
        if isinstance(value, _Parsed):
            return float(value)
        size = parse_quantity(value, unit, minimum=minimum)
        if positive and size == 0:
            raise QuantityError(f'"{value}"; it must be more than zero')
        return size

    return BeforeValidator(check)


class _Parsed(float):
    """A size already in the unit of its field (for records built in code)."""


def parsed(size: float) -> float:
    """Mark a plain float as already in the unit of the record field it is given to."""
    return _Parsed(size)


def _share(value: Any) -> Any:
    if isinstance(value, _Parsed):
        return float(value)
    parts = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", value) if isinstance(value, str) else None
    if parts is not None:
        product, carrier = float(parts[1]), float(parts[2])
        if product + carrier == 0:
            raise QuantityError(f'"{value}", which has no parts at all; write "1:2" or "33 %"')
        return product / (product + carrier)
    share = parse_quantity(value, "")
    if share > 1:
        raise QuantityError(f'"{value}", which is more than the whole; write a share from "0 %" to "100 %"')
    return share


def _strength(value: Any) -> Any:
    if isinstance(value, _Parsed):
        return float(value)
    size = parse_quantity(value, "kg/L")
    if size == 0:
        raise QuantityError(f'"{value}"; it must be more than zero')
    if size > MOST_STRENGTH_KG_PER_L:
        found = f'"{value}", which is {size:.4g} kg of acid equivalent in a liter, more than any product weighs'
        raise QuantityError(f'{found}; write the figure and the unit of the label, such as "480 g/L" or "4 lb/gal"')
    return size


LengthM = Annotated[float, _door("m")]
PositiveLengthM = Annotated[float, _door("m", positive=True)]
AreaM2 = Annotated[float, _door("m2")]
VolumeL = Annotated[float, _door("L")]
PositiveVolumeL = Annotated[float, _door("L", positive=True)]
RateLPerHa = Annotated[float, _door("L/ha", positive=True)]
StrengthKgPerL = Annotated[float, BeforeValidator(_strength)]
DoseKgPerHa = Annotated[float, _door("kg/ha", positive=True)]
FlowLPerS = Annotated[float, _door("L/s", positive=True)]
DensityPerHa = Annotated[float, _door("1/ha", positive=True)]
DurationS = Annotated[float, _door("s")]
PaceHaPerS = Annotated[float, _door("ha/s", positive=True)]
PacePerS = Annotated[float, _door("1/s", positive=True)]
DoseLPerM = Annotated[float, _door("L/m", positive=True)]
DoseLPerM2 = Annotated[float, _door("L/m2", positive=True)]
MassKg = Annotated[float, _door("kg")]
Share = Annotated[float, BeforeValidator(_share)]

Money = NewType("Money", tuple[float, str])
_MONEY = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<currency>[A-Z]{{3}})\s*(?:/\s*(?P<per>[A-Za-z_ ]+?))?\s*")


def parse_money(text: object, per: str | None) -> tuple[float, str]:
    """Read an amount of money, such as ``"45 USD/hour"``.

    Parameters
    ----------
    text
        Number, three-letter currency code (ISO 4217) and, where ``per`` is given, "/" and a unit.
    per
        Unit that the amount is for, such as ``"s"`` or ``"L"``; ``None`` for a plain amount.

    Returns
    -------
    tuple of float and str
        Amount per one ``per``, and the currency code.

    Raises
    ------
    QuantityError
        Not of that form, negative, or a unit of another kind.
    """
    example = f'"45 USD{"/" + {"s": "hour", "L": "gal"}.get(per, per) if per else ""}"'
    match = _MONEY.fullmatch(text) if isinstance(text, str) else None
    if match is None or (per is None) != (match["per"] is None):
        raise QuantityError(f"{text!r}; write an amount, a currency code and its unit, such as {example}")
    amount = float(match["number"])
    if not math.isfinite(amount) or amount < 0:
        raise QuantityError(f"{text!r}; an amount is finite and not negative, such as {example}")
    if per is not None:
        try:
            amount /= parse_quantity(f"1 {match['per']}", per)
        except QuantityError as error:
            found = f'"{text}", an amount for each "{match["per"]}"'
            raise QuantityError(f"{found}; write an amount, a currency code and its unit, such as {example}") from error
    return amount, match["currency"]


def _money_door(per: str | None) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        return value if isinstance(value, tuple) else parse_money(value, per)

    return check


MoneyPlain = Annotated[tuple[float, str], BeforeValidator(_money_door(None))]
MoneyPerS = Annotated[tuple[float, str], BeforeValidator(_money_door("s"))]
MoneyPerL = Annotated[tuple[float, str], BeforeValidator(_money_door("L"))]
