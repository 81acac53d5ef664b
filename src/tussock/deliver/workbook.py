"""In: a plan. Out: one workbook: a sheet for each table, what every column means, and what the plan rests on."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base.errors import MissingExtraError
from tussock.base.stages import PlanTables
from tussock.deliver.schedule import list_work_sheets
from tussock.deliver.sources import list_sources
from tussock.deliver.tables import (
    SEE_UNIT,
    Cell,
    ColumnNote,
    describe_columns,
    list_basis,
    list_cells,
    list_inputs,
)

if TYPE_CHECKING:
    import pandas as pd

#: What one sheet and one cell of the format hold (ECMA-376 as spreadsheet programs implement it).
MOST_ROWS: Final = 1_048_576
MOST_LETTERS: Final = 32_767
_CUT: Final = " ... (cut here: a cell holds no more; the whole text is in plan.gpkg)"

#: Sheets to be read from top to bottom: long texts are wrapped. In the others a row stays one line high.
_PROSE: Final = ("Options", "Findings", "Time basis", "Calendar quality", "Assumptions", "Sources", "Columns")
_WIDEST: Final = 60
#: Widest columns of the wrapped sheets, so that a page takes all of them.
_WIDEST_PROSE: Final = {"reason": 100, "text": 100, "what": 70, "meaning": 80, "figure": 36}
_NARROWEST: Final = 8
_LINE_POINTS: Final = 15.0
_HEAD_POINTS: Final = 18.0
#: A wrapped line holds less than its width, since words are not broken, but letters are narrower than digits.
_FILLED: Final = 1.0
#: Characters across one landscape page at 60 % of their size, still legible on paper.
_PAGE_LETTERS: Final = 210
_LETTER, _A4 = 1, 9
#: Digits by unit; money has its currency in the format.
_FORMATS: Final = {
    **dict.fromkeys(("acre", "lb", "kg", "gal", "L", "acre/hour"), "#,##0.000"),
    **dict.fromkeys(("ha", "ha/hour"), "#,##0.0000"),
    **dict.fromkeys(("ft", "%", "seconds", "m2", "fl oz", "mL", "min", "ft/min"), "#,##0.0"),
    **dict.fromkeys(("count", "stem", "lump sum"), "#,##0"),
    "degree": "0.000000",
}
_OTHER_FORMAT: Final = "#,##0.00"
#: Smaller amounts than that many decimals show are those of arithmetic, not of the field.
_MOST_PLACES: Final = 7


@dataclass(frozen=True)
class _Sheet:
    """One sheet: its name, the table it shows, and a note for each column."""

    name: str
    frame: pd.DataFrame
    notes: list[ColumnNote]


def write_workbook(plan: PlanTables, path: Path) -> None:
    """Write ``plan.xlsx``.

    Sheets ``Season, Patches, Units, Products, Options, Compliance, Findings``, those that plan the work (see
    `schedule.SHEETS`), then ``Assumptions``, ``Sources`` and ``Columns``.
    The first row of each holds the column names of the contract, so that sheets can be joined with the other files.
    Texts are written as texts, whatever they begin with.

    Parameters
    ----------
    plan
        What to write.
    path
        File to write.

    Raises
    ------
    MissingExtraError
        xlsxwriter is not installed.
    """
    try:
        import xlsxwriter
    except ImportError as error:
        raise MissingExtraError('plan.xlsx needs xlsxwriter: pip install "tussock[excel]"') from error
    safe = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    with xlsxwriter.Workbook(str(path), safe) as book:
        site = plan.site
        book.set_properties(
            {
                "title": f"Treatment plan, {site.name}, season {site.season}",
                "comments": "Quantities are estimates; the label is the law. See the sheet Assumptions.",
                "created": dt.datetime.combine(site.season.first, dt.time()),
            }
        )
        operations = site.operations
        formats = _Formats(book, (operations.currency or "") if operations is not None else "")
        for sheet in _list_sheets(plan):
            _write_sheet(book, formats, sheet, plan)


class _Formats:
    """The few formats of the book, made once."""

    def __init__(self, book: Any, currency: str) -> None:
        self._book = book
        self._currency = currency
        self._numbers: dict[str, Any] = {}
        head = {"bold": True, "bottom": 1, "valign": "top"}
        self.head = book.add_format(head | {"align": "left", "indent": 1})
        self.head_number = book.add_format(head | {"align": "right"})
        self.text = book.add_format({"valign": "top", "align": "left", "indent": 1})
        self.wrapped = book.add_format({"valign": "top", "align": "left", "indent": 1, "text_wrap": True})

    def number(self, unit: str, *, whole: bool = False, named: bool = False, value: Cell = None) -> Any:
        """Return the format of a number: digits by its unit; whole numbers without, money with its currency.

        ``named`` leaves the currency out, where the unit stands beside it. A ``value`` that these digits would show as
        0, though it is more, gets two digits that count.
        """
        code = "#,##0" if whole else _FORMATS.get(unit, _OTHER_FORMAT)
        if unit and unit == self._currency:
            code = _OTHER_FORMAT if named else f'{_OTHER_FORMAT} "{unit}"'
        elif isinstance(value, float) and 0 < abs(value) < 0.5 / 10 ** len(code.partition(".")[2]):
            places = 1 - math.floor(math.log10(abs(value)))
            code = "0." + "0" * places if places <= _MOST_PLACES else "0"
        if code not in self._numbers:
            self._numbers[code] = self._book.add_format({"num_format": code, "valign": "top"})
        return self._numbers[code]


def _list_sheets(plan: PlanTables) -> list[_Sheet]:
    import pandas as pd

    tables = {
        "Season": ("season", plan.season),
        "Patches": ("patches", plan.patches),
        "Units": ("units", plan.units),
        "Products": ("product_budget", plan.product_budget),
        "Options": ("options", plan.options),
        "Compliance": ("compliance", plan.compliance),
        "Findings": ("findings", plan.findings),
    }
    sheets = [_Sheet(name, frame, describe_columns(plan, table, frame)) for name, (table, frame) in tables.items()]
    sheets += [_Sheet(*sheet) for sheet in list_work_sheets(plan)]
    rows = [(sheet.name, note.name, note.unit, note.meaning) for sheet in sheets for note in sheet.notes]
    extra = {
        "Assumptions": pd.DataFrame([*list_basis(plan), *list_inputs(plan)], columns=["topic", "item", "text"]),
        "Sources": pd.DataFrame(list_sources(plan), columns=["topic", "item", "figure", "source"]),
        "Columns": pd.DataFrame(rows, columns=["sheet", "column", "unit", "meaning"]),
    }
    return [*sheets, *(_Sheet(name, frame, _blank_notes(frame)) for name, frame in extra.items())]


def _blank_notes(frame: pd.DataFrame) -> list[ColumnNote]:
    return [ColumnNote(str(name), "", "") for name in frame.columns]


def _write_sheet(book: Any, formats: _Formats, sheet: _Sheet, plan: PlanTables) -> None:
    """Write one table: names in the first row, frozen; a filter; widths by content; a page that prints."""
    page = book.add_worksheet(sheet.name)
    cells = {name: values[: MOST_ROWS - 2] for name, values in list_cells(sheet.frame).items()}
    page.freeze_panes(1, 1)
    page.set_row(0, _HEAD_POINTS)
    prose = sheet.name in _PROSE
    units = cells.get("unit", [])
    widths = []
    for place, (note, values) in enumerate(zip(sheet.notes, cells.values(), strict=True)):
        widths.append(_find_width(note, values, _WIDEST_PROSE.get(note.name, _WIDEST) if prose else _WIDEST))
        page.set_column(place, place, widths[-1], formats.text)
        if note.unit == SEE_UNIT:
            numbers = [
                formats.number(str(unit or ""), named=True, value=value)
                for unit, value in zip(units, values, strict=True)
            ]
        else:
            whole = not note.unit and all(
                float(value).is_integer() for value in values if isinstance(value, int | float)
            )
            numbers = [formats.number(note.unit, whole=whole, value=value) for value in values]
        number = any(isinstance(value, int | float) and not isinstance(value, bool) for value in values)
        page.write_string(0, place, note.name, formats.head_number if number else formats.head)
        _write_column(page, formats, place, values, numbers, prose=prose)
    if prose:
        _set_heights(page, widths, list(cells.values()))
    rows = len(sheet.frame)
    if rows > MOST_ROWS - 2:
        page.write_string(MOST_ROWS - 1, 0, f"{rows - MOST_ROWS + 2} rows more in plan.gpkg", formats.text)
    page.autofilter(0, 0, max(min(rows, MOST_ROWS - 2), 1), len(sheet.notes) - 1)
    _set_page(page, sheet.name, plan, widths, cut=not prose and _is_any_cut(widths, list(cells.values())))


def _find_width(note: ColumnNote, values: list[Cell], widest: int) -> int:
    """Return the width of a column [characters]: of its longest cell and of its heading with the filter's button."""
    longest = sheet_text_width(values)
    if len(note.unit) == len("USD") and note.unit.isupper():
        longest += len(note.unit) + 1  # an amount has its currency in the cell
    return max(_NARROWEST, min(max(len(note.name) + 4, longest), widest))


def _set_heights(page: Any, widths: list[int], columns: list[list[Cell]]) -> None:
    """Make the rows of wrapped texts high enough: not every program does so by itself."""
    for row, cells in enumerate(zip(*columns, strict=True), start=1):
        lines = max(_count_lines(cell, width) for cell, width in zip(cells, widths, strict=True))
        if lines > 1:
            page.set_row(row, lines * _LINE_POINTS)


def _count_lines(cell: Cell, width: int) -> int:
    if not isinstance(cell, str) or len(cell) < width - 1:
        return 1
    return sum(max(1, math.ceil(len(part) / ((width - 2) * _FILLED))) for part in _clip(cell).split("\n"))


def _write_column(
    page: Any, formats: _Formats, place: int, values: list[Cell], numbers: list[Any], *, prose: bool
) -> None:
    text = formats.wrapped if prose else formats.text
    for row, value in enumerate(values, start=1):
        if isinstance(value, bool):
            page.write_boolean(row, place, value, formats.text)
        elif isinstance(value, int | float):
            page.write_number(row, place, value, numbers[row - 1])
        elif value:
            page.write_string(row, place, _clip(value), text)


def sheet_text_width(values: list[Cell]) -> int:
    """Return the width that the cells of a column ask for [characters]."""
    return max((_count_letters(value) for value in values if value is not None), default=0) + 2


def _count_letters(value: str | float) -> int:
    """Return the letters of a cell; a number with its thousands marked and three decimals."""
    return len(value) if isinstance(value, str) else len(f"{value:,.3f}") if isinstance(value, float) else 7


def _clip(text: str) -> str:
    """Return a text that a cell can hold; what is cut says so."""
    return text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - len(_CUT)] + _CUT


def _is_any_cut(widths: list[int], columns: list[list[Cell]]) -> bool:
    """Tell whether a text is longer than its column: on paper its end is not seen."""
    pairs = zip(widths, columns, strict=True)
    return any(isinstance(cell, str) and len(cell) > width for width, cells in pairs for cell in cells)


def _count_pages_across(widths: list[int]) -> int:
    """Return the pages that the columns take side by side: none is broken, and each page repeats the first."""
    count, used = 1, widths[0]
    for width in widths[1:]:
        if used + width > _PAGE_LETTERS and used > widths[0]:
            count, used = count + 1, widths[0]
        used += width
    return count


def _set_page(page: Any, name: str, plan: PlanTables, widths: list[int], *, cut: bool) -> None:
    """Set up printing: landscape, as many pages across as stay legible, names repeated, caution in the margin."""
    site = plan.site.name[:80].replace("&", "&&")  # a single & begins a code of the margin
    page.set_landscape()
    page.set_paper(_LETTER if plan.site.options.units == "us" else _A4)
    page.set_margins(left=0.5, right=0.5, top=0.7, bottom=0.7)
    page.fit_to_pages(_count_pages_across(widths), 0)
    page.repeat_rows(0)
    page.repeat_columns(0)
    page.set_header(f"&L{site}, season {plan.site.season}&R{name}")
    more = "; long texts end at their column here: read them on the screen" if cut else ""
    page.set_footer(f"&LEstimates; the label is the law; see Assumptions{more}&RPage &P of &N")
