"""In: features that reach around the globe, patches. Out: what of them lies around the patches, on their turn.

What is straight in degrees and a quarter of the globe wide has no shape in a CRS around the patches. Such a feature is
cut in its own CRS to a window around them, wide enough that the nearest of it is in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.geodesy import find_transformer, transform_points
from tussock.base.simple import list_parts
from tussock.base.turns import find_middle, find_turn

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
GeometryArray = NDArray[Any]

#: Parts wider or higher than this are cut [degrees].
_WIDE_DEG: Final = 10.0
#: Windows around the patches [degrees]; the one after the first that a feature is in holds the nearest of it.
_MARGINS_DEG: Final = (1.0, 4.0, 16.0, 64.0)
#: Edges of what is cut get points this often [degrees].
_STEP_DEG: Final = 0.05
_DEGREE_M: Final = 111_320.0
_NEAR_POLE_DEG: Final = 89.0


@dataclass(frozen=True)
class Home:
    """Where the patches of a site lie: west, south, east, north in degrees, on one turn."""

    box: tuple[float, float, float, float]

    def find_middle(self, crs: CRS) -> float | None:
        """Return the easting or longitude of the middle in a CRS; None where the globe does not come again in it."""
        if find_turn(crs) is None:
            return None
        west, south, east, north = self.box
        x, _ = transform_points(
            find_transformer(_degrees(), crs), np.array([(west + east) / 2]), np.array([(south + north) / 2])
        )
        return float(x[0])

    def draw_window(self, crs: CRS, margin_deg: float) -> Any:
        """Return the box in a CRS that holds all within a margin of the patches; None where it is no box there."""
        west, south, east, north = self.box
        low, high = max(south - margin_deg, -90.0), min(north + margin_deg, 90.0)
        if max(abs(low), abs(high)) > _NEAR_POLE_DEG:
            return None
        aside = margin_deg / np.cos(np.radians(max(abs(low), abs(high))))
        if crs.is_geographic:
            unit = (find_turn(crs) or 360.0) / 360.0
            return shapely.box((west - aside) * unit, low * unit, (east + aside) * unit, high * unit)
        edge = shapely.get_coordinates(shapely.segmentize(shapely.box(west - aside, low, east + aside, high), 1.0))
        x, y = transform_points(find_transformer(_degrees(), crs), edge[:, 0], edge[:, 1])
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            return None
        middle, turn = self.find_middle(crs), find_turn(crs)
        if middle is not None and turn is not None:
            x = x - turn * np.round((x - middle) / turn)
        return shapely.box(x.min(), y.min(), x.max(), y.max())


def _degrees() -> CRS:
    from pyproj import CRS

    return CRS.from_epsg(4326)


def find_home(patches: GeometryArray, crs: CRS) -> Home:
    """Return where patches lie, which are on one turn already."""
    west, south, east, north = shapely.bounds(patches).T
    x, y = np.concatenate([west, west, east, east]), np.concatenate([south, north, south, north])
    lon, lat = transform_points(find_transformer(crs, "EPSG:4326"), x, y)
    middle = find_middle(shapely.points(lon, lat), _degrees()) or 0.0
    lon = lon - 360 * np.round((lon - middle) / 360)
    return Home((float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())))


def cut_wide(geometry: GeometryArray, crs: CRS, home: Home) -> tuple[GeometryArray, NDArray[np.bool_], dict[int, str]]:
    """Cut parts that are wider than a region to a window around the patches.

    Parameters
    ----------
    geometry
        Sound geometries on the turn of the patches, shape (n,).
    crs
        Their CRS.
    home
        Where the patches lie.

    Returns
    -------
    geometry, cut
        What is left, and which of them were cut, shape (n,) each.
    faults
        Place -> why a feature cannot be taken.
    """
    turn = find_turn(crs)
    unit_deg = 360.0 / turn if crs.is_geographic and turn is not None else _find_unit_m(crs) / _DEGREE_M
    west, south, east, north = shapely.bounds(geometry).T
    wide = np.maximum(east - west, north - south) * unit_deg > _WIDE_DEG
    left, faults = geometry.copy(), {}
    for place in np.flatnonzero(wide).tolist():  # a loop over geometry: few features are that wide
        kept = []
        for part in list_parts(geometry[[place]])[0]:
            box = part.bounds
            if max(box[2] - box[0], box[3] - box[1]) * unit_deg <= _WIDE_DEG:
                kept.append(part)
                continue
            near = _cut_part(part, crs, home, turn, _STEP_DEG / unit_deg)
            if near is None:
                faults[place] = "a feature round the globe beside a pole"
                break
            kept += [item for item in list_parts(np.array([near], dtype=object))[0] if item.length or not item.area]
        kept = [item for item in kept if shapely.get_dimensions(item) == shapely.get_dimensions(geometry[place])]
        if kept:
            left[place] = shapely.union_all(kept)
        else:
            wide[place] = False  # nowhere near the patches: it stays as it is drawn
    return left, wide, faults


def _cut_part(part: Any, crs: CRS, home: Home, turn: float | None, step: float) -> Any | None:
    """Return what of a part lies around the patches, on any of its turns; empty where nothing does."""
    turns = (0.0,) if turn is None else (0.0, -turn, turn)
    copies = [
        shapely.transform(part, lambda xy, aside=aside: xy + np.array([aside, 0.0])) if aside else part
        for aside in turns
    ]
    for number, margin in enumerate(_MARGINS_DEG):
        window = home.draw_window(crs, margin)
        if window is None:
            return None if number == 0 else shapely.Polygon()
        if not any(shapely.intersects(copy, window) for copy in copies):
            continue
        wider = home.draw_window(crs, _MARGINS_DEG[min(number + 1, len(_MARGINS_DEG) - 1)]) or window
        return shapely.segmentize(shapely.union_all([shapely.intersection(copy, wider) for copy in copies]), step)
    return shapely.Polygon()


def _find_unit_m(crs: CRS) -> float:
    return float(crs.axis_info[0].unit_conversion_factor)
