"""Promises on sites made hard on purpose, against plane distances and areas (GEOS) in the CRS that they are drawn in.

The package takes distances by geodesics and never measures in that CRS; there a length is true to 1e-8.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from hard_sites import make_hard_site
from memory_site import zone

#: What two paths may differ by [m], a share of the distance beside it.
APART_M, APART_SHARE = 2e-3, 1e-5
#: Less is rounding and no over-protection [m].
ROUNDING_M = 2e-5


def distance_m(geometry, features):
    """Plane distance of geometries to the nearest edge of features in their width."""
    half = np.nan_to_num(features["width_m"].to_numpy()) / 2 if "width_m" in features else np.zeros(len(features))
    gaps = [
        np.maximum(shapely.distance(geometry, feature) - own, 0.0)
        for feature, own in zip(features.geometry.array, half, strict=True)
    ]
    return np.min(gaps, axis=0)


def ground_of(features, wider=1.0):
    """The features as ground: polygons, and lines in their width or wider; None where nothing has ground."""
    half = np.nan_to_num(features["width_m"].to_numpy()) / 2 if "width_m" in features else np.zeros(len(features))
    shapes = []
    for shape, own in zip(features.geometry.array, half, strict=True):
        if shape.geom_type.endswith("Polygon"):
            shapes.append(shape)
        elif own > 0:  # segment by segment: a buffer of a line that runs back on itself can lose ground
            ends = [np.asarray(line.coords) for line in shapely.get_parts(shape)]
            pairs = np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in ends])
            shapes += shapely.buffer(shapely.linestrings(pairs), own * wider, quad_segs=64).tolist()
    return shapely.union_all(shapes) if shapes else None


def check_tiling(hard, measured, zoned):
    assert set(zoned.units["patch_id"]) == set(measured.patches.index)
    for patch_id, own in zoned.units.groupby("patch_id"):
        patch, drawn = zoned.patches.geometry.loc[patch_id], measured.patches.geometry.loc[patch_id]
        pieces = np.asarray(own.geometry.array, dtype=object)
        assert shapely.is_valid(pieces).all()
        total = shapely.area(pieces).sum()
        joined = shapely.union_all(pieces)
        assert total == pytest.approx(patch.area, rel=1e-9)
        assert total == pytest.approx(drawn.area, rel=1e-7)  # straight edges bend from one CRS to the other
        assert joined.area == pytest.approx(total, rel=1e-9)  # no overlap
        assert shapely.symmetric_difference(joined, patch).area < 1e-9 * patch.area
        assert own["area_m2"].sum() == pytest.approx(measured.patches["area_m2"].loc[patch_id], rel=1e-9)


def check_setback(hard, zoned, name, features, required):
    units = zoned.units
    geometry = np.asarray(units.geometry.array, dtype=object)
    has = units["setbacks"].str.split(";").map(lambda ids: name in ids).to_numpy()
    told = zoned.nearness[zoned.nearness["setback_id"] == name].set_index("unit_id").loc[units.index]
    assert (told["in_force"].to_numpy() == has).all()
    achieved, distance = told["achieved_m"].to_numpy(), distance_m(geometry, features)
    assert (np.abs(achieved - distance) <= APART_M + APART_SHARE * distance).all()
    need = required + hard.error_m
    if need > 0:
        assert not (~has & (distance < need)).any()  # never under-protected
        if hard.sliver_area_m2 == 0:
            over = find_most_m(geometry, has, features) - need
            assert over <= max(0.003 * need, ROUNDING_M)
    else:
        check_ground(hard, geometry, has, features)
    check_verdicts(told["distance_verdict"].to_numpy(), achieved, has, required, hard.error_m)


def find_most_m(geometry, has, features):
    """Return how far ground with the setback lies at most from the features, at vertices, middles and inner points.

    Threads thinner than the rounding are no ground and left out.
    """
    parts = shapely.get_parts(shapely.buffer(geometry[has], -ROUNDING_M / 2, join_style="mitre"))
    parts = parts[~shapely.is_empty(parts)]
    if not len(parts):
        return -np.inf
    xy, ring = shapely.get_coordinates(shapely.get_rings(parts), return_index=True)
    same = ring[1:] == ring[:-1]
    middles = ((xy[1:] + xy[:-1]) / 2)[same]
    points = [shapely.points(xy), shapely.points(middles), shapely.point_on_surface(parts)]
    return distance_m(np.concatenate(points), features).max()


def check_ground(hard, geometry, has, features):
    """At no distance the setback holds on the features themselves: told by shared area, which no vertex decides."""
    ground = ground_of(features)
    if ground is None:
        return
    on = shapely.area(shapely.intersection(geometry, ground))
    assert (on[~has] <= np.maximum(1e-3, 1e-5 * shapely.area(geometry[~has]))).all()
    if hard.sliver_area_m2 == 0:
        own = geometry[has & ~find_touched(features, geometry)]
        off = shapely.area(shapely.difference(own, ground_of(features, 1.003)))
        assert (off <= 1e-3 + 1e-6 * shapely.area(own)).all()


def find_touched(features, geometry):
    """What a line without width runs through is on it, and so has the setback without ground in common."""
    half = np.nan_to_num(features["width_m"].to_numpy()) / 2
    lines = features.geometry.array[~features.geometry.geom_type.str.endswith("Polygon").to_numpy() & (half == 0)]
    touched = np.zeros(len(geometry), dtype=bool)
    for line in lines:
        touched |= shapely.dwithin(geometry, line, 1e-4)
    return touched


def check_verdicts(verdicts, achieved, has, required, error):
    surely = achieved <= required if error == 0 else achieved < required - error
    expected = np.where(~has, "clear", np.where(surely, "inside", "within error"))
    close = (np.abs(achieved - (required - error)) < 3e-5) | (np.abs(achieved - required) < 3e-5)
    assert (verdicts[~close] == expected[~close]).all()


@settings(max_examples=15)
@given(seed=st.integers(0, 2**32 - 1))
def test_promises_hold_on_hard_sites(seed):
    hard = make_hard_site(seed)
    measured, zoned = zone(hard.site)
    check_tiling(hard, measured, zoned)
    for name, (features, required) in hard.required.items():
        check_setback(hard, zoned, name, features, required)
