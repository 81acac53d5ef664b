"""In: units with the products in their tanks. Out: one row for each unit and product, and the sums by product."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from tussock.base.records import Operations
from tussock.base.stages import Site

if TYPE_CHECKING:
    import pandas as pd

USE_COLUMNS: Final = ("unit_id", "product_id", "product_l", "ae_kg")


def list_products(unit: Mapping[str, Any]) -> Iterator[tuple[str, float]]:
    """Yield each product in the tank of a unit with its volume [L], the treatment's own first, then the partners."""
    if unit["product_id"]:
        yield str(unit["product_id"]), float(unit["product_l"])
        yield from unit.get("partners_l", ())


def find_partners_l(unit: Mapping[str, Any]) -> float:
    """Return the volume of the other products in the tank of a unit, added up [L]."""
    return float(sum(size for _, size in unit.get("partners_l", ())))


def add_partners(site: Site, units: pd.DataFrame) -> pd.DataFrame:
    """Return units with ``partner_l`` and ``partner_ae_kg``: the other products in the tank, added up.

    Parameters
    ----------
    site
        Strength of the products.
    units
        With ``partners_l``, pairs of product and volume [L].
    """
    partners = units["partners_l"].tolist()
    strength = {name: product.strength_kg_per_l for name, product in site.products.items()}
    return units.assign(
        partner_l=[float(sum(size for _, size in own)) for own in partners],
        partner_ae_kg=[float(sum(size * strength[name] for name, size in own)) for own in partners],
    )


def count_whole_tanks(units: pd.DataFrame) -> pd.DataFrame:
    """Return units whose ``product_l`` and ``ae_kg`` hold every product in the tank: for sums over patch and season."""
    return units.assign(
        product_l=units["product_l"] + units["partner_l"], ae_kg=units["ae_kg"] + units["partner_ae_kg"]
    )


def list_uses(site: Site, units: pd.DataFrame) -> pd.DataFrame:
    """List the products in the tanks.

    Parameters
    ----------
    site
        Strength of the products.
    units
        ``product_id, product_l, ae_kg, partners_l``, by ``unit_id``.

    Returns
    -------
    DataFrame
        ``unit_id, product_id, product_l, ae_kg``: first a row for each unit with a product, then one for each partner.
    """
    import pandas as pd

    used = units[units["product_id"] != ""]
    own = used[["product_id", "product_l", "ae_kg"]].rename_axis("unit_id").reset_index()
    rows = [
        (unit_id, name, size, size * site.products[name].strength_kg_per_l)
        for unit_id, partners in zip(used.index, used["partners_l"], strict=True)
        for name, size in partners
    ]
    table = pd.DataFrame(own, columns=list(USE_COLUMNS))
    return pd.concat([table, pd.DataFrame(rows, columns=list(USE_COLUMNS))], ignore_index=True) if rows else table


def sum_products(site: Site, operations: Operations | None, units: pd.DataFrame) -> pd.DataFrame:
    """Add up the season by product.

    Parameters
    ----------
    site
        Products, in the order of the catalog.
    operations
        Prices; a product without one has a blank cost.
    units
        ``product_id, area_m2, infested_m2, spray_l, product_l, ae_kg, partners_l``, by ``unit_id``.

    Returns
    -------
    DataFrame
        ``product_id, active, form, unit_count, area_m2, infested_m2, spray_l, product_l, ae_kg, product_cost``.
        Volume, acid equivalent and cost add up to those of the season. Units, ground and liquid of a tank mix stand in
        the row of each of its products.
    """
    import pandas as pd

    prices = {item.product: item.price_per_l[0] for item in (() if operations is None else operations.price)}
    uses = list_uses(site, units)
    rows: list[dict[Any, Any]] = []
    for name, own in uses.groupby("product_id", sort=False):
        product = site.products[str(name)]
        ground = units.loc[own["unit_id"].unique(), ["area_m2", "infested_m2", "spray_l"]]
        volume = own[["product_l", "ae_kg"]].sum(min_count=1)
        row: dict[Any, Any] = {
            "product_id": str(name),
            "active": product.active,
            "form": product.form,
            "unit_count": len(ground),
        }
        row |= ground.sum(min_count=1).to_dict() | volume.to_dict()
        rows.append(row | {"product_cost": volume["product_l"] * prices.get(str(name), math.nan)})
    order = {name: place for place, name in enumerate(site.products)}
    rows.sort(key=lambda row: order[row["product_id"]])
    columns = ["product_id", "active", "form", "unit_count", "area_m2", "infested_m2", "spray_l", "product_l"]
    return pd.DataFrame(rows, columns=[*columns, "ae_kg", "product_cost"])
