"""In: stems by patch and the stem table. Out: `Stand`: the stems of each patch by diameter class."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.units import ACRE_M2, HECTARE_M2, INCH_M
from tussock.review.columns import find_places, read_number

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

#: Stems of one diameter, to a thousandth of a millimetre, are one class.
_SAME: Final = 6


@dataclass(frozen=True)
class Stand:
    """Stems of each patch: density [1/ha] and count of the whole patch, nan where not mapped, shape (patches,).

    Attributes
    ----------
    per_ha, count
        All stems.
    patch, diameter_m, class_per_ha
        Diameter classes, one row each: place of the patch, diameter (nan where not measured), density. Shape (c,).
    row_class
        Class of each row of the stem table, -1 where its patch is not known, shape (rows,).
    """

    per_ha: FloatArray
    count: FloatArray
    patch: IntArray
    diameter_m: FloatArray
    class_per_ha: FloatArray
    row_class: IntArray

    def add_up(self, values: FloatArray) -> FloatArray:
        """Add up a value of each class by patch; nan where a patch has no class, or one of which it is not known."""
        sums = np.bincount(self.patch, values, minlength=len(self.per_ha)).astype(np.float64)
        sums[np.bincount(self.patch, minlength=len(self.per_ha)) == 0] = np.nan
        return sums


def find_stand(mapped: pd.DataFrame, patches: pd.DataFrame, table: pd.DataFrame) -> Stand:
    """Return the stems of each patch: of the stem table where it has rows for it, else of the mapper's own columns.

    Parameters
    ----------
    mapped
        Layer of patches with the mapper's columns.
    patches
        The same in SI: ``patch_id, area_m2``.
    table
        Stem table in SI, no row where the site has none.
    """
    area_m2 = patches["area_m2"].to_numpy(dtype=float)
    area_ha = np.where(area_m2 > 0, area_m2, np.nan) / HECTARE_M2
    per_ha, diameter = _read_columns(mapped, area_ha)
    place = find_places(patches["patch_id"], table["patch_id"])
    known = np.flatnonzero(place >= 0)
    own = np.flatnonzero(~np.isnan(per_ha) & ~np.isin(np.arange(len(per_ha)), place[known]))
    counted = table["stem_count"].to_numpy(dtype=float)[known] / area_ha[place[known]]
    density = np.where(np.isnan(counted), table["stems_per_ha"].to_numpy(dtype=float)[known], counted)
    size = np.round(table["stem_diameter_m"].to_numpy(dtype=float)[known], _SAME)
    keys, inverse = np.unique(np.column_stack([place[known], size]), axis=0, return_inverse=True)
    inverse = np.asarray(inverse, dtype=np.intp).ravel()
    patch = np.r_[own, keys[:, 0].astype(np.intp)].astype(np.intp)
    classes = np.r_[per_ha[own], np.bincount(inverse, density, minlength=len(keys))]
    row_class = np.full(len(table), -1, np.intp)
    row_class[known] = len(own) + inverse
    total = np.bincount(patch, classes, minlength=len(per_ha)).astype(np.float64)
    total[np.bincount(patch, minlength=len(per_ha)) == 0] = np.nan
    return Stand(total, total * area_ha, patch, np.r_[diameter[own], keys[:, 1]], classes, row_class)


def _read_columns(mapped: pd.DataFrame, area_ha: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return density [1/ha] and diameter [m] of the mapper's own columns."""
    density = read_number(mapped, "stems_per_acre") * (HECTARE_M2 / ACRE_M2)
    if "stems_per_acre" not in mapped.columns:
        density = read_number(mapped, "stems_per_ha")
    counted = read_number(mapped, "stem_count")
    diameter = read_number(mapped, "stem_diameter_in") * INCH_M
    if "stem_diameter_in" not in mapped.columns:
        diameter = read_number(mapped, "stem_diameter_cm") * 0.01
    return np.where(np.isnan(counted), density, counted / area_ha), diameter
