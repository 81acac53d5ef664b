"""In: a number of patches and a seed. Out: patches clustered along water, lakes, streams, wells; all invented.

Six water features in ten are ponds, four are streams; of N/5 water features, one in 2,000 (at least
two) is a huge lake of 50,000 vertices or more. The ground grows with N, so that patches lie equally thick.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

GeometryArray = NDArray[Any]
FOOT_M = 0.3048
WATER_M = (15 * FOOT_M, 50 * FOOT_M, 100 * FOOT_M)
RECEPTOR_M = (50 * FOOT_M, 150 * FOOT_M)
GROUND_M2 = 30_000.0  # for each patch


@dataclass(frozen=True)
class Data:
    """Geometries in metres: patches (n,), water polygons and lines, wells; streams have a width each [m]."""

    patches: GeometryArray
    lakes: GeometryArray
    streams: GeometryArray
    stream_width_m: NDArray[np.float64]
    wells: GeometryArray


def make_data(count: int, seed: int = 1, *, huge: bool = True, huge_vertices: int = 50_000) -> Data:
    rng = np.random.default_rng(seed)
    side = np.sqrt(count * GROUND_M2)
    features = max(count // 5, 10)
    number = max(2, features // 2000) if huge else 0
    grid = int(np.ceil(np.sqrt(number)))
    corners = [(side / grid * (k % grid), side / grid * (k // grid)) for k in range(number)]
    lakes = [make_huge_lake(rng, corner, huge_vertices) for corner in corners]
    streams_n = int(features * 0.4)
    ponds_n = features - number - streams_n
    ponds = make_blobs(rng, rng.uniform(0, side, (ponds_n, 2)), rng.lognormal(3.3, 0.6, ponds_n), 24, 60)
    streams = make_streams(rng, rng.uniform(0, side, (streams_n, 2)))
    water = [*lakes, *ponds, *streams]
    at_huge = count // 4 if huge else 0
    shore = place_along(rng, water[number:], count - at_huge)
    if huge:
        shore = np.concatenate([place_along(rng, lakes, at_huge), shore])
    radius = rng.lognormal(2.4, 0.7, count).clip(2, 150)
    centre = move_ashore(rng, shore, shore + rng.normal(0, 1, (count, 2)) * (30 + radius)[:, None], [*lakes, *ponds])
    patches = make_blobs(rng, centre, radius, 8, 24)
    wells = shapely.points(rng.uniform(0, side, (max(count // 10, 5), 2)))
    return Data(
        patches=patches,
        lakes=np.array([*lakes, *ponds], dtype=object),
        streams=streams,
        stream_width_m=rng.uniform(0.5, 6.0, streams_n),
        wells=wells,
    )


def make_blobs(rng: Any, centre: Any, radius: Any, least: int, most: int) -> GeometryArray:
    """Rounded outlines around points."""
    number = rng.integers(least, most + 1, len(centre))
    owner = np.repeat(np.arange(len(centre)), number)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
    angle = 2 * np.pi * (place + rng.uniform(-0.3, 0.3, len(owner))) / number[owner]
    phase = rng.uniform(0, 2 * np.pi, (2, len(centre)))
    wave = 1 + 0.25 * np.sin(2 * angle + phase[0][owner]) + 0.15 * np.sin(3 * angle + phase[1][owner])
    far = radius[owner] * wave * rng.uniform(0.9, 1.1, len(owner))
    xy = centre[owner] + far[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return shapely.polygons(shapely.linearrings(xy, indices=owner))


def make_streams(rng: Any, start: Any) -> GeometryArray:
    number = rng.integers(20, 60, len(start))
    owner = np.repeat(np.arange(len(start)), number)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
    turn = np.where(place == 0, 0, rng.normal(0, 0.35, len(owner)))
    heading = np.cumsum(turn)
    heading = heading - heading[np.flatnonzero(place == 0)][owner] + rng.uniform(0, 2 * np.pi, len(start))[owner]
    step = rng.uniform(4, 14, len(owner))[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    walk = np.cumsum(step, axis=0)
    xy = walk - walk[np.flatnonzero(place == 0)][owner] + start[owner]
    return shapely.linestrings(xy, indices=owner)


def make_huge_lake(rng: Any, corner: Any, vertices: int) -> Any:
    """A reservoir that winds to and fro, 4.5 km wide, with a vertex about every 5 m of its shore."""
    half = vertices // 2
    row, pitch, turn = 4500.0, 200.0, np.pi * 100.0
    along = np.linspace(0, half * 5.0, half)
    number = (along // (row + turn)).astype(int)
    rest = along - number * (row + turn)
    angle = np.clip(rest - row, 0, None) / 100.0
    x = np.where(rest < row, rest, row + 100.0 * np.sin(angle))
    y = number * pitch + np.where(rest < row, 0.0, 100.0 * (1 - np.cos(angle)))
    x = np.where(number % 2 == 0, x, row - x)
    line = np.column_stack([x, y + 14 * np.sin(along / 90.0) + 6 * np.sin(along / 23.0 + 1.0)])
    tangent = np.gradient(line, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    width = 18 + 6 * np.sin(along / 150.0) + rng.uniform(0, 1.5, (2, half))
    outline = np.concatenate([line + normal * width[0][:, None], (line - normal * width[1][:, None])[::-1]])
    return shapely.Polygon(corner + outline)


def place_along(rng: Any, outlines: Any, count: int) -> Any:
    """Points along outlines, in proportion to their length."""
    xy, line = shapely.get_coordinates(np.array(outlines, dtype=object), return_index=True)
    start = np.flatnonzero(line[1:] == line[:-1])
    length = np.hypot(*(xy[start + 1] - xy[start]).T)
    total = np.cumsum(length)
    at = rng.uniform(0, total[-1], count)
    which = np.minimum(np.searchsorted(total, at), len(start) - 1)
    share = 1 - (total[which] - at) / length[which]
    return xy[start[which]] + share[:, None] * (xy[start[which] + 1] - xy[start[which]])


def move_ashore(rng: Any, shore: Any, centre: Any, waters: Any) -> Any:
    """Mirror most of the points that fell into a lake at the shore point they came from."""
    _, place = shapely.STRtree(shapely.points(centre)).query(np.array(waters, dtype=object), predicate="contains")
    place = np.unique(place)
    place = place[rng.uniform(0, 1, len(place)) < 0.8]
    centre[place] = 2 * shore[place] - centre[place]
    return centre
