"""The CSV files and the shape of all tables, read back with the standard library."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from tussock.deliver import tables
from tussock.plan import Plan

PAYLOADS = [
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1",
    "<script>alert(1)</script>",
    "{{7*7}}",
    '"a", b\nc',
]


def read_csv(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file, strict=True)
        return list(reader.fieldnames or ()), list(reader)


@pytest.fixture
def written(small_plan: Plan, tmp_path: Path) -> Path:
    tables.write_tables(small_plan, tmp_path)
    return tmp_path


@pytest.mark.parametrize("system", ["us", "metric"])
def test_columns_are_those_of_the_contract(system, contract, small_plan, small_metric_plan, tmp_path):
    plan = small_plan if system == "us" else small_metric_plan
    tables.write_tables(plan, tmp_path)
    patches, _ = read_csv(tmp_path / "patch_budget.csv")
    units, _ = read_csv(tmp_path / "unit_budget.csv")
    products, _ = read_csv(tmp_path / "product_budget.csv")
    for table, names in (("patches", patches), ("units", units)):
        expected = contract[f"{table} {system}"]
        assert names[: len(expected)] == expected
    assert patches == [name for name in plan.patches.columns if name != "geometry"]
    assert units == [name for name in plan.units.columns if name != "geometry"]
    assert products == list(plan.product_budget.columns)


def test_users_own_columns_ride_along_at_the_end(sample_plan, tmp_path):
    tables.write_tables(sample_plan, tmp_path)
    names, rows = read_csv(tmp_path / "patch_budget.csv")
    assert names[-2:] == ["notes", "surveyed"]
    assert {row["patch_id"]: row["notes"] for row in rows}["A02"] == "boardwalk stops A & B only"


def test_metric_and_us_tables_say_the_same(small_plan, small_metric_plan):
    # NIST Handbook 44, appendix C: acre 4046.8564224 m2 (international foot), gallon 3.785411784 L, lb 0.45359237 kg
    us, metric = small_plan.patches, small_metric_plan.patches
    np.testing.assert_allclose(metric["area_ha"] * 10_000, us["area_acre"] * 4046.8564224, rtol=1e-12)
    np.testing.assert_allclose(metric["spray_l"], us["spray_gal"] * 3.785411784, rtol=1e-12)
    np.testing.assert_allclose(metric["ae_kg"], us["ae_lb"] * 0.45359237, rtol=1e-12)
    np.testing.assert_allclose(
        small_metric_plan.units["product_ml"], small_plan.units["product_fl_oz"] * 3785.411784 / 128, rtol=1e-12
    )


def test_bytes_are_utf8_with_lf_and_no_mark(written):
    for name in ("patch_budget.csv", "unit_budget.csv", "product_budget.csv"):
        content = (written / name).read_bytes()
        assert b"\r" not in content
        assert not content.startswith(b"\xef\xbb\xbf")
        assert content.endswith(b"\n")


def test_numbers_have_twelve_digits_and_counts_are_whole(small_plan, written):
    _, rows = read_csv(written / "unit_budget.csv")
    for row, area, cost in zip(rows, small_plan.units["area_acre"], small_plan.units["cost"], strict=True):
        assert float(row["area_acre"]) == pytest.approx(area, rel=5e-12)
        assert float(row["cost"]) == pytest.approx(cost, rel=5e-12)
        assert len(re.sub(r"e.*|\D", "", row["area_acre"]).lstrip("0")) <= 12
        assert re.fullmatch(r"\d*", row["loads"])
        assert re.fullmatch(r"\d*", row["stems"])


def test_missing_values_are_blank(small_plan, written):
    _, rows = read_csv(written / "unit_budget.csv")
    missing = small_plan.units["stems"].isna().tolist()
    assert any(missing)
    assert [row["stems"] == "" for row in rows] == missing
    text = (written / "unit_budget.csv").read_text(encoding="utf-8").casefold()
    assert not re.search(r"(^|,)(nan|<na>|none|nat)(,|$)", text, re.MULTILINE)


def test_hostile_texts_stay_texts(small_plan, tmp_path):
    patches = small_plan.patches.loc[[0] * len(PAYLOADS)].reset_index(drop=True)
    patches = patches.assign(species=PAYLOADS, notes=PAYLOADS).rename(columns={"notes": "=1+1"})
    tables.write_tables(replace(small_plan, patches=patches), tmp_path)
    names, rows = read_csv(tmp_path / "patch_budget.csv")
    assert names[-1] == "'=1+1"
    for row, payload in zip(rows, PAYLOADS, strict=True):
        for name in ("species", "'=1+1"):
            assert row[name] in (payload, "'" + payload)
            assert not row[name].startswith(("=", "+", "-", "@", "\t"))


def test_quoting_is_that_of_rfc_4180():
    # RFC 4180, section 2, rules 5 to 7: a field with a line break, a quote or a comma is quoted, a quote is doubled
    frame = pd.DataFrame({"aaa": ['b"bb', "b\r\nbb", "b\rb"], "c,c": ["c", "d,d", "e"]})
    file = io.StringIO()
    csv.writer(file, lineterminator="\n").writerows(tables._csv_rows(frame))
    assert file.getvalue() == 'aaa,"c,c"\n"b""bb",c\n"b\nbb","d,d"\n"b\nb",e\n'


def test_cells_are_plain():
    column = pd.Series(
        [
            None,
            pd.NA,
            pd.NaT,
            float("nan"),
            np.float32(0.5),
            np.int16(3),
            np.bool_(True),
            dt.date(2027, 5, 1),
            dt.datetime(2027, 5, 1, 8, 30, tzinfo=dt.UTC),
            ["a", {"b": dt.date(2027, 5, 1)}],
            np.array([1.5, 2.5]),
            b"\x00\xff",
            shapely.Point(1, 2),
            "a\x00b",
            -0.0,
            float("inf"),
        ],
        dtype=object,
    )
    assert tables.cell_values(column) == [
        None,
        None,
        None,
        None,
        0.5,
        3,
        True,
        "2027-05-01",
        "2027-05-01T08:30:00+00:00",
        '["a", {"b": "2027-05-01"}]',
        "[1.5, 2.5]",
        "00ff",
        "POINT (1 2)",
        "ab",
        0.0,
        "inf",
    ]
    assert tables.csv_text(tables.cell_values(pd.Series([-0.0]))[0]) == "0"


@pytest.mark.parametrize("system", ["us", "metric"])
def test_every_column_of_the_contract_is_explained(system, contract, small_plan, small_metric_plan):
    plan = small_plan if system == "us" else small_metric_plan
    notes = {note.name: note for note in tables.describe_columns(plan, "units", plan.units)}
    area, dose = ("area_acre", "ae_lb_per_acre") if system == "us" else ("area_ha", "ae_kg_per_ha")
    assert (notes[area].unit, notes[dose].unit) == (("acre", "lb/acre") if system == "us" else ("ha", "kg/ha"))
    assert notes["annual_limit_used_pct"].unit == "%"
    assert notes["cost"].unit == "USD"
    assert notes["stems"].unit == ""
    assert all(notes[name].meaning for name in contract[f"units {system}"])


def test_assumptions_name_every_rule_set_product_and_caution(sample_plan):
    rows = tables.list_assumptions(sample_plan)
    topics = {topic for topic, _, _ in rows}
    assert {"site", "caution", "rule set", "CRS", "choice", "layer", "default used", "source of product"} <= topics
    titles = [item for topic, item, _ in rows if topic == "rule set"]
    assert titles == [ruleset.title for ruleset in sample_plan.site.rulesets]
    assert {item for topic, item, _ in rows if topic == "source of product"} == set(sample_plan.site.products)
    words = " ".join(text for _, _, text in rows)
    assert "The label on the container is the law" in words
    assert "checked, read by" in words


def test_a_plan_without_rules_and_operations_says_so(small_plan):
    site = replace(small_plan.site, rulesets=(), operations=None)
    rows = tables.list_assumptions(replace(small_plan, site=site))
    assert ("rule set", "none", "no rules were loaded: the plan knows of no setback") in rows
    assert ("source of operations", "none", "no operations file: hours and cost are blank") in rows
