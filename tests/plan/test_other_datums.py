"""Sites of five countries in their own grids: every delivered unit keeps its distance, and the review agrees.

Distances are taken here from the delivered file alone: vertices of units and points every 5 cm along the shore, moved to
degrees and measured as geodesics by pyproj.Geod. A shift between datums takes no heights and does not lead back exactly
(1.0 to 1.7 mm for EPSG:2056 and 5514), so nothing of a plan may go there and back.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod

import tussock
from site_factory import NO_RULES, Sites

#: EPSG code, a place in its grid, and another CRS there on another datum.
GRIDS = {
    2056: (2_600_000, 1_200_000, "EPSG:32632"),
    5514: (-740_000, -1_045_000, "EPSG:32633"),
    27700: (450_000, 350_000, "EPSG:32630"),
    2193: (1_570_000, 5_180_000, "EPSG:32759"),
    7855: (520_000, 5_250_000, "EPSG:32755"),
}
RULE = """
[[setback]]
id = "W30"
from = { layer = "water" }
distance = "30 m"
forbids = {}
source = "invented for tests"
"""


def to_shore_m(units, water):
    """The least geodesic on WGS 84 from vertices of units to points every 5 cm along the shore."""
    shore = shapely.get_coordinates(shapely.segmentize(water.geometry.iloc[0].boundary, 0.05))
    corner = shapely.get_coordinates(shapely.segmentize(units.geometry.boundary.to_numpy(), 5.0))
    near = np.linalg.norm(corner[:, None] - shore[None], axis=2).argmin(axis=1)
    points = (gpd.GeoSeries(shapely.points(xy), crs=units.crs).to_crs(4326) for xy in (corner, shore[near]))
    (lon, lat), (to_lon, to_lat) = (shapely.get_coordinates(item).T for item in points)
    return Geod(ellps="WGS84").inv(lon, lat, to_lon, to_lat)[2]


@pytest.mark.parametrize("named", [False, True])
@pytest.mark.parametrize("code", GRIDS)
def test_delivered_units_keep_their_distance(tmp_path, code, named):
    east, north, other = GRIDS[code]
    patch = shapely.box(east, north, east + 90, north + 60)
    lake = shapely.Polygon(
        [(east - 80, north - 90), (east + 20, north - 20), (east - 15, north + 20), (east - 90, north)]
    )
    row = {"patch_id": "A", "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": patch}
    site = Sites(tmp_path).write(
        [row],
        water=[{"kind": "lake", "geometry": lake}],
        rules=NO_RULES + RULE,
        crs=f"EPSG:{code}",
        site=f'crs = "{other}"\ncrs_area_tolerance = "1 %"' if named else "",
    )
    plan = tussock.make_plan(tussock.read_site(site))
    folder = plan.write(tmp_path / "plan")
    units = gpd.read_file(folder / "plan.gpkg", layer="units").set_index("setbacks")
    water = gpd.read_file(folder / "plan.gpkg", layer="water")
    assert sorted(units.index) == ["", "W30"]
    away = to_shore_m(units.loc[[""]], water)
    assert away.min() >= 30
    assert away.min() < 30 + (0.01 if named else 0.001)
    # as drawn: no vertex of the lake has moved, and the corners of the patch stand where they were
    assert shapely.get_coordinates(water.geometry.iloc[0]).tolist() == shapely.get_coordinates(lake).tolist()
    outline = gpd.read_file(folder / "plan.gpkg", layer="patches").geometry.iloc[0]
    corners = shapely.points(shapely.get_coordinates(patch))
    moved = shapely.distance(corners, shapely.multipoints(shapely.get_coordinates(outline))).max()
    assert moved < (3e-3 if named else 1e-6)
    found = tussock.review_plan(folder, site)
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
