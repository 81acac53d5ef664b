"""In: amounts of units, operations of the documents. Out: findings on loads, hours and money, worked out anew."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import Equipment, Operations, Production, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.doses import find_partners_l
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.hours import FIELD_TERMS, count_days, find_day_factors, find_field_terms, find_times
from tussock.review.rows import Row, info, pick_rows, show_number, violation
from tussock.trade.times import DEFAULTS

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_HOUR_S: Final = 3600.0
#: Pace of a search where the operations do not time it.
SEARCH_HA_PER_S: Final = DEFAULTS["search_ha_per_s"].size
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
#: Terms of hours and cost that only the table of hours shows.
PARTS: Final = ("supply_cost", *FIELD_TERMS, "travel_h", "breaks_h", "productive_h", "on_site_h")


def find_efforts(evidence: Evidence, days: FloatArray | None = None) -> dict[str, FloatArray]:
    """Return loads, terms of the hours and of the cost that each unit should have, shape (u,) each; nan where blank.

    Parameters
    ----------
    evidence
        Units with their amounts.
    days
        Crew days of each patch; by default those that the hours on the site come to.
    """
    if days is not None:
        return _find_efforts(evidence, days)
    if "efforts" not in evidence.memo:
        evidence.memo["efforts"] = _find_efforts(evidence, find_days(evidence))
    efforts: dict[str, FloatArray] = evidence.memo["efforts"]
    return efforts


def find_days(evidence: Evidence) -> FloatArray:
    """Return the crew days of each patch, by its hours as if it took one."""
    if "days" not in evidence.memo:
        one = _find_efforts(evidence, np.ones(len(evidence.patches)))
        evidence.memo["days"] = count_days(evidence, one["on_site_h"])
    days: FloatArray = evidence.memo["days"]
    return days


def _find_efforts(evidence: Evidence, days: FloatArray) -> dict[str, FloatArray]:
    count = len(evidence.units)
    efforts = {name: np.zeros(count) for name in (*EFFORTS, *PARTS)}
    operations = evidence.catalog.operations
    for place in range(len(evidence.treatments)):
        used = evidence.unit_treatment == place
        if not used.any():
            continue
        if operations is None:
            one: dict[str, Any] = dict.fromkeys(efforts, np.nan)
        else:
            one = _find_effort(evidence, operations, place, used, days)
        for name, values in one.items():
            efforts[name][used] = values
    if evidence.looked.any():
        for name, values in _find_look(evidence, operations, days).items():
            efforts[name][evidence.looked] = values
    return efforts


def _find_look(evidence: Evidence, operations: Operations | None, days: FloatArray) -> dict[str, Any]:
    """Return the effort of looks: no tool, no tank, no flag; the search, and what a visit takes where it is timed."""
    used = evidence.looked
    count = int(used.sum())
    if operations is None:
        return dict.fromkeys((*EFFORTS, *PARTS), np.nan)
    nothing = np.zeros(count)
    field = find_field_terms(evidence, operations, used, nothing, days)
    if find_times(operations) is None or operations.crew is None:
        field["search_h"] = evidence.units["area_m2"].to_numpy()[used] / HECTARE_M2 / SEARCH_HA_PER_S / _HOUR_S
    else:
        owner = evidence.unit_patch[(evidence.units["status"] == "planned").to_numpy()]
        number = np.bincount(owner[owner >= 0], minlength=len(days))
        field["records_h"] = field["records_h"] / number[evidence.unit_patch[used]]
        field["flagging_h"] = nothing
    field.pop("way_h")
    on_site = sum(field.values(), nothing)
    travel, breaks = (on_site * share if share else nothing for share in find_day_factors(operations))
    hours = on_site + travel + breaks
    crew = operations.crew
    labour = np.full(count, np.nan) if crew is None else hours * _HOUR_S * crew.wage_per_s[0]
    found = dict.fromkeys((*EFFORTS, *PARTS), nothing) | field
    found |= {"on_site_h": on_site, "travel_h": travel, "breaks_h": breaks, "crew_h": hours}
    return found | {"productive_h": field["search_h"], "labour_cost": labour, "cost": labour}


def _find_effort(
    evidence: Evidence, operations: Operations, place: int, used: BoolArray, days: FloatArray
) -> dict[str, Any]:
    """Return the effort of units: setting up (whole crew), treating (one person), refilling, and what they cost.

    Where the operations time the way, the search and the day as well, those terms rest on the distances of the table
    of hours, which `ways` measures anew.
    """
    units, treatment = evidence.units, evidence.treatments[place]
    spray = units["spray_l"].to_numpy()[used]
    equipment = next((item for item in operations.equipment if item.id == treatment.equipment), None)
    loads = _count_loads(spray, equipment)
    treating = _find_treating_h(evidence, operations, treatment, used)
    refill = np.nan_to_num(loads) * (equipment.refill_s if equipment else 0.0) / _HOUR_S
    refill[np.isnan(spray)] = np.nan
    crew = operations.crew
    setup = np.full(len(spray), np.nan if crew is None else crew.setup_s * crew.size / _HOUR_S)
    field = find_field_terms(evidence, operations, used, np.nan_to_num(loads), days)
    refill = refill + field.pop("way_h")
    on_site = sum(field.values(), setup + treating + refill)
    travel, breaks = (on_site * share if share else np.zeros(len(spray)) for share in find_day_factors(operations))
    hours = on_site + travel + breaks
    labour = np.full(len(spray), np.nan) if crew is None else hours * _HOUR_S * crew.wage_per_s[0]
    rent = 0.0 if equipment is None or equipment.cost_per_s is None else equipment.cost_per_s[0]
    terms = {
        "labour_cost": labour,
        "product_cost": _find_product_cost(evidence, operations, place, used),
        "equipment_cost": (treating + refill) * _HOUR_S * rent,
        "supply_cost": _find_supply_cost(evidence, operations, used),
    }
    parts = {"setup_h": setup, "treating_h": treating, "refill_h": refill, **field, "on_site_h": on_site}
    parts |= {"travel_h": travel, "breaks_h": breaks}
    parts["productive_h"] = field["search_h"] + treating + refill + field["mixing_h"] + field["flagging_h"]
    return {"loads": loads, "crew_h": hours, **parts, **terms, "cost": sum(terms.values())}


def _find_product_cost(evidence: Evidence, operations: Operations, place: int, used: BoolArray) -> FloatArray:
    """Return the cost of every product in the tank; nan where one of them has no price."""
    treatment, units = evidence.treatments[place], evidence.units
    cost = np.zeros(int(used.sum()))
    if treatment.product is None:
        return cost
    prices = find_prices(operations)
    partners = find_partners_l(evidence, place)
    for name, size in [(treatment.product, units["product_l"].to_numpy()[used]), *partners.items()]:
        cost = cost + size * prices.get(name, np.nan)
    return cost


def find_prices(operations: Operations | None) -> dict[str, float]:
    """Return the price of each product and supply for a litre."""
    return {} if operations is None else {item.product: item.price_per_l[0] for item in operations.price}


def _find_supply_cost(evidence: Evidence, operations: Operations, used: BoolArray) -> FloatArray:
    """Return the cost of dye, adjuvant and carrier oil, where they have a price."""
    units = evidence.units[used]
    dye, adjuvant = units["dye_l"].to_numpy(), units["adjuvant_l"].to_numpy()
    oil = np.where(
        (units["carrier"] == "oil").to_numpy(),
        units["spray_l"].to_numpy() - units["product_l"].to_numpy() - units["partner_l"].to_numpy() - dye - adjuvant,
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
