"""In: geometries. Out: true areas and distances on the WGS 84 ellipsoid.

Karney 2013, doi 10.1007/s00190-012-0578-z.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.edges import FindBend, FindMost, Held, hold_edges
from tussock.base.turns import gather

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Transformer

FloatArray = NDArray[np.float64]

#: An edge may bend by this much when it moves to another CRS [m].
MOST_BEND_M: Final = 1e-4
_MOST_MISS: Final = 1e-8
_RADIUS_M: Final = 6_371_008.8  # mean radius, WGS 84
_DEGREE_M: Final = 111_320.0  # of longitude at the equator, the longest degree
_MOST_LAT: Final = 89.0
_AREAL, _COLLECTION = 2, 7  # dimension, type in GEOS
#: What straight edges may add to an area or take from it when they are taken as geodesics, relative.
_AREA_SHARE: Final = 2e-6
#: Less than this is rounding in the geodesic area of an outline [m2].
_AREA_NOISE_M2: Final = 2e-4
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


def _read_crs(crs: CRS | str) -> CRS:
    from pyproj import CRS

    return CRS.from_user_input(crs)


def find_transformer(source: CRS, target: CRS | str) -> Transformer:
    """Return a transformer between two CRSs, longitude or easting first."""
    wkt = target if isinstance(target, str) else target.to_wkt()
    return _transformer(source.to_wkt(), wkt)


@dataclass(frozen=True)
class DatumPath:
    """Operations from the degrees of one datum to those of another, one after the other, and the CRS they lead to."""

    operations: tuple[Transformer, ...]
    degrees: CRS


def move_geometry(
    geometry: NDArray[Any], source: CRS, target: CRS | str, shift: DatumPath | None = None
) -> NDArray[Any]:
    """Return geometries in another CRS; vertices move, none are added.

    The inverse of some projections is a short series (up to two millimetres off for the azimuthal equal-area one).
    Where degrees do not lead back to the vertex they came from, they are found anew by the exact forward formula, so
    that a cut made in one CRS holds in the other. What the edge of the map cuts is put together again.

    Parameters
    ----------
    geometry
        Shapely geometries, shape (n,).
    source, target
        CRS to leave and CRS to enter.
    shift
        Operations to take to another datum first, where it is to be these.
    """
    import shapely

    def move(xy: FloatArray) -> FloatArray:
        return move_points(xy, source, target, shift)

    moved: NDArray[Any] = shapely.transform(np.asarray(geometry, dtype=object), move)
    return gather(moved, _read_crs(target)).geometry


def move_points(xy: FloatArray, source: CRS, target: CRS | str, shift: DatumPath | None = None) -> FloatArray:
    """Return coordinates, shape (n, 2), in another CRS; see `move_geometry`."""
    if shift is not None and source.geodetic_crs is not None:
        degrees = move_points(xy, source, source.geodetic_crs)
        for operation in shift.operations:
            degrees = _apply(operation, degrees)
        return _apply(find_transformer(shift.degrees, target), degrees)
    if len(xy) and source.geodetic_crs is not None and _is_inverse_short(source.to_wkt()):
        unproject = find_transformer(source, source.geodetic_crs)
        return _apply(find_transformer(source.geodetic_crs, target), _unproject_exactly(unproject, xy))
    return _apply(find_transformer(source, target), xy)


@dataclass(frozen=True)
class Way:
    """From one CRS to another, by certain operations between datums where there are any."""

    source: CRS
    target: CRS | str
    shift: DatumPath | None = None

    def find_bend_m(self, start: FloatArray, end: FloatArray) -> FloatArray:
        """Return how far straight edges of the source stand off straight ones of the target [m], shape (n,).

        Looked at in three points, across the edge: what moves along it does not bend it. Nan where the target has no
        place for an end.
        """
        if not len(start):
            return np.empty(0)
        inner = [start * (1 - share) + end * share for share in (0.25, 0.5, 0.75)]
        xy = move_points(np.concatenate([start, end, *inner]), self.source, self.target, self.shift)
        xy[~np.isfinite(xy)] = np.nan
        first, last, *middle = xy.reshape(5, -1, 2)
        size = _find_unit_m(self.target)
        across = np.ones(len(start))
        if _is_geographic(self.target):
            across = np.cos(np.radians((first[:, 1] + last[:, 1]) / 2))
            for item in (last, *middle):
                item[:, 0] -= 360 * np.round((item[:, 0] - first[:, 0]) / 360)
        dx, dy = (last[:, 0] - first[:, 0]) * across, last[:, 1] - first[:, 1]
        length = np.hypot(dx, dy)
        off = np.stack([dx * (item[:, 1] - first[:, 1]) - dy * (item[:, 0] - first[:, 0]) * across for item in middle])
        bend = np.abs(off).max(axis=0) * size
        return np.asarray(np.divide(bend, length, out=np.zeros_like(bend), where=length > 0), dtype=np.float64)


def _is_geographic(crs: CRS | str) -> bool:
    from pyproj import CRS

    return bool(CRS.from_user_input(crs).is_geographic)


def _find_unit_m(crs: CRS | str) -> float:
    """Return the size of the unit of a CRS [m], of a degree the longest."""
    from pyproj import CRS

    found = CRS.from_user_input(crs)
    return _DEGREE_M if found.is_geographic else float(found.axis_info[0].unit_conversion_factor)


def find_short_m(lat: float, bend_m: float = MOST_BEND_M) -> float:
    """Return the length of edges that bend by less in any CRS that is used where it is made for [m].

    A straight line in degrees, or in Mercator, bends most: by L^2 tan(latitude) / (8 R) for a length L.
    """
    slope = max(abs(np.tan(np.radians(min(abs(lat), _MOST_LAT)))), 1.0)
    return float(np.sqrt(8 * _RADIUS_M * bend_m / slope))


def hold_outlines(
    geometry: NDArray[Any],
    source: CRS,
    find_bend_m: FindBend,
    find_most_m: FindMost | None = None,
    most_bend_m: float = MOST_BEND_M,
) -> Held:
    """Put points on long edges, so that they stay as they are drawn where they move to; see `hold_edges`.

    Parameters
    ----------
    geometry
        Outlines, shape (n,).
    source
        Their CRS.
    find_bend_m
        How far edges bend where they move to.
    find_most_m
        How far they may; by default none by more than ``most_bend_m``.
    """
    if not len(geometry):
        return Held(geometry, np.empty(0, np.intp), 0, 0.0, 0.0)

    def find_plain_m(_: FloatArray, __: FloatArray, ___: NDArray[np.intp], bend: FloatArray) -> FloatArray:
        return np.full(len(bend), most_bend_m)

    short = find_short_m(_find_most_lat(geometry, source), most_bend_m) / _find_unit_m(source)
    held = hold_edges(geometry, short, find_bend_m, find_most_m or find_plain_m)
    return replace(held, left_m=max(held.left_m, held.longest**2 * most_bend_m))  # a bend grows with the square


def _find_most_lat(geometry: NDArray[Any], crs: CRS) -> float:
    """Return the latitude furthest from the equator of the box of geometries [degrees]."""
    import shapely

    west, south, east, north = shapely.total_bounds(geometry)
    corners = np.array([[west, south], [west, north], [east, south], [east, north], [(west + east) / 2, north]])
    return float(np.nanmax(np.abs(move_points(corners, crs, "EPSG:4326")[:, 1]), initial=0.0))


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
    """Return the area on the ellipsoid; edges are straight in their CRS.

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

    held = _hold_for_area(shapely.force_2d(np.asarray(geometry, dtype=object)), crs)
    lonlat = move_geometry(held, crs, "EPSG:4326")
    parts, owner = shapely.get_parts(lonlat, return_index=True)
    areal = shapely.get_dimensions(parts) == _AREAL
    geod = wgs84()
    # one call per polygon: the geodesic library takes one ring at a time, and adds up what is oriented alike
    sizes = [abs(geod.geometry_area_perimeter(item)[0]) for item in shapely.orient_polygons(parts[areal])]
    return np.bincount(owner[areal], sizes, minlength=len(lonlat)).astype(np.float64)


def _hold_for_area(geometry: NDArray[Any], crs: CRS) -> NDArray[Any]:
    """Return outlines with points on those edges that, taken as geodesics, would change their area by `_AREA_SHARE`.

    An edge of length L that bends by b takes or adds 2/3 b L.
    """
    import shapely

    filled = np.flatnonzero(shapely.area(geometry) > 0)
    if not len(filled):
        return geometry
    geometry = geometry.copy()
    for place in np.flatnonzero(shapely.get_type_id(geometry) == _COLLECTION).tolist():  # what outlines have in common
        parts = shapely.get_parts(geometry[place])
        geometry[place] = shapely.union_all(parts[shapely.get_dimensions(parts) == _AREAL])
    parts, owner = shapely.get_parts(geometry[filled], return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    count = shapely.get_num_coordinates(rings)
    outline = owner[part]
    unit_m = _find_unit_m(crs)
    area_m2, length_m = (shapely.area(geometry) * unit_m**2)[filled], (shapely.length(geometry) * unit_m)[filled]
    most = 1.5 * np.maximum(_AREA_SHARE * area_m2, _AREA_NOISE_M2) / length_m
    most_of_vertex = np.repeat(most[outline], count)
    least = float(most.min())
    short = find_short_m(_find_most_lat(geometry[filled], crs), least) / unit_m

    def find_most_m(_: FloatArray, __: FloatArray, edge: NDArray[np.intp], ___: FloatArray) -> FloatArray:
        return most_of_vertex[edge]

    def find_bend_m(start: FloatArray, end: FloatArray) -> FloatArray:
        return _find_geodesic_bend_m(start, end, crs)

    geometry[filled] = hold_edges(geometry[filled], short, find_bend_m, find_most_m).geometry
    return geometry


def _find_geodesic_bend_m(start: FloatArray, end: FloatArray, crs: CRS) -> FloatArray:
    """Return how far the middle of straight edges stands off the geodesic between their ends [m], shape (n,)."""
    if not len(start):
        return np.empty(0)
    xy = move_points(np.concatenate([start, end, (start + end) / 2]), crs, "EPSG:4326")
    first, last, middle = (item.T.tolist() for item in xy.reshape(3, -1, 2))
    azimuth, _, distance = wgs84().inv(*first, *last)
    lon, lat, back = wgs84().fwd(first[0], first[1], azimuth, (np.asarray(distance) / 2).tolist())
    aside, _, off = wgs84().inv(lon, lat, *middle)
    return np.asarray(np.abs(np.asarray(off) * np.sin(np.radians(np.subtract(aside, back)))), dtype=np.float64)


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
