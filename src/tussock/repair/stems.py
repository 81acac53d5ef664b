"""In: stems as a table of diameter classes or as points. Out: the same by patch, in SI, with a finding for strays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tussock.base.columns import DENSITY
from tussock.base.errors import Fault
from tussock.base.findings import Finding
from tussock.base.geodesy import move_geometry
from tussock.base.text import join_words
from tussock.base.units import INCH_M
from tussock.repair.values import place_of, read_numbers, read_words

if TYPE_CHECKING:
    import geopandas as gpd

    from tussock.base.stages import Layer


def set_stem_values(layer: Layer, patches: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Fault], list[Finding]]:
    """Give stems their patch, diameter and number.

    Parameters
    ----------
    layer
        Rows with ``patch_id`` and a count or density for each diameter class, or points, each one stem or
        ``stem_count`` stems, that lie in a patch.
    patches
        Patches indexed by ``patch_id``.

    Returns
    -------
    GeoDataFrame
        ``patch_id, stem_diameter_m, stem_count, stems_per_ha`` in the CRS of the patches; points keep their geometry.
    faults, findings
        Values that cannot be one; stems that lie in no patch.
    """
    where = place_of(layer)
    faults: list[Fault] = []
    rows = [f"row {place + 1}" for place in range(len(layer.frame))]
    frame = layer.frame.copy()
    diameter = {"stem_diameter_in": INCH_M, "stem_diameter_cm": 0.01}
    density = {"stems_per_acre": DENSITY.us_size, "stems_per_ha": 1.0}
    frame["stem_diameter_m"] = read_numbers(layer.frame, diameter, where, rows, faults, above=True)
    frame["stem_count"] = read_numbers(layer.frame, {"stem_count": 1.0}, where, rows, faults, above=False)
    frame["stems_per_ha"] = read_numbers(layer.frame, density, where, rows, faults, above=False)
    drawn = (~frame.geometry.isna()).to_numpy()
    if drawn.any():
        frame.loc[drawn & frame["stem_count"].isna().to_numpy(), "stem_count"] = 1.0
        frame, findings = _find_patches(frame, patches)
    else:
        frame["patch_id"] = read_words(frame, "patch_id")
        faults += _check_table(frame, patches, where, rows)
        findings = []
    return frame, faults, findings


def _check_table(frame: gpd.GeoDataFrame, patches: gpd.GeoDataFrame, where: str, rows: list[str]) -> list[Fault]:
    faults = [
        Fault(where, f'{rows[place]}, column "patch_id"', f'"{name}"', "name a patch of the infestation layer")
        for place, name in enumerate(frame["patch_id"])
        if name not in patches.index
    ]
    blank = (frame["stem_count"].isna() & frame["stems_per_ha"].isna()).to_numpy()
    need = "give stem_count or stems_per_acre for the class"
    faults += [Fault(where, rows[place], "no number of stems", need) for place in np.flatnonzero(blank).tolist()]
    return faults


def _find_patches(frame: gpd.GeoDataFrame, patches: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Give each drawn stem the first patch that it lies in; stems in no patch are left out and counted."""
    import shapely

    points = move_geometry(np.asarray(frame.geometry.array, dtype=object), frame.crs, patches.crs)
    tree = shapely.STRtree(np.asarray(patches.geometry.array, dtype=object))
    stem, patch = tree.query(points, predicate="intersects")
    owner = np.full(len(frame), len(patches))
    np.minimum.at(owner, stem, patch)
    inside = owner < len(patches)
    moved = frame.set_geometry(points, crs=None).set_crs(patches.crs, allow_override=True)[inside]
    moved["patch_id"] = patches.index.to_numpy()[owner[inside]]
    stray = [f"row {place + 1}" for place in np.flatnonzero(~inside).tolist()]
    if not stray:
        return moved, []
    what = f"{len(stray)} stems lie in no patch"
    return moved, [Finding("repair", "stems", join_words(stray), what, "not counted with any patch")]
