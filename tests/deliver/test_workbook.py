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

from tussock.base.errors import MissingExtraError
from tussock.deliver import workbook
from tussock.plan import Plan

WORK = [
    "Hours",
    "Time basis",
    "Mixing places",
    "Mixes by unit",
    "Mixes by day",
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
SHEETS = [*TABLES, *WORK, "Assumptions", "Columns"]
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
    assert page.cell(2, names.index("area_acre") + 1).number_format == "0.000"
    assert page.cell(2, names.index("unit_count") + 1).number_format == "0"
    assert page.cell(2, names.index("cost") + 1).number_format == "#,##0.00"
    widths = {letter: size.width for letter, size in page.column_dimensions.items()}
    assert widths["B"] >= max(len(name) for name in column(page, "species"))
    assert max(widths.values()) < 65


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
    topics = {row[0] for row in rows}
    assert {"source of product", "source of rule", "source of treatment", "source of operations"} <= topics


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
