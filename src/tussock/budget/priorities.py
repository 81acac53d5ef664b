"""In: patches with hours and cost, weights, a budget. Out: a ranking with its criteria, the cut line, how it moves."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.days import Span
from tussock.base.records import Operations, Priorities
from tussock.base.stages import Cell, Measured, Site
from tussock.budget.money import find_money_left
from tussock.budget.streams import place_on_streams

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

FloatArray = NDArray[np.float64]

#: Criteria in the order they are shown; each is 0 to 1.
CRITERIA: Final = ("retreatment", "small_outlier", "upstream", "value_at_risk", "feasibility")
#: How far each weight is moved to see how the cut line moves.
STEP: Final = 0.2


def find_criteria(
    site: Site, measured: Measured, rules: Priorities, patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Find what speaks for each patch, each criterion from 0 to 1.

    - ``retreatment``: 1 where a record of the year before the season covers ground of the patch, or its column
      ``last_treated`` (a date or a year) says so.
    - ``small_outlier``: 1 for a small patch far from others of its species, 0.5 for a small one among others.
    - ``upstream``: length of the way to the outlet over the longest way in that stream system; 0 away from streams.
    - ``value_at_risk``: 1 at a receptor of the kinds named, falling to 0 at the distance named.
    - ``feasibility``: share of the patch's ground that has a treatment.

    Parameters
    ----------
    site
        Season.
    measured
        Cells for the distances.
    rules
        What small, far and near mean.
    patches, units
        Patches by ``patch_id``, units with ``patch_id, area_m2, status, area_counted_with``.

    Returns
    -------
    DataFrame
        `CRITERIA` and ``outlet_m, stream_system``, by ``patch_id``.
    """
    import pandas as pd

    parts = [_find_cell(site, cell, place, rules, measured) for place, cell in enumerate(measured.cells)]
    table = pd.concat(parts).reindex(patches.index)
    longest = table.groupby("stream_system")["outlet_m"].transform("max")
    table["upstream"] = (table["outlet_m"] / longest).where(longest > 0, 0.0).fillna(0.0)
    own = units[units["area_counted_with"] == ""]
    area = own.groupby("patch_id")["area_m2"].sum()
    planned = own[own["status"] == "planned"].groupby("patch_id")["area_m2"].sum()
    table["feasibility"] = (planned / area).reindex(patches.index).fillna(0.0)
    return table[[*CRITERIA, "outlet_m", "stream_system"]]


def _find_cell(site: Site, cell: Cell, number: int, rules: Priorities, measured: Measured) -> pd.DataFrame:
    import pandas as pd

    geometry = np.asarray(cell.patches.geometry.array, dtype=object)
    places = place_on_streams(geometry, cell.water, rules.stream_distance_m)
    return pd.DataFrame(
        {
            "retreatment": _find_retreatment(site, cell, geometry),
            "small_outlier": _find_outliers(cell, rules, measured.patches.loc[cell.patches.index, "area_m2"], geometry),
            "upstream": 0.0,
            "value_at_risk": _find_value(cell, rules, geometry),
            "feasibility": 0.0,
            "outlet_m": [np.nan if place is None else place.outlet_m for place in places],
            "stream_system": ["" if place is None else f"{number}-{place.system}" for place in places],
        },
        index=cell.patches.index,
    )


def _find_retreatment(site: Site, cell: Cell, geometry: NDArray[Any]) -> FloatArray:
    """Mark patches that a record of the year before the season covers, or whose own column says so."""
    first = site.season.first
    year = (first.replace(year=first.year - 1, day=min(first.day, 28)), first - dt.timedelta(days=1))
    found = np.zeros(len(geometry))
    if "last_treated" in cell.patches.columns:
        found[[_was_treated(text, year) for text in cell.patches["last_treated"]]] = 1.0
    if len(cell.history):
        own = cell.history[[date is not None and year[0] <= date <= year[1] for date in cell.history["date"]]]
        if len(own):
            tree = shapely.STRtree(np.asarray(own.geometry.array, dtype=object))
            found[tree.query(geometry, predicate="intersects")[0]] = 1.0
    return found


def _was_treated(value: object, year: Span) -> bool:
    """Tell whether a date, or the number of a year, falls into a span; a year does where one of its days may."""
    text = str(value).strip()[:10].removesuffix(".0")
    if re.fullmatch(r"\d{4}", text):
        return year[0].year <= int(text) <= year[1].year
    try:
        return year[0] <= dt.date.fromisoformat(text) <= year[1]
    except ValueError:
        return False


def _find_outliers(cell: Cell, rules: Priorities, area_m2: pd.Series[float], geometry: NDArray[Any]) -> FloatArray:
    small = area_m2.to_numpy(dtype=float) <= rules.outlier_area_m2
    alone = np.ones(len(geometry), dtype=bool)
    species = cell.patches["species"].astype(str).str.casefold().to_numpy()
    item, other = shapely.STRtree(geometry).query(geometry, predicate="dwithin", distance=rules.outlier_distance_m)
    near = (item != other) & (species[item] == species[other])
    alone[item[near]] = False
    outlier: FloatArray = np.where(small & alone, 1.0, np.where(small, 0.5, 0.0))
    return outlier


def _find_value(cell: Cell, rules: Priorities, geometry: NDArray[Any]) -> FloatArray:
    if not len(cell.receptors):
        return np.zeros(len(geometry))
    own = cell.receptors[cell.receptors["kind"].isin(rules.value_kinds)]
    if not len(own):
        return np.zeros(len(geometry))
    spots = np.asarray(own.geometry.array, dtype=object)
    item, nearest = shapely.STRtree(spots).query_nearest(geometry, all_matches=False)
    value = np.zeros(len(geometry))
    value[item] = 1 - shapely.distance(geometry[item], spots[nearest]) / rules.value_distance_m
    return np.clip(value, 0.0, 1.0)


def find_scores(criteria: pd.DataFrame, weights: dict[str, float]) -> pd.Series[float]:
    """Return the weighted mean of the criteria, 0 to 1."""
    import pandas as pd

    total = sum(weights.values())
    shares = pd.Series({name: weights[name] / total for name in CRITERIA})
    return criteria[list(CRITERIA)].astype(float).mul(shares).sum(axis=1)


def rank_patches(
    patches: pd.DataFrame, criteria: pd.DataFrame, weights: dict[str, float], operations: Operations
) -> pd.DataFrame:
    """Rank patches by their score and draw the cut line.

    Parameters
    ----------
    patches
        ``status, crew_h, cost, infested_m2``, by ``patch_id``.
    criteria
        From `find_criteria`.
    weights
        Weight of each criterion.
    operations
        Budget in hours or money, or both; without one every patch is in.

    Returns
    -------
    DataFrame
        By ``patch_id`` in the order of the ranking: criteria, ``score, rank, crew_h, cost, sum_h, sum_cost, line``.
        ``line`` is in, out, no treatment, or not known (hours or cost are blank). The line falls at the first patch
        that no longer fits; nothing below it is pulled up.
    """
    table = criteria.join(patches[["status", "crew_h", "cost", "infested_m2"]])
    table["score"] = find_scores(criteria, weights)
    table["_place"] = np.arange(len(table))
    table = table.sort_values(["score", "_place"], ascending=[False, True]).drop(columns="_place")
    table["rank"] = np.arange(1, len(table) + 1)
    money, left = operations.money, find_money_left(operations)
    hours = None if money is None or money.budget_s is None else money.budget_s / 3600
    works = (table["status"] != "none").to_numpy(dtype=bool)
    timed, priced = table["crew_h"].notna() | (hours is None), table["cost"].notna() | (left is None)
    known = (timed & priced).to_numpy(dtype=bool)
    counted = works & known
    table["sum_h"] = table["crew_h"].where(counted, 0.0).fillna(0.0).cumsum()
    table["sum_cost"] = table["cost"].where(counted, 0.0).fillna(0.0).cumsum()
    fits = np.ones(len(table), dtype=bool)
    if hours is not None:
        fits &= (table["sum_h"] <= hours * (1 + 1e-12)).to_numpy()
    if left is not None:
        fits &= (table["sum_cost"] <= left * (1 + 1e-12)).to_numpy()
    line = np.where(fits, "in", "out")
    table["line"] = np.where(~works, "no treatment", np.where(known, line, "not known"))
    return table


def list_weights(rules: Priorities) -> dict[str, float]:
    """Return the weight of each criterion."""
    return {name: float(getattr(rules, name)) for name in CRITERIA}


def list_moves(patches: pd.DataFrame, criteria: pd.DataFrame, operations: Operations) -> pd.DataFrame:
    """Show how the cut line moves when each weight moves by a fifth, one at a time.

    Returns
    -------
    DataFrame
        ``criterion, change_pct, weight, patches_in, hours_in, cost_in, entering, leaving``; the first row is the plan.
    """
    import pandas as pd

    rules = operations.priorities
    if rules is None:
        return pd.DataFrame([], columns=list(_MOVES))
    weights = list_weights(rules)
    base = rank_patches(patches, criteria, weights, operations)
    inside = set(base.index[base["line"] == "in"])
    rows = [_describe_move("as planned", 0.0, np.nan, base, inside)]
    for name in CRITERIA:
        for step in (-STEP, STEP):
            moved = weights | {name: weights[name] * (1 + step)}
            if any(moved.values()):
                table = rank_patches(patches, criteria, moved, operations)
                rows.append(_describe_move(name, step * 100, moved[name], table, inside))
    return pd.DataFrame(rows, columns=list(_MOVES))


_MOVES: Final = ("criterion", "change_pct", "weight", "patches_in", "hours_in", "cost_in", "entering", "leaving")


def _describe_move(name: str, change: float, weight: float, table: pd.DataFrame, before: set[Any]) -> tuple[Any, ...]:
    own = table[table["line"] == "in"]
    now = set(own.index)
    entering, leaving = (";".join(sorted(map(str, names))) for names in (now - before, before - now))
    return name, change, weight, len(own), float(own["crew_h"].sum()), float(own["cost"].sum()), entering, leaving
