"""In: where the patches lie. Out: a CRS fit for measuring there, its distortion, or a refusal that gives the figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import CrsError, Fault
from tussock.base.geodesy import find_transformer, wgs84

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]

#: A site whose distances would be off by more than this in one CRS is worked in cells.
MOST_DISTANCE_ERROR: Final = 1e-4
_EARTH_RADIUS_M: Final = 6_371_008.8  # mean radius, WGS 84
#: Equal-area azimuthal: distance error c^2/8 at angle c from the centre; kept at half the limit.
CELL_RADIUS_M: Final = _EARTH_RADIUS_M * float(np.sqrt(8 * MOST_DISTANCE_ERROR / 2))

#: Ellipsoids whose lengths are those of WGS 84, to 1e-10.
_WORLD_ELLIPSOIDS: Final = ("WGS 84", "GRS 1980")
#: Lengths on the ellipsoid of another datum are compared at so many points, over this length [m]; a ratio that is off
#: by more comes from two operations that meet between both ends.
_DATUM_POINTS: Final = 12
_DATUM_M: Final = 1_000.0
_MOST_DATUM_ERROR: Final = 1e-3


def find_unit_vectors(lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Return points on the unit sphere, shape (n, 3), of longitudes and latitudes [degrees]."""
    lam, phi = np.radians(lon), np.radians(lat)
    return np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])


def find_centre(lon: FloatArray, lat: FloatArray) -> tuple[float, float]:
    """Return the middle of points as longitude and latitude [degrees]; right across the antimeridian and at a pole."""
    low, high = find_unit_vectors(lon, lat).min(axis=0), find_unit_vectors(lon, lat).max(axis=0)
    x, y, z = (low + high) / 2
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(np.arctan2(z, np.hypot(x, y))))


def find_radius_m(lon: FloatArray, lat: FloatArray) -> float:
    """Return the largest distance of points from their middle [m], on the sphere."""
    centre = find_unit_vectors(*(np.array([value]) for value in find_centre(lon, lat)))[0]
    chord = np.linalg.norm(find_unit_vectors(lon, lat) - centre, axis=1)
    return float(2 * _EARTH_RADIUS_M * np.arcsin(np.clip(chord / 2, 0, 1)).max())


def make_equal_area_crs(lon: float, lat: float, home: CRS) -> CRS:
    """Return the Lambert azimuthal equal-area CRS centred on a point [degrees], rounded to 0.01 degree.

    It stands on the datum of ``home``, so that nothing is shifted between the two; where that has no degrees from
    Greenwich, or brings its own shift, on WGS 84.
    """
    from pyproj import CRS
    from pyproj.crs import ProjectedCRS
    from pyproj.crs.coordinate_operation import LambertAzimuthalEqualAreaConversion

    definition = f"+proj=laea +lat_0={lat:.2f} +lon_0={lon:.2f} +x_0=0 +y_0=0 +datum=WGS84 +units=m +type=crs"
    base = home.geodetic_crs
    if home.is_bound or base is None or not base.is_geographic or base.to_2d() == CRS.from_epsg(4326):
        return CRS.from_proj4(definition)
    meridian, axes = base.prime_meridian, base.axis_info
    if meridian is None or meridian.longitude != 0 or any(axis.unit_name != "degree" for axis in axes[:2]):
        return CRS.from_proj4(definition)
    conversion = LambertAzimuthalEqualAreaConversion(round(lat, 2), round(lon, 2))
    return ProjectedCRS(conversion, name="local equal-area", geodetic_crs=base.to_2d())


def split_cells(lon: FloatArray, lat: FloatArray, radius_m: float = CELL_RADIUS_M) -> list[NDArray[np.intp]]:
    """Return groups of places, none wider than ``radius_m`` around its middle; halved along the longest side."""
    groups, waiting = [], [np.arange(len(lon))]
    vectors = find_unit_vectors(lon, lat)
    while waiting:
        members = waiting.pop()
        if len(members) == 1 or find_radius_m(lon[members], lat[members]) <= radius_m:
            groups.append(members)
            continue
        axis = int(np.argmax(np.ptp(vectors[members], axis=0)))
        order = members[np.argsort(vectors[members, axis], kind="stable")]
        waiting += [order[: len(order) // 2], order[len(order) // 2 :]]
    return sorted(groups, key=lambda members: int(members.min()))


def read_named_crs(text: str, where: str) -> CRS:
    """Return a CRS that the user named, if it is one to measure in.

    Raises
    ------
    CrsError
        Unknown, in degrees, or Web Mercator.
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    need = 'name a projected CRS made for this region, or leave crs = "auto"'
    try:
        crs = CRS.from_user_input(text)
    except CRSError as error:
        raise CrsError(Fault(where, "site.crs", f'"{text}", which is no known CRS', need)) from error
    if not crs.is_projected:
        raise CrsError(Fault(where, "site.crs", f'"{text}" ({crs.name}), which is in degrees', need))
    operation = crs.coordinate_operation
    if operation is not None and "pseudo" in f"{operation.method_name} {crs.name}".casefold():
        raise CrsError(Fault(where, "site.crs", f'"{text}" ({crs.name}), which is not for measuring', need))
    return crs


@dataclass(frozen=True)
class Distortion:
    """How far a CRS is off: largest error of areas and of distances, both relative, and its largest scale."""

    area_error: float
    distance_error: float
    most_scale: float


def find_distortion(crs: CRS, lon: FloatArray, lat: FloatArray) -> Distortion:
    """Return how far a CRS is off at some points, against lengths on WGS 84.

    Parameters
    ----------
    crs
        Projected CRS.
    lon, lat
        Points [degrees], shape (n,).
    """
    from pyproj import Proj

    factors = Proj(crs).get_factors(lon, lat, errcheck=True)
    least, most = find_datum_scale(crs, lon, lat)
    longest = np.asarray(factors.tissot_semimajor) * most
    shortest = np.asarray(factors.tissot_semiminor) * least
    error = np.maximum(np.abs(longest - 1.0), np.abs(shortest - 1.0))
    area = np.asarray(factors.areal_scale)
    area_error = np.maximum(np.abs(area * most**2 - 1.0), np.abs(area * least**2 - 1.0))
    return Distortion(float(area_error.max()), float(error.max()), float(longest.max()))


def find_datum_scale(crs: CRS, lon: FloatArray, lat: FloatArray) -> tuple[float, float]:
    """Return the least and the largest length on the ellipsoid of a CRS for a metre on WGS 84, at some points.

    An ellipsoid that fits one country lies above or below WGS 84 there, so that lengths differ by up to 1e-5 or so.
    """
    from pyproj import CRS, Geod

    base = crs.geodetic_crs
    if base is None or crs.is_bound or base.ellipsoid is None or base.ellipsoid.name in _WORLD_ELLIPSOIDS:
        return 1.0, 1.0
    places = np.unique(np.linspace(0, len(lon) - 1, _DATUM_POINTS).astype(int))
    one = np.repeat(np.column_stack([lon, lat])[places], 3, axis=0)
    azimuth = np.tile([0.0, 60.0, 120.0], len(places))
    other = np.column_stack(wgs84().fwd(one[:, 0], one[:, 1], azimuth, np.full(len(one), _DATUM_M))[:2])
    to_base = find_transformer(CRS.from_epsg(4326), base)
    unit_deg = np.degrees(base.axis_info[0].unit_conversion_factor)
    ends = [np.column_stack(to_base.transform(*xy.T)) * unit_deg for xy in (one, other)]
    ellipsoid = base.ellipsoid
    geod = Geod(a=ellipsoid.semi_major_metre, b=ellipsoid.semi_minor_metre)
    ratio = np.asarray(geod.inv(*ends[0].T, *ends[1].T)[2]) / _DATUM_M
    ratio = ratio[np.abs(ratio - 1.0) < _MOST_DATUM_ERROR]
    return (float(ratio.min()), float(ratio.max())) if len(ratio) else (1.0, 1.0)


def spread_points(lon: FloatArray, lat: FloatArray, reach_m: float) -> tuple[FloatArray, FloatArray]:
    """Return points [degrees] and, around each, the corners of an octagon that holds all within a reach [m]."""
    azimuth = np.repeat(np.arange(0.0, 360.0, 45.0), len(lon))
    out_m = np.full(len(azimuth), reach_m / np.cos(np.pi / 8))
    far_lon, far_lat, _ = wgs84().fwd(np.tile(lon, 8), np.tile(lat, 8), azimuth, out_m)
    return np.concatenate([lon, far_lon]), np.concatenate([lat, far_lat])


def use_metres(crs: CRS) -> CRS:
    """Return a projected CRS with its axes in metres (a CRS in feet keeps its projection and its origin)."""
    from pyproj import CRS

    if all(axis.unit_conversion_factor == 1.0 for axis in crs.axis_info):
        return crs
    definition = crs.to_json_dict()
    definition.pop("id", None)
    definition["name"] = f"{crs.name} (in metres)"
    for axis in definition["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    return CRS.from_json_dict(definition)
