"""In: one layer's features and which of them a rule means. Out: a searchable group: near pairs, nearest feature.

Outlines are cut into short runs of segments in one index, so that the work follows the shore that a patch reaches and
not the size of the lake; the insides of large polygons are kept as small cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError
from tussock.base.simple import list_parts
from tussock.zone.offsets import where_true

if TYPE_CHECKING:
    import geopandas as gpd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Added to bounds of a search [m], so that the nearest itself is found whatever the rounding.
_ROUNDING_M: Final = 1e-9
RUN_SEGMENTS: Final = 12
#: Halves of a polygon keep its area to this share.
_HALVES_TOLERANCE: Final = 1e-12
CELL_VERTICES: Final = 128


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
        Half the width of features drawn as lines, else 0, as it is drawn in the CRS, shape (f,).
    scale
        How long a metre on the ground is drawn in the CRS.
    runs, run_owner, run_line
        Outline runs (lines, points), the feature and the line or ring of each, shape (r,).
    cells, cell_owner
        Insides of areal features, shape (c,).
    segment, segment_run
        Ends of each segment as x0, y0, x1, y1, shape (s, 4), and the run of each, shape (s,). The first segment of a
        ring comes again at its end, so that every corner stands between two neighbours.
    line_open
        Whether a line has ends (a ring has none), shape (lines,).
    """

    owner_row: IntArray
    label: NDArray[np.object_]
    offset_m: FloatArray
    assumed: NDArray[np.bool_]
    runs: GeometryArray
    run_owner: IntArray
    run_line: IntArray
    line_open: NDArray[np.bool_]
    cells: GeometryArray
    cell_owner: IntArray
    segment: FloatArray
    segment_run: IntArray
    scale: float = 1.0

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

    @cached_property
    def begins_line(self) -> NDArray[np.bool_]:
        """Whether a segment is the first of its line, shape (s,)."""
        line = self.run_line[self.segment_run]
        begins: NDArray[np.bool_] = np.r_[True, line[1:] != line[:-1]][: len(line)]
        return begins

    @cached_property
    def ends_line(self) -> NDArray[np.bool_]:
        """Whether a segment is the last of its line, shape (s,)."""
        line = self.run_line[self.segment_run]
        ends: NDArray[np.bool_] = np.r_[line[1:] != line[:-1], True][: len(line)]
        return ends

    @cached_property
    def run_box(self) -> FloatArray:
        """West, south, east, north of each run, shape (r, 4)."""
        return np.asarray(shapely.bounds(self.runs)).reshape(-1, 4)

    @cached_property
    def ready(self) -> bool:
        """Build what is otherwise built at first use, so that threads only read."""
        box = shapely.box(0, 0, 0, 0)
        self.run_tree.query(box)
        self.cell_tree.query(box)
        return len(self.run_start) + len(self.run_box) + len(self.begins_line) + len(self.ends_line) > 0

    def __len__(self) -> int:
        return len(self.owner_row)


def as_objects(items: list[Any]) -> GeometryArray:
    """Return a list of geometries as an array of objects, shape (n,)."""
    array = np.empty(len(items), dtype=object)
    array[:] = items
    return array


def make_group(frame: gpd.GeoDataFrame, chosen: NDArray[np.bool_], scale: float = 1.0) -> FeatureGroup:
    """Make the group of the chosen rows of a layer (columns ``label`` and, for water, ``width_m, width_assumed``).

    Only water has both: a receptor's own ``width_m`` is no width of a stream. Widths are true; ``scale`` is how long a
    metre on the ground is drawn in the CRS of the layer.

    Raises
    ------
    InputError
        A feature has nothing that a distance can be taken to: it would be lost without a word.
    """
    rows = where_true(chosen)
    geometry = np.asarray(frame.geometry.array, dtype=object)[rows]
    width, assumed = np.zeros(len(rows)), np.zeros(len(rows), dtype=bool)
    if "width_assumed" in frame.columns:
        width = frame["width_m"].to_numpy(dtype=float)[rows]
        assumed = frame["width_assumed"].to_numpy(dtype=bool)[rows]
    parts, part_owner = list_parts(geometry)
    _check_all_in(frame, rows, part_owner[np.isfinite(shapely.bounds(parts)).all(axis=1)])
    kind = shapely.get_type_id(parts)
    parts = shapely.orient_polygons(parts)  # the feature lies left of its rings
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    lines = np.concatenate([rings, parts[kind == 1]])
    line_owner = np.concatenate([part_owner[ring_part], part_owner[kind == 1]])
    is_open = np.arange(len(lines)) >= len(rings)
    segment, segment_line = _find_segments(lines, is_open)
    runs, run_line, segment_run = _cut_runs(segment, segment_line)
    points, point_owner = parts[kind == 0], part_owner[kind == 0]
    xy = shapely.get_coordinates(points)
    cells, cell_owner = _cut_cells(parts[kind == 3], part_owner[kind == 3])  # noqa: PLR2004  (3 is a polygon)
    return FeatureGroup(
        owner_row=rows,
        label=frame["label"].to_numpy(dtype=object)[rows],
        offset_m=np.nan_to_num(width) / 2 * scale,
        assumed=assumed,
        runs=np.concatenate([runs, points]),
        run_owner=np.concatenate([line_owner[run_line], point_owner]).astype(np.intp),
        run_line=np.concatenate([run_line, len(lines) + np.arange(len(points))]).astype(np.intp),
        line_open=np.concatenate([is_open, np.ones(len(points), dtype=bool)]),
        cells=cells,
        cell_owner=cell_owner.astype(np.intp),
        segment=np.concatenate([segment, np.column_stack([xy, xy])]),
        segment_run=np.concatenate([segment_run, len(runs) + np.arange(len(points))]).astype(np.intp),
        scale=scale,
    )


def _check_all_in(frame: gpd.GeoDataFrame, rows: IntArray, part_owner: IntArray) -> None:
    """Refuse features of which no part has a place."""
    lost = np.setdiff1d(np.arange(len(rows)), part_owner)
    layer = "water" if "width_assumed" in frame.columns else "receptors"
    need = "draw it with points, lines or polygons, or deliver it in a CRS made for this region"
    if len(lost):
        shapes = frame.geometry.iloc[rows[lost]]
        labels = frame["label"].iloc[rows[lost]]
        raise InputError(
            Fault(f"layers.{layer}", str(label), f"a {shape.geom_type} that no distance can be taken to", need)
            for label, shape in zip(labels, shapes, strict=True)
        )


class Groups:
    """Makes the group of some rows of a layer once, however many rules and measures ask for it."""

    def __init__(self, scale: float = 1.0) -> None:
        self._scale = scale
        self._made: dict[tuple[int, bytes], FeatureGroup] = {}

    def make(self, frame: gpd.GeoDataFrame, chosen: NDArray[np.bool_]) -> FeatureGroup:
        """Return the group of the chosen rows of a layer; the layer must live as long as this."""
        key = (id(frame), np.packbits(chosen).tobytes())
        if key not in self._made:
            self._made[key] = make_group(frame, chosen, self._scale)
        return self._made[key]


def _find_segments(lines: GeometryArray, is_open: NDArray[np.bool_]) -> tuple[FloatArray, IntArray]:
    """Return the segments of lines and the line of each; those without length are left out, unless they are all."""
    xy, line = shapely.get_coordinates(lines, return_index=True)
    start = where_true(line[1:] == line[:-1])
    long = (xy[start] != xy[start + 1]).any(axis=1)
    flat_line = np.ones(len(lines), dtype=bool)
    flat_line[line[start[long]]] = False
    if flat_line.any():
        _, first = np.unique(line[start], return_index=True)
        long[first] |= flat_line[line[start[first]]]
    start = start[long]
    owner = line[start]
    if not len(start):
        return np.empty((0, 4)), np.empty(0, np.intp)
    last = where_true(np.r_[np.diff(owner) != 0, True])
    first = np.r_[0, last[:-1] + 1]
    again = ~is_open[owner[first]]
    order = np.insert(np.arange(len(start)), last[again] + 1, first[again])
    start = start[order]
    return np.column_stack([xy[start], xy[start + 1]]), owner[order].astype(np.intp)


def _cut_runs(segment: FloatArray, line: IntArray) -> tuple[GeometryArray, IntArray, IntArray]:
    """Cut lines into runs of `RUN_SEGMENTS` segments: the runs, the line of each, the run of each segment."""
    count = len(segment)
    if count == 0:
        return np.empty(0, dtype=object), np.empty(0, np.intp), np.empty(0, np.intp)
    first = np.r_[0, where_true(np.diff(line)) + 1]
    place = np.arange(count) - np.repeat(first, np.diff(np.r_[first, count]))
    new_run = (place % RUN_SEGMENTS) == 0
    run = np.cumsum(new_run) - 1
    begin = where_true(new_run)
    xy = np.insert(segment[:, 2:], begin, segment[begin, :2], axis=0)
    owner = np.insert(run, begin, run[begin])
    return shapely.linestrings(xy, indices=owner), line[begin], run.astype(np.intp)


def _cut_cells(polygons: GeometryArray, owner: IntArray) -> tuple[GeometryArray, IntArray]:
    """Cut polygons into cells of at most `CELL_VERTICES` vertices, halving their boxes."""
    done, done_owner = [], []
    while len(polygons):
        small = shapely.get_num_coordinates(polygons) <= CELL_VERTICES
        done.append(polygons[small])
        done_owner.append(owner[small])
        polygons, owner = polygons[~small], owner[~small]
        if not len(polygons):
            break
        halves = _halve(polygons)
        parts, whose = shapely.get_parts(halves, return_index=True)
        areal = shapely.get_type_id(parts) == 3  # noqa: PLR2004  (3 is a polygon)
        polygons, owner = parts[areal], np.concatenate([owner, owner])[whose[areal]]
    if not done:
        return np.empty(0, dtype=object), np.empty(0, np.intp)
    return np.concatenate(done), np.concatenate(done_owner).astype(np.intp)


def _halve(polygons: GeometryArray) -> GeometryArray:
    """Return the low halves of polygons, by the longer side of their box, and then the high ones."""
    west, south, east, north = shapely.bounds(polygons).T
    wide = east - west >= north - south
    x, y = np.where(wide, (west + east) / 2, east), np.where(wide, north, (south + north) / 2)
    low = np.column_stack([west, south, x, y])
    high = np.column_stack([np.where(wide, x, west), np.where(wide, south, y), east, north])
    # clipping is several times faster than an intersection, takes one box at a time, and may leave what is not valid
    halves: list[GeometryArray] = []
    for boxes in (low, high):
        half = np.empty(len(polygons), dtype=object)
        half[:] = [shapely.clip_by_rect(item, *box) for item, box in zip(polygons, boxes, strict=True)]
        halves.append(half)
    area = shapely.area(polygons)
    odd = ~(shapely.is_valid(halves[0]) & shapely.is_valid(halves[1]))
    odd |= np.abs(shapely.area(halves[0]) + shapely.area(halves[1]) - area) > _HALVES_TOLERANCE * area
    for half, boxes in zip(halves, (low, high), strict=True):
        half[odd] = shapely.intersection(polygons[odd], shapely.box(*boxes[odd].T))
    return np.concatenate(halves)


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
    order = np.lexsort((group.cell_owner[cell], inside))
    first = order[np.unique(inside[order], return_index=True)[1]]  # of several features the first of the layer
    inside, cell = inside[first], cell[first]
    better = distance[inside] > 0
    owner[inside[better]] = group.cell_owner[cell[better]]
    distance[inside[better]] = 0.0
    on[inside] = True
    return Nearest(owner, run, distance, on | (distance <= 0))


def _nearest_runs(
    group: FeatureGroup, geometry: GeometryArray, credit: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return geometries, the run with the least distance less credit, and the distance; of equals the first run.

    A vertex of each geometry is no nearer than the geometry: what is nearest to it bounds the search, so that few
    exact distances are taken.
    """
    xy, whose = shapely.get_coordinates(geometry, return_index=True)
    vertex = shapely.points(xy[np.searchsorted(whose, np.arange(len(geometry)))])
    (_, run), gap = group.run_tree.query_nearest(vertex, return_distance=True, all_matches=False)
    most = gap - credit[group.run_owner[run]] + _ROUNDING_M
    box = shapely.bounds(geometry)
    far = np.maximum(most + float(credit.max()), 0.0)[:, None]
    item, run = group.run_tree.query(shapely.box(*np.hstack([box[:, :2] - far, box[:, 2:] + far]).T))
    ours, theirs = box[item], group.run_box[run]
    aside = np.maximum(np.maximum(theirs[:, :2] - ours[:, 2:], ours[:, :2] - theirs[:, 2:]), 0.0)
    close = np.hypot(*aside.T) - credit[group.run_owner[run]] <= most[item]
    item, run = item[close], run[close]
    core = shapely.distance(geometry[item], group.runs[run])
    order = np.lexsort((run, core - credit[group.run_owner[run]], item))
    best = order[np.unique(item[order], return_index=True)[1]]
    return item[best], run[best], core[best]
