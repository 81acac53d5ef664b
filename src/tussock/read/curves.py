"""In: a layer that may hold arcs. Out: the same with straight edges that stand next to nothing off the arcs.

GDAL draws an arc with a chord every 4 degrees, inside of it: 1.2 m short at a radius of 2 km. Here arcs are read
finely, and what is left is told, so that setbacks are widened by it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from tussock.base.findings import Finding
from tussock.base.text import show_count

if TYPE_CHECKING:
    import geopandas as gpd

#: Types of layers that hold no arcs; of any other the rows are asked.
_STRAIGHT: Final = frozenset({"point", "linestring", "polygon", "multipoint", "multilinestring", "multipolygon"})
_OPTION: Final = "OGR_ARC_STEPSIZE"
#: Step of arcs as GDAL draws them, and as they are read here [degrees of the arc].
_COARSE_DEG, _FINE_DEG = "4", "0.05"
#: Vertices of arcs that stand off the others by less are left out [m].
_THIN_M: Final = 5e-4
_DEGREE_M: Final = 111_320.0


def may_hold_curves(geometry_type: str | None) -> bool:
    """Tell whether a layer of some type, as pyogrio names it, may hold arcs."""
    words = (geometry_type or "unknown").casefold().split()
    return next((word for word in words if word.isalpha()), "unknown") not in _STRAIGHT


@dataclass(frozen=True)
class Curves:
    """How many features of a layer have arcs, and how far these can stand off the edges that they are read as [m]."""

    rows: int = 0
    error_m: float = 0.0

    def tell(self, layer: str) -> Finding:
        """Say so."""
        what = f"{show_count(self.rows, 'feature')} drawn with arcs"
        done = f"read as straight edges within {self.error_m * 1000:.2g} mm of the arcs: setbacks are widened by that"
        return Finding("read", layer, show_count(self.rows, "row"), what, done, "info")


NO_CURVES: Final = Curves()


def read_curves(read: Callable[[], gpd.GeoDataFrame]) -> tuple[gpd.GeoDataFrame, Curves]:
    """Read a layer with its arcs drawn finely.

    Parameters
    ----------
    read
        Reads the layer through GDAL.

    Returns
    -------
    frame
        The layer.
    curves
        What became of its arcs.
    """
    with _draw_arcs(_COARSE_DEG):
        plain = read()
    with _draw_arcs(_FINE_DEG):
        frame = read()
    coarse, fine = (np.asarray(item.geometry.array, dtype=object) for item in (plain, frame))
    rows = np.flatnonzero(shapely.get_num_coordinates(fine) > shapely.get_num_coordinates(coarse))
    if not len(rows):
        return plain, NO_CURVES
    unit_m = 1.0
    if frame.crs is not None:
        unit_m = _DEGREE_M if frame.crs.is_geographic else float(frame.crs.axis_info[0].unit_conversion_factor)
    left = max(_find_chord_error(fine[row], coarse[row]) for row in rows.tolist())
    shapes = fine.copy()
    shapes[rows] = shapely.simplify(fine[rows], _THIN_M / unit_m)
    return frame.set_geometry(shapes, crs=frame.crs), Curves(len(rows), left * unit_m + _THIN_M)


def _find_chord_error(fine: Any, coarse: Any) -> float:
    """Return how far an arc stands off finely drawn edges, by what each new vertex stands off its neighbours' chord.

    Points of an arc are evenly spread: each stands four times as far off the chord of two steps as the arc off one.
    """
    parts = shapely.get_parts(shapely.force_2d(fine))
    lines = np.concatenate([shapely.get_rings(parts), parts[shapely.get_dimensions(parts) == 1]])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    known = {tuple(item) for item in shapely.get_coordinates(coarse).tolist()}
    new = np.array([tuple(item) not in known for item in xy.tolist()], dtype=bool)
    middle = np.flatnonzero(new[1:-1] & (line[:-2] == line[2:])) + 1
    chord = xy[middle + 1] - xy[middle - 1]
    aside = xy[middle] - xy[middle - 1]
    off = np.abs(chord[:, 0] * aside[:, 1] - chord[:, 1] * aside[:, 0]) / np.hypot(*chord.T)
    return float(off.max(initial=0.0)) / 4


@contextmanager
def _draw_arcs(step: str) -> Iterator[None]:
    """Have GDAL draw arcs by a step [degrees] for a while."""
    import pyogrio

    before = pyogrio.get_gdal_config_option(_OPTION)
    pyogrio.set_gdal_config_options({_OPTION: step})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({_OPTION: None if before is None else str(before)})
