"""In: geometries. Out: true areas and distances on the WGS 84 ellipsoid.

Karney 2013, doi 10.1007/s00190-012-0578-z.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Transformer

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=1)
def wgs84() -> Geod:
    """Return the ellipsoid that all true areas and distances are taken on."""
    from pyproj import Geod

    return Geod(ellps="WGS84")


@lru_cache(maxsize=64)
def _transformer(source: str, target: str) -> Transformer:
    from pyproj import Transformer

    return Transformer.from_crs(source, target, always_xy=True)


def find_transformer(source: CRS, target: CRS | str) -> Transformer:
    """Return a transformer between two CRSs, longitude or easting first."""
    wkt = target if isinstance(target, str) else target.to_wkt()
    return _transformer(source.to_wkt(), wkt)


def move_geometry(geometry: NDArray[Any], source: CRS, target: CRS | str) -> NDArray[Any]:
    """Return geometries in another CRS; vertices move, none are added.

    Parameters
    ----------
    geometry
        Shapely geometries, shape (n,).
    source, target
        CRS to leave and CRS to enter.
    """
    import shapely

    transformer = find_transformer(source, target)

    def move(coordinates: FloatArray) -> FloatArray:
        x, y = transformer.transform(coordinates[:, 0], coordinates[:, 1])
        return np.column_stack([x, y])

    moved: NDArray[Any] = shapely.transform(np.asarray(geometry, dtype=object), move)
    return moved


def find_area_m2(geometry: NDArray[Any], crs: CRS) -> FloatArray:
    """Return the area on the ellipsoid; edges are geodesics between the drawn vertices.

    Parameters
    ----------
    geometry
        Polygons and multipolygons, shape (n,).
    crs
        Their CRS.

    Returns
    -------
    ndarray of float, shape (n,)
        Areas [m2], never negative.
    """
    import shapely

    lonlat = shapely.orient_polygons(shapely.force_2d(move_geometry(geometry, crs, "EPSG:4326")))
    geod = wgs84()
    # one call per geometry: the geodesic library takes one ring at a time
    return np.array([abs(geod.geometry_area_perimeter(item)[0]) for item in lonlat], dtype=np.float64)


def find_distance_m(from_lon: FloatArray, from_lat: FloatArray, to_lon: FloatArray, to_lat: FloatArray) -> FloatArray:
    """Return geodesic distances between points, shape (n,) each [degrees], result [m]."""
    if len(from_lon) == 0:
        return np.empty(0)
    _, _, distance = wgs84().inv(from_lon, from_lat, to_lon, to_lat)
    return np.asarray(distance, dtype=np.float64)
