"""A patch that no way cuts is set aside by name: nothing is planned there, every output says so, the rest is planned.

The cut of one patch is made to fail: of 200 ft x 100 ft along a pond, of which a 15 ft rule takes 200 x 15 ft.
"""

from __future__ import annotations

import html
from dataclasses import replace

import openpyxl
import pypdf
import pytest

import tussock
from field_site import PATCH, plan_field
from site_factory import ACRE_M2, FOOT_M, feet_box
from tussock.base.errors import CutError
from tussock.cli import _summarise
from tussock.review.catalog import read_catalog
from tussock.review.choices import check_status
from tussock.review.evidence import Evidence
from tussock.review.folder import load_folder
from tussock.zone import kernel, settling

WHY = "pieces add up to 1 of 2 m2"
SAID = f"the outline could not be cut so that its units tile it ({WHY})"
NAMED = "not planned, one patch set aside since the outline could not be cut: MARSH"
FOOT2_ACRE = FOOT_M**2 / ACRE_M2


def fail_on(monkeypatch, place):
    """Let every way of cutting the patch of that place fail."""
    find_unproven, cut_slowly = kernel.find_unproven, kernel.cut_slowly

    def find(block, keys, drawn, faces):
        bits, unproven = find_unproven(block, keys, drawn, faces)
        return bits, unproven if len(block.patches) == 1 else (faces.patch == place).nonzero()[0]

    def cut(block, keys, drawn, own, *others):
        if own == place:
            raise CutError(WHY)
        return cut_slowly(block, keys, drawn, own, *others)

    monkeypatch.setattr(kernel, "find_unproven", find)
    monkeypatch.setattr(kernel, "cut_slowly", cut)


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Three patches along the pond; the middle one shares 20 ft with the last, of the same species."""
    folder = tmp_path_factory.mktemp("aside")
    boxes = {"FEN": (-200, 0, -50, 100), "MARSH": (0, 0, 200, 100), "REEDS": (180, 0, 300, 100)}
    patches = [PATCH | {"patch_id": name, "geometry": feet_box(*box)} for name, box in boxes.items()]
    with pytest.MonkeyPatch.context() as patch:
        fail_on(patch, 1)
        plan = plan_field(folder, patches)
    plan.write(folder / "plan")
    return plan, folder


def read_pdf(path):
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def test_nothing_is_planned_there_and_the_rest_is(planned):
    plan, _ = planned
    patches, units = plan.patches.set_index("patch_id"), plan.units
    assert patches["status"].to_dict() == {"FEN": "partly", "MARSH": "none", "REEDS": "partly"}
    assert patches["set_aside"].to_dict() == {"FEN": "", "MARSH": WHY, "REEDS": ""}
    own = units[units["patch_id"] == "MARSH"]
    assert own[["setbacks", "status", "treatment_id"]].to_numpy().tolist() == [["POND-15", "no_option", ""]]
    assert own["area_acre"].sum() == pytest.approx(200 * 100 * FOOT2_ACRE, rel=1e-5)
    assert SAID in own["reason"].iloc[0]
    option = plan.options[plan.options["unit_id"] == own["unit_id"].iloc[0]]
    assert option["verdict"].tolist() == ["refused"]
    assert option["reason"].iloc[0].startswith(f"set aside: {SAID}; unlock: draw it anew")
    # what the last patch shares with it is not counted with a patch on which nothing is planned: 120 x 85 ft are
    done = units[(units["patch_id"] == "REEDS") & (units["status"] == "planned")]
    assert done["area_acre"].sum() == pytest.approx(120 * 85 * FOOT2_ACRE, rel=1e-4)
    assert (units["area_counted_with"] == "").all()


def test_it_is_a_warning_among_the_findings(planned):
    told = planned[0].findings.query("stage == 'zone' and level == 'warning'")
    assert told[["row", "what"]].to_numpy().tolist() == [["MARSH", SAID]]
    assert told["done"].iloc[0].startswith("set aside: nothing is planned there")


def test_every_output_says_so(planned):
    plan, folder = planned
    assert NAMED in _summarise(plan, folder)
    for name in ("map.html", "compliance.html", "run.json"):
        text = html.unescape((folder / "plan" / name).read_text(encoding="utf-8"))
        assert "could not be cut" in text, name
        assert "MARSH" in text, name
    assert NAMED in html.unescape((folder / "plan" / "map.html").read_text(encoding="utf-8"))
    assert NAMED[1:] in html.unescape((folder / "plan" / "compliance.html").read_text(encoding="utf-8"))
    sheets = read_pdf(folder / "plan" / "crew_sheets.pdf")
    assert NAMED in sheets
    assert f"Set aside, nothing is planned: {SAID}" in sheets
    assert NAMED[1:] in read_pdf(folder / "plan" / "compliance.pdf")
    book = openpyxl.load_workbook(folder / "plan" / "plan.xlsx", read_only=True)
    cells = [str(cell) for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row if cell]
    assert WHY in cells
    assert any(SAID in cell for cell in cells)
    assert WHY in (folder / "plan" / "patch_budget.csv").read_text(encoding="utf-8")


def test_the_review_finds_no_violation_and_names_it(planned):
    table = tussock.review_plan(planned[1] / "plan", planned[1] / "site.toml")
    assert table[table["level"] == "violation"].empty, table[table["level"] == "violation"].to_string()
    told = table[(table["level"] == "warning") & table["found"].str.contains("set aside")]
    assert told["where"].tolist() == ["patch MARSH"]


def test_a_patch_set_aside_that_is_planned_is_found(planned):
    """The review does not take a mark for a plan."""
    delivered = load_folder(planned[1] / "plan")
    patches = delivered.layers["patches"].copy()
    patches.loc[patches["patch_id"] == "FEN", "set_aside"] = "edges that cross"
    evidence = Evidence(replace(delivered, layers={**delivered.layers, "patches": patches}), _catalog(delivered))
    found = [(row.where, row.found) for row in check_status(evidence) if row.level == "violation"]
    assert found == [("patch FEN, set_aside", "edges that cross, and planned")]


def _catalog(delivered):
    return read_catalog(delivered.run["documents"])


def test_a_cut_that_fails_where_it_is_proven_is_tried_otherwise_first(monkeypatch, tmp_path):
    """A proof that fails on the pieces as first cut: the patch is cut anew on a grid, and nothing is set aside."""
    find_short, calls = settling.find_short, []

    def find(rules, measures, in_force):
        calls.append(len(measures.geometry))
        return {0: "made to fail"} if len(calls) < 3 else find_short(rules, measures, in_force)

    monkeypatch.setattr(settling, "find_short", find)
    plan = plan_field(tmp_path)
    assert calls[:2] == [2, 2]
    assert plan.patches["set_aside"].tolist() == [""]
    assert plan.units["setbacks"].tolist() == ["POND-15", ""]
