"""In: repaired layers in their own CRSs. Out: `Measured`: true areas, and cells whose CRS is fit for distances."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import CrsError, Fault
from tussock.base.findings import Finding, findings_table
from tussock.base.geodesy import find_area_m2, move_geometry, transform_points
from tussock.base.stages import Cell, CrsReport, LayerName, Measured, Repaired, Site
from tussock.reproject import crs as crs_tools
from tussock.reproject.datums import check_datums

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

FloatArray = NDArray[np.float64]

#: A layer further than this from every patch, in degrees, is taken for misplaced.
_MISPLACED_DEG: Final = 1.0
#: Features this far beyond a cell are still seen from it.
_MARGIN_M: Final = 100_000.0
_FEATURES: Final[tuple[LayerName, ...]] = ("water", "receptors", "access", "history")
_DISTANCE_FLOOR: Final = 1e-7


def reproject_layers(site: Site, repaired: Repaired) -> Measured:
    """Measure the patches truly and move every layer into CRSs that distances can be taken in.

    Parameters
    ----------
    site
        Choices of the site file (``crs``, tolerance).
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
    shifts = check_datums(repaired)
    measured = _measure(patches)
    report, groups = _choose(site, lon, lat)
    cells = tuple(_make_cell(repaired, measured, members, crs, lon[members], lat[members]) for members, crs in groups)
    distance_error = max(cell.distance_error for cell in cells)
    area_error = max(crs_tools.find_distortion(cell.crs, *_outline_points(cell))[0] for cell in cells)
    report = CrsReport(report.name, report.wkt, report.chosen, len(cells), area_error, distance_error)
    return Measured(measured, cells, report, findings_table(_describe(report) + shifts))


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


def _choose(site: Site, lon: FloatArray, lat: FloatArray) -> tuple[CrsReport, list[tuple[NDArray[np.intp], CRS]]]:
    """Return the CRS report (still without errors) and the groups of patches with the CRS of each."""
    if site.options.crs == "auto":
        groups = []
        for members in crs_tools.split_cells(lon, lat):
            centre = crs_tools.find_centre(lon[members], lat[members])
            groups.append((members, crs_tools.make_equal_area_crs(*centre)))
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
    area_error, distance_error, _ = crs_tools.find_distortion(crs, lon, lat)
    tolerance = site.options.crs_area_tolerance
    if area_error > tolerance:
        found = f'"{site.options.crs}" ({crs.name}), whose areas here are off by {area_error:.3%}'
        need = (
            f'use crs = "auto", a CRS made for this region, or state the tolerance: '
            f'crs_area_tolerance = "{np.ceil(area_error * 1e4) / 100:g} %" (now {tolerance:.3%})'
        )
        raise CrsError(Fault(where, "site.crs", found, need))
    report = CrsReport(crs.name, crs.to_wkt(), "named", 1, area_error, distance_error)
    return report, [(np.arange(len(lon)), crs_tools.use_metres(crs))]


def _make_cell(
    repaired: Repaired,
    patches: gpd.GeoDataFrame,
    members: NDArray[np.intp],
    crs: CRS,
    lon: FloatArray,
    lat: FloatArray,
) -> Cell:
    own = patches.iloc[members]
    pairs = repaired.overlaps
    paired = pairs[pairs["patch_a"].isin(own.index) | pairs["patch_b"].isin(own.index)]
    others = patches.loc[patches.index.isin({*paired["patch_a"], *paired["patch_b"]})]
    reach_m = crs_tools.find_radius_m(lon, lat) + _MARGIN_M
    centre = crs_tools.find_centre(lon, lat)
    near = {name: _move(_pick_near(repaired, name, centre, reach_m), crs) for name in _FEATURES}
    moved = _move(own, crs)
    outline = moved.geometry.bounds.to_numpy()
    back = _to_degrees(crs)
    points = back.transform(outline[:, [0, 0, 2, 2]].ravel(), outline[:, [1, 3, 1, 3]].ravel())
    _, error, scale = crs_tools.find_distortion(crs, *(np.asarray(item) for item in points))
    return Cell(
        crs=crs,
        distance_error=error + _DISTANCE_FLOOR,
        most_scale=scale + _DISTANCE_FLOOR,
        patches=moved,
        others=_move(others, crs),
        water=near["water"],
        receptors=near["receptors"],
        access=near["access"],
        history=near["history"],
    )


def _pick_near(repaired: Repaired, name: LayerName, centre: tuple[float, float], reach_m: float) -> gpd.GeoDataFrame:
    """Return the features of a layer that can lie within reach of a cell; a feature is kept in doubt."""
    import geopandas as gpd

    layer = repaired.layers.get(name)
    if layer is None:
        columns = ("label", "kind", "state", "wade", "width_m", "width_assumed")
        empty: dict[str, list[Any]] = {column: [] for column in columns}
        return gpd.GeoDataFrame(empty, geometry=[], crs=repaired.layers["infestations"].frame.crs)
    frame = layer.frame
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


def _move(frame: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    moved = frame.copy()
    geometry = move_geometry(np.asarray(frame.geometry.array, dtype=object), frame.crs, crs)
    return moved.set_geometry(geometry, crs=None).set_crs(crs, allow_override=True)


def _outline_points(cell: Cell) -> tuple[FloatArray, FloatArray]:
    box = cell.patches.total_bounds
    lon, lat = _to_degrees(cell.crs).transform(box[[0, 0, 2, 2]], box[[1, 3, 1, 3]])
    return np.asarray(lon), np.asarray(lat)


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
