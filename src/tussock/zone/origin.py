"""In: a cell whose coordinates are large. Out: the cell around a local origin of whole metres, and the way back.

Where a northing runs to millions of metres, a coordinate is only good to a nanometre, which is too coarse for the faces
of a patch of one square metre to add up. Taking whole metres off loses nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.geodesy import move_geometry, move_points
from tussock.base.turns import find_turn, gather

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

    from tussock.base.stages import Cell

FloatArray = NDArray[np.float64]
GeometryArray = NDArray[Any]

#: Coordinates up to this size [m] are left as they are: a cell around its own centre is never wider.
_LARGE_M: Final = 1e6
_WHOLE_M: Final = 1000.0
NO_ORIGIN: Final = (0.0, 0.0)


def find_origin(cell: Cell) -> tuple[float, float]:
    """Return a local origin for a cell: whole kilometres in the middle of its patches, or none."""
    return choose_origin(*cell.patches.total_bounds)


def choose_origin(west: float, south: float, east: float, north: float) -> tuple[float, float]:
    """Return a local origin for what lies in a box; see `find_origin`."""
    if max(abs(west), abs(south), abs(east), abs(north)) <= _LARGE_M:
        return NO_ORIGIN
    x, y = (np.round((low + high) / 2 / _WHOLE_M) * _WHOLE_M for low, high in ((west, east), (south, north)))
    return float(x), float(y)


def shift_cell(cell: Cell, origin: tuple[float, float]) -> Cell:
    """Return a cell with its coordinates counted from an origin; exact, as long as they lie about it."""
    if origin == NO_ORIGIN:
        return cell
    names = ("patches", "others", "water", "receptors", "access", "history")
    return replace(cell, **{name: _shift(getattr(cell, name), origin) for name in names})


def _shift(frame: gpd.GeoDataFrame, origin: tuple[float, float]) -> gpd.GeoDataFrame:
    shapes = shapely.transform(np.asarray(frame.geometry.array, dtype=object), lambda xy: xy - origin)
    return frame.set_geometry(shapes, crs=None).set_crs(frame.crs, allow_override=True)


def move_out(geometry: GeometryArray, origin: tuple[float, float], source: CRS, target: CRS | str) -> GeometryArray:
    """Return geometries that are counted from an origin in another CRS; see `move_geometry`."""
    if origin != NO_ORIGIN:
        geometry = shapely.transform(geometry, lambda xy: xy + origin)
    return move_geometry(geometry, source, target)


def follow_turns(geometry: GeometryArray, guide: GeometryArray, crs: CRS) -> GeometryArray:
    """Return geometries on the turn of the globe that others stand on, pair by pair, shape (n,).

    A patch across the antimeridian goes on beyond it, and so do its units on that side.
    """
    if find_turn(crs) is None:
        return geometry
    box = shapely.bounds(guide)
    return gather(geometry, crs, np.nan_to_num((box[:, 0] + box[:, 2]) / 2)).geometry


def move_points_out(xy: FloatArray, origin: tuple[float, float], source: CRS, target: CRS | str) -> FloatArray:
    """Return coordinates, shape (n, 2), that are counted from an origin in another CRS; see `move_points`."""
    return move_points(xy + origin, source, target)
