"""Setbacks from real coastlines, from the equator to 78 degrees, at a UTM zone edge and on both sides of the antimeridian.

Land outlines are those of Natural Earth 1:110m (public domain, naturalearthdata.com) that the package pyogrio carries
for its own tests; land stands in for water here. They are drawn in degrees with edges of many kilometres, straight in
degrees: what is measured to is that line, by geodesics (Karney 2013, doi 10.1007/s00190-012-0578-z).
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS, Geod

from memory_site import make_site, star, zone
from tussock.base.geodesy import move_geometry
from tussock.base.stages import SiteOptions

FOOT_M = 0.3048
WATER_FT = (15, 50, 100)
SETBACKS = [
    {"id": f"WATER-{feet}", "from": {"layer": "water"}, "distance": f"{feet} ft", "forbids": {}} for feet in WATER_FT
]
POINTS = 20_000
#: Lines drawn in degrees are held to half a millimetre when they move; other points of this test to rounding.
DRAWN_M = 5e-4 + 1e-5
PLACES = {
    "equator, Gabon": (9.5, 0.0, 32632),
    "zone edge at 6 degrees east, Norway": (6.0, 58.3, 32632),
    "Svalbard": (15.5, 78.2, 4326),
    "antimeridian, Fiji": (180.0, -16.8, 4326),
    "antimeridian, Chukotka": (180.0, 68.9, 4326),
    "Cape Horn": (-68.3, -55.3, 32719),
}


@pytest.fixture(scope="module")
def land():
    path = Path(pyogrio.__file__).parent / "tests" / "fixtures" / "naturalearth_lowres" / "naturalearth_lowres.shp"
    return gpd.read_file(path)


def find_shore(land, lon, lat):
    """Edges of land within two degrees, as drawn in degrees, with a point every 20 m; east of 180 goes on."""
    shores = []
    for turn in (-360.0, 0.0, 360.0):
        moved = shapely.transform(land.geometry.array, lambda xy, turn=turn: xy + [turn, 0.0])
        box = (lon - 2, lat - 2, lon + 2, lat + 2)
        near = shapely.clip_by_rect(moved[shapely.intersects(moved, shapely.box(*box))], *box)
        shores += [shapely.segmentize(item, 2e-4) for item in near]
    return shapely.union_all(shores)


def make_patches(rng, shore, lon, lat, local, count=40):
    """Patches of 10 to 90 m about points near the shore, in local metres."""
    edge = shapely.boundary(shore)
    along = shapely.line_interpolate_point(edge, rng.uniform(0, 1, 400), normalized=True)
    kept = along[shapely.dwithin(along, shapely.Point(lon, lat), 1.9)][:count]
    middles = shapely.get_coordinates(move_geometry(kept, CRS.from_epsg(4326), local)) + rng.normal(
        0, 30, (len(kept), 2)
    )
    return [shapely.Polygon(star(rng, *middle, rng.uniform(10, 90), 15)) for middle in middles]


@pytest.mark.parametrize("place", PLACES)
def test_setbacks_hold_at_a_real_coast(land, place):
    lon, lat, layer_crs = PLACES[place]
    rng = np.random.default_rng(len(place))
    local = CRS.from_proj4(f"+proj=laea +lat_0={lat} +lon_0={lon} +x_0=50000 +y_0=50000 +datum=WGS84 +type=crs")
    shore = find_shore(land, lon, lat)
    outlines = make_patches(rng, shore, lon, lat, local)
    assert len(outlines) == 40
    columns = {"species": ["a"] * 40, "growth_form": ["shrub"] * 40}
    patches = gpd.GeoDataFrame(columns, geometry=outlines, crs=local).to_crs(layer_crs)
    water = land[["geometry"]].assign(kind="sea", state="wet")
    measured, zoned = zone(make_site(patches, water=water, setbacks=SETBACKS, options=SiteOptions(sliver_area_m2=0.0)))
    summed = zoned.units.groupby("patch_id")["area_m2"].sum()
    assert np.allclose(summed, measured.patches["area_m2"].loc[summed.index], rtol=1e-9, atol=0)
    assert zoned.units["setbacks"].nunique() == 4  # free of all, and the three bands
    checked = check_units(zoned.units, shore, local, rng)
    assert checked >= POINTS  # 120,000 over all places


def check_units(units, shore, local, rng):
    """Points in units, an inner point of each among them: in force where nearer than the distance, and only there."""
    geometry = move_geometry(np.asarray(units.geometry.array, dtype=object), units.crs, local)
    row = np.concatenate([np.arange(len(geometry)), rng.integers(0, len(geometry), 3 * POINTS)])
    box = shapely.bounds(geometry)[row]
    points = shapely.points(rng.uniform(box[:, :2], box[:, 2:]))
    points[: len(geometry)] = shapely.point_on_surface(geometry)
    rim = rng.random(len(row)) < 0.5
    rim[: len(geometry)] = False
    on = shapely.line_interpolate_point(shapely.boundary(geometry[row[rim]]), rng.random(rim.sum()), normalized=True)
    points[rim] = shapely.transform(on, lambda xy: xy + rng.normal(0, 0.05, xy.shape))
    kept = shapely.contains(geometry[row], points)
    kept[: len(geometry)] = True
    points, row = points[kept], row[kept]
    distance = find_distance_m(points, shore, local)
    held = units["setbacks"].str.split(";").to_numpy()[row]
    for feet in WATER_FT:
        has = np.array([f"WATER-{feet}" in ids for ids in held])
        required = feet * FOOT_M
        assert not (~has & (distance <= required - DRAWN_M)).any()
        assert ((distance[has] - required) / required).max(initial=0.0) < 0.003
    return len(points)


def find_distance_m(points, shore, local):
    """Geodesic distance of points to the shore, 0 inside; the nearest of all its short edges is found in local metres."""
    (near,) = move_geometry(np.array([shore], dtype=object), CRS.from_epsg(4326), local)
    xy, ring = shapely.get_coordinates(shapely.get_parts(shapely.boundary(near)), return_index=True)
    start = np.flatnonzero(ring[1:] == ring[:-1])
    edges = shapely.linestrings(np.stack([xy[start], xy[start + 1]], axis=1))
    point, edge = shapely.STRtree(edges).query_nearest(points, all_matches=False)
    ends = shapely.get_coordinates(shapely.shortest_line(points[point], edges[edge]))
    ends = shapely.get_coordinates(move_geometry(shapely.points(ends), local, "EPSG:4326")).reshape(-1, 2, 2)
    distance = Geod(ellps="WGS84").inv(ends[:, 0, 0], ends[:, 0, 1], ends[:, 1, 0], ends[:, 1, 1])[2]
    shapely.prepare(near)
    return np.where(shapely.intersects(near, points), 0.0, distance)
