"""In: layers on different datums. Out: how far the shift between them can be off, as findings; or a refusal.

Two layers on one datum need no shift, whatever their CRSs. On different datums each goes over WGS 84, by a published
operation with a published accuracy. A finer operation often needs a grid of measured shifts that may not be installed.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base.errors import CrsError, Fault
from tussock.base.findings import Finding
from tussock.base.geodesy import find_transformer
from tussock.base.stages import Layer, LayerName, Repaired

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

#: A shift that is less sure than this must be covered by the accuracy that its layer states [m]: GPS is as good.
MOST_UNSTATED_M: Final = 5.0
_SAME_DEG: Final = 1e-9
_MEASURED: Final[tuple[LayerName, ...]] = ("water", "receptors")


@dataclass(frozen=True)
class Shift:
    """The operation that takes a layer to WGS 84 where the layer lies.

    Attributes
    ----------
    name
        As its registry calls it.
    accuracy_m
        Published accuracy; None where none is published.
    grids
        Files that a finer operation would need and that are not installed.
    """

    name: str
    accuracy_m: float | None
    grids: tuple[str, ...]


def find_datum(crs: CRS) -> str:
    """Return the name of the datum of a CRS, an ensemble under the name of its datum."""
    base: Any = crs.source_crs if crs.is_bound else crs
    datum = base.geodetic_crs.datum if base.geodetic_crs is not None else None
    name = "" if datum is None else str(datum.name)
    return name.casefold().removesuffix(" ensemble").replace("_", " ").strip()


def find_shift(crs: CRS, box: tuple[float, float, float, float]) -> Shift:
    """Return the operation from a CRS to WGS 84 over a box of west, south, east, north in that CRS.

    Which of several operations is used depends on the place. The one told is the least sure of those that are really
    used at the corners and in the middle, found by their results.
    """
    from pyproj.transformer import AreaOfInterest, TransformerGroup

    if crs.is_bound:
        return Shift("the shift that the layer's own CRS states", 0.0, ())
    west, south, east, north = box
    x = np.array([west, west, east, east, (west + east) / 2])
    y = np.array([south, north, south, north, (south + north) / 2])
    lon, lat = find_transformer(crs, "EPSG:4326").transform(x, y)
    around = AreaOfInterest(float(np.min(lon)), float(np.min(lat)), float(np.max(lon)), float(np.max(lat)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of grids that are not installed: told in the finding
        group = TransformerGroup(crs, 4326, always_xy=True, area_of_interest=around)
    used = {}
    for place in range(len(x)):
        same = [item for item in group.transformers if _agrees(item, (x[place], y[place]), (lon[place], lat[place]))]
        if not same:
            return Shift("no operation of a registry", None, ())
        used[same[0].description] = same[0]
    worst = max(used.values(), key=lambda item: np.inf if item.accuracy < 0 else item.accuracy)
    accuracy = None if worst.accuracy < 0 else float(worst.accuracy)
    finer = [item for item in group.unavailable_operations if accuracy is None or 0 <= item.accuracy < accuracy]
    grids = tuple(sorted({grid.short_name for item in finer[:1] for grid in item.grids if not grid.available}))
    steps = [step for step in worst.description.split(" + ") if " to " in step]  # without projections and axis orders
    return Shift(" + ".join(steps) or worst.description, accuracy, grids)


def _agrees(item: Transformer, xy: tuple[float, float], lonlat: tuple[float, float]) -> bool:
    return bool(np.abs(np.subtract(item.transform(*xy), lonlat)).max() < _SAME_DEG)


def check_datums(repaired: Repaired) -> list[Finding]:
    """Say how sure the shift between the datums of the patches and of the features is.

    Returns
    -------
    list of Finding
        One for each layer that is shifted.

    Raises
    ------
    CrsError
        A shift has no published accuracy, or is less sure than `MOST_UNSTATED_M`, and the layer states no accuracy that
        covers it.
    """
    patches = repaired.layers["infestations"]
    others = [repaired.layers[name] for name in _MEASURED if name in repaired.layers]
    home = find_datum(patches.frame.crs)
    shifted = [layer for layer in others if len(layer.frame) and find_datum(layer.frame.crs) != home]
    if not shifted:
        return []
    findings, faults = [], []
    for layer in (patches, *shifted):
        if find_datum(layer.frame.crs) == "world geodetic system 1984":
            continue
        shift = find_shift(layer.frame.crs, tuple(layer.frame.total_bounds.tolist()))
        fault = _find_fault(layer, shift)
        if fault is None:
            findings.append(_describe(layer, shift))
        else:
            faults.append(fault)
    if faults:
        raise CrsError(faults)
    return findings


def _is_covered(layer: Layer, shift: Shift) -> bool:
    return shift.accuracy_m is not None and (layer.accuracy_m or 0.0) >= shift.accuracy_m


def _find_fault(layer: Layer, shift: Shift) -> Fault | None:
    if shift.accuracy_m is not None and (shift.accuracy_m <= MOST_UNSTATED_M or _is_covered(layer, shift)):
        return None
    crs = layer.frame.crs
    grids = f"install the grid {' and '.join(shift.grids)} for PROJ, or " if shift.grids else ""
    other = "deliver all layers on one datum"
    if shift.accuracy_m is None:
        found = f"{crs.name}, from which no shift to WGS 84 of known accuracy leads here ({shift.name})"
        return Fault(layer.path, f"layers.{layer.name}", found, f"{grids}{other}, or mend the CRS")
    found = f"{crs.name}, whose best shift to WGS 84 at hand ({shift.name}) is good to {shift.accuracy_m:g} m only"
    state = f'state accuracy = "{shift.accuracy_m:g} m" or more in [layers.{layer.name}]'
    return Fault(layer.path, f"layers.{layer.name}", found, f"{grids}{state}, or {other}")


def _describe(layer: Layer, shift: Shift) -> Finding:
    what = f"{layer.frame.crs.name} was shifted to WGS 84 by {shift.name}"
    if not shift.accuracy_m:
        return Finding("reproject", layer.name, "all rows", what, "its accuracy is that layer's own statement", "info")
    what += f", good to {shift.accuracy_m:g} m"
    if _is_covered(layer, shift):
        done = "covered by the accuracy that the layer states: setbacks are widened by it"
        return Finding("reproject", layer.name, "all rows", what, done, "info")
    done = (
        f"setbacks are not widened for it: deliver the layers on one datum, or state accuracy in [layers.{layer.name}]"
    )
    return Finding("reproject", layer.name, "all rows", what, done)
