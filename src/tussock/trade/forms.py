"""In: what a worksheet asks for, and the texts a user gives. Out: sizes in SI, and a sheet in US or metric units.

The worksheets themselves are in `worksheets`; this is the paper they are printed on.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from tussock.base.columns import UnitSystem
from tussock.base.errors import QuantityError
from tussock.base.units import parse_quantity
from tussock.trade.mixing import find_share_of_one_in, find_share_of_parts

Kind: TypeAlias = Literal["quantity", "share", "parts", "number", "text"]
Given: TypeAlias = Mapping[str, str | Sequence[str] | None]

#: SI unit, then unit as parsed and as printed, for US and for metric sheets.
_SHOWN: Final[Mapping[str, tuple[str, tuple[str, str], tuple[str, str]]]] = {
    "rate": ("L/ha", ("gal/acre", "gal/acre"), ("L/ha", "L/ha")),
    "flow": ("L/s", ("gal/min", "gal/min"), ("L/min", "L/min")),
    "small flow": ("L/s", ("fl_oz/s", "fl oz/s"), ("mL/s", "mL/s")),
    "volume": ("L", ("gal", "gal"), ("L", "L")),
    "small volume": ("L", ("fl_oz", "fl oz"), ("mL", "mL")),
    "cut dose": ("L", ("mL", "mL"), ("mL", "mL")),
    "plot": ("m2", ("ft2", "ft2"), ("m2", "m2")),
    "ground": ("m2", ("acre", "acre"), ("ha", "ha")),
    "length": ("m", ("ft", "ft"), ("m", "m")),
    "short length": ("m", ("in", "in"), ("cm", "cm")),
    "time": ("s", ("s", "s"), ("s", "s")),
    "speed": ("m/s", ("mi/hour", "mph"), ("km/hour", "km/h")),
    "pace": ("m/s", ("ft/s", "ft/s"), ("m/s", "m/s")),
    "strength": ("kg/L", ("lb/gal", "lb/gal"), ("g/L", "g/L")),
    "dose": ("kg/ha", ("lb/acre", "lb/acre"), ("kg/ha", "kg/ha")),
    "small mass": ("kg", ("oz", "oz by weight"), ("g", "g")),
}
_SPELLINGS: Final = (
    (re.compile(r"\bmph\b", re.IGNORECASE), "mi/hour"),
    (re.compile(r"\bkph\b", re.IGNORECASE), "km/hour"),
    (re.compile(r"\bgpm\b", re.IGNORECASE), "gal/min"),
)
_PARTS: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(:|in)\s*(\d+(?:\.\d+)?)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Line:
    """One result: what it is, its size and unit."""

    label: str
    value: float
    unit: str = ""

    def __str__(self) -> str:
        return f"{self.label}: {write_number(self.value)} {self.unit}".rstrip()


@dataclass(frozen=True)
class Worksheet:
    """A filled worksheet: title, results, and the working in one line that can be followed by hand."""

    title: str
    lines: tuple[Line, ...]
    working: str
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "\n".join([self.title, *map(str, self.lines), f"working: {self.working}", *self.notes])


@dataclass(frozen=True)
class OptionSpec:
    """One thing a worksheet asks for.

    Parameters
    ----------
    name
        Name on the command line, without the leading dashes.
    help
        What it is, for the reader of the help page.
    example
        A value as it is typed.
    kind
        How the text is read.
    unit
        SI unit that a quantity is turned to.
    required
        Whether the sheet cannot do without it.
    multiple
        Whether it may be given several times.
    positive
        Whether zero is refused.
    """

    name: str
    help: str
    example: str
    kind: Kind = "quantity"
    unit: str = ""
    required: bool = False
    multiple: bool = False
    positive: bool = True

    def read(self, text: str) -> float:
        """Read one value as a number in the SI unit of the option; a fault names the option."""
        try:
            size = self._size(text)
        except QuantityError as error:
            raise QuantityError(f"--{self.name}: found {error}") from error
        if self.positive and size == 0:
            raise QuantityError(f'--{self.name}: found "{text}"; it must be more than zero, such as "{self.example}"')
        return size

    def _size(self, text: str) -> float:
        if self.kind == "parts":
            return _read_parts(text)
        if self.kind == "number":
            return self._whole(text)
        for pattern, written in _SPELLINGS:
            text = pattern.sub(written, text)
        size = parse_quantity(text, self.unit)
        if self.kind == "share" and size > 1:
            raise QuantityError(f'"{text}", which is more than the whole; write such as "{self.example}"')
        return size

    def _whole(self, text: str) -> float:
        if re.fullmatch(r"\s*\d{1,9}\s*", text) is None:
            raise QuantityError(f'"{text}", which is not a whole number; write such as "{self.example}"')
        return float(text)


def _read_parts(text: str) -> float:
    """Return the share of product in "1:2" (1 part to 2 parts) or "1 in 50" (1 part in 50 parts of mix)."""
    match = _PARTS.fullmatch(text)
    if match is None or (match[2] == ":" and match[1].startswith("0") and float(match[1]) == 0):
        raise QuantityError(f'"{text}"; write "1:2" for 1 part to 2 parts, or "1 in 50" for 1 part in 50 of the mix')
    first, second = float(match[1]), float(match[3])
    if match[2] == ":":
        return find_share_of_parts(first, second)
    if not 0 < first <= second:
        raise QuantityError(f'"{text}"; the finished mix holds at least its product, write such as "1 in 50"')
    return find_share_of_one_in(second / first)


@dataclass(frozen=True)
class Values:
    """Sizes read from the options of one sheet, and the unit system to print in."""

    sizes: Mapping[str, tuple[float, ...]]
    texts: Mapping[str, str]
    system: UnitSystem

    def one(self, name: str) -> float:
        """Return the size of an option that must be there."""
        found = self.maybe(name)
        if found is None:
            raise QuantityError(f"--{name}: missing; this sheet cannot do without it here")
        return found

    def maybe(self, name: str) -> float | None:
        """Return the size of an option, or None."""
        sizes = self.sizes.get(name, ())
        return sizes[0] if sizes else None

    def missing_of(self, *names: str) -> str:
        """Return the one option of several that was left out, which the sheet works out."""
        absent = [name for name in names if not self.sizes.get(name)]
        if len(absent) != 1:
            options = ", ".join(f"--{name}" for name in names)
            found = "all of them" if not absent else f"--{' and --'.join(absent)} missing"
            raise QuantityError(f"{options}: found {found}; leave out exactly one, it is worked out")
        return absent[0]

    def text(self, size: float, kind: str) -> str:
        """Return a size as number and unit of the system."""
        line = self.line("", size, kind)
        return f"{write_number(line.value)} {line.unit}"

    def line(self, label: str, size: float, kind: str) -> Line:
        """Return a result line in the unit of the system."""
        unit, *systems = _SHOWN[kind]
        written, printed = systems[0] if self.system == "us" else systems[1]
        return Line(label, express(size, unit, written), printed)


def express(size: float, si_unit: str, unit: str) -> float:
    """Return a size given in an SI unit as so many of another unit of the same kind.

    Examples
    --------
    >>> round(express(0.3048, "m", "ft"), 9)
    1.0
    """
    return size / parse_quantity(f"1 {unit}", si_unit)


def write_number(value: float) -> str:
    """Return a number to five significant digits, without an exponent and without trailing zeros."""
    text = f"{value:.5g}"
    if "e" in text:
        text = f"{float(text):.12f}".rstrip("0").rstrip(".") if abs(value) < 1 else f"{float(text):.0f}"
    return text


@dataclass(frozen=True)
class WorksheetSpec:
    """One calibration task: what it asks for and the function that fills it."""

    name: str
    title: str
    help: str
    options: tuple[OptionSpec, ...]
    fill_values: Callable[[Values], Worksheet] = field(repr=False)

    def fill(self, given: Given, system: UnitSystem = "us") -> Worksheet:
        """Fill the sheet.

        Parameters
        ----------
        given
            Texts by option name (a list for an option that may stand several times); None is left out.
        system
            Units of the results: ``"us"`` or ``"metric"``.

        Returns
        -------
        Worksheet
            Results and the working in one line.

        Raises
        ------
        QuantityError
            An option that is unknown, missing or wrong; the message names it.
        """
        known = {option.name: option for option in self.options}
        if unknown := [name for name in given if name not in known]:
            raise QuantityError(f"--{unknown[0]}: not an option of {self.name}; known: --{', --'.join(known)}")
        sizes: dict[str, tuple[float, ...]] = {}
        texts: dict[str, str] = {}
        for option in self.options:
            values = _as_list(given.get(option.name))
            if option.required and not values:
                raise QuantityError(f'--{option.name}: missing; write such as --{option.name} "{option.example}"')
            if option.kind == "text" and values:
                texts[option.name] = values[0].strip()
            elif option.kind != "text":
                sizes[option.name] = tuple(option.read(text) for text in values)
        return self.fill_values(Values(sizes, texts, system))


def _as_list(value: str | Sequence[str] | None) -> list[str]:
    if value is None:
        return []
    return [value] if isinstance(value, str) else list(value)
