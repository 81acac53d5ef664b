"""Promises for tiny patches in a CRS with large coordinates: UTM, five thousand kilometres north of its origin.

A coordinate of 5e6 m is good to 9e-10 m (a double has 53 binary places); a patch of one square metre has an outline of
about four metres, so a face may be off by 4e-9 of it. Cut around an origin of whole metres it is not.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from memory_site import make_site, star, zone
from tussock.base.stages import SiteOptions
from tussock.zone.origin import NO_ORIGIN, choose_origin

UTM = "EPSG:32616"
ORIGIN = np.array([500_000.0, 5_000_000.0])
DISTANCES = (4.572, 15.24, 30.48)
RULES = [
    {"id": f"W-{place}", "from": {"layer": "water"}, "distance": f"{distance} m", "forbids": {}}
    for place, distance in enumerate(DISTANCES)
]


def make_tiny_site(seed, area_m2, count=150, origin=ORIGIN):
    """Star-shaped patches across the edges of three zones around a lake."""
    rng = np.random.default_rng(seed)
    along = np.linspace(0, 600, 150)
    shore = np.column_stack([along, 40 * np.sin(along / 150) + 8 * np.sin(along / 31) + rng.normal(0, 0.5, 150)])
    lake = shapely.Polygon(np.concatenate([shore, shore[::-1] - [0, 60]]) + origin)
    off = np.column_stack([np.zeros(count), rng.choice([0, *DISTANCES], count)])
    at = shore[rng.integers(0, 150, count)] + off + rng.normal(0, 1.5, (count, 2)) + origin
    radius = 1.4 * np.sqrt(area_m2 / np.pi)
    patches = gpd.GeoDataFrame(
        {"species": [f"s{k}" for k in range(count)], "growth_form": "shrub"},
        geometry=[shapely.Polygon(star(rng, *xy, radius, 9)) for xy in at],
        crs=UTM,
    )
    water = gpd.GeoDataFrame({"kind": ["lake"], "state": ["wet"]}, geometry=[lake], crs=UTM)
    options = SiteOptions(crs=UTM, crs_area_tolerance=2e-3, sliver_area_m2=0.0)
    return make_site(patches, water=water, setbacks=RULES, options=options)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1), area_m2=st.sampled_from([10.0, 1.0]))
def test_tiny_patches_tile_and_keep_their_distance(seed, area_m2):
    measured, zoned = zone(make_tiny_site(seed, area_m2))
    assert (zoned.patches["unit_count"] > 1).sum() > 10
    summed = zoned.units.groupby("patch_id")["area_m2"].sum()
    assert np.allclose(summed, measured.patches["area_m2"].loc[summed.index], rtol=1e-9, atol=0)
    # as delivered, vertices stand on the grid of doubles; areas are taken about the origin, where they are exact
    units, patches = (
        gpd.GeoSeries(shapely.transform(frame.geometry.array, lambda xy: xy - ORIGIN), index=frame.index)
        for frame in (zoned.units, zoned.patches)
    )
    area = units.area.groupby(zoned.units["patch_id"]).sum()
    assert np.abs(area / patches.area.loc[area.index] - 1).max() < 1e-9
    assert zoned.units.geometry.is_valid.all()
    free = zoned.nearness[~zoned.nearness["in_force"].astype(bool)]
    assert len(free) > 50
    assert (free["achieved_m"] >= free["required_m"] * (1 - 1e-9)).all()  # geodesics, to the mapped edge


def test_an_origin_far_off_changes_nothing_but_the_last_digits():
    """The same ground in UTM and moved to where coordinates are small (a CRS of the test's own, otherwise UTM)."""
    _, far = zone(make_tiny_site(3, 10.0))
    assert choose_origin(*far.patches.total_bounds) == (500_000.0, 5_000_000.0)
    near = make_tiny_site(3, 10.0, origin=np.zeros(2))
    # UTM zone 16 by its own parameters (EPSG guidance note 7-2), with its false origin moved
    definition = f"+proj=tmerc +lat_0=0 +lon_0=-87 +k=0.9996 +x_0={500_000 - ORIGIN[0]} +y_0={-ORIGIN[1]} +datum=WGS84"
    frames = {
        name: layer.frame.set_crs(definition + " +units=m +type=crs", allow_override=True)
        for name, layer in near.layers.items()
    }
    options = SiteOptions(crs=definition + " +units=m +type=crs", crs_area_tolerance=2e-3, sliver_area_m2=0.0)
    moved = make_site(frames["infestations"], water=frames["water"], setbacks=RULES, options=options)
    _, close = zone(moved)
    assert far.units.index.tolist() == close.units.index.tolist()
    assert far.units["setbacks"].tolist() == close.units["setbacks"].tolist()
    shapes = shapely.transform(far.units.geometry.array, lambda xy: xy - ORIGIN)
    # an outline of 12 m, each vertex half a nanometre off
    assert shapely.area(shapes) == pytest.approx(close.units.geometry.area.to_numpy(), rel=0, abs=1e-8)


def test_a_site_around_its_own_centre_keeps_its_origin():
    assert choose_origin(-180_000, -180_000, 180_000, 180_000) == NO_ORIGIN
    assert choose_origin(650_120, 4_999_000, 650_980, 5_000_300) == (651_000.0, 5_000_000.0)
