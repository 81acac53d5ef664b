"""Spikes of no width: what only the last digit of a coordinate holds apart has no ground and is no edge to measure from."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from memory_site import make_site, zone
from site_factory import local_crs
from tussock.base.spikes import drop_spikes

WIDTH_M = 1e-6
SQUARE = [(0.0, 0.0), (60.0, 0.0), (60.0, 60.0), (0.0, 60.0)]
# one part in 1e15 aside: valid for the library's exact predicates, 40 m long, no ground
SPIKE = [(60.0, 60.0), (60.000000000000014, 100.0), (59.99999999999999, 60.0)]


def test_a_spike_goes_and_its_ground_stays():
    # by hand: 60 m x 60 m; the box no longer reaches to 100
    outline = shapely.Polygon([*SQUARE[:2], *SPIKE, SQUARE[3]])
    (mended,), spiked = drop_spikes(np.array([outline]), WIDTH_M)
    assert spiked.tolist() == [True]
    assert mended.is_valid
    assert mended.area == pytest.approx(3600.0, rel=1e-12)
    assert mended.bounds == pytest.approx((0.0, 0.0, 60.0, 60.0), abs=1e-9)


def test_a_spike_at_the_first_vertex_of_a_ring_and_into_a_hole():
    around = [(-1e-14, 40.0), (0.0, 0.0), (60.0, 0.0), (60.0, 60.0), (0.0, 60.0)]
    hole = [
        (20.0, 20.0),
        (40.0, 20.0),
        (40.0, 40.0),
        (30.0, 40.0),
        (30.0, 25.0),
        (30.000000000000004, 40.0),
        (20.0, 40.0),
    ]
    shells = np.array(
        [
            shapely.Polygon([(0.0, 60.0), (0.0, 90.0), (1e-14, 60.0), *around[3:4], *around[2:3], *around[1:2]]),
            shapely.Polygon(SQUARE, [hole]),
        ]
    )
    mended, spiked = drop_spikes(shells, WIDTH_M)
    assert spiked.all()
    assert shapely.is_valid(mended).all()
    assert shapely.area(mended) == pytest.approx([3600.0, 3200.0], rel=1e-12)


def test_a_spike_in_one_part_of_several_leaves_the_others():
    other = shapely.box(200, 0, 210, 10)
    outline = shapely.MultiPolygon([other, shapely.Polygon([*SQUARE[:2], *SPIKE, SQUARE[3]])])
    (mended,), _ = drop_spikes(np.array([outline]), WIDTH_M)
    assert mended.geoms[0].equals_exact(other)
    assert mended.area == pytest.approx(3700.0, rel=1e-12)


def test_a_spike_as_wide_as_ground_stays():
    # 1 mm wide at its foot and 40 m long: thin, but drawn
    outline = shapely.Polygon([*SQUARE[:2], (60.0, 60.0), (59.9995, 100.0), (59.999, 60.0), SQUARE[3]])
    (kept,), spiked = drop_spikes(np.array([outline]), WIDTH_M)
    assert not spiked.any()
    assert kept is outline


@given(
    radii=st.lists(st.floats(1.0, 50.0), min_size=3, max_size=30),
    place=st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)),
)
def test_outlines_without_a_spike_are_left_as_they_are(radii, place):
    angle = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    xy = np.column_stack([np.cos(angle), np.sin(angle)]) * np.array(radii)[:, None] + place
    outline = np.array([shapely.Polygon(xy)])
    mended, spiked = drop_spikes(outline, WIDTH_M)
    assert mended is outline
    assert not spiked.any()


def test_an_outline_that_is_nothing_but_a_spike_is_left_as_it_is():
    thread = shapely.Polygon([(0.0, 0.0), (50.0, 0.0), (50.0, 1e-8), (0.0, 1e-8)])
    (kept,), spiked = drop_spikes(np.array([thread]), WIDTH_M)
    assert kept.equals_exact(thread)
    assert not spiked.any()


def test_no_outlines_at_all():
    mended, spiked = drop_spikes(np.empty(0, dtype=object), WIDTH_M)
    assert not len(mended)
    assert not len(spiked)


def test_a_hole_that_all_but_meets_its_crossing_shell_is_planned():
    """Rebuilding leaves a spike of 38 m along the edge that shell and hole share; it kept the cut from adding up."""
    shell = [(60.0, 0.0), (0.0, 40.0), (60.0, 35.0), (0.0, 0.0), (50.0, 30.0)]
    hole = [(60.0, 0.0), (0.0, 40.0), (60.0, 35.0), (55.0, 0.0), (0.0, 0.0), (55.0, 20.0)]
    outline = shapely.Polygon(shell, [hole])
    frame = gpd.GeoDataFrame(
        {"patch_id": ["P0"], "species": ["a"], "growth_form": ["shrub"]}, geometry=[outline], crs=local_crs()
    )
    water = gpd.GeoDataFrame(
        {"kind": ["pond"], "state": ["wet"]}, geometry=[shapely.box(-20, 20, 400, 30)], crs=frame.crs
    )
    setback = {"id": "W", "from": {"layer": "water"}, "distance": "10 m", "forbids": {}}
    measured, zoned = zone(make_site(frame, water=water, setbacks=[setback]))
    assert zoned.units["area_m2"].sum() == pytest.approx(measured.patches["area_m2"].sum(), rel=1e-9)
    # by hand: what is left is the triangle (0, 0), (32, 56/3), (600/19, 360/19) of 160/19 m2; the spike went on to (0, 40)
    assert zoned.units["area_m2"].sum() == pytest.approx(160 / 19, rel=1e-5)
    assert zoned.units.total_bounds[3] == pytest.approx(360 / 19, abs=1e-6)
