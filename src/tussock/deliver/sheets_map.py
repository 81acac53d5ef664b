"""In: the site in one plane. Out: maps drawn as vectors on the page: one patch with its units, or the whole site."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
import shapely

from tussock.base.columns import UnitSystem
from tussock.base.text import show_length
from tussock.base.units import FOOT_M
from tussock.deliver.sheets_ground import (
    NO_OPTION,
    Bounds,
    Dimension,
    SiteMap,
    View,
    choose_step,
    find_north,
    find_ticks,
    frame_ground,
    join_bounds,
)
from tussock.deliver.sheets_ink import (
    HATCHES,
    LABEL_PT,
    UNIT_PT,
    Ink,
    draw_hatch,
    draw_marker,
    find_middle,
    legend_rows,
    list_spots,
    near_frame,
    shorten,
)
from tussock.deliver.sheets_layout import Flow, clean, load_fonts

Sign = Callable[[Any, float, float], None]

_TICK_PT: Final = 8.5
_LEGEND_PT: Final = 10.0
_ROW_PT: Final = 15.0
_STRIP_PT: Final = 30.0
_GUTTER_PT: Final = 13.0
_MOST_DIMENSIONS: Final = 9
_WORDS: Final = {
    "open": "open",
    "aquatic-labelled only": "aquatic-labelled products only",
    "hand methods only": "hand methods only",
    "no herbicide": "no herbicide",
    NO_OPTION: "no option: leave untreated",
}


def patch_map(site: SiteMap, place: int, width: float, height: float, system: UnitSystem) -> Flow:
    """Return the map of one patch as a flowable of a fixed size [pt]."""
    return _flow(width, height, lambda canvas: _draw_patch(canvas, site, place, width, height, system))


def site_map(site: SiteMap, labels: Sequence[str], width: float, height: float, system: UnitSystem) -> Flow:
    """Return the map of the whole site as a flowable: every patch with its label."""
    return _flow(width, height, lambda canvas: _draw_site(canvas, site, labels, width, height, system))


def swatch(look: str, width: float = 24.0, height: float = 12.0) -> Flow:
    """Return a box with the hatch of a class of use."""
    return _flow(width, height, lambda canvas: _draw_swatch(canvas, look, 0, 0, width, height))


def _flow(width: float, height: float, draw: Callable[[Any], None]) -> Flow:
    from reportlab.platypus import Flowable

    class Drawing(Flowable):  # type: ignore[misc]  (the library has no types)
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = width, height

        def wrap(self, *_: float) -> tuple[float, float]:
            return width, height

        def draw(self) -> None:
            draw(self.canv)

    return Drawing()


def _draw_swatch(canvas: Any, look: str, x: float, y: float, width: float, height: float) -> None:
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x, y, width, height)
    canvas.clipPath(path, stroke=0, fill=0)
    draw_hatch(canvas, (x, y, x + width, y + height), look)
    canvas.restoreState()
    canvas.saveState()
    canvas.setStrokeGray(0)
    canvas.setLineWidth(1)
    canvas.rect(x, y, width, height, stroke=1, fill=0)
    canvas.restoreState()


# ---- one patch


def _draw_patch(canvas: Any, site: SiteMap, place: int, width: float, height: float, system: UnitSystem) -> None:
    patch_id = site.patch_ids[place]
    units = [number for number, owner in enumerate(site.unit_patches) if owner == patch_id]
    dimensions = choose_dimensions(site.dimensions.get(patch_id, ()))
    outline = _bounds(site.patches[place : place + 1])
    ends = np.array([point for item in dimensions for point in (item.start, item.end)]).reshape(-1, 2)
    bounds = join_bounds(outline, ends, 0.8)
    view, legend = _fit_frame(site, bounds, width, height, system, place)
    ink = Ink(canvas, view)
    _open_frame(ink)
    _draw_water(ink, site)
    _draw_access(ink, site)
    _draw_neighbours(ink, site, place)
    _draw_units(ink, site, units)
    ink.draw(site.patches[place], line=2.0)
    _draw_records(ink, site)
    _draw_receptors(ink, site)
    _draw_dimensions(ink, dimensions, system)
    _label_units(ink, site, units, patch_id)
    limiting = {item.feature for item in dimensions}
    _label_features(ink, site, limiting)
    _label_neighbours(ink, site, place)
    canvas.restoreState()
    _finish_frame(ink, site, legend, system)


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
    box = shapely.total_bounds(geometry)
    return tuple(box.tolist()) if len(geometry) and np.isfinite(box).all() else (-50.0, -50.0, 50.0, 50.0)


def _fit_frame(
    site: SiteMap, bounds: Bounds, width: float, height: float, system: UnitSystem, place: int | None
) -> tuple[View, list[list[tuple[float, str, Sign]]]]:
    """Return frame and legend; the legend's rows are counted for what the frame shows, and take their height from it."""
    rows: list[list[tuple[float, str, Sign]]] = []
    for count in (2, 3, 4, 5, 6):
        low = _STRIP_PT + count * _ROW_PT + _GUTTER_PT
        view = frame_ground(bounds, (_GUTTER_PT, low, width - 1, height - 1), system)
        rows = legend_rows(_list_signs(site, view, place), width, _LEGEND_PT)
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
    geometry, table = site.layers.get("water", (np.empty(0, object), None))
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
    geometry, table = site.layers.get("access", (np.empty(0, object), None))
    if table is None:
        return
    for number in near_frame(geometry, ink.view):
        _draw_way(ink, geometry[number], standing=str(table["kind"].iloc[number]) == "standing")


def _draw_way(ink: Ink, shape: Any, *, standing: bool) -> None:
    if shape.geom_type.endswith("Point"):
        for x, y in ink.view.place(shapely.get_coordinates(shape)).tolist():
            _draw_stand(ink.canvas, x, y)
    elif shape.geom_type.endswith("LineString"):
        ink.draw(shape, line=3.6 if standing else 3.2, grey=0.0, dash=(1, 3) if standing else ())
        if not standing:
            ink.draw(shape, line=1.8, grey=1.0)
    else:
        ink.draw(shape, line=1.2, dash=(1, 3) if standing else (6, 2))


def _draw_stand(canvas: Any, x: float, y: float) -> None:
    """Draw the mark of a place for vehicles or for standing: a cross in a circle."""
    canvas.saveState()
    canvas.setLineWidth(1)
    canvas.setFillGray(1)
    canvas.setStrokeGray(0)
    canvas.circle(x, y, 5, stroke=1, fill=1)
    canvas.line(x - 5, y, x + 5, y)
    canvas.line(x, y - 5, x, y + 5)
    canvas.restoreState()


def _draw_neighbours(ink: Ink, site: SiteMap, place: int) -> None:
    for number in near_frame(site.patches, ink.view):
        if number != place:
            ink.draw(site.patches[number], line=0.9, grey=0.5, dash=(3, 2))


def _draw_units(ink: Ink, site: SiteMap, units: Sequence[int]) -> None:
    for number in units:
        ink.draw(site.units[number], fill=1.0)
        ink.hatch(site.units[number], site.unit_looks[number])
    for number in units:
        ink.draw(site.units[number], line=1.1)


def _draw_records(ink: Ink, site: SiteMap) -> None:
    geometry, _ = site.layers.get("history", (np.empty(0, object), None))
    for number in near_frame(geometry, ink.view):
        ink.draw(geometry[number], line=1.3, grey=0.2, dash=(1, 2.5))


def _draw_receptors(ink: Ink, site: SiteMap) -> None:
    geometry, table = site.layers.get("receptors", (np.empty(0, object), None))
    if table is None:
        return
    kinds = _receptor_kinds(site)
    for number in near_frame(geometry, ink.view):
        shape, kind = geometry[number], str(table["kind"].iloc[number])
        if shape.geom_type.endswith("Point"):
            for x, y in ink.view.place(shapely.get_coordinates(shape)).tolist():
                draw_marker(ink.canvas, kinds.index(kind), x, y)
                ink.taken.append((x - 5, y - 5, x + 5, y + 5))
        else:
            ink.draw(shape, line=1.4, dash=(7, 2, 1.5, 2))


def _receptor_kinds(site: SiteMap) -> list[str]:
    """Return the kinds of receptors of the site, sorted: the place of a kind is its marker on every sheet."""
    _, table = site.layers.get("receptors", (None, None))
    return [] if table is None else sorted({str(kind) for kind in table["kind"]})


def _draw_dimensions(ink: Ink, items: Sequence[Dimension], system: UnitSystem) -> None:
    """Draw lines between the nearest points, with a bar at each end and the distance beside the middle."""
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
        ink.label(show_length(item.size_m, system), spots, bold=True, must=True)


_LABEL_ROOM_PT: Final = 60.0


# ---- labels


def _label_units(ink: Ink, site: SiteMap, units: Sequence[int], patch_id: str) -> None:
    """Write the number of each unit in a circle in it; beside it with a leader where the unit is too narrow."""
    for number in units:
        part = shapely.clip_by_rect(site.units[number], *ink.view.ground)
        if part.is_empty:
            continue
        circle = shapely.maximum_inscribed_circle(part, ink.view.point_m)
        x, y = ink.view.place(shapely.get_coordinates(circle)[:1])[0].tolist()
        room = shapely.length(circle) / ink.view.point_m
        font = load_fonts().bold
        text = shorten(clean(short_unit(site.unit_ids[number], patch_id)), font, UNIT_PT, 60)
        wide = ink.canvas.stringWidth(text, font, UNIT_PT) + 8
        spots = list_spots(x, y, 16, 8)
        spot = ink.find_spot(spots if room > _NARROW_PT else spots[1:], wide, 16, must=True) or (x, y)
        if room <= _NARROW_PT or math.hypot(spot[0] - x, spot[1] - y) > room:
            ink.canvas.setStrokeGray(0)
            ink.canvas.setLineWidth(0.9)
            ink.canvas.line(x, y, *spot)
            ink.canvas.setFillGray(0)
            ink.canvas.circle(x, y, 2.2, stroke=0, fill=1)
        ink.canvas.setFillGray(1)
        ink.canvas.setStrokeGray(0)
        ink.canvas.setLineWidth(1.1)
        ink.canvas.roundRect(spot[0] - wide / 2, spot[1] - 8, wide, 16, 7, stroke=1, fill=1)
        ink.canvas.setFillGray(0)
        ink.canvas.setFont(font, UNIT_PT)
        ink.canvas.drawCentredString(spot[0], spot[1] - 4, text)


_NARROW_PT: Final = 6.0


def short_unit(unit_id: str, patch_id: str) -> str:
    """Return the part of a unit's id that its patch's id does not say: "02" of B04-02."""
    rest = unit_id.removeprefix(f"{patch_id}-")
    return rest or unit_id


def _label_features(
    ink: Ink, site: SiteMap, limiting: set[str], names: Sequence[str] = ("water", "receptors", "access")
) -> None:
    """Write the names of features: those that limit first, the others where there is room."""
    waiting = []
    for name in names:
        geometry, table = site.layers.get(name, (np.empty(0, object), None))
        if table is None:
            continue
        for number in near_frame(geometry, ink.view):
            label = str(table["label"].iloc[number])
            waiting.append((label not in limiting, name, number, label, geometry[number]))
    for optional, name, number, label, shape in sorted(waiting, key=lambda item: item[:3]):
        part = shapely.clip_by_rect(shape, *ink.view.ground) if not shape.geom_type.endswith("Point") else shape
        if part.is_empty:
            continue
        x, y = ink.view.place(np.array([find_middle(part)]))[0].tolist()
        _, table = site.layers[name]
        known = str(table["name"].iloc[number]) if "name" in table.columns else ""
        text = known if known not in ("", "nan", "None") else label
        spots = list_spots(x, y, 13, 6)
        ink.label(text, spots[1:] if part.geom_type.endswith("Point") else spots, must=not optional)


def _label_neighbours(ink: Ink, site: SiteMap, place: int) -> None:
    for number in near_frame(site.patches, ink.view):
        part = shapely.clip_by_rect(site.patches[number], *ink.view.ground)
        if number != place and not part.is_empty:
            x, y = ink.view.place(np.array([find_middle(part)]))[0].tolist()
            ink.label(site.patch_ids[number], list_spots(x, y, 10, 3))


# ---- frame, scale, north, legend


def _finish_frame(ink: Ink, site: SiteMap, legend: list[list[tuple[float, str, Sign]]], system: UnitSystem) -> None:
    canvas, (left, low, right, top) = ink.canvas, ink.view.box
    _draw_ticks(ink, site)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(1.4)
    canvas.setDash([])
    canvas.rect(left, low, right - left, top - low, stroke=1, fill=0)
    strip = low - _GUTTER_PT - _STRIP_PT
    _draw_scale(canvas, ink.view, left + 4, strip + 6, system)
    _draw_north(canvas, right - 14, strip + 13, find_north(ink.view, site.crs))
    canvas.setFont(load_fonts().regular, _TICK_PT)
    canvas.drawRightString(right - 36, strip + 8, shorten(clean(f"Grid: {site.grid.name}"), load_fonts().regular, _TICK_PT, 215))
    for number, row in enumerate(legend):
        y = strip - (number + 1) * _ROW_PT + 3
        for x, text, sign in row:
            canvas.saveState()
            sign(canvas, x, y)
            canvas.restoreState()
            canvas.setFillGray(0)
            canvas.setFont(load_fonts().regular, _LEGEND_PT)
            canvas.drawString(x + 26, y + 1, text)


def _draw_ticks(ink: Ink, site: SiteMap) -> None:
    """Draw grid lines as short ticks at the edges, with their labels outside, and small crosses inside."""
    canvas, view = ink.canvas, ink.view
    left, low, right, top = view.box
    canvas.saveState()
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.8)
    canvas.setFont(load_fonts().regular, _TICK_PT)
    busy: dict[str, float] = {}
    for tick in find_ticks(view, site.crs, site.grid):
        half = canvas.stringWidth(tick.label, load_fonts().regular, _TICK_PT) / 2
        if tick.side == "x":
            first, second = (float(view.place(np.array([[at, 0.0]]))[0, 0]) for at in (tick.first, tick.second))
            canvas.line(first, low, first, low + 6)
            canvas.line(second, top, second, top - 6)
            middle, span = first, (left, right)
        else:
            first, second = (float(view.place(np.array([[0.0, at]]))[0, 1]) for at in (tick.first, tick.second))
            canvas.line(left, first, left + 6, first)
            canvas.line(right, second, right - 6, second)
            middle, span = first, (low, top)
        if middle - half < max(span[0], busy.get(tick.side, span[0])) or middle + half > span[1]:
            continue
        busy[tick.side] = middle + half + 6
        if tick.side == "x":
            canvas.drawCentredString(middle, low - 10, tick.label)
        else:
            canvas.saveState()
            canvas.translate(left - 4, middle)
            canvas.rotate(90)
            canvas.drawCentredString(0, 0, tick.label)
            canvas.restoreState()
    canvas.restoreState()


def _draw_scale(canvas: Any, view: View, x: float, y: float, system: UnitSystem) -> None:
    unit_m, unit = (FOOT_M, "ft") if system == "us" else (1.0, "m")
    longest = 150 * view.point_m / unit_m
    step = choose_step(longest, 4)
    count = max(1, int(longest // step))
    wide = step * unit_m / view.point_m
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.9)
    canvas.setFont(load_fonts().regular, _TICK_PT + 0.5)
    for number in range(count):
        canvas.setFillGray(0 if number % 2 == 0 else 1)
        canvas.rect(x + number * wide, y, wide, 5, stroke=1, fill=1)
    canvas.setFillGray(0)
    canvas.drawString(x - 2, y + 8, "0")
    end = x + count * wide
    canvas.drawCentredString(end, y + 8, f"{step * count:,.12g} {unit}")
    words = f"1 in = {view.scale / 12:,.0f} ft" if system == "us" and view.scale % 12 == 0 else f"1 : {view.scale:,}"
    canvas.drawString(end + 34, y + 2, f"{words} at full size")


def _draw_north(canvas: Any, x: float, y: float, angle: float) -> None:
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(angle)
    canvas.setLineWidth(1)
    path = canvas.beginPath()
    for number, point in enumerate(((0, 12), (5, -9), (0, -5), (-5, -9))):
        (path.lineTo if number else path.moveTo)(*point)
    path.close()
    canvas.setFillGray(0)
    canvas.drawPath(path, stroke=1, fill=1)
    canvas.restoreState()
    canvas.setFont(load_fonts().bold, 11)
    canvas.drawCentredString(x - 14, y - 4, "N")


def _list_signs(site: SiteMap, view: View, place: int | None) -> list[tuple[str, Sign]]:
    """Return the signs that a frame needs: hatches of the units seen, water, ways, receptors."""
    signs: list[tuple[str, Sign]] = []
    if place is not None:
        seen = {site.unit_looks[number] for number, owner in enumerate(site.unit_patches) if owner == site.patch_ids[place]}
        known = [look for look in HATCHES if look in seen] + sorted(seen - set(HATCHES))
        signs += [(_WORDS.get(look, look or "not classed"), _hatch_sign(look)) for look in known]
    else:
        signs += [(STATUS_WORDS[status], _hatch_sign(look)) for status, look in STATUS_LOOKS.items() if status in site.patch_status]
    signs += _water_signs(site, view)
    kinds = _receptor_kinds(site)
    geometry, table = site.layers.get("receptors", (np.empty(0, object), None))
    near = near_frame(geometry, view)
    if table is not None:
        points = {str(table["kind"].iloc[n]) for n in near if geometry[n].geom_type.endswith("Point")}
        areas = {str(table["kind"].iloc[n]) for n in near} - points
        signs += [(kind or "receptor", _marker_sign(kinds.index(kind))) for kind in sorted(points)]
        signs += [(f"{kind or 'receptor'} (outline)", _line_sign(1.4, (7, 2, 1.5, 2))) for kind in sorted(areas)]
    signs += _way_signs(site, view)
    if place is not None:
        if any(number != place for number in near_frame(site.patches, view)):
            signs.append(("other patch", _line_sign(0.9, (3, 2), 0.5)))
        if near_frame(site.layers.get("history", (np.empty(0, object), None))[0], view):
            signs.append(("earlier application", _line_sign(1.3, (1, 2.5))))
    return signs


#: How a patch is drawn on the map of the site, by how much of it is planned.
STATUS_LOOKS: Final = {"planned": "open", "partly": "hand methods only", "none": NO_OPTION}
STATUS_WORDS: Final = {"planned": "patch planned", "partly": "patch planned in part", "none": "nothing planned"}


def _water_signs(site: SiteMap, view: View) -> list[tuple[str, Sign]]:
    geometry, table = site.layers.get("water", (np.empty(0, object), None))
    near = near_frame(geometry, view)
    if table is None or not near:
        return []
    states = {str(table["state"].iloc[number]) == "dry" for number in near} if "state" in table.columns else {False}

    def wet(canvas: Any, x: float, y: float) -> None:
        canvas.setFillGray(0.84)
        canvas.setStrokeGray(0.3)
        canvas.rect(x, y - 1, 20, 10, stroke=1, fill=1)

    def dry(canvas: Any, x: float, y: float) -> None:
        canvas.setDash([5, 4])
        canvas.setStrokeGray(0.3)
        canvas.rect(x, y - 1, 20, 10, stroke=1, fill=0)

    return [*([("water", wet)] if False in states else []), *([("water bed mapped dry", dry)] if True in states else [])]


def _way_signs(site: SiteMap, view: View) -> list[tuple[str, Sign]]:
    geometry, table = site.layers.get("access", (np.empty(0, object), None))
    if table is None:
        return []
    near = near_frame(geometry, view)
    signs: list[tuple[str, Sign]] = []
    lines = {str(table["kind"].iloc[n]) == "standing" for n in near if geometry[n].geom_type.endswith("LineString")}
    if False in lines:

        def road(canvas: Any, x: float, y: float) -> None:
            for wide, grey in ((3.2, 0.0), (1.8, 1.0)):
                canvas.setLineWidth(wide)
                canvas.setStrokeGray(grey)
                canvas.line(x, y + 4, x + 20, y + 4)

        signs.append(("road or track", road))
    if True in lines:
        signs.append(("bank to stand on", _line_sign(3.6, (1, 3))))
    if any(geometry[n].geom_type.endswith("Point") for n in near):
        signs.append(("parking or place to stand", lambda canvas, x, y: _draw_stand(canvas, x + 10, y + 4)))
    return signs


def _hatch_sign(look: str) -> Sign:
    return lambda canvas, x, y: _draw_swatch(canvas, look, x, y - 1, 20, 11)


def _marker_sign(number: int) -> Sign:
    return lambda canvas, x, y: draw_marker(canvas, number, x + 12, y + 4)


def _line_sign(width: float, dash: Sequence[float], grey: float = 0.0) -> Sign:
    def draw(canvas: Any, x: float, y: float) -> None:
        canvas.setLineWidth(width)
        canvas.setDash(list(dash))
        canvas.setStrokeGray(grey)
        canvas.line(x, y + 4, x + 20, y + 4)

    return draw


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
    ink.taken.clear()
    for number, shape in enumerate(site.patches):
        if shape.is_empty:
            continue
        x, y = view.place(np.array([find_middle(shape)]))[0].tolist()
        spot = ink.label(labels[number], list_spots(x, y, 9, 5), bold=True, must=True)
        if spot is not None and math.hypot(spot[0] - x, spot[1] - y) > LABEL_PT:
            canvas.setStrokeGray(0)
            canvas.setLineWidth(0.6)
            canvas.line(x, y, *spot)
    _label_features(ink, site, set(), ("water", "access"))
    canvas.restoreState()
    _finish_frame(ink, site, legend, system)
