"""In: a plan. Out: its patches, units, features and nearest points in one true plane, and what a map frame shows.

The plane is an azimuthal equal-area one centred on the site [m], so that the scale bar is true whatever CRS the layers
came in. The grid at the edges of a map is in the CRS of the infestation layer, or in degrees where that has none to
measure in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import LENGTH, UnitSystem
from tussock.base.geodesy import find_transformer, move_geometry, transform_points
from tussock.base.records import LOOK
from tussock.base.stages import PlanTables
from tussock.deliver.earlier import list_counted_records

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from pyproj import CRS

FloatArray = NDArray[np.float64]
GeometryArray = NDArray[Any]
Bounds = tuple[float, float, float, float]

_POWERS: Final = (1, 10, 100, 1000, 10_000, 100_000)
#: Scales of a map; those of a US sheet make an inch a round number of feet.
_SCALES: Final[Mapping[UnitSystem, tuple[int, ...]]] = {
    "us": tuple(12 * step * power for power in _POWERS for step in (10, 12, 15, 20, 25, 30, 40, 50, 60, 80)),
    "metric": tuple(step * power for power in _POWERS for step in (100, 125, 150, 200, 250, 300, 400, 500, 600, 800)),
}
_POINT_M: Final = 0.0254 / 72
_LEAST_FRAME_M: Final = 20.0
_EDGE_SAMPLES: Final = 65
_FIVES: Final = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Grid:
    """The coordinates printed at the edges of a map: their CRS, its name, and whether they are degrees."""

    crs: CRS
    name: str
    degrees: bool


@dataclass(frozen=True)
class Dimension:
    """A distance to draw: from a unit to a feature, both in the plane [m], and the distance [m]."""

    unit_id: str
    feature: str
    start: tuple[float, float]
    end: tuple[float, float]
    size_m: float


@dataclass(frozen=True)
class SiteMap:
    """Everything that maps show, in the plane.

    Attributes
    ----------
    crs
        The plane.
    patches, units
        Geometries, with ``patch_ids``, ``unit_ids`` and the rows of the plan's tables beside them.
    layers
        Water, receptors, access and history: geometry and table of each.
    dimensions
        Distances that limit, by patch.
    """

    crs: CRS
    grid: Grid
    patch_ids: tuple[str, ...]
    patches: GeometryArray
    patch_status: tuple[str, ...]
    unit_ids: tuple[str, ...]
    unit_patches: tuple[str, ...]
    units: GeometryArray
    unit_looks: tuple[str, ...]
    layers: Mapping[str, tuple[GeometryArray, pd.DataFrame]]
    dimensions: Mapping[str, tuple[Dimension, ...]]

    def layer(self, name: str) -> tuple[GeometryArray, pd.DataFrame | None]:
        """Return geometry and table of a layer; nothing and None where the site has none."""
        return self.layers.get(name, (np.empty(0, dtype=object), None))


def _list_features(plan: PlanTables) -> Iterator[tuple[str, gpd.GeoDataFrame]]:
    """Yield the layers that maps show; of earlier applications those that count in the year."""
    for name, frame in plan.features.items():
        counted = list_counted_records(plan) if name == "history" else frame
        if counted is not None:
            yield str(name), counted


def lay_out_site(plan: PlanTables) -> SiteMap:
    """Bring everything that maps show into one plane."""
    own = plan.patches.crs
    drawn = np.asarray(plan.patches.geometry.array, dtype=object)
    plane = make_plane(drawn, own)
    layers: dict[str, tuple[GeometryArray, pd.DataFrame]] = {
        name: (_move(frame, plane), frame.drop(columns=frame.geometry.name)) for name, frame in _list_features(plan)
    }
    units, looks = plan.units, find_looks(plan)
    return SiteMap(
        crs=plane,
        grid=choose_grid(own),
        patch_ids=tuple(plan.patches["patch_id"].astype(str)),
        patches=move_geometry(drawn, own, plane),
        patch_status=tuple(plan.patches["status"].astype(str)),
        unit_ids=tuple(units["unit_id"].astype(str)),
        unit_patches=tuple(units["patch_id"].astype(str)),
        units=_move(units, plane),
        unit_looks=tuple(looks[name] for name in units["unit_id"].astype(str)),
        layers=layers,
        dimensions=_find_dimensions(plan, plane),
    )


#: How a unit without a treatment is drawn, whatever the rules leave open.
NO_OPTION: Final = "no option"
#: How a unit is drawn that was found empty: it is looked at and not treated.
LOOK_ONLY: Final = "look only"
#: How an open unit is drawn where a rule near it forbids something (a method, an active, some months).
OPEN_LIMITED: Final = "open, with limits"


def find_looks(plan: PlanTables) -> dict[str, str]:
    """Return how each unit is drawn: by what the rules leave open, or that it has no option."""
    table = plan.compliance
    near = (table["effect"] == "forbids") & (table["distance_verdict"] != "clear") & table["from_lon"].notna()
    limited = set(table.loc[near, "unit_id"].astype(str))
    looks = {}
    for unit in plan.units[["unit_id", "status", "method", "allowed_use"]].itertuples():
        use = str(unit.allowed_use)
        open_look = OPEN_LIMITED if str(unit.unit_id) in limited else use
        look = NO_OPTION if unit.status != "planned" else open_look if use == "open" else use
        looks[str(unit.unit_id)] = LOOK_ONLY if unit.method == LOOK else look
    return looks


def _move(frame: Any, plane: CRS) -> GeometryArray:
    return move_geometry(np.asarray(frame.geometry.array, dtype=object), frame.crs, plane)


def make_plane(geometry: GeometryArray, crs: CRS) -> CRS:
    """Return an azimuthal equal-area plane centred on some geometries (over the antimeridian too)."""
    import shapely
    from pyproj import CRS as MakeCRS  # noqa: N811  (the class, beside the name used for types)

    box = shapely.bounds(geometry[~shapely.is_empty(geometry)]) if len(geometry) else np.empty((0, 4))
    if not len(box):
        return MakeCRS.from_proj4("+proj=laea +lat_0=0 +lon_0=0 +datum=WGS84 +units=m +type=crs")
    middle = np.column_stack([(box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2])
    lon, lat = map(np.radians, transform_points(find_transformer(crs, "EPSG:4326"), middle[:, 0], middle[:, 1]))
    # the mean of directions from the Earth's centre: the middle of longitudes 179 and -179 is 180
    x, y, z = (np.cos(lat) * np.cos(lon)).mean(), (np.cos(lat) * np.sin(lon)).mean(), np.sin(lat).mean()
    lat_0, lon_0 = np.degrees(np.arctan2(z, np.hypot(x, y))), np.degrees(np.arctan2(y, x))
    return MakeCRS.from_proj4(f"+proj=laea +lat_0={lat_0:.4f} +lon_0={lon_0:.4f} +datum=WGS84 +units=m +type=crs")


def choose_grid(crs: CRS) -> Grid:
    """Return the layer's CRS as the grid of the maps; degrees for a geographic one or the web's Mercator."""
    from pyproj import CRS as MakeCRS  # noqa: N811

    if crs.is_projected and "pseudo" not in crs.name.casefold() and crs.to_epsg() != _WEB_MERCATOR:
        unit = crs.axis_info[0].unit_name
        return Grid(crs, f"{crs.name} [{'m' if unit == 'metre' else unit}]", degrees=False)
    return Grid(MakeCRS.from_epsg(4326), "WGS 84 longitude and latitude", degrees=True)


_WEB_MERCATOR: Final = 3857


def _find_dimensions(plan: PlanTables, plane: CRS) -> dict[str, tuple[Dimension, ...]]:
    """Return the distances that limit something, by patch: to features of a setback that forbids somewhere in it."""
    table = plan.compliance
    limits = table[(table["effect"] == "forbids") & table["from_lon"].notna()]
    binding = limits[limits["distance_verdict"] != "clear"]
    pairs = set(zip(binding["patch_id"], binding["setback_id"], binding["feature"], strict=True))
    system = plan.site.options.units
    size_m = limits[f"achieved_{LENGTH.suffix(system)}"] * LENGTH.size(system)
    move = find_transformer(_wgs84(), plane.to_wkt())
    start = np.column_stack(
        transform_points(move, limits["from_lon"].to_numpy(float), limits["from_lat"].to_numpy(float))
    )
    end = np.column_stack(transform_points(move, limits["to_lon"].to_numpy(float), limits["to_lat"].to_numpy(float)))
    found: dict[str, dict[tuple[str, str], Dimension]] = {}
    for place, row in enumerate(limits.itertuples()):
        key = (str(row.patch_id), str(row.setback_id), str(row.feature))
        if key not in pairs or not size_m.iloc[place] > 0:
            continue
        item = Dimension(
            str(row.unit_id),
            key[2],
            tuple(start[place].tolist()),
            tuple(end[place].tolist()),
            float(size_m.iloc[place]),
        )
        found.setdefault(key[0], {}).setdefault((item.unit_id, item.feature), item)
    return {patch_id: tuple(items.values()) for patch_id, items in found.items()}


def _wgs84() -> CRS:
    from pyproj import CRS as MakeCRS  # noqa: N811

    return MakeCRS.from_epsg(4326)


@dataclass(frozen=True)
class View:
    """A map frame: its box on the page [pt], the ground in it [m], and the scale."""

    box: Bounds
    ground: Bounds
    scale: int

    @property
    def point_m(self) -> float:
        """Ground covered by one point of the page [m]."""
        return self.scale * _POINT_M

    def place(self, coordinates: FloatArray) -> FloatArray:
        """Return places on the page of places in the plane, shape (n, 2)."""
        corner = np.array(self.ground[:2])
        placed: FloatArray = (np.asarray(coordinates, dtype=float) - corner) / self.point_m + np.array(self.box[:2])
        return placed


def frame_ground(bounds: Bounds, box: Bounds, system: UnitSystem) -> View:
    """Choose scale and ground of a frame so that some bounds fit in it, with a rim.

    Parameters
    ----------
    bounds
        What must be seen [m].
    box
        The frame on the page [pt].
    system
        Whether an inch is to be a round number of feet.
    """
    wide = max(bounds[2] - bounds[0], _LEAST_FRAME_M) * _RIM
    high = max(bounds[3] - bounds[1], _LEAST_FRAME_M) * _RIM
    need = max(wide / (box[2] - box[0]), high / (box[3] - box[1])) / _POINT_M
    scale = next((step for step in _SCALES[system] if step >= need), int(np.ceil(need)))
    middle = ((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    half = ((box[2] - box[0]) / 2 * scale * _POINT_M, (box[3] - box[1]) / 2 * scale * _POINT_M)
    return View(box, (middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1]), scale)


_RIM: Final = 1.14


def join_bounds(bounds: Bounds, points: FloatArray, most: float) -> Bounds:
    """Widen bounds to take points in, each side by at most ``most`` times the larger side."""
    if not len(points):
        return bounds
    reach = max(bounds[2] - bounds[0], bounds[3] - bounds[1], _LEAST_FRAME_M) * most
    low, high = points.min(axis=0), points.max(axis=0)
    return (
        max(min(bounds[0], float(low[0])), bounds[0] - reach),
        max(min(bounds[1], float(low[1])), bounds[1] - reach),
        min(max(bounds[2], float(high[0])), bounds[2] + reach),
        min(max(bounds[3], float(high[1])), bounds[3] + reach),
    )


def choose_step(length: float, pieces: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that divides a length into about so many pieces, never more."""
    if not length > 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(length / pieces))
    return float(next((power * five for five in (*_FIVES, 10.0) if power * five >= length / pieces), power * 10))


@dataclass(frozen=True)
class Tick:
    """Where a grid line meets the frame: side ("x" bottom and top, "y" left and right), label, both places [m]."""

    side: str
    label: str
    first: float
    second: float


def find_ticks(view: View, plane: CRS, grid: Grid, pieces: int = 4) -> list[Tick]:
    """Find where the lines of a grid meet the edges of a frame, whatever the grid's convergence."""
    left, low, right, high = view.ground
    along_x, along_y = np.linspace(left, right, _EDGE_SAMPLES), np.linspace(low, high, _EDGE_SAMPLES)
    move = find_transformer(plane, grid.crs.to_wkt())
    edges = {
        "x": [move.transform(along_x, np.full(_EDGE_SAMPLES, edge))[0] for edge in (low, high)],
        "y": [move.transform(np.full(_EDGE_SAMPLES, edge), along_y)[1] for edge in (left, right)],
    }
    ticks = []
    for side, both in edges.items():
        turns = grid.degrees and side == "x"
        first, second = (np.unwrap(np.asarray(item), period=360.0) if turns else np.asarray(item) for item in both)
        low_end = max(np.min(first), np.min(second))
        high_end = min(np.max(first), np.max(second))
        if not (np.isfinite(low_end) and np.isfinite(high_end) and high_end > low_end):
            continue
        step = choose_step(float(high_end - low_end), pieces)
        along = along_x if side == "x" else along_y
        for value in np.arange(np.ceil(low_end / step), np.floor(high_end / step) + 1) * step:
            places = [float(np.interp(value, *_rising(np.asarray(item), along))) for item in (first, second)]
            ticks.append(Tick(side, _name_tick(float(value), step, side, grid), places[0], places[1]))
    return ticks


def _rising(values: FloatArray, along: FloatArray) -> tuple[FloatArray, FloatArray]:
    return (values, along) if values[-1] >= values[0] else (values[::-1], along[::-1])


def _name_tick(value: float, step: float, side: str, grid: Grid) -> str:
    if not grid.degrees:
        digits = max(0, int(-np.floor(np.log10(step))))
        return f"{'E' if side == 'x' else 'N'} {value:,.{digits}f}".replace(",", " ")
    digits = max(0, int(-np.floor(np.log10(step) + 1e-9)))
    if side == "x":
        value = (value + 180.0) % 360.0 - 180.0
        return f"{abs(value):.{digits}f}° {'W' if value < 0 else 'E'}"
    return f"{abs(value):.{digits}f}° {'S' if value < 0 else 'N'}"


def find_north(view: View, plane: CRS) -> float:
    """Return the direction of true north at the middle of a frame [degrees, anticlockwise from the top of the page]."""
    middle = ((view.ground[0] + view.ground[2]) / 2, (view.ground[1] + view.ground[3]) / 2)
    lon, lat = find_transformer(plane, "EPSG:4326").transform(*middle)
    east, north = find_transformer(_wgs84(), plane.to_wkt()).transform(lon, lat + 1e-4 * (1 if lat < 89 else -1))  # noqa: PLR2004  (a step that stays on the globe)
    angle = float(np.degrees(np.arctan2(middle[0] - east, north - middle[1])))
    return angle if lat < 89 else (angle + 180.0) % 360.0  # noqa: PLR2004
