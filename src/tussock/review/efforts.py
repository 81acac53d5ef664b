"""In: amounts of units, operations of the documents. Out: findings on loads, hours and money, worked out anew."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import Equipment, Operations, Production, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.rows import Row, info, pick_rows, show_number, violation

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_HOUR_S: Final = 3600.0
_SLACK: Final = 1e-9
_TOLERANCE: Final = 1e-8
#: Columns of a unit that are worked out anew.
EFFORTS: Final = (
    "loads",
    "setup_h",
    "treating_h",
    "refill_h",
    "crew_h",
    "labour_cost",
    "product_cost",
    "equipment_cost",
    "cost",
)
#: Terms of the cost that a unit does not show.
PARTS: Final = ("supply_cost",)


def find_efforts(evidence: Evidence) -> dict[str, FloatArray]:
    """Return loads, hours and the terms of the cost that each unit should have, shape (u,) each; nan where blank."""
    count = len(evidence.units)
    efforts = {name: np.zeros(count) for name in (*EFFORTS, *PARTS)}
    operations = evidence.catalog.operations
    for place, treatment in enumerate(evidence.treatments):
        used = evidence.unit_treatment == place
        if not used.any():
            continue
        if operations is None:
            one: dict[str, Any] = dict.fromkeys(efforts, np.nan)
        else:
            one = _find_effort(evidence, operations, treatment, used)
        for name, values in one.items():
            efforts[name][used] = values
    return efforts


def _find_effort(evidence: Evidence, operations: Operations, treatment: Treatment, used: BoolArray) -> dict[str, Any]:
    """Return the effort of units: setting up (whole crew), treating (one person), refilling, and what they cost.

    Where the operations time the way, the search and the day as well, those terms rest on distances that are not part
    of a plan folder: the hours stated are then taken, and may not be less than the three terms.
    """
    units = evidence.units
    spray, product = units["spray_l"].to_numpy()[used], units["product_l"].to_numpy()[used]
    equipment = next((item for item in operations.equipment if item.id == treatment.equipment), None)
    loads = _count_loads(spray, equipment)
    treating = _find_treating_h(evidence, operations, treatment, used)
    refill = np.nan_to_num(loads) * (equipment.refill_s if equipment else 0.0) / _HOUR_S
    refill[np.isnan(spray)] = np.nan
    crew = operations.crew
    setup = np.full(len(spray), np.nan if crew is None else crew.setup_s * crew.size / _HOUR_S)
    hours = setup + treating + refill
    if operations.time is not None:
        refill = np.where(np.isnan(refill), np.nan, np.fmax(refill, units["refill_h"].to_numpy()[used]))
        hours = np.fmax(hours, units["crew_h"].to_numpy()[used])
    labour = np.full(len(spray), np.nan) if crew is None else hours * _HOUR_S * crew.wage_per_s[0]
    price = next((item.price_per_l[0] for item in operations.price if item.product == treatment.product), np.nan)
    bought = np.zeros(len(spray)) if treatment.product is None else product * price
    rent = 0.0 if equipment is None or equipment.cost_per_s is None else equipment.cost_per_s[0]
    terms = {
        "labour_cost": labour,
        "product_cost": bought,
        "equipment_cost": (treating + refill) * _HOUR_S * rent,
        "supply_cost": _find_supply_cost(evidence, operations, used),
    }
    parts = {"setup_h": setup, "treating_h": treating, "refill_h": refill}
    return {"loads": loads, "crew_h": hours, **parts, **terms, "cost": sum(terms.values())}


def _find_supply_cost(evidence: Evidence, operations: Operations, used: BoolArray) -> FloatArray:
    """Return the cost of dye, adjuvant and carrier oil, where they have a price."""
    units = evidence.units[used]
    dye, adjuvant = units["dye_l"].to_numpy(), units["adjuvant_l"].to_numpy()
    oil = np.where(
        (units["carrier"] == "oil").to_numpy(),
        units["spray_l"].to_numpy() - units["product_l"].to_numpy() - dye - adjuvant,
        0.0,
    )
    amounts = {"dye": dye, "adjuvant": adjuvant, "oil": oil}
    cost = np.zeros(len(units))
    for price in operations.price:
        if price.product in amounts:
            cost = cost + amounts[price.product] * price.price_per_l[0]
    return cost


def _count_loads(spray: FloatArray, equipment: Equipment | None) -> FloatArray:
    if equipment is None or equipment.capacity_l is None:
        return np.where(spray == 0, 0.0, np.nan)
    exact = spray / equipment.capacity_l
    loads = np.ceil(exact - _SLACK * np.maximum(1.0, exact))
    counted: FloatArray = np.where((spray > 0) & (loads < 1), 1.0, loads)
    return counted


def _find_treating_h(evidence: Evidence, operations: Operations, treatment: Treatment, used: BoolArray) -> FloatArray:
    units = evidence.units
    pace = _find_pace(operations, treatment)
    if pace is None:
        return np.full(int(used.sum()), np.nan)
    if pace.rate_ha_per_s is not None:
        treating = units["infested_m2"].to_numpy()[used] / HECTARE_M2 / pace.rate_ha_per_s
    else:
        treating = units["stems"].to_numpy()[used] / (pace.stems_per_s or np.nan)
    nozzle = units["spray_s"].to_numpy()[used]
    seconds = np.where(np.isnan(treating), np.nan, np.fmax(treating, nozzle))
    return np.asarray(seconds / _HOUR_S, dtype=np.float64)


def _find_pace(operations: Operations, treatment: Treatment) -> Production | None:
    """Return the pace given for the equipment of a treatment, else the one given for its method alone."""
    own = [item for item in operations.production if item.method == treatment.method]
    for wanted in (treatment.equipment, None):
        for item in own:
            if item.equipment == wanted:
                return item
    return None


def check_efforts(evidence: Evidence) -> list[Row]:
    """Check that loads, hours and cost follow from the amounts, the paces and the prices."""
    ids = evidence.units["unit_id"].to_numpy()
    rows: list[Row] = []
    efforts = find_efforts(evidence)
    for name in EFFORTS:
        found = evidence.units[name].to_numpy()
        off = find_difference(found, efforts[name])
        rows += pick_rows(off > _TOLERANCE, partial(_describe, ids, name, found, efforts[name]), off)
    return [*rows, info("plan.gpkg", f"loads, hours and cost of {len(ids)} units")]


def _describe(ids: NDArray[Any], name: str, found: FloatArray, expected: FloatArray, unit: int) -> Row:
    return violation(f"unit {ids[unit]}, {name}", show_number(found[unit]), show_number(expected[unit]))
