"""In: outlines and the edges of features in one projection. Out: which feature binds each outline, and how far it is.

Lengths are compared between exact segments in the projection of a part; the distance itself is the geodesic between the
two nearest points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.review.geometry import Edges, LocalEdges, Part, find_geodesic_m, move_edges, move_outlines, split_site

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]


@dataclass(frozen=True)
class Nearest:
    """For each outline: row of the feature (-1: none), distance from its line or outline [m], standing on it or not."""

    owner: IntArray
    distance_m: FloatArray
    on: NDArray[np.bool_]

    def put(self, rows: IntArray, some: Nearest, chosen: BoolArray | slice = slice(None)) -> None:
        """Fill rows with the chosen ones of another result."""
        self.owner[rows], self.distance_m[rows] = some.owner[chosen], some.distance_m[chosen]
        self.on[rows] = some.on[chosen]


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


class Search:
    """Outlines and features in one projection, to be searched under several rules.

    The distance between an outline and a run is taken once, whatever rule asks for it. Nothing here leaves the
    projection, so that several threads can search at once, each in another place.

    Parameters
    ----------
    outline
        Outlines in the projection of a part that are not empty, shape (n,).
    edges
        Features in the same projection.
    """

    def __init__(self, outline: GeometryArray, edges: LocalEdges) -> None:
        self._outline, self._edges = outline, edges
        self._box = shapely.bounds(outline).reshape(-1, 4)
        self._run_box = shapely.bounds(edges.runs).reshape(-1, 4)
        self._key, self._gap = np.empty(0, np.intp), np.empty(0)

    def find(self, credit_m: FloatArray) -> Found:
        """Find the feature that binds each outline: the one with the least distance less its credit.

        Parameters
        ----------
        credit_m
            For each feature of the layer its half width and the distance that it asks for; nan for features that are
            not meant, shape (f,).
        """
        outline, edges = self._outline, self._edges
        credit = credit_m[edges.run_owner]
        if np.isnan(credit).all():
            none, nobody = np.full(len(outline), -1, np.intp), np.empty(0, np.intp)
            return Found(none, np.zeros(len(outline), dtype=bool), np.empty((0, 2, 2)), nobody, nobody)
        run, core = self._find_binding(credit)
        apart = core > 0
        lines = shapely.shortest_line(outline[apart], edges.runs[run[apart]])
        item, area = self._inside
        meant = ~np.isnan(credit_m[edges.area_owner[area]])
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        return Found(edges.run_owner[run], apart, ends, item[meant], edges.area_owner[area[meant]])

    def _find_binding(self, credit: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the run with the least distance less credit for each outline, and its distance in the projection.

        A run at hand bounds the least one from above; of the others only those count whose box is nearer than that.
        """
        meant = np.flatnonzero(~np.isnan(credit))
        tree, most = shapely.STRtree(self._edges.runs[meant]), float(credit[meant].max())
        best, _ = self._pick(credit)
        blank = np.flatnonzero(best < 0)
        if len(blank):
            west, south, east, north = self._box[blank].T
            middle = shapely.points((west + east) / 2, (south + north) / 2)
            self._measure(blank, meant[tree.query_nearest(middle, all_matches=False)[1]])
        best, gap = self._pick(credit)
        margin = gap - credit[best]
        loose = np.flatnonzero(margin + most > 0)
        reach = (margin[loose] + most) * (1 + 1e-12) + 1e-9
        west, south, east, north = self._box[loose].T
        place, other = tree.query(shapely.box(west - reach, south - reach, east + reach, north + reach))
        item, run = loose[place], meant[other]
        near = _find_box_gap(self._box[item], self._run_box[run]) - credit[run] < margin[item]
        self._measure(item[near], run[near])
        return self._pick(credit)

    def _measure(self, item: IntArray, run: IntArray) -> None:
        """Take the distances of some pairs of outline and run that were not taken yet."""
        key = item * len(self._run_box) + run
        if len(self._key):
            place = np.minimum(np.searchsorted(self._key, key), len(self._key) - 1)
            new = self._key[place] != key
            item, run, key = item[new], run[new], key[new]
        gap = shapely.distance(self._outline[item], self._edges.runs[run])
        key, gap = np.concatenate([self._key, key]), np.concatenate([self._gap, gap])
        order = np.argsort(key, kind="stable")
        self._key, self._gap = key[order], gap[order]

    def _pick(self, credit: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the run that binds each outline among those measured, and its distance; -1 where there is none."""
        best, gap = np.full(len(self._outline), -1, np.intp), np.full(len(self._outline), np.nan)
        if len(self._key):
            item, run = np.divmod(self._key, len(self._run_box))
            margin = self._gap - credit[run]
            meant = np.flatnonzero(~np.isnan(margin))
            item, run, margin = item[meant], run[meant], margin[meant]
            first = np.flatnonzero(np.r_[True, item[1:] != item[:-1]]) if len(item) else np.empty(0, np.intp)
            least = np.repeat(np.minimum.reduceat(margin, first), np.diff(np.r_[first, len(item)])) if len(item) else ()
            binds = np.flatnonzero(margin == least)[::-1]  # the first of several that bind alike is written last
            best[item[binds]], gap[item[binds]] = run[binds], self._gap[meant[binds]]
        return best, gap

    @cached_property
    def _inside(self) -> tuple[IntArray, IntArray]:
        """Pairs of outline and areal feature where a first vertex of the outline's pieces lies in it."""
        if not len(self._edges.areas):
            return np.empty(0, np.intp), np.empty(0, np.intp)
        pieces, item = shapely.get_parts(self._outline, return_index=True)
        xy, piece = shapely.get_coordinates(pieces, return_index=True)
        _, first = np.unique(piece, return_index=True)
        tree = shapely.STRtree(shapely.points(xy[first]))
        area, place = tree.query(self._edges.areas, predicate="intersects")
        return item[piece[first]][place].astype(np.intp), area.astype(np.intp)


def _find_box_gap(one: FloatArray, two: FloatArray) -> FloatArray:
    """Return the distance between boxes, shape (n, 4) each."""
    gap = np.maximum(np.maximum(one[:, :2] - two[:, 2:], two[:, :2] - one[:, 2:]), 0.0)
    distance: FloatArray = np.hypot(gap[:, 0], gap[:, 1])
    return distance


def search_nearest(outline: GeometryArray, edges: LocalEdges, credit_m: FloatArray) -> Found:
    """Find the feature that binds each outline, once; see `Search.find`."""
    return Search(outline, edges).find(credit_m)


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
        found.put(part.members, some)
    return found
