"""In: one layer's features and which of them a rule means. Out: a searchable group: near pairs, nearest feature, zones.

Outlines are cut into short runs of segments in one index, so that the work follows the shore that a patch reaches and
not the size of the lake; the insides of large polygons are kept as small cells. A zone is the union of circumscribed
outlines around single segments: its straight sides stand exactly at the distance, its round ends never inside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

RUN_SEGMENTS: Final = 12
CELL_VERTICES: Final = 256
#: Sides of each round end. Circumscribed, so at most 1/cos(pi / 48) - 1 = 0.215 % too far, never too near.
CAP_SIDES: Final = 24
#: Under this radius [m] a zone is the feature itself.
NO_RADIUS_M: Final = 1e-3


@dataclass(frozen=True)
class FeatureGroup:
    """Features of one filter in one CRS.

    Attributes
    ----------
    owner_row
        Row of the layer's frame for each feature, shape (f,).
    label
        Name of each feature, shape (f,).
    offset_m
        Half the width of features drawn as lines, else 0, shape (f,).
    runs, run_owner
        Outline runs (lines, points) and the feature of each, shape (r,).
    cells, cell_owner
        Insides of areal features, shape (c,).
    segment, segment_run
        Ends of each segment as x0, y0, x1, y1, shape (s, 4), and the run of each, shape (s,).
    """

    owner_row: IntArray
    label: NDArray[np.object_]
    offset_m: FloatArray
    assumed: NDArray[np.bool_]
    runs: GeometryArray
    run_owner: IntArray
    cells: GeometryArray
    cell_owner: IntArray
    segment: FloatArray
    segment_run: IntArray

    @cached_property
    def run_tree(self) -> shapely.STRtree:
        """Index of the runs."""
        return shapely.STRtree(self.runs)

    @cached_property
    def cell_tree(self) -> shapely.STRtree:
        """Index of the cells."""
        return shapely.STRtree(self.cells)

    @cached_property
    def run_start(self) -> IntArray:
        """First segment of each run, and the end, shape (r + 1,)."""
        return np.searchsorted(self.segment_run, np.arange(len(self.runs) + 1)).astype(np.intp)

    def __len__(self) -> int:
        return len(self.owner_row)


def make_group(frame: gpd.GeoDataFrame, chosen: NDArray[np.bool_]) -> FeatureGroup:
    """Make the group of the chosen rows of a layer (columns ``label`` and, for water, ``width_m, width_assumed``)."""
    rows = np.flatnonzero(chosen)
    geometry = np.asarray(frame.geometry.array, dtype=object)[rows]
    width = frame["width_m"].to_numpy(dtype=float)[rows] if "width_m" in frame.columns else np.zeros(len(rows))
    assumed = frame["width_assumed"].to_numpy(dtype=bool)[rows] if "width_assumed" in frame.columns else width > np.inf
    parts, part_owner = shapely.get_parts(geometry, return_index=True)
    kind = shapely.get_type_id(parts)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    lines = np.concatenate([rings, parts[kind == 1]])
    line_owner = np.concatenate([part_owner[ring_part], part_owner[kind == 1]])
    runs, run_owner, segment, segment_run = _cut_runs(lines, line_owner)
    points, point_owner = parts[kind == 0], part_owner[kind == 0]
    xy = shapely.get_coordinates(points)
    cells, cell_owner = _cut_cells(parts[kind == 3], part_owner[kind == 3])  # noqa: PLR2004  (3 is a polygon)
    return FeatureGroup(
        owner_row=rows,
        label=frame["label"].to_numpy(dtype=object)[rows],
        offset_m=np.nan_to_num(width) / 2,
        assumed=assumed,
        runs=np.concatenate([runs, points]),
        run_owner=np.concatenate([run_owner, point_owner]).astype(np.intp),
        cells=cells,
        cell_owner=cell_owner.astype(np.intp),
        segment=np.concatenate([segment, np.column_stack([xy, xy])]),
        segment_run=np.concatenate([segment_run, len(runs) + np.arange(len(points))]).astype(np.intp),
    )


def _cut_runs(lines: GeometryArray, owner: IntArray) -> tuple[GeometryArray, IntArray, FloatArray, IntArray]:
    """Cut lines into runs of at most `RUN_SEGMENTS` segments."""
    xy, line = shapely.get_coordinates(lines, return_index=True)
    inner = line[1:] == line[:-1]
    start = np.flatnonzero(inner)
    if len(start) == 0:
        return np.empty(0, dtype=object), np.empty(0, np.intp), np.empty((0, 4)), np.empty(0, np.intp)
    segment = np.column_stack([xy[start], xy[start + 1]])
    segment_line = line[start]
    first = np.r_[0, np.flatnonzero(np.diff(segment_line)) + 1]
    place = np.arange(len(start)) - np.repeat(first, np.diff(np.r_[first, len(start)]))
    new_run = (place % RUN_SEGMENTS) == 0
    run = np.cumsum(new_run) - 1
    run_first = np.flatnonzero(new_run)
    vertex = np.concatenate([segment[run_first, :2], segment[:, 2:]])
    vertex_run = np.concatenate([np.arange(len(run_first)), run])
    order = np.argsort(vertex_run, kind="stable")
    runs = shapely.linestrings(vertex[order], indices=vertex_run[order])
    return runs, owner[segment_line[run_first]], segment, run.astype(np.intp)


def _cut_cells(polygons: GeometryArray, owner: IntArray) -> tuple[GeometryArray, IntArray]:
    """Cut polygons into cells of at most `CELL_VERTICES` vertices, halving their boxes."""
    done, done_owner = [], []
    waiting = list(zip(polygons, owner, strict=True))
    while waiting:  # a loop over geometry: only polygons of many vertices come round again
        polygon, name = waiting.pop()
        if shapely.get_num_coordinates(polygon) <= CELL_VERTICES:
            done.append(polygon)
            done_owner.append(name)
            continue
        west, south, east, north = polygon.bounds
        if east - west >= north - south:
            middle = (west + east) / 2
            halves = ((west, south, middle, north), (middle, south, east, north))
        else:
            middle = (south + north) / 2
            halves = ((west, south, east, middle), (west, middle, east, north))
        for half in halves:
            clipped = shapely.intersection(polygon, shapely.box(*half))
            waiting += [(item, name) for item in shapely.get_parts(clipped) if item.geom_type == "Polygon"]
    cells = np.empty(len(done), dtype=object)
    cells[:] = done
    return cells, np.asarray(done_owner, dtype=np.intp)


def find_pairs(
    group: FeatureGroup, geometry: GeometryArray, reach_m: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the runs within reach of geometries.

    Parameters
    ----------
    group
        Features.
    geometry
        Geometries, shape (n,).
    reach_m
        Reach of each run's feature [m], shape (f,).

    Returns
    -------
    item, run, distance_m
        Place of the geometry, run, exact distance between them (not yet less the half width), shape (p,) each.
    """
    if len(group.runs) == 0 or len(geometry) == 0:
        return np.empty(0, np.intp), np.empty(0, np.intp), np.empty(0)
    item, run = group.run_tree.query(geometry, predicate="dwithin", distance=float(reach_m.max()))
    distance = shapely.distance(geometry[item], group.runs[run])
    near = distance <= reach_m[group.run_owner[run]]
    return item[near], run[near], distance[near]


def find_inside(group: FeatureGroup, geometry: GeometryArray) -> tuple[IntArray, IntArray]:
    """Return pairs of geometries and cells whose ground they share: place of the geometry, cell; shape (p,) each."""
    if len(group.cells) == 0 or len(geometry) == 0:
        return np.empty(0, np.intp), np.empty(0, np.intp)
    item, cell = group.cell_tree.query(geometry, predicate="intersects")
    return item, cell


@dataclass(frozen=True)
class Nearest:
    """The nearest feature of each geometry: feature place (-1: the group is empty), run, distance [m], on it or not."""

    owner: IntArray
    run: IntArray
    distance_m: FloatArray
    on: NDArray[np.bool_]


def find_nearest(group: FeatureGroup, geometry: GeometryArray, credit_m: FloatArray | None = None) -> Nearest:
    """Return the nearest feature of each geometry, by distance to its edge.

    Parameters
    ----------
    group
        Features.
    geometry
        Geometries, shape (n,).
    credit_m
        Subtracted from each feature's distance before they are compared, shape (f,); by default the half width. A
        rule that takes its distance from the feature passes that distance too.
    """
    count = len(geometry)
    owner, run = np.full(count, -1, np.intp), np.full(count, -1, np.intp)
    distance, on = np.full(count, np.inf), np.zeros(count, dtype=bool)
    if len(group) == 0 or count == 0:
        return Nearest(owner, run, distance, on)
    credit = group.offset_m if credit_m is None else credit_m
    item, found, core = _nearest_runs(group, geometry, credit)
    owner[item], run[item] = group.run_owner[found], found
    distance[item] = np.maximum(core - group.offset_m[owner[item]], 0.0)
    inside, cell = find_inside(group, geometry)
    better = (distance[inside] > 0) & _share_ground(geometry[inside], group.cells[cell])
    owner[inside[better]] = group.cell_owner[cell[better]]
    distance[inside[better]] = 0.0
    on[inside] = True
    return Nearest(owner, run, distance, on | (distance <= 0))


def _share_ground(geometry: GeometryArray, cells: GeometryArray) -> NDArray[np.bool_]:
    """Tell where a geometry and a cell intersect, both already known to do so in the index."""
    return np.asarray(shapely.intersects(geometry, cells), dtype=bool)


def _nearest_runs(
    group: FeatureGroup, geometry: GeometryArray, credit: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    pair, core = group.run_tree.query_nearest(geometry, return_distance=True, all_matches=False)
    item, run = pair[0].astype(np.intp), pair[1].astype(np.intp)
    most = float(credit.max())
    if most == float(credit.min()):
        return item, run, core
    bound = core - credit[group.run_owner[run]] + most
    more_item, more_run = group.run_tree.query(geometry[item], predicate="dwithin", distance=bound)
    more_core = shapely.distance(geometry[item][more_item], group.runs[more_run])
    score = more_core - credit[group.run_owner[more_run]]
    order = np.lexsort((more_run, score, more_item))
    _, first = np.unique(more_item[order], return_index=True)
    best = order[first]
    return item[more_item[best]], more_run[best], more_core[best]


def draw_capsules(segment: FloatArray, radius_m: FloatArray) -> GeometryArray:
    """Return the ground within a radius of each segment, circumscribed.

    Parameters
    ----------
    segment
        Ends x0, y0, x1, y1 [m], shape (n, 4); both ends alike for a point.
    radius_m
        Radius of each, shape (n,).

    Returns
    -------
    ndarray of Polygon, shape (n,)
        Sides exactly at the radius, round ends of `CAP_SIDES` tangents.
    """
    start, end = segment[:, :2], segment[:, 2:]
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    flat = length == 0
    along[flat] = (1.0, 0.0)
    length[flat] = 1.0
    angle = np.arctan2(along[:, 1], along[:, 0])
    step = np.pi / CAP_SIDES
    spread = -np.pi / 2 + step * (np.arange(CAP_SIDES) + 0.5)
    radius = (radius_m / np.cos(step / 2))[:, None]
    ahead, behind = angle[:, None] + spread, angle[:, None] + np.pi + spread
    ring_x = np.hstack([end[:, :1] + radius * np.cos(ahead), start[:, :1] + radius * np.cos(behind)])
    ring_y = np.hstack([end[:, 1:] + radius * np.sin(ahead), start[:, 1:] + radius * np.sin(behind)])
    capsules: GeometryArray = shapely.polygons(np.stack([ring_x, ring_y], axis=-1))
    return capsules


def draw_zone(group: FeatureGroup, runs: IntArray, cells: IntArray, reach_m: FloatArray, near: Any = None) -> Any:
    """Return the ground within reach of some runs and inside some cells, as one geometry.

    Parameters
    ----------
    group
        Features.
    runs, cells
        Which of them.
    reach_m
        Reach from the core of each feature [m], shape (f,).
    near
        Only segments within reach of this geometry are drawn; None for all.
    """
    pieces: list[GeometryArray] = [group.cells[np.unique(cells)]]
    runs = np.unique(runs)
    runs = runs[reach_m[group.run_owner[runs]] > NO_RADIUS_M]
    if len(runs):
        start, stop = group.run_start[runs], group.run_start[runs + 1]
        count = stop - start
        chosen = np.repeat(start - np.r_[0, np.cumsum(count)[:-1]], count) + np.arange(int(count.sum()))
        radius = reach_m[group.run_owner[np.repeat(runs, count)]]
        segment = group.segment[chosen]
        if near is not None:
            lines = shapely.linestrings(segment.reshape(-1, 2, 2))
            close = shapely.dwithin(lines, near, radius)
            segment, radius = segment[close], radius[close]
        pieces.append(draw_capsules(segment, radius))
    return shapely.union_all(np.concatenate(pieces))
