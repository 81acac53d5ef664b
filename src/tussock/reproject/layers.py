"""In: repaired layers in their own CRSs. Out: `Measured`: true areas, and cells whose CRS is fit for distances."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import CrsError, Fault
from tussock.base.findings import Finding, findings_table
from tussock.base.geodesy import (
    DatumPath,
    Way,
    find_area_m2,
    find_distance_m,
    move_geometry,
    move_points,
    transform_points,
)
from tussock.base.records import ColumnDistance
from tussock.base.stages import Cell, CrsReport, LayerName, Measured, Repaired, Site
from tussock.base.turns import find_middle, gather
from tussock.base.units import FOOT_M
from tussock.reproject import crs as crs_tools
from tussock.reproject.datums import Shift, find_datum, find_shifts, list_shifts
from tussock.reproject.edges import CellPlace, Surroundings, hold_layer, make_find_bend

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
GeometryArray = NDArray[Any]

#: A layer further than this from every patch, in degrees, is taken for misplaced.
_MISPLACED_DEG: Final = 1.0
#: Features this far beyond a cell are still seen from it.
_MARGIN_M: Final = 100_000.0
_FEATURES: Final[tuple[LayerName, ...]] = ("water", "receptors", "access", "history")
_RULED: Final[tuple[LayerName, ...]] = ("water", "receptors")
_DISTANCE_FLOOR: Final = 1e-7
#: Vertices of patches that the distortion is taken at are thinned to one in a square of this side [degrees], where they
#: are many: it changes by less than 1e-6 over it.
_THIN_DEG: Final = 5e-4
_MANY: Final = 50_000
#: Moved to another datum and back, a point that comes back to within this is where it was [m].
_ROUNDING_M: Final = 1e-7


def reproject_layers(site: Site, repaired: Repaired) -> Measured:
    """Measure the patches truly and move every layer into CRSs that distances can be taken in.

    All layers are taken to the datum of the patches first, each by one operation. What is straight in the CRS of a
    layer stays so.

    Parameters
    ----------
    site
        Choices of the site file (``crs``, tolerance), rules (how far they reach).
    repaired
        Sound layers.

    Returns
    -------
    Measured
        Areas are geodesic areas on the ellipsoid. One cell for most sites; several where one CRS would put
        distances off by more than 1e-4.

    Raises
    ------
    CrsError
        The named CRS is not fit for this site; a layer lies nowhere near the patches; or it stands on another datum
        and no shift of known and sufficient accuracy leads there.
    """
    patches = repaired.layers["infestations"].frame
    lon, lat = _find_centroids(patches)
    _check_places(repaired, patches)
    shifts, told = find_shifts(repaired)
    reach_m = _find_most_reach_m(site, repaired)
    spots = _find_spots(patches)
    report, groups = _choose(site, patches, lon, lat, spots)
    places = [_place_cell(crs, lon[members], lat[members]) for members, crs in groups]
    measured = _measure(patches)
    held = _hold(repaired, measured, shifts, places, reach_m)
    cells = tuple(
        _make_cell(repaired, held, members, crs, (lon[members], lat[members]), _pick_spots(spots, members), reach_m)
        for members, crs in groups
    )
    area_error = max(crs_tools.find_distortion(crs, *_pick_spots(spots, members)).area_error for members, crs in groups)
    report = replace(
        report,
        cells=len(cells),
        area_error=area_error,
        distance_error=max(cell.distance_error for cell in cells),
        datum=find_datum(patches.crs),
        shifts=list_shifts(shifts),
    )
    return Measured(measured, cells, held.features, report, findings_table(_describe(report) + told + held.findings))


@dataclass(frozen=True)
class _Held:
    """Layers with points on long edges: in their own CRS, and features in that of the patches; how far edges stand off.

    ``shifts`` has the way of each layer to the datum of the patches.
    """

    patches: gpd.GeoDataFrame
    drawn: dict[LayerName, gpd.GeoDataFrame]
    features: dict[LayerName, gpd.GeoDataFrame]
    shifts: dict[LayerName, DatumPath | None]
    left_m: dict[str, float]
    findings: list[Finding]


def _hold(
    repaired: Repaired, home: gpd.GeoDataFrame, shifts: dict[LayerName, Shift], cells: list[CellPlace], reach_m: float
) -> _Held:
    """Move the features to the CRS of the patches, with points on the edges of all that would bend on the way."""
    drawn = np.asarray(home.geometry.array, dtype=object)
    around = Surroundings([(drawn, home.crs)], reach_m)
    middle = find_middle(np.asarray(home.geometry.array, dtype=object), home.crs)
    features: dict[LayerName, gpd.GeoDataFrame] = {}
    own: dict[LayerName, gpd.GeoDataFrame] = {}
    paths = {name: shifts[name].path if name in shifts else None for name in repaired.layers}
    left_m: dict[str, float] = {}
    findings: list[Finding] = []
    for name, layer in repaired.layers.items():
        if name in ("infestations", "stems"):
            continue
        frame, shift = layer.frame, paths[name]
        way = None if frame.crs == home.crs else Way(frame.crs, home.crs, shift)
        find_bend_m = make_find_bend(frame.crs, way, cells, shift)
        shapes = np.asarray(frame.geometry.array, dtype=object)
        geometry, left, told = hold_layer(shapes, frame.crs, find_bend_m, around, name)
        moved = geometry if way is None else move_geometry(geometry, frame.crs, home.crs, shift)
        own[name] = frame.set_geometry(geometry, crs=frame.crs)
        moved = gather(moved, home.crs, middle).geometry  # on the turn of the patches
        features[name] = frame.set_geometry(moved, crs=None).set_crs(home.crs, allow_override=True)
        left_m[name], findings = left, findings + told
    others = [(np.asarray(frame.geometry.array, dtype=object), home.crs) for frame in features.values()]
    if len(repaired.overlaps):
        others.append((np.asarray(repaired.overlaps.geometry.array, dtype=object), home.crs))
    patches, left, told = hold_layer(
        drawn, home.crs, make_find_bend(home.crs, None, cells), Surroundings(others, reach_m), "infestations"
    )
    held = home.set_geometry(patches, crs=None).set_crs(home.crs, allow_override=True)
    return _Held(held, own, features, paths, {**left_m, "infestations": left}, told + findings)


def _place_cell(crs: CRS, lon: FloatArray, lat: FloatArray) -> CellPlace:
    return CellPlace(crs, crs_tools.find_centre(lon, lat), crs_tools.find_radius_m(lon, lat) + _MARGIN_M)


def _find_most_reach_m(site: Site, repaired: Repaired) -> float:
    """Return how far any rule reaches from the line or point of a feature, errors counted [m]."""
    most = 0.0
    for _, setback in site.setbacks():
        wanted = setback.source_filter
        layer = None if wanted is None else repaired.layers.get(wanted.layer)
        if wanted is None or layer is None or setback.distance == "anywhere":
            continue
        distance = setback.distance
        if not isinstance(distance, ColumnDistance):
            most = max(most, float(distance))
        elif distance.column in layer.frame.columns:
            import pandas as pd

            values: Any = pd.to_numeric(layer.frame[distance.column], errors="coerce")
            size = values.to_numpy(dtype=float) * (FOOT_M if distance.unit == "ft" else 1.0) * distance.times
            most = max(most, float(np.nanmax(size, initial=0.0, where=np.isfinite(size))))
    widths = repaired.layers["water"].frame["width_m"]
    half = float(widths.max()) / 2 if len(widths) else 0.0
    return most + float(np.nan_to_num(half)) + sum(layer.accuracy_m or 0.0 for layer in repaired.layers.values())


Spots = tuple[FloatArray, FloatArray, IntArray]


def _find_spots(patches: gpd.GeoDataFrame) -> Spots:
    """Return vertices of the patches in degrees, thinned where they are many, and the place of the patch of each."""
    xy, owner = shapely.get_coordinates(np.asarray(patches.geometry.array, dtype=object), return_index=True)
    degrees = move_points(xy, patches.crs, "EPSG:4326")
    if len(degrees) > _MANY:
        squares = np.column_stack([np.round(degrees / _THIN_DEG), owner])
        kept = np.sort(np.unique(squares, axis=0, return_index=True)[1])
        degrees, owner = degrees[kept], owner[kept]
    return degrees[:, 0], degrees[:, 1], owner.astype(np.intp)


def _pick_spots(spots: Spots, members: IntArray) -> tuple[FloatArray, FloatArray]:
    lon, lat, owner = spots
    own = np.isin(owner, members)
    return lon[own], lat[own]


def _measure(patches: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    measured = patches.copy()
    measured["area_m2"] = find_area_m2(np.asarray(patches.geometry.array, dtype=object), patches.crs)
    for cover, infested in (
        ("cover_pct", "infested_m2"),
        ("cover_low_pct", "infested_low_m2"),
        ("cover_high_pct", "infested_high_m2"),
    ):
        measured[infested] = measured["area_m2"] * measured[cover] / 100
    return measured


def _find_centroids(patches: gpd.GeoDataFrame) -> tuple[FloatArray, FloatArray]:
    """Return one point of each patch in degrees: the middle of its box, which needs no CRS fit for measuring."""
    bounds = patches.geometry.bounds.to_numpy()
    transformer = _to_degrees(patches.crs)
    return transform_points(transformer, (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2)


def _to_degrees(crs: CRS) -> Any:
    from tussock.base.geodesy import find_transformer

    return find_transformer(crs, "EPSG:4326")


def _choose(
    site: Site, patches: gpd.GeoDataFrame, lon: FloatArray, lat: FloatArray, spots: Spots
) -> tuple[CrsReport, list[tuple[IntArray, CRS]]]:
    """Return the CRS report (still without errors) and the groups of patches with the CRS of each."""
    if site.options.crs == "auto":
        groups = []
        for members in crs_tools.split_cells(lon, lat):
            centre = crs_tools.find_centre(lon[members], lat[members])
            groups.append((members, crs_tools.make_equal_area_crs(*centre, patches.crs)))
        crs = groups[0][1]
        operation = crs.coordinate_operation
        origin = {item.name: item.value for item in operation.params} if operation is not None else {}
        name = (
            "Lambert azimuthal equal-area, centred at "
            f"{origin.get('Latitude of natural origin', 0):.2f}, {origin.get('Longitude of natural origin', 0):.2f}"
        )
        return CrsReport(name, crs.to_wkt(), "auto", len(groups), 0.0, 0.0), groups
    where = site.path.name
    crs = crs_tools.read_named_crs(site.options.crs, where)
    area_error = crs_tools.find_distortion(crs, spots[0], spots[1]).area_error
    tolerance = site.options.crs_area_tolerance
    if area_error > tolerance:
        found = f'"{site.options.crs}" ({crs.name}), whose areas here are off by {area_error:.3%}'
        need = (
            f'use crs = "auto", a CRS made for this region, or state the tolerance: '
            f'crs_area_tolerance = "{np.ceil(area_error * 1e4) / 100:g} %" (now {tolerance:.3%})'
        )
        raise CrsError(Fault(where, "site.crs", found, need))
    report = CrsReport(crs.name, crs.to_wkt(), "named", 1, 0.0, 0.0)
    return report, [(np.arange(len(lon)), crs_tools.use_metres(crs))]


def _make_cell(
    repaired: Repaired,
    held: _Held,
    members: IntArray,
    crs: CRS,
    middles: tuple[FloatArray, FloatArray],
    spots: tuple[FloatArray, FloatArray],
    reach_m: float,
) -> Cell:
    home = held.patches.crs
    own = held.patches.iloc[members]
    pairs = repaired.overlaps
    paired = pairs[pairs["patch_a"].isin(own.index) | pairs["patch_b"].isin(own.index)]
    others = held.patches.loc[held.patches.index.isin({*paired["patch_a"], *paired["patch_b"]})]
    seen_m = crs_tools.find_radius_m(*middles) + _MARGIN_M
    centre = crs_tools.find_centre(*middles)
    near = {name: _move(_pick_near(held, name, centre, seen_m), crs, held.shifts.get(name)) for name in _FEATURES}
    lost_m = _find_lost_m(home, crs, *spots)
    scale = crs_tools.find_distortion(crs, *crs_tools.spread_points(*spots, reach_m)).most_scale
    return Cell(
        crs=crs,
        distance_error=crs_tools.find_distortion(crs, *spots).distance_error + _DISTANCE_FLOOR,
        most_scale=scale + _DISTANCE_FLOOR,
        outline_error_m={
            "infestations": held.left_m["infestations"] + lost_m + _find_curve_error_m(repaired, "infestations"),
            # the edges of a cut run along those of the feature, and move to the CRS of the patches as well
            **{name: 2 * held.left_m.get(name, 0.0) + _find_curve_error_m(repaired, name) for name in _RULED},
        },
        patches=_move(own, crs),
        others=_move(others, crs),
        water=near["water"],
        receptors=near["receptors"],
        access=near["access"],
        history=near["history"],
    )


def _find_curve_error_m(repaired: Repaired, name: LayerName) -> float:
    layer = repaired.layers.get(name)
    return 0.0 if layer is None else layer.curve_error_m


def _find_lost_m(home: CRS, crs: CRS, lon: FloatArray, lat: FloatArray) -> float:
    """Return how far points move on their way from the CRS of the patches to that of a cell and back [m].

    Shifts between datums take no heights here, and do not lead back exactly without them: 1.0 to 1.7 mm in places.
    """
    if find_datum(home) == find_datum(crs):
        return 0.0
    start = move_points(np.column_stack([lon, lat]), _degrees(), home)
    back = move_points(move_points(start, home, crs), crs, home)
    one, other = (move_points(xy, home, "EPSG:4326") for xy in (start, back))
    lost = float(np.nanmax(find_distance_m(*one.T, *other.T), initial=0.0))
    return 0.0 if lost < _ROUNDING_M else lost


def _degrees() -> CRS:
    from pyproj import CRS

    return CRS.from_epsg(4326)


def _pick_near(held: _Held, name: LayerName, centre: tuple[float, float], reach_m: float) -> gpd.GeoDataFrame:
    """Return the features of a layer that can lie within reach of a cell; a feature is kept in doubt."""
    import geopandas as gpd

    frame = held.drawn.get(name)
    if frame is None:
        columns = ("label", "kind", "state", "wade", "width_m", "width_assumed")
        empty: dict[str, list[Any]] = {column: [] for column in columns}
        return gpd.GeoDataFrame(empty, geometry=[], crs=held.patches.crs)
    if frame.empty or reach_m < _MARGIN_M + crs_tools.CELL_RADIUS_M / 2:
        return frame
    box = frame.geometry.bounds.to_numpy()
    to_degrees = _to_degrees(frame.crs)
    x, y = box[:, [0, 0, 2, 2]], box[:, [1, 3, 1, 3]]
    lon, lat = (np.asarray(item).reshape(x.shape) for item in to_degrees.transform(x.ravel(), y.ravel()))
    vectors = np.stack([crs_tools.find_unit_vectors(lon[:, k], lat[:, k]) for k in range(4)])
    middle = vectors.mean(axis=0)
    size = np.linalg.norm(vectors - middle, axis=2).max(axis=0)
    home = crs_tools.find_unit_vectors(np.array([centre[0]]), np.array([centre[1]]))[0]
    gap = np.linalg.norm(middle - home, axis=1) - size
    return frame[gap * crs_tools._EARTH_RADIUS_M <= reach_m]


def _move(frame: gpd.GeoDataFrame, crs: CRS, shift: DatumPath | None = None) -> gpd.GeoDataFrame:
    moved = frame.copy()
    geometry = move_geometry(np.asarray(frame.geometry.array, dtype=object), frame.crs, crs, shift)
    return moved.set_geometry(geometry, crs=None).set_crs(crs, allow_override=True)


def _check_places(repaired: Repaired, patches: gpd.GeoDataFrame) -> None:
    """Refuse a layer that lies nowhere near the patches, with both extents.

    Raises
    ------
    CrsError
        The extents are more than one degree apart.
    """
    home = _degree_box(patches)
    faults = []
    for name in _FEATURES:
        layer = repaired.layers.get(name)
        if layer is None or layer.frame.empty:
            continue
        box = _degree_box(layer.frame)
        if _gap(box, home) <= _MISPLACED_DEG:
            continue
        swapped = _gap(box[[1, 0, 3, 2]], home) <= _MISPLACED_DEG
        hint = "check its CRS and its coordinates"
        if swapped:
            hint = "its coordinates, or those of the patches, look swapped (latitude first)"
        found = f"an extent of {_show(box)}, the patches are at {_show(home)}"
        faults.append(Fault(layer.path, f"layers.{name}", found, hint))
    if faults:
        raise CrsError(faults)


def _degree_box(frame: gpd.GeoDataFrame) -> FloatArray:
    box = frame.total_bounds
    lon, lat = _to_degrees(frame.crs).transform(box[[0, 0, 2, 2]], box[[1, 3, 1, 3]])
    return np.array([np.min(lon), np.min(lat), np.max(lon), np.max(lat)])


def _gap(a: FloatArray, b: FloatArray) -> float:
    """Return the gap between two boxes in degrees of latitude; across the antimeridian too."""
    north_south = max(a[1] - b[3], b[1] - a[3], 0.0)
    shift = min(max(a[0] + turn - b[2], b[0] - a[2] - turn, 0.0) for turn in (-360.0, 0.0, 360.0))
    return float(max(north_south, shift * np.cos(np.radians((b[1] + b[3]) / 2))))


def _show(box: FloatArray) -> str:
    return f"{box[1]:.3f} to {box[3]:.3f} north, {box[0]:.3f} to {box[2]:.3f} east"


def _describe(report: CrsReport) -> list[Finding]:
    what = (
        f"measured in {report.name}: areas within {report.area_error:.2e}, distances within "
        f"{report.distance_error:.2e} (relative)"
    )
    done = "setbacks are drawn at its largest scale, so that none falls short; areas are geodesic on the ellipsoid"
    if report.cells > 1:
        done += f"; the site is wide and was worked in {report.cells} cells, each with its own CRS"
    return [Finding("reproject", "site", "crs", what, done, "info")]
