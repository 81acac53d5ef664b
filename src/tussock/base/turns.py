"""In: outlines around the globe, on any turn of it. Out: the same in one piece each, on the turn nearest to a place.

Longitude 180.001 and -179.999 are one place, and so are both ends of a map of the world. An outline across 180 degrees
is drawn in one of three ways: on beyond 180, in two parts, or with vertices on both sides and an edge that runs all the
way round between them. All of them come out in one piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.simple import list_parts

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]

#: Projections on which the globe comes again to the east and west, by the begin of their names.
_COME_AGAIN: Final = ("Mercator", "Popular Visualisation", "Equidistant Cylindrical", "Lambert Cylindrical", "Miller")
#: An edge that is a whole turn long is meant so: it is no way across 180 degrees.
_WHOLE: Final = 1 - 1e-9
_POLYGON: Final = 3  # type in GEOS
#: What several parts of one dimension make.
_JOIN: Final = (shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)


@lru_cache(maxsize=64)
def _find_turn(wkt: str) -> float | None:
    from pyproj import CRS, Proj

    crs = CRS.from_wkt(wkt)
    if crs.is_geographic:
        return round(2 * np.pi / crs.axis_info[0].unit_conversion_factor, 9)
    base: Any = crs.source_crs if crs.is_bound else crs
    operation = base.coordinate_operation
    if operation is None or not str(operation.method_name).startswith(_COME_AGAIN):
        return None
    origin = next((item.value for item in operation.params if "ongitude" in item.name), 0.0)
    project = Proj(base)
    quarter = project(origin + 90.0, 0.0)[0] - project(origin, 0.0)[0]
    return float(4 * quarter)


def find_turn(crs: CRS) -> float | None:
    """Return how wide the globe is in a CRS, in its own unit; None where it does not come again to the east and west.

    Examples
    --------
    >>> from pyproj import CRS
    >>> find_turn(CRS.from_epsg(4326)), round(find_turn(CRS.from_epsg(3857))), find_turn(CRS.from_epsg(32615))
    (360.0, 40075017, None)
    """
    return _find_turn(crs.to_wkt())


@dataclass(frozen=True)
class Gathered:
    """Geometries on one turn, and how they were drawn: True for each that was drawn so.

    Attributes
    ----------
    geometry
        Each part in one piece, on the turn nearest to the middle, shape (n,). A part that goes all the way round stands
        as it was drawn; one that goes round a pole ends at it.
    across
        An edge ran more than half a turn, and was taken for the short way across 180 degrees, shape (n,).
    wide
        A part is wider than half a turn, whichever way it is read, shape (n,).
    lost
        A ring goes round the globe on both sides of the equator, or in a projection: nobody can tell which side of it
        is meant. It comes back empty, shape (n,).
    """

    geometry: GeometryArray
    across: BoolArray
    wide: BoolArray
    lost: BoolArray


def gather(geometry: GeometryArray, crs: CRS, middle: float | FloatArray | None = None) -> Gathered:
    """Put geometries on one turn of the globe.

    Parameters
    ----------
    geometry
        Points, lines and polygons, single or multiple, none in a collection, shape (n,).
    crs
        Their CRS; where the globe does not come again in it, they come back as they are.
    middle
        Easting or longitude around which they are put, one or one for each, in the unit of the CRS; None to put each
        part together and move none.
    """
    turn = find_turn(crs)
    none = np.zeros(len(geometry), dtype=bool)
    if turn is None or not len(geometry):
        return Gathered(geometry, none, none, none)
    parts, owner = list_parts(geometry)
    box = shapely.bounds(parts)
    centre, width = (box[:, 0] + box[:, 2]) / 2, box[:, 2] - box[:, 0]
    shift = np.zeros(len(parts))
    if middle is not None:
        shift = np.round((np.broadcast_to(np.asarray(middle, dtype=float), none.shape)[owner] - centre) / turn)
    over = width > turn / 2
    touched = np.unique(owner[over | (shift != 0)])
    if not len(touched):
        return Gathered(geometry, none, none, none)
    gathered, across, wide, lost = geometry.copy(), none.copy(), none.copy(), none.copy()
    for place in touched.tolist():  # a loop over geometry: few sites lie there
        own = []
        aim = None if middle is None else float(np.broadcast_to(np.asarray(middle, dtype=float), len(geometry))[place])
        for part in parts[owner == place]:
            read, jumps = _read_part(part, crs, turn)
            across[place] |= jumps
            lost[place] |= read.is_empty
            west, _, east, _ = np.nan_to_num(read.bounds)
            wide[place] |= bool(east - west > turn / 2)
            turns = 0.0 if aim is None else float(np.round((aim - (west + east) / 2) / turn))
            own.append(_shift(read, turn * turns) if turns else read)
        single = len(own) == 1 and not geometry[place].geom_type.startswith("Multi")
        gathered[place] = own[0] if single else _JOIN[int(shapely.get_dimensions(geometry[place]))](own)
    return Gathered(gathered, across, wide, lost)


def find_middle(geometry: GeometryArray, crs: CRS) -> float | None:
    """Return the middle of geometries on the turn that most of them are drawn on; None where there is no turn.

    Half to half, it is the turn to the east: a site across 180 degrees goes on beyond it. The order does not matter.
    """
    turn = find_turn(crs)
    parts, _ = list_parts(gather(geometry, crs).geometry)
    if turn is None or not len(parts):
        return None
    box = shapely.bounds(parts)
    centre = np.sort((box[:, 0] + box[:, 2]) / 2)
    angle = centre * 2 * np.pi / turn
    middle = float(np.arctan2(np.sin(angle).sum(), np.cos(angle).sum()) * turn / (2 * np.pi))
    turns = [middle + turn * number for number in (2, 1, 0, -1, -2)]
    moved = [int((np.round((aim - centre) / turn) != 0).sum()) for aim in turns]
    return turns[int(np.argmin(moved))]


def _read_part(part: Any, crs: CRS, turn: float) -> tuple[Any, bool]:
    """Return a part in one piece, and whether an edge of it ran the long way round."""
    rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
    lines = [_unwrap(shapely.get_coordinates(ring), turn) for ring in rings]
    if not any(jumps for _, jumps in lines):
        return part, False
    if part.geom_type != "Polygon":
        return type(part)(lines[0][0]), True
    closed = [_close(xy, crs, turn) for xy, _ in lines]
    if not all(len(xy) for xy in closed):
        return shapely.Polygon(), True
    shell, *holes = closed
    aim = (shell[:, 0].min() + shell[:, 0].max()) / 2
    for hole in holes:
        hole[:, 0] += turn * np.round((aim - (hole[:, 0].min() + hole[:, 0].max()) / 2) / turn)
    return shapely.Polygon(shell, holes), True


def _unwrap(xy: FloatArray, turn: float) -> tuple[FloatArray, bool]:
    """Return vertices each less than half a turn from the last, and whether one was not; whole turns are meant so."""
    step = np.diff(xy[:, 0])
    jumps = (np.abs(step) > turn / 2) & (np.abs(step) < turn * _WHOLE)
    if not jumps.any():
        return xy.copy(), False
    short = np.where(jumps, step - turn * np.round(step / turn), step)
    moved = xy.copy()
    moved[1:, 0] = xy[0, 0] + np.cumsum(short)
    return moved, True


def _close(xy: FloatArray, crs: CRS, turn: float) -> FloatArray:
    """Return a ring closed; one that goes round the globe goes to the pole on its side and back, if it has one."""
    if abs(xy[-1, 0] - xy[0, 0]) < turn / 2:
        xy[-1] = xy[0]
        return xy
    lat = xy[:, 1]
    if not crs.is_geographic or lat.min() <= 0 <= lat.max():
        return xy[:0]
    pole = np.sign(lat[0]) * turn / 4
    return np.vstack([xy, [[xy[-1, 0], pole], [xy[0, 0], pole]], xy[:1]])


def _shift(part: Any, aside: float) -> Any:
    return shapely.transform(part, lambda xy: xy + np.array([aside, 0.0]))
