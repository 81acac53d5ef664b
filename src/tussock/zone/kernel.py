"""In: patches and zones as arrays. Out: pieces that tile the patches, each with the zones that it lies in, proven.

Patches go through in blocks that lie together, over threads (GEOS works outside the interpreter lock). In a block:

1. an index of outline runs gives the runs near each patch, and exact distances tell which patches lie wholly outside or
   wholly inside a zone (`decide`);
2. for the others the zone is drawn from their own near runs, and its outline is noded together with the patch's: the
   faces of that arrangement are the pieces, so neighbours share their edges vertex by vertex (`arrange`);
3. an inner point of each face and its exact distance tell which zones it lies in;
4. proof: faces add up to the patch; a face outside a zone stands off by the full distance, all of it; the inner point
   of a face inside is no further than a circumscribed corner. What fails is cut again by the slow way of `cutting`.

A patch that no way cuts comes back whole, with every zone that reaches it, and a reason: the others are cut.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import CutError
from tussock.zone.arrange import (
    Bits,
    Faces,
    arrange_faces,
    collect_pieces,
    cut_slowly,
    find_unproven,
    join_shores,
    merge_small,
)
from tussock.zone.cutting import GRIDS_M
from tussock.zone.decide import Block, Keys, ZoneSpec, decide_block, draw_keys
from tussock.zone.offsets import where_true

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]

BLOCK_PATCHES: Final = 2500
THREADS: Final = 2


@dataclass(frozen=True)
class Grounds:
    """Other ground to cut by: the place of the patch and the ground, shape (e,) each."""

    patch: IntArray
    geometry: GeometryArray


@dataclass(frozen=True)
class Pieces:
    """Pieces in the order of the patches; in a patch the strictest first, then the larger.

    Attributes
    ----------
    geometry
        Polygons and multipolygons, shape (m,). A patch that is not cut comes back as it is.
    patch
        Place of the patch of each, shape (m,).
    inside
        Whether a piece lies in each zone, shape (m, zones).
    ground_piece, ground
        Pairs of piece and other ground that it lies on, shape (p,) each.
    slow
        Places of the patches that were cut the slow way.
    aside
        Patches that could not be cut: place -> why. They come as one piece, in every zone that reaches them.
    """

    geometry: GeometryArray
    patch: IntArray
    inside: BoolArray
    ground_piece: IntArray
    ground: IntArray
    slow: IntArray
    aside: Mapping[int, str] = field(default_factory=dict)


NO_GROUNDS: Final = Grounds(np.empty(0, np.intp), np.empty(0, dtype=object))


def cut_blocks(
    patches: GeometryArray,
    zones: Sequence[ZoneSpec],
    grounds: Grounds = NO_GROUNDS,
    *,
    sliver_area_m2: float = 0.0,
    block: int = BLOCK_PATCHES,
    threads: int = THREADS,
    tell: Callable[[int], None] | None = None,
) -> Pieces:
    """Cut patches by zones.

    Parameters
    ----------
    patches
        Valid polygons or multipolygons in metres, shape (n,).
    zones
        Zones; those that run from the same `FeatureGroup` are searched together.
    grounds
        Other ground to cut single patches by.
    sliver_area_m2
        Faces under this area, and under 1 % of their patch, join a neighbour that is at least as strict.
    block
        Patches in one block; the result does not depend on it.
    threads
        Blocks at work at the same time; the result does not depend on it.
    tell
        Called with the number of patches of each block done.

    Returns
    -------
    Pieces
        In the order of the patches; those that could not be cut are named in it.
    """
    for zone in zones:
        _ = zone.group.ready
    blocks = split_blocks(patches, block)

    def work(members: IntArray) -> Pieces:
        own = where_true(np.isin(grounds.patch, members)) if len(grounds.patch) else np.empty(0, np.intp)
        place = np.empty(0, np.intp)
        if len(own):
            order = np.argsort(members)
            place = order[np.searchsorted(members, grounds.patch[own], sorter=order)]
        done = _cut_whatever_comes(patches[members], zones, Grounds(place, grounds.geometry[own]), sliver_area_m2)
        if tell is not None:
            tell(len(members))
        return Pieces(
            done.geometry,
            members[done.patch],
            done.inside,
            done.ground_piece,
            own[done.ground],
            members[done.slow],
            {int(members[one]): why for one, why in done.aside.items()},
        )

    if threads > 1 and len(blocks) > 1:
        with ThreadPoolExecutor(threads) as pool:
            parts = list(pool.map(work, blocks))
    else:
        parts = [work(members) for members in blocks]
    return join_pieces(parts, len(zones))


def _cut_whatever_comes(
    patches: GeometryArray, zones: Sequence[ZoneSpec], grounds: Grounds, sliver_area_m2: float
) -> Pieces:
    """Cut a block of patches; where GEOS fails on any of them, each by itself, so that the others are cut."""
    try:
        return cut_block(patches, zones, grounds, sliver_area_m2)
    except shapely.GEOSException as error:
        if len(patches) == 1:
            return keep_whole(patches, zones, grounds, _read_error(error))
    parts = []
    for place in range(len(patches)):  # a loop over geometry: hardly any block ever fails
        own = where_true(grounds.patch == place)
        alone = Grounds(np.zeros(len(own), np.intp), grounds.geometry[own])
        parts.append(place_pieces(_cut_whatever_comes(patches[[place]], zones, alone, sliver_area_m2), place, own))
    return join_pieces(parts, len(zones))


def _read_error(error: Exception) -> str:
    return " ".join(str(error).split())[:200]


def place_pieces(pieces: Pieces, place: int, grounds: IntArray) -> Pieces:
    """Return the pieces of one patch under its place among others, and its grounds under theirs."""
    patch, slow = np.full(len(pieces.patch), place), np.full(len(pieces.slow), place)
    aside = dict.fromkeys([place], next(iter(pieces.aside.values()))) if pieces.aside else {}
    return replace(pieces, patch=patch, ground=grounds[pieces.ground], slow=slow, aside=aside)


def keep_whole(patches: GeometryArray, zones: Sequence[ZoneSpec], grounds: Grounds, why: str) -> Pieces:
    """Return one patch as one piece that lies in every zone that reaches it, and on every ground it was to be cut by.

    Parameters
    ----------
    patches
        The patch, shape (1,).
    zones, grounds
        See `cut_blocks`.
    why
        What stood in the way.
    """
    return _keep_whole(decide_block(patches, zones), 0, np.arange(len(grounds.geometry)), why)


def _keep_whole(block: Block, place: int, grounds: IntArray, why: str) -> Pieces:
    whole, none = np.full(1, place), np.zeros(len(grounds), np.intp)
    inside = (block.inside | block.straddled)[whole]
    return Pieces(block.patches[whole], whole, inside, none, grounds, whole, {place: why})


def recut_patch(
    patches: GeometryArray, zones: Sequence[ZoneSpec], grounds: Grounds, sliver_area_m2: float, grid_m: float
) -> Pieces | None:
    """Cut one patch the slow way on one grid; None where that does not hold. See `cut_blocks`; ``patches`` is (1,)."""
    try:
        block = decide_block(patches, zones)
        keys, drawn = draw_keys(block, grounds.patch, grounds.geometry)
        return _cut_one(block, keys, drawn, 0, sliver_area_m2, (grid_m,)) if len(keys.patch) else None
    except (CutError, shapely.GEOSException):
        return None


def split_blocks(patches: GeometryArray, block: int) -> list[IntArray]:
    """Return groups of places of patches that lie together, along a Hilbert curve."""
    if len(patches) <= block:
        return [np.arange(len(patches))]
    import geopandas as gpd

    order = np.argsort(gpd.GeoSeries(patches).hilbert_distance().to_numpy(), kind="stable")
    return [order[start : start + block] for start in range(0, len(order), block)]


def join_pieces(parts: Sequence[Pieces], zone_count: int) -> Pieces:
    """Put the pieces of several blocks together, in the order of the patches."""
    if not parts:
        nothing = np.empty(0, np.intp)
        return Pieces(np.empty(0, dtype=object), nothing, np.empty((0, zone_count), bool), nothing, nothing, nothing)
    if len(parts) == 1 and (np.diff(parts[0].patch) >= 0).all():
        return parts[0]
    shift = np.cumsum([0] + [len(part.patch) for part in parts[:-1]])
    patch = np.concatenate([part.patch for part in parts])
    order = np.argsort(patch, kind="stable")
    rank = np.empty(len(order), np.intp)
    rank[order] = np.arange(len(order))
    return Pieces(
        np.concatenate([part.geometry for part in parts])[order],
        patch[order],
        np.concatenate([part.inside for part in parts])[order],
        rank[np.concatenate([part.ground_piece + start for part, start in zip(parts, shift, strict=True)])],
        np.concatenate([part.ground for part in parts]),
        np.sort(np.concatenate([part.slow for part in parts])),
        {place: why for part in parts for place, why in part.aside.items()},
    )


def drop_patches(pieces: Pieces, places: Collection[int]) -> Pieces:
    """Return pieces without those of some patches."""
    kept = ~np.isin(pieces.patch, list(places))
    rank = np.cumsum(kept) - 1
    pairs = kept[pieces.ground_piece]
    return Pieces(
        pieces.geometry[kept],
        pieces.patch[kept],
        pieces.inside[kept],
        rank[pieces.ground_piece[pairs]],
        pieces.ground[pairs],
        pieces.slow[~np.isin(pieces.slow, list(places))],
        {place: why for place, why in pieces.aside.items() if place not in places},
    )


def cut_block(
    patches: GeometryArray, zones: Sequence[ZoneSpec], grounds: Grounds = NO_GROUNDS, sliver_area_m2: float = 0.0
) -> Pieces:
    """Cut one block of patches; see `cut_blocks`."""
    block = decide_block(patches, zones)
    keys, drawn = draw_keys(block, grounds.patch, grounds.geometry)
    if not len(keys.patch):
        nothing = np.empty(0, np.intp)
        return Pieces(patches, np.arange(len(patches)), block.inside, nothing, nothing, nothing)
    faces = arrange_faces(patches, keys, drawn)
    inside, unsound = find_unproven(block, keys, drawn, faces)
    slow = np.unique(np.concatenate([faces.untiled, faces.patch[unsound]]))
    if len(slow):
        sound = ~np.isin(faces.patch, slow)
        faces, inside = Faces(faces.geometry[sound], faces.patch[sound], faces.point[sound], slow), inside[sound]
    faces, inside = join_shores(block, faces, inside)
    faces, inside = merge_small(patches, keys, faces, inside, sliver_area_m2)
    quick = _number(block, keys, *collect_pieces(patches, faces, inside), slow)
    return (
        quick
        if not len(slow)
        else join_pieces([quick, _cut_slow(block, keys, drawn, slow, sliver_area_m2)], len(zones))
    )


def _number(block: Block, keys: Keys, geometry: GeometryArray, patch: IntArray, code: Bits, slow: IntArray) -> Pieces:
    """Put cut and uncut patches in order and turn the bits of each piece into zones and grounds."""
    whole = np.ones(len(block.patches), dtype=bool)
    whole[patch] = False
    whole[slow] = False
    uncut = where_true(whole)
    owner = np.concatenate([patch, uncut])
    order = np.argsort(owner, kind="stable")
    rank = np.empty(len(order), np.intp)
    rank[order] = np.arange(len(order))
    inside = block.inside[owner]
    piece, key = keys.spread(patch)
    held = (code[piece] >> keys.bit[key].astype(np.uint64)) & np.uint64(1) > 0
    piece, key = piece[held], key[held]
    rule = keys.zone[key] >= 0
    inside[piece[rule], keys.zone[key[rule]]] = True
    shapes = np.concatenate([geometry, block.patches[uncut]])
    none = np.empty(0, np.intp)
    return Pieces(shapes[order], owner[order], inside[order], rank[piece[~rule]], keys.ground[key[~rule]], none)


def _cut_slow(block: Block, keys: Keys, drawn: GeometryArray, slow: IntArray, sliver_area_m2: float) -> Pieces:
    """Cut patches whose proof failed again, one by one; what no way cuts stays whole."""
    parts = []
    for place in slow.tolist():  # a loop over geometry: few patches in a million
        try:
            parts.append(_cut_one(block, keys, drawn, place, sliver_area_m2))
        except (CutError, shapely.GEOSException) as error:
            own = keys.ground[(keys.patch == place) & (keys.ground >= 0)]
            parts.append(_keep_whole(block, place, own, _read_error(error)))
    return join_pieces(parts, len(block.zones))


def _cut_one(
    block: Block,
    keys: Keys,
    drawn: GeometryArray,
    place: int,
    sliver_area_m2: float,
    grids_m: Sequence[float] = GRIDS_M,
) -> Pieces:
    """Cut one patch the slow way.

    Raises
    ------
    CutError, GEOSException
        Its pieces do not tile it, whatever the way.
    """
    geometry, held = cut_slowly(block, keys, drawn, place, sliver_area_m2, grids_m)
    piece = np.repeat(np.arange(len(held)), [len(item) for item in held])
    key = np.concatenate(held)
    inside = np.repeat(block.inside[[place]], len(geometry), axis=0)
    rule = keys.zone[key] >= 0
    inside[piece[rule], keys.zone[key[rule]]] = True
    owner = np.full(len(geometry), place)
    return Pieces(geometry, owner, inside, piece[~rule], keys.ground[key[~rule]], owner[:1])
