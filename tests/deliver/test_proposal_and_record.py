"""Proposal and as-applied record: figures against the plan, fields that published lists ask for, pages that can be read."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from tussock.base import columns as c
from tussock.base.errors import InputError
from tussock.deliver.proposal import make_proposal, write_proposal
from tussock.deliver.proposal_page import write_proposal_pdf
from tussock.deliver.records import FILLED_IN, make_record, write_record
from tussock.deliver.records_page import write_record_pdf
from tussock.trade import record_fields
from tussock.trade.record_fields import list_fields

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="reads the PDF back with poppler's pdftotext, which is not installed"
)
PAGES = {"proposal": write_proposal_pdf, "record": write_record_pdf}


@pytest.fixture(scope="module")
def proposal(sample_plan):
    return make_proposal(sample_plan)


@pytest.fixture(scope="module")
def record(sample_plan):
    return make_record(sample_plan)


# ---- figures


def test_each_planned_unit_has_a_row_in_the_record_and_no_other(sample_plan, record) -> None:
    planned = sample_plan.units[sample_plan.units["status"] == "planned"]
    assert set(record["unit_id"]) == set(planned["unit_id"])
    first = record.drop_duplicates("unit_id").set_index("unit_id")
    by_unit = planned.set_index("unit_id")
    by_stems = by_unit["method"].isin(["cut_stump", "stem_injection", "basal_bark"])
    by_unit["to_treat"] = by_unit["area_acre"].where(by_stems, by_unit["infested_acre"])
    for name, other in (
        ("planned_area_acre", "area_acre"),
        ("planned_treated_acre", "to_treat"),
        ("planned_product_fl_oz", "product_fl_oz"),
        ("planned_rate_ae_lb_per_acre", "ae_lb_per_acre"),
    ):
        expected = by_unit[other].reindex(first.index)
        chemical = first["product_id"] != ""
        found, wanted = (values[chemical].to_numpy(float) for values in (first[name], expected))
        assert found == pytest.approx(wanted, rel=1e-12, nan_ok=True)  # unknown where the cover is
    assert list(first["planned_from"]) == list(by_unit["season_from"].reindex(first.index))


def test_what_is_filled_in_is_blank(record) -> None:
    for column in c.RECORD:
        if column.stem in FILLED_IN:
            values = record[column.shown_name("us")]
            assert (values.isna() | (values == "")).all(), column.stem


def test_a_proposal_adds_up_to_the_product_budget(sample_plan, proposal) -> None:
    """Product and acid equivalent of each product, with partners in the tank, are those of the budget of products."""
    budget = sample_plan.product_budget.set_index("product_id")
    known = proposal.groupby("product_id").filter(lambda lines: lines["product_gal"].notna().all())
    unknown = sample_plan.units[sample_plan.units["product_fl_oz"].isna() & (sample_plan.units["product_id"] != "")]
    assert set(proposal["product_id"]) - set(known["product_id"]) == set(unknown["product_id"])
    sums = known.groupby("product_id")[["product_gal", "ae_lb"]].sum()
    for name, row in sums.iterrows():
        assert row["product_gal"] == pytest.approx(budget.loc[name, "product_gal"], rel=1e-9), name
        assert row["ae_lb"] == pytest.approx(budget.loc[name, "ae_lb"], rel=1e-9), name
    assert set(proposal["product_id"]) == set(budget.index)
    assert len(sums) > 3


def test_the_rate_is_the_highest_of_its_units(sample_plan, proposal) -> None:
    line = proposal.iloc[0]
    units = sample_plan.units
    own = units[(units["treatment_id"] == line["treatment_id"]) & units["patch_id"].isin(line["patches"].split(";"))]
    assert line["rate_ae_lb_per_acre"] == pytest.approx(own["ae_lb_per_acre"].max(), rel=1e-12)
    assert line["nearest_water_ft"] == pytest.approx(own["nearest_water_ft"].min(), rel=1e-12)
    assert line["area_acre"] == pytest.approx(own["area_acre"].sum(), rel=1e-12)
    assert (line["date_from"], line["date_to"]) == (own["season_from"].min(), own["season_to"].max())


def test_metric_units_are_the_same_amounts(small_plan, small_metric_plan) -> None:
    us, metric = make_proposal(small_plan), make_proposal(small_metric_plan)
    assert metric["product_l"].to_numpy(float) == pytest.approx(us["product_gal"].to_numpy(float) * 3.785411784)
    ratio = 0.45359237 / 0.40468564224  # NIST Handbook 44, Appendix C: pound and acre
    assert metric["rate_ae_kg_per_ha"].to_numpy(float) == pytest.approx(
        us["rate_ae_lb_per_acre"].to_numpy(float) * ratio
    )
    assert make_record(small_metric_plan)["planned_product_ml"].notna().any()


def test_a_location_lies_in_its_unit(sample_plan, record) -> None:
    import geopandas as gpd
    import shapely

    points = []
    for text in record["location"]:
        lat, north, lon, west = text.split()
        assert (north, west) == ("N", "W")
        points.append(shapely.Point(-float(lon), float(lat)))
    series = gpd.GeoSeries(points, crs="EPSG:4326").to_crs(sample_plan.units.crs)
    outline = sample_plan.units.set_index("unit_id").geometry.reindex(record["unit_id"])
    assert (shapely.distance(series.to_numpy(), outline.to_numpy()) < 0.2).all()  # six decimals of a degree are 0.1 m


# ---- what lists ask for


def test_each_list_has_a_source_and_known_columns() -> None:
    lists = [*list_fields("record"), *list_fields("proposal")]
    assert all(item.source for item in lists)
    assert len({item.id for item in lists}) == len(lists)


def test_the_federal_record_has_its_nine_fields() -> None:
    """7 CFR 110.3(a): product and EPA number (1), amount (2), location, size, site (3), date (4), name and number (5)."""
    first = list_fields("record")[0]
    assert first.applies == "restricted use"
    assert set(first.columns) == {
        "product_id",
        "registration",
        "product_used",
        "location",
        "area_treated",
        "land_use",
        "date",
        "applicator",
        "licence",
    }


def test_lists_for_restricted_products_ask_nothing_of_others() -> None:
    asking = [item.applies for item in list_fields("record") if "licence" in item.columns]
    assert asking
    assert set(asking) == {"restricted use"}  # so it is asked for with restricted products and not with others


def test_a_list_with_a_column_that_no_form_has_is_refused(monkeypatch) -> None:
    row = {"id": "x", "title": "x", "kind": "record", "applies": "every herbicide", "columns": ["moon"], "source": "s"}
    monkeypatch.setattr(record_fields, "read_rows", lambda file, key: [row])
    list_fields.cache_clear()
    try:
        with pytest.raises(InputError, match=r"record_fields\.toml: x: found columns moon"):
            list_fields("record")
    finally:
        list_fields.cache_clear()


# ---- files


def test_the_tables_are_written_as_they_are(sample_plan, sample_folder: Path, tmp_path: Path) -> None:
    write_proposal(sample_plan, tmp_path / "proposal.csv")
    write_record(sample_plan, tmp_path / "record.csv")
    for name, schema in (("proposal.csv", c.PROPOSAL), ("record.csv", c.RECORD)):
        assert (tmp_path / name).read_bytes() == (sample_folder / name).read_bytes()
        with (tmp_path / name).open(encoding="utf-8", newline="") as file:
            assert next(csv.reader(file)) == c.shown_names(schema, "us")


@pytest.mark.parametrize("kind", PAGES)
@needs_poppler
def test_pages_have_the_same_bytes_twice_and_letter_paper(
    sample_plan, sample_folder: Path, tmp_path: Path, kind
) -> None:
    PAGES[kind](sample_plan, tmp_path / f"{kind}.pdf")
    assert (tmp_path / f"{kind}.pdf").read_bytes() == (sample_folder / f"{kind}.pdf").read_bytes()
    assert "612 x 792" in run("pdfinfo", tmp_path / f"{kind}.pdf")


@pytest.mark.parametrize("kind", PAGES)
@needs_poppler
def test_metric_pages_are_a4_and_carry_cautions_and_sources(small_metric_plan, tmp_path: Path, kind: str) -> None:
    PAGES[kind](small_metric_plan, tmp_path / "page.pdf")
    assert "A4" in run("pdfinfo", tmp_path / "page.pdf")
    text = " ".join(run("pdftotext", tmp_path / "page.pdf", "-").split())
    assert "The label on the container is the law" in text
    assert {"proposal": "33 CFR part 273", "record": "7 CFR 110.3"}[kind] in text
    assert "no legal advice" in text


@needs_poppler
def test_everything_on_the_pages_is_black_on_white_or_grey(sample_folder: Path, tmp_path: Path) -> None:
    import numpy as np

    for kind in PAGES:
        run("pdftoppm", "-r", "40", "-l", "2", "-png", sample_folder / f"{kind}.pdf", tmp_path / kind)
        for page in tmp_path.glob(f"{kind}*.png"):
            from matplotlib.image import imread

            pixels = imread(page)[..., :3]
            assert float(np.ptp(pixels, axis=2).max()) < 0.02
            assert float(pixels.min()) < 0.2


@needs_poppler
def test_texts_from_data_stay_texts(small_plan, tmp_path: Path) -> None:
    nasty = "=1+1 <script>{{ 7*7 }}</script> \u05e9\u05dc\u05d5\u05dd"
    plan = replace(small_plan, patches=small_plan.patches.assign(species=nasty))
    write_proposal(plan, tmp_path / "p.csv")
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as file:
        assert {row["species"] for row in csv.DictReader(file)} == {"'" + nasty}
    for kind, write in PAGES.items():
        write(plan, tmp_path / f"{kind}.pdf")
        assert "<script>{{ 7*7 }}</script>" in " ".join(run("pdftotext", tmp_path / f"{kind}.pdf", "-").split())


@needs_poppler
def test_a_plan_without_a_treatment_has_forms_without_rows(small_plan, tmp_path: Path) -> None:
    empty = small_plan.units.assign(status="no_option", treatment_id="")
    plan = replace(small_plan, units=empty)
    assert len(make_proposal(plan)) == len(make_record(plan)) == 0
    for kind, write in PAGES.items():
        write(plan, tmp_path / f"{kind}.pdf")
    assert "nothing to record" in run("pdftotext", tmp_path / "record.pdf", "-")


@needs_poppler
def test_a_name_of_200_letters_fits(small_plan, tmp_path: Path) -> None:
    plan = replace(small_plan, patches=small_plan.patches.assign(species="reed " * 40))
    for kind, write in PAGES.items():
        write(plan, tmp_path / f"{kind}.pdf")
        boxes = re.findall(
            r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)"', run("pdftotext", "-bbox", tmp_path / f"{kind}.pdf", "-")
        )
        assert len(boxes) > 100
        assert all(0 <= float(left) < float(right) <= 612 for left, _, right in boxes)


def run(program: str, *arguments: object) -> str:
    """The output of a program that reads PDF."""
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, check=True)
    return done.stdout
