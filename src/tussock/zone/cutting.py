"""In: one patch and the zones that straddle it. Out: pieces that tile it, each with the zones that it lies in.

All outlines are noded together once and the faces of that arrangement are the pieces, so neighbours share their
edges vertex by vertex: no gap, no overlap. A face lies in a zone if an inner point of it does. Faces must add up to
the patch; where rounding has broken the arrangement it is made anew on a fine grid.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from tussock.base.errors import CutError
from tussock.zone.inner import find_inner_points

Token = tuple[str, str]
Tokens = frozenset[Token]

TILING_TOLERANCE: Final = 1e-10
#: Pieces cut by one zone after the other add up to the patch to this share.
SPLIT_TOLERANCE: Final = 1e-9
#: What is thinner than this is rounding, where two outlines all but coincide, and no ground [m].
THIN_M: Final = 1e-6
#: A thread runs along a neighbour with more than this share of its outline in common.
_THREAD_EDGE: Final = 0.25
_POLYGON: Final = 3  # type of a polygon in GEOS
GRIDS_M: Final = (0.0, 1e-7, 1e-6, 1e-5)
SLIVER_SHARE: Final = 0.01
#: A face with less is no ground but rounding, where two outlines all but coincide: a sliver on any site [m2].
_NO_GROUND_M2: Final = 1e-9


@dataclass(frozen=True)
class Zone:
    """Ground where a restriction is in force, as it lies near the patch; a setback, or other ground to cut by."""

    token: Token
    ground: Any
    setback: bool = True


@dataclass(frozen=True)
class Piece:
    """A piece of a patch (one or several parts) and the restrictions in force on it."""

    geometry: Any
    tokens: Tokens


def cut_patch(
    patch: Any, zones: Sequence[Zone], sliver_area_m2: float, grids_m: Sequence[float] = GRIDS_M
) -> list[Piece]:
    """Cut a patch by zones.

    Parameters
    ----------
    patch
        Valid polygon or multipolygon.
    zones
        Zones that may straddle it.
    sliver_area_m2
        A face under this area (and under 1 % of the patch) joins a neighbour with at least its restrictions; where
        there is none it stays a piece of its own.
    grids_m
        Grids that the outlines are noded on [m], one after the other until one holds; 0 is none.

    Returns
    -------
    list of Piece
        One for each set of restrictions, in the order of the strictest first.

    Raises
    ------
    CutError
        The faces do not tile the patch, whatever the way.
    """
    if not zones:
        return [Piece(patch, frozenset())]
    for grid_m in grids_m:
        faces = _attempt(_find_faces, patch, zones, grid_m)
        if faces is None:
            continue
        bits = _find_bits(faces, zones)
        if _tiles(faces, patch, TILING_TOLERANCE, grid_m) and not _straddle(faces, bits, zones, grid_m):
            break
    else:
        faces = _attempt(_split_faces, patch, zones)
        if faces is None:
            raise CutError("no way of noding its outlines held")
        bits = _find_bits(faces, zones)
        if not _tiles(faces, patch, SPLIT_TOLERANCE):
            raise CutError(
                f"pieces add up to {shapely.area(faces).sum():.9g} of {patch.area:.9g} m2 in every way tried"
            )
    setbacks = sum(1 << place for place, zone in enumerate(zones) if zone.setback)
    faces, gone = merge_slivers(faces, bits, float(least_areas_m2(patch, sliver_area_m2)), setbacks)
    tokens = [frozenset(zones[k].token for k in range(len(zones)) if code >> k & 1) for code in bits.tolist()]
    return _collect(faces[~gone], [token for token, lost in zip(tokens, gone, strict=True) if not lost])


def _attempt(way: Callable[..., Any], *arguments: Any) -> Any | None:
    """Return what a way of cutting gives, None where GEOS finds none."""
    try:
        return way(*arguments)
    except shapely.GEOSException:
        return None


def _find_faces(patch: Any, zones: Sequence[Zone], grid_m: float) -> Any:
    """Node the outlines of patch and zones together and return the faces inside the patch."""
    west, south, east, north = patch.bounds
    margin = 1.0 + 0.01 * max(east - west, north - south)
    window = (west - margin, south - margin, east + margin, north + margin)
    outlines = [shapely.boundary(patch)]
    outlines += [shapely.clip_by_rect(shapely.boundary(zone.ground), *window) for zone in zones]
    noded = shapely.union_all(outlines, grid_size=grid_m or None)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    shapely.prepare(patch)
    return faces[shapely.intersects(patch, find_inner_points(faces))]


def _tiles(faces: Any, patch: Any, tolerance: float, grid_m: float = 0.0) -> bool:
    """Tell whether faces add up to a patch, whose outline may have moved by half a grid."""
    most_m2 = tolerance * patch.area + grid_m * patch.length
    return bool(abs(shapely.area(faces).sum() - patch.area) <= most_m2)


def _straddle(faces: Any, bits: Any, zones: Sequence[Zone], grid_m: float) -> bool:
    """Tell whether any face lies on both sides of a zone's edge: its noding has failed."""
    width_m = max(THIN_M, 4 * grid_m)
    return any(
        find_straddling(faces, (bits >> place & 1).astype(bool), zone.ground, width_m).any()
        for place, zone in enumerate(zones)
    )


def find_straddling(faces: Any, held: Any, ground: Any, width_m: float = THIN_M) -> Any:
    """Tell which faces have ground on the other side of an edge than their inner point.

    Parameters
    ----------
    faces
        Faces, shape (f,).
    held
        Whether the inner point of each lies on the ground, shape (f,).
    ground
        The ground, or one for each face, shape (f,).
    width_m
        Width of what is rounding along the outline of a face [m].
    """
    common = shapely.area(shapely.intersection(faces, ground))
    wrong = np.where(held, shapely.area(faces) - common, common)
    return wrong > width_m * shapely.length(faces)


def _split_faces(patch: Any, zones: Sequence[Zone]) -> Any:
    """Return faces cut by one zone after the other: for outlines that cannot be noded together."""
    faces = shapely.get_parts(patch)
    for zone in zones:
        halves = np.concatenate([shapely.intersection(faces, zone.ground), shapely.difference(faces, zone.ground)])
        parts = shapely.get_parts(shapely.get_parts(halves))
        faces = parts[(shapely.get_type_id(parts) == _POLYGON) & (shapely.area(parts) > 0)]
    return faces


def _find_bits(faces: Any, zones: Sequence[Zone]) -> Any:
    """Return the restrictions in force on each face as a bit field, by an inner point."""
    points = find_inner_points(faces)
    bits = np.zeros(len(faces), dtype=object)  # whole numbers of any length: a patch may lie at many edges
    for place, zone in enumerate(zones):
        shapely.prepare(zone.ground)
        bits[shapely.intersects(zone.ground, points)] += 1 << place
    return bits


def least_areas_m2(patches: Any, sliver_area_m2: float) -> Any:
    """Return the area under which a face of each patch is a sliver [m2], shape as the patches."""
    return np.minimum(max(sliver_area_m2, _NO_GROUND_M2), SLIVER_SHARE * shapely.area(patches))


def merge_slivers(faces: Any, bits: Any, least_m2: float, setbacks: int = -1) -> tuple[Any, Any]:
    """Join slivers of one patch to the neighbour that is stricter or as strict and shares the longest edge.

    A thread without such a neighbour joins one that all its setbacks hold on, or else the one that it runs along: it is
    thinner than the slack of every reach.

    Parameters
    ----------
    faces
        Faces of a patch that share their edges vertex by vertex, shape (f,).
    bits
        Restrictions of each as a bit field, shape (f,).
    least_m2
        Area under which a face is a sliver.
    setbacks
        Which bits are setbacks, and not shared ground or earlier work; by default all.

    Returns
    -------
    faces, gone
        Faces, the merged ones larger, and which ones have gone into another.
    """
    faces, gone = faces.copy(), np.zeros(len(faces), dtype=bool)
    small, thin = find_small(faces, least_m2), find_thin(faces)
    if not small.any():
        return faces, gone
    edges = _find_common_edges(faces)
    length, codes = shapely.length(faces), [int(code) for code in bits.tolist()]
    members = [[place] for place in range(len(faces))]
    for place in np.argsort(
        shapely.area(faces), kind="stable"
    ).tolist():  # each merge changes the next one's neighbours
        if not small[place]:
            continue
        near = edges[place]
        asked = [codes[place], codes[place] & setbacks] if thin[place] else [codes[place]]
        fits = ([other for other in near if codes[other] & code == code] for code in asked)
        found = next((fit for fit in fits if fit), [])
        if not found and thin[place]:
            found = [other for other, edge in near.items() if edge > _THREAD_EDGE * length[place]]
        if not found:
            continue
        best = max(sorted(found), key=near.__getitem__)
        gone[place] = True
        members[best] += members[place]
        length[best] += length[place] - 2 * near[best]
        for other, edge in near.items():
            del edges[other][place]
            if other != best:
                edges[best][other] = edges[other][best] = edges[best].get(other, 0.0) + edge
    for place in [k for k, own in enumerate(members) if len(own) > 1 and not gone[k]]:
        faces[place] = _join(faces[members[place]])
    return faces, gone


def _find_common_edges(faces: Any) -> list[dict[int, float]]:
    """Return for each face the length of the edge in common with each neighbour [m]; shared vertex by vertex."""
    parts, part_face = shapely.get_parts(faces, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    start = np.flatnonzero(ring[1:] == ring[:-1])
    face = part_face[ring_part[ring[start]]]
    one, two = xy[start], xy[start + 1]
    back = (one[:, 0] > two[:, 0]) | ((one[:, 0] == two[:, 0]) & (one[:, 1] > two[:, 1]))
    ends = np.where(back[:, None], np.hstack([two, one]), np.hstack([one, two]))
    order = np.lexsort((face, *ends.T))
    same = (ends[order[1:]] == ends[order[:-1]]).all(axis=1)
    edges: list[dict[int, float]] = [{} for _ in faces]
    lengths = np.hypot(*(two - one).T)
    for first, second in zip(order[:-1][same].tolist(), order[1:][same].tolist(), strict=True):
        a, b = int(face[first]), int(face[second])
        if a != b:
            edges[a][b] = edges[b][a] = edges[a].get(b, 0.0) + float(lengths[first])
    return edges


def find_small(faces: Any, least_m2: Any) -> Any:
    """Tell which faces are slivers: under an area, one or one for each, or thinner than any ground."""
    return (shapely.area(faces) < least_m2) | find_thin(faces)


def find_thin(faces: Any) -> Any:
    """Tell which faces are threads that only rounding holds open: no unit, and gone in another CRS."""
    return 2 * shapely.area(faces) < THIN_M * shapely.length(faces)


def _join(faces: Any) -> Any:
    """Join faces with edges in common without moving a vertex; noded anew where that does not hold."""
    heap = shapely.geometrycollections(shapely.get_parts(faces))
    try:
        joined = shapely.coverage_union_all(heap)
    except shapely.GEOSException:
        return shapely.union_all(heap)
    return joined if joined.is_valid else shapely.union_all(heap)


def _collect(faces: Any, tokens: list[Tokens]) -> list[Piece]:
    """Put faces with the same restrictions into one piece; strictest first, then the larger."""
    groups: dict[Tokens, list[Any]] = {}
    for face, token in zip(faces, tokens, strict=True):
        groups.setdefault(token, []).append(face)
    pieces = []
    for token, members in groups.items():
        whole = members[0] if len(members) == 1 else shapely.multipolygons(members)
        if not whole.is_valid:  # faces with an edge in common: a sliver stood between them
            whole = shapely.union_all(members)
        pieces.append(Piece(whole, token))
    return sorted(pieces, key=lambda piece: (-len(piece.tokens), -piece.geometry.area, sorted(piece.tokens)))
