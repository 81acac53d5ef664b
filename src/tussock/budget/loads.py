"""In: planned units, crew days, prices. Out: what goes into the tank for each unit and crew day, and what to buy."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from tussock.base.columns import LIQUID, UnitSystem
from tussock.base.records import Operations, Treatment
from tussock.base.stages import Site
from tussock.base.text import show
from tussock.budget.products import find_partners_l
from tussock.budget.units import SUPPLIES
from tussock.trade.mixing import count_loads

if TYPE_CHECKING:
    import pandas as pd

#: Amounts of a mix, all in litres.
AMOUNTS: Final = ("mix_l", "product_l", "partner_l", "water_l", "oil_l", "dye_l", "adjuvant_l")
_LOADS: Final = ("loads", "full_load_l", "last_load_l", "product_per_load_l", "product_last_load_l")
_MIX: Final = ("treatment_id", "product_id", "equipment", *AMOUNTS, *_LOADS, "concentration_pct")
UNIT_COLUMNS: Final = ("unit_id", "patch_id", *_MIX)
DAY_COLUMNS: Final = ("crew_day", "date", "crew", *_MIX)
#: Shares of a mix that agree to so many places are of one mix.
_PLACES: Final = 8
_CLOSE: Final = 1e-9


def list_unit_mixes(site: Site, operations: Operations | None, units: pd.DataFrame) -> pd.DataFrame:
    """Return the mix of every planned unit that takes one.

    Parameters
    ----------
    site
        Treatments.
    operations
        Capacity of the equipment; None leaves the loads blank.
    units
        ``patch_id, treatment_id, product_id, spray_l, product_l, partners_l, dye_l, adjuvant_l, carrier``, by
        ``unit_id``.

    Returns
    -------
    DataFrame
        Amounts [L] that add up to the mix, loads, size of a full and of the last load, and product in each.
    """
    import pandas as pd

    treatments = {item.id: item for item in site.treatments or ()}
    rows = []
    used = units[(units["status"] == "planned") & (units["product_id"] != "")]
    records: list[dict[Any, Any]] = used.to_dict("records")
    for unit_id, unit in zip(used.index, records, strict=True):
        treatment = treatments[unit["treatment_id"]]
        amounts = find_mix_amounts(unit)
        own = {"unit_id": unit_id, "patch_id": unit["patch_id"], "treatment_id": treatment.id}
        own |= {"product_id": unit["product_id"], "equipment": treatment.equipment or ""}
        own |= {"concentration_pct": float(unit["concentration_pct"])}
        rows.append(own | amounts | find_loads(amounts, find_capacity_l(operations, treatment)))
    return pd.DataFrame(rows, columns=list(UNIT_COLUMNS))


def find_mix_amounts(unit: Mapping[str, Any]) -> dict[str, float]:
    """Return product, tank-mix partners, carrier, dye and adjuvant in the mix of one unit [L]; they add up to it.

    Parameters
    ----------
    unit
        ``spray_l, product_l, dye_l, adjuvant_l, carrier`` and, for other products in the tank, ``partners_l``.
    """
    mix, product = float(unit["spray_l"]), float(unit["product_l"])
    dye, adjuvant = float(unit["dye_l"]), float(unit["adjuvant_l"])
    partner = find_partners_l(unit)
    carrier = mix - product - partner - dye - adjuvant
    water, oil = (0.0, carrier) if unit["carrier"] == "oil" else (carrier, 0.0)
    return dict(zip(AMOUNTS, (mix, product, partner, water, oil, dye, adjuvant), strict=True))


def find_capacity_l(operations: Operations | None, treatment: Treatment) -> float | None:
    """Return what the equipment of a treatment holds [L]; None where that is not known."""
    listed = () if operations is None else operations.equipment
    return next((item.capacity_l for item in listed if item.id == treatment.equipment), None)


def find_loads(amounts: Mapping[str, float], capacity_l: float | None) -> dict[str, float]:
    """Return number and size of the loads of one mix, and the product in a full and in the last load [L]."""
    mix = amounts["mix_l"]
    if capacity_l is None or math.isnan(mix):
        return dict.fromkeys(_LOADS, math.nan)
    loads, last_l = count_loads(mix, capacity_l)
    share = amounts["product_l"] / mix if mix > 0 else 0.0
    full_l = capacity_l if loads > 1 else last_l
    return dict(zip(_LOADS, (float(loads), full_l, last_l, full_l * share, last_l * share), strict=True))


def list_day_mixes(
    site: Site, operations: Operations | None, unit_mixes: pd.DataFrame, crew_days: pd.DataFrame
) -> pd.DataFrame:
    """Return the mixes of every crew day: units of one treatment and one mix that day are filled from the same loads.

    Units of a treatment that a limit left a weaker mix for are a mix of their own: blended with the others, they would
    get more than the limit.

    Parameters
    ----------
    site, operations
        Treatments, capacity of the equipment.
    unit_mixes
        From `list_unit_mixes`.
    crew_days
        ``crew_day, date, crew, unit_id, share`` (share of the unit's work done that day, 0 to 1).

    Returns
    -------
    DataFrame
        As the unit mixes, by crew day, treatment and mix. The amounts of a unit are the sum over its days.
    """
    import pandas as pd

    if not len(unit_mixes) or not len(crew_days):
        return pd.DataFrame([], columns=list(DAY_COLUMNS))
    treatments = {item.id: item for item in site.treatments or ()}
    joined = crew_days[["crew_day", "date", "crew", "unit_id", "share"]].merge(unit_mixes, on="unit_id")
    parts = [f"share_{name}" for name in AMOUNTS[1:]]
    joined[parts] = joined[list(AMOUNTS[1:])].div(joined["mix_l"], axis=0).round(_PLACES)
    for name in AMOUNTS:
        joined[name] *= joined["share"]
    keys = ["crew_day", "date", "crew", "treatment_id", "product_id", "equipment", *parts]
    sums = {name: (name, lambda amounts: amounts.sum(min_count=1)) for name in AMOUNTS}
    by_mix = joined.groupby(keys, sort=False, dropna=False)
    summed = by_mix.agg(concentration_pct=("concentration_pct", "first"), **sums).reset_index()
    days: list[dict[Any, Any]] = summed.to_dict("records")
    rows = [day | find_loads(day, find_capacity_l(operations, treatments[day["treatment_id"]])) for day in days]
    return pd.DataFrame(rows, columns=list(DAY_COLUMNS))


def list_purchases(
    operations: Operations | None, uses: pd.DataFrame, unit_mixes: pd.DataFrame, system: UnitSystem
) -> pd.DataFrame:
    """Return what to buy: need of the season less what is on the shelf, rounded up to whole packs.

    Parameters
    ----------
    operations
        Prices, packs, what is on the shelf.
    uses
        Products in the tanks, from `products.list_uses`.
    unit_mixes
        Dye, adjuvant and oil of each mix, from `list_unit_mixes`.
    system
        Units that packs are named in.

    Returns
    -------
    DataFrame
        ``item, kind, needed_l, on_shelf_l, to_buy_l, packs, containers, bought_l, left_over_l, cost``. Packs are the
        combination with the least left over, then with the fewest containers; blank where no pack size is given.
    """
    import pandas as pd

    prices = {item.product: item for item in (() if operations is None else operations.price)}
    need = uses.groupby("product_id", sort=False)["product_l"].sum(min_count=1)
    items = [(str(name), "product", float(size)) for name, size in need.items()]
    items += [(name, "supply", float(unit_mixes[column].sum())) for name, column in SUPPLIES.items()]
    rows = []
    for item, kind, needed_l in items:
        price = prices.get(item)
        if kind == "supply" and needed_l == 0:
            continue
        shelf_l = 0.0 if price is None else price.on_shelf_l
        to_buy_l = needed_l if math.isnan(needed_l) else max(needed_l - shelf_l, 0.0)
        sizes = () if price is None else price.packs_l
        counts = choose_packs(to_buy_l, sizes)
        bought_l = to_buy_l if not sizes else sum(size * count for size, count in counts.items())
        text = " + ".join(f"{count} x {show(size, LIQUID, system)}" for size, count in counts.items() if count)
        cost = math.nan if price is None else bought_l * price.price_per_l[0]
        containers = float(sum(counts.values())) if sizes else math.nan
        left_l = shelf_l + bought_l - needed_l
        rows.append((item, kind, needed_l, shelf_l, to_buy_l, text, containers, bought_l, left_l, cost))
    columns = ["item", "kind", "needed_l", "on_shelf_l", "to_buy_l", "packs", "containers", "bought_l", "left_over_l"]
    return pd.DataFrame(rows, columns=[*columns, "cost"])


def choose_packs(need_l: float, sizes_l: Sequence[float]) -> dict[float, int]:
    """Return how many packs of each size cover a need with the least left over, then with the fewest containers.

    Parameters
    ----------
    need_l
        Volume needed [L].
    sizes_l
        Volumes of the packs on sale [L].

    Returns
    -------
    dict
        Size [L] -> number, largest first; empty where nothing is needed or no size is known.

    Examples
    --------
    >>> choose_packs(6.0, [2.5, 1.0])
    {2.5: 2, 1.0: 1}
    """
    sizes = sorted(set(sizes_l), reverse=True)
    if not sizes or math.isnan(need_l) or need_l <= _CLOSE:
        return {}
    best = min(_combine(need_l, sizes), key=lambda counts: (round(_volume(sizes, counts), 9), sum(counts)))
    return dict(zip(sizes, best, strict=True))


def _volume(sizes: Sequence[float], counts: Sequence[int]) -> float:
    return sum(size * count for size, count in zip(sizes, counts, strict=True))


def _combine(need_l: float, sizes: Sequence[float], fewer: int = 4) -> Iterable[tuple[int, ...]]:
    """Yield the combinations worth a look: of each size up to so many fewer than would cover the need alone."""
    most = max(math.ceil(need_l / sizes[0] - _CLOSE), 0)
    if len(sizes) == 1:
        yield (most,)
        return
    for count in range(max(most - fewer, 0), most + 1):
        for rest in _combine(max(need_l - count * sizes[0], 0.0), sizes[1:], fewer):
            yield (count, *rest)
