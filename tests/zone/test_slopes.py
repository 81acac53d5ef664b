"""Slope distances: never less protective than the rule, and told beside the distance on the map.

Elevation models are made here from formulas, so that every height and every slope distance is known by hand: a slope
distance is the straight one between two points at their heights (Pythagoras).
"""

from __future__ import annotations

import sqlite3
import sys
import warnings
from functools import partial

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.transform import from_bounds, from_origin
from rasterio.warp import reproject

import tussock
from memory_site import make_site, star, zone
from site_factory import FOOT_M, NO_RULES, Sites, local_crs
from tussock.base.geodesy import find_transformer
from tussock.base.stages import SiteOptions
from tussock.base.terrain import Terrain, find_heights_m

#: rasterio's own use of affine
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")

RULES = (
    NO_RULES
    + """
[[setback]]
id = "ALONG"
from = { layer = "water" }
distance = "30 m"
measure = "slope"
forbids = {}
source = "invented for tests"

[[setback]]
id = "FLAT"
from = { layer = "water" }
distance = "30 m"
forbids = {}
source = "invented for tests"
"""
)
POND = shapely.box(-60, -60, 120, 0)
PATCH = {
    "patch_id": "A",
    "species": "x",
    "growth_form": "shrub",
    "cover_pct": 50,
    "geometry": shapely.box(0, 10, 60, 90),
}
WEST, NORTH, CELLS, SIZE = -200.0, 300.0, 100, 5.0  # the model spans -200 to 300 east, -200 to 300 north


def plane(x, y, east=0.2, north=0.5):
    """A hillside that rises by so much for each metre east and north."""
    return 700.0 + east * x + north * y


def write_model(folder, height=plane, *, unit="m", crs=None, nodata=None, missing=None, size_m=1.0, name="dem.tif"):
    """Write a model whose cell centres have the heights of a formula, exactly."""
    centres = np.arange(CELLS) * SIZE + SIZE / 2
    grid = height(WEST + centres[None, :], NORTH - centres[:, None]) / size_m + np.zeros((CELLS, CELLS))
    if missing is not None:
        grid[missing] = nodata
    crs = local_crs() if crs is None else crs
    options = {"width": CELLS, "height": CELLS, "count": 1, "dtype": "float64", "crs": crs.to_wkt(), "nodata": nodata}
    with rasterio.open(
        folder / name, "w", driver="GTiff", transform=from_origin(WEST, NORTH, SIZE, SIZE), **options
    ) as raster:
        raster.write(grid, 1)
        if unit:
            raster.units = (unit,)
    return folder / name


def write_site(folder, patch=PATCH, terrain='path = "dem.tif"'):
    path = Sites(folder).write([patch], water=[{"kind": "pond", "state": "wet", "geometry": POND}], rules=RULES)
    if terrain:
        path.write_text(path.read_text().replace("[catalog]", f"[layers.terrain]\n{terrain}\n[catalog]"))
    return path


def plan_slope(folder, patch=PATCH, terrain='path = "dem.tif"'):
    return tussock.make_plan(tussock.read_site(write_site(folder, patch, terrain)))


def list_pairs(plan):
    """Rows of the rule along the slope: distance on the map, along the slope, and the two points in metres."""
    rows = plan.compliance[plan.compliance["setback_id"] == "ALONG"]
    to_metres = find_transformer(gpd.GeoSeries([], crs=4326).crs, local_crs().to_wkt())
    near = np.column_stack(to_metres.transform(rows["from_lon"].to_numpy(), rows["from_lat"].to_numpy()))
    far = np.column_stack(to_metres.transform(rows["to_lon"].to_numpy(), rows["to_lat"].to_numpy()))
    return rows["achieved_ft"].to_numpy() * FOOT_M, rows["slope_distance_ft"].to_numpy() * FOOT_M, near, far


# ------------------------------------------------------------------------------------ never less protective


def rough(seed):
    """Ground of waves and steps, up to cliffs of 40 m."""
    rng = np.random.default_rng(seed)
    wave = rng.uniform(0.005, 0.3, (6, 2)) * rng.choice([-1, 1], (6, 2))
    size, step = rng.uniform(1, 15, 6), rng.uniform(0, 40)

    def height(x, y):
        waves = sum(a * np.sin(kx * x + ky * y) for a, (kx, ky) in zip(size, wave, strict=True))
        return 500 + waves + step * np.floor((x + y) / 37.0)

    return height


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 2**32 - 1), kind=st.sampled_from(["plane", "rough"]), stated=st.sampled_from([0.0, 40.0, 120.0])
)
def test_no_point_nearer_along_the_slope_lies_in_a_free_unit(seed, kind, stated):
    """Whatever the ground and whatever slope a patch states: straight up the slope from every point of the water."""
    rng = np.random.default_rng(seed)
    crs = local_crs()
    slope = rng.uniform(-1.5, 1.5, 2)
    height = rough(seed) if kind == "rough" else partial(plane, east=slope[0], north=slope[1])
    pond = shapely.Polygon(star(rng, 0, 0, rng.uniform(20, 80), 30))
    outlines = [shapely.Polygon(star(rng, *rng.uniform(-120, 120, 2), rng.uniform(15, 60), 12)) for _ in range(4)]
    columns = {"species": list("abcd"), "growth_form": ["shrub"] * 4, "slope_pct": [stated] * 4}
    patches = gpd.GeoDataFrame(columns, geometry=outlines, crs=crs)
    water = gpd.GeoDataFrame({"kind": ["pond"], "state": ["wet"]}, geometry=[pond], crs=crs)
    rule = {"id": "A", "from": {"layer": "water"}, "distance": "30 m", "measure": "slope", "forbids": {}}
    _, zoned = zone(make_site(patches, water=water, setbacks=[rule], options=SiteOptions(sliver_area_m2=0.0)))
    free = zoned.units[zoned.units["setbacks"] == ""]
    if free.empty:
        return
    shore = shapely.get_coordinates(shapely.segmentize(pond.exterior, 0.5))
    geometry = free.geometry.iloc[rng.integers(0, len(free), 400)]
    bounds = geometry.bounds.to_numpy()
    points = rng.uniform(bounds[:, :2], bounds[:, 2:])
    rim = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.boundary(geometry.array), rng.uniform(0, 1, 400), normalized=True)
    )
    points = np.concatenate([points[shapely.contains_xy(geometry.array, points)], rim])
    rise = height(*points.T)[:, None] - height(*shore.T)[None, :]
    flat = np.hypot(*(points[:, None, :] - shore[None, :, :]).transpose(2, 0, 1))
    assert np.hypot(flat, rise).min() > 30.0


@pytest.mark.parametrize("slope_pct", [0.0, 30.0, 100.0])
def test_cut_is_kept_on_the_map_whatever_slope_is_stated(tmp_path, slope_pct):
    write_model(tmp_path, lambda x, y: plane(x, y, 0.0, slope_pct / 100))
    plan = plan_slope(tmp_path, PATCH | {"slope_pct": slope_pct})
    free = plan.units[plan.units["setbacks"] == ""].geometry
    assert free.bounds["miny"].min() == pytest.approx(30.0, abs=1e-3)


# ------------------------------------------------------------------------------- told beside the map distance


def test_slope_distance_by_the_elevation_model(tmp_path):
    write_model(tmp_path)
    plan = plan_slope(tmp_path)
    achieved, along, near, far = list_pairs(plan)
    rise = plane(*far.T) - plane(*near.T)
    assert len(along) == 2
    assert along == pytest.approx(np.hypot(achieved, rise), rel=1e-6)
    # straight down the bank: 10 m on the map, 5 m of height
    assert along.min() == pytest.approx(np.sqrt(10**2 + 5**2), rel=1e-4)
    rows = plan.compliance.set_index("setback_id")
    assert rows.loc["FLAT", "slope_distance_ft"].isna().all()
    assert (
        rows.loc["ALONG", "note"]
        .str.contains("ft along the slope (the distance on the map decides)", regex=False)
        .all()
    )


def test_slope_distance_by_the_slope_of_the_patch(tmp_path):
    achieved, along, _, _ = list_pairs(plan_slope(tmp_path, PATCH | {"slope_pct": 75.0}, terrain=""))
    assert along == pytest.approx(achieved * 1.25, rel=1e-12)  # 3, 4, 5


def test_blank_where_no_slope_is_known(tmp_path):
    plan = plan_slope(tmp_path, terrain="")
    assert plan.compliance["slope_distance_ft"].isna().all()
    assert not plan.compliance["note"].str.contains("along the slope").any()


def test_elevation_model_goes_before_the_column(tmp_path):
    write_model(tmp_path, lambda x, y: plane(x, y, 0.0, 0.0))
    achieved, along, _, _ = list_pairs(plan_slope(tmp_path, PATCH | {"slope_pct": 75.0}))
    assert along == pytest.approx(achieved, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "line", "size_m"),
    [
        ("m", "", 1.0),
        ("metre", 'height_unit = "m"', 1.0),
        ("ft", "", 0.3048),
        ("US survey foot", "", 1200 / 3937),
        ("", 'height_unit = "ft"', 0.3048),
        ("", 'height_unit = "us-ft"', 1200 / 3937),
    ],
)
def test_units_of_height(tmp_path, unit, line, size_m):
    write_model(tmp_path, unit=unit, size_m=size_m)
    _, along, _, _ = list_pairs(plan_slope(tmp_path, terrain=f'path = "dem.tif"\n{line}'))
    assert along.min() == pytest.approx(np.sqrt(125), rel=1e-4)


@pytest.mark.parametrize("code", [4326, 26916, 3857, 5070])
def test_model_in_another_crs(tmp_path, code):
    write_model(tmp_path, name="own.tif")
    outline = gpd.GeoSeries([shapely.box(-150, -150, 250, 250)], crs=local_crs()).to_crs(code).total_bounds
    with rasterio.open(tmp_path / "own.tif") as own:
        grid = np.zeros((400, 400))
        into = from_bounds(*outline, 400, 400)
        to = {"dst_transform": into, "dst_crs": f"EPSG:{code}", "resampling": rasterio.enums.Resampling.bilinear}
        reproject(own.read(1), grid, src_transform=own.transform, src_crs=own.crs, **to)
    options = {"width": 400, "height": 400, "count": 1, "dtype": "float64", "crs": f"EPSG:{code}", "transform": into}
    with rasterio.open(tmp_path / "dem.tif", "w", driver="GTiff", **options) as raster:
        raster.write(grid, 1)
        raster.units = ("m",)
    _, along, _, _ = list_pairs(plan_slope(tmp_path))
    assert along.min() == pytest.approx(np.sqrt(125), rel=2e-3)


def test_heights_between_cell_centres_are_those_of_the_plane(tmp_path):
    path = write_model(tmp_path)
    rng = np.random.default_rng(5)
    xy = rng.uniform([WEST + SIZE, NORTH - 495], [WEST + 495, NORTH - SIZE], (500, 2))
    lon, lat = find_transformer(local_crs(), "EPSG:4326").transform(*xy.T)
    found = find_heights_m(Terrain(path, "dem.tif", 1.0), np.asarray(lon), np.asarray(lat))
    assert found == pytest.approx(plane(*xy.T), abs=2e-3)  # degrees and back: up to 2 mm of place
    outside = find_heights_m(Terrain(path, "dem.tif", 1.0), np.array([-88.9, 10.0]), np.array([45.0, 45.0]))
    assert np.isnan(outside).all()


def test_cells_without_data_leave_the_slope_distance_blank(tmp_path):
    rows = slice(int((NORTH - 20) / SIZE), int((NORTH + 20) / SIZE))  # a belt along the shore
    write_model(tmp_path, nodata=-9999.0, missing=(rows, slice(None)))
    achieved, along, _, _ = list_pairs(plan_slope(tmp_path))
    assert np.isnan(along).all()
    assert (achieved > 0).all()


def test_part_of_the_site_without_model_is_told(tmp_path):
    write_model(tmp_path)
    far = PATCH | {"patch_id": "B", "geometry": shapely.box(400, 10, 460, 90)}
    path = Sites(tmp_path).write([PATCH, far], water=[{"kind": "pond", "geometry": POND}], rules=RULES)
    path.write_text(path.read_text().replace("[catalog]", '[layers.terrain]\npath = "dem.tif"\n[catalog]'))
    findings = tussock.make_plan(tussock.read_site(path)).findings
    told = findings[findings["what"].str.contains("where the elevation model has no height")]
    assert told["what"].tolist() == ["1 of 2 patches lie where the elevation model has no height"]


# ------------------------------------------------------------------------------------------------- bad input


def test_model_elsewhere_is_refused_with_both_extents(tmp_path):
    write_model(tmp_path, crs=local_crs(10.0, 50.0))
    with pytest.raises(tussock.CrsError, match=r"an extent of 49\.95.* north, 9\.9.* east, the patches are at 44\.95"):
        plan_slope(tmp_path)


def test_model_without_unit_of_height_is_refused(tmp_path):
    write_model(tmp_path, unit="")
    with pytest.raises(
        tussock.InputError, match=r'does not say its unit of height; state it: \[layers\.terrain\] height_unit = "m"'
    ):
        plan_slope(tmp_path)


def test_two_units_of_height_are_refused(tmp_path):
    write_model(tmp_path, unit="ft")
    with pytest.raises(tussock.InputError, match=r'height_unit: found height_unit = "m", the file says ft'):
        plan_slope(tmp_path, terrain='path = "dem.tif"\nheight_unit = "m"')


def test_unknown_unit_of_height_is_refused(tmp_path):
    write_model(tmp_path, unit="dm")
    with pytest.raises(tussock.InputError, match=r'found heights in "dm"; write heights in metres or feet'):
        plan_slope(tmp_path)


def test_raster_of_several_bands_is_refused(tmp_path):
    options = {
        "width": 4,
        "height": 4,
        "count": 3,
        "dtype": "uint8",
        "crs": "EPSG:4326",
        "transform": from_origin(-89, 45, 1, 1),
    }
    with rasterio.open(tmp_path / "dem.tif", "w", driver="GTiff", **options) as raster:
        raster.write(np.zeros((3, 4, 4), dtype="uint8"))
    with pytest.raises(tussock.InputError, match=r"found 3 bands; give a GeoTIFF with heights in its only band"):
        plan_slope(tmp_path)


def test_raster_without_crs_is_refused(tmp_path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(
            tmp_path / "dem.tif", "w", driver="GTiff", width=4, height=4, count=1, dtype="uint8"
        ) as raster:
            raster.write(np.zeros((1, 4, 4), dtype="uint8"))
    with pytest.raises(tussock.CrsError, match=r"dem\.tif: layers\.terrain: found no CRS; store the CRS in the file"):
        plan_slope(tmp_path)


def test_file_that_is_no_raster_is_refused(tmp_path):
    (tmp_path / "dem.tif").write_text("heights")
    with pytest.raises(tussock.InputError, match=r"layers\.terrain\.path: found a file that cannot be opened"):
        plan_slope(tmp_path)


def test_missing_model_is_refused(tmp_path):
    with pytest.raises(tussock.MissingInputError, match=r"dem\.tif: layers\.terrain\.path: found no such file"):
        plan_slope(tmp_path)


def test_without_the_extra_it_says_what_to_install(tmp_path, monkeypatch):
    write_model(tmp_path)
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(tussock.MissingExtraError, match=r'pip install "tussock\[raster\]"'):
        plan_slope(tmp_path)


# ------------------------------------------------------------------------------------------ in the folder


def test_folder_carries_the_slope_distance_and_the_review_holds_it(tmp_path):
    write_model(tmp_path)
    site = write_site(tmp_path)
    folder = tussock.make_plan(tussock.read_site(site)).write(tmp_path / "plan")
    assert "along the slope (the distance on the map decides)" in (folder / "compliance.html").read_text()
    assert "slope_distance_ft" in (folder / "compliance.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    inputs = (folder / "run.json").read_text()
    assert '"role": "terrain"' in inputs
    assert not (tussock.review_plan(folder, site)["level"] == "violation").any()
    with sqlite3.connect(folder / "plan.gpkg") as base:
        base.execute("UPDATE compliance SET slope_distance_ft = achieved_ft * 0.9 WHERE setback_id = 'ALONG'")
        base.execute("UPDATE compliance SET slope_distance_ft = achieved_ft WHERE setback_id = 'FLAT'")
    base.close()
    found = tussock.review_plan(folder)
    found = found[(found["level"] == "violation") & found["where"].str.contains("slope_distance")]
    assert found["expected"].str.contains("no shorter than on the map").sum() == 2
    assert found["expected"].str.contains("does not count along the slope").sum() == 2


def test_review_works_out_the_slope_of_the_patch_anew(tmp_path):
    plan = plan_slope(tmp_path, PATCH | {"slope_pct": 40.0}, terrain="")
    folder = plan.write(tmp_path / "plan")
    assert not (tussock.review_plan(folder)["level"] == "violation").any()
    with sqlite3.connect(folder / "plan.gpkg") as base:
        base.execute("UPDATE compliance SET slope_distance_ft = slope_distance_ft * 1.2 WHERE unit_id = 'A-01'")
    base.close()
    found = tussock.review_plan(folder)
    found = found[(found["level"] == "violation") & found["where"].str.contains("slope_distance")]
    assert (found["expected"] == "the distance on the map along the slope of the patch").sum() == 1
