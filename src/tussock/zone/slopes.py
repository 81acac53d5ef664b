"""In: measured distances, slopes of patches or an elevation model. Out: the same distances along the slope.

A slope distance is the straight one between two points, up or down the slope (what a tape or a range finder reads). It
is never shorter than the distance on the map, and the ground between is never shorter than it. So the strip that is
kept on the map holds every place within the distance along the slope, and more: the slope distance is shown beside, and
decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tussock.base.terrain import Terrain, find_heights_m

if TYPE_CHECKING:
    import pandas as pd

    from tussock.base.stages import Site

FloatArray = NDArray[np.float64]


def add_slope_distances(
    nearness: pd.DataFrame, site: Site, patch_of_unit: pd.Series[str], patches: pd.DataFrame
) -> pd.DataFrame:
    """Add ``slope_distance_m`` to the rows of rules that count along the slope.

    Parameters
    ----------
    nearness
        One row for each unit and setback: ``unit_id, setback_id, achieved_m`` and the nearest point pair [degrees].
    site
        Rules, and the elevation model where there is one.
    patch_of_unit
        Patch of each unit, indexed by unit.
    patches
        Patches indexed by patch, with ``slope_pct``.

    Returns
    -------
    DataFrame
        From the elevation model the straight distance between the two points at their heights; without one from the
        patch's own slope, as if the ground rose by it all the way. Blank where neither is known.
    """
    along = {setback.id for _, setback in site.setbacks() if setback.measure == "slope"}
    chosen = nearness["setback_id"].isin(along).to_numpy()
    distance = np.full(len(nearness), np.nan)
    rows = nearness[chosen]
    flat = rows["achieved_m"].to_numpy(dtype=float)
    if site.terrain is not None:
        rise = find_rise_m(site.terrain, rows)
    else:
        owner = patch_of_unit.reindex(rows["unit_id"])
        rise = flat * patches["slope_pct"].reindex(owner).to_numpy(dtype=float) / 100
    distance[chosen] = np.where(flat > 0, np.hypot(flat, rise), flat)
    return nearness.assign(slope_distance_m=distance)


def find_rise_m(terrain: Terrain, rows: pd.DataFrame) -> FloatArray:
    """Return how much higher the far point of each pair lies than the near one [m]; nan where that is not known."""
    ends = rows[["from_lon", "from_lat", "to_lon", "to_lat"]].to_numpy(dtype=float)
    pairs, place = np.unique(ends, axis=0, return_inverse=True)  # rules that run from one feature share their pair
    near, far = (find_heights_m(terrain, pairs[:, k], pairs[:, k + 1]) for k in (0, 2))
    rise: FloatArray = (far - near)[place.ravel()]
    return rise
