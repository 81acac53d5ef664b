"""In: a plan and its compliance table. Out: a small map of each finding, as outlines in a square, and as SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.geodesy import move_geometry
from tussock.base.stages import PlanTables
from tussock.base.text import show_length
from tussock.base.verdicts import FAILS, FIELD_CHECK
from tussock.deliver.escape import escape_html
from tussock.deliver.sheets_words import read_si

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]

#: Side of a map in its own units; y runs up.
SIDE: Final = 200.0
#: Maps that a page shows at most.
MOST_MAPS: Final = 24
#: Half of the ground that a map shows, at least [m].
_LEAST_M: Final = 12.0
_BARS_FT: Final = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
_BARS_M: Final = (2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)
#: What is drawn, from the bottom up.
KINDS: Final = ("feature", "patch", "unit", "setback")


@dataclass(frozen=True)
class Trace:
    """One line of a map: what it shows, its corners in the square, whether it closes."""

    kind: str
    points: tuple[tuple[float, float], ...]
    closed: bool


@dataclass(frozen=True)
class FindingMap:
    """A small map of one finding.

    Attributes
    ----------
    title, caption
        Unit and rule; distance, feature and verdict in words.
    traces
        Unit, the rest of its patch, the feature, the line of the setback.
    pair
        Nearest points on unit and feature, in the square.
    distance
        Length of the way between them, in words.
    bar
        Length of the scale bar in the square, and in words.
    """

    title: str
    caption: str
    traces: tuple[Trace, ...]
    pair: tuple[tuple[float, float], tuple[float, float]]
    distance: str
    bar: tuple[float, str]


def list_maps(plan: PlanTables, most: int = MOST_MAPS) -> tuple[list[FindingMap], int]:
    """Return the maps of the findings that matter, the worst first, and how many more there are.

    Parameters
    ----------
    plan
        With its compliance table.
    most
        Maps at most.
    """
    table = plan.compliance
    chosen = table[table["verdict"].isin([FAILS, FIELD_CHECK]) & table["from_lon"].notna() & table["to_lon"].notna()]
    rows = [{str(key): value for key, value in row.items()} for row in chosen.to_dict("records")]
    system = plan.site.options.units

    def margin(row: dict[str, Any]) -> tuple[bool, float]:
        asked, found = (read_si(row, name, c.LENGTH, system) for name in ("required", "achieved"))
        return row["verdict"] != FAILS, found - asked if math.isfinite(found - asked) else math.inf

    rows.sort(key=margin)
    return [draw_finding(plan, row) for row in rows[:most]], max(len(rows) - most, 0)


def draw_finding(plan: PlanTables, row: dict[str, Any]) -> FindingMap:
    """Return the map of one row of the compliance table that has its nearest points."""
    system = plan.site.options.units
    ends = np.array([[row["from_lon"], row["from_lat"]], [row["to_lon"], row["to_lat"]]], dtype=float)
    local = _find_local(ends)
    points = shapely.get_coordinates(move_geometry(shapely.points(ends), _degrees(), local))
    unit = plan.units[plan.units["unit_id"] == row["unit_id"]]
    size = {name: read_si(row, name, c.LENGTH, system) for name in ("required", "achieved", "error")}
    outline = move_geometry(np.asarray(unit.geometry.array, dtype=object)[:1], plan.units.crs, local)
    middle = points.mean(axis=0)
    half = _find_half_m(size, outline, middle)
    scale = SIDE / (2 * half)

    def place(xy: FloatArray) -> FloatArray:
        placed: FloatArray = (xy - middle) * scale + SIDE / 2
        return placed

    traces = [
        trace
        for kind, shapes in _list_shapes(plan, row, local, middle, half).items()
        for shape in shapes
        for trace in _trace(kind, shape, middle, half, place)
    ]
    distance = show_length(size["achieved"], system)
    caption = (
        f"{distance} from {row['feature']}; asked for {show_length(size['required'], system)}, "
        f"error {show_length(size['error'], system)}: {row['verdict']}"
    )
    pair = [tuple(np.round(point, 2).tolist()) for point in place(points)]
    return FindingMap(
        f"{row['unit_id']}, {row['setback_id']}",
        caption,
        tuple(traces),
        (pair[0], pair[1]),
        distance,
        _find_bar(scale, system),
    )


def _degrees() -> CRS:
    from pyproj import CRS

    return CRS.from_epsg(4326)


def _find_local(ends: FloatArray) -> CRS:
    from pyproj import CRS

    lon, lat = ends[0].round(4).tolist()
    return CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m +type=crs")


def _find_half_m(size: dict[str, float], outline: Any, middle: FloatArray) -> float:
    """Return half of the ground shown [m]: the way and the setback, and the whole unit where it is not much more."""
    asked = sum(value for value in (size["required"], size["error"]) if math.isfinite(value))
    least = max(_LEAST_M, 1.3 * asked, 0.9 * size["achieved"])
    west, south, east, north = shapely.total_bounds(outline)
    whole = max(abs(west - middle[0]), abs(east - middle[0]), abs(south - middle[1]), abs(north - middle[1]))
    return float(min(max(least, 1.1 * whole), 3 * least))


def _list_shapes(
    plan: PlanTables, row: dict[str, Any], local: CRS, middle: FloatArray, half: float
) -> dict[str, list[Any]]:
    """Return the outlines to draw by what they show, in the order of drawing, in the local CRS."""
    setback = next((item for _, item in plan.site.setbacks() if item.id == row["setback_id"]), None)
    shapes: dict[str, list[Any]] = {kind: [] for kind in KINDS}
    wanted = None if setback is None else setback.source_filter
    frame = None if wanted is None else plan.features.get(wanted.layer)
    if frame is not None:
        own = frame[frame["label"].astype(str) == str(row["feature"])]
        width = own["width_m"].to_numpy(dtype=float) if "width_m" in own.columns else np.zeros(len(own))
        moved = move_geometry(np.asarray(own.geometry.array, dtype=object), own.crs, local)
        for shape, wide in zip(moved, np.nan_to_num(width), strict=True):
            line = shape.geom_type.endswith("LineString") and wide > 0
            near = shapely.clip_by_rect(shape, *_find_window(middle, 1.5 * half + wide)) if line else shape
            shapes["feature"].append(shapely.buffer(near, wide / 2) if line else shape)
    unit = plan.units[plan.units["unit_id"] == row["unit_id"]]
    patch = plan.units[(plan.units["patch_id"] == row["patch_id"]) & (plan.units["unit_id"] != row["unit_id"])]
    zone = plan.setback_zones[plan.setback_zones["setback_id"] == row["setback_id"]]
    for kind, part in (("patch", patch), ("unit", unit), ("setback", zone)):
        if len(part):
            shapes[kind] += move_geometry(np.asarray(part.geometry.array, dtype=object), part.crs, local).tolist()
    shapes["setback"] = [shapely.boundary(shape) for shape in shapes["setback"]]
    return shapes


def _find_window(middle: FloatArray, half: float) -> tuple[float, float, float, float]:
    return middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half


def _trace(kind: str, shape: Any, middle: FloatArray, half: float, place: Any) -> list[Trace]:
    """Return the lines of a shape near the square; a point is a small diamond."""
    if shape is None or shape.is_empty:
        return []
    if shape.geom_type in ("Point", "MultiPoint"):
        shape = shapely.buffer(shape, half / 40, quad_segs=1)
    near = shapely.clip_by_rect(shape, *_find_window(middle, 1.08 * half))
    near = shapely.simplify(near, half / 600, preserve_topology=False)
    traces = []
    for part in shapely.get_parts(near):
        rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
        for ring in rings:
            points = np.round(place(shapely.get_coordinates(ring)), 2)
            if len(points) > 1:
                closed = part.geom_type == "Polygon"
                traces.append(Trace(kind, tuple(map(tuple, points.tolist())), closed))
    return traces


def _find_bar(scale: float, system: c.UnitSystem) -> tuple[float, str]:
    """Return a round length of about a quarter of the square."""
    sizes, unit, size_m = (_BARS_FT, "ft", 0.3048) if system == "us" else (_BARS_M, "m", 1.0)
    fitting = [size for size in sizes if size * size_m * scale <= SIDE * 0.4] or [sizes[0]]
    return round(fitting[-1] * size_m * scale, 2), f"{fitting[-1]:,} {unit}"


#: How each kind is drawn: fill grey, line grey and width, dashes; all tell apart in black and white.
LOOKS: Final[dict[str, tuple[float | None, float, float, tuple[float, ...]]]] = {
    "feature": (0.62, 0.25, 0.8, ()),
    "patch": (None, 0.55, 0.7, (1.0, 2.0)),
    "unit": (0.9, 0.0, 2.0, ()),
    "setback": (None, 0.0, 1.3, (6.0, 3.0)),
}
LEGEND: Final = (
    "Thick outline: the unit. Dark ground: the feature. Dashes: the line of the setback, errors counted. Dots: the "
    "rest of the patch. The line between two circles joins the nearest points. North is up."
)


def place_label(finding: FindingMap) -> tuple[float, float, str]:
    """Return where the distance is written, y up, and whether it starts, ends or centres there."""
    (x0, y0), (x1, y1) = finding.pair
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    if math.hypot(x1 - x0, y1 - y0) > SIDE / 4 and abs(x1 - x0) > abs(y1 - y0):
        return x, y + 8, "middle"
    right = max(x0, x1)
    return (right + 7, y + 5, "start") if right < SIDE * 0.7 else (min(x0, x1) - 7, y + 5, "end")


def to_svg(finding: FindingMap) -> str:
    """Return a map as SVG for a page: shapes and texts only, every text escaped."""
    clip = f'viewBox="0 0 {SIDE:g} {SIDE:g}" width="{SIDE * 1.4:g}" height="{SIDE * 1.4:g}"'
    alt = escape_html(f"Map of {finding.title}: {finding.caption}")
    parts = [f'<svg {clip} role="img" aria-label="{alt}" class="finding">']
    for kind in KINDS:
        data = "".join(_path(trace) for trace in finding.traces if trace.kind == kind)
        if data:
            fill, line, width, dash = LOOKS[kind]
            dashes = f' stroke-dasharray="{" ".join(f"{item:g}" for item in dash)}"' if dash else ""
            parts.append(
                f'<path d="{data}" fill="{_grey(fill)}" fill-rule="evenodd" stroke="{_grey(line)}" '
                f'stroke-width="{width:g}"{dashes}/>'
            )
    parts += _draw_pair(finding)
    length, words = finding.bar
    parts.append(
        f'<path d="M8 {SIDE - 10:g}v4h{length:g}v-4" fill="none" stroke="#000" stroke-width="1.5"/>'
        + _text(8 + length / 2, SIDE - 13, words, "middle")
    )
    parts.append(
        f'<path d="M{SIDE - 12:g} 24v-14m-4 5l4 -6l4 6" fill="none" stroke="#000" stroke-width="1.5"/>'
        + _text(SIDE - 12, 34, "N", "middle")
    )
    parts.append(f'<rect x="0.5" y="0.5" width="{SIDE - 1:g}" height="{SIDE - 1:g}" fill="none" stroke="#000"/></svg>')
    return "".join(parts)


def _path(trace: Trace) -> str:
    points = " ".join(f"{x:g} {SIDE - y:g}" for x, y in ((x, y) for x, y in trace.points))
    return f"M{points}{'Z' if trace.closed else ''}"


def _draw_pair(finding: FindingMap) -> list[str]:
    (x0, y0), (x1, y1) = finding.pair
    y0, y1 = SIDE - y0, SIDE - y1
    line = f'<path d="M{x0:g} {y0:g}L{x1:g} {y1:g}" stroke="#000" stroke-width="1.2"/>'
    ends = "".join(
        f'<circle cx="{x:g}" cy="{y:g}" r="3" fill="{fill}" stroke="#000" stroke-width="1.2"/>'
        for x, y, fill in ((x0, y0, "#fff"), (x1, y1, "#000"))
    )
    x, y, anchor = place_label(finding)
    return [line, ends, _text(x, SIDE - y, finding.distance, anchor)]


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}" font-size="11" font-family="sans-serif" '
        f'paint-order="stroke" stroke="#fff" stroke-width="3" fill="#000">{escape_html(words)}</text>'
    )


def _grey(share: float | None) -> str:
    if share is None:
        return "none"
    level = round(share * 255)
    return f"#{level:02x}{level:02x}{level:02x}"
