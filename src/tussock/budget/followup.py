"""In: hours and cost of the first year, regrowth. Out: hours and cost of the years after, patch by patch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tussock.base.findings import Finding
from tussock.base.records import LOOK, FollowUp
from tussock.base.text import show_count

if TYPE_CHECKING:
    import pandas as pd


def find_years(
    steady: float,
    shrinking: float,
    regrowth: float,
    years: int,
    *,
    stop_below: float = 0.0,
    stop_years: int | None = None,
) -> list[float]:
    """Return the effort of each year: searching stays what it is, treating shrinks with what is left of the stand.

    Parameters
    ----------
    steady
        Effort of every visit that does not shrink: way, searching, records (hours or money).
    shrinking
        Effort of treating the whole stand, in the first year.
    regrowth
        Share of the stand that is back each year: 1 - kill.
    years
        Years in all, the first one included.
    stop_below, stop_years
        Visits stop after so many in a row that found less than this share of the first stand; None: they go on.

    Returns
    -------
    list of float
        Effort of each year, 0 once the visits have stopped.

    Examples
    --------
    Six hours of searching each year, 40 of treating in the first, 94 % killed each time:

    >>> [round(hours, 1) for hours in find_years(6, 40, 0.06, 5)]
    [46.0, 8.4, 6.1, 6.0, 6.0]
    """
    efforts: list[float] = []
    quiet = 0
    for share in find_left(regrowth, years):
        if stop_years is not None and quiet >= stop_years:
            efforts.append(0.0)
            continue
        efforts.append(steady + shrinking * share)
        quiet = quiet + 1 if share < stop_below else 0
    return efforts


def find_left(regrowth: float, years: int) -> list[float]:
    """Return the share of the first stand that each year's visit finds: 1, regrowth, regrowth squared, and so on."""
    return [regrowth**year for year in range(years)]


def list_follow_up(
    rules: FollowUp | None, patches: pd.DataFrame, units: pd.DataFrame, hours: pd.DataFrame
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return hours and cost of each patch and year.

    Parameters
    ----------
    rules
        Years, regrowth and stop rule; None gives no rows.
    patches
        ``species, growth_form``, by ``patch_id``.
    units
        ``patch_id, status, method``.
    hours
        Terms of the hours and the cost of each unit.

    Returns
    -------
    DataFrame
        ``patch_id, year, regrowth_pct, left_pct, search_h, treating_h, crew_h, cost``. ``treating_h`` is what shrinks:
        treating, refilling and mixing with their share of travel and breaks; ``search_h`` is all the rest.
    list of Finding
        Patches without a regrowth row: they stay blank after the first year.
    """
    import pandas as pd

    columns = ["patch_id", "year", "regrowth_pct", "left_pct", "search_h", "treating_h", "crew_h", "cost"]
    if rules is None:
        return pd.DataFrame([], columns=columns), []
    shrinking = _sum_by_patch(units, hours)
    methods = units[_is_treated(units)].groupby("patch_id")["method"].agg(frozenset)
    rows: list[tuple[Any, ...]] = []
    unknown = []
    for name, own in shrinking.iterrows():
        patch_id = str(name)
        patch = patches.loc[patch_id]
        share = _find_regrowth(rules, str(patch["species"]), str(patch["growth_form"]), methods[patch_id])
        if share is None:
            unknown.append(patch_id)
        rows += _list_years(rules, patch_id, share, own)
    findings = []
    if unknown:
        done = "their later years stay blank: add a row to followup.regrowth"
        what = f"no regrowth row fits {show_count(len(unknown), 'patch')}"
        findings.append(Finding("budget", "operations", ", ".join(unknown), what, done))
    return pd.DataFrame(rows, columns=columns), findings


def _sum_by_patch(units: pd.DataFrame, hours: pd.DataFrame) -> pd.DataFrame:
    """Return steady and shrinking hours and cost of each planned patch."""
    import pandas as pd

    planned = hours.loc[_is_treated(units)]
    on_site = planned["crew_h"] - planned["travel_h"] - planned["breaks_h"]
    paid = (planned["crew_h"] / on_site).where(on_site > 0, 1.0)
    treating = (planned["treating_h"] + planned["refill_h"] + planned["mixing_h"]) * paid
    wage = (planned["labour_cost"] / planned["crew_h"]).where(planned["crew_h"] > 0, 0.0)
    table = pd.DataFrame(
        {
            "treating_h": treating,
            "steady_h": planned["crew_h"] - treating,
            "treating_cost": planned["cost"] - (planned["crew_h"] - treating) * wage,
            "steady_cost": (planned["crew_h"] - treating) * wage,
        }
    )
    return table.groupby(units["patch_id"].loc[planned.index], sort=False).sum(min_count=1)


def _is_treated(units: pd.DataFrame) -> pd.Series[bool]:
    """Tell which units are treated; where a patch was found empty nothing grows back."""
    treated: pd.Series[bool] = (units["status"] == "planned") & (units["method"] != LOOK)
    return treated


def _find_regrowth(rules: FollowUp, species: str, growth_form: str, methods: frozenset[str]) -> float | None:
    return next((row.share for row in rules.regrowth if row.suits(species, growth_form, methods)), None)


def _list_years(rules: FollowUp, patch_id: str, share: float | None, own: Any) -> list[tuple[Any, ...]]:
    nan = float("nan")
    regrowth = nan if share is None else share
    going = find_years(1.0, 0.0, regrowth, rules.years, stop_below=rules.stop_below, stop_years=rules.stop_years)
    rows = []
    for year, left in enumerate(find_left(regrowth, rules.years)):
        on = nan if year and share is None else going[year]
        search_h, treating_h = on * own["steady_h"], on * own["treating_h"] * left
        cost = on * (own["steady_cost"] + own["treating_cost"] * left)
        rows.append((patch_id, year + 1, regrowth * 100, left * 100, search_h, treating_h, search_h + treating_h, cost))
    return rows
