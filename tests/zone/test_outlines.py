"""Pieces of a patch share their edges vertex by vertex, also where a spike was taken off one of them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from tussock.base.spikes import drop_spikes
from tussock.zone.kernel import Pieces
from tussock.zone.outlines import drop_piece_spikes, join_faces, mend_outlines

#: Two points on the line from (0, 8) to (100, 72) but for the last digit.
FIRST, SECOND = (45.0, 36.800000000000004), (93.0, 67.52000000000001)
SQUARE = shapely.box(0, 0, 100, 100)


def make_pieces(*geometry):
    none = np.empty(0, np.intp)
    shapes = np.array(geometry, dtype=object)
    return Pieces(shapes, np.zeros(len(shapes), np.intp), np.zeros((len(shapes), 1), dtype=bool), none, none, none)


@pytest.fixture
def folded():
    """Two parts of a square whose common edge runs to the first point, back to the second, and on."""
    low = shapely.Polygon([(0, 0), (100, 0), (100, 72), FIRST, SECOND, (0, 8)])
    high = shapely.Polygon([(100, 72), (100, 100), (0, 100), (0, 8), SECOND, FIRST])
    assert low.is_valid
    assert high.is_valid
    assert shapely.coverage_is_valid([low, high])
    return make_pieces(low, high)


def test_a_spike_taken_off_one_piece_leaves_no_gap_to_the_next(folded):
    alone, spiked = drop_spikes(folded.geometry, 1e-9)
    assert spiked.all()
    assert not shapely.coverage_is_valid(alone)
    pieces = drop_piece_spikes(folded)
    assert shapely.coverage_is_valid(pieces.geometry)
    assert not drop_spikes(pieces.geometry, 1e-9)[1].any()
    assert np.allclose(shapely.area(pieces.geometry), [4000, 6000], rtol=1e-12)
    (joined,) = join_faces(pieces, np.array([0]))
    assert joined.area == pytest.approx(10_000, rel=1e-12)
    assert shapely.hausdorff_distance(joined, SQUARE) < 1e-9


def test_pieces_that_do_not_share_their_vertices_are_joined_as_well(folded):
    alone, _ = drop_spikes(folded.geometry, 1e-9)
    with pytest.raises(shapely.GEOSException):
        shapely.coverage_union_all(alone)
    (joined,) = join_faces(make_pieces(*alone), np.array([0]))
    assert joined.is_valid
    assert joined.area == pytest.approx(10_000, rel=1e-12)


def test_pieces_without_a_spike_come_back_as_they_are():
    pieces = make_pieces(shapely.box(0, 0, 50, 100), shapely.box(50, 0, 100, 100))
    assert drop_piece_spikes(pieces) is pieces


def test_mending_leaves_no_crumbs():
    """A fold of a thousandth of a nanometre is no part of its own afterwards."""
    crossed = shapely.Polygon([(0, 0), (100, 0), (100, 100), (1e-7, 100), (-1e-7, 100 - 1e-7), (0, 100), (-1e-9, 50)])
    assert not crossed.is_valid
    parts = shapely.get_parts(shapely.make_valid(crossed, method="structure", keep_collapsed=False))
    assert len(parts) > 1  # left to itself it makes one
    (mended,) = mend_outlines(np.array([crossed], dtype=object))
    assert mended.is_valid
    assert mended.geom_type == "Polygon"
    assert mended.area == pytest.approx(10_000, rel=1e-9)
