"""In: a plan. Out: one workbook: a sheet for each table, what every column means, and what the plan rests on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base.errors import MissingExtraError
from tussock.base.stages import PlanTables
from tussock.deliver.schedule import list_work_sheets
from tussock.deliver.tables import Cell, ColumnNote, describe_columns, list_assumptions, list_cells

if TYPE_CHECKING:
    import pandas as pd

#: What one sheet and one cell of the format hold (ECMA-376 as spreadsheet programs implement it).
MOST_ROWS: Final = 1_048_576
MOST_LETTERS: Final = 32_767
_CUT: Final = " ... (cut here: a cell holds no more; the whole text is in plan.gpkg)"

#: Sheets to be read from top to bottom: long texts are wrapped. In the others a row stays one line high.
_PROSE: Final = ("Findings", "Assumptions", "Columns")
#: Sheets too wide to be legible on one page across.
_WIDE: Final = ("Patches", "Units", "Compliance")
_WIDEST: Final = 60
_NARROWEST: Final = 8
_FORMATS: Final = {"acre": "0.000", "ha": "0.0000", "lb": "0.000", "kg": "0.000", "degree": "0.000000"}
_ROOM: Final = {"%": "0.0", "ft": "0.0", "m": "0.00", "hours": "0.00", "seconds": "0.0", "m2": "0.0"}


@dataclass(frozen=True)
class _Sheet:
    """One sheet: its name, the table it shows, and a note for each column."""

    name: str
    frame: pd.DataFrame
    notes: list[ColumnNote]


def write_workbook(plan: PlanTables, path: Path) -> None:
    """Write ``plan.xlsx``.

    Sheets ``Season, Patches, Units, Products, Options, Compliance, Findings``, those that plan the work (see
    `schedule.SHEETS`), then ``Assumptions`` and ``Columns``.
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
                "created": dt.datetime(site.season, 1, 1, tzinfo=dt.UTC).replace(tzinfo=None),
            }
        )
        formats = _Formats(book)
        for sheet in _list_sheets(plan):
            _write_sheet(book, formats, sheet, plan)


class _Formats:
    """The few formats of the book, made once."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._numbers: dict[str, Any] = {}
        self.head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.text = book.add_format({"valign": "top"})
        self.wrapped = book.add_format({"valign": "top", "text_wrap": True})

    def number(self, unit: str, *, whole: bool) -> Any:
        """Return the format of a number: digits by its unit; whole numbers without."""
        code = "0" if whole else _FORMATS.get(unit) or _ROOM.get(unit, "#,##0.00")
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
    about = pd.DataFrame(list_assumptions(plan), columns=["topic", "item", "text"])
    rows = [(sheet.name, note.name, note.unit, note.meaning) for sheet in sheets for note in sheet.notes]
    columns = pd.DataFrame(rows, columns=["sheet", "column", "unit", "meaning"])
    extra = {"Assumptions": about, "Columns": columns}
    return [*sheets, *(_Sheet(name, frame, _blank_notes(frame)) for name, frame in extra.items())]


def _blank_notes(frame: pd.DataFrame) -> list[ColumnNote]:
    return [ColumnNote(str(name), "", "") for name in frame.columns]


def _write_sheet(book: Any, formats: _Formats, sheet: _Sheet, plan: PlanTables) -> None:
    """Write one table: names in the first row, frozen; a filter; widths by content; a page that prints."""
    page = book.add_worksheet(sheet.name)
    cells = list_cells(sheet.frame)
    page.freeze_panes(1, 1)
    for place, (note, values) in enumerate(zip(sheet.notes, cells.values(), strict=True)):
        page.write_string(0, place, note.name, formats.head)
        _write_column(page, formats, place, note, values[: MOST_ROWS - 2], prose=sheet.name in _PROSE)
    rows = len(sheet.frame)
    if rows > MOST_ROWS - 2:
        page.write_string(MOST_ROWS - 1, 0, f"{rows - MOST_ROWS + 2} rows more in plan.gpkg", formats.text)
    page.autofilter(0, 0, max(min(rows, MOST_ROWS - 2), 1), len(sheet.notes) - 1)
    _set_page(page, sheet.name, plan)


def _write_column(
    page: Any, formats: _Formats, place: int, note: ColumnNote, values: list[Cell], *, prose: bool
) -> None:
    wide = sheet_text_width(values)
    longest = max(len(note.name) + 3, wide)
    page.set_column(place, place, max(_NARROWEST, min(longest, _WIDEST)), formats.text)
    whole = all(isinstance(value, int) for value in values if value is not None)
    number = formats.number(note.unit, whole=whole)
    text = formats.wrapped if prose else formats.text
    for row, value in enumerate(values, start=1):
        if isinstance(value, bool):
            page.write_boolean(row, place, value, formats.text)
        elif isinstance(value, int | float):
            page.write_number(row, place, value, number)
        elif value:
            page.write_string(row, place, _clip(value), text)


def sheet_text_width(values: list[Cell]) -> int:
    """Return the width that the cells of a column ask for [characters]."""
    return max((len(value) if isinstance(value, str) else 9 for value in values if value is not None), default=0) + 1


def _clip(text: str) -> str:
    """Return a text that a cell can hold; what is cut says so."""
    return text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - len(_CUT)] + _CUT


def _set_page(page: Any, name: str, plan: PlanTables) -> None:
    """Set up printing: landscape, names repeated, site and caution in the margins."""
    site = plan.site.name[:80].replace("&", "&&")  # a single & begins a code of the margin
    page.set_landscape()
    if name not in _WIDE:
        page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.set_header(f"&L{site}, season {plan.site.season}&R{name}")
    page.set_footer("&LEstimates; the label is the law; see Assumptions&RPage &P of &N")
