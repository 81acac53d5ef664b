"""In: a column of cover entries as mappers write them. Out: for each its lowest, likely and highest share, or why not.

An entry is a number, a range, a word or a class of a named scheme. What cannot be told apart is refused, never guessed:
a "1" among words may be one percent or class 1 (up to 5 percent).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from numbers import Real
from typing import Final

import numpy as np

from tussock.base.errors import QuantityError
from tussock.trade.tables import read_rows

#: A bare whole number up to this size, in a column that also holds words or ranges, may be a class; 0 is 0 % in each.
LARGEST_CLASS: Final = 10
_PERCENT: Final = 100.0
_TRACE: Final = frozenset({"trace", "tr", "tr."})
#: Words of a mapper who found no plant of the species.
ABSENT: Final = frozenset({"absent", "eradicated", "not found", "none found", "not present", "gone", "extirpated"})
_BLANK: Final = frozenset({"", "-", "--", "na", "n/a", "nan", "<na>", "null", "unknown", "not recorded", "?"})
_NUMBER: Final = r"(?:\d+(?:\.\d+)?|\.\d+)"
_SIGN: Final = r"(?:\s*(?:%|percent|pct))?"
_SINGLE: Final = re.compile(rf"(?:~|about|ca\.?)?\s*({_NUMBER}){_SIGN}", re.IGNORECASE)
_BARE: Final = re.compile(rf"-?{_NUMBER}")
_NEGATIVE: Final = re.compile(rf"-\s*{_NUMBER}{_SIGN}", re.IGNORECASE)
_SPAN: Final = re.compile(rf"({_NUMBER}){_SIGN}\s*(?:-|–|—|to)\s*({_NUMBER}){_SIGN}", re.IGNORECASE)
_BELOW: Final = re.compile(rf"(?:<|<=|≤|under|below|less than)\s*({_NUMBER}){_SIGN}", re.IGNORECASE)
_ABOVE: Final = re.compile(rf"(?:>|>=|≥|over|above|more than)\s*({_NUMBER}){_SIGN}", re.IGNORECASE)
_FORMS: Final = 'write a percentage such as "25 %", a range such as "5-25 %", "trace", or leave it blank'


@dataclass(frozen=True)
class CoverEntry:
    """One entry: shares of the ground (0 to 1), all None where unknown or refused; ``note`` says how it was read.

    A refused entry is ``impossible`` where no reading makes it a cover (110 %, a reversed range); others are settled
    by naming a class scheme or writing the entry out. ``default`` tells that the site's default was taken for a blank.
    """

    low: float | None
    likely: float | None
    high: float | None
    note: str = ""
    refused: bool = False
    impossible: bool = False
    default: bool = False

    @property
    def known(self) -> bool:
        """Whether the entry gave a cover."""
        return self.likely is not None


def scheme_names() -> list[str]:
    """Return the names of the cover class schemes that ship, sorted."""
    return sorted(_schemes())


def read_scheme(name: str) -> Mapping[str, tuple[float, float]]:
    """Return the classes of a scheme: code to lowest and highest cover [%].

    Raises
    ------
    QuantityError
        No scheme of that name; lists those that ship.
    """
    wanted = name.strip().casefold()
    if wanted not in _schemes():
        raise QuantityError(f'cover scheme "{name}", which is not known; name one of {", ".join(scheme_names())}')
    return _schemes()[wanted]


@lru_cache(maxsize=1)
def _schemes() -> dict[str, dict[str, tuple[float, float]]]:
    schemes: dict[str, dict[str, tuple[float, float]]] = {}
    for row in read_rows("cover_schemes.toml", "class"):
        schemes.setdefault(row["scheme"], {})[row["code"]] = (float(row["low"]), float(row["high"]))
    return schemes


def read_cover_column(
    values: Sequence[object], scheme: str | None = None, default: str | None = None
) -> list[CoverEntry]:
    """Read a column of cover entries.

    Parameters
    ----------
    values
        Entries in the order of the rows: numbers (percent), texts, or None and nan for blanks.
    scheme
        Name of the class scheme that the mappers used (see `scheme_names`); with it, numbers and letters that are
        classes of the scheme are read as classes.
    default
        Cover to take for blanks, such as ``"25 %"``; without it a blank is unknown, neither 0 nor 100 %.

    Returns
    -------
    list of CoverEntry
        One for each value. A column of plain numbers is percent. Among words, ranges or percent signs a bare whole
        number up to 10 is refused unless a scheme is named, because it may be a class. The likely cover of a range
        is its middle.

    Raises
    ------
    QuantityError
        Unknown scheme, or a default that is itself not a clear cover.

    Examples
    --------
    >>> for entry in read_cover_column(["5-25", "trace", "1", "25%", None]):
    ...     print(entry.low, entry.likely, entry.high, entry.refused)
    0.05 0.15 0.25 False
    0.0 0.005 0.01 False
    None None None True
    0.25 0.25 0.25 False
    None None None False
    """
    classes = read_scheme(scheme) if scheme is not None else None
    blank = _default_entry(default)
    texts = [_as_text(value) for value in values]
    name = scheme.strip().casefold() if scheme is not None else None
    filled = [text for text in texts if text is not None and text.casefold() not in ABSENT]
    column = _Column.describe(filled, name, classes)
    return [blank if text is None else column.read(text) for text in texts]


def _default_entry(default: str | None) -> CoverEntry:
    if default is None:
        return CoverEntry(None, None, None, "cover not recorded: unknown")
    text = _as_text(default)
    entry = _Column(scheme=None, classes=None, plain=False).read(text) if text is not None else None
    if entry is None or entry.refused:
        raise QuantityError(f'default cover "{default}", which is not clear; {_FORMS}')
    note = f"cover not recorded: default {default} taken"
    return CoverEntry(entry.low, entry.likely, entry.high, note, default=True)


def _as_text(value: object) -> str | None:
    """Return an entry as stripped text; None for a blank."""
    if value is None:
        return None
    text = str(value).strip()
    if isinstance(value, Real) and not isinstance(value, bool):
        number = float(value)
    elif _BARE.fullmatch(text):
        number = float(text)
    else:
        return None if text.casefold() in _BLANK else text
    return None if math.isnan(number) else np.format_float_positional(number, trim="-")


@dataclass(frozen=True)
class _Column:
    """What the entries of a column have in common, which decides how a bare number is read."""

    scheme: str | None
    classes: Mapping[str, tuple[float, float]] | None
    plain: bool
    beside: str = ""
    fractions: bool = False

    @classmethod
    def describe(
        cls, texts: list[str], scheme: str | None, classes: Mapping[str, tuple[float, float]] | None
    ) -> _Column:
        """Look over the filled entries: whether all are plain numbers, and one that is no class of the scheme."""
        plain = all(_BARE.fullmatch(text) for text in texts)
        others = [text for text in texts if plain and classes is not None and _class_of(text, classes) is None]
        fractions = plain and any("." in text for text in texts) and all(0 <= float(text) <= 1 for text in texts)
        return cls(scheme, classes, plain, others[0] if others else "", fractions)

    def read(self, text: str) -> CoverEntry:
        """Read one filled entry."""
        if self.classes is not None and (code := _class_of(text, self.classes)) is not None:
            if self.beside:
                return _refuse(
                    text,
                    f"may be class {code} of {self.scheme} or {text} %: the column also holds {self.beside}, "
                    f'which is no class of the scheme; write percentages with their sign, such as "{text} %"',
                )
            low, high = self.classes[code]
            return _span(low, high, f"class {code} of {self.scheme}: {low:g} to {high:g} %")
        if self.classes is None and not self.plain and text.isdecimal() and 0 < int(text) <= LARGEST_CLASS:
            return _refuse(
                text,
                f'class or percent? name the class scheme ({", ".join(scheme_names())}) or write "{text} %"',
            )
        entry = _read_words(text)
        if self.fractions and entry.known:
            note = f"read as {text} %; if the column holds shares of 1, multiply it by 100"
            return CoverEntry(entry.low, entry.likely, entry.high, note)
        return entry


def _class_of(text: str, classes: Mapping[str, tuple[float, float]]) -> str | None:
    """Return the code of a class as the scheme spells it; None where the entry is no class."""
    if text in classes:
        return text
    return next((code for code in classes if code.casefold() == text.casefold()), None)


def _read_words(text: str) -> CoverEntry:
    """Read an entry that is not a class: a word, a bound, a range or a number of percent."""
    if text.casefold() in ABSENT:
        return _span(0.0, 0.0, f"{text}: 0 %")
    if text.casefold() in _TRACE:
        return _span(0.0, 1.0, "trace: 0 to 1 %")
    ends = _ends(text)
    if ends is not None:
        return _limit(text, *ends)
    if _NEGATIVE.fullmatch(text):
        return _refuse(text, "cover is from 0 to 100 %", impossible=True)
    return _refuse(text, f"not a cover; {_FORMS}, or name the class scheme")


def _ends(text: str) -> tuple[float, float] | None:
    """Return lowest and highest cover [%] of a bound, a range or a number; None where the text is none of these."""
    if match := _BELOW.fullmatch(text):
        bound = float(match[1])
        return 0.0, bound if bound > 0 else -1.0
    if match := _ABOVE.fullmatch(text):
        bound = float(match[1])
        return bound, _PERCENT if bound < _PERCENT else math.inf
    if match := _SPAN.fullmatch(text):
        return float(match[1]), float(match[2])
    if match := _SINGLE.fullmatch(text):
        return float(match[1]), float(match[1])
    return None


def _limit(text: str, low: float, high: float) -> CoverEntry:
    if max(low, high) > _PERCENT:
        return _refuse(text, "cover is from 0 to 100 %", impossible=True)
    if low > high:
        return _refuse(text, "a range that ends below its start; write the lower cover first", impossible=True)
    return _span(low, high, "" if low == high else f"{low:g} to {high:g} %")


def _span(low_pct: float, high_pct: float, note: str) -> CoverEntry:
    return CoverEntry(low_pct / _PERCENT, (low_pct + high_pct) / 2 / _PERCENT, high_pct / _PERCENT, note)


def _refuse(text: str, why: str, *, impossible: bool = False) -> CoverEntry:
    return CoverEntry(None, None, None, f'cover "{text}": {why}', refused=True, impossible=impossible)
