"""In: one patch and the zones that straddle it. Out: pieces that tile it, each with the zones that it lies in.

All outlines are noded together once and the faces of that arrangement are the pieces, so neighbours share their
edges vertex by vertex: no gap, no overlap. A face lies in a zone if an inner point of it does. Faces must add up to
the patch; where rounding has broken the arrangement it is made anew on a fine grid.
"""

from __future__ import annotations

from collections.abc import Sequence
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
_GRIDS_M: Final = (0.0, 1e-7, 1e-6, 1e-5)
SLIVER_SHARE: Final = 0.01
#: A face with less is no ground but rounding, where two outlines all but coincide: a sliver on any site [m2].
_NO_GROUND_M2: Final = 1e-9


@dataclass(frozen=True)
class Zone:
    """Ground where a restriction is in force, as it lies near the patch."""

    token: Token
    ground: Any


@dataclass(frozen=True)
class Piece:
    """A piece of a patch (one or several parts) and the restrictions in force on it."""

    geometry: Any
    tokens: Tokens


def cut_patch(patch: Any, zones: Sequence[Zone], sliver_area_m2: float) -> list[Piece]:
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
    for grid_m in _GRIDS_M:
        faces = _find_faces(patch, zones, grid_m)
        bits = _find_bits(faces, zones)
        if _tiles(faces, patch, max(TILING_TOLERANCE, grid_m * 1e-3)) and not _straddle(faces, bits, zones, grid_m):
            break
    else:
        faces = _split_faces(patch, zones)
        bits = _find_bits(faces, zones)
        if not _tiles(faces, patch, SPLIT_TOLERANCE):
            raise CutError(
                f"pieces add up to {shapely.area(faces).sum():.9g} of {patch.area:.9g} m2 in every way tried"
            )
    faces, gone = merge_slivers(faces, bits, float(least_areas_m2(patch, sliver_area_m2)))
    tokens = [frozenset(zones[k].token for k in range(len(zones)) if code >> k & 1) for code in bits.tolist()]
    return _collect(faces[~gone], [token for token, lost in zip(tokens, gone, strict=True) if not lost])


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


def _tiles(faces: Any, patch: Any, tolerance: float) -> bool:
    return bool(abs(shapely.area(faces).sum() - patch.area) <= tolerance * patch.area)


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


def merge_slivers(faces: Any, bits: Any, least_m2: float) -> tuple[Any, Any]:
    """Join slivers of one patch to the neighbour that is stricter or as strict and shares the longest edge.

    A thread without such a neighbour joins the one that it runs along: it is thinner than the slack of every reach.

    Parameters
    ----------
    faces
        Faces of a patch, shape (f,).
    bits
        Restrictions of each as a bit field, shape (f,).
    least_m2
        Area under which a face is a sliver.

    Returns
    -------
    faces, gone
        Faces, the merged ones larger, and which ones have gone into another.
    """
    faces, gone = faces.copy(), np.zeros(len(faces), dtype=bool)
    small, thin = find_small(faces, least_m2), find_thin(faces)
    area = shapely.area(faces)
    for place in np.argsort(area, kind="stable").tolist():  # each merge changes the next one's neighbours
        if not small[place]:
            continue
        others = np.flatnonzero(~gone)
        others = others[others != place]
        edges = shapely.length(shapely.intersection(shapely.boundary(faces[place]), faces[others]))
        strict = ((bits[others] & bits[place]) == bits[place]).astype(bool)
        if thin[place] and not edges[strict].any():
            strict = edges > _THREAD_EDGE * shapely.length(faces[place])
        edges = np.where(strict, edges, 0.0)
        if not len(edges) or edges.max() <= 0:
            continue
        best = others[int(np.argmax(edges))]
        faces[best] = _join(faces[best], faces[place])
        gone[place] = True
    return faces, gone


def find_small(faces: Any, least_m2: Any) -> Any:
    """Tell which faces are slivers: under an area, one or one for each, or thinner than any ground."""
    return (shapely.area(faces) < least_m2) | find_thin(faces)


def find_thin(faces: Any) -> Any:
    """Tell which faces are threads that only rounding holds open: no unit, and gone in another CRS."""
    return 2 * shapely.area(faces) < THIN_M * shapely.length(faces)


def _join(face: Any, sliver: Any) -> Any:
    """Join two faces with an edge in common without moving a vertex; noded anew where a merge has moved one."""
    try:
        joined = shapely.coverage_union(face, sliver)
    except shapely.GEOSException:
        return shapely.union(face, sliver)
    return joined if joined.is_valid else shapely.union(face, sliver)


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
