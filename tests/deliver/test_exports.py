"""Exports, each read back with another reader than the one that wrote it, and held against the delivered plan."""

from __future__ import annotations

import csv
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from geographiclib.geodesic import Geodesic

from site_factory import Sites, feet_box
from tussock.base.errors import InputError, MissingExtraError, MissingInputError, OutputError
from tussock.cli import tussock as command
from tussock.deliver import exports
from tussock.deliver.exports_shapefile import shorten_names, write_shapefiles
from tussock.deliver.exports_source import Source
from tussock.deliver.webmap_style import CLASSES, find_class
from tussock.plan import Plan

KML = {"k": "http://www.opengis.net/kml/2.2"}
GPX = {"g": "http://www.topografix.com/GPX/1/1"}
PAYLOADS = [
    "<script>alert(1)</script>",
    "{{7*7}}",
    "=cmd|' /C calc'!A0",
    'J\N{LATIN SMALL LETTER E WITH ACUTE} & "\N{LATIN SMALL LETTER N WITH TILDE}" ]]>',
    "\N{ARABIC LETTER QAF}\N{ARABIC LETTER SAD}\N{ARABIC LETTER BEH} 7",
]
ACRE_M2, HECTARE_M2 = 4046.8564224, 1e4
ALL = list(exports.FORMATS)


def read_xml(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314  (our own file)


@pytest.fixture(scope="module")
def payload_plan(small_plan: Plan) -> Plan:
    """The small plan with hostile and foreign texts in ids, and in a column of the mapper's."""
    patches, units = small_plan.patches.copy(), small_plan.units.copy()
    names = dict(zip(patches["patch_id"], PAYLOADS, strict=False))
    patches["patch_id"] = patches["patch_id"].map(names)
    patches["note of mapper"] = [PAYLOADS[3], PAYLOADS[4] + "\x0b", PAYLOADS[2]]
    units["unit_id"] = [f"{names[patch]}-{place}" for place, patch in enumerate(units["patch_id"])]
    units["patch_id"] = units["patch_id"].map(names)
    units["cautions"] = PAYLOADS[0]
    return replace(small_plan, patches=patches, units=units)


@pytest.fixture(params=["small", "metric", "payloads", "one unit", "none planned"])
def plan(request, small_plan, small_metric_plan, payload_plan, tmp_path_factory) -> Plan:
    if request.param in ("one unit", "none planned"):
        patch = {"patch_id": "X", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50}
        sites = Sites(tmp_path_factory.mktemp("site"))
        made = sites.plan([patch | {"geometry": feet_box(0, 0, 100, 200)}])
        assert len(made.units) == 1
        if request.param == "none planned":
            made = replace(made, units=made.units.assign(status="no_option"))
        return made
    return {"small": small_plan, "metric": small_metric_plan, "payloads": payload_plan}[request.param]


def geodesic_area(shape: shapely.Geometry) -> float:
    """Area in degrees on the ellipsoid [m2] by GeographicLib's own polygons (Karney 2013)."""
    total = 0.0
    for polygon in shapely.get_parts(shape):
        for place, ring in enumerate((polygon.exterior, *polygon.interiors)):
            shell = Geodesic.WGS84.Polygon()
            for lon, lat in list(ring.coords)[:-1]:
                shell.AddPoint(lat, lon)
            area = abs(shell.Compute()[2])
            total += -area if place else area
    return total


def areas_m2(frame) -> np.ndarray:
    return (frame["area_acre"] * ACRE_M2 if "area_acre" in frame else frame["area_ha"] * HECTARE_M2).to_numpy()


def check_areas(shapes, frame) -> None:
    # 7 decimals move a vertex by 8 mm at most: an outline of 1 km changes by less than 8 m2, these by far less
    np.testing.assert_allclose([geodesic_area(shape) for shape in shapes], areas_m2(frame), rtol=1e-4, atol=0.3)


def figures(frame) -> list[str]:
    return [name for name in frame.columns if frame[name].dtype.kind == "f"]


def without_controls(values) -> list[str]:
    return [str(value).replace("\x0b", "") for value in values]


# ---- each format read back


def test_geojson(plan, tmp_path):
    plan.export(tmp_path, "geojson")
    for name, key in (("patches", "patch_id"), ("units", "unit_id")):
        sent = getattr(plan, name)
        content = json.loads((tmp_path / f"{name}.geojson").read_bytes())
        assert content["type"] == "FeatureCollection"
        assert "crs" not in content  # RFC 7946, section 4: WGS 84, and no member that says so
        features = content["features"]
        assert [feature["properties"][key] for feature in features] == sent[key].tolist()
        shapes = [shapely.geometry.shape(feature["geometry"]) for feature in features]
        assert shapely.is_valid(shapes).all()
        check_areas(shapes, sent)
        for polygon in shapely.get_parts(shapes):  # section 3.1.6: outer rings counterclockwise, inner ones clockwise
            assert polygon.exterior.is_ccw
            assert not any(ring.is_ccw for ring in polygon.interiors)
        coordinates = shapely.get_coordinates(shapes)
        np.testing.assert_array_equal(coordinates, coordinates.round(7))
        assert list(features[0]["properties"]) == [column for column in sent.columns if column != "geometry"]
        for column in figures(sent):
            values = [feature["properties"][column] for feature in features]
            np.testing.assert_array_equal(np.array(values, dtype=float), sent[column])
        back = gpd.read_file(tmp_path / f"{name}.geojson", engine="pyogrio")
        assert back.crs == "EPSG:4326"


def test_geoparquet(plan, tmp_path):
    plan.export(tmp_path, "geoparquet")
    for name in ("patches", "units", "setback_zones"):
        sent = getattr(plan, name)
        back = gpd.read_parquet(tmp_path / f"{name}.parquet")
        assert back.crs == sent.crs
        for column in sent.columns.drop("geometry"):
            there = sent[column].notna()
            assert back[column].notna().tolist() == there.tolist()
            sent_texts = [str(value).replace("\x00", "") for value in sent[column][there]]
            assert [str(value) for value in back[column][there]] == sent_texts
        filled = ~sent.geometry.is_empty.to_numpy()
        assert shapely.equals(back.geometry.array[filled], sent.geometry.array[filled]).all()


def test_kml(plan, tmp_path):
    plan.export(tmp_path, "kml")
    root = read_xml((tmp_path / "plan.kml").read_text(encoding="utf-8"))
    for heading, sent, key in (("Patches", plan.patches, "patch_id"), ("Treatment units", plan.units, "unit_id")):
        (folder,) = [part for part in root.iterfind(".//k:Folder", KML) if part.find("k:name", KML).text == heading]
        places = folder.findall("k:Placemark", KML)
        assert [place.find("k:name", KML).text for place in places] == without_controls(sent[key])
        back = pyogrio.read_dataframe(tmp_path / "plan.kml", layer=heading)
        check_areas(back.geometry, sent)
        for place, area in zip(places, areas_m2(sent), strict=True):
            values = {item.get("name"): item[0].text for item in place.iterfind(".//k:Data", KML)}
            size = ACRE_M2 if "area_acre" in values else HECTARE_M2
            assert float(values["area_acre" if size == ACRE_M2 else "area_ha"]) * size == pytest.approx(area, rel=1e-11)
            description = place.find("k:description", KML).text
            assert "<script" not in description  # shown as HTML: no tag of the data's own
            assert "{{" not in description
            assert key in description
    styles = {f"#{style.get('id')}" for style in root.iterfind(".//k:Style", KML)}
    assert {item.text for item in root.iterfind(".//k:styleUrl", KML)} <= styles


def test_gpx(plan, tmp_path):
    plan.export(tmp_path, "gpx")
    for name, key in (("patches", "patch_id"), ("units", "unit_id")):
        sent = getattr(plan, name)
        tracks = read_xml((tmp_path / f"{name}.gpx").read_text(encoding="utf-8")).findall("g:trk", GPX)
        assert [track.find("g:name", GPX).text for track in tracks] == without_controls(sent[key])
        shapes = []
        for track, shape in zip(tracks, sent.geometry, strict=True):
            rings = [
                shapely.Polygon([(float(p.get("lon")), float(p.get("lat"))) for p in segment.iterfind("g:trkpt", GPX)])
                for segment in track.iterfind("g:trkseg", GPX)
            ]
            count = sum(1 + len(part.interiors) for part in shapely.get_parts(shape))
            assert len(rings) == count
            shapes.append(rings[0] if count == 1 else None)
        whole = [shape is not None for shape in shapes]
        assert any(whole)
        check_areas([shape for shape in shapes if shape is not None], sent[whole])
        fields = [item.tag.partition("}")[2] for item in tracks[0].find("g:extensions", GPX)]
        for column in sent.columns.drop("geometry"):  # full names; what XML does not allow in a name is an underscore
            if sent[column].notna().iloc[0]:
                assert column.replace(" ", "_") in fields
        values = [item.text for item in tracks[0].find("g:extensions", GPX)]
        assert without_controls(sent[key])[0] in values
        assert len(pyogrio.read_dataframe(tmp_path / f"{name}.gpx", layer="tracks")) == len(sent)
        assert "label on the container is the law" in tracks[0].find("g:cmt", GPX).text


def test_shapefile(plan, tmp_path):
    plan.export(tmp_path, "shapefile")
    rows, long = read_rows(tmp_path / "column_names.csv"), read_rows(tmp_path / "long_texts.csv")
    for name in ("patches", "units", "setback_zones"):
        sent = getattr(plan, name)
        full = {row["short_name"]: row["full_name"] for row in rows if row["file"] == f"{name}.shp"}
        back = gpd.read_file(tmp_path / f"{name}.shp", engine="pyogrio")
        assert back.crs.equals(sent.crs, ignore_axis_order=True)
        assert max(len(short) for short in full) <= 10
        assert list(full.values()) == [column for column in sent.columns if column != "geometry"]
        back = back.rename(columns=full)
        for column in figures(sent):
            np.testing.assert_allclose(back[column].astype(float), sent[column], rtol=1e-12)
        for column in sent.columns.drop("geometry").difference(figures(sent)):
            for place, (got, value) in enumerate(zip(back[column], sent[column], strict=True)):
                if isinstance(value, str) and value and len(value.encode()) > 254:
                    assert got.endswith("...")
                    assert [
                        r for r in long if (r["row"], r["full_name"]) == (str(place), column) and r["text"] == value
                    ]
                elif isinstance(value, str) and value:
                    assert got == value
        filled = ~sent.geometry.is_empty.to_numpy()
        difference = shapely.symmetric_difference(back.geometry.array[filled], sent.geometry.array[filled])
        sizes = shapely.area(sent.geometry.array[filled])
        assert (shapely.area(difference) <= 1e-9 * np.maximum(sizes, 1.0)).all()
        assert back.geometry.isna().tolist() == (~filled).tolist()


def test_layers_of_several_kinds_are_a_shapefile_for_each(sample_plan, tmp_path):
    """Every feature of the site's layers comes back, where it was and with its full name, in the file of its kind."""
    sample_plan.export(tmp_path, "shapefile")
    names = read_rows(tmp_path / "column_names.csv")
    kinds = {"points": "Point", "lines": "LineString", "polygons": "Polygon"}
    seen = set()
    for layer in ("water", "receptors", "access"):
        sent = sample_plan.features[layer]
        single = sent.geom_type.str.removeprefix("Multi")
        for word, kind in kinds.items():
            path = tmp_path / f"{layer}_{word}.shp"
            rows = sent[single == kind]
            assert path.exists() == (len(rows) > 0)
            if not len(rows):
                continue
            seen.add(word)
            full = {row["short_name"]: row["full_name"] for row in names if row["file"] == path.name}
            back = gpd.read_file(path, engine="pyogrio").rename(columns=full)
            assert back["kind"].tolist() == rows["kind"].tolist()
            assert [name or None for name in back["label"]] == [name or None for name in rows["label"]]
            assert back.crs.equals(sent.crs, ignore_axis_order=True)
            far = shapely.hausdorff_distance(back.geometry.array, rows.geometry.array)
            assert far.max() <= 1e-8
    assert seen == set(kinds)


def test_a_collection_of_kinds_is_parted(tmp_path):
    both = shapely.GeometryCollection([shapely.Point(10.0, 50.0), shapely.LineString([(10.0, 50.0), (10.1, 50.0)])])
    water = gpd.GeoDataFrame({"kind": ["spring", "none"]}, geometry=[both, None], crs="EPSG:4326")
    write_shapefiles(Source("n", "2027", {"water": water}, {}, ()), tmp_path)
    for kind, word in (("MultiPoint", "points"), ("LineString", "lines")):
        back = pyogrio.read_dataframe(tmp_path / f"water_{word}.shp")
        assert (back["kind"].tolist(), back.geom_type.tolist()) == (["spring"], [kind])
    assert not (tmp_path / "water_polygons.shp").exists()


def read_rows(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_long_texts_are_whole_beside_a_shapefile(small_plan, tmp_path):
    text = "=" + "\N{LATIN SMALL LETTER E WITH ACUTE}" * 300
    replace(small_plan, units=small_plan.units.assign(cautions=text)).export(tmp_path, "shapefile")
    rows = read_rows(tmp_path / "long_texts.csv")
    mine = [row["text"] for row in rows if row["full_name"] == "cautions"]
    assert mine == ["'" + text] * len(small_plan.units)  # an apostrophe, so that no spreadsheet takes it for a formula
    short = pyogrio.read_dataframe(tmp_path / "units.shp")["cautions"]
    assert (short.str.encode("utf-8").str.len() <= 254).all()


def test_units_in_kml_have_the_colours_of_the_map(sample_plan, tmp_path):
    sample_plan.export(tmp_path, "kml")
    root = read_xml((tmp_path / "plan.kml").read_text(encoding="utf-8"))
    colours = {
        style.get("id"): style.find("k:PolyStyle/k:color", KML).text for style in root.iterfind(".//k:Style", KML)
    }
    units = sample_plan.units.drop(columns="geometry").astype(object).to_dict("records")
    places = root.findall(".//k:Folder", KML)[1].findall("k:Placemark", KML)
    for unit, place in zip(units, places, strict=True):
        colour = CLASSES[find_class(sample_plan, unit)].colour  # KML 2.2, kml:color: aabbggrr
        expected = (colour[5:7] + colour[3:5] + colour[1:3]).lower()
        assert colours[place.find("k:styleUrl", KML).text[1:]][2:] == expected


# ---- across the antimeridian


def test_outlines_at_the_antimeridian_are_cut(tmp_path):
    # RFC 7946, section 3.1.9: what crosses the antimeridian should be cut in two
    shape = shapely.box(179.999, 51.0, 180.001, 51.001)
    patch = {"patch_id": "X", "species": "reed", "growth_form": "herbaceous", "cover_pct": 50, "geometry": shape}
    plan = Sites(tmp_path).plan([patch], crs="EPSG:4326")
    out = tmp_path / "out"
    plan.export(out, ALL)
    content = json.loads((out / "patches.geojson").read_bytes())
    back = shapely.geometry.shape(content["features"][0]["geometry"])
    assert back.geom_type == "MultiPolygon"
    assert sorted(part.bounds for part in back.geoms) == [
        pytest.approx((-180, 51.0, -179.999, 51.001)),
        pytest.approx((179.999, 51.0, 180, 51.001)),
    ]
    check_areas([back], plan.patches)
    (kml,) = pyogrio.read_dataframe(out / "plan.kml", layer="Patches").geometry
    assert np.abs(shapely.get_coordinates(kml)[:, 0]).max() <= 180
    assert len(shapely.get_parts(kml)) == 2


# ---- names, bytes, errors


def test_names_of_shapefiles_differ():
    names = shorten_names(
        [f"a_very_long_name_{number}" for number in range(12)] + ["Area", "area", "\N{SNOWFLAKE}", "7"]
    )
    assert len({name.casefold() for name in names.values()}) == len(names)
    assert all(len(name) <= 10 and name.isascii() for name in names.values())


def test_the_same_plan_gives_the_same_bytes(small_plan, tmp_path):
    first, second = (small_plan.export(tmp_path / name, ALL) for name in "ab")
    assert [path.name for path in first] == [path.name for path in second]
    assert [
        path.name for path, again in zip(first, second, strict=True) if path.read_bytes() != again.read_bytes()
    ] == []


def test_every_export_carries_the_cautions(small_plan, tmp_path):
    small_plan.export(tmp_path, ALL)
    law = "The label on the container is the law"
    for name in ("read_first.txt", "patches.geojson", "units.geojson", "plan.kml", "patches.gpx", "units.gpx"):
        assert law in (tmp_path / name).read_text(encoding="utf-8"), name
    assert "Not ready for field use" in (tmp_path / "read_first.txt").read_text(encoding="utf-8")


def test_command(sample_folder, sample_plan, tmp_path):
    out = tmp_path / "out"
    done = CliRunner().invoke(
        command, ["export", str(sample_folder), "--format", "gpx", "--format", "kml", "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == {"patches.gpx", "units.gpx", "plan.kml", "read_first.txt"}
    assert len(pyogrio.read_dataframe(out / "units.gpx", layer="tracks")) == len(sample_plan.units)


def test_a_format_that_is_not_known(small_plan, tmp_path):
    with pytest.raises(InputError, match='"geojsn"; did you mean "geojson"'):
        small_plan.export(tmp_path / "out", ["kml", "geojsn"])
    assert not (tmp_path / "out").exists()


def test_a_folder_without_a_plan(tmp_path):
    with pytest.raises(MissingInputError, match=r"plan.gpkg: found no such file; name a folder that `tussock plan`"):
        exports.export_folder(tmp_path, ["kml"], tmp_path / "out")
    (tmp_path / "plan.gpkg").write_text("no database")
    with pytest.raises(InputError, match="not a plan"):
        exports.export_folder(tmp_path, ["kml"], tmp_path / "out")


def test_files_that_are_there_stay(small_plan, tmp_path):
    (tmp_path / "plan.kml").write_text("mine")
    with pytest.raises(OutputError, match=r"plan.kml there already"):
        small_plan.export(tmp_path, ["gpx", "kml"])
    assert [path.name for path in tmp_path.iterdir()] == ["plan.kml"]
    small_plan.export(tmp_path, "kml", replace=True)
    assert (tmp_path / "plan.kml").read_text(encoding="utf-8").startswith("<?xml")


def test_geoparquet_without_its_package(small_plan, tmp_path, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(MissingExtraError, match=r"pip install \"tussock\[geoparquet\]\""):
        small_plan.export(tmp_path, "geoparquet")
    assert list(tmp_path.iterdir()) == []
