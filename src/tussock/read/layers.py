"""In: path, layer and column names of one layer. Out: a `Layer` under our column names, in its own CRS."""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.errors import CrsError, Fault, InputError, MissingExtraError, MissingInputError
from tussock.base.findings import Finding
from tussock.base.sources import (
    OUTSIDE_OPTION,
    SourceCopy,
    find_inside,
    is_inside,
    list_layers,
    open_copy,
)
from tussock.base.stages import Document, Layer, LayerName
from tussock.read.curves import NO_CURVES, Curves, may_hold_curves, read_curves

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

BoolArray = NDArray[np.bool_]

#: Our column names of each layer; a layer may spell them in other case.
OUR_COLUMNS: Final[Mapping[LayerName, tuple[str, ...]]] = {
    "infestations": (
        "patch_id",
        "species",
        "growth_form",
        "cover_pct",
        "stems_per_acre",
        "stems_per_ha",
        "stem_count",
        "stem_diameter_in",
        "stem_diameter_cm",
        "slope_pct",
        "bark_wet",
        "found",
    ),
    "water": ("kind", "state", "wade", "width_ft", "width_m"),
    "receptors": ("kind", "name"),
    "access": ("kind", "name"),
    "history": (
        "product_id",
        "active",
        "ae_lb_per_acre",
        "ae_kg_per_ha",
        "stems_per_acre",
        "stems_per_ha",
        "date",
    ),
    "stems": ("patch_id", "stem_diameter_in", "stem_diameter_cm", "stem_count", "stems_per_acre", "stems_per_ha"),
}
#: Columns of any layer that a feature is named by in messages, the first that is there.
NAMING_COLUMNS: Final = ("water_id", "receptor_id", "access_id", "feature_id", "id", "name", "label")
#: Names that the plan writes a result under, in layers other than the patches.
_RESULTS: Final[Mapping[str, frozenset[str]]] = {
    "water": frozenset({"width_assumed"}),
    "receptors": frozenset({"width_assumed"}),
    "access": frozenset({"width_assumed"}),
    "history": frozenset({"label"}),
}
#: Layers whose features may bring a distance along in a column of their own, named with its unit.
_HAS_DISTANCES: Final = {"water", "receptors"}
REQUIRED_COLUMNS: Final[Mapping[LayerName, tuple[str, ...]]] = {"infestations": ("patch_id",), "history": ("date",)}
_POLYGONS: Final = {"infestations", "history"}
#: A layer further than this outside the area that its CRS is made for is on another continent [degrees].
_OUT_OF_USE_DEG: Final = 45.0


def read_layer(
    name: LayerName, spec: Any, folder: Path, *, allow_outside: bool = False
) -> tuple[Layer, Document, list[Finding]]:
    """Read one layer.

    Parameters
    ----------
    name
        Which layer of the site file.
    spec
        ``path, layer, columns, accuracy_m, datum, default_width_m, zero_width`` of the site file.
    folder
        Folder that the path is relative to.
    allow_outside
        Whether the file may lie outside that folder.

    Returns
    -------
    tuple of Layer, Document and list of Finding
        The CRS may still be missing: `check_crs` refuses it once all layers are read. A finding for each row with a
        ring that was not closed, and for a file outside the folder.

    Raises
    ------
    InputError
        File or layer missing, outside the folder or in a format that is not read, a mapped column missing, geometry of
        the wrong kind, no geometry in a row.
    """
    key = f"layers.{name}.path"
    path = find_inside(folder, spec.path, key, allow_outside=allow_outside)
    with open_copy(path, spec.path, key, None if allow_outside else folder) as copy:
        file_layer = _find_layer(copy, spec, name)
        where = spec.path if file_layer in ("", path.stem) else f"{spec.path}, layer {file_layer}"
        drawn, closed, curves = _read_frame(copy, file_layer, where)
    frame, findings = _rename(drawn, name, spec.columns, where)
    _check_geometry(frame, name, where)
    done = "closed from its last point to its first; check the outline"
    findings += [
        Finding("read", name, _row(frame, place), "a ring that was not closed", done)
        for place in np.flatnonzero(closed).tolist()
    ]
    if curves.rows:
        findings.append(curves.tell(name))
    if not is_inside(path, folder):
        findings.append(tell_outside(name, path))
    frame = frame.reset_index(drop=True).rename_axis("row")
    widths = dict(spec.default_width_m)
    layer = Layer(
        name,
        frame,
        spec.path,
        file_layer,
        spec.accuracy_m,
        spec.datum,
        widths,
        spec.zero_width,
        curves.error_m,
    )
    return layer, Document(f"layer {name}", spec.path, copy.sha256, parts=copy.parts), findings


def tell_outside(role: str, path: Path) -> Finding:
    """Return what is said of a file that lies outside the folder of the site file."""
    return Finding(
        "read",
        role,
        path.name,
        "a file outside the folder of the site file",
        f"read all the same: {OUTSIDE_OPTION}",
        "info",
    )


def _find_layer(copy: SourceCopy, spec: Any, name: str) -> str:
    """Return the layer to read; refuse a guess where a file holds several."""
    if not copy.drivers:
        return ""
    import pyogrio

    try:
        found = list_layers(copy, spec.path, f"layers.{name}.path")
    except pyogrio.errors.DataSourceError as error:
        need = "save it anew in the program that made it"
        raise InputError(Fault(spec.path, f"layers.{name}.path", "a file that cannot be opened", need)) from error
    if spec.layer is not None:
        if spec.layer not in found:
            need = f"name one of its layers: {', '.join(found)}"
            raise MissingInputError(Fault(spec.path, f"layers.{name}.layer", f'no layer "{spec.layer}"', need))
        return str(spec.layer)
    if len(found) != 1:
        need = f"add layer = one of {', '.join(found) or '(the file holds none)'}"
        raise InputError(Fault(spec.path, f"layers.{name}.layer", f"{len(found)} layers in the file", need))
    return found[0]


def _read_frame(copy: SourceCopy, file_layer: str, where: str) -> tuple[gpd.GeoDataFrame, BoolArray, Curves]:
    """Return a layer, which of its rows have a ring that had to be closed, and what became of its arcs."""
    import geopandas as gpd
    from shapely.errors import ShapelyError

    if not copy.drivers:
        try:
            frame = gpd.read_parquet(copy.path)
        except ImportError as error:
            raise MissingExtraError('GeoParquet needs pyarrow: pip install "tussock[geoparquet]"') from error
        except ShapelyError as error:
            need = "close its rings, each with its first point again"
            raise InputError(Fault(where, "geometry", f"an outline that cannot be built ({error})", need)) from error
        except ValueError as error:
            need = "write it with a geometry column and its metadata"
            raise InputError(Fault(where, "file", f"no GeoParquet ({error})", need)) from error
        return frame, np.zeros(len(frame), dtype=bool), NO_CURVES
    import pyogrio

    try:
        with _rings_told_by_row():
            frame, closed, curves = _read_and_close(copy.address, file_layer)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        raise InputError(Fault(where, "file", f"a layer that cannot be read ({error})", "mend the file")) from error
    if not isinstance(frame, gpd.GeoDataFrame):
        if "patch_id" in {str(column).casefold() for column in frame.columns}:  # a plain stem table
            return gpd.GeoDataFrame(frame, geometry=[None] * len(frame)), closed, NO_CURVES
        raise InputError(Fault(where, "geometry", "a table without geometry", "give a layer with geometry"))
    return frame, closed, curves


def _read_and_close(address: str, file_layer: str) -> tuple[Any, BoolArray, Curves]:
    """Read a layer; where GEOS cannot build an outline, close its rings and tell which rows that were."""
    import pyogrio
    from shapely.errors import ShapelyError

    def read(on_invalid: str) -> Any:
        return pyogrio.read_dataframe(address, layer=file_layer, on_invalid=on_invalid, fid_as_index=False)

    how = "raise"
    try:
        frame = read(how)
        closed = np.zeros(len(frame), dtype=bool)
    except ShapelyError:
        how = "fix"
        frame = read(how)
        closed = (read("ignore").geometry.isna() & frame.geometry.notna()).to_numpy(dtype=bool)
    kind = pyogrio.read_info(address, layer=file_layer)["geometry_type"]
    if kind is None or not may_hold_curves(kind):
        return frame, closed, NO_CURVES
    frame, curves = read_curves(lambda: read(how))
    return frame, closed, curves


@contextmanager
def _rings_told_by_row() -> Iterator[None]:
    """Keep GDAL from warning of rings that are not closed: it names no row, and the findings do."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Non closed ring detected", category=RuntimeWarning)
        yield


def _rename(
    frame: gpd.GeoDataFrame, name: LayerName, mapped: Mapping[str, str], where: str
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Put a layer under our column names: those mapped by the site file, then those that differ by case only.

    A column of the user's that has the name of one of our results rides along under another name, and a finding
    says so.
    """
    faults = _check_mapping(frame, name, mapped, where)
    if faults:
        raise InputError(faults)
    renames = {theirs: ours for ours, theirs in mapped.items()}
    kept = {column for column in frame.columns if column not in renames}
    clashes = {ours for ours in renames.values() if ours in kept}
    renames |= {ours: f"{ours}_in_file" for ours in clashes}
    folded: dict[str, list[str]] = {}
    for column in kept - clashes:
        folded.setdefault(column.casefold(), []).append(column)
    for ours in OUR_COLUMNS[name]:
        same = folded.get(ours, [])
        if ours not in renames.values() and ours not in frame.columns and len(same) == 1:
            renames[same[0]] = ours
    taken = {str(column).casefold() for column in frame.columns} | set(renames.values())
    findings = []
    for column in frame.columns:
        if renames.get(column, column).casefold() in _list_results(name):
            kept_as = f"{column}_in_file"
            while kept_as.casefold() in taken:
                kept_as += "_in_file"
            renames[column] = kept_as
            what = f'the file has a column "{column}", the name of one of our results'
            findings.append(Finding("read", name, f'column "{column}"', what, f"kept as {kept_as}", "info"))
    renamed = frame.rename(columns=renames)
    if renamed.geometry.name != "geometry":
        renamed = renamed.rename_geometry("geometry")
    missing = [column for column in REQUIRED_COLUMNS.get(name, ()) if column not in renamed.columns]
    if missing:
        raise InputError(
            [
                Fault(
                    where,
                    f'column "{column}"',
                    f"not there; the layer has {_listed(frame)}",
                    f'add it, or map it in the site file: [layers.{name}] columns = {{ {column} = "..." }}',
                )
                for column in missing
            ]
        )
    return renamed, findings


def _check_mapping(frame: gpd.GeoDataFrame, name: LayerName, mapped: Mapping[str, str], where: str) -> list[Fault]:
    """Find mapped columns that the file does not have, and names that are none of ours."""
    known = (*OUR_COLUMNS[name], *NAMING_COLUMNS)
    faults = []
    for ours, theirs in mapped.items():
        key = f"layers.{name}.columns.{ours}"
        is_known = ours in known or (name in _HAS_DISTANCES and ours.endswith(("_ft", "_m")))
        if not is_known and theirs in known and ours in frame.columns:
            need = f'the pair is the other way round: write our name first, columns = {{ {theirs} = "{ours}" }}'
            faults.append(Fault(where, key, f'"{ours}" = "{theirs}"', need))
        elif not is_known:
            meant = difflib.get_close_matches(ours, known, n=1, cutoff=0.85)
            need = f"write one of {', '.join(known)}; other columns ride along without being named here"
            need = f'"{meant[0]}" is meant? Else {need}' if meant else need
            faults.append(Fault(where, key, "a column that is not known", need))
        elif theirs not in frame.columns:
            faults.append(Fault(where, key, f'no column "{theirs}"', f"it has {_listed(frame)}"))
    return faults


@lru_cache(maxsize=8)
def _list_results(name: LayerName) -> frozenset[str]:
    """Return the names that a column of a layer must not have, since the plan writes a result under them (casefold)."""
    if name == "infestations":
        columns = (*c.PATCHES, *c.UNITS)
        names = {column.si_name for column in columns}.union(
            c.PATCH_WORK, c.shown_names(columns, "us"), c.shown_names(columns, "metric")
        )
        return frozenset(names - set(OUR_COLUMNS[name]))
    return _RESULTS.get(name, frozenset())


def _listed(frame: gpd.GeoDataFrame) -> str:
    return ", ".join(str(column) for column in frame.columns if column != frame.geometry.name) or "no columns"


def _check_geometry(frame: gpd.GeoDataFrame, name: LayerName, where: str) -> None:
    if name == "infestations" and frame.empty:
        raise InputError(Fault(where, "rows", "an empty layer", "draw at least one patch"))
    kinds = frame.geometry.geom_type
    bad = (frame.geometry.isna() | frame.geometry.is_empty).to_numpy()
    if name == "stems" and bad.all() and "patch_id" in frame.columns:
        return
    faults = [
        Fault(where, _row(frame, place), "no geometry", "draw it, or delete the row")
        for place in bad.nonzero()[0].tolist()
    ]
    if name in _POLYGONS:
        polygonal = kinds.isin(["Polygon", "MultiPolygon", "GeometryCollection"]).to_numpy()
        faults += [
            Fault(where, _row(frame, place), f"a {kinds.iloc[place]}", f"{name} are polygons: draw the outline")
            for place in (~polygonal & ~bad).nonzero()[0].tolist()
        ]
    if faults:
        raise InputError(faults)


def _row(frame: gpd.GeoDataFrame, place: int) -> str:
    if "patch_id" in frame.columns:
        return f'row {place + 1} (patch_id "{frame["patch_id"].iloc[place]}")'
    return f"row {place + 1}"


def check_crs(layers: Mapping[LayerName, Layer]) -> None:
    """Refuse layers without a CRS, saying what their extent could be; and degrees that are no degrees.

    Raises
    ------
    CrsError
        A layer has no CRS, or its coordinates cannot be in the CRS that it names.
    """
    faults = []
    known = [layer.frame for layer in layers.values() if layer.frame.crs is not None and len(layer.frame)]
    for name, layer in layers.items():
        frame = layer.frame
        if name == "stems" and frame.geometry.isna().all():
            continue  # a plain table, joined by patch_id
        where = f"{layer.path}, layer {layer.file_layer}" if layer.file_layer else layer.path
        if frame.crs is None:
            box = _box_text(frame)
            need = f"store the CRS in the file; {_guess_text(frame, known)}"
            faults.append(Fault(where, f"layers.{name}", f"no CRS (extent {box})", need))
        elif len(frame) and frame.crs.is_geographic:
            west, south, east, north = frame.total_bounds
            if south < -90 or north > 90 or west < -360 or east > 360:  # noqa: PLR2004  (degrees of the globe)
                swapped = " (longitude and latitude swapped?)" if abs(west) <= 90 and abs(east) <= 90 else ""  # noqa: PLR2004
                need = f"{frame.crs.name} has degrees, longitude first{swapped}: mend the coordinates or the CRS"
                faults.append(Fault(where, f"layers.{name}", f"extent {_box_text(frame)}", need))
                continue
        if frame.crs is not None and len(frame):
            need = _tell_out_of_use(frame)
            if need:
                faults.append(Fault(where, f"layers.{name}", f"extent {_box_text(frame)}", need))
    if faults:
        raise CrsError(faults)


def _tell_out_of_use(frame: gpd.GeoDataFrame) -> str:
    """Say that a layer lies far outside the area that its CRS is made for; an empty text where it does not."""
    west, south, east, north = frame.total_bounds
    area = frame.crs.area_of_use
    middle = (west + east) / 2, (south + north) / 2
    beyond = 0.0 if area is None else _find_out_of_use_deg(frame.crs, *middle)
    swapped = beyond > 1 and _find_out_of_use_deg(frame.crs, middle[1], middle[0]) <= 0
    if area is None or (beyond <= _OUT_OF_USE_DEG and not swapped):
        return ""
    made_for = f"{area.south:g} to {area.north:g} north, {area.west:g} to {area.east:g} east"
    hint = "its coordinates look swapped (northing or latitude first)" if swapped else "check its CRS"
    return f"{frame.crs.name} is made for {made_for}: {hint}"


def _find_out_of_use_deg(crs: CRS, x: float, y: float) -> float:
    """Return how far a point lies outside the area that its CRS is made for [degrees]; inf where it is nowhere."""
    from pyproj import Transformer

    area = crs.area_of_use
    lon, lat = Transformer.from_crs(crs, 4326, always_xy=True).transform(x, y)
    if area is None or not np.isfinite([lon, lat]).all() or abs(lat) > 90:  # noqa: PLR2004  (degrees of the globe)
        return float("inf")
    width = (area.east - area.west) % 360 or 360.0
    beyond_west = (area.west - lon) % 360
    beyond_east = (lon - area.east) % 360
    aside = 0.0 if (lon - area.west) % 360 <= width else min(beyond_west, beyond_east)
    return float(max(aside, area.south - lat, lat - area.north, 0.0))


def _box_text(frame: gpd.GeoDataFrame) -> str:
    if frame.empty:
        return "none, no rows"
    west, south, east, north = frame.total_bounds
    return f"{west:.6g} {south:.6g} to {east:.6g} {north:.6g}"


def _guess_text(frame: gpd.GeoDataFrame, known: list[gpd.GeoDataFrame]) -> str:
    """List what an extent could be; nothing is picked."""
    if frame.empty:
        return "any would do for an empty layer"
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError

    west, south, east, north = frame.total_bounds
    centre = (west + east) / 2, (south + north) / 2
    home = None
    if known:
        box = known[0].to_crs(4326).total_bounds
        home = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    guesses = []
    for code in (4326, 4269, 3857, 5070, *range(26910, 26920), *range(32601, 32661), *range(32701, 32761)):
        crs = CRS.from_epsg(code)
        try:
            lon, lat = Transformer.from_crs(crs, 4326, always_xy=True).transform(*centre, errcheck=True)
        except ProjError:
            continue
        area = crs.area_of_use
        if area is None or not (
            np.isfinite([lon, lat]).all() and area.west <= lon <= area.east and area.south <= lat <= area.north
        ):
            continue
        near = home is None or float(np.hypot(*(np.array([lon, lat]) - home))) <= 1.0
        if near:
            guesses.append(f"EPSG:{code} {crs.name} would put it at {lat:.3f}, {lon:.3f}")
    if not guesses:
        return "its extent fits none of the usual CRSs near the other layers"
    shown = "; ".join(guesses[:4])
    more = f"; and {len(guesses) - 4} more, of which nothing is picked" if len(guesses) > 4 else ""  # noqa: PLR2004
    return f"by its extent it could be: {shown}{more}"
