"""In: runs and cells of a group, and a reach. Out: the ground within reach of them.

A zone is drawn around chains of segments: its straight sides stand exactly at the distance, its round ends never inside
it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone.features import FeatureGroup
from tussock.zone.offsets import choose_steps, draw_chains, spread, where_true

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Under this radius [m] a zone is the feature itself.
NO_RADIUS_M: Final = 1e-3
#: Zones of a whole layer are drawn in tiles of this size [m], and features of up to so many runs in one tile.
_TILE_M: Final = 400.0
_WHOLE_RUNS: Final = 40
_TILES: Final = 1 << 24


def draw_grounds(
    group: FeatureGroup,
    key: IntArray,
    run: IntArray,
    reach_m: FloatArray,
    cell_key: IntArray,
    cell: IntArray,
    *,
    near: FloatArray | None = None,
    shore_only: NDArray[np.bool_] | None = None,
    exact: bool = True,
) -> tuple[GeometryArray, IntArray]:
    """Return, for each key, the ground within reach of its runs and inside its cells.

    Parameters
    ----------
    group
        Features.
    key, run
        Pairs of key and run, shape (p,); a pair stands once.
    reach_m
        Reach of each pair [m], shape (p,).
    cell_key, cell
        Pairs of key and cell, shape (q,).
    near
        x, y, radius of the ground that matters to each pair, shape (p, 3): segments out of its reach are left out.
    shore_only
        Whether ground in the areal features themselves does not matter to a pair, shape (p,).
    exact
        See `draw_chains`.

    Returns
    -------
    grounds, keys
        Polygons or multipolygons and the key of each, in ascending order; a key without ground is left out.
    """
    wide = reach_m > NO_RADIUS_M
    key, run, reach_m, near = key[wide], run[wide], reach_m[wide], None if near is None else near[wide]
    dry = np.zeros(len(run), dtype=bool) if shore_only is None else shore_only[wide]
    pair, place = spread_runs(group, run)
    if near is not None and len(pair):
        aim = near[pair]
        close = find_gap(group.segment[place], aim[:, :2]) <= aim[:, 2] + reach_m[pair]
        pair, place = pair[close], place[close]
    order = np.lexsort((place, key[pair]))
    pair, place = pair[order], place[order]
    line, owner = group.run_line[group.segment_run[place]], key[pair]
    linked = np.zeros(len(place), dtype=bool)
    linked[:-1] = (owner[1:] == owner[:-1]) & (place[1:] == place[:-1] + 1) & (line[1:] == line[:-1])
    is_open = group.line_open[line]
    starts, ends = is_open & group.begins_line[place], is_open & group.ends_line[place]
    rings, chain = draw_chains(
        group.segment[place],
        reach_m[pair],
        linked,
        starts,
        ends,
        right_only=dry[pair] & ~is_open,
        step=choose_steps(reach_m, group.offset_m[group.run_owner[run]])[pair],
        exact=exact,
    )
    ring_key = np.empty(len(rings), dtype=np.intp)
    ring_key[chain] = owner
    pieces = np.concatenate([rings, group.cells[cell]])
    piece_key = np.concatenate([ring_key, cell_key])
    if not len(pieces):
        return np.empty(0, dtype=object), np.empty(0, np.intp)
    order = np.argsort(piece_key, kind="stable")
    keys, number = np.unique(piece_key[order], return_inverse=True)
    heaps = shapely.multipolygons(pieces[order], indices=number)
    grounds = shapely.buffer(heaps, 0)  # dissolves what overlaps; see `offsets`
    kept = ~shapely.is_empty(grounds)
    return grounds[kept], keys[kept]


def spread_runs(group: FeatureGroup, run: IntArray) -> tuple[IntArray, IntArray]:
    """Return the place of the run and the number of each of its segments."""
    return spread(group.run_start[run], group.run_start[run + 1] - group.run_start[run])


def draw_capsules(segment: FloatArray, radius_m: FloatArray, offset_m: FloatArray) -> GeometryArray:
    """Return the ground within a radius of each single segment, round at both ends, shape (n,); see `choose_steps`."""
    every, none = np.ones(len(segment), dtype=bool), np.zeros(len(segment), dtype=bool)
    return draw_chains(segment, radius_m, none, every, every, step=choose_steps(radius_m, offset_m))[0]


def find_gap(segment: FloatArray, xy: FloatArray) -> FloatArray:
    """Return the distance between segments, shape (n, 4), and points, shape (n, 2), pair by pair."""
    x0, y0 = segment[:, 0] - xy[:, 0], segment[:, 1] - xy[:, 1]
    dx, dy = segment[:, 2] - segment[:, 0], segment[:, 3] - segment[:, 1]
    square = dx * dx + dy * dy
    share = np.clip(-(x0 * dx + y0 * dy) / np.where(square > 0, square, 1.0), 0.0, 1.0)
    return np.hypot(x0 + share * dx, y0 + share * dy)


def draw_zone(group: FeatureGroup, runs: IntArray, cells: IntArray, reach_m: FloatArray) -> Any:
    """Return the ground within reach of some runs and inside some cells, as one geometry.

    Parameters
    ----------
    group
        Features.
    runs, cells
        Which of them.
    reach_m
        Reach from the core of each feature [m], shape (f,).
    """
    runs, cells = np.unique(runs), np.unique(cells)
    if not len(runs):
        return shapely.union_all(group.cells[cells])
    tile, cell_tile = _find_tiles(group, runs, cells)
    # where a tile ends on a line, the run that follows is drawn with it too, so that the corner between them is
    follows = (runs[1:] == runs[:-1] + 1) & (group.run_line[runs[1:]] == group.run_line[runs[:-1]])
    ahead = where_true(follows & (tile[1:] != tile[:-1]))
    _, key = np.unique(np.concatenate([tile, tile[ahead], cell_tile]), return_inverse=True)
    run = np.concatenate([runs, runs[ahead + 1]])
    reach = reach_m[group.run_owner[run]]
    # the far side of a shore is the feature itself
    inner = np.ones(len(run), dtype=bool)
    grounds, _ = draw_grounds(group, key[: len(run)], run, reach, key[len(run) :], cells, shore_only=inner)
    return shapely.disjoint_subset_union_all(shapely.get_parts(grounds))


def _find_tiles(group: FeatureGroup, runs: IntArray, cells: IntArray) -> tuple[IntArray, IntArray]:
    """Return a number for what is drawn in one go: small features whole, large ones by tile; of each run and cell."""
    owner, cell_owner = group.run_owner[runs], group.cell_owner[cells]
    count = np.bincount(owner, minlength=len(group))
    first = np.zeros(len(group), dtype=np.intp)
    first[owner[::-1]] = runs[::-1]
    whole = (count > 0) & (count <= _WHOLE_RUNS)
    place = group.run_box[np.where(whole[owner], first[owner], runs), :2]
    cell_place = np.asarray(shapely.bounds(group.cells[cells])).reshape(-1, 4)[:, :2]
    kept = whole[cell_owner]
    cell_place[kept] = group.run_box[first[cell_owner[kept]], :2]
    xy = np.floor(np.concatenate([place, cell_place]) / _TILE_M).astype(np.intp)
    tile = xy[:, 0] * _TILES + xy[:, 1]
    return tile[: len(runs)], tile[len(runs) :]
