"""Which feature, how far, how sure: each unit and setback against every feature, by geographiclib (Karney 2013,
doi 10.1007/s00190-012-0578-z), a geodesic library of its own.

The nearest points are found here one feature at a time in a transverse Mercator projection of their own.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from memory_site import make_site, star, zone
from tussock.base.stages import SiteOptions

RULES_M = {"NEAR": 20.0, "FAR": 60.0, "POINT": 35.0}
SETBACKS = [
    {"id": "NEAR", "from": {"layer": "water"}, "distance": "20 m", "forbids": {}},
    {"id": "FAR", "from": {"layer": "water"}, "distance": "60 m", "forbids": {}},
    {"id": "POINT", "from": {"layer": "receptors"}, "distance": "35 m", "forbids": {}},
]


def make_random_site(seed, lat, accuracy_m):
    rng = np.random.default_rng(seed)
    crs = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0=12 +x_0=20000 +y_0=10000 +datum=WGS84")
    middle = np.array([20_300.0, 10_200.0])

    def place():
        return middle + rng.uniform(-220, 220, 2)

    ponds = [shapely.Polygon(star(rng, *place(), rng.uniform(10, 60), 20)) for _ in range(4)]
    streams = [shapely.LineString(place() + np.cumsum(rng.normal(0, 25, (8, 2)), axis=0)) for _ in range(3)]
    width = rng.uniform(1, 6, 3)
    water = gpd.GeoDataFrame(
        {
            "name": [f"w{number}" for number in range(7)],
            "kind": ["pond"] * 4 + ["stream"] * 3,
            "state": ["wet"] * 7,
            "width_m": [np.nan] * 4 + list(width),
        },
        geometry=ponds + streams,
        crs=crs,
    )
    wells = gpd.GeoDataFrame(
        {"name": [f"r{number}" for number in range(5)], "kind": ["well"] * 5},
        geometry=[shapely.Point(place()) for _ in range(5)],
        crs=crs,
    )
    outlines = [shapely.Polygon(star(rng, *place(), rng.uniform(10, 60), 12)) for _ in range(6)]
    patches = gpd.GeoDataFrame({"species": ["a"] * 6, "growth_form": ["shrub"] * 6}, geometry=outlines, crs=crs)
    site = make_site(
        patches,
        water=water,
        receptors=wells,
        setbacks=SETBACKS,
        accuracy_m=accuracy_m,
        options=SiteOptions(sliver_area_m2=0.0),
    )
    return site, water, wells


def measure(unit, features, to_degrees):
    """Label and geodesic distance of each feature's edge to a unit, 0 where they share ground."""
    found = {}
    for row in features.itertuples():
        width = getattr(row, "width_m", np.nan)
        half = 0.0 if np.isnan(width) else width / 2
        (x0, y0), (x1, y1) = shapely.get_coordinates(shapely.shortest_line(unit, row.geometry))
        lon, lat = to_degrees.transform([x0, x1], [y0, y1])
        between = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[1], lon[1])["s12"]
        found[f"{row.kind} {row.name}"] = max(between - half, 0.0)
    return found


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1), lat=st.sampled_from([0.0, 47.0, 78.0]), accuracy_m=st.sampled_from([None, 2.5]))
def test_feature_distance_point_pair_and_verdict(seed, lat, accuracy_m):
    site, water, wells = make_random_site(seed, lat, accuracy_m)
    measured, zoned = zone(site)
    to_degrees = Transformer.from_crs(water.crs, 4326, always_xy=True)
    error_m = 2 * (accuracy_m or 0.0)
    assert len(zoned.nearness) == len(zoned.units) * len(RULES_M)  # every unit, every setback
    units = zoned.units.geometry
    for row in zoned.nearness.itertuples():
        features = wells if row.setback_id == "POINT" else water
        distances = measure(units[row.unit_id], features, to_degrees)
        least = min(distances.values())
        # which: the feature named is a nearest one
        slack = 1e-5 + measured.crs.distance_error * least  # the nearest point is looked for in the CRS
        assert distances[row.feature] <= least + slack
        # how far: exact
        assert row.achieved_m == pytest.approx(least, abs=slack)
        assert row.required_m == RULES_M[row.setback_id]
        # the pair of points: one on the unit, the other on the feature's edge, as far apart as is said
        between = Geodesic.WGS84.Inverse(row.from_lat, row.from_lon, row.to_lat, row.to_lon)["s12"]
        assert between == pytest.approx(row.achieved_m, abs=1e-5)
        near, far = (
            shapely.Point(to_degrees.transform(*pair, direction="INVERSE"))
            for pair in ((row.from_lon, row.from_lat), (row.to_lon, row.to_lat))
        )
        assert units[row.unit_id].distance(near) < 1e-5
        if least > 1e-5:
            own = features[features["kind"] + " " + features["name"] == row.feature].iloc[0]
            half = np.nan_to_num(own.get("width_m", np.nan)) / 2
            assert own.geometry.distance(far) == pytest.approx(half, abs=1e-2 * half + 1e-5)
        # how sure
        assert row.error_m == error_m
        assert row.in_force == (row.setback_id in zoned.units["setbacks"][row.unit_id].split(";"))
        assert row.distance_verdict == expect_verdict(row, error_m)


def expect_verdict(row, error_m):
    """In words: nearer than the distance by more than the error; further by more than the error; or neither."""
    slack = 2e-5
    if row.achieved_m > (row.required_m + error_m) * 1.003:
        return "clear"
    if not row.in_force:
        assert row.achieved_m >= row.required_m + error_m - slack
        return "clear"
    if error_m == 0:
        return "inside" if row.achieved_m <= row.required_m else "within error"
    return "inside" if row.achieved_m < row.required_m - error_m - slack / 2 else "within error"
