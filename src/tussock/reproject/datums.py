"""In: layers on different datums. Out: the operation that takes each to the datum of the patches; or a refusal.

Layers on one datum need no shift, whatever their CRSs. Another one is taken to the datum of the patches by the best
direct operation that PROJ has for the site without a grid from a network; over WGS 84 only where no direct one has a
published accuracy. Each operation has a published accuracy, which is told.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base.errors import CrsError, Fault
from tussock.base.findings import Finding
from tussock.base.geodesy import DatumPath, find_transformer
from tussock.base.stages import Layer, LayerName, Repaired

if TYPE_CHECKING:
    from pyproj import CRS, Transformer
    from pyproj.transformer import AreaOfInterest

#: A shift of a layer that states no accuracy may be no less sure than this [m]: GPS is as good.
MOST_UNSTATED_M: Final = 5.0
_MEASURED: Final[tuple[LayerName, ...]] = ("water", "receptors")
_SHIFTED: Final[tuple[LayerName, ...]] = (*_MEASURED, "access", "history")


@dataclass(frozen=True)
class Shift:
    """The operation that takes a layer to the datum of the patches, where the patches lie.

    Attributes
    ----------
    source, target
        Names of the two datums.
    name
        As its registry calls it.
    accuracy_m
        Published accuracy; None where none is published.
    grids
        Files that a finer operation would need and that are not installed.
    path
        The operations; None where the layer's own CRS brings its shift.
    """

    source: str
    target: str
    name: str
    accuracy_m: float | None
    grids: tuple[str, ...]
    path: DatumPath | None


def find_datum(crs: CRS) -> str:
    """Return the name of the datum of a CRS, an ensemble under the name of its datum."""
    base: Any = crs.source_crs if crs.is_bound else crs
    datum = base.geodetic_crs.datum if base.geodetic_crs is not None else None
    name = "" if datum is None else str(datum.name)
    return name.casefold().removesuffix(" ensemble").replace("_", " ").strip()


def find_shift(source: CRS, target: CRS, box: tuple[float, float, float, float]) -> Shift | None:
    """Return the best operation from the datum of one CRS to that of another; None where they are the same.

    Parameters
    ----------
    source, target
        CRS of a layer and of the patches.
    box
        West, south, east, north of the patches, in ``target``.
    """
    ends = find_datum(source), find_datum(target)
    if ends[0] == ends[1]:
        return None
    if source.is_bound or target.is_bound or source.geodetic_crs is None or target.geodetic_crs is None:
        return Shift(*ends, "the shift that the layer's own CRS states", 0.0, (), None)
    around = _find_area(target, box)
    home = target.geodetic_crs
    direct = _find_operation(source.geodetic_crs, home, around)
    if direct.accuracy_m is not None:
        return Shift(*ends, direct.name, direct.accuracy_m, direct.grids, DatumPath(direct.operations, home))
    from pyproj import CRS

    world = CRS.from_epsg(4326)
    legs = [_find_operation(*pair, around) for pair in ((source.geodetic_crs, world), (world, home))]
    legs = [leg for leg in legs if leg.operations]
    if not legs or any(leg.accuracy_m is None for leg in legs):
        return Shift(*ends, direct.name, None, direct.grids, DatumPath(direct.operations, home))
    accuracy = float(np.sqrt(sum((leg.accuracy_m or 0.0) ** 2 for leg in legs)))
    name = " + ".join(leg.name for leg in legs)
    operations = tuple(operation for leg in legs for operation in leg.operations)
    return Shift(*ends, name, accuracy, direct.grids or legs[0].grids, DatumPath(operations, home))


@dataclass(frozen=True)
class _Operation:
    name: str
    accuracy_m: float | None
    grids: tuple[str, ...]
    operations: tuple[Transformer, ...]


def _find_area(crs: CRS, box: tuple[float, float, float, float]) -> AreaOfInterest:
    from pyproj.transformer import AreaOfInterest

    west, south, east, north = box
    x = np.array([west, west, east, east, (west + east) / 2])
    y = np.array([south, north, south, north, (south + north) / 2])
    lon, lat = find_transformer(crs, "EPSG:4326").transform(x, y)
    return AreaOfInterest(float(np.min(lon)), float(np.min(lat)), float(np.max(lon)), float(np.max(lat)))


@contextmanager
def _off_the_network() -> Iterator[None]:
    """Keep PROJ from fetching grids: the same site is to give the same plan everywhere."""
    from pyproj.network import is_network_enabled, set_network_enabled  # type: ignore[attr-defined]

    before = is_network_enabled()
    set_network_enabled(active=False)
    try:
        yield
    finally:
        set_network_enabled(active=before)


def _find_operation(source: CRS, target: CRS, around: AreaOfInterest) -> _Operation:
    """Return the most accurate operation that is at hand, before others one whose area of use holds the whole site."""
    from pyproj.transformer import TransformerGroup

    if find_datum(source) == find_datum(target):
        return _Operation("", 0.0, (), ())
    with warnings.catch_warnings(), _off_the_network():
        warnings.simplefilter("ignore", UserWarning)  # of grids that are not installed: told in the finding
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=around)
    known = [item for item in group.transformers if item.accuracy >= 0]
    if not known:
        best = group.transformers[0] if group.transformers else None
        name = "no operation of a registry" if best is None else best.description
        return _Operation(name, None, _list_grids(group, np.inf, around), () if best is None else (best,))
    best = min(known, key=lambda item: (not _holds(item, around), item.accuracy))
    steps = [step for step in best.description.split(" + ") if " to " in step]  # without axis orders
    name = " + ".join(steps) or best.description
    return _Operation(name, float(best.accuracy), _list_grids(group, best.accuracy, around), (best,))


def _list_grids(group: Any, accuracy_m: float, around: AreaOfInterest) -> tuple[str, ...]:
    """Return the grids, not installed, that a finer operation would need: of several the one for the least area."""
    finer = [item for item in group.unavailable_operations if 0 <= item.accuracy < accuracy_m]
    best = min(finer, key=lambda item: (not _holds(item, around), _find_size(item)), default=None)
    return () if best is None else tuple(sorted(grid.short_name for grid in best.grids if not grid.available))


def _find_size(item: Any) -> float:
    use = item.area_of_use
    return float(np.inf if use is None else (use.east - use.west) % 360 * (use.north - use.south))


def _holds(item: Any, around: AreaOfInterest) -> bool:
    use = item.area_of_use
    if use is None or use.west > use.east:
        return use is None
    inside = use.south <= around.south_lat_degree and around.north_lat_degree <= use.north
    return bool(inside and use.west <= around.west_lon_degree and around.east_lon_degree <= use.east)


def find_shifts(repaired: Repaired) -> tuple[dict[LayerName, Shift], list[Finding]]:
    """Find the operation that takes each layer to the datum of the patches, and say how sure it is.

    Returns
    -------
    shifts, findings
        One of each for every layer on another datum.

    Raises
    ------
    CrsError
        A shift of water or receptors has no published accuracy, or is coarser than the accuracy that its layer states,
        or, where it states none, than `MOST_UNSTATED_M`.
    """
    home = repaired.layers["infestations"].frame
    box = tuple(home.total_bounds.tolist())
    shifts: dict[LayerName, Shift] = {}
    findings, faults = [], []
    for name in _SHIFTED:
        layer = repaired.layers.get(name)
        if layer is None or not len(layer.frame):
            continue
        shift = find_shift(layer.frame.crs, home.crs, box)
        if shift is None:
            continue
        shifts[name] = shift
        fault = _find_fault(layer, home.crs, shift) if name in _MEASURED else None
        if fault is None:
            findings.append(_describe(layer, home.crs, shift))
        else:
            faults.append(fault)
    if faults:
        raise CrsError(faults)
    return shifts, findings


def list_shifts(shifts: Mapping[LayerName, Shift]) -> tuple[dict[str, Any], ...]:
    """Return the shifts as the record of a run keeps them."""
    return tuple(
        {"layer": name, "from": item.source, "operation": item.name, "accuracy_m": item.accuracy_m}
        for name, item in shifts.items()
    )


def _is_covered(layer: Layer, shift: Shift) -> bool:
    return shift.accuracy_m is not None and (layer.accuracy_m or 0.0) >= shift.accuracy_m


def _find_fault(layer: Layer, home: CRS, shift: Shift) -> Fault | None:
    most_m = MOST_UNSTATED_M if layer.accuracy_m is None else layer.accuracy_m
    if shift.accuracy_m is not None and shift.accuracy_m <= most_m:
        return None
    crs, target = layer.frame.crs, _name_base(home)
    grids = f"install the grid {' and '.join(shift.grids)} for PROJ, or " if shift.grids else ""
    other = "deliver all layers on one datum"
    if shift.accuracy_m is None:
        found = f"{crs.name}, from which no shift to {target} of known accuracy leads here ({shift.name})"
        return Fault(layer.path, f"layers.{layer.name}", found, f"{grids}{other}, or mend the CRS")
    found = f"{crs.name}, whose best shift to {target} at hand ({shift.name}) is good to {shift.accuracy_m:.3g} m only"
    if layer.accuracy_m is not None:
        found += f", the layer to {layer.accuracy_m:.3g} m"
    state = f'state accuracy = "{np.ceil(shift.accuracy_m * 10) / 10:g} m" or more in [layers.{layer.name}]'
    return Fault(layer.path, f"layers.{layer.name}", found, f"{grids}{state}, or {other}")


def _name_base(crs: CRS) -> str:
    """Return the name of the degrees that a CRS is made from, or of their datum where they have none."""
    base = crs.geodetic_crs
    if base is None or base.datum is None:
        return crs.name
    return str(base.datum.name).removesuffix(" ensemble") if base.name == "unknown" else base.name


def _describe(layer: Layer, home: CRS, shift: Shift) -> Finding:
    what = f"{layer.frame.crs.name} was shifted to {_name_base(home)} by {shift.name}"
    if not shift.accuracy_m:
        done = "its accuracy is that layer's own statement" if shift.path is None else "the shift is exact"
        return Finding("reproject", layer.name, "all rows", what, done, "info")
    what += f", good to {shift.accuracy_m:.3g} m"
    if layer.name not in _MEASURED:
        done = "no setback runs from this layer"
        return Finding("reproject", layer.name, "all rows", what, done, "info")
    if _is_covered(layer, shift):
        done = "covered by the accuracy that the layer states: setbacks are widened by it"
        return Finding("reproject", layer.name, "all rows", what, done, "info")
    done = (
        f"setbacks are not widened for it: deliver the layers on one datum, or state accuracy in [layers.{layer.name}]"
    )
    return Finding("reproject", layer.name, "all rows", what, done)
