"""plan.xlsx, read back with openpyxl and as the XML that it holds."""

from __future__ import annotations

import datetime as dt
import re
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils import get_column_letter

from site_factory import Sites, feet_box
from tussock.base.errors import MissingExtraError
from tussock.deliver import workbook
from tussock.plan import Plan

WORK = [
    "Hours",
    "Time basis",
    "Mixing places",
    "Loads by unit",
    "Loads by day",
    "Purchases",
    "Money",
    "Bid schedule",
    "Priorities",
    "Cut line",
    "Calendar",
    "Calendar quality",
    "Years after",
]
TABLES = ["Season", "Patches", "Units", "Products", "Options", "Compliance", "Findings"]
SHEETS = [*TABLES, *WORK, "Assumptions", "Sources", "Columns"]
PAYLOADS = [
    "=1+1",
    "=cmd|' /C calc'!A0",
    "+1",
    "-1",
    "@x",
    "<script>alert(1)</script>",
    "{{7*7}}",
    "http://example.org",
    "00123",
]


def write(plan: Plan, folder: Path) -> Path:
    path = folder / "plan.xlsx"
    workbook.write_workbook(plan, path)
    return path


@pytest.fixture
def sites(tmp_path: Path) -> Sites:
    return Sites(tmp_path)


@pytest.fixture(scope="module")
def sample_book(sample_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> openpyxl.Workbook:
    return openpyxl.load_workbook(write(sample_plan, tmp_path_factory.mktemp("book")))


def head(page) -> list[str]:
    return [cell.value for cell in page[1]]


def column(page, name: str) -> list:
    place = head(page).index(name) + 1
    return [page.cell(row, place).value for row in range(2, page.max_row + 1)]


def test_sheets_and_contract_columns(sample_book, sample_plan, contract):
    assert sample_book.sheetnames == SHEETS
    for table in ("patches", "units", "options"):
        expected = contract[f"{table} us"]
        assert head(sample_book[table.title()])[: len(expected)] == expected
    assert head(sample_book["Season"]) == ["item", "low", "likely", "high", "unit"]
    assert head(sample_book["Products"]) == list(sample_plan.product_budget.columns)


def test_contract_columns_metric(small_metric_plan, tmp_path, contract):
    book = openpyxl.load_workbook(write(small_metric_plan, tmp_path))
    for table in ("patches", "units"):
        expected = contract[f"{table} metric"]
        assert head(book[table.title()])[: len(expected)] == expected


def test_every_row_is_there_with_its_values(sample_book, sample_plan):
    for name, frame in (
        ("Patches", sample_plan.patches),
        ("Units", sample_plan.units),
        ("Options", sample_plan.options),
    ):
        assert sample_book[name].max_row == len(frame) + 1
    # the file holds 16 significant digits of a number
    areas = column(sample_book["Units"], "area_acre")
    assert areas == pytest.approx(sample_plan.units["area_acre"].tolist(), rel=1e-15)
    assert column(sample_book["Options"], "reason") == [reason or None for reason in sample_plan.options["reason"]]
    stems = column(sample_book["Units"], "stems")
    assert [value is None for value in stems] == sample_plan.units["stems"].isna().tolist()
    assert all(isinstance(value, int) for value in stems if value is not None)


def test_headings_stay_in_sight_and_can_be_filtered(sample_book):
    for page in sample_book:
        assert page.freeze_panes == "B2"
        assert page.auto_filter.ref == page.dimensions
        assert all(cell.font.bold for cell in page[1])
        assert page.print_title_rows == "$1:$1"


def test_numbers_have_formats_and_columns_have_room(sample_book):
    page = sample_book["Patches"]
    names = head(page)
    assert page.cell(2, names.index("area_acre") + 1).number_format == "#,##0.000"
    assert page.cell(2, names.index("unit_count") + 1).number_format == "#,##0"
    assert page.cell(2, names.index("cost") + 1).number_format == '#,##0.00 "USD"'
    widths = {letter: size.width for letter, size in page.column_dimensions.items()}
    assert widths["B"] >= max(len(name) for name in column(page, "species"))
    assert max(widths.values()) < 65


def list_widths(page) -> dict[str, float]:
    """Width of each column; the file holds neighbours of one width together."""
    return {
        get_column_letter(place): size.width
        for size in page.column_dimensions.values()
        for place in range(size.min, size.max + 1)
    }


def show_number(value: float, code: str) -> str:
    """The text that a spreadsheet shows for one of our formats: digits after the point, thousands, text in quotes."""
    number, _, rest = code.partition(" ")
    digits = len(number.partition(".")[2])
    return f"{value:,.{digits}f}" + rest.replace('"', " ").rstrip()


def test_no_number_is_wider_than_its_column(sample_book):
    """A number that does not fit is shown as ### by every spreadsheet program."""
    for page in sample_book:
        widths = list_widths(page)
        for row in page.iter_rows(min_row=2):
            for cell in row:
                if isinstance(cell.value, int | float) and not isinstance(cell.value, bool):
                    shown = show_number(cell.value, cell.number_format)
                    assert len(shown) < widths[cell.column_letter], (page.title, cell.coordinate, shown)


def test_a_number_has_the_digits_of_the_unit_beside_it(sample_book):
    page = sample_book["Season"]
    formats = {row[4].value: row[2].number_format for row in page.iter_rows(min_row=2)}
    assert formats["count"] == "#,##0"
    assert formats["acre"] == "#,##0.000"
    assert formats["USD"] == "#,##0.00"


#: Letters of 11 pt are then 7 pt, the least that is read with ease on paper (common practice, no source).
LEAST_SCALE = 7 / 11


def find_print_scale(page):
    """Return the scale at which whole columns fill the pages across, each page with the first column again.

    ECMA-376 18.3.1.13: a character of the default font is 7 pixels of 1/96 inch wide; the page is 10 inches wide
    between its margins of half an inch (Letter).
    """
    widths = [width * 7 / 96 for width in list_widths(page).values()]
    wanted = page.page_setup.fitToWidth or 1
    for step in range(100, 9, -1):
        count, used = 1, widths[0]
        for width in widths[1:]:
            if used + width > 10 * 100 / step and used > widths[0]:
                count, used = count + 1, widths[0]
            used += width
        if count <= wanted and max(widths[0] + width for width in widths[1:]) <= 10 * 100 / step:
            return step / 100
    return 0.0


def test_a_page_that_cuts_texts_says_so(sample_book):
    """A caution that ends at the edge of its column on paper is not lost without a word."""
    assert "long texts end at their column" in sample_book["Units"].oddFooter.left.text
    assert "long texts" not in sample_book["Options"].oddFooter.left.text
    assert "long texts" not in sample_book["Season"].oddFooter.left.text


def test_pages_print_legibly_on_the_paper_of_the_country(sample_book, small_metric_plan, tmp_path):
    """ECMA-376: paper 1 is Letter, 9 is A4; no sheet is pressed onto fewer pages across than its width asks for."""
    for page in sample_book:
        assert (page.page_setup.paperSize, page.page_setup.orientation) == (1, "landscape")
        assert page.page_setup.fitToHeight == 0
        assert find_print_scale(page) >= LEAST_SCALE, page.title
    metric = openpyxl.load_workbook(write(small_metric_plan, tmp_path))
    assert {page.page_setup.paperSize for page in metric} == {9}


def test_rows_of_wrapped_texts_are_high_enough(sample_book):
    page = sample_book["Assumptions"]
    width = page.column_dimensions["C"].width
    for row in page.iter_rows(min_row=2):
        lines = -(-len(str(row[2].value or "")) // width)
        assert (page.row_dimensions[row[2].row].height or 15) >= 15 * min(lines, 1)
        if lines > 1:
            assert page.row_dimensions[row[2].row].height >= 15 * lines


def test_hostile_texts_stay_texts(small_plan, tmp_path):
    patches = small_plan.patches.loc[[0] * len(PAYLOADS)].reset_index(drop=True)
    patches = patches.assign(species=PAYLOADS, notes=PAYLOADS).rename(columns={"notes": "=2+2"})
    path = write(replace(small_plan, patches=patches), tmp_path)
    opened = openpyxl.load_workbook(path)
    page = opened["Patches"]
    assert column(page, "species") == PAYLOADS
    assert column(page, "=2+2") == PAYLOADS
    place = head(page).index("=2+2") + 1
    assert {page.cell(row, place).data_type for row in range(1, page.max_row + 1)} == {"s"}
    with zipfile.ZipFile(path) as book:
        sheets = [book.read(name).decode() for name in book.namelist() if name.startswith("xl/worksheets/sheet")]
    assert len(sheets) == len(opened.sheetnames)
    assert not any(re.search(r"<f[ >]|<hyperlink", sheet) for sheet in sheets)


def test_no_part_of_the_book_reaches_out(sample_plan, tmp_path):
    with zipfile.ZipFile(write(sample_plan, tmp_path)) as book:
        assert not any("external" in name.casefold() for name in book.namelist())
        for name in book.namelist():
            assert b'TargetMode="External"' not in book.read(name)


def test_the_margin_shows_the_name_of_the_site_as_it_is(small_plan, tmp_path):
    plan = replace(small_plan, site=replace(small_plan.site, name="Reed & Sedge"))
    page = openpyxl.load_workbook(write(plan, tmp_path))["Season"]
    # ECMA-376, part 1, 18.3.1.46: && stands for one &
    assert page.oddHeader.left.text == "Reed && Sedge, season 2027"


def test_columns_are_explained(sample_book, sample_plan):
    page = sample_book["Columns"]
    assert head(page) == ["sheet", "column", "unit", "meaning"]
    rows = {
        (sheet, name): (unit, meaning) for sheet, name, unit, meaning in page.iter_rows(min_row=2, values_only=True)
    }
    assert rows["Units", "ae_lb_per_acre"] == ("lb/acre", "dose on the treated ground")
    assert rows["Season", "low"][1] == "lower end of the range that the cover entries leave"
    for name in head(sample_book["Compliance"]):
        assert rows["Compliance", name][1]


def test_assumptions_hold_cautions_rules_crs_and_sources(sample_book):
    page = sample_book["Assumptions"]
    rows = list(page.iter_rows(min_row=2, values_only=True))
    text = " ".join(str(cell) for row in rows for cell in row if cell)
    assert "The label on the container is the law" in text
    assert "Larkmoor Kettles treatment rules 2027 (invented)" in text
    assert "Lambert azimuthal equal-area" in text
    assert "largest error over the site: areas" in text
    assert ("Not ready for field use: blanks are open", "Emergency number", None) in rows
    assert {row[0] for row in rows} >= {"site", "caution", "choice", "layer", "input: operations"}


def test_every_figure_of_the_operations_file_has_its_source(sample_book, sample_plan):
    page = sample_book["Sources"]
    assert head(page) == ["topic", "item", "figure", "source"]
    rows = list(page.iter_rows(min_row=2, values_only=True))
    assert all(row[3] for row in rows)
    assert {"source of product", "source of rule", "source of treatment"} <= {row[0] for row in rows}
    given = {row[1]: (row[2], row[3]) for row in rows if row[0] == "source of operations"}
    assert given["time: travel"] == ("40 min", "invented for the demo")
    assert given["money: mobilisation"] == ("1800 USD", "invented for the demo")
    assert given["priorities: retreatment"] == ("3.0", "invented for the demo")
    assert given["calendar: first"][0] == "2027-05-17"
    assert given["followup: years"][0] == "5"
    assert given["followup.regrowth common reed, Japanese knotweed: share"][0] == "25 %"
    assert given["price dye: packs"][0] == "1 qt"


def test_every_default_that_was_taken_is_named_as_such(sites, tmp_path):
    """Only what must be there is given: all else is a default, invented unless a document is named."""
    operations = """
[crew]
size = 2
wage = "30 USD/hour"
source = "s"
[time]
source = "s"
[money]
source = "s"
[priorities]
source = "s"
[calendar]
first = 2027-06-01
last = 2027-08-31
source = "s"
[followup]
source = "s"
"""
    patch = {"patch_id": "P", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    plan = sites.plan([patch | {"geometry": feet_box(0, 0, 90, 90)}], operations=operations)
    page = openpyxl.load_workbook(write(plan, tmp_path))["Sources"]
    rows = [row for row in page.iter_rows(min_row=2, values_only=True) if row[0] == "default of operations"]
    found = {item: figure for _, item, figure, _ in rows}
    expected = {
        "crew: day": "480 min",
        "crew: licensed": "0",
        "time: travel": "40 min",
        "time: walk": "by slope",
        "money: contingency": "0 %",
        "money: budget": "none",
        "priorities: upstream": "1.0",
        "priorities: outlier_area": "0.25 acre",
        "priorities: value_kinds": "rare plant, intake, well, organic field",
        "calendar: crews": "1",
        "calendar: gap": "2 %",
        "followup: stop_below": "1 %",
    }
    assert {item: found.get(item) for item in expected} == expected
    tables = {"crew", "time", "money", "priorities", "calendar", "followup"}
    assert {item.partition(":")[0] for item in found} == tables
    assert all("invented" in source or "Tobler 1993" in source for *_, source in rows)


def test_same_plan_same_bytes_and_the_date_is_that_of_the_season(small_plan, tmp_path):
    (tmp_path / "again").mkdir()
    first = write(small_plan, tmp_path)
    assert write(small_plan, tmp_path / "again").read_bytes() == first.read_bytes()
    assert openpyxl.load_workbook(first).properties.created == dt.datetime(2027, 1, 1)  # noqa: DTZ001  (as the file has it)


def test_a_text_longer_than_a_cell_is_cut_and_says_so(small_plan, tmp_path):
    # 32,767 characters a cell, 1,048,576 rows a sheet: the published limits of the best known spreadsheet program
    long = "x" * 40_000
    patches = small_plan.patches.assign(reason=long)
    path = write(replace(small_plan, patches=patches), tmp_path)
    text = column(openpyxl.load_workbook(path)["Patches"], "reason")[0]
    assert len(text) == 32_767
    assert text.endswith("(cut here: a cell holds no more; the whole text is in plan.gpkg)")


def test_more_rows_than_a_sheet_holds_are_counted(small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ROWS", 5)
    options = pd.concat([small_plan.options.iloc[:1]] * 7, ignore_index=True)
    path = write(replace(small_plan, options=options), tmp_path)
    page = openpyxl.load_workbook(path)["Options"]
    assert page.max_row == 5
    assert page.cell(5, 1).value == "4 rows more in plan.gpkg"


def test_an_empty_table_is_a_sheet_with_headings(small_plan, tmp_path):
    plan = replace(small_plan, findings=small_plan.findings.iloc[:0], product_budget=small_plan.product_budget.iloc[:0])
    book = openpyxl.load_workbook(write(plan, tmp_path))
    assert head(book["Findings"])[:3] == ["stage", "layer", "row"]
    assert book["Findings"].max_row == 1


def test_without_the_package_it_says_what_to_install(small_plan, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    with pytest.raises(MissingExtraError, match=r'plan\.xlsx needs xlsxwriter: pip install "tussock\[excel\]"'):
        write(small_plan, tmp_path)
    assert list(tmp_path.iterdir()) == []
