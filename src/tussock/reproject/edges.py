"""In: layers in their own CRSs, where they move to. Out: the same with points on long edges that would bend there.

What is near is held to a tenth of a millimetre; what is further off may bend by a share of its distance, so that
distances are true to that share however far they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.edges import FindBend
from tussock.base.findings import Finding
from tussock.base.geodesy import MOST_BEND_M, DatumPath, Way, find_transformer, hold_outlines, move_points
from tussock.base.text import show_count

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Edges are held fully up to this distance, or to that of the rules where it is larger [m].
NEAR_M: Final = 5_000.0
#: Beyond it they may bend by this share of the distance.
_FAR_SHARE: Final = 1e-5
#: Edges further off than this [m] are left as they are: the CRS of another continent may draw them anyhow.
_OUT_OF_SIGHT_M: Final = 1e6
_DEGREE_M: Final = 110_574.0  # of latitude at the equator, the shortest
_RADIUS_M: Final = 6_371_008.8
_MOST_LAT: Final = 89.0
#: The box of an outline in another CRS than its own is taken wider by this share of its size: its sides bend.
_BULGE: Final = 0.05


class Surroundings:
    """Outlines that edges are held for, in boxes of degrees.

    Parameters
    ----------
    outlines
        Geometries and their CRS, in any number of layers.
    near_m
        How far from them edges are held fully [m].
    """

    def __init__(self, outlines: Sequence[tuple[GeometryArray, CRS]], near_m: float) -> None:
        self._outlines, self._near_m = outlines, max(near_m, NEAR_M)

    @cached_property
    def _tree(self) -> shapely.STRtree:
        """Index of the boxes, once more a turn to each side."""
        boxes = [_find_boxes(geometry, crs) for geometry, crs in self._outlines if len(geometry)]
        box = np.concatenate([np.empty((0, 4)), *boxes])
        box = box[np.isfinite(box).all(axis=1)]
        turns = [shapely.box(*(box + np.array([turn, 0.0, turn, 0.0])).T) for turn in (-360.0, 0.0, 360.0)]
        return shapely.STRtree(np.concatenate(turns))

    def find_most_m(self, start: FloatArray, end: FloatArray, bend_m: FloatArray, crs: CRS) -> FloatArray:
        """Return how far edges of a layer may bend, by their distance from the outlines [m], shape (n,)."""
        most = np.full(len(start), MOST_BEND_M)
        bent = np.flatnonzero(bend_m > MOST_BEND_M)
        if len(bent):
            gap = self._find_gap_m(start[bent], end[bent], crs) - bend_m[bent]
            most[bent] = np.where(gap > self._near_m, np.maximum(_FAR_SHARE * gap, MOST_BEND_M), MOST_BEND_M)
            most[bent[gap > _OUT_OF_SIGHT_M]] = np.inf
        return most

    def _find_gap_m(self, start: FloatArray, end: FloatArray, crs: CRS) -> FloatArray:
        """Return a distance that edges are no nearer than [m], shape (n,)."""
        to_degrees = find_transformer(crs, "EPSG:4326")
        ends = [np.column_stack(to_degrees.transform(*np.vstack([item, item[:1]]).T))[:-1] for item in (start, end)]
        first, last = ends
        last[:, 0] -= 360 * np.round((last[:, 0] - first[:, 0]) / 360)
        gap = np.full(len(first), np.inf)
        sound = np.flatnonzero(np.isfinite(np.column_stack(ends)).all(axis=1))
        lines = shapely.linestrings(np.stack([first[sound], last[sound]], axis=1))
        (item, _), degrees = self._tree.query_nearest(lines, return_distance=True, all_matches=False)
        lat = np.minimum(np.maximum(np.abs(first[sound, 1]), np.abs(last[sound, 1]))[item] + degrees, _MOST_LAT)
        gap[sound[item]] = degrees * _DEGREE_M * np.cos(np.radians(lat))
        # in degrees an edge may run aside of where it runs in its own CRS
        length = np.hypot(*(last - first).T) * _DEGREE_M
        lat = np.minimum(np.maximum(np.abs(first[:, 1]), np.abs(last[:, 1])), _MOST_LAT)
        return np.asarray(gap - length**2 * np.maximum(np.tan(np.radians(lat)), 1.0) / (8 * _RADIUS_M), np.float64)


def _find_boxes(geometry: GeometryArray, crs: CRS) -> FloatArray:
    """Return boxes in degrees that outlines lie in, shape (n, 4)."""
    west, south, east, north = shapely.bounds(geometry).T
    x, y = np.stack([west, west, east, east]), np.stack([south, north, south, north])
    lon, lat = (
        np.asarray(item).reshape(4, -1) for item in find_transformer(crs, "EPSG:4326").transform(x.ravel(), y.ravel())
    )
    lon = np.where(np.ptp(lon, axis=0) > 180, lon % 360, lon)  # noqa: PLR2004  (degrees of half a turn)
    low, high = np.stack([lon.min(axis=0), lat.min(axis=0)]), np.stack([lon.max(axis=0), lat.max(axis=0)])
    aside = (high - low) * (0.0 if crs.is_geographic else _BULGE)
    return np.vstack([low - aside, high + aside]).T


@dataclass(frozen=True)
class CellPlace:
    """The CRS of a cell, and what it is used for: the middle of its patches [degrees] and how far around it [m]."""

    crs: CRS
    middle: tuple[float, float]
    radius_m: float


def make_find_bend(
    source: CRS, home: Way | None, cells: Sequence[CellPlace], shift: DatumPath | None = None
) -> FindBend:
    """Return a function that tells how far edges of a layer bend on their way, in the cells that they lie in.

    Parameters
    ----------
    source
        CRS of the layer.
    home
        To the CRS of the patches, for a layer of another.
    cells
        Where it goes to.
    shift
        Operations between the datum of the layer and that of the patches.
    """
    from tussock.reproject.crs import find_unit_vectors

    ways = [Way(source, cell.crs, shift) for cell in cells]
    middles = [find_unit_vectors(np.array([cell.middle[0]]), np.array([cell.middle[1]]))[0] for cell in cells]

    def find_bend_m(start: FloatArray, end: FloatArray) -> FloatArray:
        bend = np.zeros(len(start)) if home is None else home.find_bend_m(start, end)
        if len(cells) == 1:
            return np.fmax(bend, ways[0].find_bend_m(start, end))
        ends = [find_unit_vectors(*move_points(xy, source, "EPSG:4326").T) for xy in (start, end)]
        length = np.linalg.norm(ends[1] - ends[0], axis=1)
        for cell, way, middle in zip(cells, ways, middles, strict=True):
            gap = np.linalg.norm(ends[0] - middle, axis=1) - length
            own = np.flatnonzero(gap * _RADIUS_M <= cell.radius_m)
            if len(own):
                bend[own] = np.fmax(bend[own], way.find_bend_m(start[own], end[own]))
        return bend

    return find_bend_m


def hold_layer(
    geometry: GeometryArray, source: CRS, find_bend_m: FindBend, around: Surroundings, layer: str
) -> tuple[GeometryArray, float, list[Finding]]:
    """Put points on those edges of a layer that would bend where it moves to.

    Parameters
    ----------
    geometry
        Sound geometries, shape (n,).
    source
        Their CRS.
    find_bend_m
        See `make_find_bend`.
    around
        What its edges are held for.
    layer
        Name of the layer, for the finding.

    Returns
    -------
    geometry
        Shape (n,).
    left_m
        How far a near edge can stand off where it is drawn.
    findings
        One, where an edge got points.
    """

    def find_most_m(start: FloatArray, end: FloatArray, _: IntArray, bend_m: FloatArray) -> FloatArray:
        return around.find_most_m(start, end, bend_m, source)

    held = hold_outlines(geometry, source, find_bend_m, find_most_m)
    left_m = min(held.left_m, MOST_BEND_M)
    if not held.edges:
        return held.geometry, left_m, []
    what = f"{held.edges} straight edges are so long that they would bend in another CRS"
    done = "points were put on them, so that they stay as they are drawn"
    count = show_count(len(held.rows), "patch" if layer == "infestations" else "row")
    return held.geometry, left_m, [Finding("reproject", layer, count, what, done, "info")]
