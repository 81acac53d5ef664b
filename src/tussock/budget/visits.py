"""In: patches, planned units, their surroundings. Out: what each unit shares with its patch on a visit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tussock.base.findings import Finding
from tussock.budget.operations import Times
from tussock.budget.places import NOT_USED, Surroundings
from tussock.budget.units import Visit

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

_ROUNDING = 1e-9


def find_visits(
    patches: gpd.GeoDataFrame, units: gpd.GeoDataFrame, around: Surroundings, times: Times
) -> tuple[dict[str, Visit], list[Finding]]:
    """Return what each planned unit shares with its patch, and what is missing around it.

    The planned units of a patch are worked in one visit: the crew walks in and cleans up once, and each unit bears an
    equal share of it, over the longest of their ways in.

    Parameters
    ----------
    patches
        ``species`` and, where mapped, ``slope_pct``.
    units
        ``patch_id, status, spray_l``.
    around
        Distances and mixing places.
    times
        Which species make a site dirty.

    Returns
    -------
    dict
        Visit of each planned unit, by ``unit_id``.
    list of Finding
        No access layer, or no place where mixing is allowed.
    """
    planned = units[units["status"] == "planned"]
    count = planned.groupby("patch_id").size()
    walk = around.distances.loc[planned.index, "walk_m"].groupby(planned["patch_id"]).max()
    closed = len(around.mixing) > 0 and bool(around.distances["mixing_m"].isna().all())
    visits = {}
    for unit_id, patch_id in zip(planned.index, planned["patch_id"], strict=True):
        spot = around.distances.loc[unit_id]
        visits[str(unit_id)] = Visit(
            units=int(count[patch_id]),
            walk_m=float(walk[patch_id]),
            mixing_m=float(spot["mixing_m"]),
            edge_m=float(spot["limited_edge_m"]),
            slope=_find_slope(patches.loc[patch_id]),
            dirty=str(patches.loc[patch_id, "species"]).casefold() in times.dirty_species,
            mixing_closed=closed,
        )
    return visits, _describe(around, closed=closed)


def count_days(
    visits: Mapping[str, Visit], units: pd.DataFrame, efforts: pd.DataFrame, times: Times, size: int
) -> dict[str, Visit]:
    """Return the visits with the crew days that each patch takes: the crew walks in anew on each of them.

    Parameters
    ----------
    visits
        Visits as if each took one day.
    units
        ``patch_id``, by ``unit_id``.
    efforts
        Terms of the hours that follow from those visits.
    times
        Time that a day leaves on the site.
    size
        Persons in the crew.
    """
    on_site = efforts["crew_h"] - efforts["travel_h"] - efforts["breaks_h"]
    patch = on_site.groupby(units["patch_id"]).sum()
    day_h = times.on_site_s * size / 3600
    days = {str(name): max(1, math.ceil(hours / day_h - _ROUNDING)) for name, hours in patch.items()}
    owner = units["patch_id"].to_dict()
    return {name: replace(visit, days=days[str(owner[name])]) for name, visit in visits.items()}


def _find_slope(patch: pd.Series[Any]) -> float:
    slope = float(patch.get("slope_pct", math.nan) or math.nan)
    return 0.0 if math.isnan(slope) else abs(slope) / 100


def _describe(around: Surroundings, *, closed: bool) -> list[Finding]:
    findings = list(around.findings)
    if closed:
        names = ", ".join(sorted(set(around.mixing.loc[around.mixing["verdict"] == NOT_USED, "place"])))
        what = f"no place is left where mixing is allowed (closed: {names})"
        done = "hours and cost of units that need a load stay blank; map a place outside the rules, or name it"
        return [*findings, Finding("budget", "access", "mixing", what, done)]
    if around.distances["walk_m"].isna().any():
        done = "the way in counts as nothing; map where vehicles stop in the access layer"
        findings.append(Finding("budget", "access", "walk-in", "no access feature is mapped", done))
    elif around.distances["mixing_m"].isna().all():
        done = "the way to the mixing place counts as nothing; map one, or name it in time.mixing_at"
        findings.append(Finding("budget", "access", "mixing", "no mixing place is mapped", done))
    return findings
