"""In: patches. Out: the pairs that stand on one ground, with the area in common, and a finding for each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tussock.base.findings import Finding
from tussock.base.geodesy import find_area_m2
from tussock.base.units import ACRE_M2

if TYPE_CHECKING:
    import geopandas as gpd

#: Two outlines of one species that share this much of their common ground are likely one patch drawn twice.
LIKELY_SAME_SHARE: Final = 0.8
_NOISE_M2: Final = 0.01


def find_overlaps(patches: gpd.GeoDataFrame, sliver_area_m2: float) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Find patches on one ground.

    Parameters
    ----------
    patches
        Patches indexed by ``patch_id`` with ``species``, in the order of the file.
    sliver_area_m2
        Overlaps under this area are reported and otherwise left alone.

    Returns
    -------
    GeoDataFrame
        ``patch_a`` (the earlier row), ``patch_b, same_species, likely_same, area_m2`` and the ground in common; only
        pairs of at least ``sliver_area_m2``.
    list of Finding
        One for each pair.
    """
    import geopandas as gpd
    import shapely

    geometry = np.asarray(patches.geometry.array, dtype=object)
    first, second = shapely.STRtree(geometry).query(geometry, predicate="intersects")
    keep = first < second
    first, second = first[keep], second[keep]
    order = np.lexsort((second, first))
    first, second = first[order], second[order]
    common = shapely.intersection(geometry[first], geometry[second])
    solid = shapely.get_dimensions(common) == 2  # noqa: PLR2004  (an area)
    first, second, common = first[solid], second[solid], common[solid]
    ids = patches.index.to_numpy()
    species = patches["species"].str.casefold().to_numpy()
    area_m2 = find_area_m2(common, patches.crs)
    own_m2 = find_area_m2(geometry[first], patches.crs), find_area_m2(geometry[second], patches.crs)
    same = (species[first] == species[second]) & (species[first] != "")
    share = area_m2 / (own_m2[0] + own_m2[1] - area_m2)
    table = gpd.GeoDataFrame(
        {
            "patch_a": ids[first],
            "patch_b": ids[second],
            "same_species": same.astype(bool),
            "likely_same": (same & (share >= LIKELY_SAME_SHARE)).astype(bool),
            "area_m2": area_m2,
        },
        geometry=common,
        crs=patches.crs,
    )
    table = table[table["area_m2"] > _NOISE_M2]
    findings = [_describe(row, sliver_area_m2) for row in table.itertuples()]
    return table[table["area_m2"] >= sliver_area_m2].reset_index(drop=True), findings


def _describe(row: object, sliver_area_m2: float) -> Finding:
    a, b, area_m2 = row.patch_a, row.patch_b, row.area_m2  # type: ignore[attr-defined]
    what = f"{a} and {b} share {area_m2 / ACRE_M2:.3f} acre ({area_m2:.1f} m2)"
    if area_m2 < sliver_area_m2:
        done = "less than the sliver area: left alone"
        return Finding("repair", "infestations", f"{a}; {b}", what, done, "info")
    if row.likely_same:  # type: ignore[attr-defined]
        done = f"likely the same patch drawn twice: {b} is reported, not added"
    elif row.same_species:  # type: ignore[attr-defined]
        done = f"one species: counted once, with {a}"
    else:
        done = "two species: doses on the shared ground add up"
    return Finding("repair", "infestations", f"{a}; {b}", what, done, "warning", area_m2, area_m2)
