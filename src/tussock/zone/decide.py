"""In: a block of patches and zones. Out: which patches lie wholly inside, which straddle, and their zones drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone.features import FeatureGroup, find_inside
from tussock.zone.grounds import NO_RADIUS_M, draw_grounds
from tussock.zone.offsets import spread, where_true

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]


_NO_GROUND: Final = shapely.Polygon()


@dataclass(frozen=True)
class ZoneSpec:
    """A zone: features, and how far it reaches from the core of each [m], shape (f,)."""

    group: FeatureGroup
    reach_m: FloatArray


@dataclass(frozen=True)
class Near:
    """Runs and cells of one group near the patches of a block, by patch.

    Attributes
    ----------
    group, zones
        The group and the places of the zones that run from it.
    patch, run, distance_m
        Pairs within the widest reach and the exact distance, shape (p,), sorted by patch.
    cell_patch, cell
        Pairs of patch and cell that share ground, shape (q,), sorted by patch.
    """

    group: FeatureGroup
    zones: tuple[int, ...]
    patch: IntArray
    run: IntArray
    distance_m: FloatArray
    cell_patch: IntArray
    cell: IntArray


@dataclass(frozen=True)
class Block:
    """Patches of a block, what lies near them, and the zones that they wholly lie in (n, zones) or straddle."""

    patches: GeometryArray
    zones: Sequence[ZoneSpec]
    circle: FloatArray
    near: tuple[Near, ...]
    inside: BoolArray
    straddled: BoolArray


@dataclass(frozen=True)
class Keys:
    """What a patch is cut by, sorted by patch: a zone (``ground`` -1) or other ground (``zone`` -1), shape (k,) each.

    ``bit`` numbers the keys of one patch from 0; ``start`` is the first key of each patch, and the end, shape (n + 1,).
    """

    patch: IntArray
    zone: IntArray
    ground: IntArray
    bit: IntArray
    start: IntArray

    def spread(self, patch: IntArray) -> tuple[IntArray, IntArray]:
        """Return the pairs of place and key for things that belong to patches."""
        return spread(self.start[patch], self.start[patch + 1] - self.start[patch])


def decide_block(patches: GeometryArray, zones: Sequence[ZoneSpec]) -> Block:
    """Decide by exact distance which patches lie wholly inside a zone, wholly outside, or straddle its edge."""
    box = shapely.bounds(patches)
    centre = shapely.centroid(patches)
    middle = shapely.get_coordinates(centre)
    xy, owner = shapely.get_coordinates(patches, return_index=True)
    gap = np.hypot(*(xy - middle[owner]).T)
    radius = np.maximum.reduceat(gap, np.searchsorted(owner, np.arange(len(patches)))) if len(patches) else gap
    circle = np.column_stack([middle, radius])
    inside = np.zeros((len(patches), len(zones)), dtype=bool)
    straddled = np.zeros_like(inside)
    near = []
    for members in _group_zones(zones):
        group = zones[members[0]].group
        reach = np.array([zones[place].reach_m for place in members])
        if not len(group):
            continue
        item = _find_near(group, members, reach.max(axis=0), patches, box, circle)
        near.append(item)
        core = shapely.distance(centre[item.patch], group.runs[item.run])
        partly = _find_partly_wet(item, patches)[item.cell_patch]
        for place, reach_m in zip(members, reach, strict=True):
            limit = reach_m[group.run_owner[item.run]]
            close = item.distance_m <= limit
            inside[item.patch[close & (core + radius[item.patch] <= limit)], place] = True
            straddled[item.patch[close], place] = True
            off_shore = ~straddled[item.cell_patch, place]
            inside[item.cell_patch[off_shore & ~partly], place] = True
            straddled[item.cell_patch[off_shore & partly], place] = True
    return Block(patches, zones, circle, tuple(near), inside, straddled & ~inside)


def _find_partly_wet(near: Near, patches: GeometryArray) -> BoolArray:
    """Tell which patches have one part that shares ground with the cells of a group and another that does not."""
    partly = np.zeros(len(patches), dtype=bool)
    several = np.unique(near.cell_patch)
    several = several[shapely.get_num_geometries(patches[several]) > 1]
    parts, owner = shapely.get_parts(patches[several], return_index=True)
    dry = np.ones(len(parts), dtype=bool)
    dry[find_inside(near.group, parts)[0]] = False
    partly[several[owner[dry]]] = True
    return partly


def _group_zones(zones: Sequence[ZoneSpec]) -> list[tuple[int, ...]]:
    groups: dict[int, list[int]] = {}
    for place, zone in enumerate(zones):
        groups.setdefault(id(zone.group), []).append(place)
    return [tuple(members) for members in groups.values()]


def _find_near(
    group: FeatureGroup,
    zones: tuple[int, ...],
    reach_m: FloatArray,
    patches: GeometryArray,
    box: FloatArray,
    circle: FloatArray,
) -> Near:
    far = float(reach_m.max())
    item, run = group.run_tree.query(shapely.box(*(box + np.array([-far, -far, far, far])).T))
    limit = reach_m[group.run_owner[run]]
    ours, theirs, around = box[item], group.run_box[run], circle[item]
    aside = np.maximum(np.maximum(theirs[:, :2] - ours[:, 2:], ours[:, :2] - theirs[:, 2:]), 0.0)
    off = np.maximum(np.maximum(theirs[:, :2] - around[:, :2], around[:, :2] - theirs[:, 2:]), 0.0)
    close = (np.hypot(*aside.T) <= limit) & (np.hypot(*off.T) <= limit + around[:, 2])
    item, run, limit = item[close], run[close], limit[close]
    distance = shapely.distance(patches[item], group.runs[run])
    close = distance <= limit
    item, run, distance = item[close], run[close], distance[close]
    order = np.lexsort((run, item))
    cell_item, cell = find_inside(group, patches)
    cell_order = np.lexsort((cell, cell_item))
    return Near(group, zones, item[order], run[order], distance[order], cell_item[cell_order], cell[cell_order])


def draw_keys(block: Block, ground_patch: IntArray, ground: GeometryArray) -> tuple[Keys, GeometryArray]:
    """Draw the zones that patches straddle, and put other ground beside them.

    Of a zone around an areal feature only the strip along its shore is drawn: the feature itself is told by an inner
    point of each face, see `arrange`. It is drawn where the zone is the feature.

    Returns
    -------
    Keys
        What each patch is cut by.
    ndarray of Polygon or MultiPolygon, shape (k,)
        The ground of each key; a zone without ground of its own (a line of no width at no distance) is empty.
    """
    count = len(block.patches)
    patch, zone = np.nonzero(block.straddled)
    drawn = np.full(len(patch), _NO_GROUND, dtype=object)
    key_of = np.full(block.straddled.shape, -1, dtype=np.intp)
    key_of[patch, zone] = np.arange(len(patch))
    for item in block.near:
        if not block.straddled[:, item.zones].any():
            continue
        key, pair, reach, cell_key, cell = [], [], [], [], []
        for place in item.zones:
            limit = block.zones[place].reach_m[item.group.run_owner[item.run]]
            own = where_true((key_of[item.patch, place] >= 0) & (item.distance_m <= limit))
            key.append(key_of[item.patch[own], place])
            pair.append(own)
            reach.append(limit[own])
            held = key_of[item.cell_patch, place]
            bare = (held >= 0) & (block.zones[place].reach_m[item.group.cell_owner[item.cell]] <= NO_RADIUS_M)
            cell_key.append(held[bare])
            cell.append(item.cell[bare])
        chosen = np.concatenate(pair)
        shapes, drawn_key = draw_grounds(
            item.group,
            np.concatenate(key),
            item.run[chosen],
            np.concatenate(reach),
            np.concatenate(cell_key),
            np.concatenate(cell),
            near=block.circle[item.patch[chosen]],
            shore_only=np.ones(len(chosen), dtype=bool),
            exact=False,
        )
        drawn[drawn_key] = shapes
    zoned = len(patch)
    patch = np.concatenate([patch, ground_patch])
    order = np.argsort(patch, kind="stable")
    patch = patch[order]
    start = np.searchsorted(patch, np.arange(count + 1))
    none = np.full(len(ground_patch), -1, dtype=np.intp)
    keys = Keys(
        patch=patch,
        zone=np.concatenate([zone, none])[order],
        ground=np.concatenate([np.full(zoned, -1), np.arange(len(ground_patch))])[order],
        bit=np.arange(len(patch)) - start[patch],
        start=start,
    )
    return keys, np.concatenate([drawn, ground])[order]
