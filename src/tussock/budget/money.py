"""In: units and patches with cost, money around the work. Out: money with low, likely and high; the bid schedule."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tussock.base.columns import AREA, LENGTH, LIQUID, UnitSystem
from tussock.base.records import LOOK, STEM_METHODS, Operations

if TYPE_CHECKING:
    import pandas as pd

_TERMS: Final = {"labour": "labour", "product cost": "product", "supplies": "supplies", "equipment": "equipment"}

#: Row of the money that tells how many units its sums leave out.
UNPRICED: Final = "units whose cost is not known: not in work, contingency and total"


def list_money(season: pd.DataFrame, operations: Operations | None, unpriced: int = 0) -> pd.DataFrame:
    """Return the season's money: labour, product, supplies, equipment, mobilisation, contingency and their sum.

    Parameters
    ----------
    season
        Totals of the season: ``item, low, likely, high, unit``.
    operations
        Mobilisation and contingency; None gives no rows.
    unpriced
        Planned units whose cost is not known: a row counts them, since the sums hold the others only.

    Returns
    -------
    DataFrame
        ``item, low, likely, high, unit``. Each range is its own: the ends of the terms do not add up to the ends of
        the sum, which follow from its own spread. Contingency is a share of work and mobilisation.
    """
    import pandas as pd

    columns = ["item", "low", "likely", "high", "unit"]
    if operations is None:
        return pd.DataFrame([], columns=columns)
    unit = operations.currency or ""
    totals = season.set_index("item")
    rows: list[tuple[str, float, float, float, str]] = []

    def add(item: str, low: float, likely: float, high: float) -> None:
        rows.append((item, low, likely, high, unit))

    for item, name in _TERMS.items():
        if item in totals.index:
            add(name, *_ends(totals, item))
    low, likely, high = _ends(totals, "cost")
    add("work", low, likely, high)
    money = operations.money
    moving = money.mobilisation[0] if money is not None and money.mobilisation is not None else 0.0
    share = 0.0 if money is None else money.contingency
    ends = [end + moving for end in (low, likely, high)]
    add("mobilisation", moving, moving, moving)
    add("contingency", *(end * share for end in ends))
    add("total", *(end * (1 + share) for end in ends))
    if unpriced:
        rows.append((UNPRICED, float(unpriced), float(unpriced), float(unpriced), "count"))
    return pd.DataFrame(rows, columns=columns)


def _ends(totals: pd.DataFrame, item: str) -> tuple[float, float, float]:
    row: Any = totals.loc[item]
    return float(row["low"]), float(row["likely"]), float(row["high"])


def find_money_left(operations: Operations) -> float | None:
    """Return what a budget leaves for the work itself once mobilisation and contingency are taken off; None if open."""
    money = operations.money
    if money is None or money.budget is None:
        return None
    moving = money.mobilisation[0] if money.mobilisation is not None else 0.0
    return money.budget[0] / (1 + money.contingency) - moving


def list_bid_schedule(
    units: pd.DataFrame, hours: pd.DataFrame, purchases: pd.DataFrame, edge_m: float, system: UnitSystem
) -> pd.DataFrame:
    """Return the bid schedule: what a contractor prices, line by line; prices are left blank for the bidder.

    Parameters
    ----------
    units
        Units with their treatment; only the planned ones are in it.
    hours
        Person-hours of the units, with ``crew_h``.
    purchases
        Products and supplies with ``needed_l``.
    edge_m
        Setback edges to flag [m].
    system
        Units of the quantities.

    Returns
    -------
    DataFrame
        ``item_no, item, unit, quantity, unit_price, amount``. Ground methods are bid by the gross area of their units,
        stem methods by the stem.
    """
    import pandas as pd

    planned = units[units["status"] == "planned"]
    rows: list[tuple[str, str, float]] = [("mobilisation", "lump sum", 1.0)]
    for (method, delivery), own in planned.groupby(["method", "delivery"], sort=True):
        herbicide = "no herbicide" if delivery == "none" else delivery
        word = f"treatment: {str(method).replace('_', ' ')} ({herbicide})"
        word = "look at patches that were found empty" if method == LOOK else word
        if method in STEM_METHODS and own["stems"].notna().all():
            rows.append((word, "stem", float(own["stems"].sum())))
        else:
            rows.append((word, AREA.suffix(system), float(own["area_m2"].sum()) / AREA.size(system)))
    for item, needed in zip(purchases["item"], purchases["needed_l"], strict=True):
        rows.append((f"supply: {item}", LIQUID.suffix(system), float(needed) / LIQUID.size(system)))
    rows.append(("setback edge flagged", LENGTH.suffix(system), edge_m / LENGTH.size(system)))
    rows.append(("crew time, all persons, for work by the hour", "hours", float(hours["crew_h"].sum())))
    named = [(f"{place:03d}", *row, None, None) for place, row in enumerate(rows, start=1)]
    return pd.DataFrame(named, columns=["item_no", "item", "unit", "quantity", "unit_price", "amount"])
