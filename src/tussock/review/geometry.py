"""In: outlines in any CRS. Out: areas on the ellipsoid, and exact nearest points in local projections of our own.

This is the reviewer's own arithmetic; it shares no line with the one that made the plan. Areas: geodesic polygons on
WGS 84 (Karney 2013, doi 10.1007/s00190-012-0578-z). Nearest points: found between exact segments in an azimuthal
equidistant projection centred on a part of the site at most some 25 km wide, where lengths are true to 2e-6; the
distance itself is the geodesic between the two points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Edge of the cubes that sort places into parts of a site, on the unit sphere (0.003 is 19 km).
_CUBE: Final = 0.003
_RUN_SEGMENTS: Final = 16
_CHUNK: Final = 20_000
_POINT, _POLYGON = 0, 3


def move_to_degrees(geometry: GeometryArray, crs: CRS) -> GeometryArray:
    """Return geometries in longitude and latitude on WGS 84 [degrees], without heights."""
    from pyproj import Transformer

    transformer = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    return _move(shapely.force_2d(np.asarray(geometry, dtype=object)), transformer)


def _move(geometry: GeometryArray, transformer: Transformer) -> GeometryArray:
    def move(coordinates: FloatArray) -> FloatArray:
        return np.column_stack(transformer.transform(coordinates[:, 0], coordinates[:, 1]))

    moved: GeometryArray = shapely.transform(geometry, move)
    return moved


def find_geodesic_area_m2(degrees: GeometryArray) -> FloatArray:
    """Return the area of polygons on the ellipsoid [m2], shape (n,); missing outlines have none."""
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    turned = shapely.orient_polygons(degrees)
    # one call for each outline: the geodesic library takes one ring at a time
    return np.array(
        [0.0 if item is None or item.is_empty else abs(geod.geometry_area_perimeter(item)[0]) for item in turned],
        dtype=np.float64,
    )


def find_geodesic_m(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return geodesic distances between points [degrees], shape (n, 2) each [m]."""
    from pyproj import Geod

    if not len(start):
        return np.empty(0)
    return np.asarray(Geod(ellps="WGS84").inv(start[:, 0], start[:, 1], end[:, 0], end[:, 1])[2], dtype=np.float64)


@dataclass(frozen=True)
class Part:
    """A part of the site and its own projection."""

    members: IntArray
    to_local: Transformer
    to_degrees: Transformer


def split_site(lon: FloatArray, lat: FloatArray) -> list[Part]:
    """Sort places into parts of a site, each with an azimuthal equidistant projection around its middle.

    Works across the antimeridian and at the poles, since places are sorted on the sphere and not by degrees.
    """
    lam, phi = np.radians(lon), np.radians(lat)
    sphere = np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])
    cube = np.floor(sphere / _CUBE).astype(np.int64)
    _, label = np.unique(cube, axis=0, return_inverse=True)
    label = np.asarray(label).ravel()
    parts = []
    for number in range(int(label.max()) + 1 if len(label) else 0):
        members = np.flatnonzero(label == number)
        x, y, z = sphere[members].mean(axis=0)
        parts.append(_make_part(members, np.degrees(np.arctan2(y, x)), np.degrees(np.arctan2(z, np.hypot(x, y)))))
    return parts


def _make_part(members: IntArray, lon: float, lat: float) -> Part:
    from pyproj import Transformer

    local = f"+proj=aeqd +lat_0={lat:.9f} +lon_0={lon:.9f} +datum=WGS84 +units=m +type=crs"
    to_local = Transformer.from_crs("EPSG:4326", local, always_xy=True)
    return Part(members, to_local, Transformer.from_crs(local, "EPSG:4326", always_xy=True))


@dataclass(frozen=True)
class Edges:
    """The features of a layer as short runs of segments, points and areal parts, in degrees.

    Attributes
    ----------
    xy
        Vertices [degrees], shape (v, 2).
    vertex, vertex_run
        Which vertex and of which run, shape (k,); a point is a run of one vertex.
    run_owner
        Row of the layer for each run, shape (r,).
    areas, area_owner
        Polygons, and the row of the layer for each.
    """

    xy: FloatArray
    vertex: IntArray
    vertex_run: IntArray
    run_owner: IntArray
    areas: GeometryArray
    area_owner: IntArray


def cut_edges(degrees: GeometryArray) -> Edges:
    """Cut the outlines of features into runs of at most 16 segments, so that an index finds them quickly."""
    parts, owner = shapely.get_parts(degrees, return_index=True)
    kind = shapely.get_type_id(parts)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    single = (kind != _POLYGON) & ~shapely.is_empty(parts)
    lines = np.concatenate([rings, parts[single]])
    line_owner = np.concatenate([owner[ring_part], owner[single]])
    xy = shapely.get_coordinates(lines)
    size = shapely.get_num_coordinates(lines)
    first = np.r_[0, np.cumsum(size)[:-1]].astype(np.intp)
    count = np.maximum(-(-(size - 1) // _RUN_SEGMENTS), 1)
    line = np.repeat(np.arange(len(lines)), count)
    number = np.arange(len(line)) - np.repeat(np.r_[0, np.cumsum(count)[:-1]].astype(np.intp), count)
    start = first[line] + number * _RUN_SEGMENTS
    stop = np.minimum(start + _RUN_SEGMENTS, first[line] + size[line] - 1)
    length = stop - start + 1
    run = np.repeat(np.arange(len(line)), length)
    place = np.arange(len(run)) - np.repeat(np.r_[0, np.cumsum(length)[:-1]].astype(np.intp), length)
    areal = (kind == _POLYGON) & ~shapely.is_empty(parts)
    return Edges(
        xy, start[run] + place, run, line_owner[line].astype(np.intp), parts[areal], owner[areal].astype(np.intp)
    )


@dataclass(frozen=True)
class LocalEdges:
    """`Edges` in the projection of one part."""

    runs: GeometryArray
    run_owner: IntArray
    areas: GeometryArray
    area_owner: IntArray


def move_edges(edges: Edges, part: Part) -> LocalEdges:
    """Return edges in the projection of a part [m]."""
    xy = np.column_stack(part.to_local.transform(edges.xy[:, 0], edges.xy[:, 1])) if len(edges.xy) else edges.xy
    size = np.bincount(edges.vertex_run, minlength=len(edges.run_owner))
    runs = np.empty(len(edges.run_owner), dtype=object)
    lone = size == 1
    in_line = ~lone[edges.vertex_run]
    if in_line.any():
        numbered = np.cumsum(~lone) - 1
        indices = numbered[edges.vertex_run[in_line]]
        runs[~lone] = shapely.linestrings(xy[edges.vertex[in_line]], indices=indices)
    runs[lone] = shapely.points(xy[edges.vertex[~in_line]])
    return LocalEdges(runs, edges.run_owner, _move(edges.areas, part.to_local), edges.area_owner)


@dataclass(frozen=True)
class Nearest:
    """For each outline: row of the feature (-1: none), distance from its line or outline [m], standing on it or not."""

    owner: IntArray
    distance_m: FloatArray
    on: NDArray[np.bool_]


def find_nearest(outline: GeometryArray, edges: LocalEdges, credit_m: FloatArray, part: Part) -> Nearest:
    """Find the feature that binds each outline: the one with the least distance less its credit.

    Parameters
    ----------
    outline
        Outlines in the part's projection, shape (n,).
    edges
        All features of the layer.
    credit_m
        For each feature of the layer its half width and the distance that it asks for; nan for features that are not
        meant, shape (f,).
    part
        For the way back to degrees.

    Returns
    -------
    Nearest
        Distances are geodesics between the nearest points.
    """
    count = len(outline)
    owner, distance, on = np.full(count, -1, np.intp), np.full(count, np.nan), np.zeros(count, dtype=bool)
    meant = ~np.isnan(credit_m[edges.run_owner])
    runs, run_owner = edges.runs[meant], edges.run_owner[meant]
    if not len(runs):
        return Nearest(owner, distance, on)
    tree = shapely.STRtree(runs)
    for first in range(0, count, _CHUNK):
        piece = slice(first, first + _CHUNK)
        run, core = _find_binding(outline[piece], tree, runs, credit_m[run_owner])
        owner[piece] = run_owner[run]
        distance[piece] = _measure(outline[piece], runs[run], core, part)
    inside, area = _find_inside(outline, edges, credit_m)
    _take_areas(owner, distance, on, inside, edges.area_owner[area], credit_m)
    return Nearest(owner, distance, on | (distance <= 0))


def _take_areas(
    owner: IntArray,
    distance: FloatArray,
    on: NDArray[np.bool_],
    inside: IntArray,
    area_owner: IntArray,
    credit: FloatArray,
) -> None:
    """Put outlines that lie wholly inside an areal feature at distance 0 of it, where that binds them more."""
    better = -credit[area_owner] < distance[inside] - credit[owner[inside]]
    owner[inside[better]] = area_owner[better]
    distance[inside[better]] = 0.0
    on[inside] = True


def _find_binding(
    outline: GeometryArray, tree: shapely.STRtree, runs: GeometryArray, credit: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return the run with the least distance less credit for each outline, and its distance in the projection."""
    pair, core = tree.query_nearest(outline, return_distance=True, all_matches=False)
    run = pair[1].astype(np.intp)
    most = float(credit.max())
    if most == float(credit.min()):
        return run, core
    bound = np.maximum(core - credit[run] + most, 0.0) * (1 + 1e-12) + 1e-9
    item, other = tree.query(outline, predicate="dwithin", distance=bound)
    gap = shapely.distance(outline[item], runs[other])
    order = np.lexsort((other, gap - credit[other], item))
    _, first = np.unique(item[order], return_index=True)
    best = order[first]
    return other[best].astype(np.intp), gap[best]


def _measure(outline: GeometryArray, runs: GeometryArray, core: FloatArray, part: Part) -> FloatArray:
    """Return the geodesic between the nearest points of pairs [m]; 0 where they touch."""
    apart = core > 0
    distance = np.zeros(len(outline))
    ends = shapely.get_coordinates(shapely.shortest_line(outline[apart], runs[apart])).reshape(-1, 2, 2)
    if len(ends):
        start = np.column_stack(part.to_degrees.transform(ends[:, 0, 0], ends[:, 0, 1]))
        end = np.column_stack(part.to_degrees.transform(ends[:, 1, 0], ends[:, 1, 1]))
        distance[apart] = find_geodesic_m(start, end)
    return distance


def _find_inside(outline: GeometryArray, edges: LocalEdges, credit: FloatArray) -> tuple[IntArray, IntArray]:
    """Return pairs of outline and areal feature where a first vertex of the outline's pieces lies in it."""
    meant = np.flatnonzero(~np.isnan(credit[edges.area_owner]))
    if not len(meant):
        return np.empty(0, np.intp), np.empty(0, np.intp)
    pieces, item = shapely.get_parts(outline, return_index=True)
    xy, piece = shapely.get_coordinates(pieces, return_index=True)
    _, first = np.unique(piece, return_index=True)
    tree = shapely.STRtree(shapely.points(xy[first]))
    area, place = tree.query(edges.areas[meant], predicate="intersects")
    return item[piece[first]][place].astype(np.intp), meant[area]


def find_common_area(first: GeometryArray, second: GeometryArray) -> FloatArray:
    """Return the area that pairs of outlines have in common, in the squared unit of their CRS, shape (n,)."""
    common = shapely.intersection(first, second)
    return np.asarray(shapely.area(common), dtype=np.float64)
