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
_POLYGON: Final = 3


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
    rebuilt[broken] = shapely.make_valid(outlines[broken], method="structure", keep_collapsed=False)
    return rebuilt


def move_to_degrees(geometry: GeometryArray, crs: CRS) -> GeometryArray:
    """Return geometries in longitude and latitude on WGS 84 [degrees], without heights."""
    from pyproj import Transformer

    transformer = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    return move_outlines(shapely.force_2d(np.asarray(geometry, dtype=object)), transformer)


def move_outlines(geometry: GeometryArray, transformer: Transformer) -> GeometryArray:
    """Return geometries with every vertex moved, none added."""

    def move(coordinates: FloatArray) -> FloatArray:
        return np.column_stack(transformer.transform(coordinates[:, 0], coordinates[:, 1]))

    moved: GeometryArray = shapely.transform(geometry, move)
    return moved


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
    return np.asarray(Geod(ellps="WGS84").inv(start[:, 0], start[:, 1], end[:, 0], end[:, 1])[2], dtype=np.float64)


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
    local = f"+proj=aeqd +lat_0={lat:.9f} +lon_0={lon:.9f} +datum=WGS84 +units=m +type=crs"
    to_local = Transformer.from_crs("EPSG:4326", local, always_xy=True)
    to_degrees = Transformer.from_crs(local, "EPSG:4326", always_xy=True)
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
    parts, owner = shapely.get_parts(degrees, return_index=True)
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


@dataclass(frozen=True)
class Nearest:
    """For each outline: row of the feature (-1: none), distance from its line or outline [m], standing on it or not."""

    owner: IntArray
    distance_m: FloatArray
    on: NDArray[np.bool_]


def find_unsure(nearest: Nearest, edges: LocalEdges, credit_m: FloatArray) -> NDArray[np.bool_]:
    """Tell for which outlines a feature that was left out, since it lies further off, could bind more."""
    if np.isinf(edges.complete_m) or not np.isfinite(credit_m).any():
        return np.zeros(len(nearest.owner), dtype=bool)
    margin = nearest.distance_m - credit_m[nearest.owner]
    return ~(margin <= edges.complete_m - float(np.nanmax(credit_m))) | (nearest.owner < 0)


@dataclass(frozen=True)
class Found:
    """What a search in a projection found: the feature of each outline, and the ends of the way to it [m]."""

    owner: IntArray
    apart: NDArray[np.bool_]
    ends: FloatArray
    inside: IntArray
    area_owner: IntArray


def search_nearest(outline: GeometryArray, edges: LocalEdges, credit_m: FloatArray) -> Found:
    """Find the feature that binds each outline: the one with the least distance less its credit.

    Nothing here leaves the projection, so that several threads can search at once.

    Parameters
    ----------
    outline
        Outlines in the projection of a part, shape (n,).
    edges
        Features in the same projection.
    credit_m
        For each feature of the layer its half width and the distance that it asks for; nan for features that are not
        meant, shape (f,).
    """
    nobody = np.empty(0, np.intp)
    meant = ~np.isnan(credit_m[edges.run_owner])
    runs, run_owner = edges.runs[meant], edges.run_owner[meant]
    if not len(runs):
        none = np.full(len(outline), -1, np.intp)
        return Found(none, np.zeros(len(outline), dtype=bool), np.empty((0, 2, 2)), nobody, nobody)
    run, core = _find_binding(outline, shapely.STRtree(runs), runs, credit_m[run_owner])
    apart = core > 0
    lines = shapely.shortest_line(outline[apart], runs[run[apart]])
    inside, area = _find_inside(outline, edges, credit_m)
    return Found(
        run_owner[run], apart, shapely.get_coordinates(lines).reshape(-1, 2, 2), inside, edges.area_owner[area]
    )


def measure_nearest(found: Found, credit_m: FloatArray, part: Part) -> Nearest:
    """Return the geodesics between the nearest points that a search found.

    Parameters
    ----------
    found
        What `search_nearest` returned.
    credit_m
        As there.
    part
        For the way back to degrees.
    """
    distance, ends = np.zeros(len(found.owner)), found.ends
    distance[found.owner < 0] = np.nan
    if len(ends):
        start = np.column_stack(part.to_degrees.transform(ends[:, 0, 0], ends[:, 0, 1]))
        end = np.column_stack(part.to_degrees.transform(ends[:, 1, 0], ends[:, 1, 1]))
        distance[found.apart] = find_geodesic_m(start, end)
    owner, on = found.owner.copy(), np.zeros(len(found.owner), dtype=bool)
    _take_areas(owner, distance, on, found.inside, found.area_owner, credit_m)
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


def find_nearest(degrees: GeometryArray, edges: Edges, credit_m: FloatArray) -> Nearest:
    """Return the feature that binds each of a few outlines [degrees], wherever they lie.

    Parameters
    ----------
    degrees
        Outlines that are not empty, shape (n,).
    edges
        Features of a layer.
    credit_m
        Half width and required distance of each feature; nan for features that are not meant.
    """
    points = shapely.get_coordinates(shapely.point_on_surface(degrees))
    found = Nearest(np.full(len(degrees), -1, np.intp), np.full(len(degrees), np.nan), np.zeros(len(degrees), bool))
    for part in split_site(points[:, 0], points[:, 1]):
        near = move_edges(edges, part)
        outline = move_outlines(degrees[part.members], part.to_local)
        some = measure_nearest(search_nearest(outline, near, credit_m), credit_m, part)
        if find_unsure(some, near, credit_m).any():
            every = move_edges(edges, part, ~np.isnan(credit_m))
            some = measure_nearest(search_nearest(outline, every, credit_m), credit_m, part)
        found.owner[part.members], found.distance_m[part.members] = some.owner, some.distance_m
        found.on[part.members] = some.on
    return found
