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
    """What a search found: the run of each outline (-1: none), its gap, and pairs of outline and area that it is in."""

    run: IntArray
    gap: FloatArray
    inside: IntArray
    area_owner: IntArray


class Search:
    """Outlines and features in the projection of a part, to be searched under several rules.

    The distance between an outline and a run is taken once, whatever rule asks for it.

    Parameters
    ----------
    outline
        Outlines in the projection that are not empty, shape (n,).
    edges
        Features in the same projection.
    part
        For the way back to degrees.
    """

    def __init__(self, outline: GeometryArray, edges: LocalEdges, part: Part) -> None:
        self._outline, self._edges, self._part = outline, edges, part
        self._box = shapely.bounds(outline).reshape(-1, 4)
        self._run_box = shapely.bounds(edges.runs).reshape(-1, 4)
        # pairs of outline and run, sorted: their gap in the projection, and the geodesic where it was asked for
        self._key, self._gap, self._way_m = np.empty(0, np.intp), np.empty(0), np.empty(0)

    def nearest(self, credit_m: FloatArray) -> Nearest:
        """Return the feature that binds each outline: the one with the least distance less its credit.

        Parameters
        ----------
        credit_m
            For each feature of the layer its half width and the distance that it asks for; nan for features that are
            not meant, shape (f,).
        """
        return self.measure(self.find(credit_m), credit_m)

    def find(self, credit_m: FloatArray) -> Found:
        """Find the run that binds each outline, without leaving the projection, so that threads can share the work."""
        credit = credit_m[self._edges.run_owner]
        if np.isnan(credit).all():
            none, nobody = np.full(len(self._outline), -1, np.intp), np.empty(0, np.intp)
            return Found(none, np.full(len(none), np.nan), nobody, nobody)
        run, gap = self._find_binding(credit)
        item, area = self._inside
        meant = ~np.isnan(credit_m[self._edges.area_owner[area]])
        return Found(run, gap, item[meant], self._edges.area_owner[area[meant]])

    def measure(self, found: Found, credit_m: FloatArray) -> Nearest:
        """Return the geodesics between the nearest points of what `find` found."""
        owner = (
            np.where(found.run < 0, -1, self._edges.run_owner[found.run]) if len(self._run_box) else found.run.copy()
        )
        distance = np.where(found.run < 0, np.nan, 0.0)
        apart = np.flatnonzero(found.gap > 0)
        if len(apart):
            place = np.searchsorted(self._key, apart * len(self._run_box) + found.run[apart])
            new = np.flatnonzero(np.isnan(self._way_m[place]))
            lines = shapely.shortest_line(self._outline[apart[new]], self._edges.runs[found.run[apart[new]]])
            ends = shapely.get_coordinates(lines)
            degrees = np.column_stack(self._part.to_degrees.transform(ends[:, 0], ends[:, 1]))
            self._way_m[place[new]] = find_geodesic_m(degrees[::2], degrees[1::2])
            distance[apart] = self._way_m[place]
        on = np.zeros(len(owner), dtype=bool)
        _take_areas(owner, distance, on, found.inside, found.area_owner, credit_m)
        return Nearest(owner, distance, on | (distance <= 0))

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
        key = np.concatenate([self._key, key])
        order = np.argsort(key, kind="stable")
        self._key, self._gap = key[order], np.concatenate([self._gap, gap])[order]
        self._way_m = np.concatenate([self._way_m, np.full(len(gap), np.nan)])[order]

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
        some = Search(outline, near, part).nearest(credit_m)
        if find_unsure(some, near, credit_m).any():
            every = move_edges(edges, part, ~np.isnan(credit_m))
            some = Search(outline, every, part).nearest(credit_m)
        found.put(part.members, some)
    return found
