"""In: a plan. Out: the charts of its season: crew hours by week, and the cut line of the priorities."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final

from tussock.base.stages import PlanTables
from tussock.deliver.charts import Chart, nothing_to_draw
from tussock.deliver.charts_style import INK, Face, list_faces, make_figure
from tussock.deliver.webmap_style import BLUE, GREY, ORANGE, YELLOW

if TYPE_CHECKING:
    import pandas as pd

_DELIVERIES: Final = {
    "broadcast": "broadcast",
    "spot": "spot",
    "hand": "by hand (wick, stem work)",
    "none": "without herbicide",
}
_DAYS_IN_WEEK: Final = 7
_MANY_WEEKS: Final = 30
_MANY_PATCHES: Final = 70
#: Widest chart [inches].
_WIDEST: Final = 14.0


def draw_hours(plan: PlanTables) -> Chart:
    """Draw crew hours by week: of the calendar; without one, of each unit, spread evenly over its window."""
    calendar = plan.work.get("calendar")
    if calendar is not None and len(calendar):
        table, basis = _weeks_of_calendar(plan, calendar), "as set in the calendar"
    else:
        table, basis = _weeks_of_windows(plan), "no calendar: each unit spread evenly over its dates"
    if table.empty:
        need = "add an operations file with production rates, and treatments with dates"
        raise nothing_to_draw("hours", "no crew hours with dates", need)
    figure, axes = make_figure(min(max(7.5, 0.34 * len(table) + 2), _WIDEST), 4.6)
    bottom = table.iloc[:, 0] * 0.0
    for (name, hours), face in zip(table.items(), list_faces(len(table.columns)), strict=True):
        label = _DELIVERIES.get(str(name), str(name))
        there = (hours > 0).to_numpy().nonzero()[0]  # a bar of no height would still have its edge
        axes.bar(there, hours.iloc[there], 0.8, bottom=bottom.iloc[there], label=label, **face.options)
        bottom = bottom + hours
    step = 1 + len(table) // _MANY_WEEKS
    places = range(0, len(table), step)
    labels = [f"{table.index[place]:%-d %b}" for place in places]
    axes.set_xticks(places, labels, rotation=60, ha="right", rotation_mode="anchor")
    axes.set_ylim(0, float(bottom.max()) * 1.05)
    axes.set_xlabel("week that begins on Monday")
    axes.set_ylabel("crew hours, all persons")
    axes.grid(axis="y", color="#D0D0D0", linewidth=0.6)
    axes.legend(frameon=False, fontsize=9.5, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2)
    title = f"Crew hours by week, season {plan.site.season}"
    figure.suptitle(f"{title}\n({basis})", fontsize=11.5)
    total = table.sum(axis=1)
    weeks = int((total > 0).sum())
    alt = (
        f"{title}, {basis}: {total.sum():.0f} hours in {weeks} weeks from {table.index[0]:%d %B %Y} to "
        f"{table.index[-1]:%d %B %Y}; most in the week of {total.idxmax():%d %B}, {total.max():.0f} hours."
    )
    return Chart("hours", title, alt, table, figure)


def _weeks_of_calendar(plan: PlanTables, calendar: pd.DataFrame) -> pd.DataFrame:
    rows = calendar[calendar["crew_day"].notna() & calendar["crew_hours"].notna()]
    deliveries = dict(zip(plan.units["unit_id"], plan.units["delivery"], strict=True))
    hours: dict[tuple[dt.date, str], float] = {}
    for date, unit_id, size in zip(rows["date"], rows["unit_id"], rows["crew_hours"], strict=True):
        key = _find_monday(dt.date.fromisoformat(str(date)[:10])), str(deliveries.get(unit_id) or "none")
        hours[key] = hours.get(key, 0.0) + float(size)
    return _fill_weeks(hours)


def _weeks_of_windows(plan: PlanTables) -> pd.DataFrame:
    hours: dict[tuple[dt.date, str], float] = {}
    columns = ["status", "season_from", "season_to", "crew_hours", "delivery"]
    for status, first, last, size, delivery in plan.units[columns].itertuples(index=False, name=None):
        if status != "planned" or not first or not last or not size > 0:  # a missing figure is not more than nothing
            continue
        begin, end = dt.date.fromisoformat(str(first)), dt.date.fromisoformat(str(last))
        days = (end - begin).days + 1
        for day in range(max(days, 1)):
            key = _find_monday(begin + dt.timedelta(days=day)), str(delivery or "none")
            hours[key] = hours.get(key, 0.0) + float(size) / max(days, 1)
    return _fill_weeks(hours)


def _find_monday(day: dt.date) -> dt.date:
    return day - dt.timedelta(days=day.weekday())


def _fill_weeks(hours: dict[tuple[dt.date, str], float]) -> pd.DataFrame:
    """Return one row for each week from the first to the last, one column for each delivery that there is."""
    import pandas as pd

    if not hours:
        return pd.DataFrame()
    weeks = [week for week, _ in hours]
    count = (max(weeks) - min(weeks)).days // _DAYS_IN_WEEK + 1
    index = [min(weeks) + dt.timedelta(days=_DAYS_IN_WEEK * place) for place in range(count)]
    names = [name for name in _DELIVERIES if any(name == key for _, key in hours)]
    rows = [[hours.get((week, name), 0.0) for name in names] for week in index]
    return pd.DataFrame(rows, index=pd.Index(index, name="week"), columns=names)


_LINES: Final = {
    "in": ("within the limit", Face(BLUE, "")),
    "out": ("past the limit", Face(ORANGE, "//")),
    "no treatment": ("no treatment", Face(GREY, "..")),
    "not known": ("hours not known", Face(YELLOW, "xx")),
}


def _name_limit(plan: PlanTables) -> str:
    """Return what ends the work that fits: the season's money, its hours, or both."""
    operations = plan.site.operations
    money = None if operations is None else operations.money
    if money is None:
        return "cut line"
    limits = [] if money.budget is None else [f"{money.budget[0]:,.0f} {money.budget[1]}"]
    limits += [] if money.budget_s is None else [f"{money.budget_s / 3600:,.0f} h"]
    return f"cut line: {' or '.join(limits)} reached" if limits else "cut line"


def draw_cut_line(plan: PlanTables) -> Chart:
    """Draw the patches in order of priority with the hours down to each, and the line where hours or money end."""
    ranked = plan.work.get("priorities")
    if ranked is None or ranked.empty:
        need = "add [priorities], and a limit of hours or money, to the operations file"
        raise nothing_to_draw("cut_line", "no priorities", need)
    table: Any = (
        ranked[["rank", "patch_id", "line", "crew_hours", "sum_hours"]].sort_values("rank").reset_index(drop=True)
    )
    figure, axes = make_figure(min(max(7.5, 0.2 * len(table) + 1.5), _WIDEST), 4.8)
    for line, (label, face) in _LINES.items():
        mine = table[table["line"] == line]
        if len(mine):
            axes.bar(mine.index, mine["sum_hours"].fillna(0.0), 0.85, label=f"{label} ({len(mine)})", **face.options)
    outside = table.index[table["line"] == "out"]
    inside = table[table["line"] == "in"]
    if len(outside):
        early = outside[0] < len(table) / 2  # the words stand on the side that has room
        axes.axvline(outside[0] - 0.5, color=INK, linewidth=2, linestyle="--")
        axes.annotate(
            _name_limit(plan),
            (outside[0] - 0.5, 0.98),
            xycoords=("data", "axes fraction"),
            xytext=(5 if early else -5, 0),
            textcoords="offset points",
            ha="left" if early else "right",
            va="top",
            weight="bold",
        )
    named = range(0, len(table), 1 + len(table) // _MANY_PATCHES)
    axes.set_xticks(named, [_cut(table["patch_id"].iloc[place]) for place in named], rotation=90, fontsize=8)
    axes.set_xlim(-0.8, len(table) - 0.2)
    axes.set_xlabel("patch, the first in priority at the left")
    axes.set_ylabel("crew hours, added up from the left")
    axes.grid(axis="y", color="#D0D0D0", linewidth=0.6)
    axes.legend(frameon=False, fontsize=9.5, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4)
    title = f"Patches by priority and the cut line, season {plan.site.season}"
    figure.suptitle(title, fontsize=11.5)
    counts = table["line"].value_counts()
    parts = ", ".join(f"{counts[line]} {label}" for line, (label, _) in _LINES.items() if line in counts)
    alt = f"{title}: {parts}; the patches within the limit take {inside['crew_hours'].sum():.0f} crew hours."
    return Chart("cut_line", title, alt, table, figure)


def _cut(name: object, most: int = 14) -> str:
    text = str(name)
    return text if len(text) <= most else text[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"
