"""In: pieces of patches as they were cut. Out: the same proven, with their outlines in the layer's CRS.

A piece without a setback must stand off by its full reach, and pieces must keep their ground when their vertices move
to the layer's CRS, where straight edges bend: two that all but coincide can fold over one another. A patch that fails
is given more vertices or cut again on a grid; at last it is kept whole, with every setback that reaches it, and set
aside by name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.zone.cutting import GRIDS_M
from tussock.zone.decide import ZoneSpec
from tussock.zone.grounds import NO_RADIUS_M
from tussock.zone.kernel import Grounds, Pieces, drop_patches, join_pieces, keep_whole, place_pieces, recut_patch
from tussock.zone.nearness import Measures, find_short
from tussock.zone.origin import follow_turns, move_out, move_points_out
from tussock.zone.outlines import clean_coverage, drop_piece_spikes, mend_outlines
from tussock.zone.rules import SLACK_M, BoundRule

if TYPE_CHECKING:
    from pyproj import CRS

    from tussock.zone.units import Part

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]

#: Mending in the layer's CRS may change this share of a patch, or this much ground: a square centimetre.
MENDED_SHARE: Final = 1e-7
MENDED_M2: Final = 1e-4
#: Where that is not held, edges get points until they bend by less than this [m].
_LEAST_BEND_M: Final = 1e-6
_MOST_POINTS: Final = 10_000
_DEGREE_M: Final = 111_320.0


@dataclass(frozen=True)
class Cut:
    """What patches are cut by.

    Attributes
    ----------
    part
        The patches.
    rules, zone_of_rule
        Rules bound to features, and the zone of each; -1 where it holds anywhere.
    zones, grounds, sliver_area_m2
        See `kernel.cut_blocks`.
    """

    part: Part
    rules: list[BoundRule]
    zone_of_rule: IntArray
    zones: Sequence[ZoneSpec]
    grounds: Grounds
    sliver_area_m2: float


@dataclass(frozen=True)
class Settled:
    """Pieces, which rule holds on which, shape (rules, m), their outlines in the layer's CRS, their distances."""

    pieces: Pieces
    in_force: BoolArray
    outlines: GeometryArray
    measures: Measures


def settle(cut: Cut, pieces: Pieces) -> Settled:
    """Prove pieces and move them to the layer's CRS; cut anew what fails, and set aside what fails in every way.

    Parameters
    ----------
    cut
        What the patches were cut by.
    pieces
        Pieces of all patches of the part.
    """
    settled, failed = _prove(cut, pieces)
    if not failed:
        return settled
    anew = [_cut_anew(cut, pieces, place, why) for place, why in failed.items()]
    whole = join_pieces([drop_patches(pieces, failed), *anew], len(cut.zones))
    return _prove(cut, whole)[0]


def _prove(cut: Cut, pieces: Pieces) -> tuple[Settled, dict[int, str]]:
    """Return pieces settled, and the patches that fail: place -> why."""
    part = cut.part
    in_force = find_in_force(cut.rules, cut.zone_of_rule, pieces)
    measures = Measures(pieces.geometry, part.cell.crs, part.origin)
    failed = {int(pieces.patch[piece]): why for piece, why in find_short(cut.rules, measures, in_force).items()}
    outlines, lost = _move_out(part, pieces)
    failed = {place: why for place, why in (lost | failed).items() if place not in pieces.aside}
    return Settled(pieces, in_force, outlines, measures), failed


def find_in_force(rules: list[BoundRule], zone_of_rule: IntArray, pieces: Pieces) -> BoolArray:
    """Tell which rules hold on which pieces, shape (rules, m)."""
    in_force = np.ones((len(rules), len(pieces.patch)), dtype=bool)
    bound = zone_of_rule >= 0
    in_force[bound] = pieces.inside.T[zone_of_rule[bound]]
    return in_force | _find_touched(rules, pieces)


def _find_touched(rules: list[BoundRule], pieces: Pieces) -> BoolArray:
    """Tell which rules hold on a piece because a well or a line without width stands on it, shape (rules, pieces).

    At a distance of 0 the zone of such a feature has no ground to cut out: it is inside what it touches.
    """
    touched = np.zeros((len(rules), len(pieces.patch)), dtype=bool)
    for place, rule in enumerate(rules):
        group = rule.group
        if group is None or not len(group):
            continue
        bare = group.line_open[group.run_line] & (rule.reach_m[group.run_owner] <= NO_RADIUS_M)
        runs = group.runs[bare]
        near = np.maximum(rule.reach_m[group.run_owner[bare]], SLACK_M)
        touched[place, shapely.STRtree(pieces.geometry).query(runs, predicate="dwithin", distance=near)[1]] = True
    return touched


def _move_out(part: Part, pieces: Pieces) -> tuple[GeometryArray, dict[int, str]]:
    """Return the outlines of pieces in the layer's CRS, and the patches that lose or win ground there: place -> why."""
    crs = part.patches.crs
    drawn = np.asarray(part.patches.geometry.array, dtype=object)
    outlines = drawn[pieces.patch]
    several = (np.bincount(pieces.patch, minlength=len(drawn)) > 1)[pieces.patch]
    patch = pieces.patch[several]
    sent = follow_turns(move_out(pieces.geometry[several], part.origin, part.cell.crs, crs), outlines[several], crs)
    mended = mend_outlines(sent)
    for place in np.unique(patch[~shapely.is_valid(sent)]).tolist():  # a loop over geometry: few patches ever fold
        own = patch == place
        mended[own] = clean_coverage(mended[own], _LEAST_BEND_M / _find_unit_m(crs))
    outlines[several] = mended
    whole = shapely.area(drawn)
    scale = np.divide(part.patches["area_m2"].to_numpy(), whole, out=np.zeros_like(whole), where=whole > 0)
    change = np.zeros(len(whole))
    np.add.at(change, patch, np.abs(shapely.area(mended) - shapely.area(sent)))
    change[np.unique(patch[shapely.is_empty(mended) | ~shapely.is_valid(mended)])] = np.inf
    lost = np.flatnonzero((change > MENDED_SHARE * whole) & (change * scale > MENDED_M2))
    text = "{:.2g} of it came or went when they were mended"
    return outlines, {place: text.format(change[place] / whole[place]) for place in lost.tolist()}


def _cut_anew(cut: Cut, pieces: Pieces, place: int, why: str) -> Pieces:
    """Return the pieces of one patch, cut by the first way that holds; whole and set aside where none does."""
    for way in _list_ways(cut, pieces, place):
        if not _prove(cut, way)[1]:
            return way
    patch, grounds, numbers = _pick(cut, place)
    return place_pieces(keep_whole(patch, cut.zones, grounds, why), place, numbers)


def _list_ways(cut: Cut, pieces: Pieces, place: int) -> Iterator[Pieces]:
    """Give a patch cut otherwise: the same pieces with more vertices; cut slowly on grids, with them and without."""
    others = np.setdiff1d(pieces.patch, [place])
    yield _add_points(cut.part, drop_patches(pieces, others.tolist()))
    patch, grounds, numbers = _pick(cut, place)
    for grid_m in GRIDS_M:
        found = recut_patch(patch, cut.zones, grounds, cut.sliver_area_m2, grid_m)
        if found is not None:
            own = place_pieces(drop_piece_spikes(found), place, numbers)
            yield own
            yield _add_points(cut.part, own)


def _pick(cut: Cut, place: int) -> tuple[GeometryArray, Grounds, IntArray]:
    """Return one patch, the other ground that it is cut by, and the numbers of that ground."""
    numbers = np.flatnonzero(cut.grounds.patch == place)
    patch = np.asarray(cut.part.cell.patches.geometry.array, dtype=object)[[place]]
    return patch, Grounds(np.zeros(len(numbers), np.intp), cut.grounds.geometry[numbers]), numbers


def _add_points(part: Part, pieces: Pieces) -> Pieces:
    """Return pieces with points on the edges that bend in the layer's CRS; what two of them share stays shared."""
    points = _find_points(shapely.get_parts(pieces.geometry), part)
    geometry = np.array([_fill(shape, points) for shape in pieces.geometry], dtype=object)
    return replace(pieces, geometry=geometry)


def _find_points(polygons: GeometryArray, part: Part) -> dict[bytes, FloatArray]:
    """Return the points that go on each edge that bends: both its ends as bytes, either way round -> (n, 2)."""
    xy, ring = shapely.get_coordinates(shapely.get_rings(polygons), return_index=True)
    start = np.flatnonzero(ring[1:] == ring[:-1])
    ends = np.hstack([xy[start], xy[start + 1]])
    back = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    ends = np.unique(np.where(back[:, None], ends[:, [2, 3, 0, 1]], ends), axis=0)
    count = np.ceil(np.sqrt(_find_bend_m(ends, part) / _LEAST_BEND_M)).astype(np.intp)
    points = {}
    for place in np.flatnonzero(count > 1).tolist():
        one, two = ends[place, :2], ends[place, 2:]
        share = (np.arange(1, min(count[place], _MOST_POINTS)) / min(count[place], _MOST_POINTS))[:, None]
        between = one * (1 - share) + two * share
        points[ends[place].tobytes()] = between
        points[ends[place, [2, 3, 0, 1]].tobytes()] = between[::-1]
    return points


def _find_bend_m(ends: FloatArray, part: Part) -> FloatArray:
    """Return how far the middles of straight edges stand off the line between their ends in the layer's CRS [m]."""
    crs: CRS = part.patches.crs
    middle = (ends[:, :2] + ends[:, 2:]) / 2
    one, two, between = (
        move_points_out(item, part.origin, part.cell.crs, crs) for item in (ends[:, :2], ends[:, 2:], middle)
    )
    off = between - (one + two) / 2
    if crs.is_geographic:
        off[:, 0] -= 180 * np.round(off[:, 0] / 180)  # ends on two turns of the globe
    return np.asarray(np.hypot(*off.T) * _find_unit_m(crs), dtype=float)


def _find_unit_m(crs: CRS) -> float:
    return _DEGREE_M if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _fill(shape: Any, points: dict[bytes, FloatArray]) -> Any:
    polygons = []
    for polygon in shapely.get_parts(shape):
        shell, *holes = (_fill_ring(shapely.get_coordinates(ring), points) for ring in shapely.get_rings(polygon))
        polygons.append(shapely.Polygon(shell, holes))
    return polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(polygons)


def _fill_ring(xy: FloatArray, points: dict[bytes, FloatArray]) -> FloatArray:
    pieces = [xy[:1]]
    for place, edge in enumerate(np.hstack([xy[:-1], xy[1:]])):
        pieces += [points.get(edge.tobytes(), xy[:0]), xy[place + 1 : place + 2]]
    return np.concatenate(pieces)
