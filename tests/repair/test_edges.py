"""Long straight edges stay where they are drawn when a layer moves to another CRS.

How far a line that is straight in degrees stands off the geodesic between its ends is worked out by hand: along a
parallel at latitude phi it is L^2 tan(phi) / (8 R) in the middle, for a length L on a sphere of radius R.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import Geod

import tussock
from memory_site import make_site, zone
from site_factory import NO_RULES, Sites
from tussock.repair.edges import MOST_BEND_M, add_points_on_edges, find_bent, find_surroundings

LAT, WEST, EAST = 45.0, -89.10, -89.00
SETBACK = {"id": "W", "from": {"layer": "water"}, "distance": "30 m", "forbids": {}}
RULES = (
    NO_RULES
    + '[[setback]]\nid = "W"\nfrom = { layer = "water" }\ndistance = "30 m"\nforbids = {}\nsource = "invented"\n'
)


def canal():
    """A canal of 7.9 km along the parallel, drawn with two vertices on each bank."""
    return shapely.box(WEST, LAT, EAST, LAT + 0.001)


def make_patch():
    """A patch of 100 m south of the middle of the canal's south bank."""
    middle = (WEST + EAST) / 2
    return shapely.box(middle - 0.0006, LAT - 0.001, middle + 0.0006, LAT - 0.00001)


def test_canal_bends_by_what_the_formula_says():
    length_m = Geodesic.WGS84.Inverse(LAT, WEST, LAT, EAST)["s12"]
    bend_m = length_m**2 * np.tan(np.radians(LAT)) / (8 * 6_378_000)
    assert bend_m == pytest.approx(1.22, abs=0.02)
    crs = gpd.GeoSeries([], crs=4326).crs
    near = find_surroundings(np.array([make_patch()], dtype=object), crs)
    xy = shapely.get_coordinates(shapely.LineString([(WEST, LAT), (EAST, LAT)]))
    start, pieces = find_bent(xy, np.zeros(2, np.intp), crs, near)
    assert start.tolist() == [0]
    assert pieces[0] == np.ceil(np.sqrt(bend_m / MOST_BEND_M)) or pieces[0] == pytest.approx(
        np.sqrt(bend_m / 5e-4), abs=1
    )


@pytest.mark.parametrize("code", [4326, 3857, 26916])
def test_setback_runs_from_the_line_as_drawn(code):
    water = gpd.GeoDataFrame({"kind": ["ditch"], "state": ["wet"]}, geometry=[canal()], crs=4326)
    patches = gpd.GeoDataFrame({"species": ["a"], "growth_form": ["shrub"]}, geometry=[make_patch()], crs=4326)
    measured, zoned = zone(make_site(patches.to_crs(code), water=water, setbacks=[SETBACK]))
    assert measured.patches["area_m2"].sum() == pytest.approx(zoned.units["area_m2"].sum(), rel=1e-9)
    free = zoned.units[zoned.units["setbacks"] == ""].to_crs(4326).geometry.iloc[0]
    for lon, lat in shapely.get_coordinates(free):
        # the bank is a parallel: the nearest of its points, by geodesics
        banks = np.linspace(lon - 1e-4, lon + 1e-4, 201)
        _, _, distance = Geod(ellps="WGS84").inv(np.full(201, lon), np.full(201, lat), banks, np.full(201, LAT))
        assert min(distance) > 30 - 1e-3
    north = max(lat for _, lat in shapely.get_coordinates(free))
    assert Geodesic.WGS84.Inverse(north, -89.05, LAT, -89.05)["s12"] == pytest.approx(30, abs=2e-3)


def test_points_lie_on_the_edges_and_far_edges_are_left_alone():
    crs = gpd.GeoSeries([], crs=4326).crs
    near = find_surroundings(np.array([make_patch()], dtype=object), crs)
    far = shapely.box(-80.0, 40.0, -79.0, 41.0)
    shapes = np.array(
        [
            canal(),
            far,
            shapely.MultiLineString([canal().exterior.coords, [(0, 0), (1, 1)]]),
            shapely.Polygon(shapely.box(WEST - 0.1, 44.9, EAST + 0.1, 45.1).exterior, [canal().exterior.coords]),
            shapely.Point(WEST, LAT),
        ],
        dtype=object,
    )
    filled, findings = add_points_on_edges(shapes, crs, near, "water")
    count = shapely.get_num_coordinates(filled)
    assert count[0] > 90
    assert count[3] > 90  # its hole; its own edges are 10 km off
    assert filled[1] is far
    assert filled[4] is shapes[4]
    assert [finding.row for finding in findings] == ["3 rows"]
    assert (shapely.get_type_id(filled) == shapely.get_type_id(shapes)).all()
    assert shapely.hausdorff_distance(filled, shapes).max() < 1e-9
    assert shapely.area(filled) == pytest.approx(shapely.area(shapes), rel=1e-12)


def test_short_edges_are_left_alone():
    crs = gpd.GeoSeries([], crs=26916).crs
    pond = np.array([shapely.Point(300_000, 4_980_000).buffer(80)], dtype=object)
    filled, findings = add_points_on_edges(pond, crs, find_surroundings(pond, crs), "water")
    assert filled[0] is pond[0]
    assert findings == []


def test_plan_and_review_measure_to_the_same_line(tmp_path):
    """Water in degrees, patches in Web Mercator: the delivered folder holds the line that was measured to."""
    row = {"patch_id": "A", "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": make_patch()}
    site = Sites(tmp_path).write([row], water=[{"kind": "ditch", "geometry": canal()}], rules=RULES, crs=4326)
    patches = gpd.read_file(tmp_path / "infestations.gpkg").to_crs(3857)
    patches.to_file(tmp_path / "infestations.gpkg", layer="infestations")
    plan = tussock.make_plan(tussock.read_site(site))
    folder = plan.write(tmp_path / "plan")
    assert plan.findings["what"].str.contains("would bend in another CRS").any()
    found = tussock.review_plan(folder)
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
