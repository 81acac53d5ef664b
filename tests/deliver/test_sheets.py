"""crew_sheets.pdf, read back with poppler's tools; and the parts that its figures and maps are made of."""

from __future__ import annotations

import calendar
import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal
from html import unescape
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import CRS
from reportlab.pdfgen.canvas import Canvas

from site_factory import Sites
from tussock.base.errors import MissingExtraError
from tussock.base.geodesy import find_transformer, move_geometry
from tussock.base.records import Treatment
from tussock.base.units import GALLON_L
from tussock.deliver import sheets, sheets_layout, sheets_unit
from tussock.deliver.cautions import list_cautions
from tussock.deliver.sheets_ground import (
    LOOK_ONLY,
    NO_OPTION,
    OPEN_LIMITED,
    Dimension,
    choose_grid,
    find_looks,
    find_north,
    find_ticks,
    frame_ground,
    make_plane,
)
from tussock.deliver.sheets_ink import Ink
from tussock.deliver.sheets_map import _draw_dimensions
from tussock.deliver.sheets_text import clean_text, shape_arabic, turn_line
from tussock.deliver.sheets_words import Recipe, find_capacity_l, list_loads, list_partners, read_recipe, show_volume
from tussock.plan import Plan
from tussock.trade.methods import METHODS

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="reads the PDF back with poppler's pdftotext, which is not installed"
)
HOSTILE = (
    "{{7*7}} <script>alert(1)</script> =cmd|x" + "A" * 180,
    "אגם 12 קטן",
    "芦苇-1 été",
)


def write(plan: Plan, path: Path) -> Path:
    sheets.write_sheets(plan, path)
    return path


def read_pages(pdf: Path, *order: str) -> list[str]:
    """Text of each page, white space made single; ``-raw``: cell by cell, as it was drawn."""
    run = subprocess.run(["pdftotext", *order, str(pdf), "-"], capture_output=True, check=True)
    return [" ".join(page.split()) for page in run.stdout.decode().split("\f")[:-1]]


def rename(plan: Plan, names: tuple[str, ...]) -> Plan:
    """Give the patches of a plan other ids and their units ids that begin with them."""
    new = dict(zip(plan.patches["patch_id"], names, strict=True))

    def change(table):
        table = table.copy()
        if "unit_id" in table:
            owner = dict(zip(plan.units["unit_id"], plan.units["patch_id"], strict=True))
            table["unit_id"] = [new[owner[name]] + name.removeprefix(owner[name]) for name in table["unit_id"]]
        if "patch_id" in table:
            table["patch_id"] = [new[name] for name in table["patch_id"]]
        return table

    tables = ("patches", "units", "options", "compliance")
    return replace(plan, **{name: change(getattr(plan, name)) for name in tables})


@pytest.fixture(scope="module")
def hostile_plan(small_plan) -> Plan:
    """Ids that break templates and tables, letters without a glyph, texts that never end."""
    plan = rename(small_plan, HOSTILE)
    patches = plan.patches.assign(species=["=1+1 <b>x</b> &amp; {{x}}", "\u202eevil\x07 name", "Ñandú " * 40])
    units = plan.units.assign(reason="a reason without an end " * 200, cautions="@SUM(1)", non_chemical="B" * 600)
    return replace(plan, patches=patches, units=units)


@pytest.fixture(scope="module")
def sample_pdf(sample_plan, tmp_path_factory) -> Path:
    return write(sample_plan, tmp_path_factory.mktemp("sheets") / "crew_sheets.pdf")


@pytest.fixture(scope="module")
def sample_pages(sample_pdf) -> list[str]:
    return read_pages(sample_pdf)


@pytest.fixture(scope="module")
def hostile_pdf(hostile_plan, tmp_path_factory) -> Path:
    return write(hostile_plan, tmp_path_factory.mktemp("hostile") / "crew_sheets.pdf")


# ---- the document


@needs_poppler
def test_each_patch_has_its_sheet_and_the_index_leads_to_it(sample_pdf, sample_pages, sample_plan):
    ids = sample_plan.patches["patch_id"].tolist()
    first = {}
    for number, page in enumerate(sample_pages, start=1):
        found = re.search(r"Sheet (\d+) of (\d+), page 1 of", page)
        if found:
            assert int(found[2]) == len(ids)
            patch_id = ids[int(found[1]) - 1]
            assert page.startswith(f"Patch {patch_id} ") or f" Patch {patch_id} " in page
            first[patch_id] = number
    assert list(first) == ids
    run = subprocess.run(["pdftotext", "-layout", "-l", "6", str(sample_pdf), "-"], capture_output=True, check=True)
    index = dict(re.findall(r"^\s*([A-Z]\d\d)\s.*\s(\d+)$", run.stdout.decode(), flags=re.MULTILINE))
    assert {name: int(page) for name, page in index.items()} == first
    assert b"/GoTo" in sample_pdf.read_bytes() or b"/Dest" in sample_pdf.read_bytes()


@needs_poppler
def test_sheets_start_on_their_own_leaf(sample_pages):
    starts = [
        number for number, page in enumerate(sample_pages, start=1) if re.search(r"Sheet \d+ of \d+, page 1 of", page)
    ]
    assert all(number % 2 == 1 for number in starts)


@needs_poppler
def test_every_page_says_that_blanks_are_open(sample_pages, sample_plan):
    assert all("Not ready for field use: blanks are open" in page for page in sample_pages)
    assert all(f"{sample_plan.site.name}, season 2027" in page for page in sample_pages)
    text = " ".join(sample_pages)
    assert "compliant" not in text.casefold()
    shared = " ".join(page for page in sample_pages if "For all sheets, page" in page)
    for caution in list_cautions(sample_plan):
        assert text.count(caution) == shared.count(caution) == 1
    for blank in ("Emergency number", "Nearest hospital", "Poison information", "Reviewed by", "Signature and date"):
        assert text.count(blank) >= len(sample_plan.patches)


def three_digits(value: float) -> str:
    """Three significant digits by decimal arithmetic, as a second way to the one under test."""
    exact = Decimal(repr(float(value)))
    if exact == 0:
        return "0"
    rounded = round(exact, 2 - exact.adjusted())
    text = f"{rounded:,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def list_fronts(pages: list[str]) -> dict[str, str]:
    """First page of each sheet, by patch."""
    found = {}
    for page in pages:
        if re.search(r"Sheet \d+ of \d+, page 1 of", page):
            found[re.search(r"Patch (\S+) ", page)[1]] = page
    return found


@needs_poppler
def test_what_must_stand_on_each_front(sample_pdf, sample_plan):
    """Nobody turns a page to learn when to stop, what to wear, and that the label and the edge on the ground decide."""
    pages = read_pages(sample_pdf, "-raw")
    fronts = list_fronts(pages)
    first = next(number for number, page in enumerate(pages, start=1) if "For all sheets, page 1 of" in page)
    products = sample_plan.site.products
    for patch_id, units in sample_plan.units.groupby("patch_id"):
        front = fronts[patch_id]
        for words in (
            "STOP RULES AND PROTECTIVE EQUIPMENT (the label on the container is the law)",
            "Not ready for field use: blanks are open",
            "A licensed or supervised person applies. Flag the real edge that day. Judge water, people, wind, inversion "
            "and rain on site: the applicator may stop at any time.",
            f"All cautions: page {first}.",
        ):
            assert words in front
        for name in units["product_id"].unique():
            if name:
                product = products[name]
                for line in (product.wind, product.rain, product.reentry, product.temperature, ", ".join(product.ppe)):
                    assert line in front
                assert f"{name} ({'' if product.aquatic_label else 'no '}aquatic label) {product.signal_word}" in front


@needs_poppler
def test_an_ordinary_patch_takes_one_leaf(sample_pages, sample_plan):
    """Up to four units go on one leaf of paper, at most one of the sample's 48 such patches is longer; five on two at
    most, on one where their map keeps its scale."""
    pages = {}
    for page in sample_pages:
        found = re.search(r"Sheet (\d+) of \d+, page 1 of (\d+)", page)
        if found:
            pages[sample_plan.patches["patch_id"].iloc[int(found[1]) - 1]] = int(found[2])
    counts = sample_plan.units["patch_id"].value_counts()
    few = [pages[name] for name, count in counts.items() if count <= 4]
    assert len(few) > 40
    assert few.count(2) >= len(few) - 1
    assert set(pages.values()) == {2, 4}
    assert len(sample_pages) <= 136  # patches in open water are cut by what an arm and a throw reach


@needs_poppler
def test_a_closer_sheet_keeps_the_scale_of_its_map(sample_pages, sample_plan):
    """A leaf less is not worth a map whose numbers and distances crowd: three inches for patch A09 would be 200 ft."""
    counts = sample_plan.units["patch_id"].value_counts()
    fronts = list_fronts(sample_pages)
    for patch_id in counts[counts > 3].index:
        scale = int(re.search(r"1 in = (\d+) ft at full size", fronts[patch_id])[1])
        assert scale <= 120, patch_id  # D02 with its rules in full words has 120; the others 100 or less


#: What the head of a unit's card begins with.
METHOD_TITLES = "|".join(sorted((re.escape(method.title) for method in METHODS.values()), key=len, reverse=True))


@needs_poppler
def test_what_is_said_once_for_several_units_stands_above_each_of_them(sample_pdf, sample_plan):
    """Dates and doubtful edges of each planned unit are on its card or in the head of its cards, on that very page."""
    table = sample_plan.compliance
    doubtful = table[table["distance_verdict"] == "within error"].groupby("unit_id")["feature"].unique()
    months = list(calendar.month_abbr)
    shared = 0
    pages = read_pages(sample_pdf, "-raw")
    for unit in sample_plan.units[sample_plan.units["status"] == "planned"].itertuples():
        page = next(page for page in pages if f"Unit {unit.unit_id}: " in page)
        before, card = page.split(f"Unit {unit.unit_id}: ")
        card = re.split(r"Unit [A-Z]\d\d-\d\d: |Rules in force on this patch", card)[0]
        first = pd.Timestamp(unit.season_from)
        days = f"{first.day} {months[first.month]}"
        if unit.method == "look":  # no treatment, so no head
            assert days in card
            continue
        head = before[
            max(
                found.start()
                for found in re.finditer(rf"(?:{METHOD_TITLES})(?=, \d|[;.] | MIND | Load | \d\d )", before)
            ) :
        ]
        head = re.split(r"Unit [A-Z]\d\d-\d\d: ", head)[0]
        assert (days in card) != (days in head), unit.unit_id
        shared += days in head
        for feature in doubtful.get(unit.unit_id, ()):
            assert re.search(rf"MIND [^.]*WITHIN ERROR of [^.]*{re.escape(feature)}", card + " | " + head), unit.unit_id
    assert shared > 5


@needs_poppler
@pytest.mark.parametrize("letters", [1500, 9000])
def test_a_head_without_an_end_still_gives_sheets(letters, small_plan, tmp_path):
    """The note of a treatment comes from a file: one that is taller than a page is broken over pages, not lost."""
    note = "keep the nozzle low " * (letters // 20) + "END OF THE NOTE"
    treatments = tuple(item.model_copy(update={"note": note}) for item in small_plan.site.treatments)
    pages = read_pages(
        write(replace(small_plan, site=replace(small_plan.site, treatments=treatments)), tmp_path / "n.pdf")
    )
    text = " ".join(pages)
    assert "END OF THE NOTE" in text
    for unit_id in small_plan.units["unit_id"]:
        assert f"Unit {unit_id}: " in text


@needs_poppler
@pytest.mark.parametrize("names", [("A", "B", "C"), ("L" * 60, "B", "C")])
def test_no_figure_of_the_index_is_broken(names, small_plan, tmp_path):
    """ "0.056" over "6" would be read as another area."""
    plan = rename(small_plan, names)
    plan = replace(plan, patches=plan.patches.assign(area_acre=[0.00105, 0.0566, 1234.0], crew_hours=[0.0833, 120, 9]))
    overview = " ".join(
        page for page in read_pages(write(plan, tmp_path / "index.pdf"), "-raw") if "Crew sheets" in page
    )
    for figure in ("0.00105", "0.0566", "1,230", "0.0833"):
        assert f" {figure} " in overview


def test_units_within_the_mapping_error_are_named_one_by_one():
    """ "01, 02 WITHIN ERROR" could be read as both."""
    assert sheets_unit._name_places({"01": False, "02": True}, 3) == "unit 01, 02, WITHIN ERROR on 02"
    assert sheets_unit._name_places({"01": True, "02": True}, 3) == "unit 01, 02, WITHIN ERROR"
    assert sheets_unit._name_places({"01": True, "02": False}, 2) == "all units, WITHIN ERROR on 01"
    assert sheets_unit._name_places({"01": False, "02": False}, 2) == "all units"


@needs_poppler
def test_range_of_the_season_is_seen(sample_pdf, sample_plan):
    """Low and high that differ from the likely value by more than 1 in 10,000 are printed as other figures."""
    run = subprocess.run(["pdftotext", "-layout", "-l", "6", str(sample_pdf), "-"], capture_output=True, check=True)
    lines = run.stdout.decode().splitlines()
    checked = 0
    for row in sample_plan.season.itertuples():
        if row.high - row.low > 2e-4 * row.likely:
            found = next(line for line in lines if re.match(rf"\s*{re.escape(row.item)}\s+[\d,.]+\s", line))
            low, likely, high = (
                float(text.replace(",", "")) for text in re.findall(r"\s([\d,.]+\d|\d)(?=\s)", found)[-3:]
            )
            assert low < likely < high
            checked += 1
    assert checked >= 5


@needs_poppler
def test_cards_hold_the_figures_of_the_units(sample_pages, sample_plan):
    text = " ".join(sample_pages)
    parts = re.split(r"(Unit [A-Z]\d\d-\d\d: )", text)
    cards = {head.removesuffix(": "): card for head, card in zip(parts[1::2], parts[2::2], strict=True)}
    names = "|".join(sorted(map(re.escape, sample_plan.site.products), key=len, reverse=True))
    heads = [(found.start(), found[1]) for found in re.finditer(rf"({names}) (?:[\d.]+ % in|undiluted)", text)]
    units = sample_plan.units
    assert set(cards) == {f"Unit {name}" for name in units["unit_id"]}
    checked = 0
    for unit in units.itertuples():
        card = cards[f"Unit {unit.unit_id}"]
        assert f"{three_digits(unit.area_acre)} acre" in card
        if unit.status != "planned":
            assert "NO OPTION: leave this unit untreated." in card or "Treat this ground with patch" in card
            continue
        if unit.crew_hours == unit.crew_hours:
            assert f"crew {three_digits(unit.crew_hours)} h" in card
        if unit.product_id:
            place = text.index(f"Unit {unit.unit_id}: ")
            assert [name for start, name in heads if start < place][-1] == unit.product_id
            if unit.ae_lb == unit.ae_lb:
                assert f"{three_digits(unit.ae_lb)} lb ae" in card
                assert f"{three_digits(unit.ae_lb_per_acre)} lb/acre ae" in card
                gallons = unit.spray_gal
                ounces, millilitres = gallons * 128, gallons * GALLON_L * 1000
                small = f"{three_digits(millilitres)} mL" if 0 < millilitres < 15 else f"{three_digits(ounces)} fl oz"
                shown = f"{three_digits(gallons)} gal" if gallons >= 1 else small
                assert f"in all {shown} mix" in card or f"One load: {shown}" in card
        if str(unit.stems) != "<NA>":
            assert f"{unit.stems:,} stems" in card
        if unit.spray_seconds == unit.spray_seconds and unit.spray_seconds >= 60:
            assert f"nozzle open {round(unit.spray_seconds):,} s" in card
        checked += 1
    assert checked > 100


@needs_poppler
def test_refused_units_have_their_reasons_overleaf(sample_pages, sample_plan):
    text = " ".join(sample_pages)
    units = sample_plan.units
    left = units[(units["status"] == "no_option") & (units["area_counted_with"].fillna("") == "")]
    assert len(left) > 0
    for unit in left.itertuples():
        part = text.split(f"Why unit {unit.unit_id} is left untreated")[1]
        for reason in str(unit.reason).split("; "):
            assert reason in part


@needs_poppler
def test_each_rule_stands_with_its_source_on_the_shared_pages(sample_pdf, sample_pages, sample_plan):
    shared = " ".join(page for page in read_pages(sample_pdf, "-raw") if "For all sheets, page" in page)
    table = sample_plan.compliance
    in_force = set(table.loc[table["distance_verdict"] != "clear", "setback_id"])
    assert len(in_force) > 5
    rows = {setback.id: setback for _, setback in sample_plan.site.setbacks()}
    for setback_id in in_force:
        assert setback_id in shared  # whole, not broken inside a word
        assert rows[setback_id].source in shared
    assert "No every herbicide" not in " ".join(sample_pages)


@needs_poppler
def test_stop_rules_and_protective_equipment_of_each_product(sample_pages, sample_plan):
    used = [name for name in sample_plan.units["product_id"].unique() if name]
    for name in used:
        product = sample_plan.site.products[name]
        page = next(
            page for page in sample_pages if "STOP RULES" in page and f"{name} (" in page.split("STOP RULES")[1]
        )
        for line in (product.wind, product.temperature, product.rain, product.reentry, ", ".join(product.ppe)):
            assert line in page


@needs_poppler
def test_distances_that_limit_are_on_the_map_page(sample_pages, sample_plan):
    table = sample_plan.compliance
    row = table[(table["unit_id"] == "B04-03") & (table["setback_id"] == "lake-creek-25-no-spray")].iloc[0]
    assert f"{row['achieved_ft']:.1f} ft" in list_fronts(sample_pages)["B04"]


@needs_poppler
@pytest.mark.parametrize("which", ["sample_pdf", "hostile_pdf"])
def test_no_word_leaves_the_page(which, request):
    pdf = request.getfixturevalue(which)
    run = subprocess.run(["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, check=True)
    text = run.stdout.decode()
    width, height = (float(size) for size in re.search(r'<page width="([\d.]+)" height="([\d.]+)"', text).groups())
    words = re.findall(r'<word xMin="(-?[\d.]+)" yMin="(-?[\d.]+)" xMax="(-?[\d.]+)" yMax="(-?[\d.]+)">', text)
    boxes = np.array(words, dtype=float)
    assert len(boxes) > 500
    assert boxes[:, :2].min() >= 10
    assert boxes[:, 2].max() <= width - 10
    assert boxes[:, 3].max() <= height - 10


@needs_poppler
def test_payloads_are_text(hostile_pdf):
    text = " ".join(read_pages(hostile_pdf))
    for payload in ("{{7*7}}", "<script>alert(1)</script>", "=cmd|x", "=1+1 <b>x</b> &amp; {{x}}", "evil name"):
        assert payload in text
    assert "49" not in re.findall(r"Patch (\S+)", text)
    raw = hostile_pdf.read_bytes()
    assert b"/JavaScript" not in raw
    assert b"/URI" not in raw


@needs_poppler
@pytest.mark.skipif(shutil.which("pdffonts") is None, reason="lists fonts with poppler's pdffonts, not installed")
def test_letters_are_there_or_named(hostile_pdf):
    text = " ".join(read_pages(hostile_pdf))
    assert "[U+82A6][U+82C7]-1 été" in text
    assert "Letters that the font does not have are printed as [U+code]." in text
    assert "\ufffd" not in text
    for word in ("אגם", "קטן"):
        assert word in text
    fonts = (
        subprocess.run(["pdffonts", str(hostile_pdf)], capture_output=True, check=True).stdout.decode().splitlines()[2:]
    )
    assert len(fonts) >= 2
    assert all(line.split()[-5] == "yes" for line in fonts)  # column "emb": embedded


def test_font_without_matplotlib_names_what_it_lacks(monkeypatch, small_plan, tmp_path):
    monkeypatch.setattr(sheets_layout, "_find_matplotlib_fonts", lambda: None)
    sheets_layout.load_fonts.cache_clear()
    try:
        assert sheets_layout.load_fonts().regular == "Helvetica"
        assert sheets_layout.clean("été Ω") == "été [U+03A9]"
        assert "install matplotlib" in sheets_layout.load_fonts().note
        path = write(small_plan, tmp_path / "plain.pdf")
    finally:
        sheets_layout.load_fonts.cache_clear()
    assert path.read_bytes().startswith(b"%PDF")


def test_missing_library_says_what_to_install(monkeypatch, small_plan, tmp_path):
    monkeypatch.setitem(sys.modules, "reportlab", None)
    with pytest.raises(MissingExtraError, match=re.escape('pip install "tussock[pdf]"')):
        sheets.write_sheets(small_plan, tmp_path / "x.pdf")
    assert not (tmp_path / "x.pdf").exists()


def test_same_bytes_twice_and_in_another_process(small_plan, tmp_path):
    first = write(small_plan, tmp_path / "a.pdf").read_bytes()
    assert write(small_plan, tmp_path / "b.pdf").read_bytes() == first
    code = (
        "import sys, tussock; from pathlib import Path; from tussock.deliver.sheets import write_sheets;"
        "write_sheets(tussock.make_plan(tussock.read_site(tussock.sample_path('small'))), Path(sys.argv[1]))"
    )
    environment = os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": os.pathsep.join(sys.path)}
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "c.pdf")], check=True, env=environment)
    assert hashlib.sha256((tmp_path / "c.pdf").read_bytes()).hexdigest() == hashlib.sha256(first).hexdigest()


@needs_poppler
def test_paper_follows_the_units(small_plan, small_metric_plan, tmp_path):
    for plan, size in ((small_plan, "612 x 792 pts (letter)"), (small_metric_plan, "595.276 x 841.89 pts (A4)")):
        path = write(plan, tmp_path / "x.pdf")
        info = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True).stdout.decode()
        assert size in info
    text = " ".join(read_pages(path))
    assert " ha" in text
    assert " acre" not in text


@needs_poppler
def test_plan_without_units_with_one_and_without_patches(small_plan, tmp_path):
    none = replace(
        small_plan,
        units=small_plan.units.iloc[:0],
        compliance=small_plan.compliance.iloc[:0],
        options=small_plan.options.iloc[:0],
    )
    pages = read_pages(write(none, tmp_path / "none.pdf"))
    assert sum("This patch has no treatment units. Nothing is planned here." in page for page in pages) == 3
    one_id = small_plan.units["unit_id"].iloc[0]
    one = replace(
        small_plan,
        patches=small_plan.patches.iloc[:1],
        units=small_plan.units.iloc[:1],
        compliance=small_plan.compliance[small_plan.compliance["unit_id"] == one_id],
    )
    text = " ".join(read_pages(write(one, tmp_path / "one.pdf")))
    assert f"Unit {one_id}: " in text
    assert "1 patch, 1 treatment unit." in text
    bare = replace(none, patches=small_plan.patches.iloc[:0])
    assert "0 patches" in read_pages(write(bare, tmp_path / "bare.pdf"))[0]


@needs_poppler
def test_a_patch_across_the_antimeridian_has_a_whole_sheet(tmp_path):
    shape = shapely.box(179.999, 51.0, 180.001, 51.001)
    patch = {"patch_id": "X", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50, "geometry": shape}
    plan = Sites(tmp_path).plan([patch], crs="EPSG:4326")
    front = list_fronts(read_pages(write(plan, tmp_path / "x.pdf")))["X"]
    assert re.search(r"179\.99\d+° E", front)
    assert re.search(r"179\.99\d+° W", front)
    # 0.002 degrees at 51 north are 140 m = 460 ft across: a map in 7.4 in is at 1 in = 80 ft or so, not a continent
    assert int(re.search(r"1 in = ([\d,]+) ft", front)[1]) in range(60, 201)


@needs_poppler
def test_draft_rule_sets_are_marked(small_plan, tmp_path):
    rulesets = tuple(
        item.model_copy(update={"ruleset": item.ruleset.model_copy(update={"status": "draft"})})
        for item in small_plan.site.rulesets
    )
    plan = replace(small_plan, site=replace(small_plan.site, rulesets=rulesets))
    pages = read_pages(write(plan, tmp_path / "draft.pdf"))
    assert all("DRAFT rule sets: not checked" in page for page in pages)
    assert "DRAFT: not checked" in " ".join(pages)


# ---- figures


def test_loads_of_a_hand_calculation():
    """10 gal at 2 % from a tank of 4 gal: two full loads of 4 gal with 4 x 128 x 0.02 = 10.24 fl oz, one of 2 gal."""
    recipe = Recipe(0.02, adjuvant=0.01)
    loads = list_loads(10 * GALLON_L, 4 * GALLON_L, recipe)
    assert [(item.label, item.count) for item in loads] == [("Full load", 2), ("Last load", 1)]
    assert [show_volume(item.mix.product_l, "us") for item in loads] == ["10.2 fl oz (303 mL)", "5.12 fl oz (151 mL)"]
    assert [item.mix.total_l / GALLON_L for item in loads] == pytest.approx([4, 2])
    assert loads[0].mix.carrier_l / GALLON_L == pytest.approx(4 * 0.97)
    assert [item.label for item in list_loads(8 * GALLON_L, 4 * GALLON_L, recipe)] == ["Full load"]
    assert [item.label for item in list_loads(1.0, None, recipe)] == ["One load"]
    assert list_loads(float("nan"), 4.0, recipe) == []


def test_tank_mix_and_weakened_mix_follow_the_plan_and_not_the_treatment():
    """10 L at the 1.5 % of the unit (2 % in the treatment) with 0.4 % of a partner take 150 mL and 40 mL."""
    treatment = Treatment.model_validate(
        {
            "id": "t",
            "growth_form": "shrub",
            "method": "foliar_spot",
            "product": "p",
            "concentration": "2 %",
            "spray_volume": "30 gal/acre",
            "tank_mix": [{"product": "q (new)", "concentration": "0.5 %"}],
        }
    )
    row = {"concentration_pct": 1.5}
    (load,) = list_loads(10.0, None, read_recipe(row, treatment, {"q (new)": 0.004}))
    assert (load.mix.product_l, load.partners_l[0]) == pytest.approx((0.150, 0.040))
    assert load.mix.carrier_l == pytest.approx(10 - 0.190)
    unsaid = read_recipe(row, treatment, {})
    assert list_loads(10.0, None, unsaid) == []  # a share that the plan does not state is never guessed


def test_loads_add_up_to_the_plan(sample_plan):
    treatments = {item.id: item for item in sample_plan.site.treatments}
    partners, checked = list_partners(sample_plan), 0
    for row in sample_plan.units.drop(columns="geometry").to_dict("records"):
        treatment = treatments.get(row["treatment_id"])
        if treatment is None or not row["product_id"] or not row["spray_gal"] > 0:
            continue
        capacity_l = find_capacity_l(sample_plan.site.operations, treatment)
        recipe = read_recipe(row, treatment, partners.get(row["unit_id"], {}))
        loads = list_loads(row["spray_gal"] * GALLON_L, capacity_l, recipe)
        assert sum(item.count for item in loads) == row["loads"]
        for stem, poured in (("product", "product_l"), ("dye", "dye_l"), ("adjuvant", "adjuvant_l")):
            total_l = sum(item.count * getattr(item.mix, poured) for item in loads)
            assert total_l / (GALLON_L / 128) == pytest.approx(row[f"{stem}_fl_oz"], rel=1e-9)
        checked += 1
    assert checked > 80


def test_looks_follow_status_and_rules(sample_plan):
    looks = find_looks(sample_plan)
    units = sample_plan.units.set_index("unit_id")
    for unit_id, look in looks.items():
        unit = units.loc[unit_id]
        if unit["status"] != "planned":
            assert look == NO_OPTION
        elif unit["method"] == "look":
            assert look == LOOK_ONLY
        elif unit["allowed_use"] != "open":
            assert look == unit["allowed_use"]
    assert {"open", OPEN_LIMITED, "aquatic-labelled only", "hand methods only", NO_OPTION, LOOK_ONLY} <= set(
        looks.values()
    )


# ---- maps


@pytest.mark.parametrize(
    ("crs", "lon", "lat"), [("EPSG:3857", -94.1, 60.0), ("EPSG:4326", 179.9999, -17.0), ("EPSG:26915", -93.0, 45.0)]
)
def test_plane_is_true_to_scale(crs, lon, lat):
    """Two points 1,000 m apart on the ellipsoid are 1,000 m apart in the plane, whatever CRS the layer came in.

    Second way: geographiclib (Karney 2013, doi 10.1007/s00190-012-0578-z).
    """
    step = Geodesic.WGS84.Direct(lat, lon, 75.0, 1000.0)
    ends = np.array([shapely.Point(lon, lat), shapely.Point(step["lon2"], step["lat2"])], dtype=object)
    layer = CRS.from_user_input(crs)
    drawn = move_geometry(shapely.buffer(ends, 1e-7), CRS.from_epsg(4326), layer)
    plane = make_plane(drawn, layer)
    placed = shapely.centroid(move_geometry(drawn, layer, plane))
    assert shapely.distance(placed[0], placed[1]) == pytest.approx(1000.0, rel=1e-5)


def test_scale_bar_and_frame_agree():
    """At 1 in = 100 ft a frame of 540 pt (7.5 in) is 750 ft = 228.6 m wide."""
    view = frame_ground((0.0, 0.0, 190.0, 60.0), (0.0, 0.0, 540.0, 400.0), "us")
    assert view.scale == 1200
    assert view.ground[2] - view.ground[0] == pytest.approx(228.6)
    metric = frame_ground((0.0, 0.0, 190.0, 60.0), (0.0, 0.0, 540.0, 400.0), "metric")
    assert metric.scale == 1250
    assert view.place(np.array([[95.0, 30.0]])) == pytest.approx(np.array([[270.0, 200.0]]))


def draw_on(width: float, height: float) -> Ink:
    """An empty frame of some size [pt], one metre for a point."""
    canvas = Canvas(io.BytesIO(), pagesize=(width, height))
    return Ink(canvas, frame_ground((0.0, 0.0, width, height), (0.0, 0.0, width, height), "metric"))


def test_no_leader_runs_through_a_distance():
    """Found on a printed sheet: the leader of a unit's number through the first digit, "13.1 ft" read as "3.1 ft"."""
    ink = draw_on(400.0, 300.0)
    ink.label("13.1 ft", [(200.0, 170.0)], size=11.5, bold=True, must=True)
    written = shapely.box(*ink.words[0])
    start = (195.0, 150.0)
    spots = [(195.0, 190.0), (150.0, 150.0)]  # the first lies behind the distance
    assert shapely.LineString([start, spots[0]]).intersects(written)
    assert ink.find_spot(spots, 24.0, 16.0, must=True, led=(*start, 0.0)) == spots[1]


def test_a_number_with_room_needs_no_leader_and_stays():
    ink = draw_on(400.0, 300.0)
    ink.label("13.1 ft", [(200.0, 170.0)], must=True)
    assert ink.find_spot([(150.0, 150.0)], 24.0, 16.0, must=True, led=(150.0, 150.0, 30.0)) == (150.0, 150.0)


def test_lines_of_distances_are_drawn_before_their_words(monkeypatch):
    """A later line through an earlier figure would change it: all lines come first."""
    ink, order = draw_on(400.0, 300.0), []
    monkeypatch.setattr(ink.canvas, "line", lambda *_: order.append("line"))
    monkeypatch.setattr(ink.canvas, "drawCentredString", lambda *_: order.append("words"))
    items = [Dimension("u", "f", (50.0, 50.0), (250.0, end), 200.0) for end in (60.0, 160.0, 260.0)]
    _draw_dimensions(ink, items, "metric")
    assert order == ["line"] * 9 + ["words"] * 3


def test_ticks_are_where_the_grid_is():
    """A tick labelled E 413 500 at the lower edge has that easting there."""
    utm = CRS.from_epsg(26915)
    square = np.array([shapely.box(413_300, 5_018_300, 413_700, 5_018_600)], dtype=object)
    plane = make_plane(square, utm)
    box = shapely.total_bounds(move_geometry(square, utm, plane))
    view = frame_ground(tuple(box.tolist()), (13.0, 60.0, 540.0, 400.0), "us")
    ticks = [tick for tick in find_ticks(view, plane, choose_grid(utm)) if tick.side == "x"]
    assert {"E 413 400", "E 413 600"} <= {tick.label for tick in ticks}
    back = find_transformer(plane, utm.to_wkt())
    for tick in ticks:
        easting = float(tick.label.removeprefix("E ").replace(" ", ""))
        assert back.transform(tick.first, view.ground[1])[0] == pytest.approx(easting, abs=0.01)
        assert back.transform(tick.second, view.ground[3])[0] == pytest.approx(easting, abs=0.01)


def test_ticks_cross_the_antimeridian():
    degrees = CRS.from_epsg(4326)
    boxes = np.array([shapely.box(179.998, -17.001, 179.999, -17.0), shapely.box(-179.999, -17.001, -179.998, -17.0)])
    plane = make_plane(boxes, degrees)
    placed = move_geometry(boxes, degrees, plane)
    bounds = tuple(shapely.total_bounds(placed).tolist())
    assert bounds[2] - bounds[0] < 500  # 0.004 degrees at 17 south are 426 m
    view = frame_ground(bounds, (13.0, 60.0, 540.0, 400.0), "metric")
    labels = [tick.label for tick in find_ticks(view, plane, choose_grid(degrees)) if tick.side == "x"]
    assert any(label.endswith("E") and label.startswith("179.99") for label in labels)
    assert any(label.endswith("W") and label.startswith("179.99") for label in labels)


def test_north_is_true_north_away_from_the_centre():
    """East of the centre of an azimuthal plane true north leans to the west, by the convergence of the meridians."""
    degrees = CRS.from_epsg(4326)
    sites = np.array([shapely.box(-0.5, 59.9, 0.5, 60.1)], dtype=object)
    plane = make_plane(sites, degrees)
    east = move_geometry(np.array([shapely.Point(2.0, 60.0).buffer(1e-4)], dtype=object), degrees, plane)
    view = frame_ground(tuple(shapely.total_bounds(east).tolist()), (0.0, 0.0, 500.0, 400.0), "metric")
    # the meridians of 0 and 2 degrees meet at about 2 sin(60) = 1.73 degrees
    assert find_north(view, plane) == pytest.approx(2 * np.sin(np.radians(60)), abs=0.01)
    assert choose_grid(CRS.from_epsg(3857)).degrees


# ---- letters


def hebrew(text: str) -> str:
    """Replace capitals by Hebrew letters, as UAX 9 writes right-to-left letters as capitals."""
    return "".join(chr(0x05D0 + ord(letter) - ord("A")) if letter.isupper() else letter for letter in text)


@pytest.mark.parametrize(
    ("stored", "shown"),
    [
        ("car means CAR.", "car means RAC."),  # UAX 9, section 3.4, L2, example 1
        ("plain 12.5 ft", "plain 12.5 ft"),
        ("A 12.5 B", "B 12.5 A"),  # by rules W7, N1, I1, L2
        ("see AB (CD) here", "see (DC) BA here"),  # by rules N0, N1, L2, L4
    ],
)
def test_right_to_left_words_are_turned(stored, shown):
    assert turn_line(hebrew(stored)) == hebrew(shown)


def test_arabic_letters_are_joined():
    """The word salaam: seen initial, lam with alef final, meem isolated (chart Arabic Presentation Forms-B)."""
    assert shape_arabic("\u0633\u0644\u0627\u0645") == "\ufeb3\ufefc\ufee1"
    assert shape_arabic("\u0628\u0628\u0628") == "\ufe91\ufe92\ufe90"  # beh: initial, medial, final
    assert shape_arabic("plain") == "plain"


def test_cleaning():
    def latin(character: str) -> bool:
        return ord(character) < 256

    assert clean_text("a\x00b\u202ec\n d", latin) == "a bc d"
    assert clean_text("ﬁn ḁ 芦", latin) == "fin a [U+82A6]"
    assert clean_text(float("nan"), latin) == clean_text(None, latin) == ""
    assert unescape(sheets_layout.mark_up(["<b> & ", ("b", "x < y")])).count("<b>") == 2


@needs_poppler
def test_cautions_that_are_no_rule_are_on_the_card(small_plan, tmp_path):
    """A heat limit of an ester stands among the cautions of a unit; rules are explained once for the patch."""
    units = small_plan.units.copy()
    first = units.index[0]
    units.loc[first, "cautions"] = f"{units.loc[first, 'cautions']}; some-ester: not above 80 F"
    text = " ".join(read_pages(write(replace(small_plan, units=units), tmp_path / "x.pdf")))
    card = text.split(f"Unit {units.loc[first, 'unit_id']}: ")[1].split("Unit ")[0]
    assert "some-ester: not above 80 F" in card
    assert "MIND" in card
    assert "condition (" not in text
