"""In: an elevation model (GeoTIFF) and points in degrees. Out: heights [m], nan where the model has none."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError
from tussock.base.geodesy import find_transformer, transform_points
from tussock.base.sources import open_geotiff, read_stamp

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

#: Cells that are read at a time in each direction: memory does not grow with the model.
_TILE_CELLS: Final = 512


@dataclass(frozen=True)
class Terrain:
    """An elevation model of the site.

    Attributes
    ----------
    path
        File.
    name
        As the site file names it.
    height_size_m
        Size of one unit of height in the file [m].
    stamp
        What `read_stamp` said when the file was hashed; empty where it was not.
    """

    path: Path
    name: str
    height_size_m: float
    stamp: tuple[int, ...] = ()


def find_raster_crs(raster: Any) -> CRS:
    """Return the horizontal CRS of a raster that has one."""
    from pyproj import CRS

    return CRS.from_wkt(raster.crs.to_wkt()).to_2d()


def find_heights_m(terrain: Terrain, lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Return the heights of points, interpolated between the four cell centres around each (bilinear).

    Parameters
    ----------
    terrain
        The model.
    lon, lat
        Points [degrees, WGS 84], shape (n,).

    Returns
    -------
    ndarray of float, shape (n,)
        Heights [m] above the datum of the model; nan outside it, and where one of the four cells holds no data.

    Raises
    ------
    InputError
        The file was written to since it was hashed.
    """
    heights = np.full(len(lon), np.nan)
    with open_geotiff(terrain.path) as raster:
        from_degrees = find_transformer(find_raster_crs(raster), "EPSG:4326")
        x, y = transform_points(from_degrees, lon, lat, inverse=True)
        back = ~raster.transform
        column, row = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
        known = (column >= 0) & (column <= raster.width) & (row >= 0) & (row <= raster.height)
        # from cell edges to cell centres; the half cell at the rim takes the height of its centre
        column = np.clip(column - 0.5, 0, raster.width - 1)
        row = np.clip(row - 0.5, 0, raster.height - 1)
        places = np.flatnonzero(known & np.isfinite(column) & np.isfinite(row))
        tile = (row[places] // _TILE_CELLS).astype(np.int64) * (raster.width // _TILE_CELLS + 1)
        tile += (column[places] // _TILE_CELLS).astype(np.int64)
        order = np.argsort(tile, kind="stable")
        places = places[order]
        for members in np.split(places, np.flatnonzero(np.diff(tile[order])) + 1):
            if len(members):
                heights[members] = _interpolate(raster, column[members], row[members])
    if terrain.stamp and read_stamp(terrain.path) != terrain.stamp:
        raise InputError(Fault(terrain.name, "layers.terrain", "a file that changed while it was read", "plan anew"))
    return heights * terrain.height_size_m


def _interpolate(raster: Any, column: FloatArray, row: FloatArray) -> FloatArray:
    """Return heights at fractional places of one tile, in the file's own unit."""
    from rasterio.windows import Window

    left, top = int(column.min()), int(row.min())
    right, bottom = min(int(column.max()) + 1, raster.width - 1), min(int(row.max()) + 1, raster.height - 1)
    window = Window(left, top, right - left + 1, bottom - top + 1)
    read = raster.read(1, window=window, masked=True)
    grid = read.astype(np.float64).filled(np.nan) * raster.scales[0] + raster.offsets[0]
    x, y = column - left, row - top
    west, north = x.astype(np.intp), y.astype(np.intp)
    east, south = np.minimum(west + 1, right - left), np.minimum(north + 1, bottom - top)
    along, down = x - west, y - north
    corners = [
        (north, west, (1 - along) * (1 - down)),
        (north, east, along * (1 - down)),
        (south, west, (1 - along) * down),
        (south, east, along * down),
    ]
    total = np.zeros(len(x))
    for line, place, weight in corners:  # a cell without weight may hold no data
        total += np.where(weight > 0, grid[line, place] * weight, 0.0)
    return total
