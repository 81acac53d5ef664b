"""In: where the patches lie. Out: a CRS fit for measuring there, its distortion, or a refusal that gives the figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import CrsError, Fault

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]

#: A site whose distances would be off by more than this in one CRS is worked in cells.
MOST_DISTANCE_ERROR: Final = 1e-4
_EARTH_RADIUS_M: Final = 6_371_008.8  # mean radius, WGS 84
#: Equal-area azimuthal: distance error c^2/8 at angle c from the centre; kept at half the limit.
CELL_RADIUS_M: Final = _EARTH_RADIUS_M * float(np.sqrt(8 * MOST_DISTANCE_ERROR / 2))


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


def make_equal_area_crs(lon: float, lat: float) -> CRS:
    """Return the Lambert azimuthal equal-area CRS centred on a point [degrees], rounded to 0.01 degree."""
    from pyproj import CRS

    definition = f"+proj=laea +lat_0={lat:.2f} +lon_0={lon:.2f} +x_0=0 +y_0=0 +datum=WGS84 +units=m +type=crs"
    return CRS.from_proj4(definition)


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


def find_distortion(crs: CRS, lon: FloatArray, lat: FloatArray) -> tuple[float, float, float]:
    """Return the largest error of areas and of distances of a CRS over points, both relative, and its largest scale.

    Parameters
    ----------
    crs
        Projected CRS.
    lon, lat
        Points [degrees], shape (n,).
    """
    from pyproj import Proj

    factors = Proj(crs).get_factors(lon, lat, errcheck=True)
    area = np.abs(np.asarray(factors.areal_scale) - 1.0)
    longest, shortest = np.asarray(factors.tissot_semimajor), np.asarray(factors.tissot_semiminor)
    error = np.maximum(np.abs(longest - 1.0), np.abs(shortest - 1.0))
    return float(area.max()), float(error.max()), float(longest.max())


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
