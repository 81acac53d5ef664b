"""In: planned units, earlier applications. Out: what of each active falls on one piece of ground in the year.

The totals are found anew from outlines and doses, so that a reviewer has a second sum beside that of the plan: a use
counts on a unit where its outline covers more of it than a sliver.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from tussock.base import columns as c
from tussock.base.days import Span, list_label_years, span_days
from tussock.base.geodesy import find_area_m2
from tussock.base.records import Product
from tussock.base.stages import PlanTables
from tussock.base.text import show_date
from tussock.deliver.earlier import list_counted_records, list_unit_runs

_SHARE_COVERED: Final = 0.01
_TOLERANCE: Final = 1e-9


@dataclass(frozen=True)
class GroundTotal:
    """One active on the ground of one unit, against the yearly limit on the label of the product planned.

    Attributes
    ----------
    unit_id, product_id, active
        What is planned where; of several products of the active in one tank that with the lowest limit.
    planned, earlier, others
        Doses of this year [kg ae/ha]: planned here, from earlier records, planned for other patches on the same ground.
    limit
        Of the product planned [kg ae/ha]; nan where its record has none.
    uses
        Earlier records and other units that were added.
    lower
        Products of the same active on that ground whose label has a lower limit that the total is over, with the
        limit [kg ae/ha].
    """

    unit_id: str
    product_id: str
    active: str
    planned: float
    earlier: float
    others: float
    limit: float
    uses: tuple[str, ...]
    lower: tuple[tuple[str, float], ...] = ()

    @property
    def total(self) -> float:
        """Dose of the year [kg ae/ha]."""
        return self.planned + self.earlier + self.others

    @property
    def used_pct(self) -> float:
        """Share of the limit in use [%]; nan without a limit."""
        return self.total / self.limit * 100 if self.limit > 0 else math.nan

    @property
    def over(self) -> bool:
        """Whether the year's total is over the limit."""
        return self.total > self.limit * (1 + _TOLERANCE)


@dataclass(frozen=True)
class ActiveTotal:
    """One active over the season: planned and earlier mass [kg ae], and the ground with the highest yearly total."""

    active: str
    planned_kg: float
    earlier_kg: float
    highest: GroundTotal | None


@dataclass(frozen=True)
class _Use:
    row: int
    unit_id: str
    patch_id: str
    product: Product
    dose: float

    @property
    def active(self) -> str:
        return self.product.active.casefold()


@dataclass(frozen=True)
class _Record:
    active: str
    product_id: str
    text: str
    dose: float
    date: dt.date


def find_ground_totals(plan: PlanTables) -> list[GroundTotal]:
    """Return the yearly total of each active on each unit that is treated with it, the fullest limit first."""
    shared = _find_shared(plan)
    earlier, runs = _find_earlier(plan), list_unit_runs(plan)
    tanks: dict[tuple[str, str], list[_Use]] = {}
    for use in _list_uses(plan):
        tanks.setdefault((use.unit_id, use.active), []).append(use)
    ids = plan.units["unit_id"].astype(str).tolist()
    totals = []
    for (_, active), tank in tanks.items():
        row, patch_id = tank[0].row, tank[0].patch_id
        records = _take_fullest(plan, runs.get(tank[0].unit_id, ()), earlier.get(row, []), active)
        others = [item for other in shared.get(row, []) for item in tanks.get((ids[other], active), [])]
        totals.append(_add_up(plan, tank, records, [item for item in others if item.patch_id != patch_id]))
    return sorted(totals, key=lambda item: (-item.used_pct if item.limit > 0 else math.inf, item.unit_id))


def _take_fullest(plan: PlanTables, runs: Sequence[Span], records: list[_Record], active: str) -> list[_Record]:
    """Return the records of an active in the label year that holds most of it, of those that the open days touch."""
    season = plan.site.season
    years = [
        [item for item in records if item.active == active and first <= item.date <= last]
        for first, last in list_label_years(season, span_days(season, runs))
    ]
    return max(years, key=lambda own: sum(item.dose for item in own), default=[])


def _add_up(plan: PlanTables, tank: list[_Use], records: list[_Record], same: list[_Use]) -> GroundTotal:
    use = min(tank, key=lambda item: item.product.limit_per_year_kg_per_ha or math.inf)
    total = GroundTotal(
        unit_id=use.unit_id,
        product_id=use.product.id,
        active=use.product.active,
        planned=sum(item.dose for item in tank),
        earlier=sum(item.dose for item in records),
        others=sum(item.dose for item in same),
        limit=use.product.limit_per_year_kg_per_ha or math.nan,
        uses=(*(item.text for item in records), *(f"unit {item.unit_id}" for item in same)),
    )
    names = dict.fromkeys([*(item.product_id for item in records), *(item.product.id for item in same)])
    known = [plan.site.products[name] for name in names if name in plan.site.products]
    limits = [(item.id, item.limit_per_year_kg_per_ha) for item in known if item.limit_per_year_kg_per_ha is not None]
    low = tuple(
        (name, limit) for name, limit in limits if total.total > limit * (1 + _TOLERANCE) and name != use.product.id
    )
    return replace(total, lower=low)


def find_active_totals(plan: PlanTables, grounds: list[GroundTotal]) -> list[ActiveTotal]:
    """Return the season's mass of each active, planned and earlier, in the order of the product table."""
    budget = plan.product_budget
    size = c.MASS.size(plan.site.options.units)
    planned: dict[str, float] = {}
    for active, ae in zip(budget["active"], budget[f"ae_{c.MASS.suffix(plan.site.options.units)}"], strict=True):
        planned[str(active)] = planned.get(str(active), 0.0) + float(ae) * size
    earlier = _sum_earlier(plan)
    names = list(planned) + [name for name in earlier if name not in {item.casefold() for item in planned}]
    totals = []
    for name in names:
        highest = next((item for item in grounds if item.active.casefold() == name.casefold()), None)
        totals.append(ActiveTotal(name, planned.get(name, 0.0), earlier.get(name.casefold(), 0.0), highest))
    return totals


def _list_uses(plan: PlanTables) -> Iterator[_Use]:
    """Yield each product on each planned unit, partners in the tank too."""
    system = plan.site.options.units
    places = {str(name): row for row, name in enumerate(plan.units["unit_id"])}
    patches = plan.units["patch_id"].astype(str).tolist()
    table, name = plan.relations["unit_products"], f"ae_{c.DOSE.suffix(system)}"
    for unit_id, product_id, dose in zip(table["unit_id"], table["product_id"], table[name], strict=True):
        row, product = places[str(unit_id)], plan.site.products[str(product_id)]
        yield _Use(row, str(unit_id), patches[row], product, float(dose) * c.DOSE.size(system))


def _find_shared(plan: PlanTables) -> dict[int, list[int]]:
    """Return, for each unit, the rows of other units on its ground."""
    geometry = np.asarray(plan.units.geometry.array, dtype=object)
    return _find_cover(geometry, geometry, skip_self=True)


def _find_earlier(plan: PlanTables) -> dict[int, list[_Record]]:
    """Return, for each unit, the earlier applications on its ground; doses in kg ae/ha."""
    history = list_counted_records(plan)
    if history is None or not len(history):
        return {}
    units = np.asarray(plan.units.geometry.array, dtype=object)
    covers = _find_cover(units, np.asarray(history.geometry.array, dtype=object))
    rows = [
        _Record(
            str(row["active"]).casefold(),
            str(row.get("product_id", "")),
            describe_record(row),
            float(row["ae_kg_per_ha"]),
            row["date"],
        )
        for row in history.drop(columns=history.geometry.name).to_dict("records")
    ]
    return {unit: [rows[place] for place in places] for unit, places in covers.items()}


def describe_record(row: Any) -> str:
    """Return the name of an earlier application: label, product, date."""
    return f"{row['label']}, {row.get('product_id') or row['active']}, {show_date(row['date'])}"


def _find_cover(units: Any, others: Any, *, skip_self: bool = False) -> dict[int, list[int]]:
    """Return, for each unit, the rows of others that cover more than a sliver of it."""
    import shapely

    if not len(units) or not len(others):
        return {}
    left, right = shapely.STRtree(others).query(units, predicate="intersects")
    if skip_self:
        left, right = left[left != right], right[left != right]
    common = shapely.area(shapely.intersection(units[left], others[right]))
    keep = common > _SHARE_COVERED * shapely.area(units[left])
    found: dict[int, list[int]] = {}
    for unit, other in sorted(zip(left[keep].tolist(), right[keep].tolist(), strict=True)):
        found.setdefault(unit, []).append(other)
    return found


def _sum_earlier(plan: PlanTables) -> dict[str, float]:
    """Return the mass of the earlier applications by active [kg ae]: dose x true area of each record."""
    history = list_counted_records(plan)
    if history is None or not len(history):
        return {}
    area_m2 = find_area_m2(np.asarray(history.geometry.array, dtype=object), history.crs)
    summed: dict[str, float] = {}
    for active, dose, area in zip(history["active"], history["ae_kg_per_ha"], area_m2, strict=True):
        key = str(active).casefold()
        summed[key] = summed.get(key, 0.0) + float(dose) * float(area) / 10_000
    return summed
