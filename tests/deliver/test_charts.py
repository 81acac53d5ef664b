"""Charts, the page they stand on, and the view of one patch: their figures, words, bytes and what they refuse."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

import tussock
from site_factory import Sites, feet_box
from tussock.base.errors import InputError, MissingExtraError, MissingInputError, OutputError
from tussock.deliver import charts_page, webmap
from tussock.deliver.charts import CHARTS
from tussock.deliver.charts_style import list_faces

FL_OZ_PER_GAL = 128
HOSTILE = "<script>alert(1)</script> {{7*7}} $x$ =cmd"
FOREIGN = "\N{ARABIC LETTER QAF}\N{ARABIC LETTER SAD} \N{LATIN SMALL LETTER E WITH ACUTE} \N{HIRAGANA LETTER A}"


@pytest.fixture
def hostile_plan(sample_plan):
    patches, units = sample_plan.patches.copy(), sample_plan.units.copy()
    names = {patches["patch_id"].iloc[0]: HOSTILE, patches["patch_id"].iloc[1]: FOREIGN}
    patches["patch_id"] = patches["patch_id"].replace(names)
    units["patch_id"] = units["patch_id"].replace(names)
    units["product_id"] = units["product_id"].replace({units["product_id"].iloc[0]: HOSTILE})
    work = {name: table.replace({"patch_id": names}) for name, table in sample_plan.work.items()}
    return replace(sample_plan, patches=patches, units=units, work=work)


# ---- figures


def test_hours_are_those_of_the_calendar(sample_plan):
    calendar = sample_plan.work["calendar"]
    table = sample_plan.chart("hours").table
    assert table.to_numpy().sum() == pytest.approx(calendar["crew_hours"].sum(), rel=1e-12)
    first = dt.date.fromisoformat(str(calendar["date"].min()))
    assert table.index[0].isocalendar()[:2] == first.isocalendar()[:2]
    assert {week.isoweekday() for week in table.index} == {1}
    assert {(b - a).days for a, b in zip(table.index, table.index[1:], strict=False)} == {7}


def test_hours_without_a_calendar_are_spread_over_the_windows(sample_plan):
    # by hand: 14 hours from Thursday 30 December 2027 to Wednesday 12 January 2028 are one hour on each of 14 days:
    # 4 in the week of 27 December, 7 in that of 3 January, 3 in that of 10 January
    unit = sample_plan.units[sample_plan.units["status"] == "planned"].iloc[[0]]
    unit = unit.assign(season_from="2027-12-30", season_to="2028-01-12", crew_hours=14.0, delivery="hand")
    chart = replace(sample_plan, units=unit, work={}).chart("hours")
    assert chart.table["hand"].tolist() == pytest.approx([4.0, 7.0, 3.0])
    assert chart.table.index.tolist() == [dt.date(2027, 12, 27), dt.date(2028, 1, 3), dt.date(2028, 1, 10)]
    assert "no calendar" in chart.alt
    whole = replace(sample_plan, work={}).chart("hours").table
    planned = sample_plan.units[sample_plan.units["status"] == "planned"]
    assert whole.to_numpy().sum() == pytest.approx(planned["crew_hours"].sum(), rel=1e-9)


def test_products_are_those_of_the_units(sample_plan, small_metric_plan):
    table = sample_plan.chart("products").table
    budget = sample_plan.product_budget.set_index("product_id")["product_gal"]
    assert table.sum().to_dict() == pytest.approx(budget.to_dict(), rel=1e-9)
    one = sample_plan.units[sample_plan.units["patch_id"] == "A01"]["product_fl_oz"].sum() / FL_OZ_PER_GAL
    assert table.loc["A01"].sum() == pytest.approx(one, rel=1e-9)
    chart = small_metric_plan.chart("products")
    litres = small_metric_plan.product_budget["product_l"].sum()
    assert chart.table.to_numpy().sum() == pytest.approx(litres, rel=1e-9)
    assert " L" in chart.alt


def test_budget_is_the_range_of_the_season(sample_plan):
    chart = sample_plan.chart("budget")
    season = sample_plan.season.set_index("item")
    for item in ("crew time", "spray volume", "product", "acid equivalent", "cost"):
        assert chart.table.loc[item].tolist() == season.loc[item].tolist()
    assert f"{season.loc['cost', 'likely']:,.0f}" in chart.alt


def test_cut_line_stands_between_in_and_out(sample_plan):
    chart = sample_plan.chart("cut_line")
    ranked = sample_plan.work["priorities"].sort_values("rank")
    (line,) = [line for line in chart.figure.axes[0].lines if line.get_linestyle() == "--"]
    place = line.get_xdata()[0]
    lines = ranked["line"].tolist()
    assert set(lines[: int(place + 0.5)]) >= {"in"}
    assert "out" not in lines[: int(place + 0.5)]
    assert lines[int(place + 0.5)] == "out"
    assert f"{lines.count('out')} past the limit" in chart.alt


# ---- pictures


@pytest.mark.parametrize("name", list(CHARTS))
def test_the_same_plan_gives_the_same_bytes(name, sample_plan, tmp_path):
    for kind in ("svg", "png"):
        first, second = (sample_plan.chart(name).save(tmp_path / f"{run}.{kind}") for run in "ab")
        assert first.read_bytes() == second.read_bytes()
    assert "<dc:date>" not in sample_plan.chart(name).to_svg()


@pytest.mark.parametrize("name", list(CHARTS))
def test_the_users_settings_change_nothing(name, sample_plan):
    import matplotlib as mpl

    plain = sample_plan.chart(name).to_svg()
    with mpl.rc_context({"font.size": 30, "svg.hashsalt": "other", "text.parse_math": True, "hatch.linewidth": 5}):
        assert sample_plan.chart(name).to_svg() == plain


def test_series_differ_in_grey():
    faces = list_faces(8)
    assert len({face.colour for face in faces}) == len({face.hatch for face in faces}) == 8


@pytest.mark.parametrize("name", list(CHARTS))
def test_nothing_is_drawn_past_the_edge(name, sample_plan, tmp_path):
    path = sample_plan.chart(name).save(tmp_path / "chart.png")
    pixels = np.asarray(Image.open(io.BytesIO(path.read_bytes())).convert("L"))
    edges = np.concatenate([pixels[0], pixels[-1], pixels[:, 0], pixels[:, -1]])
    assert edges.min() == 255
    assert pixels.min() < 60


@pytest.mark.parametrize("name", list(CHARTS))
def test_hostile_and_foreign_names(name, hostile_plan):
    chart = hostile_plan.chart(name)
    assert "<script" not in chart._repr_html_()
    assert "<script" not in chart.to_svg()
    assert re.fullmatch(r'<img alt="[^"<>{}]+" [^<>]*>', chart._repr_html_())


# ---- what cannot be drawn


def test_a_chart_that_is_not_known(small_plan):
    with pytest.raises(InputError, match='"hour"; did you mean "hours"'):
        small_plan.chart("hour")


@pytest.fixture
def bare_plan(tmp_path):
    patch = {"patch_id": "X", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    return Sites(tmp_path).plan([patch | {"geometry": feet_box(0, 0, 100, 200)}])


@pytest.mark.parametrize(
    ("name", "need"),
    [
        ("hours", "no crew hours with dates; add an operations file"),
        ("products", "no unit takes a product; load treatments"),
        ("budget", "no total of the season above 0; load treatments"),
        ("cut_line", r"no priorities; add \[priorities\]"),
    ],
)
def test_a_plan_that_has_nothing_to_draw(name, need, bare_plan):
    with pytest.raises(InputError, match=need):
        bare_plan.chart(name)


def test_another_kind_of_file(small_plan, tmp_path):
    with pytest.raises(OutputError, match=r"written as .svg or .png"):
        small_plan.chart("budget").save(tmp_path / "chart.pdf")


def test_without_matplotlib(small_plan, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(MissingExtraError, match=r"pip install \"tussock\[pdf\]\""):
        small_plan.chart("budget")


# ---- the page


def test_page_of_charts(hostile_plan, bare_plan, tmp_path):
    charts_page.write_charts(hostile_plan, tmp_path / "charts.html")
    text = (tmp_path / "charts.html").read_text(encoding="utf-8")
    assert len(re.findall(r'<img alt="[^"]{40,}"', text)) == len(CHARTS)
    assert "<script" not in text
    assert "{{" not in text
    assert not re.search(r'(src|href)="(?!data:)', text)
    assert "The label on the container is the law" in text
    charts_page.write_charts(bare_plan, tmp_path / "bare.html")
    assert (tmp_path / "bare.html").read_text(encoding="utf-8").count("Not drawn:") == len(CHARTS)


# ---- one patch


def test_look_at_one_patch(sample_plan):
    view = sample_plan.look_at("A02")
    assert view.patch["patch_id"].tolist() == ["A02"]
    assert view.units["unit_id"].tolist() == [f"A02-0{number}" for number in range(1, 8)]
    pd.testing.assert_series_equal(
        view.units["cost"], sample_plan.units.query("patch_id == 'A02'")["cost"].reset_index(drop=True)
    )
    assert set(view.options["unit_id"]) == set(view.units["unit_id"])
    assert set(view.compliance["unit_id"]) == set(view.units["unit_id"])
    page = view._repr_html_()
    assert all(page.count(unit) >= 1 for unit in view.units["unit_id"])
    whole, part = sample_plan.map().get_root().render(), view.map.get_root().render()
    assert "A03-01" in whole
    assert "A03-01" not in part


def test_look_at_a_patch_with_a_hostile_name(hostile_plan):
    page = hostile_plan.look_at(HOSTILE)._repr_html_()
    assert "<script>alert" not in page
    assert "{{7*7}}" not in page


def test_look_at_a_patch_that_is_not_there(sample_plan):
    with pytest.raises(InputError, match=r'"A2"; no such patch among 53; such as .*"A02"'):
        sample_plan.look_at("A2")


# ---- what the site file asks of the maps


def read_with(folder: Path, lines: str):
    patch = {"patch_id": "X", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
    return tussock.read_site(Sites(folder).write([patch | {"geometry": feet_box(0, 0, 100, 200)}], site=lines))


def test_a_background_that_is_not_there(tmp_path):
    with pytest.raises(MissingInputError, match=r"x.tif: site.map_background: found no such file; put the file at"):
        read_with(tmp_path, 'map_background = "x.tif"')


def test_background_and_public_map_reach_the_writer(tmp_path, monkeypatch):
    (tmp_path / "ground.tif").write_bytes(b"raster")
    site = read_with(tmp_path, 'map_background = "ground.tif"\npublic_map = true')
    calls = []

    def write_map(plan, path, *, public=False, base=None):
        calls.append((path.name, public, base))
        path.write_text("map")

    monkeypatch.setattr(webmap, "write_map", write_map)
    folder = tussock.make_plan(site).write(tmp_path / "out")
    assert calls == [
        ("map.html", False, tmp_path / "ground.tif"),
        ("map_public.html", True, tmp_path / "ground.tif"),
    ]
    assert (folder / "map_public.html").is_file()


def test_background_is_an_input_with_its_hash_and_the_review_holds_to_it(tmp_path, monkeypatch):
    ground = tmp_path / "ground.tif"
    ground.write_bytes(b"raster")
    site = read_with(tmp_path, 'map_background = "ground.tif"')
    monkeypatch.setattr(webmap, "write_map", lambda plan, path, *, public=False, base=None: path.write_text("map"))
    folder = tussock.make_plan(site).write(tmp_path / "out")
    run = json.loads((folder / "run.json").read_bytes())
    (row,) = [item for item in run["inputs"] if item["role"] == "map background"]
    assert row == {
        "name": "ground.tif",
        "role": "map background",
        "sha256": hashlib.sha256(b"raster").hexdigest(),
    }

    def find() -> list[str]:
        table = tussock.review_plan(folder, site.path)
        return table.loc[(table["check"] == "inputs") & (table["level"] == "violation"), "where"].tolist()

    assert find() == []
    ground.write_bytes(b"another raster")
    assert find() == ["map background, ground.tif"]
