"""Long straight edges stay where they are drawn when a layer moves to another CRS.

How far a line that is straight in degrees stands off the geodesic between its ends is worked out by hand: along a
parallel at latitude phi it is L^2 tan(phi) / (8 R) in the middle, for a length L on a sphere of radius R.
"""

from __future__ import annotations

from functools import partial

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod

import tussock
from memory_site import make_site, zone
from site_factory import NO_RULES, Sites
from tussock.base.geodesy import MOST_BEND_M, Way, move_geometry
from tussock.reproject.edges import Surroundings, hold_layer

LAT, WEST, EAST = 45.0, -89.10, -89.00
DEGREES, UTM = CRS.from_epsg(4326), CRS.from_epsg(32616)
GEOD = Geod(ellps="WGS84")
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


def hold(shapes, patches, target=UTM, near_m=0.0):
    find_bend_m = Way(DEGREES, target).find_bend_m
    around = Surroundings([(np.array(patches, dtype=object), DEGREES)], near_m)
    return hold_layer(np.array(shapes, dtype=object), DEGREES, find_bend_m, around, "water")


def test_canal_bends_by_what_the_formula_says():
    length_m = Geodesic.WGS84.Inverse(LAT, WEST, LAT, EAST)["s12"]
    bend_m = length_m**2 * np.tan(np.radians(LAT)) / (8 * 6_378_000)
    assert bend_m == pytest.approx(1.22, abs=0.02)
    laea = CRS.from_proj4(
        f"+proj=laea +lat_0={LAT} +lon_0={(WEST + EAST) / 2} +datum=WGS84"
    )  # straight is nearly a geodesic
    found = Way(DEGREES, laea).find_bend_m(np.array([[WEST, LAT]]), np.array([[EAST, LAT]]))
    assert found[0] == pytest.approx(bend_m, rel=1e-2)


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
        _, _, distance = GEOD.inv(np.full(201, lon), np.full(201, lat), banks, np.full(201, LAT))
        assert min(distance) > 30
    north = max(lat for _, lat in shapely.get_coordinates(free))
    assert Geodesic.WGS84.Inverse(north, -89.05, LAT, -89.05)["s12"] == pytest.approx(30, abs=2e-3)


def to_bank_m(lon, lat):
    """The least geodesic from points to the parallel of the bank, looked for around the point due north."""
    best = np.full(len(lon), np.inf)
    for step in np.linspace(-2e-4, 2e-4, 81):
        best = np.minimum(best, GEOD.inv(lon, lat, lon + step, np.full(len(lon), LAT))[2])
    return best


@pytest.mark.parametrize(("east", "bend_m"), [(WEST + 0.0635, 0.49), (WEST + 0.2537, 7.8)])
def test_patch_and_water_on_one_line_stay_on_it(east, bend_m):
    """A field of 5 and of 20 km along a canal's bank, both drawn in degrees with two vertices there.

    The bank goes on a kilometre further than the field, so the two bend each by its own length: the field by L^2
    tan(phi) / (8 R), 0.49 m and 7.8 m, and the bank by more. The strip along the bank is 30 m wide all the way.
    """
    length_m = Geodesic.WGS84.Inverse(LAT, WEST, LAT, east)["s12"]
    assert length_m**2 / (8 * 6_378_000) == pytest.approx(bend_m, rel=0.01)
    field = shapely.box(WEST, LAT - 0.002, east, LAT)
    water = shapely.box(WEST - 0.006, LAT, east + 0.007, LAT + 0.001)
    patches = gpd.GeoDataFrame({"species": ["a"], "growth_form": ["shrub"]}, geometry=[field], crs=4326)
    frame = gpd.GeoDataFrame({"kind": ["canal"], "state": ["wet"]}, geometry=[water], crs=4326)
    _, zoned = zone(make_site(patches, water=frame, setbacks=[SETBACK]))
    units = zoned.units.set_index("setbacks")
    assert sorted(units.index) == ["", "W"]
    edges = shapely.segmentize(units.loc["", "geometry"].boundary, 2e-5)  # straight in degrees, as in the file
    lon, lat = shapely.get_coordinates(edges).T
    away = to_bank_m(lon, lat)
    assert away.min() > 30
    assert away[(lat > LAT - 0.0005) & (lon > WEST + 1e-9) & (lon < east - 1e-9)].max() < 30 + 2e-3
    assert units.loc["W", "area_m2"] == pytest.approx(30 * length_m, rel=1e-4)
    assert not units["in_water"].any()
    assert zoned.nearness.set_index("in_force").loc[True, "achieved_m"] == pytest.approx(0, abs=2e-4)
    # every vertex that was drawn is there, and nothing stands off what was drawn
    outline = zoned.patches.geometry.iloc[0]
    drawn = shapely.points(shapely.get_coordinates(field))
    assert shapely.distance(drawn, shapely.multipoints(shapely.get_coordinates(outline))).max() < 1e-12
    assert shapely.hausdorff_distance(outline, field) * 111_000 < 2 * MOST_BEND_M


def test_edges_are_held_out_to_the_largest_rule():
    """A rule of 10 km from a bank of 20 km, straight in degrees: taken as straight it would stand 7.8 m off."""
    west, east = WEST, WEST + 0.2537
    middle = (west + east) / 2
    water = gpd.GeoDataFrame(
        {"kind": ["canal"], "state": ["wet"]}, geometry=[shapely.box(west, LAT, east, LAT + 0.001)], crs=4326
    )
    lat = LAT - 10_000 / 111_130  # a degree of latitude there is 111.13 km
    field = shapely.box(middle - 0.002, lat - 0.003, middle + 0.002, lat + 0.003)
    patches = gpd.GeoDataFrame({"species": ["a"], "growth_form": ["shrub"]}, geometry=[field], crs=4326)
    rule = SETBACK | {"distance": "10 km"}
    _, zoned = zone(make_site(patches, water=water, setbacks=[rule]))
    free = zoned.units[zoned.units["setbacks"] == ""].geometry.iloc[0]
    xy = shapely.get_coordinates(shapely.segmentize(free.boundary, 1e-5))
    away = np.full(len(xy), np.inf)
    for lon in np.linspace(middle - 0.02, middle + 0.02, 801):
        away = np.minimum(away, GEOD.inv(*xy.T, np.full(len(xy), lon), np.full(len(xy), LAT))[2])
    assert away.min() > 10_000
    top = (xy[:, 1] > lat) & (np.abs(xy[:, 0] - middle) < 0.002 - 1e-9)
    assert away[top].max() < 10_000 + 0.1  # 1e-5: the scale of the CRS, out there


def test_points_lie_on_the_edges_and_far_edges_may_bend_by_a_share_of_their_distance():
    far = shapely.box(-80.0, 40.0, -79.0, 41.0)  # 700 km off: 7 m may be, 150 m would be
    shapes = [
        canal(),
        far,
        shapely.MultiLineString([canal().exterior.coords, [(-88.99, 45.0), (-88.9, 45.02)]]),
        shapely.Polygon(shapely.box(WEST - 0.1, 44.9, EAST + 0.1, 45.1).exterior, [canal().exterior.coords]),
        shapely.Point(WEST, LAT),
    ]
    filled, left_m, findings = hold(shapes, [make_patch()])
    count = shapely.get_num_coordinates(filled)
    assert count[0] > 2 * np.sqrt(1.22 / MOST_BEND_M)
    assert count[3] > count[0]
    assert 5 < count[1] < 50
    assert filled[4] is shapes[4]
    assert left_m <= MOST_BEND_M
    assert [finding.row for finding in findings] == ["4 rows"]
    assert (shapely.get_type_id(filled) == shapely.get_type_id(shapes)).all()
    assert shapely.hausdorff_distance(filled, shapes).max() < 1e-9
    assert shapely.area(filled) == pytest.approx(shapely.area(shapes), rel=1e-12)
    fine = move_geometry(shapely.segmentize(filled[:1], 1e-5), DEGREES, UTM)[0]
    moved = move_geometry(filled[:1], DEGREES, UTM)[0]
    assert shapely.distance(shapely.points(shapely.get_coordinates(fine)), moved.exterior).max() < MOST_BEND_M


def test_edges_with_the_same_ends_get_the_same_points_whichever_way_they_run():
    there = shapely.LineString([(WEST, LAT), (EAST, LAT + 0.01)])
    (one, back), _, _ = hold([there, there.reverse()], [make_patch()])
    assert shapely.get_coordinates(one).tolist() == shapely.get_coordinates(back)[::-1].tolist()


def test_short_edges_are_left_alone():
    pond = np.array([shapely.Point(300_000, 4_980_000).buffer(80)], dtype=object)
    find_bend_m = partial(Way.find_bend_m, Way(UTM, DEGREES))
    filled, left_m, findings = hold_layer(pond, UTM, find_bend_m, Surroundings([(pond, UTM)], 0.0), "water")
    assert filled[0] is pond[0]
    assert left_m < MOST_BEND_M / 10
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
