"""In: stream lines and patches of one cell. Out: how far each patch lies above the outlet, and what lies below what.

Lines are taken to run downstream in the order they were drawn, as is the custom of hydrographic layers; a plan that
uses them says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

#: Ends of lines that lie this close are one confluence [m].
_JOIN_M: Final = 2.0


@dataclass(frozen=True)
class StreamPlace:
    """Where a patch lies on the streams: line, distance along it [m], and the way from there to the outlet.

    ``downstream`` are the lines passed on that way, ``outlet_m`` its length [m], ``system`` the last line of it.
    """

    line: int
    along_m: float
    outlet_m: float
    downstream: tuple[int, ...]
    system: int


def place_on_streams(geometry: NDArray[Any], water: gpd.GeoDataFrame, reach_m: float) -> list[StreamPlace | None]:
    """Find where each geometry lies on the stream lines.

    Parameters
    ----------
    geometry
        Outlines in the CRS of the lines, shape (n,).
    water
        Water layer; its lines are the streams.
    reach_m
        A patch further than this from every stream lies on none [m].

    Returns
    -------
    list
        One place for each geometry, None where no stream is within reach.
    """
    lines = _pick_lines(water)
    if not len(lines) or not len(geometry):
        return [None] * len(geometry)
    following = _find_following(lines)
    length = shapely.length(lines)
    tree = shapely.STRtree(lines)
    places: list[StreamPlace | None] = [None] * len(geometry)
    item, nearest = tree.query_nearest(geometry, max_distance=reach_m, all_matches=False)
    for patch, line in zip(item.tolist(), nearest.tolist(), strict=True):
        spot = shapely.get_point(shapely.shortest_line(lines[line], geometry[patch]), 0)
        along = float(shapely.line_locate_point(lines[line], spot))
        way = _follow(int(line), following)
        outlet = float(length[line] - along + length[list(way)].sum())
        places[patch] = StreamPlace(int(line), along, outlet, way, way[-1] if way else int(line))
    return places


def _pick_lines(water: gpd.GeoDataFrame) -> NDArray[Any]:
    geometry = np.asarray(water.geometry.array, dtype=object)
    parts = shapely.get_parts(geometry)
    lines: NDArray[Any] = parts[shapely.get_type_id(parts) == 1]
    return lines


def _find_following(lines: NDArray[Any]) -> dict[int, int]:
    """Return the line that each line runs into; at a fork the first one drawn."""
    start, end = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    item, found = shapely.STRtree(start).query(end, predicate="dwithin", distance=_JOIN_M)
    following: dict[int, int] = {}
    for line, other in sorted(zip(item.tolist(), found.tolist(), strict=True)):
        if line != other:
            following.setdefault(line, other)
    return following


def _follow(line: int, following: dict[int, int]) -> tuple[int, ...]:
    way: list[int] = []
    seen = {line}
    while line in following and following[line] not in seen:
        line = following[line]
        seen.add(line)
        way.append(line)
    return tuple(way)


def list_downstream(places: list[StreamPlace | None]) -> list[tuple[int, int]]:
    """Return pairs (upper, lower) of places where the water of the upper one next passes the lower one."""
    pairs = []
    for upper, place in enumerate(places):
        if place is None:
            continue
        below = [
            (place.outlet_m - other.outlet_m, lower)
            for lower, other in enumerate(places)
            if other is not None and lower != upper and _is_below(place, other)
        ]
        if below:
            pairs.append((upper, min(below)[1]))
    return pairs


def _is_below(upper: StreamPlace, lower: StreamPlace) -> bool:
    if lower.line == upper.line:
        return lower.along_m > upper.along_m
    return lower.line in upper.downstream
