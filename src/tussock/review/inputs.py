"""In: the layers of a plan, the files of its site. Out: findings where a plan shows patches or features otherwise.

A plan that was falsified from its map on holds together by itself; only the files that it was made from tell.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import InputError
from tussock.base.sources import find_inside, list_layers, open_copy
from tussock.base.spikes import drop_spikes
from tussock.base.validity import make_valid
from tussock.review.evidence import Evidence
from tussock.review.geometry import list_simple, settle
from tussock.review.rows import Row, info, pick_rows, violation, warning

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
GeometryArray = NDArray[Any]

#: Layers of a site file that decide what may be used, and their layers in plan.gpkg.
_LAYERS: Final = {"infestations": "patches", "water": "water", "receptors": "receptors"}
#: Columns whose words decide; a blank in the file may be filled by the plan.
_WORDS: Final = {
    "infestations": ("species", "growth_form"),
    "water": ("kind", "state", "width_ft", "width_m"),
    "receptors": ("kind",),
}
#: Words that a plan may fill: a state that is not known counts as wet.
_OPEN: Final = ("", "unknown")
#: A vertex may stand off by this [m]: repair, rounding and the way through other CRSs.
_OFF_M: Final = 0.05
_DEGREE_M: Final = 111_320.0
_ARCS: Final = "OGR_ARC_STEPSIZE"
#: A spike that is thinner is none [m].
_THIN_M: Final = 1e-6
#: Features over more than this, and how far around the patches they are compared [degrees].
_VAST_DEG: Final = 9.0
_AROUND_DEG: Final = 0.5
#: Dimension of the parts of a collection, and what joins several of it.
_GROUND: Final = (2, shapely.union_all)
_THINGS: Final = ((1, shapely.multilinestrings), (0, shapely.multipoints))
#: Vertices of a layer that are looked at, evenly spread.
_POINTS: Final = 20_000


def check_layers(evidence: Evidence, site_path: Path, *, allow_outside: bool = False) -> list[Row]:
    """Check that patches, water and receptors of the plan stand where the files of the site have them."""
    try:
        content = tomllib.loads(site_path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError):
        return []  # told by the check of the hashes
    specs = content.get("layers")
    taken = {given: kind for item in evidence.catalog.rulesets for given, kind in item.ruleset.kinds.items()}
    rows: list[Row] = []
    for role, name in _LAYERS.items():
        spec = specs.get(role) if isinstance(specs, Mapping) else None
        delivered = evidence.delivered.layers.get(name)
        if not isinstance(spec, Mapping) or delivered is None or delivered.crs is None:
            continue
        try:
            drawn = _read(site_path.parent, spec, f"layers.{role}", allow_outside)
        except (InputError, OSError, ValueError, ImportError, RuntimeError) as error:
            found = error.faults[0] if isinstance(error, InputError) else None
            why = "a layer that cannot be read" if found is None else found.found
            note = "open it beside plan.gpkg and compare by eye" if found is None else found.need
            rows.append(warning(str(spec.get("path")), f"not compared: {why}", "", note))
            continue
        drawn = _part_kinds(drawn, ground_only=role == "infestations")
        rows += _compare_ground(name, drawn, delivered, shapely.total_bounds(evidence.patch_degrees))
        rows += _compare_words(role, spec, drawn, delivered, taken)
    return [*rows, info("plan.gpkg", "patches, water and receptors against the files of the site")]


def _read(folder: Path, spec: Mapping[str, Any], key: str, allow_outside: bool) -> gpd.GeoDataFrame:
    """Return a layer of a file with its CRS."""
    import geopandas as gpd
    import pyogrio

    name, layer = str(spec.get("path")), spec.get("layer")
    path = find_inside(folder, name, key, allow_outside=allow_outside)
    with open_copy(path, name, key, None if allow_outside else folder) as copy:
        if not copy.drivers:
            frame = gpd.read_parquet(copy.path)
        else:
            list_layers(copy, name, key)
            before = pyogrio.get_gdal_config_option(_ARCS)
            pyogrio.set_gdal_config_options({_ARCS: "0.1"})  # chords of arcs, which stand inside them
            try:
                frame = pyogrio.read_dataframe(copy.address, layer=layer, on_invalid="fix", fid_as_index=False)
            finally:
                pyogrio.set_gdal_config_options({_ARCS: None if before is None else str(before)})
    if not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None:
        raise ValueError("no layer with a CRS")
    return frame


def _part_kinds(drawn: gpd.GeoDataFrame, *, ground_only: bool) -> gpd.GeoDataFrame:
    """Return a layer with collections as a plan has them: a row each for polygons, lines and points, in this order.

    Of patches only the ground counts.
    """
    shapes = np.asarray(drawn.geometry.array, dtype=object)
    simple, place = list_simple(shapes)
    dimension = shapely.get_dimensions(simple)
    rows, outlines = [], []
    for row, shape in enumerate(shapes):  # a loop over geometry: collections are few, the others are left as they are
        if shape is None or shape.geom_type != "GeometryCollection":
            rows.append(row)
            outlines.append(shape)
            continue
        for wanted, join in (_GROUND, *(() if ground_only else _THINGS)):
            own = simple[(place == row) & (dimension == wanted)]
            if len(own):
                rows.append(row)
                outlines.append(join(own))
    return drawn.iloc[rows].set_geometry(outlines, crs=drawn.crs)


def _compare_ground(name: str, drawn: gpd.GeoDataFrame, delivered: gpd.GeoDataFrame, around: FloatArray) -> list[Row]:
    """Find vertices of either layer that are on no outline of the other, each measured in the other's CRS.

    Of a layer with features over many degrees only what lies around the patches is compared: a plan holds no more.
    """
    thin = _THIN_M / _unit_m(drawn.crs)
    shapes = np.asarray(drawn.geometry.array, dtype=object)
    vast = _is_vast(shapes, drawn.crs)
    ours = _clean(settle(shapes, (around[0] + around[2]) / 2) if drawn.crs.is_geographic else shapes, thin)
    theirs = _clean(np.asarray(delivered.geometry.array, dtype=object), thin)
    rows = []
    for shapes, source, others, target, found, expected in (
        (ours, drawn.crs, theirs, delivered.crs, "not in the plan", "on an outline of the plan"),
        (theirs, delivered.crs, ours, drawn.crs, "not in the file of the site", "on an outline of that file"),
    ):
        xy = shapely.get_coordinates(shapes)
        xy = _pick(xy[_lie_around(_move(xy, source, "EPSG:4326"), around)] if vast else xy)
        off = ~_find_on(_move(xy, source, target), others, target)
        degrees = _move(xy, source, "EPSG:4326")
        rows += pick_rows(
            off,
            lambda k, found=found, expected=expected, degrees=degrees: violation(  # type: ignore[misc]
                f"plan.gpkg, {name}, {degrees[k, 1]:.6f} {degrees[k, 0]:.6f}",
                f"a vertex {found}",
                expected,
                "moved, left out, or drawn otherwise than when it was planned",
            ),
        )
    return rows


def _is_vast(shapes: GeometryArray, crs: CRS) -> bool:
    """Tell whether a layer has a feature over many degrees; one drawn on both sides of 180 counts as one."""
    extent = shapely.bounds(shapes) * _unit_m(crs) / _DEGREE_M
    return bool((np.maximum(extent[:, 2] - extent[:, 0], extent[:, 3] - extent[:, 1]) > _VAST_DEG).any())


def _lie_around(degrees: FloatArray, box: FloatArray) -> BoolArray:
    """Tell which points lie around a box in degrees, on whichever turn of the globe."""
    middle = (box[0] + box[2]) / 2
    lon = degrees[:, 0] - 360.0 * np.round((degrees[:, 0] - middle) / 360.0)
    aside = _AROUND_DEG / max(np.cos(np.radians(np.abs(box[[1, 3]]).max())), _AROUND_DEG)
    inside = (lon >= box[0] - aside) & (lon <= box[2] + aside)
    return np.asarray(
        inside & (degrees[:, 1] >= box[1] - _AROUND_DEG) & (degrees[:, 1] <= box[3] + _AROUND_DEG), dtype=bool
    )


def _unit_m(crs: CRS) -> float:
    return _DEGREE_M if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _clean(shapes: GeometryArray, thin: float) -> GeometryArray:
    """Return shapes as a plan takes them: flat, valid, without spikes of no width."""
    shapes = shapely.force_2d(shapes[~shapely.is_missing(shapes)])
    broken = ~shapely.is_valid(shapes)
    shapes[broken] = make_valid(shapes[broken])
    areal = np.isin(shapely.get_type_id(shapes), (3, 6))  # Polygon, MultiPolygon
    shapes[areal] = drop_spikes(shapes[areal], thin)[0]
    return shapes


def _pick(xy: FloatArray) -> FloatArray:
    if len(xy) <= _POINTS:
        return xy
    return xy[np.linspace(0, len(xy) - 1, _POINTS).astype(np.intp)]


def _move(xy: FloatArray, source: Any, target: Any) -> FloatArray:
    from pyproj import Transformer

    transformer = Transformer.from_crs(source, target, always_xy=True)
    return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))


def _find_on(xy: FloatArray, shapes: GeometryArray, crs: CRS) -> BoolArray:
    """Tell which points are within the tolerance of an edge or a point of some shapes, on whichever turn of 180."""
    on = np.zeros(len(xy), dtype=bool)
    tree = shapely.STRtree(_list_edges(shapes))
    width = _find_world_width(crs)
    for turn in (0.0, -width, width):
        points = shapely.points(xy[:, 0] + turn, xy[:, 1])
        on[tree.query(points, predicate="dwithin", distance=_OFF_M / _unit_m(crs))[0]] = True
    return on


def _find_world_width(crs: CRS) -> float:
    """Return how wide the globe is where meridians are upright and evenly spaced; 0 in any other CRS."""
    if crs.is_geographic:
        return 360.0
    xy = _move(np.array([[-45.0, 0.0], [0.0, 0.0], [45.0, 0.0], [45.0, 50.0]]), "EPSG:4326", crs)
    step = xy[2, 0] - xy[1, 0]
    even = abs(xy[1, 0] - xy[0, 0] - step) < 1.0 and abs(xy[3, 0] - xy[2, 0]) < 1.0
    return float(8 * step) if np.isfinite(xy).all() and even else 0.0


def _list_edges(shapes: GeometryArray) -> GeometryArray:
    """Return each edge of polygons and lines, and each point."""
    parts, _ = list_simple(shapes)
    areal = shapely.get_type_id(parts) == 3  # noqa: PLR2004  (Polygon)
    lines = np.concatenate([shapely.get_rings(parts[areal]), parts[~areal]])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    first = np.flatnonzero(line[1:] == line[:-1])
    edges = shapely.linestrings(np.stack([xy[first], xy[first + 1]], axis=1))
    return np.concatenate([edges, parts[shapely.get_type_id(parts) == 0]])


def _compare_words(
    role: str,
    spec: Mapping[str, Any],
    drawn: gpd.GeoDataFrame,
    delivered: gpd.GeoDataFrame,
    taken: Mapping[str, str],
) -> list[Row]:
    """Find words and widths that the plan has otherwise than the file, row by row where it has as many rows.

    A kind that the rule files take as another stands as that in the plan.
    """
    mapped = spec.get("columns")
    mapped = mapped if isinstance(mapped, Mapping) else {}
    known = {str(column).casefold(): column for column in drawn.columns}
    if len(drawn) != len(delivered):
        found = f"{len(delivered)} rows"
        return [violation(f"plan.gpkg, {_LAYERS[role]}", found, f"{len(drawn)}, as {spec.get('path')} has")]
    rows = []
    lines = drawn.geometry.geom_type.str.endswith("LineString").to_numpy(dtype=bool)
    zero = ("0",) if spec.get("zero_width") != "none" else ()  # a width that is not known
    for column in _WORDS[role]:
        theirs = mapped.get(column, known.get(column))
        if theirs not in drawn.columns or column not in delivered.columns:
            continue
        one, two = (_to_words(frame[name]) for frame, name in ((drawn, theirs), (delivered, column)))
        one = [taken.get(word, word) for word in one] if column == "kind" else one
        free = _OPEN + (zero if column.startswith("width") else ())
        changed = np.array([a not in free and a != b for a, b in zip(one, two, strict=True)], dtype=bool)
        if column.startswith("width"):
            changed &= lines  # what is drawn as ground has its own width
        rows += pick_rows(
            changed,
            lambda k, one=one, two=two, column=column: violation(  # type: ignore[misc]
                f"plan.gpkg, {_LAYERS[role]}, row {k + 1}, {column}", two[k], f"{one[k]}, as in {spec.get('path')}"
            ),
        )
    return rows


def _to_words(values: Any) -> list[str]:
    """Return cells as plain words: blanks empty, numbers to six digits."""
    words = []
    for value, missing in zip(values.tolist(), values.isna().tolist(), strict=True):
        if missing:
            words.append("")
        elif isinstance(value, int | float):
            words.append(str(int(value)) if float(value).is_integer() else f"{value:.6g}")
        else:
            words.append(" ".join(str(value).split()).casefold())
    return words
