"""In: a filled copy of record.csv, maybe saved by an office program. Out: its rows, or every fault at once."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tussock.base import columns as c
from tussock.base.days import Season
from tussock.base.errors import Fault, InputError, MissingInputError
from tussock.base.text import show_date, show_season

_NEEDED: Final = ("unit_id", "product_id", "applied", "date", "area_treated", "product_used")
_NUMBER: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_COMMA: Final = re.compile(r"[+-]?\d{1,3}(\.\d{3})*,\d+|[+-]?\d+,\d+")
_FORMULA: Final = ("=", "+", "-", "@")
_YES: Final = frozenset({"yes", "part", "partly"})
_ENCODINGS: Final = ("utf-8-sig", "cp1252")
_ISO: Final = "%Y-%m-%d"
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class Entry:
    """One row of a record: what stands in it, in SI.

    Attributes
    ----------
    where
        Row of the file, for messages.
    texts
        Every cell by the stem of its column, blanks left out.
    area_m2, product_l, mix_l
        Ground treated, product used and finished mix used; nan where blank.
    date
        ISO date, or blank.
    """

    where: str
    unit_id: str
    texts: Mapping[str, str]
    area_m2: float
    product_l: float
    mix_l: float
    date: str

    @property
    def applied(self) -> str:
        """``yes``, ``part``, ``no``, blank or what else stands there, lower case."""
        return self.texts.get("applied", "").casefold()

    @property
    def is_applied(self) -> bool:
        """Whether anything was applied."""
        return self.applied in _YES

    @property
    def used_product(self) -> str:
        """Id of the product used; blank for a way without herbicide."""
        return self.texts.get("other_product") or self.texts.get("product_id", "")

    def has(self, stem: str) -> bool:
        """Tell whether a column is filled in."""
        return bool(self.texts.get(stem))


def read_records(
    path: Path, system: c.UnitSystem, date_format: str | None = None, season: Season | None = None
) -> list[Entry]:
    """Read a filled copy of record.csv.

    Commas, semicolons or tabs between cells, a byte order mark, and an apostrophe before a formula's sign are taken as
    an office program leaves them.

    Parameters
    ----------
    path
        The file.
    system
        Units of the plan: the columns must have them.
    date_format
        How its dates are written, as `datetime.strptime` has it; dates as YYYY-MM-DD are read in any case. None: the
        one way that reads them all, month or day first.
    season
        Of the plan: dates outside it are refused.

    Raises
    ------
    InputError
        No such file, no text, no row, columns missing, a decimal comma, a number or date that cannot be read, or read
        two ways, or lies outside the season: every fault at once, with row and column.
    """
    rows = _read_rows(path)
    names = {column.shown_name(system): column for column in c.RECORD}
    header = [cell.strip().casefold() for cell in rows[0]]
    missing = [name for name, column in names.items() if column.stem in _NEEDED and name not in header]
    if missing:
        other = "metric" if system == "us" else "us"
        swapped = [column.shown_name(other) for column in c.RECORD if column.stem in _NEEDED]  # type: ignore[arg-type]
        hint = f"; these are {other} units, the plan has {system} ones" if set(swapped) <= set(header) else ""
        need = f"give a filled copy of record.csv with its first row as it was{hint}"
        raise InputError(Fault(path.name, "columns", f"no {', '.join(missing)}", need))
    faults: list[Fault] = []
    entries = []
    place = header.index("date")
    texts = [_clean(row[place]) for row in rows[1:] if len(row) > place]
    dates = DateReader(date_format or find_date_format(path.name, texts), season)
    for number, row in enumerate(rows[1:], start=2):
        cells = dict(zip(header, (_clean(cell) for cell in row), strict=False))
        if not any(cells.values()):
            continue
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            need = "one cell for each column; quote a text that holds the separator"
            faults.append(Fault(path.name, f"row {number}", f"{len(row)} cells for {len(header)} columns", need))
        entries.append(_read_entry(path.name, number, cells, names, dates, faults))
    if faults:
        raise InputError(faults)
    if not entries:
        raise InputError(Fault(path.name, "rows", "none", "give a filled copy of record.csv"))
    return entries


def _read_rows(path: Path) -> list[list[str]]:
    if not path.is_file():
        raise MissingInputError(Fault(path.name, "record", "no such file", "give a filled copy of record.csv"))
    data = path.read_bytes()
    if not data.strip():
        raise InputError(Fault(path.name, "record", "an empty file", "give a filled copy of record.csv"))
    text = _decode(data)
    if text is None or "\x00" in text:
        need = "save it as CSV (UTF-8), not as a workbook or another format"
        raise InputError(Fault(path.name, "record", "no CSV text", need))
    first = text.split("\n", 1)[0]
    mark = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True))
    except csv.Error as error:
        need = "give a filled copy of record.csv, saved whole"
        raise InputError(Fault(path.name, "record", f"no CSV table ({error})", need)) from error
    return rows


def _decode(data: bytes) -> str | None:
    """Return the text of a file: UTF-8, UTF-16 with its mark, or the Western code page; None for a binary file."""
    encodings = ("utf-16",) if data.startswith(_UTF16) else _ENCODINGS
    if data.startswith((b"PK", b"%PDF", b"\xd0\xcf")):
        return None
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return None


def _clean(cell: str) -> str:
    text = cell.strip()
    return text[1:] if text.startswith("'") and text[1:].lstrip(" ").startswith(_FORMULA) else text


def _read_entry(
    name: str,
    number: int,
    cells: Mapping[str, str],
    names: Mapping[str, c.Column],
    dates: DateReader,
    faults: list[Fault],
) -> Entry:
    texts = {column.stem: cells[shown] for shown, column in names.items() if cells.get(shown)}
    sizes = {}
    for shown, column in names.items():
        if column.stem in ("area_treated", "product_used", "mix_used") and column.quantity is not None:
            system: c.UnitSystem = "us" if column.shown_name("us") == shown else "metric"
            value = _read_number(name, number, shown, cells.get(shown, ""), faults)
            sizes[column.stem] = value * column.quantity.size(system)
    if not texts.get("unit_id"):
        faults.append(Fault(name, f"row {number}, unit_id", "nothing", "the unit that the row is about"))
    return Entry(
        where=f"row {number}",
        unit_id=texts.get("unit_id", ""),
        texts=texts,
        area_m2=sizes["area_treated"],
        product_l=sizes["product_used"],
        mix_l=sizes.get("mix_used", math.nan),
        date=_read_date(name, number, texts.get("date", ""), dates, faults),
    )


def _read_number(name: str, number: int, column: str, text: str, faults: list[Fault]) -> float:
    if not text:
        return math.nan
    found, need = f'"{text}"', "write a plain number that is not negative, such as 12.5"
    if _NUMBER.fullmatch(text):
        value = float(text)
        if value >= 0 and math.isfinite(value):
            return value
    elif _COMMA.fullmatch(text):
        need = "a decimal comma (or a comma between thousands) can be read two ways: write a decimal point, as in 12.5"
    faults.append(Fault(name, f"row {number}, {column}", found, need))
    return math.nan


def _read_date(name: str, number: int, text: str, dates: DateReader, faults: list[Fault]) -> str:
    if not text:
        return ""
    day, season = dates.read(text), dates.season
    if day is None:
        shown = "YYYY-MM-DD" if dates.date_format == _ISO else dates.date_format
        need = f'write dates as {shown}, or state how they are written: --date-format "%m/%d/%Y"'
        faults.append(Fault(name, f"row {number}, date", f'"{text}"', need))
        return ""
    if season is not None and not season.holds(day):
        need = f"a day of season {show_season(season)}: mend it, or state how dates are written (--date-format)"
        faults.append(Fault(name, f"row {number}, date", f'"{text}", which is {show_date(day)}', need))
        return ""
    return day.isoformat()


@dataclass(frozen=True)
class DateReader:
    """How the dates of a file are written, beside YYYY-MM-DD, and the season that they must lie in."""

    date_format: str
    season: Season | None = None

    def read(self, text: str) -> dt.date | None:
        """Return the date of a text, None where it is none."""
        for date_format in dict.fromkeys((_ISO, self.date_format)):
            try:
                return dt.datetime.strptime(text, date_format).date()  # noqa: DTZ007  (a day has no time zone)
            except ValueError:
                continue
        return None


def find_date_format(name: str, texts: Sequence[str]) -> str:
    """Return how the dates of a file are written: as YYYY-MM-DD, or the one order of month and day that reads them all.

    Raises
    ------
    InputError
        Both orders read them all, to other days: the file cannot say which it means.
    """
    others = [text for text in texts if text and DateReader(_ISO).read(text) is None]
    readings = {
        date_format: [DateReader(date_format).read(text) for text in others]
        for mark in "/.-"
        for date_format in (f"%m{mark}%d{mark}%Y", f"%d{mark}%m{mark}%Y")
    }
    fitting = {date_format: days for date_format, days in readings.items() if others and None not in days}
    if len({tuple(days) for days in fitting.values()}) > 1:
        first, second = fitting
        found = f'"{others[0]}" and every other date, which can be read with the month or the day first'
        need = f'say which: --date-format "{first}" (month first) or "{second}" (day first), or write YYYY-MM-DD'
        raise InputError(Fault(name, "date", found, need))
    return next(iter(fitting), _ISO)
