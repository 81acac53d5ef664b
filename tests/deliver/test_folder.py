"""A plan folder: all of it or nothing, the same bytes each time, and nothing of others touched."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import openpyxl
import pyogrio
import pytest

import tussock
from tussock.base.errors import MissingExtraError, OutputError
from tussock.deliver import (
    charts_page,
    exchange,
    geopackage,
    proposal_page,
    records_page,
    report,
    report_pdf,
    sheets,
    tables,
    webmap,
    workbook,
)
from tussock.deliver import folder as delivery
from tussock.plan import Plan

# Typed in by hand: the names of the plan on disk.
FILES = {
    "plan.gpkg",
    "patch_budget.csv",
    "unit_budget.csv",
    "product_budget.csv",
    "plan.xlsx",
    "map.html",
    "crew_sheets.pdf",
    "compliance.html",
    "compliance.csv",
    "charts.html",
    "bid_schedule.csv",
    "season.ics",
    "proposal.csv",
    "proposal.pdf",
    "record.csv",
    "record.pdf",
    "compliance.pdf",
    "run.json",
}


@pytest.fixture
def light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the writers that are slow, and tested elsewhere, write a line."""

    def write_report(plan: Plan, html: Path, table: Path) -> None:
        html.write_text("report")
        table.write_text("report")

    monkeypatch.setattr(geopackage, "write_geopackage", lambda plan, path: path.write_text("gpkg"))
    monkeypatch.setattr(workbook, "write_workbook", lambda plan, path: path.write_text("book"))
    monkeypatch.setattr(webmap, "write_map", lambda plan, path, base: path.write_text("map"))
    monkeypatch.setattr(sheets, "write_sheets", lambda plan, path: path.write_text("sheets"))
    monkeypatch.setattr(report, "write_report", write_report)
    monkeypatch.setattr(charts_page, "write_charts", lambda plan, path: path.write_text("charts"))
    monkeypatch.setattr(report_pdf, "write_report_pdf", lambda plan, path: path.write_text("pages"))
    monkeypatch.setattr(proposal_page, "write_proposal_pdf", lambda plan, path: path.write_text("pages"))
    monkeypatch.setattr(records_page, "write_record_pdf", lambda plan, path: path.write_text("pages"))


def deliver(plan: Plan, folder: Path) -> list[str]:
    said: list[str] = []
    assert delivery.deliver_plan(plan, folder, said.append) == folder
    return said


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def fail_with(error: BaseException) -> Callable[..., None]:
    def write(*_: object, **__: object) -> None:
        raise error

    return write


# ---- the whole plan


def test_every_file_of_the_plan_is_there(sample_folder):
    assert {path.name for path in sample_folder.iterdir()} == FILES
    assert all(path.stat().st_size > 0 for path in sample_folder.iterdir())
    assert [path.name for path in sample_folder.parent.iterdir()] == ["plan"]


def test_the_run_file_lists_every_other_file_with_its_hash(sample_folder):
    outputs = json.loads((sample_folder / "run.json").read_text(encoding="utf-8"))["outputs"]
    assert set(outputs) == FILES - {"run.json"}
    for name, digest in outputs.items():
        assert hashlib.sha256((sample_folder / name).read_bytes()).hexdigest() == digest


@pytest.mark.parametrize(
    ("layer", "name", "sheet", "columns"),
    [
        (
            "patches",
            "patch_budget.csv",
            "Patches",
            ["area_acre", "spray_gal", "product_gal", "ae_lb", "crew_hours", "cost"],
        ),
        ("units", "unit_budget.csv", "Units", ["area_acre", "spray_gal", "product_fl_oz", "ae_lb", "stems", "cost"]),
    ],
)
def test_totals_agree_between_the_files(layer, name, sheet, columns, sample_folder):
    frame = pyogrio.read_dataframe(sample_folder / "plan.gpkg", layer=layer, read_geometry=False)
    with (sample_folder / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with closing(openpyxl.load_workbook(sample_folder / "plan.xlsx", read_only=True)) as book:
        head, *cells = book[sheet].iter_rows(values_only=True)
    assert len(frame) == len(rows) == len(cells)
    for column in columns:
        total = frame[column].sum()
        assert total > 0
        assert sum(float(row[column] or 0) for row in rows) == pytest.approx(total, rel=1e-11)
        assert sum(row[head.index(column)] or 0 for row in cells) == pytest.approx(total, rel=1e-12)


def test_products_and_units_add_up_to_the_season(sample_folder):
    season = pyogrio.read_dataframe(sample_folder / "plan.gpkg", layer="season", read_geometry=False)
    likely = dict(zip(season["item"], season["likely"], strict=True))
    with (sample_folder / "product_budget.csv").open(encoding="utf-8", newline="") as file:
        products = list(csv.DictReader(file))
    units = pyogrio.read_dataframe(sample_folder / "plan.gpkg", layer="units", read_geometry=False)
    assert sum(float(row["ae_lb"] or 0) for row in products) == pytest.approx(likely["acid equivalent"], rel=1e-9)
    assert sum(float(row["product_gal"] or 0) for row in products) == pytest.approx(likely["product"], rel=1e-9)
    assert units["product_fl_oz"].sum() / 128 == pytest.approx(likely["product"], rel=1e-9)  # 128 fl oz in a gallon
    assert units["cost"].sum() == pytest.approx(likely["cost"], rel=1e-9)


def test_same_input_same_bytes_also_in_another_process(small_plan, tmp_path):
    first = contents_of(small_plan, tmp_path / "first")
    assert contents_of(small_plan, tmp_path / "second") == first
    code = (
        "import pathlib, sys, tussock\n"
        "tussock.make_plan(tussock.read_site(tussock.sample_path('small'))).write(sys.argv[1])\n"
    )
    root = str(Path(tussock.__file__).parents[1])
    surroundings = {**os.environ, "PYTHONPATH": root, "PYTHONHASHSEED": "31415", "TZ": "Pacific/Auckland"}
    subprocess.run([sys.executable, "-c", code, "third"], check=True, env=surroundings, cwd=tmp_path)
    third = contents(tmp_path / "third")
    assert set(third) == set(first) == FILES
    assert [name for name in FILES if third[name] != first[name]] == []


def contents_of(plan: Plan, folder: Path) -> dict[str, bytes]:
    deliver(plan, folder)
    return contents(folder)


def test_each_step_is_told(light, small_plan, tmp_path):
    said = deliver(small_plan, tmp_path / "plan")
    assert said[0] == "writing plan.gpkg"
    assert said[-1] == "writing run.json"
    assert "writing compliance.html, compliance.csv" in said


# ---- nothing is left half done


WRITERS = [
    (geopackage, "write_geopackage"),
    (tables, "write_tables"),
    (workbook, "write_workbook"),
    (webmap, "write_map"),
    (sheets, "write_sheets"),
    (report, "write_report"),
]


@pytest.mark.parametrize(("module", "name"), WRITERS, ids=[name for _, name in WRITERS])
def test_a_failed_run_leaves_the_earlier_plan_untouched(module, name, light, small_plan, tmp_path, monkeypatch):
    deliver(small_plan, tmp_path / "plan")
    before = contents(tmp_path)
    assert set(before) == {f"plan/{name}" for name in FILES}
    monkeypatch.setattr(module, name, fail_with(RuntimeError("the writer broke")))
    with pytest.raises(RuntimeError, match="the writer broke"):
        deliver(small_plan, tmp_path / "plan")
    assert contents(tmp_path) == before
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_a_failed_first_run_leaves_no_folder_behind(light, small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr(delivery, "write_run_file", fail_with(KeyboardInterrupt("stopped by hand")))
    with pytest.raises(KeyboardInterrupt, match="stopped by hand"):
        deliver(small_plan, tmp_path / "a" / "b" / "plan")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("broken", ["plan.xlsx", "run.json"])
@pytest.mark.parametrize("step", ["earlier", "plan"])
def test_a_fault_while_moving_file_by_file_puts_everything_back(broken, step, light, small_plan, tmp_path, monkeypatch):
    deliver(small_plan, tmp_path / "plan")
    (tmp_path / "plan" / "notes.txt").write_text("mine")
    before = contents(tmp_path)
    close_parent(tmp_path, monkeypatch)
    replace_file = Path.replace

    def refuse_one(self: Path, target: Path) -> Path:
        # a file that another program holds open, first on its way out, then on its way in
        if self.name == broken and target.parent.name == step and self.parent.name in ("new", "plan"):
            raise PermissionError(13, "Permission denied")
        return replace_file(self, target)

    monkeypatch.setattr(Path, "replace", refuse_one)
    with pytest.raises(OutputError, match=r"plan cannot be written: Permission denied; .*close its files"):
        deliver(small_plan, tmp_path / "plan")
    assert contents(tmp_path) == before


def close_parent(parent: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a folder seem closed, so that the folder in it cannot be moved."""
    open_ = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: path != parent and open_(path, mode))


@pytest.mark.parametrize("in_one_step", [True, False])
@pytest.mark.parametrize("broken", ["the change", "a file of the user"])
def test_a_fault_while_the_folders_change_places_puts_everything_back(
    broken, in_one_step, light, small_plan, tmp_path, monkeypatch
):
    target = tmp_path / "plan"
    deliver(small_plan, target)
    (target / "a.txt").write_text("moved before the fault")
    (target / "notes.txt").write_text("mine")
    before = contents(tmp_path)
    rename = Path.rename

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    def refuse_one(self: Path, place: Path) -> Path:
        if self.name == (target.name if broken == "the change" else "notes.txt"):
            raise PermissionError(13, "Permission denied")
        return rename(self, place)

    if not in_one_step:
        monkeypatch.setattr(exchange, "_exchange", lambda *_: False)
    elif broken == "the change":
        monkeypatch.setattr(exchange, "_exchange", refuse)
    monkeypatch.setattr(os, "link", refuse)  # a disk without links: files are moved after the change
    monkeypatch.setattr(Path, "rename", refuse_one)
    with pytest.raises(OutputError, match=r"plan cannot be written: Permission denied; .*nothing was changed"):
        deliver(small_plan, target)
    assert contents(tmp_path) == before


# ---- what stands in the folder


def test_files_of_others_are_left_alone_and_named(light, small_plan, tmp_path):
    target = tmp_path / "plan"
    target.mkdir()
    (target / "notes.txt").write_text("mine")
    (target / "photos").mkdir()
    said = deliver(small_plan, target)
    assert said[-1] == f"left alone in {target}: notes.txt, photos"
    assert (target / "notes.txt").read_text() == "mine"
    assert {path.name for path in target.iterdir()} == FILES | {"notes.txt", "photos"}


def test_a_file_of_ours_by_name_but_not_by_origin_is_not_overwritten(light, small_plan, tmp_path):
    (tmp_path / "plan.xlsx").write_text("my own plan")
    with pytest.raises(
        OutputError, match=r"plan\.xlsx there already, and no run\.json of an earlier plan lists it: name"
    ):
        deliver(small_plan, tmp_path)
    assert contents(tmp_path) == {"plan.xlsx": b"my own plan"}


def test_a_run_file_of_another_program_is_not_ours(light, small_plan, tmp_path):
    (tmp_path / "run.json").write_text('{"outputs": ["plan.xlsx"]}')
    with pytest.raises(OutputError, match=r"run\.json there already"):
        deliver(small_plan, tmp_path)


def test_an_earlier_plan_is_replaced_and_what_was_edited_is_named(light, small_plan, tmp_path):
    target = tmp_path / "plan"
    deliver(small_plan, target)
    before = contents(target)
    (target / "plan.xlsx").write_text("edited by hand")
    (target / "map.html").unlink()
    said = deliver(small_plan, target)
    assert said[0] == "plan.xlsx was changed since it was written and is replaced"
    assert contents(target) == before


def test_what_an_open_reader_left_beside_the_old_geopackage_goes_with_it(light, small_plan, tmp_path):
    # SQLite plays a log named <file>-wal back into <file> when it is next opened (sqlite.org/wal.html, section 4)
    target = tmp_path / "plan"
    deliver(small_plan, target)
    (target / "plan.gpkg-wal").write_bytes(b"pages of the old file")
    deliver(small_plan, target)
    assert {path.name for path in target.iterdir()} == FILES


def test_a_file_in_place_of_the_folder(light, small_plan, tmp_path):
    (tmp_path / "plan").write_text("a file")
    with pytest.raises(OutputError, match=r"plan is a file: name a folder for the plan, or move the file away"):
        deliver(small_plan, tmp_path / "plan")
    assert (tmp_path / "plan").read_text() == "a file"


def test_a_folder_that_cannot_be_made(light, small_plan, tmp_path):
    (tmp_path / "file").write_text("a file")
    with pytest.raises(OutputError, match=r"file is a file: name a folder for the plan, or move the file away"):
        deliver(small_plan, tmp_path / "file" / "plan")


def test_a_full_disk_is_said(light, small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr(webmap, "write_map", fail_with(OSError(28, "No space left on device")))
    with pytest.raises(OutputError, match=r"plan cannot be written: No space left on device; .*nothing was changed"):
        deliver(small_plan, tmp_path / "plan")
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_the_database_names_the_folder_of_the_user(small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr(pyogrio, "write_dataframe", fail_with(pyogrio.errors.DataSourceError("disk I/O error")))
    with pytest.raises(
        OutputError, match=rf"{tmp_path}/plan/plan\.gpkg cannot be written: disk I/O error; name a folder"
    ):
        deliver(small_plan, tmp_path / "plan")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_file_of_the_program_is_not_called_a_fault_of_the_disk(light, small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr(webmap, "write_map", fail_with(FileNotFoundError(2, "No such file", "asset.js")))
    with pytest.raises(FileNotFoundError, match=r"asset\.js"):
        deliver(small_plan, tmp_path / "plan")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_whose_parent_is_closed_is_written_from_within(light, small_plan, tmp_path, monkeypatch):
    target = tmp_path / "plan"
    target.mkdir()
    close_parent(tmp_path, monkeypatch)
    deliver(small_plan, target)
    assert {path.name for path in target.iterdir()} == FILES


def test_the_folder_has_the_rights_that_any_new_folder_has(light, small_plan, tmp_path):
    (tmp_path / "plain").mkdir()
    deliver(small_plan, tmp_path / "plan")
    plain, plan = (stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "plan"))
    assert plan == plain


def test_a_relative_folder_and_a_link_to_a_folder(light, small_plan, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    deliver(small_plan, Path("plan"))
    (tmp_path / "link").symlink_to(tmp_path / "plan")
    deliver(small_plan, Path("link"))
    assert (tmp_path / "link").is_symlink()
    monkeypatch.chdir(tmp_path / "plan")
    deliver(small_plan, Path())
    assert {path.name for path in tmp_path.iterdir()} == {"plan", "link"}
    assert {path.name for path in (tmp_path / "plan").iterdir()} == FILES


def test_a_file_that_the_new_plan_does_not_have_does_not_stay_from_an_earlier_one(light, small_plan, tmp_path):
    target = tmp_path / "plan"
    deliver(small_plan, target)
    said = deliver(replace(small_plan, work={}), target)  # no calendar and nothing to bid for
    assert {path.name for path in target.iterdir()} == FILES - {"bid_schedule.csv", "season.ics"}
    assert not any("left alone" in line for line in said)


# ---- optional packages


def test_a_file_whose_package_is_missing_is_left_out_and_said(small_plan, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    said = deliver(small_plan, tmp_path / "plan")
    reason = 'plan.xlsx needs xlsxwriter: pip install "tussock[excel]"'
    assert f"left out: plan.xlsx; {reason}" in said
    assert {path.name for path in (tmp_path / "plan").iterdir()} == FILES - {"plan.xlsx"}
    run = json.loads((tmp_path / "plan" / "run.json").read_text(encoding="utf-8"))
    assert run["left_out"] == {"plan.xlsx": reason}
    assert set(run["outputs"]) == FILES - {"plan.xlsx", "run.json"}


def test_a_file_left_out_does_not_stay_from_an_earlier_plan(light, small_plan, tmp_path, monkeypatch):
    target = tmp_path / "plan"
    deliver(small_plan, target)

    def write(plan: Plan, path: Path) -> None:
        path.write_text("half")
        raise MissingExtraError("crew_sheets.pdf needs reportlab")

    monkeypatch.setattr(sheets, "write_sheets", write)
    deliver(small_plan, target)
    assert {path.name for path in target.iterdir()} == FILES - {"crew_sheets.pdf"}
