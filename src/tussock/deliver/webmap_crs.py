"""In: the CRS of the patches, the part of the Earth shown. Out: easting and northing as polynomials for the page.

The page has no projection library. Over a site of some tens of kilometres any projected CRS is a smooth function of
longitude and latitude, so that a polynomial of the fifth degree agrees with the projection library to millimetres. Each
fit is proved on points that were not fitted; one that is not good to `TOLERANCE_M` is not used, and the page then shows
longitude and latitude only.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from tussock.base.geodesy import find_transformer
from tussock.deliver.webmap_geometry import Frame

#: Largest error of a fit, in metres, at any proving point.
TOLERANCE_M: Final = 0.02
_DEGREE: Final = 5
_FITTED: Final = 14
_PROVED: Final = 31
_WEB_MERCATOR: Final = 3857
_UNITS: Final = {"metre": "m", "foot": "ft", "US survey foot": "US survey ft"}
FloatArray = NDArray[np.float64]


def fit_crs(crs: CRS | None, frame: Frame) -> dict[str, Any] | None:
    """Fit the CRS that people read coordinates in.

    Parameters
    ----------
    crs
        CRS of the infestation layer. A geographic one, or Web Mercator, gives way to the UTM zone of the site.
    frame
        Part of the Earth that the fit has to cover.

    Returns
    -------
    dict or None
        ``name, unit, box`` (west, south, east, north [degrees]), ``plane`` (least and largest easting and northing) and
        the coefficients ``forward`` and ``back``, two lists each; None where no fit is good enough.
    """
    target = _choose(crs, frame)
    if target is None:
        return None
    fit = _fit(target, frame)
    return fit if fit is not None and find_error_m(target, fit) <= TOLERANCE_M else None


def _choose(crs: CRS | None, frame: Frame) -> CRS | None:
    if crs is not None and crs.is_projected and crs.to_epsg() != _WEB_MERCATOR:
        return crs
    from pyproj.aoi import AreaOfInterest
    from pyproj.database import query_utm_crs_info

    lon = _turn((frame.west + frame.east) / 2)
    lat = (frame.south + frame.north) / 2
    area = AreaOfInterest(float(lon), lat, float(lon), lat)
    found = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    return CRS.from_user_input(found[0].code) if found else None


def _turn(lon: Any) -> Any:
    return (np.asarray(lon) + 180.0) % 360.0 - 180.0


def _sample(low: tuple[float, float], high: tuple[float, float], count: int) -> tuple[FloatArray, FloatArray]:
    """Return points on a grid of Chebyshev nodes, which keep a polynomial calm at the edges, shape (count^2,) each."""
    nodes = np.cos((2 * np.arange(count) + 1) * np.pi / (2 * count))
    axes = [(a + b) / 2 + (b - a) / 2 * nodes for a, b in zip(low, high, strict=True)]
    x, y = np.meshgrid(*axes)
    return x.ravel(), y.ravel()


def terms(u: FloatArray, v: FloatArray) -> FloatArray:
    """Return u^i v^j for i + j up to the degree, i running slowest, shape (n, 21): the page has the same order."""
    return np.column_stack([u**i * v**j for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)])


def _scale(value: FloatArray, low: float, high: float) -> FloatArray:
    return (value - (low + high) / 2) / ((high - low) / 2)


def _fit(target: CRS, frame: Frame) -> dict[str, Any] | None:
    lon, lat = _sample((frame.west, frame.south), (frame.east, frame.north), _FITTED)
    x, y = find_transformer(CRS.from_epsg(4326), target).transform(_turn(lon), lat)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    plane = [float(x.min()), float(y.min()), float(x.max()), float(y.max())]
    here = terms(_scale(lon, frame.west, frame.east), _scale(lat, frame.south, frame.north))
    there = terms(_scale(x, plane[0], plane[2]), _scale(y, plane[1], plane[3]))
    axis = target.axis_info[0]
    return {
        "name": target.name,
        "unit": _UNITS.get(axis.unit_name, axis.unit_name),
        "box": [frame.west, frame.south, frame.east, frame.north],
        "plane": plane,
        "forward": [np.linalg.lstsq(here, values, rcond=None)[0].tolist() for values in (x, y)],
        "back": [np.linalg.lstsq(there, values, rcond=None)[0].tolist() for values in (lon, lat)],
    }


def find_error_m(target: CRS, fit: dict[str, Any]) -> float:
    """Return the largest error of a fit [m], forward and back again, on a grid of points that were not fitted."""
    west, south, east, north = fit["box"]
    lon, lat = _sample((west, south), (east, north), _PROVED)
    x, y = find_transformer(CRS.from_epsg(4326), target).transform(_turn(lon), lat)
    size = float(target.axis_info[0].unit_conversion_factor)
    here = terms(_scale(lon, west, east), _scale(lat, south, north))
    forward = np.hypot(here @ fit["forward"][0] - x, here @ fit["forward"][1] - y) * size
    low_x, low_y, high_x, high_y = fit["plane"]
    there = terms(_scale(x, low_x, high_x), _scale(y, low_y, high_y))
    degree_m = 111_320.0
    back = np.hypot(there @ fit["back"][0] - lon, there @ fit["back"][1] - lat) * degree_m
    inside = (np.abs(_scale(x, low_x, high_x)) <= 1) & (np.abs(_scale(y, low_y, high_y)) <= 1)
    return float(max(forward.max(), back[inside].max(initial=0.0)))
