"""In: a plan. Out: earlier applications that may count in a limit for a year, days that work may stand on."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from tussock.base.days import Span
from tussock.base.stages import PlanTables

if TYPE_CHECKING:
    import geopandas as gpd


def list_counted_records(plan: PlanTables) -> gpd.GeoDataFrame | None:
    """Return the records dated in a calendar year that the season touches; None where no layer was given.

    Older ones bind intervals and priorities, and no limit for a year.
    """
    history = plan.features.get("history")
    if history is None:
        return None
    first, last = plan.site.season.years
    return history[[first <= date <= last for date in history["date"]]]


def list_unit_runs(plan: PlanTables) -> dict[str, tuple[Span, ...]]:
    """Return every run of lawful days of each planned unit, in order."""
    runs: dict[str, tuple[Span, ...]] = {}
    table = plan.work.get("unit_windows")
    for row in () if table is None else table.itertuples(index=False):
        run = dt.date.fromisoformat(str(row.first)), dt.date.fromisoformat(str(row.last))
        runs[str(row.unit_id)] = (*runs.get(str(row.unit_id), ()), run)
    return runs
