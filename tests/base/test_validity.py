"""Outlines mended: no ground may go, which a buffer of nothing can lose, against the faces of the noded outline (GEOS)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from tussock.base.validity import make_valid

#: Crosses itself once, and again within some 1e-11 m at a corner: GEOS 3.13 and 3.14 leave nothing of it.
CROSSED = shapely.Polygon(
    [
        (50599.94739835514, 20610.688500598768),
        (50625.69756026119, 20601.951050744443),
        (50640.835701380245, 20610.693561198976),
        (50646.139491653, 20619.882624792048),
        (50647.5230531876, 20630.401885882),
        (50646.13732693705, 20637.36389809425),
        (50665.81127099227, 20628.66307032206),
        (50665.81151166531, 20626.719559081146),
        (50665.81151166531, 20626.719559086105),
        (50664.98828311538, 20622.421225975395),
    ]
)
BOW = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])


def faces_of(outline):
    """Area that the lines of an outline enclose."""
    return shapely.area(shapely.get_parts(shapely.polygonize([shapely.union_all(outline.boundary)]))).sum()


def test_an_outline_that_the_library_loses_keeps_its_ground():
    assert not CROSSED.is_valid
    assert shapely.make_valid(CROSSED, method="structure", keep_collapsed=False).area < 0.1 * faces_of(CROSSED)
    (mended,) = make_valid(np.array([CROSSED], dtype=object))
    assert mended.is_valid
    assert mended.area == pytest.approx(faces_of(CROSSED), rel=1e-9)
    assert mended.area == pytest.approx(573.7, abs=0.1)


def test_it_keeps_its_ground_as_a_part_and_around_a_hole():
    hole = shapely.box(50655, 20624, 50656, 20625)
    assert shapely.contains(shapely.union_all(shapely.polygonize([shapely.union_all(CROSSED.boundary)])), hole)
    holed = shapely.Polygon(CROSSED.exterior, [hole.exterior.coords])
    both = shapely.MultiPolygon([holed, shapely.box(0, 0, 10, 10)])
    (mended,) = make_valid(np.array([both], dtype=object))
    assert mended.is_valid
    assert mended.area == pytest.approx(faces_of(CROSSED) - 1 + 100, rel=1e-9)


def test_what_the_library_mends_well_is_left_as_it_mends_it():
    """Both lobes of a bow, a hole that reaches out of its shell, lines and points."""
    out = shapely.Polygon([(0, 0), (10, 0), (10, 10), (0, 10)], [[(5, 5), (15, 5), (15, 6), (5, 6)]])
    line = shapely.LineString([(0, 0), (1, 1)])
    shapes = np.array([BOW, out, line, shapely.Point(1, 2), None], dtype=object)
    mended = make_valid(shapes)
    assert shapely.area(mended[:2]).tolist() == pytest.approx([50, 95])
    assert mended[2].equals(line)
    assert mended[3].equals(shapely.Point(1, 2))
    assert mended[4] is None


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=4, max_size=9),
    st.integers(0, 8),
    st.floats(-2e-11, 2e-11),
)
def test_no_outline_loses_ground(corners, place, fold):
    """A random outline with a fold of some 1e-11 m at a corner keeps all ground that goes around once."""
    x, y = corners[place % len(corners)]
    outline = shapely.Polygon([*corners, (x + fold, y + 1e-11), (x, y)])
    (mended,) = make_valid(np.array([outline], dtype=object))
    assert mended.is_valid
    odd = shapely.area(shapely.get_parts(shapely.make_valid(outline, method="linework"))).sum()
    assert mended.area >= odd * (1 - 1e-9)
