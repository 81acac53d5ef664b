"""In: the elevation model that a site file names. Out: a `Terrain` that can be measured on, its document, findings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import CrsError, Fault, InputError
from tussock.base.findings import Finding
from tussock.base.geodesy import find_transformer, transform_points
from tussock.base.records import Record, Text
from tussock.base.sources import find_inside, hash_file, is_inside, open_geotiff, read_stamp
from tussock.base.stages import Document, Layer, LayerName
from tussock.base.terrain import Terrain, find_heights_m, find_raster_crs
from tussock.base.units import FOOT_M
from tussock.read.layers import tell_outside

FloatArray = NDArray[np.float64]

_SURVEY_FOOT_M: Final = 1200 / 3937
_SIZES_M: Final = {"m": 1.0, "ft": FOOT_M, "us-ft": _SURVEY_FOOT_M}
#: How files spell their unit of height.
_SPELLINGS: Final = {
    "m": ("m", "metre", "meter", "metres", "meters"),
    "ft": ("ft", "foot", "feet", "international foot"),
    "us-ft": ("us-ft", "ftus", "foot_us", "us survey foot", "us_survey_foot", "survey foot"),
}
_WHERE: Final = "layers.terrain"


class TerrainSpec(Record):
    """``[layers.terrain]``."""

    path: Text
    height_unit: Literal["m", "ft", "us-ft"] | None = None


def read_terrain(
    spec: TerrainSpec | None, folder: Path, layers: Mapping[LayerName, Layer], *, allow_outside: bool = False
) -> tuple[Terrain | None, list[Document], list[Finding]]:
    """Check an elevation model; its heights are read where they are asked for.

    Parameters
    ----------
    spec
        Path and unit of height of the site file; None where it names no model.
    folder
        Folder that the path is relative to.
    layers
        Layers of the site: the model must cover the patches.
    allow_outside
        Whether the file may lie outside the folder.

    Returns
    -------
    terrain, documents, findings
        A finding says how many patches the model leaves out.

    Raises
    ------
    InputError
        No such file, one outside the folder, no GeoTIFF, more than one band, no CRS, an unknown unit of height, or no
        patch on it.
    MissingExtraError
        The package rasterio is not installed.
    """
    if spec is None:
        return None, [], []
    path = find_inside(folder, spec.path, f"{_WHERE}.path", allow_outside=allow_outside)
    size_m, box = _check_raster(path, spec)
    stamp = read_stamp(path)
    document = Document("terrain", spec.path, hash_file(path))
    terrain = Terrain(path, spec.path, size_m, stamp)
    patches = layers["infestations"].frame
    lon, lat = _find_middles(patches)
    missing = np.isnan(find_heights_m(terrain, lon, lat))
    if missing.all():
        found = f"an extent of {_show(box)}, the patches are at {_show((lon.min(), lat.min(), lon.max(), lat.max()))}"
        need = "give a model that covers the site, mend its CRS, or leave [layers.terrain] out"
        raise CrsError(Fault(spec.path, _WHERE, found, need))
    findings = [Finding("read", "terrain", spec.path, "heights for slope distances", "read where asked for", "info")]
    if missing.any():
        what = f"{int(missing.sum())} of {len(missing)} patches lie where the elevation model has no height"
        findings.append(Finding("read", "terrain", spec.path, what, "slope distances there stay blank"))
    if not is_inside(path, folder):
        findings.append(tell_outside("terrain", path))
    return terrain, [document], findings


def _check_raster(path: Path, spec: TerrainSpec) -> tuple[float, tuple[float, float, float, float]]:
    """Return the size of the unit of height [m] and the extent [degrees] of a sound model."""
    try:
        with open_geotiff(path) as raster:
            if raster.count != 1:
                need = "give a GeoTIFF with heights in its only band"
                raise InputError(Fault(spec.path, _WHERE, f"{raster.count} bands", need))
            if raster.crs is None:
                raise CrsError(Fault(spec.path, _WHERE, "no CRS", "store the CRS in the file"))
            return _find_size_m(raster, spec), _find_box(raster)
    except OSError as error:  # what rasterio raises for a file that is no raster
        need = "give a GeoTIFF of heights"
        raise InputError(Fault(spec.path, f"{_WHERE}.path", "a file that cannot be opened", need)) from error


def _find_box(raster: Any) -> tuple[float, float, float, float]:
    left, bottom, right, top = raster.bounds
    x, y = np.meshgrid(np.linspace(left, right, 5), np.linspace(bottom, top, 5))
    lon, lat = find_transformer(find_raster_crs(raster), "EPSG:4326").transform(x.ravel(), y.ravel())
    return float(np.min(lon)), float(np.min(lat)), float(np.max(lon)), float(np.max(lat))


def _find_size_m(raster: Any, spec: TerrainSpec) -> float:
    """Return the size of the unit of height [m]: what the file says, or else what the site file says."""
    from pyproj import CRS

    word = (raster.units[0] or "").strip().casefold()
    written = next((unit for unit, names in _SPELLINGS.items() if word in names), None)
    if word and written is None:
        need = "write heights in metres or feet"
        raise InputError(Fault(spec.path, _WHERE, f'heights in "{word}"', need))
    crs = CRS.from_wkt(raster.crs.to_wkt())
    size_m = None if written is None else _SIZES_M[written]
    if size_m is None and crs.is_compound:
        size_m = float(crs.sub_crs_list[1].axis_info[0].unit_conversion_factor)
    stated_m = None if spec.height_unit is None else _SIZES_M[spec.height_unit]
    if size_m is None and stated_m is None:
        need = f'state it: [{_WHERE}] height_unit = "m", "ft" or "us-ft"'
        raise InputError(Fault(spec.path, _WHERE, "a file that does not say its unit of height", need))
    if size_m is not None and stated_m is not None and not np.isclose(size_m, stated_m, rtol=1e-9):
        found = f'height_unit = "{spec.height_unit}", the file says {written or f"{size_m:g} m"}'
        raise InputError(Fault(spec.path, f"{_WHERE}.height_unit", found, "leave the key out, or mend the file"))
    return stated_m if size_m is None else size_m  # type: ignore[return-value]  # one of the two is there


def _find_middles(patches: Any) -> tuple[FloatArray, FloatArray]:
    """Return the middle of the box of each patch [degrees]."""
    box = patches.geometry.bounds.to_numpy()
    to_degrees = find_transformer(patches.crs, "EPSG:4326")
    lon, lat = transform_points(to_degrees, (box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2)
    return np.asarray(lon), np.asarray(lat)


def _show(box: tuple[float, float, float, float]) -> str:
    return f"{box[1]:.3f} to {box[3]:.3f} north, {box[0]:.3f} to {box[2]:.3f} east"
