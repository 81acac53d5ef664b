"""In: geometries of a plan. Out: longitude and latitude as small whole numbers, for one JSON block.

A coordinate is stored in units of 1e-7 degree (11 mm at most) as its step from the vertex before: neighbours that share
a vertex still share it, and a map of 20,000 units stays a third of the size of plain coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.geodesy import move_geometry

if TYPE_CHECKING:
    import geopandas as gpd

#: Stored steps in one degree.
STEPS: Final = 10_000_000
_HALF_TURN: Final = 180.0
Shape = dict[str, Any]


@dataclass(frozen=True)
class Frame:
    """The part of the Earth that a map shows [degrees]; longitudes past 180 where it lies across the antimeridian."""

    west: float
    south: float
    east: float
    north: float
    wraps: bool

    def grow(self, share: float, least: float) -> Frame:
        """Return the frame with a margin on each side: a share of its size, and at least so many degrees."""
        x, y = (max(share * size, least) for size in (self.east - self.west, self.north - self.south))
        north, south = min(self.north + y, 89.9), max(self.south - y, -89.9)
        return Frame(self.west - x, south, self.east + x, north, self.wraps)


def find_lonlat(frame: gpd.GeoDataFrame) -> NDArray[Any]:
    """Return a table's geometries in WGS 84, longitude first, without heights, shape (n,)."""
    geometry = shapely.force_2d(np.asarray(frame.geometry.array, dtype=object))
    return geometry if frame.crs is None else move_geometry(geometry, frame.crs, "EPSG:4326")


def find_frame(lonlat: NDArray[Any]) -> Frame | None:
    """Return the frame of some geometries; None where there are none.

    Geometries that lie further apart than half a turn are taken as a site across the antimeridian.
    """
    coordinates = shapely.get_coordinates(lonlat)
    coordinates = coordinates[np.isfinite(coordinates).all(axis=1)]
    if not len(coordinates):
        return None
    lon, lat = coordinates[:, 0], coordinates[:, 1]
    wraps = bool(np.ptp(lon) > _HALF_TURN)
    lon = np.where(wraps & (lon < 0), lon + 2 * _HALF_TURN, lon)
    return Frame(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()), wraps)


def place_in(frame: Frame, lonlat: NDArray[Any]) -> NDArray[Any]:
    """Return geometries with longitudes as the frame counts them."""
    if not frame.wraps:
        return lonlat

    def turn(coordinates: NDArray[np.float64]) -> NDArray[np.float64]:
        lon = coordinates[:, 0]
        return np.column_stack([np.where(lon < 0, lon + 2 * _HALF_TURN, lon), coordinates[:, 1]])

    turned: NDArray[Any] = shapely.transform(lonlat, turn)
    return turned


def clip_to(frame: Frame, lonlat: NDArray[Any]) -> NDArray[Any]:
    """Return what lies in the frame; sound shapes only are clipped, others pass whole."""
    box = shapely.box(frame.west, frame.south, frame.east, frame.north)
    inside = shapely.contains_properly(box, lonlat) | ~shapely.is_valid(lonlat)
    clipped = np.asarray(lonlat, dtype=object).copy()
    clipped[~inside] = shapely.intersection(clipped[~inside], box)
    return clipped


def pack_shapes(lonlat: NDArray[Any]) -> list[Shape]:
    """Return each geometry as ``{"a": polygons, "l": lines, "p": points}``; a key without content is left out.

    A polygon is a list of rings, and a ring, a line or a point is ``[x, y, step, step, ...]`` in units of 1e-7 degree.
    """
    return [_pack_shape(shape) for shape in lonlat]


def pack_point(lonlat: NDArray[Any]) -> list[list[int]]:
    """Return a point inside each geometry, in units of 1e-7 degree; empty for an empty geometry."""
    points = shapely.point_on_surface(lonlat)
    steps = np.rint(np.column_stack([shapely.get_x(points), shapely.get_y(points)]) * STEPS)
    return [[] if np.isnan(x) else [int(x), int(y)] for x, y in steps.tolist()]


def _pack_shape(shape: Any) -> Shape:
    packed: Shape = {}
    for part in shapely.get_parts(shapely.get_parts(shape)):  # a collection may hold multi-part shapes
        if part.is_empty:
            continue
        if part.geom_type == "Polygon":
            rings = [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
            packed.setdefault("a", []).append([_pack_vertices(ring, closed=True) for ring in rings])
        else:
            key = "p" if part.geom_type == "Point" else "l"
            packed.setdefault(key, []).append(_pack_vertices(shapely.get_coordinates(part), closed=False))
    return packed


def _pack_vertices(coordinates: NDArray[np.float64], *, closed: bool) -> list[int]:
    steps = np.rint(coordinates * STEPS).astype(np.int64)
    steps = steps[:-1] if closed else steps
    first = steps[:1]
    flat: list[int] = np.concatenate([first, np.diff(steps, axis=0)]).ravel().tolist()
    return flat
