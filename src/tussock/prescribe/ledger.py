"""In: earlier applications, doses planned so far. Out: what of a yearly limit is used on a piece of ground, by whom."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tussock.base.columns import UnitSystem
from tussock.base.text import show_dose

if TYPE_CHECKING:
    import geopandas as gpd

Members = frozenset[str]


@dataclass(frozen=True)
class Use:
    """One use of an active on a piece of ground: dose [kg ae/ha], stems [1/ha], and where it stands written.

    ``closes`` tells that nothing more of the active may follow on that ground this year; ``date`` is that of a record.
    """

    active: str
    ae_kg_per_ha: float
    stems_per_ha: float
    text: str
    closes: bool = False
    product_id: str = ""
    date: dt.date | None = None


@dataclass
class Ledger:
    """Uses by ground. A piece of shared ground is known by the patches that share it.

    The label year is the calendar year of the season; records of other years are left out when they are read.
    """

    records: dict[str, Use]
    planned: dict[Members, list[tuple[str, Use]]] = field(default_factory=dict)

    def list_uses(self, active: str, records: list[str], members: Members, patch_id: str) -> list[Use]:
        """Return the uses of an active on a unit's ground: earlier records, then other patches on the same ground.

        Parameters
        ----------
        active
            Active ingredient, whatever the product, method or tank it came in.
        records
            Rows of the history layer that cover the unit.
        members
            The patches that share the unit's ground, its own among them.
        patch_id
            The unit's own patch, whose doses are not counted against itself.
        """
        active = active.casefold()
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
        return any(
            other != patch_id and use.active == active.casefold() for other, use in self.planned.get(members, [])
        )

    def add(self, patch_id: str, members: Members, use: Use) -> None:
        """Enter a planned dose; only shared ground has to be remembered, a patch's own units have none in common."""
        if len(members) > 1:
            self.planned.setdefault(members, []).append((patch_id, use))


def open_ledger(history: gpd.GeoDataFrame | None, system: UnitSystem) -> Ledger:
    """Return a ledger with the earlier applications of the year.

    Parameters
    ----------
    history
        Rows of the history layer: ``active, ae_kg_per_ha, stems_per_ha, date, product_id``.
    system
        Units of the texts.
    """
    records: dict[str, Use] = {}
    if history is not None:
        for row in history.itertuples():
            stems = float(row.stems_per_ha)
            dose = show_dose(row.ae_kg_per_ha, system)
            text = f"{row.label} of {row.date:%d %B %Y} ({row.product_id or row.active}, {dose})"
            records[str(row.Index)] = Use(
                active=row.active,
                ae_kg_per_ha=float(row.ae_kg_per_ha),
                stems_per_ha=0.0 if math.isnan(stems) else stems,
                text=text,
                product_id=row.product_id,
                date=row.date,
            )
    return Ledger(records)
