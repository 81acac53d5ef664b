"""In: units of all patches, patches on one ground. Out: units of two patches on one ground, and the area in common."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


def find_shared_units(units: gpd.GeoDataFrame, overlaps: gpd.GeoDataFrame, sliver_area_m2: float) -> pd.DataFrame:
    """Find units of two patches that stand on one ground.

    Parameters
    ----------
    units
        Indexed by ``unit_id``: ``patch_id, area_m2`` and geometry.
    overlaps
        Pairs of patches on one ground: ``patch_a, patch_b``.
    sliver_area_m2
        Less ground in common than that is the error of two drawn edges.

    Returns
    -------
    DataFrame
        ``unit_a`` (the earlier row), ``unit_b, area_m2``, in the order of the units.
    """
    import pandas as pd

    pairs = set(zip(overlaps["patch_a"], overlaps["patch_b"], strict=True))
    involved = {name for pair in pairs for name in pair}
    rows = np.flatnonzero(units["patch_id"].isin(involved).to_numpy())
    geometry = np.asarray(units.geometry.array, dtype=object)
    patch = units["patch_id"].to_numpy(dtype=object)
    first, second = shapely.STRtree(geometry[rows]).query(geometry[rows], predicate="intersects")
    first, second = rows[first], rows[second]
    meet = [
        one < two and ((patch[one], patch[two]) in pairs or (patch[two], patch[one]) in pairs)
        for one, two in zip(first.tolist(), second.tolist(), strict=True)
    ]
    first, second = first[meet], second[meet]
    order = np.lexsort((second, first))
    first, second = first[order], second[order]
    planar = shapely.area(geometry)
    scale = np.divide(units["area_m2"].to_numpy(), planar, out=np.zeros_like(planar), where=planar > 0)
    area_m2 = shapely.area(shapely.intersection(geometry[first], geometry[second])) * scale[first]
    solid = area_m2 > sliver_area_m2
    ids = units.index.to_numpy()
    return pd.DataFrame({"unit_a": ids[first[solid]], "unit_b": ids[second[solid]], "area_m2": area_m2[solid]})
