"""compliance.html, parsed and opened in a browser; compliance.csv, read back; and the yearly totals on the page."""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from tussock.base import columns as c
from tussock.base.geodesy import move_geometry
from tussock.base.records import Closure
from tussock.base.units import POUND_KG
from tussock.deliver import report
from tussock.deliver.report_rows import VERDICTS
from tussock.deliver.report_totals import find_active_totals, find_ground_totals
from tussock.plan import Plan

PAYLOADS = ["=1+1", "@x", "<script>alert(1)</script>", "{{7*7}}", "{% raw %}", "${x}", "a\rb", '"quoted", comma']


class Page(HTMLParser):
    """What a page holds: elements with attributes, and the texts between them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.texts.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def folder(sample_plan, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("report")
    report.write_report(sample_plan, path / "compliance.html", path / "compliance.csv")
    return path


@pytest.fixture(scope="module")
def page(folder) -> Page:
    return Page((folder / "compliance.html").read_text(encoding="utf-8"))


def hostile(plan: Plan, first: int = 0) -> Plan:
    """Write a payload into every text that comes from data, in turn from the first one on."""
    changed, turn = {}, cycle([*PAYLOADS[first:], *PAYLOADS[:first]])
    for name in ("compliance", "options", "units", "findings", "patches"):
        table = getattr(plan, name).copy()
        texts = [column for column in table.columns if str(table[column].dtype) in ("str", "object")]
        for column in texts:
            if column not in (
                "unit_id",
                "patch_id",
                "product_id",
                "setback_id",
                "verdict",
                "distance_verdict",
                "status",
            ):
                table[column] = next(turn)
        changed[name] = table
    site = replace(plan.site, name="<script>alert(1)</script> {{7*7}}")
    return replace(plan, site=site, **changed)


# ---- the table


def test_csv_round_trip(folder, sample_plan):
    raw = (folder / "compliance.csv").read_bytes()
    assert b"\r" not in raw
    rows = list(csv.DictReader(raw.decode("utf-8").splitlines()))
    table = sample_plan.compliance
    assert list(rows[0])[: len(c.COMPLIANCE)] == c.shown_names(c.COMPLIANCE, "us")
    assert list(rows[0]) == list(table.columns)
    assert len(rows) == len(table)
    for name in table.columns:
        cells = [row[name] for row in rows]
        if str(table[name].dtype) == "float64":
            found = np.array([float(cell) if cell else np.nan for cell in cells])
            np.testing.assert_allclose(found, table[name].to_numpy(), rtol=1e-11)
        else:
            assert cells == table[name].tolist()
    digits = [cell.lstrip("-0.").replace(".", "") for row in rows[:50] for cell in [row["from_lon"]] if cell]
    assert max(len(item) for item in digits) <= 12


def test_csv_holds_no_formula(small_plan, tmp_path):
    report.write_report(hostile(small_plan), tmp_path / "c.html", tmp_path / "c.csv")
    with (tmp_path / "c.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert len(rows) == len(small_plan.compliance) + 1
    for cell in (cell for row in rows for cell in row):
        number = re.fullmatch(r"-?[\d.]+(e-?\d+)?", cell)
        assert number or not cell.startswith(("=", "+", "-", "@"))
    assert "'=1+1" in {cell for row in rows for cell in row}


# ---- the page


def test_page_asks_for_nothing_and_runs_nothing(folder, page):
    raw = (folder / "compliance.html").read_text(encoding="utf-8")
    assert not page.all("script")
    assert not page.all("link")
    assert not page.all("img")
    assert not page.all("image")
    assert not page.all("iframe")
    assert not page.all("foreignobject")
    assert all(item["href"].startswith("#") for item in page.all("a"))
    assert set(re.findall(r"url\((.)", raw)) <= {"#"}
    assert all((item.get("xlink:href") or "#").startswith("#") for _, item in page.elements)
    assert "@import" not in raw
    assert any("default-src 'none'" in (item.get("content") or "") for item in page.all("meta"))


def test_page_is_ordered_for_readers_and_screen_readers(page):
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("h1")) == 1
    assert all(item.get("scope") in ("col", "row") for item in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert {item["href"].removeprefix("#") for item in page.all("a")} <= set(ids)
    named = [attributes["aria-labelledby"] for _, attributes in page.elements if "aria-labelledby" in attributes]
    assert set(named) <= set(ids)


def test_words_and_counts(page, sample_plan):
    assert "compliant" not in page.text.casefold()
    counts = sample_plan.compliance["verdict"].value_counts()
    for verdict in VERDICTS:
        count, units = int(counts.get(verdict.name, 0)), sample_plan.compliance
        units = units.loc[units["verdict"] == verdict.name, "unit_id"].nunique()
        assert f"{verdict.name} {count:,} {units} {verdict.meaning}" in page.text
    assert f"{counts['meets the loaded rules as mapped']:,} of them: meets the loaded rules as mapped." in page.text


def test_every_pair_stands_once(page, folder, sample_plan):
    raw = (folder / "compliance.html").read_text(encoding="utf-8")
    pairs = re.findall(r'<tr><th scope="row">([^<]+)</th><td class="rule">([^<]+)</td><td class="n">[^<]*</td>', raw)
    expected = list(zip(sample_plan.compliance["unit_id"], sample_plan.compliance["setback_id"], strict=True))
    assert sorted(pairs) == sorted(expected)


def test_everything_a_reviewer_asks_for(page, sample_plan):
    site = sample_plan.site
    wanted = [site.name, sample_plan.crs.name, sample_plan.patches.crs.name, "Not ready for field use: blanks are open"]
    wanted += [item.sha256 for item in site.documents]
    for ruleset, setback in site.setbacks():
        wanted += [ruleset.title, ruleset.ruleset.authority, setback.id, setback.source, *setback.conditions]
    wanted += sample_plan.units.loc[sample_plan.units["status"] != "planned", "unit_id"].tolist()
    wanted += ["Signature", "Reviewed by (qualified person)", "Date of the review"]
    wanted += ["any water (wet)", "on the feature itself", "1 x height_ft of each feature", "1 Sep to 10 Jun"]
    for text in wanted:
        assert " ".join(text.split()) in page.text, text
    assert "permit in-water-permit Permit: aquatic plant permit" in page.text
    for row in sample_plan.findings.itertuples():
        assert " ".join(row.what.split()) in page.text


def test_worst_first(small_plan, tmp_path):
    table = small_plan.compliance.copy()
    last = table.index[-1]
    table.loc[last, "verdict"] = "does not meet"
    table.loc[table.index[0], "verdict"] = "within error: field check"
    html = report.render_page(replace(small_plan, compliance=table))
    decide = html.split('<section id="decide"')[1].split("</section>")[0]
    verdicts = re.findall(r'<span class="v \w+">([^<]+)</span>', decide)
    assert verdicts == ["does not meet", "within error: field check"]
    assert "1 pairs do not meet the loaded rules. Do not approve this plan." in html


def test_draft_rule_sets_are_marked_everywhere(small_plan):
    rulesets = tuple(
        item.model_copy(update={"ruleset": item.ruleset.model_copy(update={"status": "draft"})})
        for item in small_plan.site.rulesets
    )
    table = small_plan.compliance.copy()
    table.loc[table["verdict"] == "meets the loaded rules as mapped", "verdict"] = "not checked: draft rule set"
    html = report.render_page(replace(small_plan, compliance=table, site=replace(small_plan.site, rulesets=rulesets)))
    rules = len(small_plan.site.setbacks())
    assert html.count('<span class="draft">DRAFT</span>') >= rules + len(table)
    assert "DRAFT: not checked" in html
    assert "DRAFT: 1 of 1 rule sets are drafts" in html


def test_payloads_stay_text(small_plan):
    pages = [Page(report.render_page(hostile(small_plan, first))) for first in (0, len(PAYLOADS) // 2)]
    for page in pages:
        assert not page.all("script")
        assert "49" not in page.texts
    for payload in PAYLOADS:  # not every column of the tables is shown, so one page alone may leave one out
        assert any(" ".join(payload.split()) in page.text for page in pages)


def test_plans_with_nothing(plan_of_nothing, tmp_path):
    report.write_report(plan_of_nothing, tmp_path / "c.html", tmp_path / "c.csv")
    text = Page((tmp_path / "c.html").read_text(encoding="utf-8")).text
    assert "No rule set was loaded: nothing was checked against rules" in text
    assert "No herbicide is planned." in text
    assert len((tmp_path / "c.csv").read_text(encoding="utf-8").splitlines()) == 1


def test_same_bytes_twice_and_in_another_process(small_plan, tmp_path):
    report.write_report(small_plan, tmp_path / "a.html", tmp_path / "a.csv")
    code = (
        "import sys, tussock; from pathlib import Path; from tussock.deliver.report import write_report;"
        "plan = tussock.make_plan(tussock.read_site(tussock.sample_path('small')));"
        "write_report(plan, Path(sys.argv[1]) / 'b.html', Path(sys.argv[1]) / 'b.csv')"
    )
    environment = os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": os.pathsep.join(sys.path)}
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, env=environment)
    for suffix in ("html", "csv"):
        assert (tmp_path / f"a.{suffix}").read_bytes() == (tmp_path / f"b.{suffix}").read_bytes()


# ---- colours: WCAG 2.1, 1.4.3 (at least 4.5 to 1), relative luminance as defined there


def luminance(colour: str) -> float:
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.03928 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "paper"),
    [("ink", "paper"), ("ink", "soft"), ("quiet", "paper"), ("bad", "bad-paper"), ("bad", "paper")]
    + [(name, f"{name}-paper") for name in ("doubt", "task", "good")],
)
def test_contrast(folder, ink, paper):
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", (folder / "compliance.html").read_text(encoding="utf-8")))
    light, dark = sorted((luminance(colours[ink]), luminance(colours[paper])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.skipif(shutil.which("chromium") is None, reason="opens the page in Debian's chromium, not installed")
def test_browser_shows_it_without_a_request(folder):
    from playwright.sync_api import sync_playwright

    asked, said = [], []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        tab = browser.new_page(viewport={"width": 1280, "height": 900})
        tab.on("request", lambda request: asked.append(request.url))
        tab.on("console", lambda message: said.append(message.text))
        tab.goto((folder / "compliance.html").as_uri())
        wide = tab.evaluate("document.documentElement.scrollWidth")
        browser.close()
    assert asked == [(folder / "compliance.html").as_uri()]
    assert said == []
    assert wide <= 1280


# ---- yearly totals


def test_totals_agree_with_the_plan(sample_plan):
    """Two ways to one figure: outlines and doses here, the ledger of the plan there.

    They may differ where patches share ground (the ledger counts a unit when it is judged) and where stems bind.
    """
    units = sample_plan.units.set_index("unit_id")
    shared = set(sample_plan.overlaps["patch_a"]) | set(sample_plan.overlaps["patch_b"])
    checked = 0
    for item in find_ground_totals(sample_plan):
        unit = units.loc[item.unit_id]
        product = sample_plan.site.products[item.product_id]
        if unit["patch_id"] in shared or product.limit_stems_per_year_per_ha is not None:
            continue
        assert item.used_pct == pytest.approx(unit["annual_limit_used_pct"], rel=1e-9)
        checked += 1
    assert checked > 30


def test_shared_ground_counts_both_patches(sample_plan):
    totals = {item.unit_id: item for item in find_ground_totals(sample_plan)}
    one, other = totals["D06-01"], totals["D07-01"]
    assert one.active == other.active == "triclopyr"
    assert one.total == pytest.approx(one.planned + other.planned)
    assert one.total == pytest.approx(other.total)
    assert one.uses == ("unit D07-01",)


def test_earlier_mass_by_a_second_library(sample_plan):
    """Dose x area of the records, with areas by geographiclib on the ellipsoid."""
    history = sample_plan.features["history"]
    degrees = move_geometry(np.asarray(history.geometry.array, dtype=object), history.crs, "EPSG:4326")
    expected: dict[str, float] = {}
    for outline, active, dose in zip(degrees, history["active"], history["ae_kg_per_ha"], strict=True):
        ring = Geodesic.WGS84.Polygon()
        for lon, lat in list(outline.exterior.coords)[:-1]:
            ring.AddPoint(lat, lon)
        expected[active] = expected.get(active, 0.0) + abs(ring.Compute()[2]) / 10_000 * dose
    totals = find_active_totals(sample_plan, find_ground_totals(sample_plan))
    found = {item.active.casefold(): item.earlier_kg for item in totals if item.earlier_kg}
    assert found == pytest.approx({name.casefold(): mass for name, mass in expected.items()}, rel=1e-7)


def test_planned_mass_adds_up(sample_plan):
    totals = find_active_totals(sample_plan, find_ground_totals(sample_plan))
    assert sum(item.planned_kg for item in totals) == pytest.approx(
        sample_plan.units["ae_lb"].sum() * POUND_KG, rel=1e-9
    )


# ---- rules that a survey lifts, and closures


def test_surveys_and_closures_are_said(small_plan):
    ruleset = small_plan.site.rulesets[0]
    first = next(item for item in ruleset.setback if item.forbids is not None)
    changed = first.model_copy(update={"unless_surveyed": True})
    rules = tuple(changed if item is first else item for item in ruleset.setback)
    closure = Closure.model_validate(
        {
            "id": "nests",
            "season": ["04-01", "07-15"],
            "reason": "ground-nesting birds",
            "unless_surveyed": True,
            "source": "test",
        }
    )
    site = replace(
        small_plan.site,
        rulesets=(ruleset.model_copy(update={"setback": rules}),),
        options=replace(small_plan.site.options, closures=(closure,)),
    )
    table = small_plan.compliance.copy()
    table.loc[table["setback_id"] == first.id, "verdict"] = "to do before work"
    text = Page(report.render_page(replace(small_plan, site=site, compliance=table))).text
    assert f"survey {first.id} Survey first: allowed only where a survey lifts the rule" in text
    assert "unless a survey lifts it" in text
    assert "nests 1 Apr to 15 Jul, unless surveyed ground-nesting birds [test]" in text
