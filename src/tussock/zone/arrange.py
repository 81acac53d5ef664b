"""In: patches and the grounds that straddle them. Out: the faces of their common arrangement, told apart and proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone.cutting import (
    GRIDS_M,
    TILING_TOLERANCE,
    Zone,
    cut_patch,
    find_small,
    find_straddling,
    least_areas_m2,
    merge_slivers,
)
from tussock.zone.decide import Block, Keys, Near
from tussock.zone.grounds import NO_RADIUS_M, draw_capsules, spread_runs
from tussock.zone.inner import find_inner_points
from tussock.zone.offsets import CAP_SIDES, spread, where_true

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]
Bits = NDArray[np.uint64]

#: A face stands off if it is no nearer than its reach less this [m]: half the slack that every reach carries.
PROOF_TOLERANCE_M: Final = 5e-6
#: How much further than its reach a zone may go at an outer corner.
_CORNER: Final = 1 / np.cos(np.pi / (2 * CAP_SIDES)) + 1e-9
#: Outlines of zones are kept this far around a patch [m].
_WINDOW_M: Final = 1.0
_MOST_KEYS: Final = 62
#: A face with more vertices is prepared for its proof: the time grows with its edges and not with edges times features.
_MANY_VERTICES: Final = 200
_MANY_PAIRS: Final = 20_000


@dataclass(frozen=True)
class Faces:
    """Faces inside patches, sorted by patch, an inner point of each, and patches whose faces do not add up.

    The points are those of the faces as they were arranged.
    """

    geometry: GeometryArray
    patch: IntArray
    point: GeometryArray
    untiled: IntArray


def arrange_faces(patches: GeometryArray, keys: Keys, drawn: GeometryArray) -> Faces:
    """Node the outlines of patches and of their grounds together and return the faces inside the patches."""
    cut = np.unique(keys.patch)
    rings, owner = shapely.get_parts(shapely.boundary(patches[cut]), return_index=True)
    edges, edge_owner = _clip_outlines(drawn, keys.patch, shapely.bounds(patches))
    lines = np.concatenate([rings, edges])
    whose = np.concatenate([cut[owner], edge_owner])
    order = np.argsort(whose, kind="stable")
    heaps = shapely.multilinestrings(lines[order], indices=np.searchsorted(cut, whose[order]))
    noded = shapely.union_all(heaps.reshape(-1, 1), axis=1)
    parts, place = shapely.get_parts(shapely.polygonize(noded.reshape(-1, 1)), return_index=True)
    patch = cut[place]
    point = find_inner_points(parts)
    shapely.prepare(patches[cut])
    within = shapely.intersects(patches[patch], point)
    shapely.destroy_prepared(patches[cut])
    parts, patch, point = parts[within], patch[within], point[within]
    total = np.bincount(patch, shapely.area(parts), minlength=len(patches))[cut]
    whole = shapely.area(patches[cut])
    many = keys.start[cut + 1] - keys.start[cut] > _MOST_KEYS
    untiled = cut[(np.abs(total - whole) > TILING_TOLERANCE * whole) | many]
    return Faces(parts, patch, point, untiled)


def _clip_outlines(drawn: GeometryArray, patch: IntArray, box: FloatArray) -> tuple[GeometryArray, IntArray]:
    """Return the outlines of grounds where they pass by the box of their patch, and the patch of each line."""
    lines, key = shapely.get_parts(shapely.boundary(drawn), return_index=True)
    xy, line = shapely.get_coordinates(lines, return_index=True)
    start = where_true(line[1:] == line[:-1])
    a, b, owner = xy[start], xy[start + 1], patch[key[line[start]]]
    window = box[owner] + np.array([-_WINDOW_M, -_WINDOW_M, _WINDOW_M, _WINDOW_M])
    kept = ((np.maximum(a, b) >= window[:, :2]) & (np.minimum(a, b) <= window[:, 2:])).all(axis=1)
    start, a, b, owner = start[kept], a[kept], b[kept], owner[kept]
    if not len(start):
        return np.empty(0, dtype=object), np.empty(0, np.intp)
    begin = where_true(np.concatenate([[True], np.diff(start) != 1]))
    number = np.repeat(np.arange(len(begin)), np.diff(np.concatenate([begin, [len(start)]])))
    vertices = np.insert(b, begin, a[begin], axis=0)
    return shapely.linestrings(vertices, indices=np.insert(number, begin, np.arange(len(begin)))), owner[begin]


def find_unproven(block: Block, keys: Keys, drawn: GeometryArray, faces: Faces) -> tuple[Bits, IntArray]:
    """Tell by an inner point of each face which keys of its patch it lies in, and which faces fail their proof.

    Returns
    -------
    bits
        One bit for each key of the patch, shape (f,).
    unproven
        Faces outside a zone that do not stand off by its full reach, and faces on both sides of the edge of an areal
        feature at no distance or of other ground: there no distance tells whether the noding has failed.
    """
    face, key = keys.spread(faces.patch)
    held = np.zeros(len(face), dtype=bool)
    other = keys.zone[key] < 0
    held[other] = shapely.intersects(drawn[key[other]], faces.point[face[other]])
    areal, bad = other.copy(), []
    for near in block.near:
        own = np.isin(keys.zone[key], near.zones)
        if own.any():
            held[own], short = _decide_faces(block, near, drawn, faces, face[own], key[own], keys)
            bad.append(short)
            areal |= own & _find_bare(block, near, keys)[key]
    tried = where_true(areal)
    straddling = find_straddling(faces.geometry[face[tried]], held[tried], drawn[key[tried]])
    bad.append(np.unique(face[tried[straddling]]))
    bits = np.zeros(len(faces.patch), dtype=np.uint64)
    bit = np.minimum(keys.bit[key[held]], _MOST_KEYS).astype(np.uint64)
    np.bitwise_or.at(bits, face[held], np.uint64(1) << bit)
    return bits, np.concatenate(bad)


def _find_bare(block: Block, near: Near, keys: Keys) -> BoolArray:
    """Tell which keys are zones that are areal features themselves, shape (k,)."""
    bare = np.zeros((len(block.patches), len(block.zones)), dtype=bool)
    for zone in near.zones:
        own = block.zones[zone].reach_m[near.group.cell_owner[near.cell]] <= NO_RADIUS_M
        bare[near.cell_patch[own], zone] = True
    return bare[keys.patch, keys.zone] & (keys.zone >= 0)


def _decide_faces(
    block: Block, near: Near, drawn: GeometryArray, faces: Faces, face: IntArray, key: IntArray, keys: Keys
) -> tuple[BoolArray, IntArray]:
    """Decide pairs of face and zone of one group, and prove those outside."""
    group = near.group
    chosen = np.unique(face)
    place, pair = _pair_up(block, near, faces, chosen)
    of_face = chosen[place]
    run = near.run[pair]
    gap = shapely.distance(faces.point[of_face], group.runs[run])
    wet = _find_wet(near, faces, chosen)
    held = wet[face].copy()
    reach = {zone: block.zones[zone].reach_m[group.run_owner[run]] for zone in near.zones}
    standing = np.zeros(len(of_face), dtype=bool)
    outside = {}
    for zone in near.zones:
        rows = where_true(keys.zone[key] == zone)
        limit = np.where(reach[zone] > NO_RADIUS_M, reach[zone], -1.0)
        inner, corner = np.zeros(len(faces.patch), dtype=bool), np.zeros(len(faces.patch), dtype=bool)
        inner[of_face[gap <= limit]] = True
        corner[of_face[gap <= limit * _CORNER]] = True
        held[rows] |= inner[face[rows]]
        doubt = rows[~held[rows] & corner[face[rows]]]
        held[doubt] = shapely.intersects(drawn[key[doubt]], faces.point[face[doubt]])
        out = np.zeros(len(faces.patch), dtype=bool)
        out[face[rows[~held[rows]]]] = True
        outside[zone] = out[of_face] & (near.distance_m[pair] <= limit)
        standing |= outside[zone]
    many = (shapely.get_num_coordinates(faces.geometry) > _MANY_VERTICES)[of_face]
    test = where_true(standing & ~many)
    distance = np.full(len(of_face), np.inf)
    distance[test] = shapely.distance(faces.geometry[of_face[test]], group.runs[run[test]])
    shapely.prepare(faces.geometry[np.unique(of_face[standing & many])])
    short = np.zeros(len(of_face), dtype=bool)
    for zone in near.zones:
        short |= outside[zone] & (distance < reach[zone] - PROOF_TOLERANCE_M)
        large = where_true(outside[zone] & many)
        least = reach[zone][large] - PROOF_TOLERANCE_M
        short[large] |= shapely.dwithin(faces.geometry[of_face[large]], group.runs[run[large]], least)
    return held, np.unique(of_face[short])


def _pair_up(block: Block, near: Near, faces: Faces, chosen: IntArray) -> tuple[IntArray, IntArray]:
    """Pair faces with the near runs of their patch: places among the chosen, and places in ``near``.

    Of a patch with many of both only those pairs whose boxes lie in reach of each other: the others decide nothing.
    """
    patch = faces.patch[chosen]
    start = np.searchsorted(near.patch, patch)
    count = np.searchsorted(near.patch, patch, side="right") - start
    wide = (np.bincount(patch, count) > _MANY_PAIRS)[patch]
    place, pair = spread(start, np.where(wide, 0, count))
    if not wide.any():
        return place, pair
    own = where_true(wide)
    reach_m = _CORNER * max(float(block.zones[zone].reach_m.max()) for zone in near.zones)
    box = shapely.bounds(faces.geometry[chosen[own]]) + np.array([-reach_m, -reach_m, reach_m, reach_m])
    item, run = near.group.run_tree.query(shapely.box(*box.T))
    first = np.unique(start[own], return_index=True)[1]
    rows = spread(start[own][first], count[own][first])[1]
    size = len(near.group.runs)
    known = near.patch[rows].astype(np.int64) * size + near.run[rows]
    order = np.argsort(known, kind="stable")
    wanted = patch[own[item]].astype(np.int64) * size + run
    spot = np.minimum(np.searchsorted(known[order], wanted), len(known) - 1)
    same = known[order][spot] == wanted
    return np.concatenate([place, own[item[same]]]), np.concatenate([pair, rows[order[spot[same]]]])


def _find_wet(near: Near, faces: Faces, chosen: IntArray) -> BoolArray:
    """Tell which faces lie in the cells of a group, by their inner point."""
    wet = np.zeros(len(faces.patch), dtype=bool)
    start = np.searchsorted(near.cell_patch, faces.patch[chosen])
    stop = np.searchsorted(near.cell_patch, faces.patch[chosen], side="right")
    place, pair = spread(start, stop - start)
    held = shapely.intersects(near.group.cells[near.cell[pair]], faces.point[chosen[place]])
    wet[chosen[place[held]]] = True
    return wet


def join_shores(block: Block, faces: Faces, bits: Bits) -> tuple[Faces, Bits]:
    """Join faces on both sides of a shore that lie in the same zones: only the strip along it was drawn."""
    wet = np.zeros(len(block.patches), dtype=bool)
    for near in block.near:
        wet[near.cell_patch] = True
    order = np.lexsort((bits, faces.patch))
    patch, code = faces.patch[order], bits[order]
    fresh = np.concatenate([[True], (np.diff(patch) != 0) | (code[1:] != code[:-1])])[: len(patch)]
    group = np.cumsum(fresh) - 1
    several = (np.bincount(group, minlength=1) > 1)[group] & wet[patch]
    if not several.any():
        return faces, bits
    joint, alone = order[several], order[~several]
    numbers, which = np.unique(group[several], return_inverse=True)
    heaps = shapely.multipolygons(faces.geometry[joint], indices=which)
    shapes, place = shapely.get_parts(shapely.union_all(heaps.reshape(-1, 1), axis=1), return_index=True)
    first = joint[np.searchsorted(which, np.arange(len(numbers)))]
    geometry = np.concatenate([faces.geometry[alone], shapes])
    owner = np.concatenate([alone, first[place]])
    back = np.argsort(faces.patch[owner], kind="stable")
    owner = owner[back]
    return Faces(geometry[back], faces.patch[owner], faces.point[owner], faces.untiled), bits[owner]


def merge_small(
    patches: GeometryArray, keys: Keys, faces: Faces, bits: Bits, sliver_area_m2: float
) -> tuple[Faces, Bits]:
    """Join faces under a sliver's area to a neighbour that is at least as strict."""
    least = least_areas_m2(patches, sliver_area_m2)[faces.patch]
    some = np.unique(faces.patch[find_small(faces.geometry, least)])
    if not len(some):
        return faces, bits
    start = np.searchsorted(faces.patch, some)
    stop = np.searchsorted(faces.patch, some, side="right")
    geometry, bits = faces.geometry.copy(), bits.copy()
    kept = np.ones(len(least), dtype=bool)
    for place, first, last in zip(some.tolist(), start.tolist(), stop.tolist(), strict=True):  # few patches
        own = slice(keys.start[place], keys.start[place + 1])
        setbacks = sum(1 << int(bit) for bit in keys.bit[own][keys.zone[own] >= 0])
        merged, gone = merge_slivers(geometry[first:last], bits[first:last], float(least[first]), setbacks)
        geometry[first:last] = merged
        kept[first + where_true(gone)] = False
    return Faces(geometry[kept], faces.patch[kept], faces.point[kept], faces.untiled), bits[kept]


def collect_pieces(patches: GeometryArray, faces: Faces, bits: Bits) -> tuple[GeometryArray, IntArray, Bits]:
    """Put faces of one patch with the same bits into one piece; the strictest first, then the larger.

    Returns
    -------
    geometry, patch, bits
        Of each piece, sorted by patch. A patch in one piece comes back as it is.
    """
    order = np.lexsort((bits, faces.patch))
    shape, patch, code = faces.geometry[order], faces.patch[order], bits[order]
    begin = where_true(np.r_[True, (np.diff(patch) != 0) | (code[1:] != code[:-1])][: len(patch)])
    size = np.diff(np.r_[begin, len(patch)])
    area = np.add.reduceat(shapely.area(shape), begin)
    pieces = shape[begin]
    many = where_true(size > 1)
    if len(many):
        place, number = spread(begin[many], size[many])
        parts, part = shapely.get_parts(shape[number], return_index=True)
        heaps = shapely.multipolygons(parts, indices=place[part])
        broken = ~shapely.is_valid(heaps)  # faces with an edge in common: a sliver stood between them
        heaps[broken] = shapely.union_all(heaps[broken].reshape(-1, 1), axis=1)
        pieces[many] = heaps
    patch, code = patch[begin], code[begin]
    alone = np.bincount(patch, minlength=len(patches))[patch] == 1
    pieces[alone] = patches[patch[alone]]
    strict = np.bitwise_count(code) if hasattr(np, "bitwise_count") else _count_bits(code)
    order = np.lexsort((code, -area, -strict.astype(np.intp), patch))
    return pieces[order], patch[order], code[order]


def _count_bits(code: Bits) -> IntArray:
    return np.array([int(item).bit_count() for item in code.tolist()], dtype=np.intp)


def cut_slowly(
    block: Block,
    keys: Keys,
    drawn: GeometryArray,
    place: int,
    sliver_area_m2: float,
    grids_m: Sequence[float] = GRIDS_M,
) -> tuple[GeometryArray, list[IntArray]]:
    """Cut one patch by the union of outlines around single segments, on coarser and coarser grids.

    Returns
    -------
    pieces, held
        Pieces of the patch, and for each the keys that it lies in.
    """
    zones = []
    for key in range(keys.start[place], keys.start[place + 1]):
        zone = int(keys.zone[key])
        ground = drawn[key] if zone < 0 else _draw_anew(block, zone, place)
        zones.append(Zone(("key", str(key)), ground, setback=zone >= 0))
    pieces = cut_patch(block.patches[place], zones, sliver_area_m2, grids_m)
    geometry = np.empty(len(pieces), dtype=object)
    geometry[:] = [piece.geometry for piece in pieces]
    return geometry, [np.array([int(key) for _, key in piece.tokens], dtype=np.intp) for piece in pieces]


def _draw_anew(block: Block, zone: int, place: int) -> Any:
    near = next(item for item in block.near if zone in item.zones)
    group, reach = near.group, block.zones[zone].reach_m
    runs = near.run[(near.patch == place) & (near.distance_m <= reach[group.run_owner[near.run]])]
    pair, number = spread_runs(group, runs)
    owner = group.run_owner[runs][pair]
    wide = reach[owner] > NO_RADIUS_M
    number, owner = number[wide], owner[wide]
    cells = group.cells[near.cell[near.cell_patch == place]]
    capsules = draw_capsules(group.segment[number], reach[owner], group.offset_m[owner])
    ground = shapely.union_all(np.concatenate([cells, capsules]))
    return shapely.Polygon() if ground.is_empty else ground
