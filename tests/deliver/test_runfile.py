"""run.json, read back: hashes taken again with hashlib, documents compared with the files as tomllib reads them."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
import tomllib
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest

import tussock
from tussock.deliver import runfile
from tussock.plan import Plan

KEYS = [
    "cautions",
    "crs",
    "documents",
    "findings",
    "format",
    "inputs",
    "layers",
    "left_out",
    "not_ready",
    "options",
    "outputs",
    "renamed_columns",
    "rulesets",
    "season",
    "site",
    "tussock",
    "units",
    "versions",
]


def refuse(text: str) -> float:
    raise AssertionError(f"{text} is not JSON (RFC 8259, section 6)")


def write(plan: Plan, folder: Path, left_out: dict[str, str] | None = None) -> dict:
    path = folder / "run.json"
    runfile.write_run_file(plan, path, left_out or {})
    return json.loads(path.read_bytes(), parse_constant=refuse)


def test_what_it_holds(sample_plan, tmp_path):
    run = write(sample_plan, tmp_path)
    assert list(run) == KEYS
    assert (run["site"], run["season"], run["units"]) == (
        "Larkmoor Kettles Preserve (invented)",
        {"from": "2027-01-01", "to": "2027-12-31", "name": "2027"},
        "us",
    )
    assert run["tussock"] == tussock.__version__
    assert run["versions"]["geopandas"] == version("geopandas")
    assert {"python", "gdal", "geos", "proj"} <= set(run["versions"])
    assert run["crs"]["delivered"] == "EPSG:26915"
    assert 0 <= run["crs"]["area_error"] < 1e-3
    assert run["options"]["sliver_area_m2"] == 1.0
    assert run["rulesets"][0] == {
        "title": "Larkmoor Kettles treatment rules 2027 (invented)",
        "authority": "Larkmoor Kettles Trust (invented)",
        "source": "invented for the demo",
        "valid_from": "2026-10-01",
        "valid_to": "2028-03-31",
        "read_by": "Odalys Fenwright (invented)",
        "status": "checked",
        "listed_only": False,
        "kinds": {},
        "no_rule_for": [],
    }
    assert any("label on the container is the law" in text for text in run["cautions"])


def test_inputs_carry_the_hash_of_their_file(sample_plan, tmp_path):
    folder = sample_plan.site.path.parent
    run = write(sample_plan, tmp_path)
    assert {item["role"] for item in run["inputs"]} == {
        "site",
        "layer infestations",
        "layer water",
        "layer receptors",
        "layer access",
        "layer history",
        "rules",
        "products",
        "treatments",
        "operations",
    }
    for item in run["inputs"]:
        assert item["sha256"] == hashlib.sha256((folder / item["name"]).read_bytes()).hexdigest()


def test_documents_hold_what_the_files_say(sample_plan, tmp_path):
    run = write(sample_plan, tmp_path)
    assert [item["role"] for item in run["documents"]] == ["site", "rules", "products", "treatments", "operations"]
    for item in run["documents"]:
        content = tomllib.loads((sample_plan.site.path.parent / item["name"]).read_text(encoding="utf-8"))
        if item["role"] == "rules":
            assert content["ruleset"]["valid_from"] == dt.date(2026, 10, 1)
            content["ruleset"] |= {"valid_from": "2026-10-01", "valid_to": "2028-03-31"}
        if item["role"] == "operations":
            season = content["calendar"]
            assert season["first"] == dt.date(2027, 5, 17)
            season |= {name: season[name].isoformat() for name in ("first", "last")}
            season["closed"] = [day.isoformat() for day in season["closed"]]
        assert item["content"] == content


def test_outputs_carry_the_hash_of_the_file_written(small_plan, tmp_path):
    (tmp_path / "a.csv").write_bytes(b"abc")
    # FIPS 180-4, worked example for SHA-256 of "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert write(small_plan, tmp_path)["outputs"] == {"a.csv": expected}
    assert write(small_plan, tmp_path)["outputs"] == {"a.csv": expected}  # and not its own


def test_findings_hold_the_areas_of_each_repair(sample_plan, tmp_path):
    rows = write(sample_plan, tmp_path)["findings"]
    assert len(rows) == len(sample_plan.findings)
    repair = next(row for row in rows if "C03" in row["row"])
    # the crossing outline: both triangles stay, so that the ground grows
    assert repair["area_after_m2"] > repair["area_before_m2"] > 0
    blank = next(row for row in rows if row["what"] == "cover is blank")
    assert blank["area_before_m2"] is None


def test_what_was_left_out_and_renamed_is_listed(small_plan, tmp_path):
    plan = replace(small_plan, patches=small_plan.patches.assign(fid=[1, 2, 3]))
    run = write(plan, tmp_path, {"plan.xlsx": "plan.xlsx needs xlsxwriter"})
    assert run["left_out"] == {"plan.xlsx": "plan.xlsx needs xlsxwriter"}
    assert run["renamed_columns"] == [
        {
            "layer": "patches",
            "column": "fid",
            "written_as": "fid_2",
            "why": "a GeoPackage keeps this name, or tells no case apart",
        }
    ]


def test_keys_are_sorted_and_bytes_repeat(small_plan, tmp_path):
    write(small_plan, tmp_path)
    first = (tmp_path / "run.json").read_bytes()
    write(small_plan, tmp_path)
    assert (tmp_path / "run.json").read_bytes() == first
    assert first.endswith(b"}\n")
    assert b"\r" not in first

    def check(value):
        if isinstance(value, dict):
            assert list(value) == sorted(value)
            for item in value.values():
                check(item)
        elif isinstance(value, list):
            for item in value:
                check(item)

    check(json.loads(first))


def test_no_folder_of_this_machine_goes_in(tmp_path):
    # the layer is named by a path from the root: its file name is written, and the folder stays here
    home = tussock.sample_path("small").parent
    for name in ("site.toml", "infestations.geojson", "water.geojson", "receptors.geojson"):
        shutil.copy(home / name, tmp_path / name)
    for name in ("rules.toml", "products.toml", "treatments.toml", "operations.toml"):
        shutil.copy(home.parent / name, tmp_path / name)
    text = (tmp_path / "site.toml").read_text(encoding="utf-8")
    text = text.replace('"../', '"').replace('"water.geojson"', f'"{(tmp_path / "water.geojson").as_posix()}"')
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    plan = tussock.make_plan(tussock.read_site(tmp_path / "site.toml"))
    run = write(plan, tmp_path)
    assert str(tmp_path) not in (tmp_path / "run.json").read_text(encoding="utf-8")
    assert {item["name"] for item in run["inputs"] if item["role"] == "layer water"} == {"water.geojson"}
    site = next(item["content"] for item in run["documents"] if item["role"] == "site")
    assert site["layers"]["water"]["path"] == "water.geojson"


def test_no_clock_time_goes_in(small_plan, tmp_path):
    write(small_plan, tmp_path)
    today = dt.datetime.now(dt.UTC).date()
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    assert not any(str(today + dt.timedelta(days=days)) in text for days in (-1, 0, 1))


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (dt.date(2027, 5, 1), "2027-05-01"),
        (dt.time(8, 30), "08:30:00"),
        ({"a": (1, dt.date(2027, 5, 1))}, {"a": [1, "2027-05-01"]}),
        (float("nan"), "nan"),
        (True, True),
        (None, None),
    ],
)
def test_values_of_a_toml_file_as_json(value, expected):
    assert runfile.to_json(value) == expected


def test_missing_numbers_of_a_table_are_null(small_plan):
    findings = small_plan.findings.assign(area_before_m2=np.nan)
    assert {row["area_before_m2"] for row in runfile.list_rows(findings)} == {None}


@pytest.mark.parametrize("name", ["C:\\maps\\water.gpkg", "/maps/water.gpkg", "\\\\server\\maps\\water.gpkg"])
def test_a_path_from_the_root_of_any_system_is_cut(name):
    assert runfile._base_name(name) == "water.gpkg"


def test_a_relative_path_and_a_date_and_a_dose_stay():
    for text in ("../rules.toml", "maps/water.gpkg", "5 gal/acre", "07-01"):
        assert runfile._base_name(text) == text
