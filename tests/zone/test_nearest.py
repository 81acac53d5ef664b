"""The nearest feature of each unit against all distances taken one by one, and the layer of zones against buffers."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from memory_site import make_site, star, zone
from site_factory import local_crs
from tussock.zone.features import find_nearest, make_group
from tussock.zone.outlines import mend_outlines

CORNER = 1 / np.cos(np.pi / 48)  # 24 tangents on half a turn


def make_features(rng, count):
    shapes = [shapely.Point(*xy) for xy in rng.uniform(0, 400, (count, 2)).round()]
    shapes += [shapely.LineString(np.cumsum(rng.normal(0, 12, (30, 2)), axis=0) + 200) for _ in range(3)]
    shapes += [shapely.Polygon(star(rng, *xy, 45, 40)) for xy in rng.uniform(0, 400, (4, 2))]
    shapes += shapes[:5]  # drawn twice
    width = np.where([shape.geom_type == "LineString" for shape in shapes], rng.uniform(0, 20, len(shapes)), 0.0)
    columns = {"label": [f"f{k}" for k in range(len(shapes))], "width_m": width, "width_assumed": False}
    return shapes, make_group(gpd.GeoDataFrame(columns, geometry=shapes), np.ones(len(shapes), dtype=bool))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), spread=st.sampled_from([0.0, 30.0]))
def test_the_nearest_is_the_least_of_all_and_of_equals_the_first(seed, spread):
    rng = np.random.default_rng(seed)
    shapes, group = make_features(rng, 12)
    units = np.array([shapely.Polygon(star(rng, *xy, 25, 12)) for xy in rng.uniform(-50, 450, (40, 2))], dtype=object)
    credit = group.offset_m + rng.uniform(0, spread, len(group)) if spread else None
    found = find_nearest(group, units, credit)
    outlines = [shapely.boundary(shape) if shape.geom_type == "Polygon" else shape for shape in shapes]
    core = shapely.distance(units[:, None], np.array(outlines, dtype=object)[None, :])
    score = core - (group.offset_m if credit is None else credit)
    inside = shapely.intersects(units[:, None], np.array(shapes, dtype=object)[None, :])
    for place in range(len(units)):
        nearest = int(np.argmin(score[place]))
        gap = max(core[place, nearest] - group.offset_m[nearest], 0.0)
        areal = [k for k in np.flatnonzero(inside[place]).tolist() if shapes[k].geom_type == "Polygon"]
        if areal and gap > 0:
            nearest, gap = areal[0], 0.0
        assert found.distance_m[place] == pytest.approx(gap, abs=1e-9)
        tied = np.flatnonzero(score[place] <= score[place].min() + 1e-12)
        assert found.owner[place] == nearest or found.owner[place] in tied
        if found.owner[place] in tied and gap > 0:
            assert found.owner[place] == tied[0]


def test_the_layer_of_zones_lies_between_two_buffers():
    rng = np.random.default_rng(4)
    crs = local_crs()
    at = rng.uniform(0, 1200, (80, 2))
    frame = gpd.GeoDataFrame(
        {"species": "a", "growth_form": "shrub", "geometry": [shapely.Polygon(star(rng, *xy, 30, 12)) for xy in at]},
        crs=crs,
    )
    # a long shore through several tiles, small ponds and streams whole in one
    x = np.arange(0, 1300, 4.0)
    lake = shapely.Polygon(np.r_[np.c_[x, 600 + 30 * np.sin(x / 40) + rng.normal(0, 1, len(x))], [(1300, 0), (0, 0)]])
    ponds = [shapely.Polygon(star(rng, *xy, 30, 30)) for xy in rng.uniform(0, 1200, (12, 2))]
    streams = [shapely.LineString(np.cumsum(rng.normal(0, 12, (50, 2)), axis=0) + xy) for xy in at[:6]]
    shapes = [lake, *ponds, *streams]
    width = np.r_[np.zeros(13), np.full(6, 5.0)]
    water = gpd.GeoDataFrame({"kind": "pond", "state": "wet", "width_m": width}, geometry=shapes, crs=crs)
    distances = (0.0, 5.0, 40.0)
    rules = [
        {"id": f"R{k}", "from": {"layer": "water"}, "distance": f"{d} m", "forbids": {}}
        for k, d in enumerate(distances)
    ]
    _, zoned = zone(make_site(frame, water=water, setbacks=rules))
    assert zoned.zones.geometry.is_valid.all()
    ground = frame.geometry.union_all().buffer(100)  # the layer shows more than that around the patches
    for shown, distance in zip(zoned.zones.geometry.to_list(), distances, strict=True):
        inner = shapely.union_all(shapely.buffer(shapes, distance + width / 2, quad_segs=90))
        outer = shapely.union_all(shapely.buffer(shapes, (distance + width / 2) * CORNER + 1e-3, quad_segs=90))
        short = shapely.difference(shapely.intersection(inner, ground), shown).area
        over = shapely.difference(shapely.intersection(shown, ground), outer).area
        # the buffers leave out inner corners by a hundredth of a percent of the distance, along the outline
        slack = 1e-4 * (distance + 1) * inner.length
        assert short < slack
        assert over < slack


def test_outlines_are_mended_part_by_part():
    bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    apart, touching = shapely.box(5, 5, 6, 6), [shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)]
    given = np.array([apart, bow, shapely.MultiPolygon([bow, apart]), shapely.MultiPolygon(touching)], dtype=object)
    mended = mend_outlines(given)
    assert shapely.is_valid(mended).all()
    assert shapely.area(mended).tolist() == [1.0, 0.5, 1.5, 2.0]
    assert mended[0] is apart
    assert not shapely.is_valid(given[1])  # what was handed in is as it was
