"""compliance.pdf, read back with a PDF library; the small maps, measured; the charts inside the page."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from geographiclib.geodesic import Geodesic

from tussock.deliver import report
from tussock.deliver.report_charts import embed_chart, list_charts
from tussock.deliver.report_maps import MOST_MAPS, SIDE, list_maps, to_svg
from tussock.deliver.report_pages import wrap
from tussock.deliver.report_pdf import write_report_pdf
from tussock.plan import Plan

FOOT_M = 0.3048


@pytest.fixture(scope="module")
def path(sample_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("pdf") / "compliance.pdf"
    write_report_pdf(sample_plan, file)
    return file


@pytest.fixture(scope="module")
def pages(path: Path) -> list[str]:
    """The text of each page, white space left out: a cell breaks a line where it likes."""
    return ["".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages]


def squeeze(text: object) -> str:
    return "".join(str(text).split())


def test_letter_or_a4_on_its_side(path: Path, small_metric_plan: Plan, tmp_path: Path) -> None:
    box = pypdf.PdfReader(path).pages[0].mediabox
    assert (float(box.width), float(box.height)) == (792, 612)
    write_report_pdf(small_metric_plan, tmp_path / "a4.pdf")
    box = pypdf.PdfReader(tmp_path / "a4.pdf").pages[0].mediabox
    assert (round(float(box.width)), round(float(box.height))) == (842, 595)


def test_the_first_page_is_the_one_that_is_signed(pages: list[str], sample_plan: Plan) -> None:
    for text in ("Signature", "Date of the review", "Reviewed by (qualified person)", "Office, or licence held"):
        assert squeeze(text) in pages[0]
    assert squeeze("Not ready for field use: blanks are open") in pages[0]
    assert f"Page1of{len(pages)}" in pages[0]
    assert squeeze(f"{sample_plan.site.name}, season {sample_plan.site.season}") in pages[0]


def test_every_pair_stands_on_it(pages: list[str], sample_plan: Plan) -> None:
    rules = sorted(set(sample_plan.compliance["setback_id"]), key=len, reverse=True)
    rows, annex = "".join(pages).split(squeeze("Annex: every pair that was summed up"))
    _, *parts = re.split(f"({'|'.join(map(re.escape, rules))});", annex)
    summed = {rule: "".join(parts[k + 1] for k in range(0, len(parts), 2) if parts[k] == rule) for rule in rules}
    for row in sample_plan.compliance[["unit_id", "setback_id"]].itertuples():
        assert squeeze(row.unit_id + row.setback_id) in rows or squeeze(row.unit_id) in summed[row.setback_id]
    count = sample_plan.compliance["verdict"].value_counts()
    for verdict in ("within error: field check", "to do before work", "meets the loaded rules as mapped"):
        assert squeeze(f"{verdict}{count[verdict]:,}") in pages[0]


def test_what_has_to_be_decided_stands_on_the_first_pages_and_the_rest_is_summed_up(
    pages: list[str], sample_plan: Plan
) -> None:
    table = sample_plan.compliance
    first = "".join(pages[:4])
    for row in table[table["verdict"] == "within error: field check"].itertuples():
        assert squeeze(row.unit_id + row.setback_id) in first
    summed = "".join(pages).split(squeeze("summed up by rule and verdict"))[1]
    far = table[(table["setback_id"] == "apiary-300-bloom") & (table["verdict"] == "meets the loaded rules as mapped")]
    clear = far[far["distance_verdict"] == "clear"]
    nearest = clear.loc[clear["achieved_ft"].idxmin()]
    assert squeeze(f"{len(clear)}{nearest['unit_id']}{nearest['achieved_ft']:.1f}{nearest['feature']}") in summed
    assert len(pages) < len(table) / 25  # some 2,100 pairs took 132 pages, row by row


def test_rules_refusals_totals_and_permits_stand_on_it(pages: list[str], sample_plan: Plan) -> None:
    whole = "".join(pages)
    for ruleset, setback in sample_plan.site.setbacks():
        assert squeeze(ruleset.ruleset.authority) in whole
        assert squeeze(setback.id) in whole
    assert "compliant" not in whole.casefold()
    for unit in sample_plan.units.loc[sample_plan.units["status"] != "planned", "unit_id"]:
        assert unit in whole
    for document in sample_plan.site.documents:
        assert document.sha256 in whole
    assert squeeze("the same ground counts once") in whole
    assert squeeze("Earlier this year, ae") in whole


def test_worst_first(pages: list[str], small_plan: Plan, tmp_path: Path) -> None:
    table = small_plan.compliance.copy()
    table.loc[table.index[-1], "verdict"] = "does not meet"
    write_report_pdf(replace(small_plan, compliance=table), tmp_path / "c.pdf")
    text = squeeze("".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "c.pdf").pages))
    decide = text.split(squeeze("Pairs to decide, the worst first"))[1]
    row = table.iloc[-1]
    assert decide.index(squeeze(row["unit_id"] + row["setback_id"])) < 400
    assert squeeze("1 pairs do not meet the loaded rules. Do not approve this plan.") in text


def test_same_bytes_twice_and_in_another_process(small_plan: Plan, tmp_path: Path) -> None:
    write_report_pdf(small_plan, tmp_path / "a.pdf")
    code = (
        "import sys, tussock; from pathlib import Path; from tussock.deliver.report_pdf import write_report_pdf;"
        "plan = tussock.make_plan(tussock.read_site(tussock.sample_path('small')));"
        "write_report_pdf(plan, Path(sys.argv[1]) / 'b.pdf')"
    )
    environment = os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": os.pathsep.join(sys.path)}
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, env=environment)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_a_plan_with_nothing_is_a_readable_page(plan_of_nothing: Plan, tmp_path: Path) -> None:
    write_report_pdf(plan_of_nothing, tmp_path / "c.pdf")
    text = squeeze("".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "c.pdf").pages))
    assert squeeze("No rule set was loaded") in text


def test_lines_keep_within_their_column_and_lose_no_letter() -> None:
    words = "lake-creek-25-no-spray-and-a-very-long-name that goes on " + "x" * 300
    lines = wrap(words, False, 8.0, 60.0)
    assert squeeze("".join(lines)) == squeeze(words)
    from reportlab.pdfbase.pdfmetrics import stringWidth

    from tussock.deliver.sheets_layout import load_fonts

    assert max(stringWidth(line, load_fonts().regular, 8.0) for line in lines) <= 60.0


# ---- maps


def test_a_map_is_true_to_scale(sample_plan: Plan) -> None:
    """The way between the nearest points, in the square, over the scale bar: as long as the geodesic."""
    maps, left = list_maps(sample_plan)
    assert (len(maps), left) == (int((sample_plan.compliance["verdict"] == "within error: field check").sum()), 0)
    checked = 0
    for finding in maps:
        unit, rule = finding.title.split(", ")
        row = sample_plan.compliance.set_index(["unit_id", "setback_id"]).loc[(unit, rule)]
        way_m = Geodesic.WGS84.Inverse(row["from_lat"], row["from_lon"], row["to_lat"], row["to_lon"])["s12"]
        drawn = np.hypot(*np.subtract(*finding.pair))
        bar, words = finding.bar
        bar_m = float(words.removesuffix(" ft").replace(",", "")) * FOOT_M
        assert drawn * bar_m / bar == pytest.approx(way_m, abs=0.02 * bar_m)
        checked += way_m > 1
        assert {"unit", "feature", "setback"} <= {trace.kind for trace in finding.traces}
    assert checked > 5


def test_the_setback_line_is_at_its_distance(sample_plan: Plan) -> None:
    """D09-02 stands 63.1 ft from a ditch: 50 ft and 13.1 ft of error, so that the dashes run along its edge."""
    finding = next(item for item in list_maps(sample_plan)[0] if item.title.startswith("D09-02, wetland-pond-50"))
    start = np.array(finding.pair[0])
    lines = [np.array(trace.points) for trace in finding.traces if trace.kind == "setback"]
    gaps = [_distance(start, line[:-1], line[1:]) for line in lines]
    bar, words = finding.bar
    foot = bar / float(words.removesuffix(" ft").replace(",", ""))
    assert min(gaps) < 1.5 * foot


def _distance(point: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    step = end - start
    length = np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(((point - start) * step).sum(axis=1) / length, 0, 1)
    return float(np.linalg.norm(start + share[:, None] * step - point, axis=1).min())


def test_more_findings_than_maps_are_counted(sample_plan: Plan) -> None:
    maps, left = list_maps(sample_plan, most=3)
    assert (len(maps), left) == (3, len(list_maps(sample_plan, most=1000)[0]) - 3)
    table = sample_plan.compliance.copy()
    table.loc[table["from_lon"].notna(), "verdict"] = "within error: field check"
    html = report.render_page(replace(sample_plan, compliance=table))
    count = int((table["verdict"] == "within error: field check").sum())
    assert html.count('class="finding"') == MOST_MAPS
    assert f"{count - MOST_MAPS} more findings have no map here" in html


def test_a_map_keeps_within_its_square_and_its_text_is_text(sample_plan: Plan) -> None:
    finding = replace(list_maps(sample_plan)[0][0], title="<script>alert(1)</script>", distance="{{7*7}} & <b>")
    svg = to_svg(finding)
    assert "<script>" not in svg
    assert "<b>" not in svg
    points = np.concatenate([np.array(trace.points) for trace in finding.traces])
    assert points.min() >= -0.1 * SIDE
    assert points.max() <= 1.1 * SIDE


# ---- charts inside the page


def test_the_four_charts_stand_in_the_page(sample_plan: Plan) -> None:
    charts = list_charts(sample_plan)
    assert len(charts) == 4
    assert all(item.svg and not item.missing for item in charts)
    html = report.render_page(sample_plan)
    assert html.count('class="chart"') == 4
    section = html.split('<section id="charts"')[1].split("</section>")[0]
    assert "<style" not in section
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", html)) <= set(ids)


def test_a_chart_without_figures_says_what_is_missing(small_plan: Plan) -> None:
    bare = replace(small_plan, work={})
    missing = [item for item in list_charts(bare) if item.missing]
    html = report.render_page(bare)
    assert missing
    for item in missing:
        assert f"{item.title}: not drawn." in html


def test_a_chart_has_a_name_for_screen_readers(sample_plan: Plan) -> None:
    svg = embed_chart(sample_plan.chart("budget"))
    assert svg.startswith('<svg role="img" aria-label="')
    assert "<metadata" not in svg
