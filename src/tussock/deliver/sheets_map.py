"""In: the site in one plane. Out: maps drawn as vectors on the page: one patch with its units, or the whole site."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import shapely

from tussock.base.columns import UnitSystem
from tussock.base.text import show_length
from tussock.deliver.sheets_ground import Bounds, Dimension, SiteMap, View, frame_ground, join_bounds
from tussock.deliver.sheets_ink import LABEL_PT, UNIT_PT, Ink, draw_marker, find_middle, list_spots, near_frame, shorten
from tussock.deliver.sheets_layout import Flow, clean, load_fonts
from tussock.deliver.sheets_legend import (
    GUTTER_PT,
    LEGEND_PT,
    ROW_PT,
    STATUS_LOOKS,
    STRIP_PT,
    LegendRow,
    draw_stand,
    draw_swatch,
    finish_frame,
    legend_rows,
    list_signs,
    receptor_kinds,
)
from tussock.trade.places import find_access_use

_MOST_DIMENSIONS: Final = 9
_MOST_ROWS: Final = 8


def patch_map(site: SiteMap, place: int, width: float, height: float, system: UnitSystem) -> Flow:
    """Return the map of one patch as a flowable of a fixed size [pt]; its ``find_scale`` tells metres for a point."""
    flow = _flow(width, height, lambda canvas: _draw_patch(canvas, site, place, width, height, system))
    flow.find_scale = lambda: _frame_patch(site, place, width, height, system)[0].point_m
    return flow


def site_map(site: SiteMap, labels: Sequence[str], width: float, height: float, system: UnitSystem) -> Flow:
    """Return the map of the whole site as a flowable: every patch with its label."""
    return _flow(width, height, lambda canvas: _draw_site(canvas, site, labels, width, height, system))


def swatch(look: str, width: float = 24.0, height: float = 12.0) -> Flow:
    """Return a box with the hatch of a class of use."""
    return _flow(width, height, lambda canvas: draw_swatch(canvas, look, 0, 0, width, height))


def _flow(width: float, height: float, draw: Callable[[Any], None]) -> Flow:
    from reportlab.platypus import Flowable

    class Drawing(Flowable):  # type: ignore[misc]  # the library has no types
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = width, height

        def wrap(self, *_: float) -> tuple[float, float]:
            return width, height

        def draw(self) -> None:
            draw(self.canv)

    return Drawing()


# ---- one patch


def _frame_patch(
    site: SiteMap, place: int, width: float, height: float, system: UnitSystem
) -> tuple[View, list[LegendRow]]:
    """Return frame and legend of a patch's map: the patch, and both ends of each distance."""
    dimensions = choose_dimensions(site.dimensions.get(site.patch_ids[place], ()))
    outline = _bounds(site.patches[place : place + 1])
    ends = np.array([point for item in dimensions for point in (item.start, item.end)]).reshape(-1, 2)
    return _fit_frame(site, join_bounds(outline, ends, 0.8), width, height, system, place)


def _draw_patch(canvas: Any, site: SiteMap, place: int, width: float, height: float, system: UnitSystem) -> None:
    patch_id = site.patch_ids[place]
    units = [number for number, owner in enumerate(site.unit_patches) if owner == patch_id]
    dimensions = choose_dimensions(site.dimensions.get(patch_id, ()))
    view, legend = _frame_patch(site, place, width, height, system)
    ink = Ink(canvas, view)
    _open_frame(ink)
    _draw_water(ink, site)
    _draw_access(ink, site)
    _draw_neighbours(ink, site, place)
    _draw_units(ink, site, units)
    ink.draw(site.patches[place], line=2.0)
    _draw_records(ink, site)
    _draw_receptors(ink, site)
    numbers = _place_numbers(ink, site, units)
    dots = [(x - _DOT_PT, y - _DOT_PT, x + _DOT_PT, y + _DOT_PT) for _, x, y, room in numbers if room <= _NARROW_PT]
    ink.taken += dots
    _draw_dimensions(ink, dimensions, system)
    for number, x, y, room in numbers:
        _draw_number(ink, short_unit(site.unit_ids[number], patch_id), x, y, room)
    limiting = {item.feature for item in dimensions}
    _label_features(ink, site, limiting)
    _label_neighbours(ink, site, place)
    canvas.restoreState()
    finish_frame(ink, site, legend, system)


def choose_dimensions(items: Sequence[Dimension]) -> tuple[Dimension, ...]:
    """Return the distances to draw: of each unit and feature one, of equal lines one, the shortest first."""
    seen: set[tuple[int, ...]] = set()
    chosen = []
    for item in sorted(items, key=lambda item: (item.size_m, item.unit_id, item.feature)):
        key = tuple(round(value) for value in (*item.start, *item.end))
        if key not in seen:
            seen.add(key)
            chosen.append(item)
    return tuple(chosen[:_MOST_DIMENSIONS])


def _bounds(geometry: Any) -> Bounds:
    drawn = geometry[~shapely.is_empty(geometry)] if len(geometry) else geometry
    if not len(drawn):
        return -50.0, -50.0, 50.0, 50.0
    left, low, right, high = shapely.total_bounds(drawn).tolist()
    return left, low, right, high


def _fit_frame(
    site: SiteMap, bounds: Bounds, width: float, height: float, system: UnitSystem, place: int | None
) -> tuple[View, list[LegendRow]]:
    """Return frame and legend; the legend has the signs that the frame shows, and takes its height from it."""
    rows: list[LegendRow] = []
    for count in range(1, _MOST_ROWS):
        low = STRIP_PT + count * ROW_PT + GUTTER_PT
        view = frame_ground(bounds, (GUTTER_PT, low, width - 1, height - 1), system)
        rows = legend_rows(list_signs(site, view, place), width, LEGEND_PT)
        if len(rows) <= count:
            break
    return view, rows


def _open_frame(ink: Ink) -> None:
    canvas, (left, low, right, top) = ink.canvas, ink.view.box
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(left, low, right - left, top - low)
    canvas.clipPath(path, stroke=0, fill=0)


def _draw_water(ink: Ink, site: SiteMap) -> None:
    """Wet water grey with a dark edge, lines as wide as they are; dry beds as a broken outline."""
    geometry, table = site.layer("water")
    if table is None:
        return
    for number in near_frame(geometry, ink.view):
        row, shape = table.iloc[number], geometry[number]
        dry = str(row.get("state", "")) == "dry"
        if shape.geom_type.endswith("LineString"):
            wide = max(float(row.get("width_m", 0.0) or 0.0) / ink.view.point_m, 1.4)
            ink.draw(shape, line=wide + 1.6, grey=0.3, dash=(5, 4) if dry else ())
            ink.draw(shape, line=wide, grey=1.0 if dry else 0.84)
        else:
            ink.draw(shape, line=1.0, grey=0.3, fill=None if dry else 0.84, dash=(5, 4) if dry else ())


def _draw_access(ink: Ink, site: SiteMap) -> None:
    geometry, table = site.layer("access")
    if table is None:
        return
    for number in near_frame(geometry, ink.view):
        _draw_way(ink, geometry[number], standing=find_access_use(str(table["kind"].iloc[number])) == "standing")


def _draw_way(ink: Ink, shape: Any, *, standing: bool) -> None:
    if shape.geom_type.endswith("Point"):
        for x, y in ink.view.place(shapely.get_coordinates(shape)).tolist():
            draw_stand(ink.canvas, x, y)
    elif shape.geom_type.endswith("LineString"):
        ink.draw(shape, line=3.6 if standing else 3.2, grey=0.0, dash=(1, 3) if standing else ())
        if not standing:
            ink.draw(shape, line=1.8, grey=1.0)
    else:
        ink.draw(shape, line=1.2, dash=(1, 3) if standing else (6, 2))


def _draw_neighbours(ink: Ink, site: SiteMap, place: int) -> None:
    for number in near_frame(site.patches, ink.view):
        if number != place:
            ink.draw(site.patches[number], line=0.9, grey=0.5, dash=(3, 2))


def _draw_units(ink: Ink, site: SiteMap, units: Sequence[int]) -> None:
    for number in units:
        ink.hatch(site.units[number], site.unit_looks[number])
    for number in units:
        ink.draw(site.units[number], line=1.1)


def _draw_records(ink: Ink, site: SiteMap) -> None:
    geometry, _ = site.layer("history")
    for number in near_frame(geometry, ink.view):
        ink.draw(geometry[number], line=1.3, grey=0.2, dash=(1, 2.5))


def _draw_receptors(ink: Ink, site: SiteMap) -> None:
    geometry, table = site.layer("receptors")
    if table is None:
        return
    kinds = receptor_kinds(site)
    for number in near_frame(geometry, ink.view):
        shape, kind = geometry[number], str(table["kind"].iloc[number])
        if shape.geom_type.endswith("Point"):
            for x, y in ink.view.place(shapely.get_coordinates(shape)).tolist():
                draw_marker(ink.canvas, kinds.index(kind), x, y)
                ink.taken.append((x - 5, y - 5, x + 5, y + 5))
        else:
            ink.draw(shape, line=1.4, dash=(7, 2, 1.5, 2))


def _draw_dimensions(ink: Ink, items: Sequence[Dimension], system: UnitSystem) -> None:
    """Draw lines between the nearest points, with a bar at each end; then the distances, which no line runs through."""
    waiting = []
    for item in items:
        (x0, y0), (x1, y1) = ink.view.place(np.array([item.start, item.end])).tolist()
        length = math.hypot(x1 - x0, y1 - y0)
        if length < 1:
            continue
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        canvas = ink.canvas
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.2)
        canvas.setDash([])
        canvas.line(x0, y0, x1, y1)
        for x, y in ((x0, y0), (x1, y1)):
            canvas.line(x - 3.5 * uy, y + 3.5 * ux, x + 3.5 * uy, y - 3.5 * ux)
        beside = [
            (x0 + ux * length * share - side * uy * away, y0 + uy * length * share + side * ux * away * 0.7)
            for away in (24.0, 34.0, 46.0)
            for share in (0.5, 0.75, 0.25, 1.0)
            for side in (1, -1)
        ]
        spots = [((x0 + x1) / 2, (y0 + y1) / 2), *beside] if length > _LABEL_ROOM_PT else beside
        waiting.append((show_length(item.size_m, system), spots))
    for text, spots in waiting:
        ink.label(text, spots, size=_DISTANCE_PT, bold=True, must=True)


_LABEL_ROOM_PT: Final = 66.0
_DISTANCE_PT: Final = 11.5


# ---- labels


def _place_numbers(ink: Ink, site: SiteMap, units: Sequence[int]) -> list[tuple[int, float, float, float]]:
    """Return unit, place and room [pt] of each number to be written: on the larger parts, at their widest."""
    found = []
    for number in units:
        seen = shapely.clip_by_rect(site.units[number], *ink.view.ground)
        parts = sorted((part for part in shapely.get_parts(seen) if part.area > 0), key=lambda part: -part.area)
        for rank, part in enumerate(parts[:_MOST_PARTS]):
            circle = shapely.maximum_inscribed_circle(part, ink.view.point_m)
            room = shapely.length(circle) / ink.view.point_m
            if rank == 0 or room > _NARROW_PT:
                x, y = ink.view.place(shapely.get_coordinates(circle)[:1])[0].tolist()
                found.append((number, x, y, room))
    return found


def _draw_number(ink: Ink, text: str, x: float, y: float, room: float) -> None:
    """Write the number of a unit on it; beside it with a leader where it is too narrow."""
    canvas, font = ink.canvas, load_fonts().bold
    shown = shorten(clean(text), font, UNIT_PT, 60)
    wide = canvas.stringWidth(shown, font, UNIT_PT) + 8
    spots = list_spots(x, y, 16, 8)
    narrow = room <= _NARROW_PT
    led = (x, y, 0.0 if narrow else room)
    spot = ink.find_spot(spots[1:] if narrow else spots, wide, 16, must=True, led=led) or (x, y)
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    if narrow or math.hypot(spot[0] - x, spot[1] - y) > room:
        canvas.setLineWidth(0.9)
        canvas.line(x, y, *spot)
        canvas.circle(x, y, 2.2, stroke=0, fill=1)
    canvas.setFillGray(1)
    canvas.setLineWidth(1.1)
    canvas.roundRect(spot[0] - wide / 2, spot[1] - 8, wide, 16, 7, stroke=1, fill=1)
    canvas.setFillGray(0)
    canvas.setFont(font, UNIT_PT)
    canvas.drawCentredString(spot[0], spot[1] - 4, shown)


#: Half the side of what a leader's dot keeps free [pt].
_DOT_PT: Final = 3.0
_MOST_PARTS: Final = 6
_NARROW_PT: Final = 6.0


def short_unit(unit_id: str, patch_id: str) -> str:
    """Return the part of a unit's id that its patch's id does not say: "02" of B04-02."""
    rest = unit_id.removeprefix(f"{patch_id}-")
    return rest or unit_id


def _label_features(
    ink: Ink,
    site: SiteMap,
    limiting: set[str],
    names: Sequence[str] = ("water", "receptors", "access"),
    *,
    small: bool = True,
) -> None:
    """Write the names of features: those that limit first, the others where there is room; ``small``: of points too."""
    waiting = []
    names_of: dict[tuple[str, int], str] = {}
    for name in names:
        geometry, table = site.layer(name)
        if table is None:
            continue
        for number in near_frame(geometry, ink.view):
            if not small and (
                geometry[number].geom_type.endswith("Point")
                or find_access_use(str(table["kind"].iloc[number])) == "standing"
            ):
                continue
            label = str(table["label"].iloc[number])
            known = str(table["name"].iloc[number]) if "name" in table.columns else ""
            names_of[name, number] = known if known not in ("", "nan", "None") else label
            waiting.append((label not in limiting, name, number, label, geometry[number]))
    for optional, name, number, label, shape in sorted(waiting, key=lambda item: item[:3]):
        part = shapely.clip_by_rect(shape, *ink.view.ground) if not shape.geom_type.endswith("Point") else shape
        if part.is_empty:
            continue
        x, y = ink.view.place(np.array([find_middle(part)]))[0].tolist()
        text = names_of.get((name, number), label)
        spots = list_spots(x, y, 13, 6)
        ink.label(text, spots[1:] if part.geom_type.endswith("Point") else spots, must=not optional)


def _label_neighbours(ink: Ink, site: SiteMap, place: int) -> None:
    for number in near_frame(site.patches, ink.view):
        part = shapely.clip_by_rect(site.patches[number], *ink.view.ground)
        if number != place and not part.is_empty:
            x, y = ink.view.place(np.array([find_middle(part)]))[0].tolist()
            ink.label(site.patch_ids[number], list_spots(x, y, 10, 3))


# ---- the whole site


def _draw_site(
    canvas: Any, site: SiteMap, labels: Sequence[str], width: float, height: float, system: UnitSystem
) -> None:
    view, legend = _fit_frame(site, _bounds(site.patches), width, height, system, None)
    ink = Ink(canvas, view)
    _open_frame(ink)
    _draw_water(ink, site)
    _draw_access(ink, site)
    for number, shape in enumerate(site.patches):
        ink.draw(shape, fill=1.0)
        ink.hatch(shape, STATUS_LOOKS.get(site.patch_status[number], ""))
        ink.draw(shape, line=1.5)
    _draw_receptors(ink, site)
    _label_patches(ink, site, labels)
    _label_features(ink, site, set(), ("water", "access"), small=False)
    canvas.restoreState()
    finish_frame(ink, site, legend, system)


def _label_patches(ink: Ink, site: SiteMap, labels: Sequence[str]) -> None:
    """Write the label of each patch beside it, so that the patch itself is seen; in it where it is large."""
    shown = [number for number, shape in enumerate(site.patches) if not shape.is_empty]
    ink.taken.clear()
    boxes = {number: ink.view.place(shapely.bounds(site.patches[number]).reshape(2, 2)).ravel() for number in shown}
    small = {number for number, box in boxes.items() if max(box[2] - box[0], box[3] - box[1]) < _SMALL_PATCH_PT}
    for number in sorted(small):
        left, low, right, high = boxes[number].tolist()
        ink.taken.append((left, low, right, high))
    for number in shown:
        x, y = ink.view.place(np.array([find_middle(site.patches[number])]))[0].tolist()
        half = max(boxes[number][2] - boxes[number][0], boxes[number][3] - boxes[number][1]) / 2
        near = half + LABEL_PT
        spots = [*list_spots(x, y, near, 1)[1:], *list_spots(x, y, near + LABEL_PT, 4)[1:]]
        spot = ink.label(labels[number], spots if number in small else list_spots(x, y, 9, 5), bold=True, must=True)
        away = 0.0 if spot is None else math.hypot(spot[0] - x, spot[1] - y)
        if spot is not None and away > near + LABEL_PT:
            part = 1 - 1.6 * LABEL_PT / away  # the leader ends at the label
            ink.canvas.setStrokeGray(0)
            ink.canvas.setLineWidth(0.6)
            ink.canvas.line(x, y, x + (spot[0] - x) * part, y + (spot[1] - y) * part)


_SMALL_PATCH_PT: Final = 45.0
