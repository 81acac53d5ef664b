"""In: units with amounts, hours and cost. Out: the same by patch, by product and for the season."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tussock.base.findings import Finding, findings_table
from tussock.base.records import LOOK
from tussock.base.stages import Budgeted, Measured, Prescribed, Site, Zoned
from tussock.budget.operations import find_operations, find_times
from tussock.budget.places import Surroundings, find_surroundings
from tussock.budget.products import add_partners, count_whole_tanks, sum_products
from tussock.budget.ranges import find_ends, find_patch_ranges, find_spread
from tussock.budget.units import Visit, find_efforts
from tussock.budget.visits import count_days, find_visits
from tussock.budget.work import list_work

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

_SUMMED: Final = ("spray_l", "product_l", "ae_kg", "crew_h", "cost", "labour_cost", "product_cost", "equipment_cost")


#: What the units themselves show of their effort; the other terms stand in the table of hours.
_SHOWN: Final = (
    "loads",
    "setup_h",
    "treating_h",
    "refill_h",
    "crew_h",
    "labour_cost",
    "product_cost",
    "equipment_cost",
    "cost",
)


def budget_plan(site: Site, measured: Measured, zoned: Zoned, prescribed: Prescribed) -> Budgeted:
    """Add up volume, product, loads, hours and money, and plan the work of the season.

    Parameters
    ----------
    site
        Operations and products.
    measured
        Layers in cells, for distances on foot.
    zoned
        Patches with their distances.
    prescribed
        Units with amounts.

    Returns
    -------
    Budgeted
        Season = sum of patches = sum of units = sum of products, to rounding; partners in a tank count. Low and high
        follow from the cover of each patch; over the season the departures of the patches are added in quadrature,
        since the patches are judged one by one and their errors do not all fall to one side.

    Raises
    ------
    InputError
        The operations files contradict one another, or name a mixing place that is not mapped.
    """
    operations = find_operations(site)
    times = None if operations is None else find_times(operations)
    planned = add_partners(site, prescribed.units)
    around: Surroundings | None = None
    visits: dict[str, Visit] = {}
    findings: list[Finding] = []
    if operations is not None and operations.time is not None and times is not None:
        around = find_surroundings(site, measured, planned, operations.time.mixing_at)
        visits, findings = find_visits(zoned.patches, planned, around, times)
    efforts, missing = find_efforts(site, operations, planned, visits)
    if operations is not None and operations.crew is not None and times is not None:
        visits = count_days(visits, planned, efforts, times, operations.crew.size)
        efforts, missing = find_efforts(site, operations, planned, visits)
    ends = find_ends(planned, lambda moved: find_efforts(site, operations, moved, visits)[0])
    ends = {end: count_whole_tanks(moved) for end, moved in ends.items()}
    units = planned.join(efforts[list(_SHOWN)])
    tanks = count_whole_tanks(units)
    patches = _sum_patches(zoned.patches, tanks).join(find_patch_ranges(ends, zoned.patches.index))
    products = sum_products(site, operations, units)
    supplied = tanks.assign(supply_cost=efforts["supply_cost"])
    season = sum_season(patches, supplied, ends, operations.currency if operations else None)
    every_term = units.join(efforts.drop(columns=list(_SHOWN)))
    work, noticed = list_work(site, operations, measured, patches, every_term, season, around)
    return Budgeted(units, patches, products, season, findings_table([*missing, *findings, *noticed]), work)


def _sum_patches(patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Sum planned units by patch; a patch whose every planned unit is blank stays blank."""
    summed = patches.copy()
    planned = units[units["status"] == "planned"]
    totals = planned.groupby("patch_id")[list(_SUMMED)].sum(min_count=1).reindex(patches.index)
    none = ~patches.index.isin(planned["patch_id"])
    for name in _SUMMED:
        summed[name] = np.where(none, 0.0, totals[name])
    own = units[units["area_counted_with"] == ""]
    count = own.groupby("patch_id")["status"].agg(["size", lambda status: (status == "planned").sum()])
    count = count.reindex(patches.index, fill_value=0)
    every, done = count.iloc[:, 0].to_numpy(), count.iloc[:, 1].to_numpy()
    summed["status"] = np.where(done == 0, "none", np.where(done == every, "planned", "partly"))
    summed["reason"] = _find_reasons(patches.index, units)
    return summed


def _find_reasons(index: pd.Index[str], units: gpd.GeoDataFrame) -> list[str]:
    open_units = units[(units["status"] != "planned") | (units["method"] == LOOK)]
    reasons: dict[str, list[str]] = {}
    for patch_id, unit_id, reason in zip(open_units["patch_id"], open_units.index, open_units["reason"], strict=True):
        reasons.setdefault(patch_id, []).append(f"{unit_id}: {reason}")
    return ["; ".join(reasons.get(name, [])) for name in index]


def sum_season(
    patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame, ends: dict[str, pd.DataFrame], currency: str | None
) -> pd.DataFrame:
    """Return the season's totals.

    Returns
    -------
    DataFrame
        ``item, low, likely, high, unit`` with SI units (m2, L, kg, h) and the currency of the operations file.
    """
    import pandas as pd

    own = units[units["area_counted_with"] == ""]
    planned = own[own["status"] == "planned"]
    rows: list[tuple[str, float, float, float, str]] = []

    def add(item: str, likely: float, unit: str, low: float | None = None, high: float | None = None) -> None:
        rows.append((item, likely if low is None else low, likely, likely if high is None else high, unit))

    add("patches", float(len(patches)), "count")
    add("treatment units", float(len(units)), "count")
    add("units without an option", float((own["status"] != "planned").sum()), "count")
    add("patches whose cover is not known", float(patches["cover_pct"].isna().sum()), "count")
    add("gross area of all patches", float(patches["area_m2"].sum()), "m2")
    add("net area (shared ground of one species once)", float(own["area_m2"].sum()), "m2")
    looked = planned["method"] == LOOK
    add("net area with a treatment", float(planned.loc[~looked, "area_m2"].sum()), "m2")
    if looked.any():
        add("net area that is looked at (found empty)", float(planned.loc[looked, "area_m2"].sum()), "m2")
    for item, column, unit in (
        ("infested area with a treatment", "infested_m2", "m2"),
        ("spray volume", "spray_l", "L"),
        ("product", "product_l", "L"),
        ("acid equivalent", "ae_kg", "kg"),
        ("crew time", "crew_h", "h"),
        ("labour", "labour_cost", currency or ""),
        ("product cost", "product_cost", currency or ""),
        ("equipment", "equipment_cost", currency or ""),
        ("supplies", "supply_cost", currency or ""),
        ("cost", "cost", currency or ""),
    ):
        if column == "supply_cost" and not planned[column].any():
            continue  # nothing but products has a price
        low, likely, high = find_spread(planned, ends, column)
        add(item, likely, unit, low, high)
    return pd.DataFrame(rows, columns=["item", "low", "likely", "high", "unit"])
