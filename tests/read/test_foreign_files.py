"""Layers of others: what their files hold decides, nothing is fetched, nothing outside the folder is read.

What GDAL does with such a file by itself was tried first; `test_gdal_alone_would_fetch` holds that the server of these
tests sees it, so that its silence elsewhere means something.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import threading
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest

import tussock
from site_factory import Sites, feet_box
from tussock.base.terrain import find_heights_m
from tussock.deliver import export_folder

PATCH = {"patch_id": "A", "species": "reed", "growth_form": "herbaceous", "cover_pct": 40.0}
ROWS = [PATCH | {"geometry": feet_box(0, 0, 90, 90)}]
OTHERS_ROWS = "patch_id\nroot:x:0:0\n"


class Server:
    """A server on the loopback that keeps what is asked of it and has nothing."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        seen = self.seen

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                seen.append(f"{self.command} {self.path}")
                self.send_response(404)
                self.end_headers()

            do_HEAD = do_POST = do_GET  # noqa: N815  (the names are http.server's)

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()


@pytest.fixture
def server():
    own = Server()
    yield own
    own.server.shutdown()
    own.server.server_close()


def geojson(**more):
    feature = {"type": "Feature", "properties": PATCH, "geometry": {"type": "Point", "coordinates": [0, 0]}}
    return {"type": "FeatureCollection", "features": [feature], **more}


def vrt(source: str) -> str:
    layer = f'<OGRVRTLayer name="a"><SrcDataSource>{source}</SrcDataSource><SrcLayer>secret</SrcLayer></OGRVRTLayer>'
    return f"<OGRVRTDataSource>{layer}</OGRVRTDataSource>"


def gml(url: str, more: str = "") -> str:
    point = f'<gml:Point srsName="{url}/crs"><gml:coordinates>0,0</gml:coordinates></gml:Point>'
    return (
        '<?xml version="1.0"?>' + more + '<ogr:FeatureCollection xmlns:ogr="http://ogr.maptools.org/"'
        ' xmlns:gml="http://www.opengis.net/gml" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
        f' xsi:schemaLocation="http://ogr.maptools.org/ {url}/schema.xsd"><gml:featureMember><ogr:a>'
        f"<ogr:geometryProperty>{point}</ogr:geometryProperty><ogr:patch_id>A</ogr:patch_id>"
        "</ogr:a></gml:featureMember></ogr:FeatureCollection>"
    )


def write_pointer(kind: str, folder: Path, url: str) -> str:
    """Write a file that points elsewhere under a harmless name; return the name."""
    remote = f"/vsicurl/{url}/{kind}.csv"
    crs = {"type": "link", "properties": {"href": f"{url}/crs", "type": "proj4"}}
    pipeline = f"gdal vector pipeline ! read /vsicurl/{url}/x.geojson ! write --of stream streamed_dataset"
    schema = 'xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="http://ogr.maptools.org/"'
    (folder / "secret.csv").write_text(OTHERS_ROWS)
    texts = {
        "virtual layer of a file, as GeoJSON": ("a.geojson", vrt(str(folder / "secret.csv"))),
        "virtual layer of an address, as GeoJSON": ("a.geojson", vrt(remote)),
        "virtual layer, as GeoPackage": ("a.gpkg", vrt(remote)),
        "virtual layer, as Shapefile": ("a.shp", vrt(remote)),
        "virtual layer, as FlatGeobuf": ("a.fgb", vrt(remote)),
        "virtual layer, as KML": ("a.kml", vrt(remote)),
        "virtual layer, as GPX": ("a.gpx", vrt(remote)),
        "virtual layer, by its own name": ("a.vrt", vrt(remote)),
        "virtual layer behind a first element": ("a.gml", gml(url) + vrt(remote)),
        "virtual layer in a Latin text": ("a.gml", '<?xml version="1.0" encoding="cp037"?>' + vrt(remote)),
        "feature service, as GML": ("a.gml", f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>"),
        "map service, as GML": ("a.gml", f"<GDAL_WMS><ServerUrl>{url}/wms</ServerUrl></GDAL_WMS>"),
        "linked CRS": ("a.geojson", json.dumps(geojson(crs=crs))),
        "linked CRS, key in escapes": ("a.json", json.dumps(geojson(crs=crs)).replace('"crs"', '"\\u0063rs"')),
        "linked CRS, type in capitals": ("a.geojson", json.dumps(geojson(crs=crs | {"type": "URL"}))),
        "linked CRS before a plain one": (
            "a.geojson",
            json.dumps(geojson(crs=crs))[:-1] + ', "crs": {"type": "name", "properties": {"name": "EPSG:4326"}}}',
        ),
        "linked CRS of one feature": ("a.geojson", json.dumps(geojson()["features"][0] | {"crs": crs})),
        "pipeline, as GeoJSON": (
            "a.geojson",
            json.dumps({"type": "gdal_streamed_alg", "command_line": pipeline}),
        ),
        "document type": ("a.gml", gml(url, f'<!DOCTYPE x SYSTEM "{url}/x.dtd">')),
        "schema that includes another": ("a.gml", gml(url)),
    }
    if kind == "schema that includes another":
        (folder / "a.xsd").write_text(f'<xs:schema {schema}><xs:include schemaLocation="{url}/b.xsd"/></xs:schema>')
    name, text = texts[kind]
    (folder / name).write_text(text)
    return name


KINDS = [
    "virtual layer of a file, as GeoJSON",
    "virtual layer of an address, as GeoJSON",
    "virtual layer, as GeoPackage",
    "virtual layer, as Shapefile",
    "virtual layer, as FlatGeobuf",
    "virtual layer, as KML",
    "virtual layer, as GPX",
    "virtual layer, by its own name",
    "virtual layer behind a first element",
    "virtual layer in a Latin text",
    "feature service, as GML",
    "map service, as GML",
    "linked CRS",
    "linked CRS, key in escapes",
    "linked CRS, type in capitals",
    "linked CRS before a plain one",
    "linked CRS of one feature",
    "pipeline, as GeoJSON",
    "document type",
    "schema that includes another",
]


def name_layer(site: Path, name: str, layer: str = "infestations") -> Path:
    """Let the site file name another file for a layer."""
    site.write_text(site.read_text().replace(f'path = "{layer}.gpkg"', f'path = "{name}"'))
    return site


@pytest.mark.filterwarnings("ignore")
def test_gdal_alone_would_fetch(tmp_path, server):
    for kind in ("virtual layer of an address, as GeoJSON", "linked CRS", "feature service, as GML"):
        folder = tmp_path / kind
        folder.mkdir()
        server.seen.clear()
        with suppress(pyogrio.errors.DataSourceError, pyogrio.errors.CRSError):
            pyogrio.read_dataframe(folder / write_pointer(kind, folder, server.url))
        assert server.seen, kind


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_that_points_elsewhere_is_refused_and_nothing_is_fetched(tmp_path, server, kind):
    site = Sites(tmp_path).write(ROWS)
    name = write_pointer(kind, tmp_path, server.url)
    with pytest.raises(tussock.InputError, match=rf"{name}: layers\.infestations\.path: found a file") as caught:
        tussock.read_site(name_layer(site, name))
    assert "GeoPackage (.gpkg), Shapefile (.shp)" in str(caught.value)  # what can be read is said
    assert "root:x" not in str(caught.value)
    assert server.seen == []


def test_gml_with_a_remote_schema_is_read_without_it(tmp_path, server):
    # its CRS is an address too: it is not fetched either, and a layer without a CRS is refused
    site = Sites(tmp_path).write(ROWS)
    (tmp_path / "a.gml").write_text(gml(server.url))
    with pytest.raises(tussock.InputError):
        tussock.read_site(name_layer(site, "a.gml"))
    assert server.seen == []


@pytest.mark.parametrize("name", ["http://127.0.0.1:9/a.gpkg", "/vsicurl/http://127.0.0.1:9/a.gpkg", "/vsizip/a.zip"])
def test_an_address_is_no_file(tmp_path, name):
    with pytest.raises(tussock.InputError, match=r"no such file: an address.*download the file"):
        tussock.read_site(name_layer(Sites(tmp_path).write(ROWS), name))


def test_an_archive_is_not_looked_into(tmp_path):
    site = Sites(tmp_path).write(ROWS)
    shutil.make_archive(str(tmp_path / "a"), "zip", tmp_path, "infestations.gpkg")
    with pytest.raises(tussock.InputError, match=r'found a file "\.zip"; save it as one of GeoPackage'):
        tussock.read_site(name_layer(site, "a.zip"))


# ---- where files may lie


def put_outside(folder: Path) -> tuple[Path, Path]:
    """Return a site file in a folder of its own, and the folder beside it that holds its patches."""
    inner, outer = folder / "site", folder / "shared"
    inner.mkdir()
    outer.mkdir()
    site = Sites(inner).write(ROWS)
    (inner / "infestations.gpkg").rename(outer / "p.gpkg")
    return site, outer


@pytest.mark.parametrize("way", ["dots", "root", "link", "link to a folder"])
def test_a_file_outside_the_folder_needs_the_option(tmp_path, way):
    site, outer = put_outside(tmp_path)
    (site.parent / "link.gpkg").symlink_to(outer / "p.gpkg")
    (site.parent / "other").symlink_to(outer)
    names = {
        "dots": "../shared/p.gpkg",
        "root": (outer / "p.gpkg").as_posix(),
        "link": "link.gpkg",
        "link to a folder": "other/p.gpkg",
    }
    name_layer(site, names[way])
    with pytest.raises(tussock.InputError, match=r"outside the folder of the site file.*--allow-outside"):
        tussock.read_site(site)
    read = tussock.read_site(site, allow_outside=True)
    (row,) = read.findings.query("what == 'a file outside the folder of the site file'").to_dict("records")
    assert (row["layer"], row["row"], row["level"]) == ("infestations", "p.gpkg", "info")


def test_a_site_folder_that_is_itself_a_link_is_the_folder(tmp_path):
    inner = tmp_path / "real"
    inner.mkdir()
    Sites(inner).write(ROWS)
    (tmp_path / "alias").symlink_to(inner)
    assert len(tussock.read_site(tmp_path / "alias" / "site.toml").layers["infestations"].frame) == 1


def test_a_part_of_a_shapefile_outside_the_folder(tmp_path):
    site, outer = put_outside(tmp_path)
    frame = gpd.GeoDataFrame(ROWS, geometry="geometry", crs=26915).rename(columns={"growth_form": "form"})
    frame.to_file(site.parent / "p.shp")
    (site.parent / "p.dbf").rename(outer / "p.dbf")
    (site.parent / "p.dbf").symlink_to(outer / "p.dbf")
    with pytest.raises(tussock.InputError, match=r"p\.dbf: layers\.infestations\.path: found a file outside"):
        tussock.read_site(name_layer(site, "p.shp"))


def test_terrain_and_background_outside_the_folder(tmp_path):
    (tmp_path / "site").mkdir()
    (tmp_path / "g.tif").write_bytes(b"raster")
    background = Sites(tmp_path / "site").write(ROWS, site='map_background = "../g.tif"')
    with pytest.raises(tussock.InputError, match=r"\.\./g\.tif: site\.map_background: found a file outside"):
        tussock.read_site(background)
    terrain = Sites(tmp_path / "site").write(ROWS, layer_lines={"water": '[layers.terrain]\npath = "../g.tif"'})
    with pytest.raises(tussock.InputError, match=r"\.\./g\.tif: layers\.terrain\.path: found a file outside"):
        tussock.read_site(terrain)


# ---- rasters


def write_raster(path: Path, **tags: str) -> None:
    rasterio = pytest.importorskip("rasterio")
    place = rasterio.Affine(0.0005, 0.0, -89.07, 0.0, -0.0005, 44.96)  # the patch stands at 44.955 -89.063
    options = {"driver": "GTiff", "height": 40, "width": 40, "count": 1, "dtype": "float32", "crs": "EPSG:4326"}
    with rasterio.open(path, "w", transform=place, **options) as raster:
        raster.write(np.full((1, 40, 40), 200, dtype="float32"))
        raster.units = ("m",)
        raster.update_tags(ns="OVERVIEWS", **tags)


@pytest.mark.filterwarnings("ignore")
def test_a_raster_that_points_elsewhere_is_refused_and_nothing_is_fetched(tmp_path, server):
    rasterio = pytest.importorskip("rasterio")
    lines = {"water": '[layers.terrain]\npath = "dem.tif"'}
    site = Sites(tmp_path).write(ROWS, layer_lines=lines)
    dem = tmp_path / "dem.tif"
    band = f"<SimpleSource><SourceFilename>/vsicurl/{server.url}/dem.tif</SourceFilename></SimpleSource>"
    virtual = (
        '<VRTDataset rasterXSize="40" rasterYSize="40"><SRS>EPSG:4326</SRS>'
        "<GeoTransform>-89.07,0.0005,0,44.96,0,-0.0005</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{band}</VRTRasterBand></VRTDataset>'
    )
    dem.write_text(virtual)
    with pytest.raises(tussock.InputError, match=r"dem\.tif: layers\.terrain\.path: found a file that cannot be op"):
        tussock.read_site(site)
    write_raster(dem, OVERVIEW_FILE=f"/vsicurl/{server.url}/overview.tif")
    with pytest.raises(tussock.InputError, match=r'overviews: found another file, "/vsicurl/'):
        tussock.read_site(site)
    assert server.seen == []
    with rasterio.open(dem) as raster:  # what the file would do by itself
        raster.read(1, out_shape=(4, 4))
    assert server.seen
    server.seen.clear()
    write_raster(dem)
    for ending in (".ovr", ".msk"):
        (tmp_path / f"dem.tif{ending}").write_text(virtual)
    item = f'<MDI key="OVERVIEW_FILE">/vsicurl/{server.url}/side.tif</MDI>'
    side = f'<PAMDataset><Metadata domain="OVERVIEWS">{item}</Metadata></PAMDataset>'
    (tmp_path / "dem.tif.aux.xml").write_text(side)
    assert tussock.read_site(site).terrain is not None  # files beside it are not looked at
    assert server.seen == []


@pytest.mark.filterwarnings("ignore")
def test_a_raster_that_changes_after_it_was_hashed(tmp_path):
    pytest.importorskip("rasterio")
    site = Sites(tmp_path).write(ROWS, layer_lines={"water": '[layers.terrain]\npath = "dem.tif"'})
    write_raster(tmp_path / "dem.tif")
    read = tussock.read_site(site)
    write_raster(tmp_path / "dem.tif")
    with pytest.raises(tussock.InputError, match=r"dem\.tif: layers\.terrain: found a file that changed"):
        find_heights_m(read.terrain, np.array([-89.063]), np.array([44.955]))


# ---- what is hashed is what was read


def find_document(site: tussock.Site, role: str):
    return next(item for item in site.documents if item.role == role)


def test_every_part_of_a_shapefile_is_hashed(tmp_path):
    site = Sites(tmp_path).write(ROWS)
    frame = gpd.GeoDataFrame(ROWS, geometry="geometry", crs=26915).rename(columns={"growth_form": "form"})
    frame.to_file(tmp_path / "p.shp")
    first = find_document(tussock.read_site(name_layer(site, "p.shp")), "layer infestations")
    hashes = {name: hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() for name in first.parts}
    assert set(hashes) == {"p.shp", "p.shx", "p.dbf", "p.prj", "p.cpg"}
    assert dict(first.parts) == hashes
    # as `sha256sum p.* | sha256sum` has it, names in order
    lines = "".join(f"{hashes[name]}  {name}\n" for name in sorted(hashes))
    assert first.sha256 == hashlib.sha256(lines.encode()).hexdigest()
    # the words of a patch stand in the .dbf alone: a change there shows
    table = (tmp_path / "p.dbf").read_bytes().replace(b"reed", b"rush")
    (tmp_path / "p.dbf").write_bytes(table)
    second = find_document(tussock.read_site(site), "layer infestations")
    assert second.sha256 != first.sha256
    assert {name for name in hashes if second.parts[name] != first.parts[name]} == {"p.dbf"}


def test_rows_that_another_program_has_not_merged_yet_are_read_and_hashed(tmp_path):
    # an open GeoPackage keeps its newest rows in a file beside it
    site = Sites(tmp_path).write(ROWS)
    path = tmp_path / "infestations.gpkg"
    other = sqlite3.connect(path)
    other.execute("PRAGMA journal_mode = WAL")
    other.execute("PRAGMA wal_autocheckpoint = 0")
    for (name,) in other.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        other.execute(f'DROP TRIGGER "{name}"')
    other.execute("INSERT INTO infestations (patch_id, species, geom) SELECT 'B', 'rush', geom FROM infestations")
    other.execute("UPDATE gpkg_ogr_contents SET feature_count = 2")  # the triggers that count need functions of GDAL
    other.commit()
    before = {item.name: item.read_bytes() for item in tmp_path.iterdir()}
    assert before["infestations.gpkg-wal"]
    read = tussock.read_site(site)
    assert sorted(read.layers["infestations"].frame["patch_id"]) == ["A", "B"]
    parts = find_document(read, "layer infestations").parts
    assert dict(parts) == {
        name: hashlib.sha256(before[name]).hexdigest() for name in ("infestations.gpkg", "infestations.gpkg-wal")
    }
    assert {item.name: item.read_bytes() for item in tmp_path.iterdir()} == before  # and no input is touched
    other.close()


def test_reading_leaves_nothing_beside_the_inputs(tmp_path):
    # GDAL alone writes what it found in a GML beside it
    site = Sites(tmp_path).write(ROWS)
    frame = gpd.GeoDataFrame(ROWS, geometry="geometry", crs=26915)
    frame.to_file(tmp_path / "a.gml")
    (tmp_path / "a.xsd").unlink()
    before = sorted(item.name for item in tmp_path.iterdir())
    tussock.read_site(name_layer(site, "a.gml"))
    assert sorted(item.name for item in tmp_path.iterdir()) == before


# ---- files that a reviewer or a reader gets


def test_a_plan_of_others_that_is_a_virtual_layer(tmp_path, server):
    # review, compare and export open plan.gpkg of a folder that someone sent
    (tmp_path / "plan.gpkg").write_text(vrt(f"/vsicurl/{server.url}/plan.csv"))
    (tmp_path / "run.json").write_text('{"tussock": "0", "units": "us"}')
    (tmp_path / "product_budget.csv").write_text("product_id\n")
    with pytest.raises(tussock.InputError, match="no GeoPackage"):
        tussock.compare_plans(tmp_path, tmp_path)
    with pytest.raises(tussock.InputError, match="no GeoPackage"):
        export_folder(tmp_path, ["geojson"], tmp_path / "out")
    assert (tussock.review_plan(tmp_path)["level"] == "violation").any()
    assert server.seen == []
