"""In: earlier applications, doses planned so far. Out: what of a yearly limit is used on a piece of ground, by whom."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tussock.base.columns import UnitSystem
from tussock.base.days import Span
from tussock.base.records import Product
from tussock.base.text import show_date, show_dose
from tussock.trade.actives import key_active

if TYPE_CHECKING:
    import geopandas as gpd

Members = frozenset[str]


@dataclass(frozen=True)
class Use:
    """One use of an active on a piece of ground: dose [kg ae/ha], stems [1/ha], and where it stands written.

    A tank with several products of the active is one use. ``closes`` tells that nothing more of the active may follow
    on that ground this year; ``date`` is that of a record of any year, and None for what is planned in the season;
    ``limit_kg_per_ha`` is the strictest yearly limit on the labels of the products used, which goes on binding that
    ground, and ``label`` the product that it is of.
    """

    active: str
    ae_kg_per_ha: float
    stems_per_ha: float
    text: str
    closes: bool = False
    product_ids: tuple[str, ...] = ()
    date: dt.date | None = None
    limit_kg_per_ha: float = math.inf
    label: str = ""

    def falls_in(self, year: Span) -> bool:
        """Tell whether it counts in a label year; what is planned counts in each."""
        return self.date is None or year[0] <= self.date <= year[1]


@dataclass
class Ledger:
    """Uses by ground. A piece of shared ground is known by the patches that share it.

    It holds the whole history. Intervals look at every record; a yearly limit at those of a label year
    (`base.days.list_label_years`, `Use.falls_in`).
    """

    records: dict[int, Use]
    planned: dict[Members, list[tuple[str, Use]]] = field(default_factory=dict)

    def list_uses(self, active: str, records: Sequence[int], members: Members, patch_id: str) -> list[Use]:
        """Return the uses of an active on a unit's ground: earlier records, then other patches on the same ground.

        Parameters
        ----------
        active
            Key of the active (`trade.actives.key_active`), whatever the product, method or tank it came in.
        records
            Rows of the history layer that cover the unit.
        members
            The patches that share the unit's ground, its own among them.
        patch_id
            The unit's own patch, whose doses are not counted against itself.
        """
        uses = [self.records[row] for row in records if self.records[row].active == active]
        by_patch: dict[str, Use] = {}
        for other, use in self.planned.get(members, []):
            if other != patch_id and use.active == active:
                known = by_patch.get(other)
                if known is None or use.ae_kg_per_ha > known.ae_kg_per_ha:
                    by_patch[other] = use
        return uses + list(by_patch.values())

    def has_planned(self, active: str, members: Members, patch_id: str) -> bool:
        """Tell whether another patch on the same ground has a planned dose of an active."""
        return any(other != patch_id and use.active == active for other, use in self.planned.get(members, []))

    def add(self, patch_id: str, members: Members, use: Use) -> None:
        """Enter a planned dose; only shared ground has to be remembered, a patch's own units have none in common."""
        if len(members) > 1:
            self.planned.setdefault(members, []).append((patch_id, use))


def find_year_limit(product: Product | None) -> float:
    """Return the yearly limit of a product [kg ae/ha]; infinite where none is known."""
    limit = None if product is None else product.limit_per_year_kg_per_ha
    return math.inf if limit is None else limit


def open_ledger(history: gpd.GeoDataFrame | None, products: Mapping[str, Product], system: UnitSystem) -> Ledger:
    """Return a ledger with the earlier applications, of every year.

    Parameters
    ----------
    history
        Rows of the history layer: ``active, ae_kg_per_ha, stems_per_ha, date, product_id``.
    products
        Catalog: the label of a product used earlier goes on binding the ground.
    system
        Units of the texts.
    """
    records: dict[int, Use] = {}
    if history is not None:
        for row in history.itertuples():
            stems = float(row.stems_per_ha)
            dose = show_dose(row.ae_kg_per_ha, system)
            text = f"{row.label} of {show_date(row.date)} ({row.product_id or row.active}, {dose})"
            records[int(row.Index)] = Use(
                active=key_active(row.active),
                ae_kg_per_ha=float(row.ae_kg_per_ha),
                stems_per_ha=0.0 if math.isnan(stems) else stems,
                text=text,
                product_ids=(row.product_id,) if row.product_id else (),
                date=row.date,
                limit_kg_per_ha=find_year_limit(products.get(row.product_id)),
                label=row.product_id,
            )
    return Ledger(records)
