"""In: outlines with long straight edges. Out: the same with points on those edges, so that they stay as they are drawn.

A straight edge between two vertices is straight in the CRS of its layer and bends in another: one of 5 km along a
parallel at 45 degrees, drawn in degrees, stands half a metre off the straight line that its two ends would give.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Bends of edges, shape (n,) [m], from their two ends, shape (n, 2) each.
FindBend = Callable[[FloatArray, FloatArray], FloatArray]
#: Most that edges may bend [m], from their two ends, the number of the edge that each is a piece of, and its bend.
FindMost = Callable[[FloatArray, FloatArray, IntArray, FloatArray], FloatArray]

#: An edge is split in at most so many pieces at once; what still bends is split again.
_MOST_PIECES: Final = 64
_MOST_ROUNDS: Final = 12
#: Pieces bend by a little less than they may, so that they are not split again for the rounding.
_MARGIN: Final = 1.05
_LINE, _POLYGON = 1, 3  # types in GEOS


@dataclass(frozen=True)
class Held:
    """Outlines with points on their edges.

    Attributes
    ----------
    geometry
        Shape (n,); an outline that needed no point is the one that was given.
    rows
        Places of those that got points, ascending.
    edges
        Number of edges that got points.
    left_m
        Largest bend that was found and left.
    longest
        Length of the longest edge that was not looked at, by that of those that are left as they are.
    """

    geometry: GeometryArray
    rows: IntArray
    edges: int
    left_m: float
    longest: float


def hold_edges(geometry: GeometryArray, short: float, find_bend_m: FindBend, find_most_m: FindMost) -> Held:
    """Put points on the edges of outlines that would bend by more than they may.

    Parameters
    ----------
    geometry
        Points, lines, polygons and their multi-part kinds, shape (n,).
    short
        Edges up to this length, in the unit of the coordinates, are left as they are.
    find_bend_m, find_most_m
        How far edges bend, and how far they may; asked for whole edges and then for their pieces.

    Returns
    -------
    Held
        Points stand on the straight line between the two ends, to the rounding of coordinates. Two edges with the same
        ends get the same points, whichever way they run.
    """
    parts, part_owner = shapely.get_parts(geometry, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    drawn_as_line = np.flatnonzero(shapely.get_type_id(parts) == _LINE)
    line_part = np.concatenate([ring_part, drawn_as_line])
    xy, line = shapely.get_coordinates(np.concatenate([rings, parts[drawn_as_line]]), return_index=True)
    length = np.hypot(*(xy[1:] - xy[:-1]).T) if len(xy) else np.empty(0)
    edges = line[1:] == line[:-1]
    longest = float(length[edges & (length <= short)].max(initial=0.0)) / short
    edge, share, left_m = find_points(xy, np.flatnonzero(edges & (length > short)), find_bend_m, find_most_m)
    if not len(edge):
        return Held(geometry, np.empty(0, np.intp), 0, left_m, longest)
    low, high = _order_ends(xy, edge)
    point = low * (1 - share[:, None]) + high * share[:, None]
    along = np.where((low == xy[edge]).all(axis=1), share, 1 - share)
    order = np.lexsort((along, edge))
    edge, point = edge[order], point[order]
    filled, filled_line = np.insert(xy, edge + 1, point, axis=0), np.insert(line, edge + 1, line[edge])
    touched = np.unique(line_part[line[edge]])
    start = np.searchsorted(filled_line, np.arange(len(line_part) + 1))
    by_part = np.argsort(line_part, kind="stable")
    first = np.searchsorted(line_part[by_part], np.arange(len(parts) + 1))
    for part in touched.tolist():  # a loop over geometry: few outlines have long edges
        lines = [filled[start[k] : start[k + 1]] for k in by_part[first[part] : first[part + 1]].tolist()]
        polygon = shapely.get_type_id(parts[part]) == _POLYGON
        parts[part] = shapely.Polygon(lines[0], lines[1:]) if polygon else shapely.LineString(lines[0])
    rows = np.unique(part_owner[touched])
    held = geometry.copy()
    for row in rows.tolist():
        own = parts[slice(*np.searchsorted(part_owner, [row, row + 1]))]
        held[row] = type(geometry[row])(own.tolist()) if hasattr(geometry[row], "geoms") else own[0]
    return Held(held, rows.astype(np.intp), len(np.unique(edge)), left_m, longest)


def find_points(
    xy: FloatArray, edge: IntArray, find_bend_m: FindBend, find_most_m: FindMost
) -> tuple[IntArray, FloatArray, float]:
    """Return where points go on edges; see `hold_edges`.

    Parameters
    ----------
    xy, edge
        Vertices, shape (v, 2), and the vertex that each edge starts at, to end at the next, shape (e,).

    Returns
    -------
    edge, share
        The vertex that an edge starts at, and how far along it a point goes, from the end that comes first by its
        coordinates, shape (p,) each.
    left_m
        Largest bend that was found and left.
    """
    low, high = np.zeros(len(edge)), np.ones(len(edge))
    edges, shares, left_m = [np.empty(0, np.intp)], [np.empty(0)], 0.0
    for _ in range(_MOST_ROUNDS):
        if not len(edge):
            break
        first, last = _order_ends(xy, edge)
        start, end = (first * (1 - share[:, None]) + last * share[:, None] for share in (low, high))
        bend = np.nan_to_num(find_bend_m(start, end), nan=0.0, posinf=0.0)
        most = find_most_m(start, end, edge, bend)
        bent = bend > most
        left_m = max(left_m, float(bend[~bent].max(initial=0.0)))
        edge, low, high = edge[bent], low[bent], high[bent]
        pieces = np.clip(np.ceil(np.sqrt(bend[bent] / most[bent] * _MARGIN)), 2, _MOST_PIECES).astype(np.intp)
        piece = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        step = np.repeat((high - low) / pieces, pieces)
        edge, begin = np.repeat(edge, pieces), np.repeat(low, pieces)
        low = begin + step * piece
        high = np.where(piece + 1 == np.repeat(pieces, pieces), np.repeat(high, pieces), begin + step * (piece + 1))
        edges.append(edge[piece > 0])
        shares.append(low[piece > 0])
    return np.concatenate(edges), np.concatenate(shares), left_m


def _order_ends(xy: FloatArray, edge: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return both ends of edges, the one with the lesser coordinates first."""
    one, other = xy[edge], xy[edge + 1]
    turned = (one[:, 0] > other[:, 0]) | ((one[:, 0] == other[:, 0]) & (one[:, 1] > other[:, 1]))
    return np.where(turned[:, None], other, one), np.where(turned[:, None], one, other)
