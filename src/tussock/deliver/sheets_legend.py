"""In: a map frame and what it shows. Out: its edge: grid ticks, scale bar, north arrow, legend of the signs in use."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from tussock.base.columns import UnitSystem
from tussock.base.units import FOOT_M
from tussock.deliver.sheets_ground import (
    LOOK_ONLY,
    NO_OPTION,
    OPEN_LIMITED,
    SiteMap,
    View,
    choose_step,
    find_north,
    find_ticks,
)
from tussock.deliver.sheets_ink import HATCHES, Ink, draw_hatch, draw_marker, near_frame, shorten, text_width
from tussock.deliver.sheets_layout import clean, load_fonts
from tussock.trade.places import find_access_use

Sign = Callable[[Any, float, float], None]
LegendRow = list[tuple[float, str, Sign]]

TICK_PT: Final = 8.5
LEGEND_PT: Final = 10.0
ROW_PT: Final = 15.0
STRIP_PT: Final = 30.0
GUTTER_PT: Final = 13.0
_WORDS: Final = {
    "open": "open",
    OPEN_LIMITED: "open, with limits by rule",
    "aquatic-labelled only": "aquatic-labelled products only",
    "hand methods only": "hand methods only",
    "no herbicide": "no herbicide",
    NO_OPTION: "no option: leave untreated",
    LOOK_ONLY: "look only: found empty",
}


def receptor_kinds(site: SiteMap) -> list[str]:
    """Return the kinds of receptors of the site, sorted: the place of a kind is its marker on every sheet."""
    _, table = site.layer("receptors")
    return [] if table is None else sorted({str(kind) for kind in table["kind"]})


def draw_stand(canvas: Any, x: float, y: float) -> None:
    """Draw the mark of a place for vehicles or for standing: a cross in a circle."""
    canvas.saveState()
    canvas.setLineWidth(1)
    canvas.setFillGray(1)
    canvas.setStrokeGray(0)
    canvas.circle(x, y, 5, stroke=1, fill=1)
    canvas.line(x - 5, y, x + 5, y)
    canvas.line(x, y - 5, x, y + 5)
    canvas.restoreState()


def draw_swatch(canvas: Any, look: str, x: float, y: float, width: float, height: float) -> None:
    """Draw a box with the hatch of a class of use."""
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


# ---- frame, scale, north


def finish_frame(ink: Ink, site: SiteMap, legend: list[LegendRow], system: UnitSystem) -> None:
    """Draw what stands at the edge and below a map: frame, grid ticks, scale bar, north arrow, legend."""
    canvas, (left, low, right, top) = ink.canvas, ink.view.box
    _draw_ticks(ink, site)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(1.4)
    canvas.setDash([])
    canvas.rect(left, low, right - left, top - low, stroke=1, fill=0)
    strip = low - GUTTER_PT - STRIP_PT
    _draw_scale(canvas, ink.view, left + 4, strip + 6, system)
    _draw_north(canvas, right - 14, strip + 13, find_north(ink.view, site.crs))
    canvas.setFont(load_fonts().regular, TICK_PT)
    canvas.drawRightString(
        right - 36, strip + 8, shorten(clean(f"Grid: {site.grid.name}"), load_fonts().regular, TICK_PT, 215)
    )
    for number, row in enumerate(legend):
        y = strip - (number + 1) * ROW_PT + 3
        for x, text, sign in row:
            canvas.saveState()
            sign(canvas, x, y)
            canvas.restoreState()
            canvas.setFillGray(0)
            canvas.setFont(load_fonts().regular, LEGEND_PT)
            canvas.drawString(x + _SIGN_PT, y + 1, text)


def _draw_ticks(ink: Ink, site: SiteMap) -> None:
    """Draw grid lines as short ticks at the edges, with their labels outside, and small crosses inside."""
    canvas, view = ink.canvas, ink.view
    left, low, right, top = view.box
    canvas.saveState()
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(0.8)
    canvas.setFont(load_fonts().regular, TICK_PT)
    busy: dict[str, float] = {}
    for tick in find_ticks(view, site.crs, site.grid):
        half = canvas.stringWidth(tick.label, load_fonts().regular, TICK_PT) / 2
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
    canvas.setFont(load_fonts().regular, TICK_PT + 0.5)
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


def list_signs(site: SiteMap, view: View, place: int | None) -> list[tuple[str, Sign]]:
    """Return the signs that a frame needs: hatches of the units seen, water, ways, receptors."""
    signs: list[tuple[str, Sign]] = []
    if place is not None:
        seen = {
            site.unit_looks[number] for number, owner in enumerate(site.unit_patches) if owner == site.patch_ids[place]
        }
        known = [look for look in HATCHES if look in seen] + sorted(seen - set(HATCHES))
        signs += [(_WORDS.get(look, look or "not classed"), _hatch_sign(look)) for look in known]
    else:
        signs += [
            (STATUS_WORDS[status], _hatch_sign(look))
            for status, look in STATUS_LOOKS.items()
            if status in site.patch_status
        ]
    signs += _water_signs(site, view)
    kinds = receptor_kinds(site)
    geometry, table = site.layer("receptors")
    near = near_frame(geometry, view)
    if table is not None:
        points = {str(table["kind"].iloc[n]) for n in near if geometry[n].geom_type.endswith("Point")}
        areas = {str(table["kind"].iloc[n]) for n in near} - points
        signs += [(kind or "receptor", _marker_sign(kinds.index(kind))) for kind in sorted(points)]
        if areas:
            signs.append((f"outline: {', '.join(sorted(areas))}", _line_sign(1.4, (7, 2, 1.5, 2))))
    signs += _way_signs(site, view)
    if place is not None:
        if any(number != place for number in near_frame(site.patches, view)):
            signs.append(("other patch", _line_sign(0.9, (3, 2), 0.5)))
        if near_frame(site.layer("history")[0], view):
            signs.append(("earlier application", _line_sign(1.3, (1, 2.5))))
    return signs


#: How a patch is drawn on the map of the site, by how much of it is planned.
STATUS_LOOKS: Final = {"planned": "open", "partly": "hand methods only", "none": NO_OPTION}
STATUS_WORDS: Final = {"planned": "patch planned", "partly": "patch planned in part", "none": "nothing planned"}


def _water_signs(site: SiteMap, view: View) -> list[tuple[str, Sign]]:
    geometry, table = site.layer("water")
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

    return [
        *([("water", wet)] if False in states else []),
        *([("water bed mapped dry", dry)] if True in states else []),
    ]


def _way_signs(site: SiteMap, view: View) -> list[tuple[str, Sign]]:
    geometry, table = site.layer("access")
    if table is None:
        return []
    near = near_frame(geometry, view)
    signs: list[tuple[str, Sign]] = []
    drawn = [str(table["kind"].iloc[n]) for n in near if geometry[n].geom_type.endswith("LineString")]
    lines = {find_access_use(kind) == "standing" for kind in drawn}
    if False in lines:

        def road(canvas: Any, x: float, y: float) -> None:
            for wide, grey in ((3.2, 0.0), (1.8, 1.0)):
                canvas.setLineWidth(wide)
                canvas.setStrokeGray(grey)
                canvas.line(x, y + 4, x + 20, y + 4)

        signs.append(("road, track or fence", road))
    if True in lines:
        signs.append(("bank to stand on", _line_sign(3.6, (1, 3))))
    if any(geometry[n].geom_type.endswith("Point") for n in near):
        signs.append(("parking or place to stand", lambda canvas, x, y: draw_stand(canvas, x + 10, y + 4)))
    return signs


def _hatch_sign(look: str) -> Sign:
    return lambda canvas, x, y: draw_swatch(canvas, look, x, y - 1, 20, 11)


def _marker_sign(number: int) -> Sign:
    return lambda canvas, x, y: draw_marker(canvas, number, x + 12, y + 4)


def _line_sign(width: float, dash: Sequence[float], grey: float = 0.0) -> Sign:
    def draw(canvas: Any, x: float, y: float) -> None:
        canvas.setLineWidth(width)
        canvas.setDash(list(dash))
        canvas.setStrokeGray(grey)
        canvas.line(x, y + 4, x + 20, y + 4)

    return draw


def legend_rows(items: Sequence[tuple[str, Sign]], width: float, size: float) -> list[LegendRow]:
    """Set the signs of a legend in rows: for each row the place [pt], the words and the sign."""
    font = load_fonts().regular
    rows: list[LegendRow] = [[]]
    x = 0.0
    for text, sign in items:
        shown = shorten(clean(text), font, size, width - _SIGN_PT)
        wide = _SIGN_PT + text_width(shown, font, size)
        if rows[-1] and x + wide > width:
            rows.append([])
            x = 0.0
        rows[-1].append((x, shown, sign))
        x += wide + _GAP_PT
    return rows


_SIGN_PT: Final = 26.0
_GAP_PT: Final = 12.0
