"""In: delivered outlines with long straight edges. Out: the same with points on them, close enough to stay straight.

An edge is straight in the CRS of its file. What it could bend by elsewhere is bounded by its length alone, as that of a
parallel: L^2 tan(latitude) / (8 R); the plan measures bends instead, and shares no line with this.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: What an edge may be off by near units [m], and further off by this share of its distance from them.
_OFF_M: Final = 5e-5
_OFF_SHARE: Final = 5e-6
_RADIUS_M: Final = 6_371_000.0
_DEGREE_M: Final = 111_320.0
_MOST_LAT: Final = 89.0
_MOST_PIECES: Final = 20_000
#: Types in GEOS from here on hold others.
_MULTI: Final = 4
#: Units of a site are looked at in squares of this side where the distance of an edge is taken [m].
_SQUARE_M: Final = 1_000.0


def straighten(outlines: GeometryArray, crs: CRS) -> GeometryArray:
    """Return outlines of units or patches with points on every edge that could bend, shape (n,)."""
    solid = outlines[~shapely.is_empty(outlines)]
    if not len(solid):
        return outlines
    step = np.sqrt(8 * _RADIUS_M * _OFF_M / _find_slope(solid, crs)) / _find_unit_m(crs)
    held: GeometryArray = shapely.segmentize(outlines, step)
    return held


def straighten_near(outlines: GeometryArray, crs: CRS, units: GeometryArray) -> GeometryArray:
    """Return features with points on edges that could bend, the closer the nearer they are to units, shape (n,)."""
    parts, owner = shapely.get_parts(outlines, return_index=True)
    areal = shapely.get_dimensions(parts) == 2  # noqa: PLR2004
    linear = np.flatnonzero(shapely.get_dimensions(parts) == 1)
    rings, ring_part = shapely.get_rings(parts[areal], return_index=True)
    line_part = np.concatenate([np.flatnonzero(areal)[ring_part], linear])
    xy, line = shapely.get_coordinates(np.concatenate([rings, parts[linear]]), return_index=True)
    units = units[~shapely.is_empty(units)]
    if not len(xy) or not len(units):
        return outlines
    start = np.flatnonzero(line[1:] == line[:-1])
    size = _find_unit_m(crs)
    slope = _find_slope(units, crs)
    bend_m = (np.hypot(*(xy[start + 1] - xy[start]).T) * size) ** 2 * slope / (8 * _RADIUS_M)
    long = np.flatnonzero(bend_m > _OFF_M)
    start, bend_m = start[long], bend_m[long]
    gap_m = _find_gap_m(xy[start], xy[start + 1], units, size) * np.cos(np.arctan(slope))
    pieces = np.sqrt(bend_m / np.maximum(_OFF_SHARE * (gap_m - bend_m), _OFF_M))
    pieces = np.clip(np.ceil(pieces), 1, _MOST_PIECES).astype(np.intp)
    more = pieces - 1
    edge = np.repeat(start, more)
    number = np.arange(len(edge)) - np.repeat(np.cumsum(more) - more, more) + 1
    share = (number / np.repeat(pieces, more))[:, None]
    filled = np.insert(xy, edge + 1, xy[edge] * (1 - share) + xy[edge + 1] * share, axis=0)
    filled_line = np.insert(line, edge + 1, line[edge])
    return _rebuild(outlines, parts, owner, line_part, np.unique(line[edge]), filled, filled_line)


def _rebuild(
    outlines: GeometryArray,
    parts: GeometryArray,
    owner: IntArray,
    line_part: IntArray,
    touched: IntArray,
    xy: FloatArray,
    line: IntArray,
) -> GeometryArray:
    """Return outlines whose touched lines and rings are built anew from their vertices."""
    begin = np.searchsorted(line, np.arange(len(line_part) + 1))
    changed = np.unique(line_part[touched])
    for part in changed.tolist():  # a loop over geometry: few features have long edges
        own = [xy[begin[k] : begin[k + 1]] for k in np.flatnonzero(line_part == part).tolist()]
        areal = shapely.get_dimensions(parts[part]) == 2  # noqa: PLR2004
        parts[part] = shapely.Polygon(own[0], own[1:]) if areal else shapely.LineString(own[0])
    held = outlines.copy()
    for row in np.unique(owner[changed]).tolist():
        whole = parts[owner == row]
        held[row] = whole[0] if shapely.get_type_id(outlines[row]) < _MULTI else type(outlines[row])(whole.tolist())
    return held


def _find_gap_m(start: FloatArray, end: FloatArray, units: GeometryArray, size: float) -> FloatArray:
    """Return a distance in the plane of the file that edges are no nearer to any unit than [m]."""
    box = shapely.bounds(units)
    if not len(start):
        return np.empty(0)
    side = _SQUARE_M / size
    squares = np.unique(np.column_stack([np.floor(box[:, :2] / side), np.ceil(box[:, 2:] / side)]), axis=0) * side
    tree = shapely.STRtree(shapely.box(*squares.T))
    gap = np.zeros(len(start))
    sound = np.flatnonzero(np.isfinite(np.hstack([start, end])).all(axis=1))
    edges = shapely.linestrings(np.stack([start[sound], end[sound]], axis=1))
    (item, _), distance = tree.query_nearest(edges, return_distance=True, all_matches=False)
    gap[sound[item]] = distance * size
    return gap


def _find_unit_m(crs: CRS) -> float:
    return _DEGREE_M if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _find_slope(outlines: GeometryArray, crs: CRS) -> float:
    """Return the tangent of the latitude furthest from the equator, 1 at least: a margin for any other projection."""
    from pyproj import Transformer

    west, south, east, north = shapely.total_bounds(outlines)
    corners = np.array([[west, south], [west, north], [east, south], [east, north]])
    lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(corners[:, 0], corners[:, 1])[1]
    lat = np.abs(lat)[np.isfinite(lat)]
    return float(max(np.tan(np.radians(min(lat.max(initial=0.0), _MOST_LAT))), 1.0))
