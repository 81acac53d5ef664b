"""In: valid outlines. Out: the same without spikes of no width, which only rounding holds apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.validity import make_valid

FloatArray = NDArray[np.float64]


def drop_spikes(outlines: NDArray[Any], width: float) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Leave out spikes that are thinner than a width.

    A spike is a vertex where the outline turns back onto itself: the end of the shorter edge lies on the longer one.
    Such an outline can be valid by the last digit of a coordinate, and has no ground there.

    Parameters
    ----------
    outlines
        Valid polygons and multipolygons, shape (n,).
    width
        Least width [unit of the coordinates].

    Returns
    -------
    outlines, spiked
        Valid outlines, and which of them had a spike, shape (n,) each. What is nothing but a spike is left as it is.
    """
    xy, owner = shapely.get_coordinates(outlines, return_index=True)
    rings, of_outline = _list_rings(outlines)
    ring = np.repeat(np.arange(len(rings)), shapely.get_num_coordinates(rings)) if len(rings) else owner
    spiked = np.zeros(len(outlines), dtype=bool)
    spiked[of_outline[np.unique(ring[_find_spikes(xy, ring, width)])]] = True
    if not spiked.any():
        return outlines, spiked
    outlines = outlines.copy()
    for place in np.flatnonzero(spiked).tolist():  # a loop over geometry: few outlines ever have one
        rebuilt = _rebuild(outlines[place], width)
        spiked[place] = not rebuilt.is_empty
        outlines[place] = outlines[place] if rebuilt.is_empty else rebuilt
    return outlines, spiked


def _list_rings(outlines: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.intp]]:
    """Return all rings, in the order of their coordinates, and the outline of each."""
    parts, owner = shapely.get_parts(outlines, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    return rings, owner[part]


def _find_spikes(xy: FloatArray, ring: NDArray[np.intp], width: float) -> NDArray[np.intp]:
    """Return the places of the vertices of closed rings at which the outline turns back onto itself."""
    if len(xy) < 3:  # noqa: PLR2004  (no vertex has two edges)
        return np.empty(0, np.intp)
    first = np.flatnonzero(np.r_[True, ring[1:] != ring[:-1]])
    last = np.r_[first[1:], len(xy)] - 1
    before, after = np.arange(len(xy)) - 1, np.arange(len(xy)) + 1
    before[first], after[last] = last - 1, first + 1  # a ring ends with the vertex that it begins with
    back, on = xy[before] - xy, xy[after] - xy
    long, short = np.maximum(*_lengths(back, on)), np.minimum(*_lengths(back, on))
    aside = np.abs(back[:, 0] * on[:, 1] - back[:, 1] * on[:, 0])
    folded = ((back * on).sum(axis=1) > 0) & (aside < width * long) & (short > 0)
    return np.flatnonzero(folded)


def _lengths(one: FloatArray, two: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.hypot(one[:, 0], one[:, 1]), np.hypot(two[:, 0], two[:, 1])


def _rebuild(outline: Any, width: float) -> Any:
    """Return an outline with the spikes of each ring taken off; rings of which nothing is left are gone."""
    parts = []
    for part in shapely.get_parts(outline):
        shell, *holes = (_take_off(shapely.get_coordinates(ring), width) for ring in shapely.get_rings(part))
        if len(shell):
            parts.append(shapely.Polygon(shell, [hole for hole in holes if len(hole)]))
    if not parts:
        return shapely.MultiPolygon()
    whole = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    return whole if whole.is_valid else make_valid(np.array([whole], dtype=object))[0]


def _take_off(xy: FloatArray, width: float) -> FloatArray:
    """Take the tip of a spike off until none is left; each tip takes one vertex, so this ends."""
    while len(xy) >= 4:  # noqa: PLR2004  (a triangle, closed)
        found = _find_spikes(xy, np.zeros(len(xy), dtype=np.intp), width)
        if not len(found):
            return xy
        open_ring = np.delete(xy[:-1], found[0] % (len(xy) - 1), axis=0)
        again = np.any(open_ring != np.roll(open_ring, 1, axis=0), axis=1)  # a vertex that now stands twice
        open_ring = open_ring[again]
        xy = np.vstack([open_ring, open_ring[:1]])
    return xy[:0]
