"""In: pieces of patches, moved outlines. Out: pieces without spikes, patches put together again, valid outlines."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.simple import list_parts
from tussock.base.spikes import drop_spikes
from tussock.base.validity import make_valid
from tussock.zone.kernel import Pieces

#: Patches put together again from their units keep their area to this share.
_JOIN_TOLERANCE: Final = 1e-9
#: A snapping distance that GEOS chooses by the extent of what it cleans.
_BY_ITSELF: Final = -1.0
#: Cleaning changes no more than this share of a patch.
_CLEANED_SHARE: Final = 1e-6
#: What mending leaves of a fold is no ground under this share of its outline.
_NO_GROUND_SHARE: Final = 1e-15
_AREAL: Final = 2  # dimension
#: A spike that is thinner is none; a vertex that is nearer to an edge lies on it [m].
_SPIKE_M: Final = 1e-9


def drop_piece_spikes(pieces: Pieces) -> Pieces:
    """Take spikes off what was cut: where two outlines all but coincide a face can end in one, and it is no ground.

    The vertices that this leaves stand on the edges of the other pieces of the patch as well, so that pieces go on
    to share their edges vertex by vertex.
    """
    cut = np.flatnonzero(np.bincount(pieces.patch)[pieces.patch] > 1)
    geometry = pieces.geometry.copy()
    geometry[cut], spiked = drop_spikes(geometry[cut], _SPIKE_M)
    for patch in np.unique(pieces.patch[cut[spiked]]).tolist():  # a loop over geometry: few patches ever have one
        own = np.flatnonzero(pieces.patch == patch)
        geometry[own] = _share_vertices(geometry[own])
    return replace(pieces, geometry=geometry) if spiked.any() else pieces


def _share_vertices(pieces: NDArray[Any]) -> NDArray[Any]:
    """Return pieces with the vertices of all of them on every edge that they lie on."""
    vertices, which = np.unique(shapely.get_coordinates(pieces), axis=0, return_inverse=True)
    points = shapely.points(vertices)
    tree = shapely.STRtree(points)
    one, other = tree.query(points, predicate="dwithin", distance=_SPIKE_M)
    first = np.arange(len(vertices))
    np.minimum.at(first, one, other)  # vertices that fall together stand where the first of them does
    vertices = vertices[first]
    moved = shapely.set_coordinates(pieces.copy(), vertices[which.ravel()])
    vertices = np.unique(vertices, axis=0)
    shared = np.array([_insert_vertices(piece, vertices) for piece in moved], dtype=object)
    return shared if (shapely.is_valid(shared) & ~shapely.is_empty(shared)).all() else pieces


def _insert_vertices(piece: Any, vertices: NDArray[np.float64]) -> Any:
    """Return a piece with those vertices on its edges that lie within a spike's width of one; else nothing."""
    parts = []
    for part in shapely.get_parts(piece):
        rings = [_insert_in_ring(shapely.get_coordinates(ring), vertices) for ring in shapely.get_rings(part)]
        if min(map(len, rings)) < 4:  # noqa: PLR2004  (a triangle, closed)
            return shapely.Polygon()
        parts.append(shapely.Polygon(rings[0], rings[1:]))
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _insert_in_ring(xy: NDArray[np.float64], vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    xy = xy[np.r_[True, np.any(xy[1:] != xy[:-1], axis=1)]]
    edges = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    point, edge = shapely.STRtree(edges).query(shapely.points(vertices), predicate="dwithin", distance=_SPIKE_M)
    start, stop = (np.hypot(*(vertices[point] - end[edge]).T) for end in (xy[:-1], xy[1:]))
    order = np.lexsort((start, edge))
    order = order[((start > _SPIKE_M) & (stop > _SPIKE_M))[order]]
    return np.insert(xy, edge[order] + 1, vertices[point[order]], axis=0)


def join_faces(pieces: Pieces, cut: NDArray[np.intp]) -> NDArray[Any]:
    """Return patches again from their pieces, with the vertices that the cuts have put on their outlines."""
    own = np.flatnonzero(np.isin(pieces.patch, cut))
    parts, place = shapely.get_parts(pieces.geometry[own], return_index=True)
    heaps = shapely.geometrycollections(parts, indices=np.searchsorted(cut, pieces.patch[own][place])).reshape(-1, 1)
    try:
        joined: NDArray[Any] = shapely.coverage_union_all(heaps, axis=1)  # pieces share their edges vertex by vertex
    except shapely.GEOSException:  # in all patches but a rare one, where a merged sliver has moved a vertex
        joined = np.array([_join_heap(heap) for heap in heaps[:, 0]], dtype=object)
    whole = np.bincount(np.searchsorted(cut, pieces.patch[own]), shapely.area(pieces.geometry[own]))
    odd = ~shapely.is_valid(joined) | (np.abs(shapely.area(joined) - whole) > _JOIN_TOLERANCE * whole)
    if odd.any():  # a merged sliver has moved a vertex
        joined[odd] = shapely.union_all(heaps[odd], axis=1)
    return joined


def _join_heap(heap: Any) -> Any:
    try:
        return shapely.coverage_union_all(heap)
    except shapely.GEOSException:
        return shapely.union_all(heap)


def mend_outlines(outlines: NDArray[Any]) -> NDArray[Any]:
    """Return outlines valid again where rounding in another CRS has folded an edge onto its neighbour.

    Of outlines in many parts only the broken parts are touched, unless it is the parts that meet.
    """
    broken = np.flatnonzero(~shapely.is_valid(outlines))
    if not len(broken):
        return outlines
    outlines = outlines.copy()
    parts, owner = shapely.get_parts(outlines[broken], return_index=True)
    folded = ~shapely.is_valid(parts)
    parts[folded] = make_valid(parts[folded])
    parts, part = list_parts(parts)  # mending can leave lines and points beside the polygons, in a collection
    areal = shapely.get_dimensions(parts) == _AREAL
    parts, part = parts[areal], part[areal]
    for place, number in enumerate(broken.tolist()):  # a loop over geometry: few outlines are ever broken
        heap = shapely.multipolygons(parts[owner[part] == place])
        whole = heap if heap.is_valid else make_valid(outlines[[number]])[0]
        outlines[number] = _keep_ground(whole)
    return outlines


def clean_coverage(outlines: NDArray[Any], width: float) -> NDArray[Any]:
    """Return outlines of one patch, each mended by itself, without the crumbs that two have in common or none has.

    What two have in common goes to the first of them: the stricter. They come back as they are where the library cannot
    (before shapely 2.2) or where ground would be lost.

    Parameters
    ----------
    outlines
        Valid outlines of the units of a patch, shape (n,).
    width
        Vertices nearer to each other than this are one [unit of the coordinates]; else as GEOS takes by itself.
    """
    for snapping in (width, _BY_ITSELF) if hasattr(shapely, "coverage_clean") else ():
        try:
            cleaned: NDArray[Any] = shapely.coverage_clean(
                outlines, snapping_distance=snapping, merge_strategy="min_index"
            )
        except shapely.GEOSException:
            continue
        change = np.abs(shapely.area(cleaned) - shapely.area(outlines)).sum()
        sound = shapely.is_valid(cleaned) & ~shapely.is_empty(cleaned)
        if sound.all() and change <= _CLEANED_SHARE * shapely.area(outlines).sum():
            return cleaned
    return outlines


def _keep_ground(outline: Any) -> Any:
    """Return an outline without the crumbs that mending leaves of a fold, in one part where it has one."""
    parts = list_parts(np.array([outline], dtype=object))[0]
    parts = parts[shapely.area(parts) > _NO_GROUND_SHARE * outline.area]
    return parts[0] if len(parts) == 1 else shapely.multipolygons(parts)
