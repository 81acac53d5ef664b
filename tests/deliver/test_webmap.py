"""The map page: opened in a real browser, against the plan's tables, a geodesic library and a projection library."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from tussock.base.errors import InputError, MissingExtraError, MissingInputError
from tussock.deliver.webmap import draw_map, write_map
from tussock.deliver.webmap_assets import embed_json
from tussock.deliver.webmap_base import LIMIT_BYTES, read_base
from tussock.deliver.webmap_crs import TOLERANCE_M, fit_crs, terms
from tussock.deliver.webmap_figures import show_figure
from tussock.deliver.webmap_geometry import STEPS, Frame, find_frame, pack_shapes, place_in
from tussock.deliver.webmap_public import is_protected
from tussock.deliver.webmap_style import CLASSES
from tussock.trade.methods import METHODS

PAYLOADS = (
    "{{7*7}}",
    "{% raw %}{# #}",
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(2)>",
    "${1+1}",
    "`tick`",
    "=cmd|' /C calc'!A1",
    "\\u003cb\\u003e & \"quoted\" 'too'",
)
LONG = "Véronique d'Été " * 13
RIGHT_TO_LEFT = "מבוע הצפוני"
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium or chrome on this machine")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def read_data(html):
    """Return the data block of a page, as the page's own script reads it."""
    return json.loads(re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', html, re.S).group(1))


def render(plan, **options):
    return draw_map(plan, **options).get_root().render()


def unpack(shape):
    """Return the polygons of a packed shape [degrees]: the steps added up again."""
    parts = []
    for rings in shape.get("a", []):
        outlines = [np.cumsum(np.reshape(ring, (-1, 2)), axis=0) / STEPS for ring in rings]
        parts.append(shapely.Polygon(outlines[0], outlines[1:]))
    return shapely.MultiPolygon(parts)


def with_payloads(plan):
    """Return a plan with hostile text wherever a file of the user's can bring text."""
    bad = " ".join(PAYLOADS)
    first = plan.patches["patch_id"].iloc[0]
    patches = plan.patches.copy()
    patches["species"] = bad
    patches["notes"] = bad
    units = plan.units.copy()
    for column in ("reason", "cautions", "non_chemical", "check_in_field"):
        units[column] = bad
    features = {
        name: table.assign(kind=bad, name=bad, label=bad) if name in ("water", "receptors") else table
        for name, table in plan.features.items()
    }
    site = replace(plan.site, name=f"{bad} site")
    assert first in units["patch_id"].tolist()
    options = plan.options.assign(reason=bad, treatment_id=bad)
    season = plan.season.assign(item=bad, unit=bad)
    return replace(plan, patches=patches, units=units, features=features, site=site, options=options, season=season)


def move(plan, degrees):
    """Return a plan in WGS 84 turned around the Earth's axis, longitudes kept within -180 to 180."""

    def turn(table):
        moved = shapely.transform(
            table.geometry.to_numpy(), lambda xy: np.column_stack([(xy[:, 0] + degrees + 180) % 360 - 180, xy[:, 1]])
        )
        return table.set_geometry(moved, crs=table.crs)

    return replace(
        plan,
        patches=turn(plan.patches),
        units=turn(plan.units),
        setback_zones=turn(plan.setback_zones),
        features={name: turn(table) for name, table in plan.features.items()},
    )


def keep(plan, count):
    """Return a plan with its first units only, and the patches that they are pieces of."""
    units = plan.units.iloc[:count]
    patches = plan.patches[plan.patches["patch_id"].isin(units["patch_id"])]
    compliance = plan.compliance[plan.compliance["unit_id"].isin(units["unit_id"])]
    return replace(plan, units=units, patches=patches, compliance=compliance)


def multiply(plan, copies):
    """Return a plan with its ground laid out several times, side by side."""
    west, south, east, north = plan.patches.total_bounds
    side = int(np.ceil(copies**0.5))

    def lay(table, columns):
        parts = []
        for number in range(copies):
            part = table.copy()
            for column in columns:
                part[column] = part[column] + f"-{number}"
            if isinstance(table, gpd.GeoDataFrame):
                shift = (number % side * (east - west) * 1.05, number // side * (north - south) * 1.05)
                part = part.set_geometry(table.geometry.translate(*shift))
            parts.append(part)
        return pd.concat(parts, ignore_index=True)

    return replace(
        plan,
        units=lay(plan.units, ["unit_id", "patch_id"]),
        patches=lay(plan.patches, ["patch_id"]),
        compliance=lay(plan.compliance, ["unit_id", "patch_id"]),
    )


# ---- the page as text


class Tags(HTMLParser):
    """Every tag of a page with its attributes."""

    def __init__(self, html):
        super().__init__()
        self.tags = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_page_names_nothing_to_fetch(sample_plan, tmp_path):
    write_map(sample_plan, tmp_path / "map.html")
    html = (tmp_path / "map.html").read_text("utf-8")
    tags = Tags(html).tags
    fetching = ("src", "srcset", "href", "data", "action", "poster")
    addresses = [value for _, attrs in tags for name, value in attrs.items() if name in fetching]
    assert all(address.startswith(("data:", "#")) for address in addresses), addresses
    style = "".join(re.findall(r"<style>(.*?)</style>", html, re.S))
    assert "@import" not in style
    assert [url for url in re.findall(r"url\(([^)]*)\)", style) if not url.startswith(("data:", "#default"))] == []
    assert any("default-src 'none'" in attrs.get("content", "") for tag, attrs in tags if tag == "meta")


def test_page_is_open_to_all(sample_plan):
    tags = Tags(render(sample_plan)).tags
    names = [tag for tag, _ in tags]
    assert dict(tags)["html"]["lang"] == "en"
    assert {"header", "main", "aside", "h1"} <= set(names)
    assert [attrs["tabindex"] for _, attrs in tags if attrs.get("tabindex", "0") not in ("0", "-1")] == []
    labelled = {attrs.get("for") for tag, attrs in tags if tag == "label"}
    fields = [attrs["id"] for tag, attrs in tags if tag in ("input", "select")]
    assert set(fields) <= labelled
    assert "user-scalable" not in " ".join(attrs.get("content") or "" for tag, attrs in tags if tag == "meta")


def test_two_processes_write_the_same_bytes(tmp_path):
    code = (
        "import sys, pathlib, tussock; from tussock.deliver.webmap import write_map; "
        "write_map(tussock.make_plan(tussock.read_site(tussock.sample_path('small'))), pathlib.Path(sys.argv[1]))"
    )
    sums = []
    for seed in ("1", "2"):
        path = tmp_path / f"{seed}.html"
        subprocess.run(
            [sys.executable, "-c", code, str(path)],
            check=True,
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(filter(None, sys.path))},
        )
        sums.append(hashlib.sha256(path.read_bytes()).hexdigest())
    assert sums[0] == sums[1]


def test_notebook_shows_it_and_further_layers_can_be_added(small_plan, tmp_path):
    drawn = draw_map(small_plan)
    assert isinstance(drawn, folium.Map)
    folium.CircleMarker([45.0, -94.0], tooltip="added later").add_to(drawn)
    html = drawn._repr_html_()
    assert html.startswith("<iframe srcdoc=")
    assert "added later" in html
    assert "Content-Security-Policy" not in html  # a notebook's own layers may be fetched
    drawn.save(tmp_path / "saved.html")
    assert (tmp_path / "saved.html").read_text("utf-8") == drawn.get_root().render()


def test_hostile_text_is_not_run_where_the_page_is_made(small_plan):
    html = render(with_payloads(small_plan))
    assert "{{7*7}}" not in html
    assert ">49" not in html
    scripts = [attrs for tag, attrs in Tags(html).tags if tag == "script"]
    assert len(scripts) == len([attrs for tag, attrs in Tags(render(small_plan)).tags if tag == "script"])
    assert "onerror" not in {name for _, attrs in Tags(html).tags for name in attrs}
    assert read_data(html)["site"]["name"] == f"{' '.join(PAYLOADS)} site"


@pytest.mark.parametrize("text", [*PAYLOADS, LONG, RIGHT_TO_LEFT, "\u2028\u2029\x7f\ud800"])
def test_embedded_json_is_the_same_data_in_harmless_signs(text):
    embedded = embed_json({text: [text, {"deep": text}]})
    assert json.loads(embedded) == {text: [text, {"deep": text}]}
    assert embedded.isascii()
    assert not re.search(r"[<>&'`$]|\{\{|\{%|\{#", embedded)


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (0.0045678, "area", "0.0046"),  # by hand: under 0.01 two digits that count
        (0.04567, "area", "0.046"),
        (12.34567, "area", "12.346"),
        (1234.5, "money", "1,234.50"),
        (0.0, "liquid", "0.00"),
        (3, "count", "3"),
        (pd.NA, "count", ""),
        (None, "area", ""),
    ],
)
def test_figures_are_rounded_once(value, quantity, text):
    assert show_figure(value, quantity) == text


def test_every_figure_is_the_one_of_the_table(sample_plan):
    """All units and lines: the figure shown is the table's, to half a unit in its last place."""
    data = read_data(render(sample_plan))
    columns = {
        "Area": "area_acre",
        "Infested area": "infested_acre",
        "Spray volume": "spray_gal",
        "Spray rate": "spray_gal_per_acre",
        "Product volume": "product_fl_oz",
        "Dye": "dye_fl_oz",
        "Adjuvant": "adjuvant_fl_oz",
        "Acid equivalent (ae)": "ae_lb",
        "Dose on treated ground": "ae_lb_per_acre",
        "Annual limit used": "annual_limit_used_pct",
        "Spray time": "spray_seconds",
        "Stems": "stems",
        "Injection cuts": "cuts",
        "Loads": "loads",
        "Crew time": "crew_hours",
        "Cost": "cost",
    }
    assert data["lines"] == list(columns)
    units = sample_plan.units.set_index("unit_id")
    shown = 0
    for unit_id, numbers in zip(data["units"]["id"], data["units"]["amounts"], strict=True):
        for column, number in zip(columns.values(), numbers, strict=True):
            text = data["texts"][number]
            value = units.loc[unit_id, column]
            if text == "not known":
                assert pd.isna(value)
            elif text:
                check_figure(text, value)
                shown += 1
            else:
                nothing = pd.isna(value) or value == 0
                assert nothing or units.loc[unit_id, "status"] != "planned", (unit_id, column, value)
    assert shown > 8 * len(units)


def check_figure(text, value):
    figure = text.split(" ")[0].replace(",", "")
    places = len(figure.partition(".")[2])
    assert abs(float(figure) - float(value)) <= 0.5000001 * 10.0**-places, (text, value)


def test_legend_counts_every_unit_once(sample_plan):
    html = render(sample_plan)
    rows = re.findall(r'data-swatch="unit:\d".*?class="sum">([\d,]+)(?:<br>([\d.,]+) acre)?<', html)
    assert sum(int(count) for count, _ in rows) == len(sample_plan.units)
    areas = sum(float(area) for _, area in rows if area)
    assert areas == pytest.approx(sample_plan.units["area_acre"].sum(), abs=0.0005 * len(rows))


def test_ground_without_a_treatment_is_never_drawn_as_treated(sample_plan):
    data = read_data(render(sample_plan))
    planned = dict(zip(sample_plan.units["unit_id"], sample_plan.units["status"] == "planned", strict=True))
    uses = {"open", "aquatic-labelled only", "hand methods only"}
    for unit_id, place in zip(data["units"]["id"], data["units"]["class"], strict=True):
        if not planned[unit_id]:
            assert CLASSES[place].key not in uses
    reached = sample_plan.units["reason"].str.contains("out of reach") & (sample_plan.units["status"] == "no_option")
    drawn = [CLASSES[place].key == "out of reach" for place in data["units"]["class"]]
    assert drawn == reached.tolist()
    assert any(drawn)


def test_verdict_counts_units_by_their_worst_row(sample_plan):
    html = render(sample_plan)
    assert "compliant" not in html.casefold()
    found = re.search(r"Meets the loaded rules as mapped: (\d+) of (\d+) units with herbicide", html)
    treated = sample_plan.units[sample_plan.units["product_id"] != ""]["unit_id"]
    rows = sample_plan.compliance[sample_plan.compliance["unit_id"].isin(treated)]
    doubtful = rows[rows["verdict"].isin(["within error: field check", "does not meet"])]["unit_id"].nunique()
    assert (int(found[1]), int(found[2])) == (len(treated) - doubtful, len(treated))
    assert f"check in the field: {doubtful}" in html


# ---- shapes and coordinates


def test_shapes_come_back_to_a_centimetre(sample_plan):
    data = read_data(render(sample_plan))
    there = sample_plan.units.to_crs(4326).geometry.to_numpy()
    back = np.array([unpack(shape) for shape in data["units"]["shape"]], dtype=object)
    assert len(back) == len(there)
    half_step = 0.5 / STEPS * np.sqrt(2)
    assert shapely.hausdorff_distance(back, there).max() <= half_step * 1.01


def test_neighbours_still_share_their_vertices():
    one, two = shapely.box(10, 50, 10.0010000049, 50.001), shapely.box(10.0010000049, 50, 10.002, 50.001)
    packed = [unpack(shape) for shape in pack_shapes(np.array([one, two]))]
    assert shapely.intersection(*packed).area == 0
    assert shapely.intersection(*packed).length == pytest.approx(0.001)


def test_site_across_the_antimeridian_stays_in_one_place():
    lonlat = np.array([shapely.box(179.9, -17, 179.99, -16.9), shapely.box(-179.99, -17, -179.9, -16.9)])
    frame = find_frame(lonlat)
    assert (frame.west, frame.east) == pytest.approx((179.9, 180.1))
    assert shapely.bounds(place_in(frame, lonlat))[:, 0].tolist() == pytest.approx([179.9, 180.01])


@pytest.mark.parametrize(
    ("code", "frame", "name"),
    [
        (26915, Frame(-94.3, 45.2, -93.9, 45.5, wraps=False), "NAD83 / UTM zone 15N"),
        (2264, Frame(-80.1, 35.0, -79.8, 35.2, wraps=False), "NAD83 / North Carolina (ftUS)"),  # conic, survey feet
        (27700, Frame(-3.2, 54.2, -3.0, 54.4, wraps=False), "OSGB36 / British National Grid"),  # another datum
        (4326, Frame(-94.3, 45.2, -93.9, 45.5, wraps=False), "WGS 84 / UTM zone 15N"),
        (3857, Frame(10.0, 60.0, 10.2, 60.1, wraps=False), "WGS 84 / UTM zone 32N"),
        (2193, Frame(179.8, -38.0, 180.2, -37.8, wraps=True), "NZGD2000 / New Zealand Transverse Mercator 2000"),
    ],
)
def test_coordinates_agree_with_the_projection_library(code, frame, name):
    fit = fit_crs(CRS.from_epsg(code), frame)
    assert fit["name"] == name
    rng = np.random.default_rng(5)
    lon, lat = rng.uniform(frame.west, frame.east, 400), rng.uniform(frame.south, frame.north, 400)
    target = next(crs for crs in map(CRS.from_epsg, (code, 32615, 32632)) if crs.name == name)
    x, y = Transformer.from_crs(4326, target, always_xy=True).transform((lon + 180) % 360 - 180, lat)
    west, south, east, north = fit["box"]
    basis = terms((lon - (west + east) / 2) / ((east - west) / 2), (lat - (south + north) / 2) / ((north - south) / 2))
    size = target.axis_info[0].unit_conversion_factor
    assert np.hypot(basis @ fit["forward"][0] - x, basis @ fit["forward"][1] - y).max() * size < TOLERANCE_M


def test_a_site_too_wide_for_the_fit_shows_longitude_and_latitude_only():
    assert fit_crs(CRS.from_epsg(26915), Frame(-130.0, 10.0, -60.0, 70.0, wraps=False)) is None


# ---- public version


@pytest.mark.parametrize(
    ("kind", "hidden"),
    [("rare plant", True), ("Nesting site", True), (None, True), ("", True), ("tree", False), ("garden", False)],
)
def test_kinds_that_stay_out_of_public_maps(kind, hidden):
    assert is_protected(kind) is hidden


def test_public_map_does_not_tell_where_rare_plants_are(sample_plan):
    private, public = render(sample_plan), render(sample_plan, public=True)
    receptors = sample_plan.features["receptors"]
    secret = receptors[receptors["kind"] == "rare plant"]
    assert len(secret)
    for word in [*secret["name"], "rare plant", "rare-plant-50-none", "a botanist flags"]:
        assert word.casefold() in private.casefold()
        assert word.casefold() not in public.casefold()
    assert "Public version" in public


def test_public_units_are_not_cut_along_the_edge_of_a_secret_zone(sample_plan):
    zones = sample_plan.setback_zones.set_index("setback_id")
    edge = shapely.boundary(zones.geometry["rare-plant-50-none"])
    patches = shapely.union_all(shapely.boundary(sample_plan.patches.geometry.to_numpy()))
    crs = sample_plan.patches.crs

    def find_cuts(html):
        shapes = gpd.GeoSeries([unpack(shape) for shape in read_data(html)["units"]["shape"]], crs=4326).to_crs(crs)
        points = shapely.points(shapely.get_coordinates(shapes.to_numpy()))
        inner = points[shapely.distance(points, patches) > 0.05]
        return int((shapely.distance(inner, edge) < 0.05).sum())

    assert find_cuts(render(sample_plan)) > 10
    assert find_cuts(render(sample_plan, public=True)) == 0


def test_public_map_keeps_all_other_ground(sample_plan):
    data = read_data(render(sample_plan, public=True))
    hidden = [i for i, place in enumerate(data["units"]["class"]) if CLASSES[place].key == "withheld"]
    touched = sample_plan.units["setbacks"].str.split(";").map(lambda ids: "rare-plant-50-none" in ids)
    assert {data["units"]["id"][i] for i in hidden} == set(sample_plan.units["patch_id"][touched])
    assert sum(data["units"]["area"]) == pytest.approx(sample_plan.units["area_acre"].sum(), rel=1e-6)


# ---- background


def write_rows(path, rows):
    """Write an MBTiles file; a row is zoom, column, row from the south, picture."""
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE tiles (zoom_level, tile_column, tile_row, tile_data blob)")
        connection.executemany("INSERT INTO tiles VALUES (?, ?, ?, ?)", rows)
    connection.close()


def write_tiles(path, zooms, picture):
    """Write an MBTiles file with the tile around 45.32 N, 94.11 W at each zoom."""
    rows = []
    for zoom in zooms:
        count = 2**zoom
        from_north = int((1 - np.arcsinh(np.tan(np.radians(45.32))) / np.pi) / 2 * count)  # the usual formula
        rows.append((zoom, int((-94.11 + 180) / 360 * count), count - 1 - from_north, picture))
    write_rows(path, rows)


PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c4944415408d763f8cfc0000003010100c9fe92ef"
    "0000000049454e44ae426082"
)
FRAME = Frame(-94.15, 45.30, -94.07, 45.34, wraps=False)


def test_tiles_of_the_site_are_inlined(tmp_path):
    write_tiles(tmp_path / "ground.mbtiles", (3, 12), PIXEL)
    base = read_base(tmp_path / "ground.mbtiles", FRAME)
    # by hand: columns floor(85.89 / 360 x 8) = 1 and floor(85.89 / 360 x 4096) = 977;
    # ln(tan 45.32 + sec 45.32) = 0.8893, (1 - 0.8893 / pi) / 2 = 0.35846, rows floor(x 8) = 2 and floor(x 4096) = 1468
    assert sorted(base["tiles"]) == ["12/977/1468", "3/1/2"]
    assert base["zooms"] == [3, 12]
    assert base["tiles"]["3/1/2"].startswith("data:image/png;base64,iVBOR")


def test_tiles_elsewhere_are_refused(tmp_path):
    write_tiles(tmp_path / "ground.mbtiles", (12,), PIXEL)
    with pytest.raises(InputError, match="no tile of the site"):
        read_base(tmp_path / "ground.mbtiles", Frame(10.0, 50.0, 10.1, 50.1, wraps=False))


def test_too_many_pictures_stop_at_a_coarser_zoom(tmp_path):
    write_rows(tmp_path / "ground.mbtiles", [(3, 1, 5, PIXEL), (4, 3, 10, PIXEL + bytes(LIMIT_BYTES))])
    assert read_base(tmp_path / "ground.mbtiles", FRAME)["zooms"] == [3, 3]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("ground.jpg", b"x", r'a file "\.jpg"'),
        ("ground.mbtiles", b"no database at all" * 100, "no table of tiles"),
    ],
)
def test_other_backgrounds_are_refused(tmp_path, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_base(tmp_path / name, FRAME)


def test_vector_tiles_are_refused(tmp_path):
    write_tiles(tmp_path / "ground.mbtiles", (12,), b"\x1f\x8b\x08\x00 gzip")
    with pytest.raises(InputError, match="vector tiles are not read"):
        read_base(tmp_path / "ground.mbtiles", FRAME)


def test_missing_background_is_named(tmp_path):
    with pytest.raises(MissingInputError, match=r"ground\.tif: background: found no such file"):
        read_base(tmp_path / "ground.tif", FRAME)


def write_geotiff(path, crs, bounds):
    rasterio = pytest.importorskip("rasterio", reason="GeoTIFF backgrounds need the optional package rasterio")
    rows, columns = 40, 50
    west, south, east, north = bounds
    bands = np.zeros((3, rows, columns), dtype=np.uint8)
    bands[0] = np.linspace(0, 255, columns)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=columns,
        height=rows,
        count=3,
        dtype="uint8",
        crs=crs,
        transform=rasterio.Affine((east - west) / columns, 0, west, 0, (south - north) / rows, north),
    ) as target:
        target.write(bands)


def test_geotiff_lies_where_it_says(tmp_path):
    write_geotiff(tmp_path / "ground.tif", "EPSG:4326", (-94.13, 45.31, -94.10, 45.33))
    base = read_base(tmp_path / "ground.tif", FRAME)
    (south, west), (north, east) = base["bounds"]
    pixel = 0.03 / 50
    assert (west, south, east, north) == pytest.approx((-94.13, 45.31, -94.10, 45.33), abs=2 * pixel)
    assert base["image"].startswith("data:image/png;base64,")


def test_geotiff_elsewhere_or_without_crs_is_refused(tmp_path):
    write_geotiff(tmp_path / "far.tif", "EPSG:4326", (10.0, 50.0, 10.1, 50.1))
    with pytest.raises(InputError, match="does not lie on the site"):
        read_base(tmp_path / "far.tif", FRAME)
    write_geotiff(tmp_path / "none.tif", None, (10.0, 50.0, 10.1, 50.1))
    with pytest.raises(InputError, match="no CRS"):
        read_base(tmp_path / "none.tif", FRAME)
    (tmp_path / "text.tif").write_text("no raster at all")
    with pytest.raises(InputError, match="no raster"):
        read_base(tmp_path / "text.tif", FRAME)
    with pytest.raises(InputError, match="across the antimeridian"):
        read_base(tmp_path / "far.tif", Frame(179.9, 50.0, 180.1, 50.1, wraps=True))


def test_geotiff_without_the_raster_package_says_what_is_missing(tmp_path, monkeypatch):
    (tmp_path / "ground.tif").write_bytes(b"II*")
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(MissingExtraError, match="needs the package rasterio"):
        read_base(tmp_path / "ground.tif", FRAME)


# ---- in the browser


@dataclass
class View:
    """An open page, with what it asked for and complained about."""

    page: object
    requests: list = field(default_factory=list)
    complaints: list = field(default_factory=list)

    def find(self, words):
        """Search for something and open the first place found."""
        self.page.fill("#find", words)
        self.page.press("#find", "Enter")
        self.page.wait_for_selector(".card h2")

    def picture(self):
        """Return a sum of what is drawn."""
        address = self.page.evaluate("document.querySelector('canvas.picture').toDataURL()")
        return hashlib.sha256(address.encode()).hexdigest()

    def lines(self):
        """Return the lines of the open card as label to text, without those that are folded away."""
        return self.page.evaluate(
            """() => Object.fromEntries([...document.querySelectorAll('.card > dl.lines dt')]
            .map((dt) => [dt.textContent, dt.nextElementSibling.textContent]))"""
        )


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser, tmp_path):
    contexts = []

    def visit(plan, *, size=(1400, 900), bypass_csp=False, **options):
        path = tmp_path / f"map{len(contexts)}.html"
        write_map(plan, path, **options)
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, bypass_csp=bypass_csp)
        contexts.append(context)
        view = View(context.new_page())
        view.page.on("request", lambda request: view.requests.append(request.url))
        view.page.on("console", lambda message: view.complaints.append(message.text))
        view.page.on("pageerror", lambda error: view.complaints.append(str(error)))
        view.page.on("dialog", lambda dialog: (view.complaints.append(dialog.message), dialog.dismiss()))
        view.page.goto(path.as_uri())
        view.page.wait_for_selector("body[data-ready=yes]")
        return view

    yield visit
    for context in contexts:
        context.close()


@needs_browser
@pytest.mark.parametrize("size", [(1400, 900), (420, 800)])
def test_page_opens_without_a_request_or_a_complaint(open_page, sample_plan, size):
    view = open_page(sample_plan, size=size)
    assert [url.rpartition("/")[2] for url in view.requests] == ["map0.html"]
    assert view.complaints == []
    assert view.page.title() == f"{sample_plan.site.name}: treatment plan {sample_plan.site.season}"
    assert "Not ready for field use" in view.page.text_content("header")


@needs_browser
def test_each_box_of_the_legend_draws_and_hides_its_layer(open_page, sample_plan):
    view = open_page(sample_plan)
    page = view.page
    boxes = page.eval_on_selector_all(".row:not(.none) input[data-layer]", "all => all.map((box) => box.id)")
    assert len(boxes) > 20
    whole = view.picture()
    for box in boxes:
        page.evaluate("id => document.getElementById(id).click()", box)
        assert view.picture() != whole, box
        page.evaluate("id => document.getElementById(id).click()", box)
        assert view.picture() == whole, box
    assert view.complaints == []


@needs_browser
def test_zones_that_forbid_are_shown_from_the_start(open_page, sample_plan):
    page = open_page(sample_plan).page
    shown = page.eval_on_selector_all(
        "input[data-layer^='zone:']:checked", "all => all.map((box) => Number(box.dataset.layer.slice(5)))"
    )
    setbacks = [setback for _, setback in sample_plan.site.setbacks()]
    assert shown == [i for i, item in enumerate(setbacks) if item.effect == "forbids" and item.distance != "anywhere"]


@needs_browser
def test_search_opens_a_patch_and_its_units(open_page, sample_plan):
    view = open_page(sample_plan)
    patch = sample_plan.patches.iloc[5]
    view.find(patch["patch_id"].lower())
    assert view.page.text_content(".card h2") == f"Patch {patch['patch_id']}"
    lines = view.lines()
    check_figure(lines["Area"], patch["area_acre"])
    check_figure(lines["Cost"], patch["cost"])
    assert lines["Plant"] == patch["species"]
    units = sample_plan.units[sample_plan.units["patch_id"] == patch["patch_id"]]["unit_id"].tolist()
    found = view.page.eval_on_selector_all(".card [data-goto]", "all => all.map((one) => one.dataset.goto)")
    assert found == units
    view.page.click(f'.card [data-goto="{units[-1]}"]')
    assert view.page.text_content(".card h2") == f"Unit {units[-1]}"
    assert view.page.evaluate("document.activeElement.tagName") == "H2"
    view.page.fill("#find", "no such plant")
    assert view.page.text_content("#find-count") == "nothing found"


@needs_browser
def test_card_of_a_unit_shows_its_row_setbacks_and_source(open_page, sample_plan):
    view = open_page(sample_plan)
    planned = sample_plan.units[(sample_plan.units["status"] == "planned") & (sample_plan.units["setbacks"] != "")]
    for unit in planned.iloc[:: max(1, len(planned) // 6)].to_dict("records"):
        view.find(unit["unit_id"])
        lines = view.lines()
        check_figure(lines["Area"], unit["area_acre"])
        first, last = (dt.date.fromisoformat(unit[name]) for name in ("season_from", "season_to"))
        assert f"{first.day} {first:%b} to {last.day} {last:%b}" in lines["Dates"]
        assert lines["Dates"].endswith("2027")
        assert lines["Method"] == (METHODS[unit["method"]].title if unit["method"] in METHODS else unit["method"])
        assert (unit["product_id"] or "") in lines.get("Product", "")
        text = view.page.text_content(".card .setbacks")
        ids = unit["setbacks"].split(";")
        assert view.page.locator(".card .setbacks li").count() == len(ids)
        rows = sample_plan.compliance[sample_plan.compliance["unit_id"] == unit["unit_id"]]
        for row in rows[rows["setback_id"].isin(ids)].to_dict("records"):
            assert row["setback_id"] in text
            assert row["feature"] in text
            assert row["source"] in text
            if not pd.isna(row["achieved_ft"]):
                assert f"{row['achieved_ft']:,.1f} ft away" in text
    assert view.complaints == []


@needs_browser
def test_setbacks_on_a_card_are_said_once_and_in_sentences(open_page, sample_plan):
    """ "the whole site, applies to the whole site. whole site: forbids ester" said one thing three times."""
    view = open_page(sample_plan)
    view.find("D02-02")
    whole, near, *_ = view.page.locator(".card .setbacks li").all_inner_texts()
    assert whole.startswith("site-summer-no-ester: the whole site. Forbids ester")
    assert whole.count("whole site") == 1
    assert re.match(
        r"water-100-aquatic: Lake Quillan, [\d.]+ ft away, 100 ft required\. Forbids products without", near
    )
    assert near.count("100 ft") == 1
    assert "Meets the loaded rules as mapped." in near


@needs_browser
def test_other_candidates_are_folded_away_with_their_reasons(open_page, sample_plan):
    view = open_page(sample_plan)
    options = sample_plan.options
    units = sample_plan.units["unit_id"]
    for unit_id in units.iloc[:: len(units) // 8]:
        view.find(unit_id)
        rows = options[(options["unit_id"] == unit_id) & (options["verdict"] != "chosen")]
        elsewhere = rows["reason"].str.startswith("not for this plant")
        box = view.page.locator(".card details", has=view.page.locator("summary", has_text="Other candidates"))
        title = box.locator("summary").text_content()
        assert f"{elsewhere.sum()} for other plants" in title
        assert not box.evaluate("box => box.open")
        listed = box.locator("li").all_text_contents()
        near = rows[~elsewhere]
        assert listed == [
            f"{name} {verdict}: {reason.removeprefix('allowed, ')}"
            for name, verdict, reason in zip(near["treatment_id"], near["verdict"], near["reason"], strict=True)
        ]
        for verdict, count in near["verdict"].value_counts().items():
            assert f"{count} {verdict}" in title


@needs_browser
def test_budget_is_shown_with_its_range(open_page, small_plan):
    """A cover written as a range leaves a range of every amount: the card of the patch says from low to high."""
    patches = small_plan.patches.copy()
    figures = {"spray": "gal", "product": "gal", "ae": "lb", "crew": "hours", "infested": "acre"}
    for stem, unit in figures.items():
        patches[f"{stem}_low_{unit}"] = patches[f"{stem}_{unit}"] * 0.5
        patches[f"{stem}_high_{unit}"] = patches[f"{stem}_{unit}"] * 2
    patches["cost"], patches["cost_low"], patches["cost_high"] = 100.0, 80.0, 130.5
    view = open_page(replace(small_plan, patches=patches))
    view.find(patches["patch_id"].iloc[0])
    lines = view.lines()
    assert lines["Cost"].startswith("100.00")
    assert lines["Cost"].endswith(" (80.00 to 130.50)")
    for label, stem in (("Spray volume", "spray"), ("Crew time", "crew")):
        figure = patches[f"{stem}_{figures[stem]}"].iloc[0]
        assert lines[label].endswith(f" ({figure * 0.5:,.2f} to {figure * 2:,.2f})")


@needs_browser
def test_season_totals_have_low_likely_and_high(open_page, sample_plan):
    view = open_page(sample_plan)
    rows = view.page.eval_on_selector_all(
        ".season tbody tr", "all => all.map((row) => [...row.children].map((cell) => cell.textContent))"
    )
    season = sample_plan.season
    assert [row[0] for row in rows] == season["item"].tolist()
    for row, *values in zip(rows, season["low"], season["likely"], season["high"], strict=True):
        for text, value in zip(row[1:], values, strict=True):
            assert float(text.split(" ")[0].replace(",", "")) == pytest.approx(
                value, abs=0.5 if value >= 1000 else 0.006
            )


def test_public_map_has_no_candidates_and_no_totals(sample_plan):
    """Reasons measure to what is left out, and totals less the figures shown are the figures withheld."""
    html = render(sample_plan, public=True)
    assert all(row == [0] for row in read_data(html)["units"]["judged"])
    assert "Season totals" not in html
    assert "Season totals" in render(sample_plan)


@needs_browser
def test_a_click_tells_what_lies_there(open_page, sample_plan):
    view = open_page(sample_plan)
    unit = sample_plan.units.sort_values("area_acre").iloc[-1]
    spot = gpd.GeoSeries([unit.geometry.representative_point()], crs=sample_plan.units.crs).to_crs(4326).iloc[0]
    place = view.page.evaluate(
        "([lat, lng]) => { const p = map_plan.latLngToContainerPoint([lat, lng]), box = map_plan.getContainer()"
        ".getBoundingClientRect(); return [p.x + box.left, p.y + box.top]; }",
        [spot.y, spot.x],
    )
    view.page.mouse.click(*place)
    assert view.page.text_content(".card h2") == f"Unit {unit['unit_id']}"


@needs_browser
def test_ground_shared_by_two_patches_shows_both(open_page, sample_plan):
    view = open_page(sample_plan)
    pair = sample_plan.overlaps.iloc[0]
    spot = gpd.GeoSeries([pair.geometry.representative_point()], crs=sample_plan.overlaps.crs).to_crs(4326).iloc[0]
    view.page.evaluate("([lat, lng]) => map_plan.setView([lat, lng], 18, { animate: false })", [spot.y, spot.x])
    view.page.focus(".folium-map")
    view.page.keyboard.press("Enter")
    names = view.page.text_content(".card h2") + view.page.text_content(".card .also")
    assert f"Unit {pair['patch_a']}-" in names
    assert f"Unit {pair['patch_b']}-" in names


@needs_browser
@pytest.mark.parametrize(("key", "column"), [("status", "status"), ("method", "method"), ("product", "product_id")])
def test_filters_count_as_the_table_does(open_page, sample_plan, key, column):
    page = open_page(sample_plan).page
    whole = f"{len(sample_plan.units)} of {len(sample_plan.units)} units"
    assert page.text_content("#filter-count").startswith(whole)
    titles = {name: METHODS[name].title for name in METHODS}
    values = sample_plan.units[column].replace({"no_option": "no option", "": "none"} | titles)
    for value, group in sample_plan.units.groupby(values):
        page.select_option(f"#filter-{key}", label=f"{value} ({len(group)})")
        expected = f"{len(group)} of {len(sample_plan.units)} units, {group['area_acre'].sum():.2f} acre"
        assert page.text_content("#filter-count") == expected
    page.click("#filter-clear")
    assert page.text_content("#filter-count").startswith(whole)


@needs_browser
def test_measured_distance_is_the_geodesic_one(open_page, sample_plan):
    page = open_page(sample_plan).page
    page.click("#tool-measure")
    box = page.locator(".folium-map").bounding_box()
    spots = []
    for x, y in ((250, 300), (620, 480), (700, 200)):
        page.mouse.click(box["x"] + x, box["y"] + y)
        spots.append(page.evaluate(f"(({{ lng, lat }}) => [lng, lat])(map_plan.containerPointToLatLng([{x}, {y}]))"))
    metres = Geod(ellps="WGS84").line_length(*zip(*spots, strict=True))
    text = page.text_content("#measure-result")
    figure, unit = text.split(" ")[:2]
    size = {"ft": 0.3048, "mi": 1609.344}[unit]
    check_figure(figure, metres / size)
    page.keyboard.press("Escape")
    assert page.text_content("#measure-result") == ""


@needs_browser
def test_readout_and_scale_are_true(open_page, sample_plan):
    page = open_page(sample_plan).page
    page.mouse.move(400, 400)
    page.wait_for_timeout(50)
    degrees, plane = page.eval_on_selector_all(".readout > div", "all => all.map((line) => line.textContent)")
    lat, lon = (float(number) for number in re.findall(r"[\d.]+(?=°)", degrees))
    assert degrees.endswith("° W")
    x, y = Transformer.from_crs(4326, sample_plan.patches.crs, always_xy=True).transform(-lon, lat)
    east, north = (float(number.replace(",", "")) for number in re.findall(r"[EN] ([\d,]+)", plane))
    assert (east, north) == pytest.approx((x, y), abs=0.7)
    assert plane.startswith(sample_plan.patches.crs.name)
    feet, pixels = page.locator(".leaflet-control-scale-line").evaluate(
        "bar => [bar.textContent, parseFloat(bar.style.width)]"
    )
    ends = page.evaluate(
        "width => [0, width].map((x) => map_plan.containerPointToLatLng([x, map_plan.getSize().y / 2]))"
        ".map(({ lng, lat }) => [lng, lat])",
        pixels,
    )
    metres = Geod(ellps="WGS84").line_length(*zip(*ends, strict=True))
    assert metres / 0.3048 == pytest.approx(float(feet.split(" ")[0]), rel=0.01)  # the bar is drawn in whole pixels


@needs_browser
def test_grid_is_drawn_on_demand(open_page, sample_plan):
    view = open_page(sample_plan)
    whole = view.picture()
    view.page.click("#tool-grid")
    assert view.page.get_attribute("#tool-grid", "aria-pressed") == "true"
    assert view.picture() != whole
    view.page.click("#tool-grid")
    assert view.picture() == whole


@needs_browser
def test_grid_is_labelled_in_the_crs_of_the_site(open_page, sample_plan):
    """A label "413,200 E" stands where the projection library puts that easting."""
    page = open_page(sample_plan).page
    page.evaluate(
        "() => { window.written = []; const write = CanvasRenderingContext2D.prototype.fillText;"
        " CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {"
        " window.written.push([text, x, y]); write.call(this, text, x, y); }; }"
    )
    page.click("#tool-grid")
    spots = page.evaluate(
        "written.filter(([text]) => /^[\\d,]+ [EN]$/.test(text)).map(([text, x, y]) => {"
        " const at = map_plan.containerPointToLatLng([x, y]); return [text, at.lng, at.lat]; })"
    )
    metres = page.evaluate("map_plan.distance(...[0, 1].map((x) => map_plan.containerPointToLatLng([x, 300])))")
    project = Transformer.from_crs(4326, sample_plan.patches.crs, always_xy=True)
    for text, lon, lat in spots:
        figure, side = text.split(" ")
        place = project.transform(lon, lat)[0 if side == "E" else 1]
        assert place == pytest.approx(float(figure.replace(",", "")), abs=metres)  # within a pixel
    assert {text[-1] for text, *_ in spots} == {"E", "N"}
    assert len(spots) >= 6


@needs_browser
def test_keyboard_alone_reaches_the_figures(open_page, sample_plan):
    view = open_page(sample_plan)
    page = view.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "find"
    page.keyboard.type(sample_plan.units["unit_id"].iloc[0])
    page.keyboard.press("Enter")
    page.wait_for_selector(".card h2")
    assert page.evaluate("document.activeElement.tagName") == "H2"
    page.keyboard.press("Escape")
    page.wait_for_selector(".card", state="detached")
    assert page.evaluate("document.activeElement.classList.contains('folium-map')")
    page.click("#unit-list-box summary")
    page.wait_for_selector("#unit-list button")
    assert page.locator("#unit-list button").count() == min(200, len(sample_plan.units))


@needs_browser
def test_print_keeps_the_legend_and_hides_the_controls(open_page, sample_plan):
    view = open_page(sample_plan)
    page = view.page
    before = page.evaluate("[map_plan.getZoom(), map_plan.getCenter().lat]")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    kept = (".units-box", ".rulesets", ".cautions", "header h1", ".blanks", ".leaflet-control-scale", ".north")
    for shown in kept:
        assert page.is_visible(shown), shown
    for hidden in ("#find", "#filter-status", "#tool-print", ".leaflet-control-zoom", "#layer-unit-0"):
        assert not page.is_visible(hidden), hidden
    wide = page.evaluate("document.body.getBoundingClientRect().width") * 25.4 / 96
    assert wide <= 279.4 - 18  # a Letter sheet across, less two margins of 9 mm; A4 is wider
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.evaluate("[map_plan.getZoom(), map_plan.getCenter().lat]")[1] == pytest.approx(before[1], abs=1e-3)
    assert page.is_visible("#find")
    assert view.complaints == []


@needs_browser
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="reads the PDF back with poppler's pdftotext")
@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_paper_has_map_legend_rules_and_cautions(open_page, sample_plan, tmp_path, paper):
    page = open_page(sample_plan).page
    (tmp_path / "map.pdf").write_bytes(page.pdf(landscape=True, format=paper, print_background=True))
    run = subprocess.run(["pdftotext", "-layout", str(tmp_path / "map.pdf"), "-"], capture_output=True, check=True)
    first, *others = [" ".join(sheet.split()) for sheet in run.stdout.decode().split("\f")[:-1]]
    assert len(others) == 1
    for words in (
        sample_plan.site.name,
        "Not ready for field",
        "Aquatic-labelled products only",
        "Patches as drawn",
        "N",
    ):
        assert words in first
    for words in ("water-100-aquatic", "Rules loaded", "The label on the container is the law", "Emergency number"):
        assert words in others[0]
    assert "Filter units" not in first + others[0]


@needs_browser
def test_hostile_text_stays_text(open_page, small_plan):
    view = open_page(with_payloads(small_plan))
    page = view.page
    view.find(small_plan.units["unit_id"].iloc[0])
    for box in page.query_selector_all(".card details"):
        box.evaluate("one => { one.open = true; }")
    text = page.text_content(".card")
    for payload in PAYLOADS:
        assert payload in text
        assert payload in page.text_content("h1")
        assert payload in page.text_content(".card .judged")
        assert payload in page.text_content(".season tbody")
    view.find(small_plan.patches["patch_id"].iloc[0])
    assert "{{7*7}}" in page.text_content(".card")
    assert page.locator("img, script[src]").count() == 0
    assert view.complaints == []
    assert len(view.requests) == 1


@needs_browser
@pytest.mark.parametrize("name", [LONG, RIGHT_TO_LEFT, "Śródmieście ñandú 李"])
def test_odd_names_are_shown_in_full(open_page, small_plan, name):
    patches = small_plan.patches.assign(species=name, notes=name)
    water = small_plan.features["water"].assign(name=name)
    plan = replace(small_plan, patches=patches, features={**small_plan.features, "water": water})
    view = open_page(plan, size=(420, 800))
    view.page.click("#fold")
    view.find(small_plan.patches["patch_id"].iloc[0])
    assert view.lines()["Plant"] == name
    assert view.page.evaluate("document.documentElement.scrollWidth") <= 420
    assert view.complaints == []


@needs_browser
def test_no_units_and_one_unit(open_page, small_plan):
    view = open_page(keep(small_plan, 0))
    assert "No treatment units." in view.page.text_content("header")
    view.page.click("#tool-whole")
    view.page.click("#tool-grid")
    assert view.complaints == []
    view = open_page(keep(small_plan, 1))
    view.find(small_plan.units["unit_id"].iloc[0])
    assert view.page.text_content("#filter-count").startswith("1 of 1 units")
    assert view.complaints == []


@needs_browser
def test_metric_plan_is_metric_throughout(open_page, small_metric_plan):
    view = open_page(small_metric_plan)
    view.find(small_metric_plan.units["unit_id"].iloc[0])
    check_figure(view.lines()["Area"], small_metric_plan.units["area_ha"].iloc[0])
    assert view.lines()["Area"].endswith(" ha")
    for place in (".card", ".legend", ".leaflet-control-scale", "header", "#filter-count"):
        assert not re.search(r"\d (acre|ft|mi|gal|fl oz|lb)\b", view.page.text_content(place))


@needs_browser
def test_units_at_the_antimeridian(open_page, small_plan):
    west, _, east, _ = small_plan.patches.total_bounds
    plan = move(small_plan, 180 - (west + east) / 2)
    assert np.ptp(plan.patches.total_bounds[[0, 2]]) > 300
    view = open_page(plan)
    west_east = view.page.evaluate("[map_plan.getBounds().getWest(), map_plan.getBounds().getEast()]")
    assert west_east[0] < 180 < west_east[1]
    assert west_east[1] - west_east[0] < 1
    for unit_id in plan.units["unit_id"]:
        view.find(unit_id)
        assert view.page.text_content(".card h2") == f"Unit {unit_id}"
    view.page.click("#tool-grid")
    assert view.complaints == []


@needs_browser
def test_two_thousand_units_open_within_three_seconds(open_page, sample_plan):
    plan = multiply(sample_plan, 2000 // len(sample_plan.units) + 1)
    view = open_page(plan)
    assert view.page.text_content("#filter-count").startswith(f"{len(plan.units):,} of")
    assert view.page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd") < 3000


@needs_browser
def test_twenty_thousand_units_stay_usable(open_page, sample_plan):
    """Filter, search and card answer; each redrawing of the picture takes less than half a second of the page's time."""
    plan = multiply(sample_plan, 20_000 // len(sample_plan.units) + 1)
    view = open_page(plan)
    assert len(plan.units) >= 20_000
    shown = plan.units[plan.units["method"] == "wick"]
    view.page.select_option("#filter-method", label=f"wick or wipe ({len(shown)})")
    assert view.page.text_content("#filter-count").startswith(f"{len(shown):,} of {len(plan.units):,} units")
    view.page.click("#filter-clear")
    last = plan.units["unit_id"].iloc[-1]
    view.find(last)
    assert view.page.text_content(".card h2") == f"Unit {last}"
    spent = view.page.evaluate(
        "(() => { const start = performance.now(); map_plan.setZoom(map_plan.getZoom() - 4, { animate: false });"
        " return performance.now() - start; })()"
    )
    assert spent < 500
    assert view.complaints == []


@needs_browser
def test_classes_differ_in_grey(open_page, sample_plan):
    """Swatches of any two classes, in grey (Rec. 709 luma), differ by 8 % of the range on average: our own limit."""
    page = open_page(sample_plan).page
    greys = page.eval_on_selector_all(
        "[data-swatch^='unit:'] canvas",
        "all => all.map((c) => [...c.getContext('2d').getImageData(12, 12, c.width - 24, c.height - 24).data])",
    )
    assert len(greys) >= 7
    pictures = np.reshape(greys, (len(greys), -1, 4))[:, :, :3] @ [0.2126, 0.7152, 0.0722] / 255
    for first in range(len(pictures)):
        for second in range(first):
            assert np.abs(pictures[first] - pictures[second]).mean() > 0.08, (CLASSES[first].key, CLASSES[second].key)


@needs_browser
@pytest.mark.parametrize("size", [(1400, 900), (420, 800)])
def test_accessibility_rules_hold(open_page, sample_plan, size):
    """Rules of axe-core, which cover WCAG 2 A and AA, with a card and every fold open."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the rules of axe-core are not installed")
    view = open_page(sample_plan, size=size, bypass_csp=True)
    if not view.page.is_visible("#find"):
        view.page.click("#fold")
    view.find(sample_plan.units["unit_id"].iloc[0])
    view.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    view.page.wait_for_timeout(400)  # the card fades in, and contrast is measured in full colour
    violations = axe.Axe().run(view.page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:120]) for item in violations] == []


@needs_browser
def test_background_is_drawn_without_a_request(open_page, sample_plan, tmp_path):
    write_tiles(tmp_path / "ground.mbtiles", (3, 12), PIXEL)
    view = open_page(sample_plan, base=tmp_path / "ground.mbtiles")
    assert view.page.locator(".leaflet-tile[src^='data:image/png']").count() >= 1
    assert [url for url in view.requests if not url.startswith(("file:", "data:"))] == []
    assert view.complaints == []
    view.page.uncheck("#layer-base")
    assert view.page.locator(".leaflet-tile").count() == 0
