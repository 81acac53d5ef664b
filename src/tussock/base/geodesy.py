"""In: geometries. Out: true areas and distances on the WGS 84 ellipsoid.

Karney 2013, doi 10.1007/s00190-012-0578-z.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Transformer

FloatArray = NDArray[np.float64]

_MOST_MISS: Final = 1e-8
#: Methods whose inverse is true to far less than that in the zone they are made for.
_EXACT_INVERSES: Final = ("Transverse Mercator", "Lambert Conic Conformal", "Mercator", "Popular Visualisation")


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

    The inverse of some projections is a short series (up to two millimetres off for the azimuthal equal-area one).
    Where degrees do not lead back to the vertex they came from, they are found anew by the exact forward formula, so
    that a cut made in one CRS holds in the other.

    Parameters
    ----------
    geometry
        Shapely geometries, shape (n,).
    source, target
        CRS to leave and CRS to enter.
    """
    import shapely

    def move(xy: FloatArray) -> FloatArray:
        return move_points(xy, source, target)

    moved: NDArray[Any] = shapely.transform(np.asarray(geometry, dtype=object), move)
    from pyproj import CRS

    return unwrap_longitudes(moved) if CRS.from_user_input(target).is_geographic else moved


def unwrap_longitudes(geometry: NDArray[Any]) -> NDArray[Any]:
    """Return geometries in degrees with those across the antimeridian in one piece: west of it goes on beyond 180.

    A geometry counts as across where it is more than 180 degrees wide.
    """
    import shapely

    box = shapely.bounds(geometry)
    across = box[:, 2] - box[:, 0] > 180  # noqa: PLR2004  (degrees of half a turn)
    if not across.any():
        return geometry

    def shift(xy: FloatArray) -> FloatArray:
        return np.column_stack([np.where(xy[:, 0] < 0, xy[:, 0] + 360, xy[:, 0]), xy[:, 1]])

    unwrapped = geometry.copy()
    unwrapped[across] = shapely.transform(geometry[across], shift)
    return unwrapped


def move_points(xy: FloatArray, source: CRS, target: CRS | str) -> FloatArray:
    """Return coordinates, shape (n, 2), in another CRS; see `move_geometry`."""
    if len(xy) and source.geodetic_crs is not None and _is_inverse_short(source.to_wkt()):
        unproject = find_transformer(source, source.geodetic_crs)
        return _apply(find_transformer(source.geodetic_crs, target), _unproject_exactly(unproject, xy))
    return _apply(find_transformer(source, target), xy)


@lru_cache(maxsize=64)
def _is_inverse_short(wkt: str) -> bool:
    """Tell whether the inverse of a projection is taken for a short series. By its method, never by the points at hand.

    What a vertex becomes must not depend on the others it is moved with.
    """
    from pyproj import CRS

    crs = CRS.from_wkt(wkt)
    operation = crs.coordinate_operation
    return crs.is_projected and not (operation is not None and operation.method_name.startswith(_EXACT_INVERSES))


def _apply(transformer: Transformer, xy: FloatArray) -> FloatArray:
    return np.column_stack(transform_points(transformer, xy[:, 0], xy[:, 1]))


def transform_points(
    transformer: Transformer, x: FloatArray, y: FloatArray, *, inverse: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return coordinates moved by a transformer, shape (n,) each.

    pyproj takes an array of one for a number, which numpy 1.25 to 2.3 warns of; a list it takes as it is.
    """
    direction = "INVERSE" if inverse else "FORWARD"
    first, second = (x.tolist(), y.tolist()) if len(x) == 1 else (x, y)
    moved = transformer.transform(first, second, direction=direction)
    return np.asarray(moved[0], dtype=np.float64), np.asarray(moved[1], dtype=np.float64)


def _find_miss(unproject: Transformer, degrees: FloatArray, xy: FloatArray) -> FloatArray:
    """Return how far degrees, projected again, fall from the coordinates they came from."""
    back = transform_points(unproject, degrees[:, 0], degrees[:, 1], inverse=True)
    return np.asarray(xy - np.column_stack(back), dtype=np.float64)


def _unproject_exactly(unproject: Transformer, xy: FloatArray) -> FloatArray:
    """Return degrees whose projection is the given coordinates [within 1e-8 m], by aiming again at what was missed."""
    aim = xy
    degrees = _apply(unproject, aim)
    for _ in range(4):
        miss = _find_miss(unproject, degrees, xy)
        short = np.asarray(np.isfinite(miss).all(axis=1) & (np.abs(miss) >= _MOST_MISS).any(axis=1), dtype=bool)
        if not short.any():
            break
        aim = aim + np.where(short[:, None], miss, 0.0)
        degrees[short] = _apply(unproject, aim[short])
    return degrees


def find_area_m2(geometry: NDArray[Any], crs: CRS) -> FloatArray:
    """Return the area on the ellipsoid; edges are geodesics between the drawn vertices.

    Parameters
    ----------
    geometry
        Polygons and multipolygons, shape (n,); of a collection its polygons count.
    crs
        Their CRS.

    Returns
    -------
    ndarray of float, shape (n,)
        Areas [m2], never negative.
    """
    import shapely

    lonlat = shapely.force_2d(move_geometry(geometry, crs, "EPSG:4326"))
    parts, owner = shapely.get_parts(lonlat, return_index=True)
    areal = shapely.get_dimensions(parts) == 2  # noqa: PLR2004  (an area)
    geod = wgs84()
    # one call per polygon: the geodesic library takes one ring at a time, and adds up what is oriented alike
    sizes = [abs(geod.geometry_area_perimeter(item)[0]) for item in shapely.orient_polygons(parts[areal])]
    return np.bincount(owner[areal], sizes, minlength=len(lonlat)).astype(np.float64)


def find_distance_m(from_lon: FloatArray, from_lat: FloatArray, to_lon: FloatArray, to_lat: FloatArray) -> FloatArray:
    """Return geodesic distances between points, shape (n,) each [degrees], result [m]."""
    if len(from_lon) == 0:
        return np.empty(0)
    ends = (from_lon, from_lat, to_lon, to_lat)
    _, _, distance = wgs84().inv(*([item.tolist() for item in ends] if len(from_lon) == 1 else ends))
    return np.asarray(distance, dtype=np.float64)  # a list of one: see `transform_points`


def find_gap_m(one: NDArray[Any], other: NDArray[Any], crs: CRS) -> FloatArray:
    """Return the geodesics between the nearest points of pairs of geometries [m], shape (n,); 0 where they touch.

    The nearest points are found in the plane of the CRS, the distance between them is that on the ground.
    """
    import shapely

    ends = shapely.get_coordinates(shapely.shortest_line(one, other))
    degrees = move_points(ends, crs, "EPSG:4326")
    return find_distance_m(*degrees[::2].T, *degrees[1::2].T)


def find_length_m(lines: NDArray[Any], crs: CRS) -> FloatArray:
    """Return the length of lines on the ground [m], shape (n,): the sum of the geodesics between their vertices."""
    import shapely

    parts, owner = shapely.get_parts(np.asarray(lines, dtype=object), return_index=True)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    start = np.flatnonzero(part[1:] == part[:-1])
    degrees = move_points(xy, crs, "EPSG:4326")
    length = find_distance_m(*degrees[start].T, *degrees[start + 1].T)
    return np.bincount(owner[part[start]], length, minlength=len(lines)).astype(np.float64)
