"""In: geometries and labels for a map frame. Out: the ink: paths, hatches, markers, labels clear of each other."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely

from tussock.deliver.sheets_ground import LOOK_ONLY, NO_OPTION, OPEN_LIMITED, Bounds, GeometryArray, View
from tussock.deliver.sheets_layout import clean, load_fonts

#: Angles [degrees] and spacing [pt] of the hatch of each class of use; the classes differ without colour.
HATCHES: Final[dict[str, tuple[tuple[float, ...], float]]] = {
    "open": ((), 0.0),
    OPEN_LIMITED: ((90.0,), 9.0),
    "aquatic-labelled only": ((0.0,), 5.0),
    "hand methods only": ((45.0,), 6.0),
    "no herbicide": ((135.0,), 3.2),
    NO_OPTION: ((45.0, 135.0), 5.0),
    LOOK_ONLY: ((0.0, 90.0), 11.0),
}
LABEL_PT: Final = 10.0
UNIT_PT: Final = 13.0
_PADDING: Final = 1.5
_MARKERS: Final = 10


@dataclass
class Ink:
    """A canvas, the frame that is drawn in, the boxes that are taken, and those of them that hold words [pt]."""

    canvas: Any
    view: View
    taken: list[Bounds] = field(default_factory=list)
    words: list[Bounds] = field(default_factory=list)

    def clip(self, geometry: Any) -> Any:
        """Return the part of a geometry near the frame; its cut edges lie outside."""
        left, low, right, high = self.view.ground
        rim = 20 * self.view.point_m
        return shapely.clip_by_rect(geometry, left - rim, low - rim, right + rim, high + rim)

    def trace(self, geometry: Any) -> Any:
        """Return the path of a geometry on the page; None where nothing of it is near the frame."""
        part = self.clip(geometry)
        if part.is_empty:
            return None
        path = self.canvas.beginPath()
        for ring, closed in _list_rings(part):
            points = self.view.place(shapely.get_coordinates(ring)).round(2).tolist()
            path.moveTo(*points[0])
            for point in points[1:]:
                path.lineTo(*point)
            if closed:
                path.close()
        return path

    def draw(
        self,
        geometry: Any,
        *,
        line: float = 0.0,
        fill: float | None = None,
        grey: float = 0.0,
        dash: Sequence[float] = (),
    ) -> None:
        """Draw a geometry: a line of some width [pt] and greyness, a grey fill (0 black, 1 white)."""
        path = self.trace(geometry)
        if path is None:
            return
        canvas = self.canvas
        canvas.saveState()
        canvas.setLineWidth(line)
        canvas.setStrokeGray(grey)
        canvas.setDash(list(dash))
        canvas.setLineJoin(1)
        if fill is not None:
            canvas.setFillGray(fill)
        canvas.drawPath(path, stroke=int(line > 0), fill=int(fill is not None), fillMode=0)
        canvas.restoreState()

    def hatch(self, geometry: Any, look: str) -> None:
        """Fill an area with the hatch of a class of use."""
        path = self.trace(geometry)
        if path is None:
            return
        bounds = self.view.place(np.asarray(shapely.bounds(self.clip(geometry))).reshape(2, 2)).ravel()
        self.canvas.saveState()
        self.canvas.clipPath(path, stroke=0, fill=0, fillMode=0)
        left, low, right, high = bounds.tolist()
        draw_hatch(self.canvas, (left, low, right, high), look)
        self.canvas.restoreState()

    def label(
        self,
        text: str,
        spots: Iterable[tuple[float, float]],
        *,
        size: float = LABEL_PT,
        bold: bool = False,
        must: bool = False,
    ) -> tuple[float, float] | None:
        """Write a label on white at the first free spot.

        Parameters
        ----------
        text
            From data; long ones are shortened.
        spots
            Middle of the label [pt], best first.
        size, bold
            Letters.
        must
            Whether it is written at the least crowded spot where none is free.

        Returns
        -------
        tuple of float or None
            Where it stands; None where it was left out.
        """
        fonts = load_fonts()
        font = fonts.bold if bold else fonts.regular
        shown = shorten(clean(text), font, size, _LONGEST_PT)
        wide, high = text_width(shown, font, size) + 2 * _PADDING, size * 1.1
        spot = self.find_spot(spots, wide, high, must=must)
        if spot is None:
            return None
        x, y = spot
        self.canvas.setFillGray(1)
        self.canvas.rect(x - wide / 2, y - high / 2, wide, high, stroke=0, fill=1)
        self.canvas.setFillGray(0)
        self.canvas.setFont(font, size)
        self.canvas.drawCentredString(x, y - size * 0.36, shown)
        self.words.append(self.taken[-1])
        return spot

    def find_spot(
        self,
        spots: Iterable[tuple[float, float]],
        wide: float,
        high: float,
        *,
        must: bool,
        led: tuple[float, float, float] | None = None,
    ) -> tuple[float, float] | None:
        """Return the first spot whose box is free and inside the frame, and take it.

        ``led`` is a place, and how far from it a leader is drawn [pt]: a leader through words would change how they
        read ("13.1 ft" as "3.1 ft").
        """
        best: tuple[float, tuple[float, float], Bounds] | None = None
        left, low, right, top = self.view.box
        for x, y in spots:
            fits = wide <= right - left and high <= top - low
            if must and fits:
                x = min(max(x, left + wide / 2 + 1), right - wide / 2 - 1)  # noqa: PLW2901  (moved into the frame)
                y = min(max(y, low + high / 2 + 1), top - high / 2 - 1)  # noqa: PLW2901
            box = (x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
            if box[0] < left or box[1] < low or box[2] > right or box[3] > top:
                continue
            crowd = sum(_overlap(box, other) for other in self.taken)
            if led is not None and math.hypot(x - led[0], y - led[1]) > led[2]:
                crowd += _CROSSED * self._count_crossed((led[0], led[1]), (x, y))
            if best is None or crowd < best[0]:
                best = (crowd, (x, y), box)
            if crowd == 0:
                break
        if best is None or (best[0] > 0 and not must):
            return None
        self.taken.append(best[2])
        return best[1]

    def _count_crossed(self, start: tuple[float, float], end: tuple[float, float]) -> int:
        """Return how many boxes of words a line runs through."""
        boxes = shapely.box(*np.array(self.words, dtype=float).reshape(-1, 4).T)
        return int(np.count_nonzero(shapely.intersects(boxes, shapely.LineString([start, end]))))


#: A leader through words counts as much as that area of labels over each other [pt2].
_CROSSED: Final = 400.0
_LONGEST_PT: Final = 190.0


def _overlap(one: Bounds, other: Bounds) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return wide * high if wide > 0 and high > 0 else 0.0


def text_width(text: str, font: str, size: float) -> float:
    """Return the width of a line of text [pt]."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, size))


def shorten(text: str, font: str, size: float, most_pt: float) -> str:
    """Return text cut to a width [pt], with three points at its end where something is cut."""
    if text_width(text, font, size) <= most_pt:
        return text
    while text and text_width(text + "...", font, size) > most_pt:
        text = text[:-1]
    return text.rstrip() + "..."


def _list_rings(geometry: Any) -> list[tuple[Any, bool]]:
    """Return rings and lines of a geometry, each with whether it is closed."""
    rings: list[tuple[Any, bool]] = []
    for part in shapely.get_parts(geometry):
        if part.geom_type == "Polygon":
            rings += [(ring, True) for ring in (part.exterior, *part.interiors)]
        elif part.geom_type in ("LineString", "LinearRing"):
            rings.append((part, False))
        elif part.geom_type.startswith(("Multi", "Geometry")):
            rings += _list_rings(part)
    return [(ring, closed) for ring, closed in rings if shapely.get_num_coordinates(ring) > 1]


def draw_hatch(canvas: Any, bounds: Bounds, look: str) -> None:
    """Draw the hatch of a class of use over a box [pt]; whoever calls has set the clip. An unknown class gets dots."""
    canvas.setStrokeGray(0.15)
    canvas.setLineWidth(0.6)
    canvas.setDash([])
    angles, step = HATCHES.get(look, ((0.0,), 8.0))
    if look not in HATCHES:
        canvas.setDash([1, 4])
    for angle in angles:
        path = canvas.beginPath()
        turn = (math.cos(math.radians(angle)), math.sin(math.radians(angle)))
        corners = [(bounds[i], bounds[j]) for i in (0, 2) for j in (1, 3)]
        across = [-turn[1] * x + turn[0] * y for x, y in corners]
        along = [turn[0] * x + turn[1] * y for x, y in corners]
        for number in range(math.ceil(min(across) / step), math.floor(max(across) / step) + 1):
            offset = number * step
            for place, draw in ((min(along), path.moveTo), (max(along), path.lineTo)):
                draw(round(turn[0] * place - turn[1] * offset, 2), round(turn[1] * place + turn[0] * offset, 2))
        canvas.drawPath(path, stroke=1, fill=0)


def draw_marker(canvas: Any, number: int, x: float, y: float, radius: float = 4.2) -> None:
    """Draw one of ten markers that differ in shape and filling."""
    canvas.saveState()
    canvas.setLineWidth(1.1)
    canvas.setStrokeGray(0)
    shape, filled = _SHAPES[number % _MARKERS]
    canvas.setFillGray(0 if filled else 1)
    if shape is None:
        canvas.circle(x, y, radius * 0.85, stroke=1, fill=1)
    else:
        path = canvas.beginPath()
        points = [(x + radius * px, y + radius * py) for px, py in shape]
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
        canvas.drawPath(path, stroke=1, fill=1)
    canvas.restoreState()


def _regular(corners: int, turn: float, inner: float = 1.0) -> tuple[tuple[float, float], ...]:
    return tuple(
        (
            math.cos(math.radians(turn) + 2 * math.pi * place / corners) * (inner if place % 2 else 1.0),
            math.sin(math.radians(turn) + 2 * math.pi * place / corners) * (inner if place % 2 else 1.0),
        )
        for place in range(corners)
    )


_SHAPES: Final[tuple[tuple[tuple[tuple[float, float], ...] | None, bool], ...]] = (
    (_regular(3, 90), True),
    (_regular(4, 45), True),
    (_regular(4, 0), False),
    (_regular(10, 90, 0.42), True),
    (_regular(3, 270), False),
    (_regular(4, 45), False),
    (_regular(4, 0), True),
    (None, False),
    (_regular(8, 0, 0.38), True),
    (_regular(6, 0), False),
)


def list_spots(x: float, y: float, reach: float, rings: int = 5) -> list[tuple[float, float]]:
    """Return places around a point: itself, then rings of eight, each ``reach`` farther out [pt]."""
    spots = [(x, y)]
    for ring in range(1, rings + 1):
        for turn in (0, 180, 90, 270, 45, 135, 225, 315):
            angle = math.radians(turn)
            spots.append((x + ring * reach * math.cos(angle), y + ring * reach * 0.6 * math.sin(angle)))
    return spots


def find_middle(geometry: Any) -> tuple[float, float]:
    """Return a place for the label of a geometry, inside it: of a line its middle, of an area its widest place."""
    parts = shapely.get_parts(geometry)
    if geometry.geom_type.endswith("Polygon"):
        whole = max(parts, key=shapely.area)
        middle = whole.representative_point()
        return float(middle.x), float(middle.y)
    if geometry.geom_type.endswith("LineString"):
        point = max(parts, key=shapely.length).interpolate(0.5, normalized=True)
        return float(point.x), float(point.y)
    point = geometry.representative_point()
    return float(point.x), float(point.y)


def near_frame(geometry: GeometryArray, view: View) -> list[int]:
    """Return the places of the geometries that meet the frame."""
    if not len(geometry):
        return []
    box = shapely.bounds(geometry)
    left, low, right, high = view.ground
    meets = (box[:, 0] <= right) & (box[:, 2] >= left) & (box[:, 1] <= high) & (box[:, 3] >= low)
    frame = shapely.box(left, low, right, high)
    return [number for number in np.flatnonzero(meets).tolist() if shapely.intersects(geometry[number], frame)]
