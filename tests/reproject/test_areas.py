"""True areas anywhere on Earth, against geographiclib (Karney 2013, doi 10.1007/s00190-012-0578-z).

An edge is straight in the CRS of its layer. In degrees the area under one is known from the authalic function of
latitude (Snyder 1987, Map Projections: A Working Manual, equation 3-12), which is integrated along the edge here.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

import tussock
from memory_site import make_site
from tussock.base.stages import SiteOptions
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers

GEOD = Geod(ellps="WGS84")


def geodesic_blob(lon, lat, radius_m, seed, corners=24):
    """An outline in degrees whose vertices stand on random geodesics from a point."""
    rng = np.random.default_rng(seed)
    azimuth = np.linspace(0, 360, corners, endpoint=False)
    radius = radius_m * rng.uniform(0.4, 1.0, corners)
    lons, lats, _ = GEOD.fwd(np.full(corners, lon), np.full(corners, lat), azimuth, radius)
    return shapely.Polygon(np.column_stack([lons, lats]))


def area_in_degrees(polygon):
    """The area of an outline whose edges are straight in degrees on WGS 84, ring by ring."""
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    e = np.sqrt(e2)
    node, weight = np.polynomial.legendre.leggauss(20)
    total = 0.0
    shell, *holes = shapely.get_rings(polygon)
    for ring in (shell, *holes):
        lon, lat = shapely.get_coordinates(ring).T
        sine = np.sin(np.radians((lat[1:, None] + lat[:-1, None]) / 2 + (lat[1:, None] - lat[:-1, None]) / 2 * node))
        q = (1 - e2) * (sine / (1 - e2 * sine**2) + np.arctanh(e * sine) / e)
        step = lon[1:] - lon[:-1]
        step -= 360 * np.round(step / 360)  # across the antimeridian
        total += (np.radians(step) * (q @ weight) / 2).sum()
    return abs(total * a**2 / 2)


def area_by_geographiclib(polygon):
    """The area of an outline whose edges are geodesics."""
    ring = Geodesic.WGS84.Polygon()
    for lon, lat in shapely.get_coordinates(polygon)[:-1]:
        ring.AddPoint(lat, lon)
    return abs(ring.Compute(reverse=False, sign=True)[2])


def test_the_two_ways_to_take_an_area_agree_where_edges_are_short():
    fine = shapely.segmentize(geodesic_blob(-89.0, 45.0, 800.0, 3), 1e-4)
    assert area_in_degrees(fine) == pytest.approx(area_by_geographiclib(fine), rel=1e-8)


def measure(outlines, *, layer_crs=4326, named="auto"):
    frame = gpd.GeoDataFrame({"species": ["a"] * len(outlines)}, geometry=outlines, crs=4326).to_crs(layer_crs)
    site = make_site(frame, options=SiteOptions(crs=named))
    return reproject_layers(site, repair_layers(site))


@settings(max_examples=60, deadline=None)
@given(lon=st.floats(-179.9, 179.9), lat=st.floats(-80, 80), radius_m=st.floats(60, 3000), seed=st.integers(0, 2**16))
def test_area_agrees_from_the_equator_to_80_degrees(lon, lat, radius_m, seed):
    blob = geodesic_blob(lon, lat, radius_m, seed)
    measured = measure([blob])
    assert measured.patches["area_m2"].iloc[0] == pytest.approx(area_in_degrees(blob), rel=1e-5)
    # the cell's own CRS is equal-area: what is cut there has the same areas
    assert measured.cells[0].patches.area.iloc[0] == pytest.approx(area_in_degrees(blob), rel=1e-5)


@pytest.mark.parametrize("lat", [0.0, 45.0, -66.5, 79.9])
def test_area_on_both_sides_of_the_antimeridian(lat):
    blobs = [geodesic_blob(lon, lat, 800.0, 5) for lon in (179.999, -179.999)]
    measured = measure(blobs)
    assert len(measured.cells) == 1
    for blob, area in zip(blobs, measured.patches["area_m2"], strict=True):
        assert area == pytest.approx(area_in_degrees(blob), rel=1e-5)


@pytest.mark.parametrize("lon", [-90.0001, -90.0, -89.9999])
def test_area_across_a_utm_zone_edge(lon):
    blob = geodesic_blob(lon, 45.0, 1500.0, 9)
    assert measure([blob], layer_crs=32615).patches["area_m2"].iloc[0] == pytest.approx(
        area_by_geographiclib(blob), rel=1e-5
    )


def test_areas_of_real_outlines_over_the_whole_earth():
    """Countries of Natural Earth 1:110m (public domain), which pyogrio carries for its own tests: 90 south to 83 north.

    Every part is a patch of its own, both sides of the antimeridian among them. Antarctica runs along the pole, where a
    ring in degrees is no ring on the ground: it is left out.
    """
    path = Path(pyogrio.__file__).parent / "tests" / "fixtures" / "naturalearth_lowres" / "naturalearth_lowres.shp"
    parts = gpd.read_file(path).explode(index_parts=False).geometry
    parts = parts[(parts.bounds["miny"] > -80) & parts.is_valid]
    assert len(parts) > 250
    assert parts.bounds["maxx"].max() == pytest.approx(180)
    assert parts.bounds["minx"].min() == pytest.approx(-180)
    measured = measure(list(parts))
    expected = [area_in_degrees(part) for part in parts]
    assert measured.patches["area_m2"].to_numpy() == pytest.approx(expected, rel=1e-5, abs=1e-4)


def test_wide_site_is_worked_in_cells():
    blobs = [geodesic_blob(lon, 45.0, 300.0, 1) for lon in np.linspace(-97, -83, 8)]
    measured = measure(blobs)
    assert len(measured.cells) > 1
    assert measured.crs.distance_error <= 1e-4
    assert sorted(name for cell in measured.cells for name in cell.patches.index) == sorted(measured.patches.index)


@pytest.mark.parametrize(
    ("crs", "message"),
    [
        ("EPSG:4326", "which is in degrees"),
        ("EPSG:3857", "not for measuring"),
        ("EPSG:32633", r"areas here are off by .*state the tolerance"),  # a UTM zone of another continent
        ("no such thing", "no known CRS"),
    ],
)
def test_unfit_crs_is_refused(crs, message):
    with pytest.raises(tussock.CrsError, match=message):
        measure([geodesic_blob(-89.0, 45.0, 300.0, 1)], named=crs)


@pytest.mark.parametrize(("name", "area_error"), [("EPSG:26916", 3e-4), ("EPSG:2288", 1e-4)])
def test_named_crs_is_taken_and_its_distortion_reported(name, area_error):
    # EPSG:2288 is in US survey feet: it is worked in metres
    blob = geodesic_blob(-89.0, 45.0, 500.0, 2)
    measured = measure([blob], named=name)
    assert measured.crs.chosen == "named"
    assert measured.patches["area_m2"].iloc[0] == pytest.approx(area_by_geographiclib(blob), rel=1e-5)
    assert 0 < measured.crs.area_error < 2 * area_error
    assert measured.cells[0].patches.area.iloc[0] == pytest.approx(area_by_geographiclib(blob), rel=2 * area_error)
    assert measured.cells[0].crs.axis_info[0].unit_name == "metre"


def test_a_collection_counts_every_polygon_in_it_whichever_way_it_is_drawn():
    from pyproj import CRS

    from tussock.base.geodesy import find_area_m2

    one, two = geodesic_blob(10, 45, 300, 1), geodesic_blob(10.02, 45, 300, 2)
    joined = shapely.GeometryCollection([one, two.reverse(), shapely.Point(10.01, 45)])
    found = find_area_m2(np.array([joined, one], dtype=object), CRS.from_epsg(4326))
    assert found[0] == pytest.approx(area_in_degrees(one) + area_in_degrees(two), rel=1e-6)
    assert found[1] == pytest.approx(area_in_degrees(one), rel=1e-6)
