"""In: the layer of setback zones, features, patches. Out: findings where an outline is not at the distance of its rule.

Zones are checked by sampling: points of their outlines stand at the distance that the rule asks for, errors counted;
ground that is nearer lies inside, and ground that is further off lies outside.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.text import show_length
from tussock.review.evidence import Evidence
from tussock.review.geometry import LocalEdges, Part, fill, find_unit_vectors, move_to_degrees, settle
from tussock.review.measured import Measured
from tussock.review.nearest import Search
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.setbacks import find_over_m

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Points of each kind that are looked at for each zone.
_POINTS: Final = 400
#: Zones are drawn whole within 150 m of a patch; a little less is looked at [degrees of latitude, or less than that].
_NEAR_DEG: Final = 140.0 / 111_700.0
#: Parts of a wide site that are looked at.
_PARTS: Final = 6
#: Rings of less ground than a hundredth of a square metre are seams between parts of a drawing [degrees squared].
_SEAM_DEG2: Final = 1e-12
#: Rounding of coordinates and projections [m], and the scale that the working CRS may be off by.
_ROUNDING_M: Final = 5e-3
_SCALE: Final = 2e-4


def check_zones(evidence: Evidence) -> list[Row]:
    """Check the outline of each setback's zone against the features that it runs from."""
    frame = evidence.delivered.layers["setback_zones"]
    names = frame["setback_id"].astype(str).to_numpy(dtype=object)
    drawn = fill(evidence.outlines("setback_zones"))
    outlines = settle(move_to_degrees(drawn, frame.crs), evidence.middle_lon)
    shown = evidence.table("setback_zones")
    not_drawn = dict(zip(shown["setback_id"].astype(str), shown["not_drawn"].astype(str), strict=True))
    ground, patches = _sample_ground(evidence)
    tree = shapely.STRtree(patches)
    rows: list[Row] = []
    count = 0
    for item in evidence.measured:
        chosen = (names == item.setback.id) & ~shapely.is_empty(outlines)
        own = outlines[chosen]
        if item.anywhere:
            rows += _check_everywhere(item, own, ground)
            continue
        if not item.meant:
            if len(own):
                rows.append(violation(_name(item), "an outline", "none: no mapped feature is meant"))
            continue
        rim = _sample_rim(tree, own, drawn[chosen], frame.crs)
        found = _check_rim(evidence, item, rim) + _check_ground(evidence, item, own, ground)
        left_out = not_drawn.get(item.setback.id, "")
        rows += (
            [replace(row, level="warning", note=f"not drawn around {left_out}") for row in found] if left_out else found
        )
        count += len(rim) + len(ground)
    return [*rows, info("plan.gpkg", f"{len(evidence.measured)} zones at {count} points")]


def _name(item: Measured) -> str:
    return f"setback_zones, {item.setback.id}"


def _pick(points: FloatArray, most: int = _POINTS) -> FloatArray:
    """Return at most so many points, evenly spread over the list."""
    if len(points) <= most:
        return points
    return points[np.linspace(0, len(points) - 1, most).astype(np.intp)]


def _choose_parts(evidence: Evidence) -> list[int]:
    """Return the places of the parts of the site that are looked at: all, or some that lie evenly among them."""
    last = len(evidence.parts) - 1
    return [int(place) for place in np.unique(np.linspace(0, last, _PARTS).astype(int))] if last >= 0 else []


def _sample_ground(evidence: Evidence) -> tuple[FloatArray, NDArray[Any]]:
    """Return points inside units and corners of patches [degrees], and the patches."""
    chosen = [evidence.parts[place].members for place in _choose_parts(evidence)]
    own = np.concatenate(chosen) if chosen else np.empty(0, np.intp)
    units = evidence.unit_degrees[own]
    inner = shapely.get_coordinates(shapely.point_on_surface(units[_spread(len(units))]))
    place = np.unique(evidence.unit_patch[own])
    patches = evidence.patch_degrees[place[place >= 0]]
    patches = patches[~shapely.is_empty(patches)]
    corners = shapely.get_coordinates(patches[_spread(len(patches))])
    return np.concatenate([inner, _pick(corners)]), patches


def _spread(count: int) -> IntArray:
    if count <= _POINTS:
        return np.arange(count)
    return np.linspace(0, count - 1, _POINTS).astype(np.intp)


def _sample_rim(tree: shapely.STRtree, outlines: NDArray[Any], drawn: NDArray[Any], crs: CRS) -> FloatArray:
    """Return corners and middles of a zone's outline near a patch [degrees]: further off it is not drawn whole.

    Edges are straight in the CRS that they are drawn in, so that is where the middles are.
    """
    near = np.unique(tree.query(outlines, predicate="dwithin", distance=_NEAR_DEG)[0])
    if not len(near):
        return np.empty((0, 2))
    rings = shapely.get_rings(shapely.get_parts(outlines[near]))
    kept = shapely.area(shapely.polygons(rings)) > _SEAM_DEG2
    xy, ring = shapely.get_coordinates(rings[kept], return_index=True)
    plane = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(drawn[near]))[kept])
    middle = ((plane[:-1] + plane[1:]) / 2)[ring[1:] == ring[:-1]]
    points = np.concatenate([xy, shapely.get_coordinates(move_to_degrees(shapely.points(middle), crs))])
    near, _ = tree.query(shapely.points(points), predicate="dwithin", distance=_NEAR_DEG)
    return _pick(points[np.unique(near)])


def _check_everywhere(item: Measured, outlines: NDArray[Any], ground: FloatArray) -> list[Row]:
    """Check that the zone of a rule for the whole site covers all ground."""
    inside = _lie_in(outlines, ground)
    if inside.all():
        return []
    found = f"{int((~inside).sum())} of {len(ground)} points of the patches are outside"
    return [violation(_name(item), found, "all inside: it holds anywhere")]


def _lie_in(outlines: NDArray[Any], points: FloatArray) -> BoolArray:
    """Tell which points lie in any of some outlines, on whichever turn of the globe these are drawn."""
    inside = np.zeros(len(points), dtype=bool)
    tree = shapely.STRtree(outlines)
    for turn in (0.0, -360.0, 360.0) if len(outlines) else ():
        inside[tree.query(shapely.points(points[:, 0] + turn, points[:, 1]), predicate="intersects")[0]] = True
    return inside


def _check_rim(evidence: Evidence, item: Measured, points: FloatArray) -> list[Row]:
    """Check that the outline stands at the distance, on the outer side of the curve."""
    margin, reach, half = _measure(evidence, item, points)
    low = -_ROUNDING_M - _SCALE * reach
    high = find_over_m(reach - half, half) + _ROUNDING_M
    bad = (margin < low) | (margin > high)
    if not bad.any():
        return []
    off = np.where(margin < low, -margin, margin)
    worst = int(np.argmax(np.where(bad, off, -np.inf)))
    side = "nearer to" if margin[worst] < 0 else "further from"
    found = (
        f"{int(bad.sum())} of {len(points)} points of the outline are off, one is {abs(margin[worst]):.3f} m {side} "
    )
    expected = f"{_describe(evidence, item)} from the features of the rule"
    return [violation(_name(item), f"{found}them than the rule", expected, item.setback.source)]


def _check_ground(evidence: Evidence, item: Measured, outlines: NDArray[Any], ground: FloatArray) -> list[Row]:
    """Check that ground that is nearer lies in the zone, and ground that is further off does not."""
    margin, reach, half = _measure(evidence, item, ground)
    inside = _lie_in(outlines, ground)
    bare = ~inside & (margin < -_ROUNDING_M - _SCALE * reach)
    far = inside & (margin > find_over_m(reach - half, half) + _ROUNDING_M)
    rows = []
    for bad, found, expected in ((bare, "not in the zone", "in it"), (far, "in the zone", "outside it")):
        rows += pick_rows(
            bad,
            lambda k, found=found, expected=expected: violation(  # type: ignore[misc]
                f"{_name(item)}, {ground[k, 1]:.6f} {ground[k, 0]:.6f}", found, expected, _describe(evidence, item)
            ),
            np.abs(margin),
        )[:1]
    return rows


def _describe(evidence: Evidence, item: Measured) -> str:
    error = show_length(item.error_m, evidence.system)
    distance = item.setback.distance_m
    if distance is None:
        return f"the distance of each feature and {error} of mapping error"
    return f"{show_length(distance, evidence.system)} and {error} of mapping error"


def _measure(evidence: Evidence, item: Measured, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how far points stand beyond the distance and the error of a rule [m].

    Returns
    -------
    margin, reach, half
        The margin, below 0 inside; half width, distance and error; half the width: of the feature that is nearest to
        each point, shape (n,) each. Points on a feature stand by all of it inside.
    """
    wanted = item.setback.source_filter
    margin, reach, half = np.full(len(points), np.nan), np.zeros(len(points)), np.zeros(len(points))
    if wanted is None:
        return margin, reach, half
    width = evidence.half_width_m(wanted.layer)
    credit = width + evidence.required_m(item.setback, wanted.layer)
    credit = np.where(evidence.find_meant(wanted), credit, np.nan)
    for part, edges, own in _sort(evidence, wanted.layer, points):
        local = np.column_stack(part.to_local.transform(points[own, 0], points[own, 1]))
        near = Search(shapely.points(local), edges, part).nearest(credit)
        lacks = near.owner < 0
        asked = np.where(lacks, 0.0, credit[near.owner]) + item.error_m
        distance = np.where(near.on, -_find_depth_m(local, edges, credit, near.on), near.distance_m)
        margin[own] = np.where(lacks, np.inf, distance - asked)
        reach[own] = asked
        half[own] = np.where(lacks, 0.0, width[near.owner])
    return margin, reach, half


def _find_depth_m(local: FloatArray, edges: LocalEdges, credit: FloatArray, on: BoolArray) -> FloatArray:
    """Return how far points that lie on a feature stand from the nearest outline [m]; 0 for the others."""
    depth = np.zeros(len(local))
    runs = edges.runs[~np.isnan(credit[edges.run_owner])]
    if on.any() and len(runs):
        pair, distance = shapely.STRtree(runs).query_nearest(
            shapely.points(local[on]), return_distance=True, all_matches=False
        )
        depth[np.flatnonzero(on)[pair[0]]] = distance
    return depth


def _sort(evidence: Evidence, layer: str, points: FloatArray) -> list[tuple[Part, LocalEdges, IntArray]]:
    """Return parts of the site with the edges around them, and which points are nearest to each."""
    parts = evidence.local_parts
    known = [(part, edges[layer]) for part, edges in (parts[k] for k in _choose_parts(evidence)) if layer in edges]
    if not known or not len(points):
        return []
    middle = np.array([part.middle for part, _ in known])
    sphere = find_unit_vectors(points[:, 0], points[:, 1])
    nearest = np.argmax(sphere @ middle.T, axis=1)
    return [(*known[place], np.flatnonzero(nearest == place)) for place in np.unique(nearest).tolist()]
