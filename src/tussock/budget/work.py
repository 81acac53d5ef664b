"""In: units with their effort, patches, season, surroundings. Out: the tables that plan the work of the season.

Names and columns of the tables are those of `base.columns.WORK`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tussock.base.columns import WORK, Schema
from tussock.base.findings import Finding
from tussock.base.records import LOOK, Operations
from tussock.base.stages import Measured, Site
from tussock.base.text import join_words, show_count
from tussock.budget import loads, money, priorities
from tussock.budget.calendar import Schedule, plan_season
from tussock.budget.followup import list_follow_up
from tussock.budget.operations import find_times, list_time_basis
from tussock.budget.places import Surroundings
from tussock.budget.products import list_products, list_uses
from tussock.budget.streams import list_downstream, place_on_streams
from tussock.budget.weeks import Job
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: How near a stream a patch must lie to have a place on it, where the operations file does not say [m].
_STREAM_M: Final = 30.0


def list_work(
    site: Site,
    operations: Operations | None,
    measured: Measured,
    patches: gpd.GeoDataFrame,
    units: gpd.GeoDataFrame,
    season: pd.DataFrame,
    around: Surroundings | None,
) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """List hours term by term, mixes, purchases, money, priorities, calendar and the years after.

    Parameters
    ----------
    site
        Products, treatments, units of the outputs.
    operations
        What the user says about the season; a table that nobody asks for stays empty.
    measured
        Layers in cells.
    patches, units
        With hours and cost; units with every term of `budget.units.Effort`.
    season
        Totals of the season.
    around
        Distances and mixing places; None without ``[time]``.

    Returns
    -------
    dict
        The tables of `base.columns.WORK`, with SI columns.
    list of Finding
        What does not fit the season, and what was taken for granted.
    """
    hours = _list_hours(units, around)
    mixes = loads.list_unit_mixes(site, operations, units)
    purchases = loads.list_purchases(operations, list_uses(site, units), mixes, site.options.units)
    tables = {"unit_hours": hours, "unit_mixes": mixes, "purchases": purchases, "unit_windows": _list_windows(units)}
    tables["time_basis"] = list_time_basis(operations, site.options.units)
    tables["mixing_places"] = _make_empty(WORK["mixing_places"]) if around is None else around.mixing
    unpriced = _list_unpriced(operations, units)
    tables["money"] = money.list_money(season, operations, len(unpriced))
    findings = _check_money(operations, unpriced)
    schedule = plan_season(Operations(), [], ())
    if operations is not None:
        ranked, moves = _rank(site, operations, measured, patches, units)
        tables["priorities"], tables["priority_moves"] = ranked, moves
        schedule, found = _schedule(site, operations, measured, units, ranked, around)
        follow_up, unknown = list_follow_up(operations.followup, patches, units, units)
        tables["follow_up"] = follow_up
        tables["bid_schedule"] = money.list_bid_schedule(
            units, hours, purchases, float(hours["limited_edge_m"].sum()), site.options.units
        )
        findings += [*schedule.findings, *found, *unknown]
    tables["calendar"], tables["calendar_quality"] = schedule.calendar, schedule.quality
    days = schedule.calendar if len(schedule.calendar) else _pack_days(operations, units)
    tables["day_mixes"] = loads.list_day_mixes(site, operations, mixes, days[days["crew_day"].notna()])
    return {name: tables.get(name, _make_empty(schema)) for name, schema in WORK.items()}, findings


def _list_unpriced(operations: Operations | None, units: gpd.GeoDataFrame) -> list[str]:
    """Return the planned units whose cost is not known although money is spoken of."""
    if operations is None or not operations.currencies():
        return []
    return [str(name) for name in units.index[(units["status"] == "planned") & units["cost"].isna()]]


def _check_money(operations: Operations | None, unpriced: Sequence[str]) -> list[Finding]:
    """Say which units the sums of cost leave out, and where a budget does not even reach for what comes before work."""
    findings = []
    if unpriced:
        what = f"{len(unpriced)} planned units whose cost is not known: {join_words(list(unpriced))}"
        done = "every sum of cost holds the other units only, and is too low by theirs; see why theirs is blank"
        findings.append(Finding("budget", "operations", "cost", what, done))
    left = None if operations is None else money.find_money_left(operations)
    if left is not None and left <= 0:
        what = "the budget does not reach beyond mobilisation and contingency"
        findings.append(Finding("budget", "operations", "money.budget", what, "no patch is above the cut line"))
    return findings


def _make_empty(schema: Schema) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame([], columns=[column.si_name for column in schema])


def _list_hours(units: gpd.GeoDataFrame, around: Surroundings | None) -> pd.DataFrame:
    """Return every term of the hours of each planned unit, beside the distances that they rest on."""
    import pandas as pd

    planned = pd.DataFrame(units.drop(columns="geometry"))[units["status"] == "planned"]
    if around is None:
        blank: dict[str, Any] = {"walk_m": np.nan, "access": "", "mixing_m": np.nan, "mixing_place": ""}
        joined = planned.assign(**blank, limited_edge_m=0.0)
    else:
        joined = planned.join(around.distances)
    names = [column.si_name for column in WORK["unit_hours"][1:]]
    hours: pd.DataFrame = joined[names].rename_axis("unit_id").reset_index()
    return hours


def _list_windows(units: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return every run of lawful days of each planned unit, in order, as ISO dates."""
    import pandas as pd

    rows = [
        (unit_id, first.isoformat(), last.isoformat())
        for unit_id, runs in units["windows"].items()
        for first, last in runs
    ]
    return pd.DataFrame(rows, columns=[column.si_name for column in WORK["unit_windows"]])


def _rank(
    site: Site, operations: Operations, measured: Measured, patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rules = operations.priorities
    if rules is None:
        return _make_empty(WORK["priorities"]), _make_empty(WORK["priority_moves"])
    criteria = priorities.find_criteria(site, measured, rules, patches, units)
    ranked = priorities.rank_patches(patches, criteria, priorities.list_weights(rules), operations)
    names = [column.si_name for column in WORK["priorities"]]
    moves = priorities.list_moves(patches, criteria, operations)
    return ranked.rename_axis("patch_id").reset_index()[names], moves


def _schedule(
    site: Site,
    operations: Operations,
    measured: Measured,
    units: gpd.GeoDataFrame,
    ranked: pd.DataFrame,
    around: Surroundings | None,
) -> tuple[Schedule, list[Finding]]:
    """Plan the season for the units of patches above the cut line whose hours are known."""
    if operations.calendar is None or operations.crew is None:
        return plan_season(Operations(), [], ()), []
    reach_m = (operations.priorities.stream_distance_m if operations.priorities else None) or _STREAM_M
    order, outlet_m = _find_order(measured, reach_m)
    chosen = units[(units["status"] == "planned") & (units["crew_h"] > 0)]
    if len(ranked):
        chosen = chosen[chosen["patch_id"].isin(ranked.loc[ranked["line"] == "in", "patch_id"])]
    score = dict(zip(ranked["patch_id"], ranked["score"], strict=True))
    times = find_times(operations)
    dirty = frozenset() if times is None else times.dirty_species
    access = {} if around is None else dict(around.distances["access"])
    species = {name: str(text).casefold() for cell in measured.cells for name, text in cell.patches["species"].items()}
    jobs = [
        Job(
            unit_id=str(unit_id),
            patch_id=str(unit["patch_id"]),
            hours=float(unit["crew_h"]),
            first=unit["windows"][0][0],
            last=unit["windows"][-1][1],
            windows=unit["windows"],
            area=str(access.get(unit_id) or unit["patch_id"]),
            priority=float(score.get(unit["patch_id"], 0.5)),
            dirty=species.get(unit["patch_id"], "") in dirty,
            outlet_m=outlet_m.get(str(unit["patch_id"]), math.nan),
            note="a look: found empty" if unit["method"] == LOOK else "",
            licensed=any(site.products[name].restricted_use for name, _ in list_products(dict(unit))),
        )
        for unit_id, unit in chosen.iterrows()
        if unit["windows"]
    ]
    findings = []
    if order:
        what = f"{len(order)} pairs of patches lie one below the other on mapped streams"
        done = "upstream comes first; stream lines are taken to run downstream as they were drawn: check"
        findings.append(Finding("budget", "water", "streams", what, done, "info"))
    return plan_season(operations, jobs, order), [*findings, *_list_missing(units, ranked)]


def _list_missing(units: gpd.GeoDataFrame, ranked: pd.DataFrame) -> list[Finding]:
    """Say which planned work the calendar does not hold: hours that are not known, patches below the cut line."""
    findings = []
    blank = units[(units["status"] == "planned") & units["crew_h"].isna()]
    if len(blank):
        what = (
            f"{show_count(len(blank), 'unit')} without known hours: {join_words([str(name) for name in blank.index])}"
        )
        findings.append(
            Finding("budget", "calendar", "hours", what, "not in the calendar; see why their hours are blank")
        )
    out = ranked.loc[ranked["line"] == "out", "patch_id"] if len(ranked) else ranked
    if len(out):
        what = f"below the cut line: {show_count(len(out), 'patch')}: {join_words([str(name) for name in out])}"
        findings.append(Finding("budget", "calendar", "cut line", what, "not in the calendar; see priorities", "info"))
    return findings


def _find_order(measured: Measured, reach_m: float) -> tuple[list[tuple[str, str]], dict[str, float]]:
    """Return pairs (upper, lower) of patches on the streams, and the way from each to the outlet [m]."""
    pairs: list[tuple[str, str]] = []
    outlet_m: dict[str, float] = {}
    for cell in measured.cells:
        places = place_on_streams(np.asarray(cell.patches.geometry.array, dtype=object), cell.water, reach_m)
        names = [str(name) for name in cell.patches.index]
        pairs += [(names[upper], names[lower]) for upper, lower in list_downstream(places)]
        outlet_m |= {name: place.outlet_m for name, place in zip(names, places, strict=True) if place is not None}
    return pairs, outlet_m


def _pack_days(operations: Operations | None, units: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return crew days without dates, for mixes where no calendar is asked for: units end to end, patch by patch."""
    import pandas as pd

    columns = ["crew_day", "date", "crew", "unit_id", "share"]
    crew = None if operations is None else operations.crew
    if operations is None or crew is None:
        return pd.DataFrame([], columns=columns)
    day_h = crew.size * (crew.day_s or DEFAULTS["day_s"].size) / 3600
    rows: list[tuple[Any, ...]] = []
    used = 0.0
    own = units[(units["status"] == "planned") & (units["crew_h"] > 0)]
    for unit_id, hours in zip(own.index, own["crew_h"], strict=True):
        left = float(hours)
        while left > 1e-9:  # noqa: PLR2004  (rounding)
            day = int(used / day_h + 1e-9)
            part = min(left, (day + 1) * day_h - used)
            rows.append((day + 1, "", 1, unit_id, part / hours))
            used, left = used + part, left - part
    return pd.DataFrame(rows, columns=columns)
