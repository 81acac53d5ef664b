"""Files that are missing, empty, cut short, foreign, locked or of another version: one finding each, never a crash or a pass."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tussock.review.checklist import CHECKLIST
from tussock.review.folder import review_folder, run_checks
from tussock.review.loading import load_folder


@pytest.fixture
def folder(sample_folder: Path, tmp_path: Path) -> Path:
    """A copy of the delivered plan that a test may damage."""
    return Path(shutil.copytree(sample_folder, tmp_path / "plan"))


def findings_on(table, check="files", level="violation"):
    """Where a check found something of a level."""
    chosen = table[(table["check"] == check) & (table["level"] == level)]
    return list(chosen["where"]), list(chosen["found"])


def assert_one_finding(table, where, found):
    """The file has one violation that says what is wrong; no check crashed over it and none took it for sound."""
    places, texts = findings_on(table)
    assert places == [where]
    assert found in texts[0]
    assert not table["found"].str.contains("could not be done").any(), table.to_string()
    own = table[(table["check"] == "hashes") & (table["where"] == where)]
    assert own.empty, "one clear finding for each file"


PLAN_FILES = [
    "plan.gpkg",
    "patch_budget.csv",
    "unit_budget.csv",
    "product_budget.csv",
    "plan.xlsx",
    "map.html",
    "crew_sheets.pdf",
    "compliance.html",
    "compliance.csv",
    "compliance.pdf",
]


@pytest.mark.parametrize("name", PLAN_FILES)
def test_a_missing_file_is_one_finding(folder: Path, name: str) -> None:
    (folder / name).unlink()
    assert_one_finding(review_folder(folder, None), name, "missing")


@pytest.mark.parametrize("name", PLAN_FILES)
def test_an_empty_file_is_one_finding(folder: Path, name: str) -> None:
    (folder / name).write_bytes(b"")
    assert_one_finding(review_folder(folder, None), name, "empty")


@pytest.mark.parametrize("name", [name for name in PLAN_FILES if not name.endswith(".csv")])
def test_a_file_cut_in_half_is_one_finding(folder: Path, name: str) -> None:
    whole = (folder / name).read_bytes()
    (folder / name).write_bytes(whole[: len(whole) // 2])
    places, texts = findings_on(review_folder(folder, None))
    assert {place.split(",")[0] for place in places} == {name}
    assert any("cut short" in text or "cannot be read" in text for text in texts)


@pytest.mark.parametrize("name", ["plan.gpkg", "plan.xlsx", "map.html", "crew_sheets.pdf"])
def test_a_foreign_file_is_one_finding(folder: Path, name: str) -> None:
    (folder / name).write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8)
    assert_one_finding(review_folder(folder, None), name, "foreign")


@pytest.mark.parametrize("name", ["crew_sheets.pdf", "compliance.pdf"])
def test_a_pdf_that_ends_well_and_is_none_is_named(folder: Path, name: str) -> None:
    pytest.importorskip("pypdf")
    (folder / name).write_bytes(b"%PDF-1.4\n" + b"x" * 500 + b"\n%%EOF\n")
    table = run_checks(load_folder(folder), only={"sheets"})
    bad = table[table["level"] == "violation"]
    assert list(bad["where"]) == [name]
    assert bad["found"].iloc[0].startswith("cannot be read as a PDF")


def test_a_csv_file_cut_within_a_row_is_one_finding(folder: Path) -> None:
    whole = (folder / "unit_budget.csv").read_bytes()
    (folder / "unit_budget.csv").write_bytes(whole[: len(whole) // 2])
    places, texts = findings_on(review_folder(folder, None))
    assert places == ["unit_budget.csv"]
    assert "cut short" in texts[0] or "cannot be read" in texts[0]


def test_a_csv_file_cut_after_a_row_differs_from_the_geopackage(folder: Path) -> None:
    lines = (folder / "patch_budget.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "patch_budget.csv").write_text("".join(lines[:-2]), encoding="utf-8")
    table = review_folder(folder, None)
    assert findings_on(table, "tables")[0] == ["patch_budget.csv"]
    assert findings_on(table, "hashes")[0] == ["patch_budget.csv"]


def test_a_locked_geopackage_says_who_has_it(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "plan.gpkg", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        table = review_folder(folder, None)
    assert_one_finding(table, "plan.gpkg", "locked by another program")


def test_a_geopackage_without_a_layer_is_one_finding(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "plan.gpkg")) as database, database:
        database.execute("DELETE FROM gpkg_contents WHERE table_name = 'setback_zones'")
    places, _ = findings_on(review_folder(folder, None))
    assert places == ["plan.gpkg, setback_zones"]


def test_another_database_is_no_geopackage(folder: Path) -> None:
    (folder / "plan.gpkg").unlink()
    with closing(sqlite3.connect(folder / "plan.gpkg")) as database, database:
        database.execute("CREATE TABLE notes (text TEXT)")
    assert_one_finding(review_folder(folder, None), "plan.gpkg", "cannot be read")


def test_pages_of_a_geopackage_overwritten_are_one_finding(folder: Path) -> None:
    content = bytearray((folder / "plan.gpkg").read_bytes())
    middle = len(content) // 2
    content[middle : middle + 40_000] = b"\xff" * 40_000
    (folder / "plan.gpkg").write_bytes(content)
    places, _ = findings_on(review_folder(folder, None))
    assert len(places) == 1
    assert places[0].startswith("plan.gpkg")


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "cannot be read"),
        (b"{", "cannot be read"),
        (b"\xff\xfe", "cannot be read"),
        (b"[]", "not a run file"),
        (b"{}", "not a run file"),
        (b'{"tussock": "0.0.3"}', "a plan of version 0.0.3"),
        (b'{"tussock": "9.0.0"}', "a plan of version 9.0.0"),
        (b'{"tussock": "0.1.0"}', "older than format 1"),
        (b'{"tussock": "0.1.0", "format": 1}', "without documents"),
        (b'{"tussock": null, "documents": 3}', "a plan of version"),
    ],
)
def test_a_run_file_that_is_none_is_one_finding_and_nothing_else_is_checked(
    folder: Path, content: bytes, found: str
) -> None:
    (folder / "run.json").write_bytes(content)
    table = review_folder(folder, None)
    assert_one_finding(table, "run.json", found)
    assert set(table["check"]) == {"files"}


def test_a_missing_run_file_is_one_finding(folder: Path) -> None:
    (folder / "run.json").unlink()
    assert_one_finding(review_folder(folder, None), "run.json", "missing")


@pytest.mark.parametrize("kind", ["missing", "file"])
def test_a_folder_that_is_none_is_one_finding(tmp_path: Path, kind: str) -> None:
    place = tmp_path / "nowhere"
    if kind == "file":
        place.write_text("x", encoding="utf-8")
    table = review_folder(place, None)
    assert list(table["level"]) == ["violation", "info"]


@pytest.mark.parametrize("key", ["documents", "inputs", "outputs", "crs"])
def test_nonsense_in_the_run_file_never_ends_in_a_traceback(folder: Path, key: str) -> None:
    run = json.loads((folder / "run.json").read_bytes())
    run[key] = {"documents": [1, None], "inputs": ["x"], "outputs": {"../x": 1}, "crs": {"delivered": 7}}[key]
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    table = review_folder(folder, None)
    assert (table["level"] == "violation").any()


def test_a_file_that_is_not_of_the_plan_is_named(folder: Path) -> None:
    (folder / "plan.gpkg-wal").write_bytes(b"")
    table = review_folder(folder, None)
    assert findings_on(table, level="warning")[0] == ["plan.gpkg-wal"]


def test_what_rests_on_a_lost_file_is_said_to_be_unchecked(folder: Path) -> None:
    (folder / "plan.gpkg").unlink()
    table = review_folder(folder, None)
    silent = table[table["check"].isin([check.id for check in CHECKLIST if "plan.gpkg, units" in check.needs])]
    assert silent["found"].str.startswith("not checked").all()


def test_a_workbook_saved_by_another_program_still_compares(folder: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.load_workbook(folder / "plan.xlsx")
    book.save(folder / "plan.xlsx")
    table = review_folder(folder, None)
    assert findings_on(table, "tables")[0] == []
    assert findings_on(table, "hashes")[0] == ["plan.xlsx"]


def test_a_cell_changed_in_the_workbook_is_found_in_the_file(folder: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.load_workbook(folder / "plan.xlsx")
    page = book["Patches"]
    column = next(cell.column for cell in page[1] if cell.value == "spray_gal")
    page.cell(2, column).value = 0.5 * page.cell(2, column).value
    book.save(folder / "plan.xlsx")
    places, _ = findings_on(review_folder(folder, None), "tables")
    assert places == [f"plan.xlsx, Patches, spray_gal, {page.cell(2, 1).value}"]
