"""In: a plan. Out: the charts of its totals: product by patch, and the range of the season's figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tussock.base import columns as c
from tussock.base import units as u
from tussock.base.stages import PlanTables
from tussock.deliver.charts import Chart, nothing_to_draw
from tussock.deliver.charts_season import _cut
from tussock.deliver.charts_style import INK, list_faces, make_figure
from tussock.deliver.webmap_style import BLUE

if TYPE_CHECKING:
    import pandas as pd

_MOST_PATCHES: Final = 30
_ITEMS: Final = ("crew time", "spray volume", "product", "acid equivalent", "cost")
_LEAST_SPAN: Final = 5.0
_LARGE: Final = 1000
_UNIT_WORDS: Final = {"gal": "gal", "l": "L", "h": "hours"}


def draw_products(plan: PlanTables) -> Chart:
    """Draw the product that each patch takes, by product, the largest first."""
    table = _sum_products(plan)
    if table.empty:
        raise nothing_to_draw(
            "products", "no unit takes a product", "load treatments with products that the rules allow"
        )
    unit = "gal" if plan.site.options.units == "us" else "L"
    shown = table.iloc[:_MOST_PATCHES].copy()
    if len(table) > len(shown):
        shown.loc[f"{len(table) - len(shown)} others"] = table.iloc[_MOST_PATCHES:].sum()
    figure, axes = make_figure(8.5, max(3.0, 0.24 * len(shown) + 1.9))
    left = shown.iloc[:, 0] * 0.0
    for (name, amount), face in zip(shown.items(), list_faces(len(shown.columns)), strict=True):
        there = (amount > 0).to_numpy().nonzero()[0]  # a bar of no length would still have its edge
        axes.barh(there, amount.iloc[there], 0.8, left=left.iloc[there], label=_cut(name, 40), **face.options)
        left = left + amount
    axes.set_yticks(range(len(shown)), [_cut(name, 20) for name in shown.index], fontsize=9)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlim(0, float(left.max()) * 1.03)
    axes.set_xlabel(f"product, {unit}")
    axes.set_ylabel("patch")
    axes.grid(axis="x", color="#D0D0D0", linewidth=0.6)
    axes.legend(frameon=False, fontsize=9.5, loc="lower right")
    title = f"Product by patch, season {plan.site.season}"
    figure.suptitle(title, fontsize=11.5)
    totals = ", ".join(f"{name} {amount:.3g} {unit}" for name, amount in table.sum().items())
    most = f"{table.index[0]} the most ({table.iloc[0].sum():.3g} {unit})"
    alt = f"{title}: {len(table)} patches take product, {most}. {totals}."
    return Chart("products", title, alt, table, figure)


def _sum_products(plan: PlanTables) -> pd.DataFrame:
    """Return gallons or litres of product, one row for each patch that takes any, one column for each product."""
    system = plan.site.options.units
    column = f"product_{c.SMALL_LIQUID.suffix(system)}"
    units = plan.units[(plan.units["status"] == "planned") & (plan.units[column] > 0)]
    table = units.pivot_table(index="patch_id", columns="product_id", values=column, aggfunc="sum", fill_value=0.0)
    table = table * (c.SMALL_LIQUID.size(system) / (u.GALLON_L if system == "us" else 1.0))
    products = table.sum().sort_values(ascending=False, kind="stable").index
    patches = table.sum(axis=1).sort_values(ascending=False, kind="stable").index
    sorted_table: pd.DataFrame = table.loc[patches, products]
    return sorted_table


def draw_budget(plan: PlanTables) -> Chart:
    """Draw the range of the season's totals, each as a share of its likely value."""
    rows = plan.season[plan.season["item"].isin(_ITEMS) & (plan.season["likely"] > 0)]
    table = rows[rows[["low", "high"]].notna().all(axis=1)].set_index("item")
    if table.empty:
        raise nothing_to_draw("budget", "no total of the season above 0", "load treatments that the rules allow")
    table = table.loc[[item for item in _ITEMS if item in table.index]]
    low, high = (table[name] / table["likely"] * 100 for name in ("low", "high"))
    figure, axes = make_figure(8.5, 0.62 * len(table) + 1.7)
    places = range(len(table))
    axes.barh(places, high - low, 0.42, left=low, color=BLUE, edgecolor=INK, linewidth=0.6, alpha=0.55)
    axes.plot([100.0] * len(table), places, linestyle="", marker="|", markersize=22, markeredgewidth=2.5, color=INK)
    span = max(100 - low.min(), high.max() - 100, _LEAST_SPAN) * 1.15
    axes.set_xlim(100 - span, 100 + span)
    axes.set_ylim(len(table) - 0.45, -0.65)
    axes.set_yticks(places, [str(item) for item in table.index])
    white = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
    for place, (_, row) in enumerate(table.iterrows()):
        text = (
            " \N{EN DASH} ".join(_say(row[name]) for name in ("low", "likely", "high")) + f" {_say_unit(row['unit'])}"
        )
        place_above = {"xytext": (0, 16), "textcoords": "offset points"}
        axes.annotate(text, (100, place), ha="center", fontsize=9.5, bbox=white, **place_above)
    axes.set_xlabel("% of the likely value (mark: likely, bar: low to high)")
    axes.grid(axis="x", color="#D0D0D0", linewidth=0.6)
    title = f"Range of the season's totals, season {plan.site.season}"
    figure.suptitle(title, fontsize=11.5)
    parts = [
        f"{item} {_say(row['low'])} to {_say(row['high'])}, likely {_say(row['likely'])} {_say_unit(row['unit'])}"
        for item, row in table.iterrows()
    ]
    return Chart("budget", title, f"{title}: {'; '.join(parts)}.", table, figure)


def _say(size: float) -> str:
    """Return a figure to four digits, never with an exponent where it is large."""
    return f"{size:,.0f}" if abs(size) >= _LARGE else f"{size:.4g}"


def _say_unit(unit: object) -> str:
    return _UNIT_WORDS.get(str(unit), str(unit))
