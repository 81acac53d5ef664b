"""In: earlier applications, doses planned so far. Out: what of a yearly limit is used on a piece of ground, by whom."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tussock.base.columns import UnitSystem
from tussock.base.days import Span
from tussock.base.records import Product
from tussock.base.text import show_date, show_dose
from tussock.trade.actives import key_active

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


@dataclass(frozen=True)
class Use:
    """One use of an active on a piece of ground: dose [kg ae/ha], stems [1/ha], and where it stands written.

    A tank with several products of the active is one use. ``product_ids`` are those products (none where a record
    names none), ``products`` those whose label is known: their limits go on binding that ground. ``patch_id`` is that
    of a planned use, ``date`` that of a record of any year.
    """

    active: str
    ae_kg_per_ha: float
    stems_per_ha: float
    text: str
    product_ids: tuple[str, ...] = ()
    products: tuple[Product, ...] = ()
    patch_id: str = ""
    date: dt.date | None = None

    def falls_in(self, year: Span) -> bool:
        """Tell whether it counts in a label year; what is planned counts in each."""
        return self.date is None or year[0] <= self.date <= year[1]


@dataclass
class Ledger:
    """Uses by ground: earlier records by their row, planned uses by their unit.

    ``neighbours`` are the units of other patches that stand on a unit's ground. It holds the whole history: intervals
    look at every record, a yearly limit at those of a label year (`base.days.list_label_years`, `Use.falls_in`).
    """

    records: Mapping[int, Use]
    neighbours: Mapping[str, tuple[str, ...]]
    planned: dict[str, list[Use]] = field(default_factory=dict)

    def list_uses(self, active: str, records: Sequence[int], unit_id: str) -> list[list[Use]]:
        """Return the uses of an active on each piece of a unit's ground: earlier records, then other patches.

        A piece is where a set of units of other patches stand together: doses at one point add up, those at two
        points do not. Units are taken to stand together where each two of them have ground in common.

        Parameters
        ----------
        active
            Key of the active (`trade.actives.key_active`), whatever the product, method or tank it came in.
        records
            Rows of the history layer that cover the unit.
        unit_id
            The unit, whose own uses are not counted against itself.
        """
        own = [self.records[row] for row in records if self.records[row].active == active]
        others = {
            name: use
            for name in self.neighbours.get(unit_id, ())
            for use in self.planned.get(name, ())
            if use.active == active
        }
        together = find_groups({name: others.keys() & self.neighbours[name] for name in others})
        return [[*own, *(others[name] for name in others if name in group)] for group in together]

    def add(self, unit_id: str, use: Use) -> None:
        """Enter a planned use; only those on shared ground have to be remembered."""
        if self.neighbours.get(unit_id):
            self.planned.setdefault(unit_id, []).append(use)


def find_groups(linked: Mapping[str, AbstractSet[str]]) -> list[frozenset[str]]:
    """Return the largest groups in which each is linked with each; one empty group where there is nothing.

    By the recursion of Bron and Kerbosch (1973), Algorithm 457, Communications of the ACM 16(9), with a pivot.
    """
    found: list[frozenset[str]] = []

    def grow(group: frozenset[str], left: set[str], done: set[str]) -> None:
        if not left and not done:
            found.append(group)
            return
        pivot = max(sorted(left | done), key=lambda name: len(linked[name] & left))
        for name in sorted(left - linked[pivot]):
            grow(group | {name}, left & linked[name], done & linked[name])
            left.remove(name)
            done.add(name)

    grow(frozenset(), set(linked), set())
    return found


def open_ledger(
    history: gpd.GeoDataFrame | None, shared: pd.DataFrame, products: Mapping[str, Product], system: UnitSystem
) -> Ledger:
    """Return a ledger with the earlier applications, of every year.

    Parameters
    ----------
    history
        Rows of the history layer: ``active, ae_kg_per_ha, stems_per_ha, date, product_id``.
    shared
        Units of two patches on one ground: ``unit_a, unit_b``.
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
            known = products.get(row.product_id)
            records[int(row.Index)] = Use(
                active=key_active(row.active),
                ae_kg_per_ha=float(row.ae_kg_per_ha),
                stems_per_ha=0.0 if math.isnan(stems) else stems,
                text=f"{row.label} of {show_date(row.date)} ({row.product_id or row.active}, {dose})",
                product_ids=(row.product_id,) if row.product_id else (),
                products=() if known is None else (known,),
                date=row.date,
            )
    neighbours: dict[str, list[str]] = {}
    for one, two in zip(shared["unit_a"], shared["unit_b"], strict=True):
        neighbours.setdefault(str(one), []).append(str(two))
        neighbours.setdefault(str(two), []).append(str(one))
    return Ledger(records, {name: tuple(others) for name, others in neighbours.items()})
