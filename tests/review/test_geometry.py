"""Distances and areas of the review against a third path: geographiclib (Karney 2013), place by place."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from tussock.review.geometry import (
    cut_edges,
    find_geodesic_area_m2,
    move_edges,
    move_outlines,
    split_site,
)
from tussock.review.nearest import Search, find_unsure

WGS84 = Geodesic.WGS84


def inverse_m(one, two):
    """Geodesic distance by geographiclib."""
    return WGS84.Inverse(one[1], one[0], two[1], two[0], Geodesic.DISTANCE)["s12"]


def find_nearest(outlines, features, credit_m=None):
    """Owner and distance of the nearest feature of each outline, both in degrees."""
    edges = cut_edges(features)
    credit = np.zeros(len(features)) if credit_m is None else np.asarray(credit_m, dtype=float)
    points = shapely.get_coordinates(shapely.point_on_surface(outlines))
    owner, distance = np.full(len(outlines), -1), np.full(len(outlines), np.nan)
    for part in split_site(points[:, 0], points[:, 1]):
        near = move_edges(edges, part)
        local = move_outlines(outlines[part.members], part.to_local)
        some = Search(local, near, part).nearest(credit)
        unsure = np.flatnonzero(find_unsure(some, near, credit))
        if len(unsure):
            every = move_edges(edges, part, np.ones(len(features), dtype=bool))
            far = Search(local[unsure], every, part).nearest(credit)
            some.owner[unsure], some.distance_m[unsure] = far.owner, far.distance_m
        owner[part.members], distance[part.members] = some.owner, some.distance_m
    return owner, distance


def test_ten_thousand_pairs_agree_with_geographiclib_to_a_millimetre():
    """A hundred sites anywhere, a hundred pairs of points each, up to some 3 km apart."""
    rng = np.random.default_rng(7)
    worst = 0.0
    for _ in range(100):
        lon, lat = rng.uniform(-180, 180), rng.uniform(-88, 88)
        spread = np.array([0.03 / np.cos(np.radians(lat)), 0.03])
        units, features = (np.array([lon, lat]) + rng.uniform(-0.5, 0.5, (100, 2)) * spread for _ in range(2))
        owner, distance = find_nearest(shapely.points(units), shapely.points(features))
        expected = [inverse_m(unit, features[place]) for unit, place in zip(units, owner, strict=True)]
        worst = max(worst, float(np.abs(distance - expected).max()))
    assert worst < 1e-3


def test_the_nearest_of_all_is_found():
    rng = np.random.default_rng(8)
    units = np.array([12.0, 47.0]) + rng.uniform(-0.01, 0.01, (40, 2))
    features = np.array([12.0, 47.0]) + rng.uniform(-0.01, 0.01, (60, 2))
    owner, _ = find_nearest(shapely.points(units), shapely.points(features))
    expected = [int(np.argmin([inverse_m(unit, feature) for feature in features])) for unit in units]
    assert owner.tolist() == expected


def test_the_nearest_point_of_a_shore_lies_between_its_vertices():
    """The shortest of 20,000 geodesics to a finely cut straight shore of 300 m is no shorter, and at most 1 mm longer."""
    to_degrees = pyproj.Transformer.from_crs("+proj=aeqd +lat_0=61 +lon_0=25 +datum=WGS84", "EPSG:4326", always_xy=True)
    ends = np.column_stack(to_degrees.transform([-150.0, 150.0], [40.0, 95.0]))
    unit = np.array(to_degrees.transform(10.0, -3.0))
    _, distance = find_nearest(np.array([shapely.Point(unit)]), np.array([shapely.LineString(ends)]))
    line = WGS84.InverseLine(ends[0, 1], ends[0, 0], ends[1, 1], ends[1, 0])
    steps = [line.Position(part * line.s13) for part in np.linspace(0, 1, 20_001)]
    brute = min(inverse_m(unit, (step["lon2"], step["lat2"])) for step in steps[8_000:13_000])
    assert brute - 1e-3 <= distance[0] <= brute + 1e-6


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ((179.9995, 10.0), (-179.9995, 10.0)),
        ((20.0, 89.9999), (-160.0, 89.9999)),
        ((0.0, -89.99995), (90.0, -89.99995)),
    ],
)
def test_the_antimeridian_and_the_poles_are_no_edge(one, two):
    _, distance = find_nearest(np.array([shapely.Point(one)]), np.array([shapely.Point(two)]))
    assert distance[0] == pytest.approx(inverse_m(one, two), abs=1e-3)


def test_a_feature_far_away_is_found_too():
    units, features = (
        np.array([shapely.Point(8.0, 50.0)]),
        np.array([shapely.Point(9.5, 50.5), shapely.Point(-70.0, 4.0)]),
    )
    owner, distance = find_nearest(units, features)
    assert owner.tolist() == [0]
    assert distance[0] == pytest.approx(inverse_m((8.0, 50.0), (9.5, 50.5)), rel=1e-9)


def test_the_wider_credit_binds_even_where_another_feature_is_nearer():
    units = np.array([shapely.Point(0.0, 45.0)])
    features = np.array([shapely.Point(0.0, 45.0005), shapely.Point(0.0, 44.999)])
    assert find_nearest(units, features, [0.0, 0.0])[0].tolist() == [0]
    assert find_nearest(units, features, [0.0, 100.0])[0].tolist() == [1]


def test_a_unit_inside_a_lake_stands_on_it():
    lake = shapely.box(10.0, 50.0, 10.1, 50.1)
    pool = shapely.Polygon(
        shapely.box(10.0, 50.0, 10.1, 50.1).exterior, [shapely.box(10.04, 50.04, 10.06, 50.06).exterior]
    )
    unit = np.array([shapely.box(10.0499, 50.0499, 10.0501, 50.0501)])
    assert find_nearest(unit, np.array([lake]))[1].tolist() == [0.0]
    assert find_nearest(unit, np.array([pool]))[1][0] > 600


def test_areas_agree_with_geographiclib():
    rng = np.random.default_rng(9)
    for _ in range(30):
        lon, lat, size = rng.uniform(-179, 179), rng.uniform(-80, 80), 10 ** rng.uniform(-4, -1)
        angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        xy = np.column_stack([lon + size * np.cos(angle), lat + size * np.sin(angle)])
        ring = WGS84.Polygon()
        for x, y in xy:
            ring.AddPoint(y, x)
        expected = abs(ring.Compute(False, True)[2])
        found = find_geodesic_area_m2(np.array([shapely.Polygon(xy)]))[0]
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-4)


def test_holes_and_parts_add_up():
    outer, inner = shapely.box(5.0, 60.0, 5.1, 60.1), shapely.box(5.02, 60.02, 5.05, 60.05)
    apart = shapely.box(6.0, 60.0, 6.1, 60.1)
    shapes = np.array(
        [outer, inner, shapely.difference(outer, inner), shapely.MultiPolygon([outer, apart]), shapely.Polygon()]
    )
    whole, hole, ring, two, none = find_geodesic_area_m2(shapes)
    assert ring == pytest.approx(whole - hole, rel=1e-12)
    assert two == pytest.approx(2 * whole, rel=1e-9)
    assert none == 0.0
