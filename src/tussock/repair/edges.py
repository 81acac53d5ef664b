"""In: features with long straight edges. Out: the same with points on those edges, so that they stay as they are drawn.

A straight edge between two vertices is straight in the CRS of its layer and bends in another: one of 5 km along a
parallel at 45 degrees, drawn in degrees, stands half a metre off the straight line that its two ends would give.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.findings import Finding
from tussock.base.geodesy import find_transformer, transform_points, wgs84
from tussock.base.text import show_count

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: An edge may bend by this much when its layer moves to another CRS [m].
MOST_BEND_M: Final = 5e-4
#: Edges further than this from every patch are left as they are [m].
NEAR_M: Final = 5_000.0
#: Shorter edges bend by less than that in any CRS up to 80 degrees from the equator [m].
_SHORT_M: Final = 60.0
_DEGREE_M: Final = 111_320.0  # of longitude at the equator, the longest degree
_LINE: Final = 1  # type of a line in GEOS


def find_surroundings(patches: GeometryArray, crs: CRS) -> shapely.STRtree:
    """Return an index of the boxes of patches, each wider by `NEAR_M`, in degrees; once more a turn to each side."""
    west, south, east, north = shapely.bounds(patches).T
    x, y = np.stack([west, west, east, east]), np.stack([south, north, south, north])
    lon, lat = (
        np.asarray(item).reshape(4, -1) for item in find_transformer(crs, "EPSG:4326").transform(x.ravel(), y.ravel())
    )
    lon = np.where(np.ptp(lon, axis=0) > 180, lon % 360, lon)  # noqa: PLR2004  (degrees of half a turn)
    up = NEAR_M / 110_000  # a degree of latitude is 110.6 km or more
    aside = up / np.maximum(np.cos(np.radians(np.abs(lat).max(axis=0) + up)), 0.01)
    boxes = [lon.min(axis=0) - aside, lat.min(axis=0) - up, lon.max(axis=0) + aside, lat.max(axis=0) + up]
    turns = [shapely.box(boxes[0] + turn, boxes[1], boxes[2] + turn, boxes[3]) for turn in (-360.0, 0.0, 360.0)]
    return shapely.STRtree(np.concatenate(turns))


def add_points_on_edges(
    geometry: GeometryArray, crs: CRS, near: shapely.STRtree, layer: str
) -> tuple[GeometryArray, list[Finding]]:
    """Return features with points on those edges near patches that would bend.

    Parameters
    ----------
    geometry
        Sound geometries, shape (n,).
    crs
        Their CRS: edges are straight in it.
    near
        What `find_surroundings` returned.
    layer
        Name of the layer, for the finding.
    """
    parts, part_owner = shapely.get_parts(geometry, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    drawn_as_line = shapely.get_type_id(parts) == _LINE
    owner = np.concatenate([part_owner[ring_part], part_owner[drawn_as_line]])
    xy, line = shapely.get_coordinates(np.concatenate([rings, parts[drawn_as_line]]), return_index=True)
    start, _ = find_bent(xy, line, crs, near)
    touched = np.unique(owner[line[start]])
    if not len(touched):
        return geometry, []
    filled = geometry.copy()
    for place in touched.tolist():  # a loop over geometry: few features have such edges near a patch
        whole = _fill(geometry[place], crs, near)
        filled[place] = whole if whole.is_valid or not geometry[place].is_valid else geometry[place]
    what = f"{len(start)} straight edges are so long that they would bend in another CRS"
    done = "points were put on them, so that they stay as they are drawn"
    return filled, [Finding("repair", layer, show_count(len(touched), "row"), what, done, "info")]


def _fill(geometry: Any, crs: CRS, near: shapely.STRtree) -> Any:
    if geometry.geom_type == "Polygon":
        shell, *holes = (_fill_line(ring, crs, near) for ring in (geometry.exterior, *geometry.interiors))
        return shapely.Polygon(shell, holes)
    if geometry.geom_type == "LineString":
        return shapely.LineString(_fill_line(geometry, crs, near))
    if hasattr(geometry, "geoms"):
        return type(geometry)([_fill(part, crs, near) for part in geometry.geoms])
    return geometry


def _fill_line(line: Any, crs: CRS, near: shapely.STRtree) -> FloatArray:
    """Return the coordinates of a line or ring with points at even steps on its bent edges, shape (n, 2)."""
    xy = shapely.get_coordinates(line)
    start, pieces = find_bent(xy, np.zeros(len(xy), np.intp), crs, near)
    more = pieces - 1
    edge = np.repeat(start, more)
    number = np.arange(len(edge)) - np.repeat(np.cumsum(more) - more, more) + 1
    share = (number / np.repeat(pieces, more))[:, None]
    return np.insert(xy, edge + 1, xy[edge] * (1 - share) + xy[edge + 1] * share, axis=0)


def find_bent(xy: FloatArray, line: IntArray, crs: CRS, near: shapely.STRtree) -> tuple[IntArray, IntArray]:
    """Return the edges near patches that would bend: the vertex each starts at, and in how many pieces it would not.

    The bend is how far the middle of an edge stands from the middle of the geodesic between its ends; it grows with the
    square of the length.
    """
    unit_m = _DEGREE_M if crs.is_geographic else crs.axis_info[0].unit_conversion_factor
    long = np.hypot(*(xy[1:] - xy[:-1]).T) * unit_m > _SHORT_M
    start = np.flatnonzero((line[1:] == line[:-1]) & long)
    a, b = xy[start], xy[start + 1]
    to_degrees = find_transformer(crs, "EPSG:4326")
    ends = [np.column_stack(transform_points(to_degrees, *item.T)) for item in (a, b, (a + b) / 2)]
    first, last, middle = ends
    last[:, 0] -= 360 * np.round((last[:, 0] - first[:, 0]) / 360)  # across the antimeridian
    boxes = shapely.box(*np.minimum(first, last).T, *np.maximum(first, last).T)
    close = np.unique(near.query(boxes)[0])
    start, first, last, middle = start[close], first[close], last[close], middle[close]
    geod = wgs84()
    azimuth, _, distance = geod.inv(*first.T.tolist(), *last.T.tolist())
    begin = first.T.tolist()
    lon, lat, _ = geod.fwd(begin[0], begin[1], azimuth, [length / 2 for length in distance])
    bend = np.asarray(geod.inv(lon, lat, *middle.T.tolist())[2])
    bent = bend > MOST_BEND_M
    return start[bent], np.ceil(np.sqrt(bend[bent] / MOST_BEND_M)).astype(np.intp)
