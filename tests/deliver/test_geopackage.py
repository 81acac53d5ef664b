"""plan.gpkg, read back with GDAL and SQLite, held against the OGC GeoPackage Encoding Standard 1.3 (12-128r18)."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geoseries_equal

import tussock
from tussock.base.errors import OutputError
from tussock.deliver import geopackage
from tussock.plan import Plan

LAYERS = ["patches", "units", "setback_zones", "overlaps", "water", "receptors", "access", "history"]
TABLES = [
    "options",
    "compliance",
    "unit_hours",
    "unit_windows",
    "kinds",
    "permits",
    "unit_setbacks",
    "unit_checks",
    "unit_history",
    "unit_shared",
    "unit_products",
    "findings",
    "season",
    "about",
    "layer_styles",
]
PAYLOADS = ["=1+1", "+1", "@x", "<script>alert(1)</script>", "{{7*7}}", "'; DROP TABLE units; --", "sûr \N{SNOWFLAKE}"]


@pytest.fixture(scope="module")
def sample_gpkg(sample_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("gpkg") / "plan.gpkg"
    geopackage.write_geopackage(sample_plan, path)
    return path


def write(plan: Plan, folder: Path) -> Path:
    path = folder / "plan.gpkg"
    geopackage.write_geopackage(plan, path)
    return path


def ask(path: Path, question: str) -> list[tuple]:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(question).fetchall()


def fields(path: Path, layer: str) -> list[str]:
    return list(pyogrio.read_info(path, layer=layer)["fields"])


def test_layers_and_tables(sample_gpkg):
    rows = ask(sample_gpkg, "SELECT table_name, data_type, description FROM gpkg_contents")
    assert [name for name, kind, _ in rows if kind == "features"] == LAYERS
    assert [name for name, kind, _ in rows if kind == "attributes"] == TABLES
    assert all(about for _, _, about in rows)


def test_it_is_a_geopackage_1_3(sample_gpkg):
    # requirement 2: application_id is "GPKG" in ASCII; user_version is 10300 for version 1.3
    assert ask(sample_gpkg, "PRAGMA application_id") == [(int.from_bytes(b"GPKG"),)]
    assert ask(sample_gpkg, "PRAGMA user_version") == [(10300,)]
    # requirements 6 and 7: integrity_check says ok, foreign_key_check finds nothing
    assert ask(sample_gpkg, "PRAGMA integrity_check") == [("ok",)]
    assert ask(sample_gpkg, "PRAGMA foreign_key_check") == []


def test_contract_columns_us(sample_gpkg, sample_plan, contract):
    assert fields(sample_gpkg, "patches")[: len(contract["patches us"])] == contract["patches us"]
    assert fields(sample_gpkg, "units")[: len(contract["units us"])] == contract["units us"]
    assert fields(sample_gpkg, "patches") == [name for name in sample_plan.patches.columns if name != "geometry"]
    assert fields(sample_gpkg, "options")[: len(contract["options us"])] == contract["options us"]


def test_contract_columns_metric(small_metric_plan, tmp_path, contract):
    path = write(small_metric_plan, tmp_path)
    for layer in ("patches", "units", "options"):
        expected = contract[f"{layer} metric"]
        assert fields(path, layer)[: len(expected)] == expected


@pytest.mark.parametrize("name", ["patches", "units", "setback_zones"])
def test_outlines_come_back_in_the_layers_own_crs(name, sample_gpkg, sample_plan):
    sent: gpd.GeoDataFrame = getattr(sample_plan, name)
    info = pyogrio.read_info(sample_gpkg, layer=name)
    assert (info["geometry_type"], info["crs"]) == ("MultiPolygon", "EPSG:26915")
    back = pyogrio.read_dataframe(sample_gpkg, layer=name)
    assert len(back) == len(sent)
    filled = ~sent.geometry.is_empty
    assert_geoseries_equal(back.geometry[filled].normalize(), promote(sent.geometry[filled]), check_crs=False)
    assert back.geometry[~filled].isna().all()


def promote(series: gpd.GeoSeries) -> gpd.GeoSeries:
    parts = [shapely.MultiPolygon(shapely.get_parts(item).tolist()) for item in series]
    return gpd.GeoSeries(parts, index=series.index, name="geometry").normalize()


def test_an_empty_zone_is_a_row_without_an_outline(small_plan, tmp_path):
    empty = small_plan.setback_zones.geometry.is_empty.tolist()
    assert 0 < sum(empty) < len(empty)
    rows = ask(write(small_plan, tmp_path), "SELECT geom IS NULL FROM setback_zones ORDER BY fid")
    assert [bool(missing) for (missing,) in rows] == empty


def test_values_come_back_as_they_are(sample_gpkg, sample_plan):
    back = pyogrio.read_dataframe(sample_gpkg, layer="units")
    for name in ("area_acre", "spray_gal", "ae_lb_per_acre", "cost"):
        np.testing.assert_array_equal(back[name], sample_plan.units[name])
    for name in ("unit_id", "setbacks", "reason", "season_from"):
        assert back[name].tolist() == sample_plan.units[name].tolist()
    stems = back["stems"].astype("Int64")
    assert stems.isna().tolist() == sample_plan.units["stems"].isna().tolist()
    assert stems.dropna().tolist() == sample_plan.units["stems"].dropna().tolist()
    table = pyogrio.read_dataframe(sample_gpkg, layer="compliance", read_geometry=False)
    np.testing.assert_array_equal(table["achieved_ft"], sample_plan.compliance["achieved_ft"])


def test_every_layer_has_a_spatial_index(sample_gpkg):
    # annex F.3: one extension row and one index entry for each outline that is not empty
    rows = ask(sample_gpkg, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")
    assert sorted(name for (name,) in rows) == sorted(LAYERS)
    for name in LAYERS:
        indexed = ask(sample_gpkg, f"SELECT count(*) FROM rtree_{name}_geom")
        assert indexed == ask(sample_gpkg, f"SELECT count(*) FROM {name} WHERE geom IS NOT NULL")


def test_water_of_several_kinds_of_geometry_stays_what_it_is(sample_gpkg, sample_plan):
    back = pyogrio.read_dataframe(sample_gpkg, layer="water")
    assert set(back.geom_type) == {"Polygon", "LineString"}
    assert back.geom_type.tolist() == sample_plan.features["water"].geom_type.tolist()
    assert pyogrio.read_info(sample_gpkg, layer="water")["geometry_type"] == "Unknown"


def test_empty_layers_keep_their_schema(sample_gpkg, sample_plan, tmp_path):
    features = {name: frame.iloc[:0] for name, frame in sample_plan.features.items()}
    plan = replace(
        sample_plan,
        overlaps=sample_plan.overlaps.iloc[:0],
        features=features,
        options=sample_plan.options.iloc[:0],
        units=sample_plan.units.iloc[:0],
        season=sample_plan.season.iloc[:0].astype(object),
    )
    path = write(plan, tmp_path)
    for layer in ("overlaps", "water", "history", "units", "options", "season"):
        filled, empty = (pyogrio.read_info(item, layer=layer) for item in (sample_gpkg, path))
        assert empty["features"] == 0
        assert empty["fields"].tolist() == filled["fields"].tolist()
        assert empty["geometry_type"] == filled["geometry_type"]
        if layer != "season":  # a table without a row and without types has no numbers to tell from texts
            assert empty["ogr_types"] == filled["ogr_types"]


def test_types_of_contract_columns_do_not_hang_on_the_rows(small_plan, tmp_path):
    blank = small_plan.patches.assign(reason=np.nan, cost=None, unit_count=[1.0, 2.0, np.nan])
    path = write(replace(small_plan, patches=blank), tmp_path)
    info = pyogrio.read_info(path, layer="patches")
    types = dict(zip(info["fields"], info["ogr_types"], strict=True))
    assert types["reason"] == "OFTString"
    assert types["cost"] == "OFTReal"
    assert types["unit_count"] == "OFTInteger64"


def test_names_that_the_format_keeps_are_changed_and_said(small_plan, tmp_path):
    own = {
        "fid": [7, 8, 9],
        "OGC_FID": [1, 2, 3],
        "Geom": ["a", "b", "c"],
        "AREA_ACRE": [0.5, 0.6, 0.7],
        "Notes": ["x", "y", "z"],
        "NOTES": ["u", "v", "w"],
        "tags": [["a", "b"], [], None],
        "seen": [shapely.Point(0, 0), None, shapely.Point(1, 1)],
    }
    patches = small_plan.patches.assign(**{name: pd.Series(values, dtype=object) for name, values in own.items()})
    plan = replace(small_plan, patches=patches)
    path = write(plan, tmp_path)
    back = pyogrio.read_dataframe(path, layer="patches")
    assert back["area_acre"].tolist() == small_plan.patches["area_acre"].tolist()
    assert back["AREA_ACRE_2"].astype(float).tolist() == own["AREA_ACRE"]
    assert back["fid_2"].astype(float).tolist() == own["fid"]
    assert back["NOTES_2"].tolist() == own["NOTES"]
    assert back["Geom_2"].tolist() == own["Geom"]
    assert back["tags"].tolist()[:2] == ['["a", "b"]', "[]"]
    assert back["seen"].tolist()[0] == "POINT (0 0)"
    said = {rename.column: rename.written_as for rename in geopackage.find_renames(plan) if rename.layer == "patches"}
    assert {name: said[name] for name in ("tags", "seen")} == {"tags": "tags (text)", "seen": "seen (text)"}
    assert said["AREA_ACRE"].startswith("AREA_ACRE_2")
    assert said["fid"].startswith("fid_2")
    assert said["OGC_FID"].startswith("OGC_FID_2")
    assert "Notes" not in said


def test_kinds_of_users_columns_are_kept(small_plan, tmp_path):
    patches = small_plan.patches.assign(
        surveyed=pd.to_datetime(["2026-08-14", None, "2026-08-15"]),
        seen=[True, False, True],
        maybe=pd.Series([True, None, False], dtype=object),
        small=np.array([1, 2, 3], dtype="int8"),
        kind=pd.Categorical(["a", "b", "a"]),
        share=np.array([0.5, 0.25, 1], dtype="float32"),
        blank=[None, None, None],
    )
    path = write(replace(small_plan, patches=patches), tmp_path)
    info = pyogrio.read_info(path, layer="patches")
    types = dict(zip(info["fields"], zip(info["ogr_types"], info["ogr_subtypes"], strict=True), strict=True))
    assert types["surveyed"][0] == "OFTDateTime"
    assert types["seen"] == types["maybe"] == ("OFTInteger", "OFSTBoolean")
    assert types["small"][0] == "OFTInteger64"
    assert types["kind"][0] == types["blank"][0] == "OFTString"
    assert types["share"][0] == "OFTReal"


def test_hostile_texts_stay_texts(small_plan, tmp_path):
    patches = small_plan.patches.loc[[0] * len(PAYLOADS)].reset_index(drop=True)
    patches = patches.assign(species=PAYLOADS, **{'"; DROP TABLE units; --': PAYLOADS})
    path = write(replace(small_plan, patches=patches), tmp_path)
    back = pyogrio.read_dataframe(path, layer="patches")
    assert back["species"].tolist() == PAYLOADS
    assert back['"; DROP TABLE units; --'].tolist() == PAYLOADS
    assert len(pyogrio.read_dataframe(path, layer="units")) == len(small_plan.units)


def test_every_column_is_described_in_the_schema_extension(sample_gpkg):
    # annex F.9: table gpkg_data_columns, registered as extension gpkg_schema
    described = dict(ask(sample_gpkg, "SELECT table_name || '.' || column_name, description FROM gpkg_data_columns"))
    for layer in (*LAYERS, *TABLES):
        assert all(described[f"{layer}.{name}"] for name in fields(sample_gpkg, layer))
    assert described["units.ae_lb_per_acre"] == "dose on the treated ground [lb/acre]"
    assert described["patches.area_acre"] == "gross area: true ground area of the patch [acre]"
    rows = ask(sample_gpkg, "SELECT table_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'")
    assert rows == [("gpkg_data_columns", "read-write"), ("gpkg_data_column_constraints", "read-write")]


def test_cautions_travel_with_the_file(sample_gpkg):
    texts = [text for (text,) in ask(sample_gpkg, "SELECT text FROM about WHERE topic = 'caution'")]
    assert any(text.startswith("The label on the container is the law") for text in texts)


def test_same_plan_same_bytes(small_plan, tmp_path):
    (tmp_path / "again").mkdir()
    first = write(small_plan, tmp_path).read_bytes()
    assert write(small_plan, tmp_path / "again").read_bytes() == first


def test_same_bytes_from_another_process(small_plan, tmp_path):
    (tmp_path / "other").mkdir()
    code = (
        "import pathlib, sys, tussock; from tussock.deliver import geopackage\n"
        "plan = tussock.make_plan(tussock.read_site(tussock.sample_path('small')))\n"
        "geopackage.write_geopackage(plan, pathlib.Path(sys.argv[1]))\n"
    )
    path = tmp_path / "other" / "plan.gpkg"
    root = str(Path(tussock.__file__).parents[1])
    surroundings = {**os.environ, "PYTHONPATH": root, "PYTHONHASHSEED": "271828", "TZ": "Asia/Tokyo"}
    subprocess.run([sys.executable, "-c", code, str(path)], check=True, env=surroundings, cwd=tmp_path)
    assert path.read_bytes() == write(small_plan, tmp_path).read_bytes()


def test_no_folder_of_this_machine_and_no_clock_in_the_file(sample_gpkg, sample_plan):
    content = sample_gpkg.read_bytes()
    for path in (sample_gpkg.parent, sample_plan.site.path.resolve().parent, Path.home() / "x"):
        assert str(path.parent if path.name == "x" else path).encode() + b"/" not in content
    dates = {date for (date,) in ask(sample_gpkg, "SELECT last_change FROM gpkg_contents")}
    assert dates == {"2027-01-01T00:00:00.000Z"}  # the season, not the day of writing
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_a_crs_without_a_code_is_kept(small_plan, tmp_path):
    crs = "+proj=laea +lat_0=45.3 +lon_0=-94.1 +datum=WGS84 +units=m"
    moved = {name: getattr(small_plan, name).to_crs(crs) for name in ("patches", "units", "setback_zones")} | {
        "features": {name: frame.to_crs(crs) for name, frame in small_plan.features.items()}
    }
    path = write(replace(small_plan, **moved), tmp_path)
    back = pyogrio.read_dataframe(path, layer="patches")
    assert back.crs.is_projected
    # same coordinates, and the same place on Earth by the CRS that the file holds
    np.testing.assert_array_equal(back.total_bounds, moved["patches"].total_bounds)
    np.testing.assert_allclose(
        back.to_crs(4326).total_bounds, moved["patches"].to_crs(4326).total_bounds, rtol=0, atol=1e-12
    )


def test_a_file_that_is_there_is_not_written_into(small_plan, tmp_path):
    (tmp_path / "plan.gpkg").write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"plan\.gpkg is there already: move it away"):
        write(small_plan, tmp_path)
    assert (tmp_path / "plan.gpkg").read_bytes() == b"mine"


def test_a_folder_that_is_not_there_is_one_clear_error(small_plan, tmp_path):
    with pytest.raises(OutputError, match=r"nowhere/plan\.gpkg cannot be written: .*name a folder"):
        write(small_plan, tmp_path / "nowhere")
