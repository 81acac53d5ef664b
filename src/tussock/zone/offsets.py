"""In: segments of mapped outlines and a radius for each. Out: the ground within the radius, circumscribed.

Neighbouring segments make one ring along both sides of their chain. The ring winds once around ground near one segment
and twice around ground near two, never backwards, so a buffer by nothing dissolves it: one pass instead of a union for
each segment. Straight sides stand exactly at the radius; outer corners are tangents, never inside it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]

#: Fewest tangents on half a turn. Circumscribed, so at most 1/cos(pi / 48) - 1 = 0.215 % too far, never too near.
CAP_SIDES: Final = 24
#: A radius is a distance and half the width of a feature; the 0.215 % are of the distance, down to this share of it.
_LEAST_SHARE: Final = 1 / 64
#: Under this distance [m] a zone is the feature in its width, and the 0.215 % are of that.
_NO_DISTANCE_M: Final = 1e-3
#: An inner corner is cut off where its two offsets cross while both still run along less than this share of their side.
_INNER_SHARE: Final = 0.49


_YES: Final = np.ones(1, dtype=bool)


def where_true(mask: NDArray[Any]) -> IntArray:
    """Return the places of true values (numpy's own helper for it takes three times as long on short arrays)."""
    return mask.nonzero()[0]


def spread(start: IntArray, count: IntArray) -> tuple[IntArray, IntArray]:
    """Return for ranges the place of the range and each number in it."""
    place = np.repeat(np.arange(len(count)), count)
    number = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count) + start[place]
    return place, number


def choose_steps(radius_m: FloatArray, offset_m: FloatArray) -> FloatArray:
    """Return the widest angle between tangents that keeps a corner within 0.215 % of the distance [rad], shape (n,).

    Parameters
    ----------
    radius_m
        Radius: half the width of a feature and the distance from its edge, shape (n,).
    offset_m
        Half the width, shape (n,).
    """
    distance = radius_m - offset_m
    some = distance > _NO_DISTANCE_M
    share = np.where(some, np.maximum(distance / np.where(some, radius_m, 1.0), _LEAST_SHARE), 1.0)
    corner = 1 / np.cos(np.pi / (2 * CAP_SIDES)) - 1
    return np.asarray(2 * np.arccos(1 / (1 + corner * share)), dtype=float)


def draw_chains(
    segment: FloatArray,
    radius_m: FloatArray,
    linked: BoolArray,
    cap_start: BoolArray,
    cap_end: BoolArray,
    *,
    right_only: BoolArray | None = None,
    step: FloatArray | None = None,
    exact: bool = True,
) -> tuple[GeometryArray, IntArray]:
    """Return one self-overlapping ring around each chain of segments.

    Parameters
    ----------
    segment
        Ends x0, y0, x1, y1 [m], shape (n, 4), in the order of the chains; both ends alike for a point.
    radius_m
        Radius, one for all of a chain, shape (n,).
    linked
        Whether the next segment continues the chain, shape (n,); False at the last.
    cap_start, cap_end
        Whether the start of the first, the end of the last segment of a chain is round, shape (n,).
    right_only
        Whether only the ground right of the segments is wanted, one for all of a chain, shape (n,).
    step
        Widest angle between tangents [rad], one for all of a chain, shape (n,); see `choose_steps`.
    exact
        Without it an inner corner between segments that are short for the radius is cut straight across: much faster,
        and a hole may be left where the outline bends sharply, so the ground must be proven afterwards.

    Returns
    -------
    rings, chain
        Polygons, shape (c,), and the chain of each segment, shape (n,). ``shapely.buffer(rings, 0)`` is the ground.
    """
    count = len(segment)
    if count == 0:
        return np.empty(0, dtype=object), np.empty(0, np.intp)
    first = np.concatenate([_YES, ~linked[:-1]])
    chain = np.cumsum(first) - 1
    begin = where_true(first)
    size = np.diff(np.concatenate([begin, [count]]))
    place = np.arange(count) - begin[chain]
    base = 2 * begin[chain]
    along = segment[:, 2:] - segment[:, :2]
    length = np.hypot(along[:, 0], along[:, 1])
    heading = np.arctan2(along[:, 1], along[:, 0])
    flat = np.zeros(count, dtype=bool) if right_only is None else right_only
    ahead = _Side(segment[:, :2], segment[:, 2:], heading, length, linked, _next(heading), _next(length), flat)
    back = _Side(
        segment[:, 2:],
        segment[:, :2],
        heading + np.pi,
        length,
        ~first,
        _last(heading) + np.pi,
        _last(length),
        flat & False,
    )
    step = np.full(count, np.pi / CAP_SIDES) if step is None else step
    left = _walk(ahead, first, ~linked & cap_end, radius_m, step, exact=exact)
    right = _walk(back, ~linked, first & cap_start, radius_m, step, exact=exact)
    slots = (base + place)[left[0]], (base + 2 * size[chain] - 1 - place)[right[0]]
    vertices = np.bincount(slots[0], minlength=2 * count) + np.bincount(slots[1], minlength=2 * count)
    offset = np.concatenate([[0], np.cumsum(vertices)])
    xy = np.empty((int(offset[-1]), 2))
    for slot, (_, number, points) in zip(slots, (left, right), strict=True):
        xy[offset[slot] + number] = points
    ring = np.repeat(np.repeat(np.arange(len(begin)), 2 * size), vertices)
    return shapely.polygons(shapely.linearrings(xy, indices=ring)), chain


def _next(values: FloatArray) -> FloatArray:
    return np.concatenate([values[1:], values[:1]])


def _last(values: FloatArray) -> FloatArray:
    return np.concatenate([values[-1:], values[:-1]])


class _Side:
    """Segments as one side of their chains walks them."""

    def __init__(
        self,
        start: FloatArray,
        end: FloatArray,
        heading: FloatArray,
        length: FloatArray,
        linked: BoolArray,
        next_heading: FloatArray,
        next_length: FloatArray,
        flat: BoolArray,
    ) -> None:
        self.start, self.end, self.heading, self.length = start, end, heading, length
        self.linked, self.flat = linked, flat
        self.turn = np.remainder(next_heading - heading + np.pi, 2 * np.pi) - np.pi
        self.shorter = np.minimum(length, next_length)


def _walk(
    side: _Side, first: BoolArray, cap: BoolArray, radius: FloatArray, step: FloatArray, *, exact: bool
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the vertices on the left of a side: segment, number of the vertex at it, coordinates."""
    normal = side.heading + np.pi / 2
    radius = np.where(side.flat, 0.0, radius)
    lead = first.astype(np.intp)
    parts = [_at(where_true(first), 0, side.start[first], normal[first], radius[first])]
    stop = where_true(~side.linked)
    parts.append(_at(stop, lead[stop], side.end[stop], normal[stop], radius[stop]))
    round_end = where_true(cap)
    if len(round_end):
        parts.append(_arc(side, round_end, lead[round_end] + 1, np.full(len(round_end), np.pi), radius, step))
    outer = where_true(side.linked & (side.turn < 0) & ~side.flat)
    parts.append(_arc(side, outer, lead[outer], -side.turn[outer], radius, step))
    half = np.abs(side.turn) / 2
    inner = side.linked & (side.turn >= 0) & ~side.flat
    short = inner & (half < 1.0) & (radius * np.tan(np.minimum(half, 1.0)) < _INNER_SHARE * side.shorter)
    cut = where_true(short)
    parts.append(_at(cut, lead[cut], side.end[cut], normal[cut] + half[cut], radius[cut] / np.cos(half[cut])))
    back = where_true(inner & ~short)
    parts.append(_at(back, lead[back], side.end[back], normal[back], radius[back]))
    if exact:
        parts.append(_at(back, lead[back] + 1, side.end[back], normal[back], np.zeros(len(back))))
    last = lead[back] + (2 if exact else 1)
    parts.append(_at(back, last, side.end[back], normal[back] + side.turn[back], radius[back]))
    plain = where_true(side.linked & side.flat)
    parts.append(_at(plain, lead[plain], side.end[plain], normal[plain], radius[plain]))
    owner, number, points = (np.concatenate(item) for item in zip(*parts, strict=True))
    return owner, number, points


def _at(
    owner: IntArray, number: IntArray | int, centre: FloatArray, angle: FloatArray, radius: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    points = np.empty((len(owner), 2))
    points[:, 0] = centre[:, 0] + radius * np.cos(angle)
    points[:, 1] = centre[:, 1] + radius * np.sin(angle)
    return owner, number if isinstance(number, np.ndarray) else np.full(len(owner), number, np.intp), points


def _arc(
    side: _Side, owner: IntArray, number: IntArray, angle: FloatArray, radius: FloatArray, step: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return tangents around the ends of segments, from the left normal clockwise through an angle."""
    pieces = np.maximum(np.ceil(angle / step[owner] - 1e-9), 1).astype(np.intp)
    item = np.repeat(np.arange(len(owner)), pieces)
    place = np.arange(len(item)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    width = (angle / pieces)[item]
    whose = owner[item]
    bearing = side.heading[whose] + np.pi / 2 - (place + 0.5) * width
    return _at(whose, number[item] + place, side.end[whose], bearing, radius[whose] / np.cos(width / 2))
