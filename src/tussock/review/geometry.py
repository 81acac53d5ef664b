"""In: outlines in any CRS. Out: areas on the ellipsoid, and exact nearest points in local projections of our own.

This is the reviewer's own arithmetic; it shares no line with the one that made the plan. Areas: geodesic polygons on
WGS 84 (Karney 2013, doi 10.1007/s00190-012-0578-z). Nearest points: found between exact segments in an azimuthal
equidistant projection centred on a part of the site at most some 25 km wide, where lengths are true to 2e-6; the
distance itself is the geodesic between the two points.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.validity import make_valid

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: Edge of the cubes that sort places into parts of a site, on the unit sphere (0.003 is 19 km).
_CUBE: Final = 0.003
_RUN_SEGMENTS: Final = 16
#: Features within this of a part are moved into its projection at once; further ones when nothing nearer is found.
_NEAR_M: Final = 12_000.0
RADIUS_M: Final = 6_371_000.0
_TURN: Final = 360.0
#: What several parts of one dimension make.
_JOIN: Final = (shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)
_HALF_TURN: Final = 180.0
_WHOLE_DEG: Final = 1e-6
#: Types in GEOS; from the second on they hold others.
_POLYGON: Final = 3
_FIRST_MULTI: Final = 4


def list_simple(shapes: GeometryArray) -> tuple[GeometryArray, IntArray]:
    """Return points, lines and polygons of shapes, out of collections in collections too, and the place of each."""
    simple, place = shapes, np.arange(len(shapes))
    while (shapely.get_type_id(simple) >= _FIRST_MULTI).any():
        simple, inner = shapely.get_parts(simple, return_index=True)
        place = place[inner]
    return simple, place.astype(np.intp)


def fill(outlines: GeometryArray) -> GeometryArray:
    """Return outlines with an empty polygon where there is none."""
    filled = outlines.copy()
    filled[shapely.is_missing(outlines)] = shapely.Polygon()
    return filled


def rebuild(outlines: GeometryArray) -> GeometryArray:
    """Return outlines with those that cross themselves rebuilt from their structure, both lobes kept."""
    broken = ~shapely.is_valid(outlines)
    if not broken.any():
        return outlines
    rebuilt = outlines.copy()
    rebuilt[broken] = make_valid(outlines[broken])
    return rebuilt


def move_to_degrees(geometry: GeometryArray, crs: CRS) -> GeometryArray:
    """Return geometries in longitude and latitude on WGS 84 [degrees], without heights."""
    from pyproj import Transformer

    transformer = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    flat = np.asarray(geometry, dtype=object)
    return move_outlines(shapely.force_2d(flat) if shapely.has_z(flat).any() else flat, transformer)


def move_outlines(geometry: GeometryArray, transformer: Transformer) -> GeometryArray:
    """Return geometries with every vertex moved, none added."""

    def move(coordinates: FloatArray) -> FloatArray:
        return np.column_stack(transformer.transform(coordinates[:, 0], coordinates[:, 1]))

    moved: GeometryArray = shapely.transform(geometry, move)
    return moved


def find_middle_lon(degrees: GeometryArray) -> float:
    """Return the longitude in the middle of all vertices, right across 180 degrees too."""
    lon = np.radians(shapely.get_coordinates(degrees)[:, 0])
    return float(np.degrees(np.arctan2(np.sin(lon).sum(), np.cos(lon).sum()))) if len(lon) else 0.0


def settle(degrees: GeometryArray, middle_lon: float) -> GeometryArray:
    """Return shapes in degrees each in one piece, on the turn of the globe nearest to a longitude."""
    box = shapely.bounds(degrees)
    if not ((np.abs(box[:, [0, 2]] - middle_lon) > _HALF_TURN).any()):
        return degrees
    settled = degrees.copy()
    for place in np.flatnonzero((np.abs(box[:, [0, 2]] - middle_lon) > _HALF_TURN).any(axis=1)).tolist():
        parts = [_settle_part(part, middle_lon) for part in list_simple(degrees[[place]])[0]]
        single = not degrees[place].geom_type.startswith(("Multi", "Geometry"))
        settled[place] = parts[0] if single else _JOIN[int(shapely.get_dimensions(parts[0]))](parts)
    return settled


def _settle_part(part: Any, middle_lon: float) -> Any:
    if part.geom_type == "Polygon":
        rings = [_unroll(shapely.get_coordinates(ring)) for ring in shapely.get_rings(part)]
        aim = rings[0][:, 0].mean()
        for ring in rings:
            ring[:, 0] += _TURN * np.round((aim - ring[:, 0].mean()) / _TURN)
        whole = shapely.Polygon(rings[0], rings[1:])
    else:
        whole = shapely.transform(part, _unroll)
    west, _, east, _ = whole.bounds
    turns = _TURN * np.round((middle_lon - (west + east) / 2) / _TURN)
    return shapely.transform(whole, lambda xy: xy + np.array([turns, 0.0]))


def _unroll(xy: FloatArray) -> FloatArray:
    """Return vertices with every step the short way round, unless that leaves a ring open; a whole turn is meant so."""
    step = np.diff(xy[:, 0])
    over = (np.abs(step) > _HALF_TURN) & (np.abs(step) < _TURN - _WHOLE_DEG)
    if not over.any():
        return xy.copy()
    lon = xy[0, 0] + np.r_[0.0, np.cumsum(np.where(over, step - _TURN * np.round(step / _TURN), step))]
    if (xy[0] == xy[-1]).all():
        if abs(lon[-1] - lon[0]) > _WHOLE_DEG:
            return xy.copy()
        lon[-1] = lon[0]
    return np.column_stack([lon, xy[:, 1]])


def find_geodesic_area_m2(degrees: GeometryArray) -> FloatArray:
    """Return the area of polygons on the ellipsoid [m2], shape (n,); missing outlines have none."""
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    parts, owner = shapely.get_parts(degrees, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    xy = shapely.get_coordinates(rings)
    ends = np.r_[0, np.cumsum(shapely.get_num_coordinates(rings))]
    # one call for each ring: the geodesic library takes one at a time
    size = np.array(
        [abs(geod.polygon_area_perimeter(xy[start:stop, 0], xy[start:stop, 1])[0]) for start, stop in pairwise(ends)]
    )
    hole = np.r_[False, part[1:] == part[:-1]] if len(part) else np.zeros(0, dtype=bool)
    return np.bincount(owner[part], np.where(hole, -size, size), minlength=len(degrees)).astype(np.float64)


def find_geodesic_m(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return geodesic distances between points [degrees], shape (n, 2) each [m]."""
    from pyproj import Geod

    if not len(start):
        return np.empty(0)
    ends = (*start.T, *end.T)
    if len(start) == 1:  # pyproj takes an array of one for a number
        ends = tuple(item.tolist() for item in ends)
    return np.asarray(Geod(ellps="WGS84").inv(*ends)[2], dtype=np.float64)


@dataclass(frozen=True)
class Part:
    """A part of the site and its own projection; its middle on the unit sphere, and how far its members lie from it."""

    members: IntArray
    to_local: Transformer
    to_degrees: Transformer
    middle: FloatArray
    radius_m: float


def find_unit_vectors(lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Return places on the unit sphere, shape (n, 3), of longitudes and latitudes [degrees]."""
    lam, phi = np.radians(lon), np.radians(lat)
    return np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])


def split_site(lon: FloatArray, lat: FloatArray) -> list[Part]:
    """Sort places into parts of a site, each with an azimuthal equidistant projection around its middle.

    Works across the antimeridian and at the poles, since places are sorted on the sphere and not by degrees.
    """
    sphere = find_unit_vectors(lon, lat)
    cube = np.floor(sphere / _CUBE).astype(np.int64)
    _, label = np.unique(cube, axis=0, return_inverse=True)
    order = np.argsort(np.asarray(label).ravel(), kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(np.asarray(label).ravel()[order])) + 1) if len(order) else []
    return [make_part(members, sphere[members]) for members in groups]


def make_part(members: IntArray, sphere: FloatArray) -> Part:
    """Return a part around some places on the unit sphere, shape (n, 3), with its own projection."""
    from pyproj import Transformer

    middle = sphere.mean(axis=0)
    middle /= np.linalg.norm(middle)
    lon, lat = np.degrees(np.arctan2(middle[1], middle[0])), np.degrees(np.arcsin(middle[2]))
    turn = "+step +proj=unitconvert"
    local = f"+proj=aeqd +lat_0={lat:.9f} +lon_0={lon:.9f} +ellps=WGS84 +units=m"
    to_local = Transformer.from_pipeline(f"+proj=pipeline {turn} +xy_in=deg +xy_out=rad +step {local}")
    to_degrees = Transformer.from_pipeline(f"+proj=pipeline +step +inv {local} {turn} +xy_in=rad +xy_out=deg")
    radius_m = float(np.linalg.norm(sphere - middle, axis=1).max()) * RADIUS_M
    return Part(members, to_local, to_degrees, middle, radius_m)


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
    run_place, area_place
        Middle of each run and polygon on the unit sphere and its radius there, shape (r, 4) and (a, 4).
    """

    xy: FloatArray
    vertex: IntArray
    vertex_run: IntArray
    run_owner: IntArray
    areas: GeometryArray
    area_owner: IntArray
    run_place: FloatArray
    area_place: FloatArray


def cut_edges(degrees: GeometryArray) -> Edges:
    """Cut the outlines of features into runs of at most 16 segments, so that an index finds them quickly."""
    parts, owner = list_simple(degrees)
    kind = shapely.get_type_id(parts)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    single = (kind != _POLYGON) & ~shapely.is_empty(parts)
    lines = np.concatenate([rings, parts[single]])
    line_owner = np.concatenate([owner[ring_part], owner[single]])
    xy = shapely.get_coordinates(lines)
    size = shapely.get_num_coordinates(lines)
    first = (np.cumsum(size) - size).astype(np.intp)
    count = np.maximum(-(-(size - 1) // _RUN_SEGMENTS), 1)
    line = np.repeat(np.arange(len(lines)), count)
    start = first[line] + _count_up(count) * _RUN_SEGMENTS
    length = np.minimum(start + _RUN_SEGMENTS, first[line] + size[line] - 1) - start + 1
    run = np.repeat(np.arange(len(line)), length)
    vertex = start[run] + _count_up(length)
    areal = (kind == _POLYGON) & ~shapely.is_empty(parts)
    corner, area = shapely.get_coordinates(parts[areal], return_index=True)
    return Edges(
        xy=xy,
        vertex=vertex,
        vertex_run=run,
        run_owner=line_owner[line].astype(np.intp),
        areas=parts[areal],
        area_owner=owner[areal].astype(np.intp),
        run_place=_find_caps(xy[vertex], run, len(line)),
        area_place=_find_caps(corner, area, int(areal.sum())),
    )


def _count_up(count: IntArray) -> IntArray:
    """Return 0, 1, ... for each run of the given lengths, one after the other."""
    first = np.cumsum(count) - count
    return np.asarray(np.arange(int(count.sum())) - np.repeat(first, count), dtype=np.intp)


def _find_caps(xy: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Return middle and radius on the unit sphere of groups of vertices, shape (count, 4)."""
    sphere = find_unit_vectors(xy[:, 0], xy[:, 1])
    number = np.maximum(np.bincount(group, minlength=count), 1)
    middle = np.column_stack([np.bincount(group, sphere[:, axis], minlength=count) / number for axis in range(3)])
    radius = np.zeros(count)
    np.maximum.at(radius, group, np.linalg.norm(sphere - middle[group], axis=1))
    return np.column_stack([middle, radius])


@dataclass(frozen=True)
class LocalEdges:
    """`Edges` in the projection of one part: all that lie within ``complete_m`` of its members, and maybe others."""

    runs: GeometryArray
    run_owner: IntArray
    areas: GeometryArray
    area_owner: IntArray
    complete_m: float


def move_edges(edges: Edges, part: Part, owners: NDArray[np.bool_] | None = None) -> LocalEdges:
    """Return edges in the projection of a part [m].

    Parameters
    ----------
    edges
        All edges of a layer.
    part
        The part of the site.
    owners
        Take all edges of these features, wherever they lie; by default those of any feature near the part.
    """
    if owners is None:
        near = [
            np.linalg.norm(place[:, :3] - part.middle, axis=1) - place[:, 3] <= (part.radius_m + _NEAR_M) / RADIUS_M
            for place in (edges.run_place, edges.area_place)
        ]
        complete_m = np.inf if near[0].all() and near[1].all() else 0.9 * _NEAR_M  # the sphere is no ellipsoid
    else:
        near, complete_m = [owners[edges.run_owner], owners[edges.area_owner]], np.inf
    run, area = near
    runs = _build_runs(edges, run, part)
    areas = move_outlines(edges.areas[area], part.to_local)
    return LocalEdges(runs, edges.run_owner[run], areas, edges.area_owner[area], complete_m)


def _build_runs(edges: Edges, chosen: NDArray[np.bool_], part: Part) -> GeometryArray:
    """Return the chosen runs as lines and points in the projection of a part."""
    kept = chosen[edges.vertex_run]
    vertex, run = edges.vertex[kept], (np.cumsum(chosen) - 1)[edges.vertex_run[kept]]
    runs = np.empty(int(chosen.sum()), dtype=object)
    if not len(vertex):
        return runs
    xy = np.column_stack(part.to_local.transform(edges.xy[vertex, 0], edges.xy[vertex, 1]))
    lone = np.bincount(run, minlength=len(runs)) == 1
    in_line = ~lone[run]
    if in_line.any():
        runs[~lone] = shapely.linestrings(xy[in_line], indices=(np.cumsum(~lone) - 1)[run[in_line]])
    runs[lone] = shapely.points(xy[~in_line])
    return runs
