"""In: amounts of each unit, operations of the user. Out: loads, crew hours and money of each unit, term by term."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from tussock.base.findings import Finding
from tussock.base.records import Equipment, Operations, Production, Treatment
from tussock.base.stages import Site
from tussock.trade.mixing import count_loads

if TYPE_CHECKING:
    import pandas as pd

_HOUR_S: Final = 3600.0


@dataclass(frozen=True)
class Effort:
    """Loads, person-hours and money of one unit; nan where the operations file does not say."""

    loads: float = math.nan
    setup_h: float = math.nan
    treating_h: float = math.nan
    refill_h: float = math.nan
    crew_h: float = math.nan
    labour_cost: float = math.nan
    product_cost: float = math.nan
    equipment_cost: float = math.nan
    cost: float = math.nan


NOTHING: Final = Effort(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def find_efforts(site: Site, units: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Find loads, hours and cost of every unit.

    Parameters
    ----------
    site
        Treatments and operations.
    units
        With the treatment chosen and its amounts.

    Returns
    -------
    DataFrame
        Columns of `Effort`, same index.
    list of Finding
        What the operations file does not say for a method or product in use.
    """
    import pandas as pd

    treatments = {item.id: item for item in site.treatments or ()}
    missing: dict[str, str] = {}
    rows = []
    records: list[dict[Any, Any]] = units.to_dict("records")
    for unit in records:
        treatment = treatments.get(unit["treatment_id"])
        rows.append(NOTHING if treatment is None else find_effort(site.operations, treatment, unit, missing))
    findings = [
        Finding("budget", "operations", what, "not in the operations file", done) for what, done in missing.items()
    ]
    if site.operations is None and site.treatments is not None:
        done = "hours and cost stay blank"
        what = "no operations file is loaded"
        findings.append(Finding("budget", "operations", "catalog.operations", what, done, "info"))
    return pd.DataFrame([asdict(row) for row in rows], index=units.index), findings


def find_effort(
    operations: Operations | None, treatment: Treatment, unit: dict[str, Any], missing: dict[str, str]
) -> Effort:
    """Find loads, hours and cost of one planned unit.

    Person-hours are setting up (whole crew, once a unit), treating (production rate of the method for one person, and
    never less than the time the nozzle is open) and refilling (one person for each load). Cost is labour, product and
    equipment for the time it is in use.

    Parameters
    ----------
    operations
        None where nothing is known: all stays blank.
    treatment
        Treatment of the unit.
    unit
        ``infested_m2, stems, spray_l, product_l, spray_s, product_id``.
    missing
        What the operations file does not say is collected here, with what follows from it.
    """
    if operations is None:
        return Effort()
    equipment = _find_equipment(operations, treatment, missing)
    loads = _count(unit["spray_l"], equipment)
    treating_h = _find_treating_h(operations, treatment, unit, missing)
    refill_h = 0.0 if unit["spray_l"] == 0 else loads * (equipment.refill_s if equipment else 0.0) / _HOUR_S
    if treatment.product is not None and unit["spray_l"] > 0 and math.isnan(loads):
        refill_h = 0.0
    crew = operations.crew
    setup_h = math.nan if crew is None else crew.setup_s * crew.size / _HOUR_S
    crew_h = setup_h + treating_h + refill_h
    labour = math.nan if crew is None else crew_h * _HOUR_S * crew.wage_per_s[0]
    product = _find_product_cost(operations, unit, missing)
    per_s = equipment.cost_per_s[0] if equipment is not None and equipment.cost_per_s is not None else 0.0
    machine = (treating_h + refill_h) * _HOUR_S * per_s
    return Effort(loads, setup_h, treating_h, refill_h, crew_h, labour, product, machine, labour + product + machine)


def _find_equipment(operations: Operations, treatment: Treatment, missing: dict[str, str]) -> Equipment | None:
    if treatment.equipment is None:
        return None
    found = next((item for item in operations.equipment if item.id == treatment.equipment), None)
    if found is None:
        missing[f'equipment "{treatment.equipment}"'] = f"loads of {treatment.id} stay blank"
    return found


def _count(spray_l: float, equipment: Equipment | None) -> float:
    if spray_l == 0:
        return 0.0
    if equipment is None or equipment.capacity_l is None or math.isnan(spray_l):
        return math.nan
    return float(count_loads(spray_l, equipment.capacity_l)[0])


def _find_treating_h(
    operations: Operations, treatment: Treatment, unit: dict[str, Any], missing: dict[str, str]
) -> float:
    pace = find_pace(operations, treatment)
    if pace is None:
        missing[f'production rate of "{treatment.method}"'] = f"hours and cost of {treatment.id} stay blank"
        return math.nan
    if pace.rate_ha_per_s is not None:
        treating_s = unit["infested_m2"] / 10_000 / pace.rate_ha_per_s
    else:
        treating_s = unit["stems"] / (pace.stems_per_s or math.nan)
    spray_s = unit["spray_s"]
    if not math.isnan(spray_s):
        treating_s = max(treating_s, spray_s) if not math.isnan(treating_s) else treating_s
    return float(treating_s / _HOUR_S)


def find_pace(operations: Operations, treatment: Treatment) -> Production | None:
    """Return the production rate of a treatment: that of its equipment first, then that of its method."""
    own = [item for item in operations.production if item.method == treatment.method]
    exact = [item for item in own if item.equipment is not None and item.equipment == treatment.equipment]
    return next(iter(exact + [item for item in own if item.equipment is None]), None)


def _find_product_cost(operations: Operations, unit: dict[str, Any], missing: dict[str, str]) -> float:
    if not unit["product_id"]:
        return 0.0
    price = next((item for item in operations.price if item.product == unit["product_id"]), None)
    if price is None:
        missing[f'price of "{unit["product_id"]}"'] = "cost of its units stays blank"
        return math.nan
    return float(unit["product_l"] * price.price_per_l[0])
