"""In: amounts of each unit, its surroundings, operations. Out: loads, hours and money of each unit, term by term.

All hours are person-hours. With a ``[time]`` table a unit's work on the site is the sum of its terms; travel and breaks
are the same share of every hour on the site, so the paid hours of units, patches and season add up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from tussock.base.findings import Finding
from tussock.base.records import LOOK, Equipment, Operations, Production, Treatment
from tussock.base.stages import Site
from tussock.budget.operations import Times, find_times
from tussock.budget.products import find_partners_l, list_products
from tussock.trade.mixing import count_loads
from tussock.trade.times import DEFAULTS

if TYPE_CHECKING:
    import pandas as pd

_HOUR_S: Final = 3600.0
#: Off-path walking by slope, Tobler 1993 (NCGIA technical report 93-1).
_TOBLER_M_PER_S: Final = 6.0 / 3.6
_OFF_PATH: Final = 0.6

#: Terms of the work on the site, in the order of a day.
ON_SITE: Final = (
    "setup_h",
    "walk_in_h",
    "search_h",
    "treating_h",
    "refill_h",
    "mixing_h",
    "flagging_h",
    "cleaning_h",
    "records_h",
)
#: Terms that are work on the ground itself; the rest of the paid hours is on the way to it.
PRODUCTIVE: Final = ("search_h", "treating_h", "refill_h", "mixing_h", "flagging_h")
#: Supplies that a `[[price]]` may be given for beside the products.
SUPPLIES: Final = {"dye": "dye_l", "adjuvant": "adjuvant_l", "oil": "oil_l"}


@dataclass(frozen=True)
class Effort:
    """Loads, person-hours and money of one unit; nan where the operations file does not say."""

    loads: float = math.nan
    setup_h: float = math.nan
    walk_in_h: float = math.nan
    search_h: float = math.nan
    treating_h: float = math.nan
    refill_h: float = math.nan
    mixing_h: float = math.nan
    flagging_h: float = math.nan
    cleaning_h: float = math.nan
    records_h: float = math.nan
    travel_h: float = math.nan
    breaks_h: float = math.nan
    productive_h: float = math.nan
    crew_h: float = math.nan
    labour_cost: float = math.nan
    product_cost: float = math.nan
    equipment_cost: float = math.nan
    supply_cost: float = math.nan
    cost: float = math.nan


NOTHING: Final = Effort(*[0.0] * 19)


@dataclass(frozen=True)
class Visit:
    """What a unit shares with the other planned units of its patch, and the ground around it.

    ``units`` is how many planned units share one visit, ``days`` how many crew days it takes; distances are straight
    [m], nan where there is no such place.
    """

    units: int = 1
    days: int = 1
    walk_m: float = math.nan
    mixing_m: float = math.nan
    edge_m: float = 0.0
    slope: float = 0.0
    dirty: bool = False
    mixing_closed: bool = False


def find_efforts(
    site: Site, operations: Operations | None, units: pd.DataFrame, visits: Mapping[str, Visit]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Find loads, hours and cost of every unit.

    Parameters
    ----------
    site
        Treatments.
    operations
        Crew, equipment, rates, times, prices; None where nothing is known.
    units
        With the treatment chosen and its amounts, indexed by ``unit_id``.
    visits
        What each unit shares with its patch, by ``unit_id``; a unit without one stands alone.

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
    for unit_id, unit in zip(units.index, records, strict=True):
        treatment = treatments.get(unit["treatment_id"])
        visit = visits.get(str(unit_id), Visit())
        if unit["method"] == LOOK:
            rows.append(find_look_effort(operations, unit, visit))
        elif treatment is None:
            rows.append(NOTHING)
        else:
            rows.append(find_effort(operations, treatment, unit, missing, visit))
    findings = [
        Finding("budget", "operations", what, "not in the operations file", done) for what, done in missing.items()
    ]
    if operations is None and site.treatments is not None:
        done = "hours and cost stay blank"
        what = "no operations file is loaded"
        findings.append(Finding("budget", "operations", "catalog.operations", what, done, "info"))
    return pd.DataFrame([asdict(row) for row in rows], index=units.index), findings


def find_effort(
    operations: Operations | None,
    treatment: Treatment,
    unit: Mapping[str, Any],
    missing: dict[str, str],
    visit: Visit | None = None,
) -> Effort:
    """Find loads, hours and cost of one planned unit.

    Setting up is the whole crew's, once a unit; treating is the production rate of the method for one person, and
    never less than the time the nozzle is open; refilling is one person's, for each load. With ``[time]`` the way in
    and out (the whole crew, each day begun, shared by the units of the patch), searching, the way to the mixing place
    and back for every load but the first, which is filled on the way in, mixing, flagging, cleaning and records are
    added, and travel and breaks on top. Cost is labour for the paid hours, product, supplies with a price, and
    equipment for the time it is in use.

    Parameters
    ----------
    operations
        None where nothing is known: all stays blank.
    treatment
        Treatment of the unit.
    unit
        ``area_m2, infested_m2, stems, spray_l, product_l, spray_s, product_id``, for other products in the tank
        ``partners_l`` (pairs of product and volume [L]) and, for supplies, ``dye_l, adjuvant_l, carrier``.
    missing
        What the operations file does not say is collected here, with what follows from it.
    visit
        What the unit shares with its patch; None for a unit that stands alone.
    """
    if operations is None:
        return Effort()
    visit = visit or Visit()
    equipment = _find_equipment(operations, treatment, missing)
    loads = _count(unit["spray_l"], equipment)
    counted = 0.0 if math.isnan(loads) else loads
    times = find_times(operations)
    crew = operations.crew
    terms = dict.fromkeys(ON_SITE, 0.0)
    terms["setup_h"] = math.nan if crew is None else crew.setup_s * crew.size / _HOUR_S
    terms["treating_h"] = _find_treating_h(operations, treatment, unit, missing)
    terms["refill_h"] = counted * (equipment.refill_s if equipment else 0.0) / _HOUR_S
    if math.isnan(unit["spray_l"]):
        terms["refill_h"] = math.nan
    if times is not None and crew is not None:
        _add_field_terms(terms, times, visit, unit, counted, crew.size)
    on_site_h = sum(terms.values())
    travel_h, breaks_h = _find_day_terms(times, on_site_h)
    crew_h = on_site_h + travel_h + breaks_h
    labour = math.nan if crew is None else crew_h * _HOUR_S * crew.wage_per_s[0]
    product = _find_product_cost(operations, unit, missing)
    supplies = [price for price in operations.price if price.product in SUPPLIES]
    supply = sum(unit_amount(unit, price.product) * price.price_per_l[0] for price in supplies)
    per_s = equipment.cost_per_s[0] if equipment is not None and equipment.cost_per_s is not None else 0.0
    machine = (terms["treating_h"] + terms["refill_h"]) * _HOUR_S * per_s
    return Effort(
        loads=loads,
        **terms,
        travel_h=travel_h,
        breaks_h=breaks_h,
        productive_h=sum(terms[name] for name in PRODUCTIVE),
        crew_h=crew_h,
        labour_cost=labour,
        product_cost=product,
        equipment_cost=machine,
        supply_cost=supply,
        cost=labour + product + machine + supply,
    )


def find_look_effort(operations: Operations | None, unit: Mapping[str, Any], visit: Visit) -> Effort:
    """Find the hours of a look at a unit of a patch that was found empty: the way, searching, boots, one record.

    Nothing is set up, mixed or flagged. Searching goes at the pace of ``[time]``, without that table at the default.
    """
    if operations is None:
        return Effort()
    times, crew = find_times(operations), operations.crew
    terms = dict.fromkeys(ON_SITE, 0.0)
    if times is not None and crew is not None:
        _add_field_terms(terms, times, replace(visit, edge_m=0.0), unit, 0.0, crew.size)
        terms["records_h"] /= visit.units
    else:
        terms["search_h"] = unit["area_m2"] / 10_000 / DEFAULTS["search_ha_per_s"].size / _HOUR_S
    on_site_h = sum(terms.values())
    travel_h, breaks_h = _find_day_terms(times, on_site_h)
    crew_h = on_site_h + travel_h + breaks_h
    labour = math.nan if crew is None else crew_h * _HOUR_S * crew.wage_per_s[0]
    nothing = dict.fromkeys(("loads", "product_cost", "equipment_cost", "supply_cost"), 0.0)
    return Effort(
        **terms,
        **nothing,
        travel_h=travel_h,
        breaks_h=breaks_h,
        productive_h=sum(terms[name] for name in PRODUCTIVE),
        crew_h=crew_h,
        labour_cost=labour,
        cost=labour,
    )


def unit_amount(unit: Mapping[str, Any], supply: str) -> float:
    """Return how much of a supply a unit takes [L]: dye, adjuvant, or the oil that carries its product."""
    if supply != "oil":
        return float(unit.get(SUPPLIES[supply], 0.0))
    if unit.get("carrier") != "oil":
        return 0.0
    products_l = unit["product_l"] + find_partners_l(unit)
    return float(unit["spray_l"] - products_l - unit.get("dye_l", 0.0) - unit.get("adjuvant_l", 0.0))


def _add_field_terms(
    terms: dict[str, float], times: Times, visit: Visit, unit: Mapping[str, Any], loads: float, size: int
) -> None:
    """Add the terms that the ``[time]`` table stands for [person-hours]."""
    pace = find_walking_pace(times, visit.slope)
    walk_m = 0.0 if math.isnan(visit.walk_m) else visit.walk_m
    carry_m = 0.0 if math.isnan(visit.mixing_m) else visit.mixing_m
    share = size / visit.units / _HOUR_S
    terms["walk_in_h"] = 2 * walk_m * times.terrain_factor / pace * share * visit.days
    terms["search_h"] = unit["area_m2"] / 10_000 / times.search_ha_per_s / _HOUR_S
    trips = max(loads - 1, 0.0)
    terms["refill_h"] += trips * 2 * carry_m * times.terrain_factor / pace / _HOUR_S
    if loads > 0 and visit.mixing_closed:
        terms["refill_h"] = math.nan
    terms["mixing_h"] = loads * times.mixing_s / _HOUR_S
    terms["flagging_h"] = visit.edge_m / times.flagging_m_per_s / _HOUR_S
    terms["cleaning_h"] = (times.cleaning_dirty_s if visit.dirty else times.cleaning_s) * share
    terms["records_h"] = times.records_s / _HOUR_S


def _find_day_terms(times: Times | None, on_site_h: float) -> tuple[float, float]:
    """Return travel and breaks [person-hours]: their share of a person's day for each hour on the site."""
    if times is None:
        return 0.0, 0.0
    return on_site_h * times.travel_s / times.on_site_s, on_site_h * times.breaks_s / times.on_site_s


def find_walking_pace(times: Times, slope: float) -> float:
    """Return the walking speed off a path [m/s]: the user's, else by slope, mean of up and down (Tobler 1993).

    Examples
    --------
    On level ground 6 km/h x exp(-0.175) x 0.6 = 3.02 km/h:

    >>> from tussock.base.records import Operations
    >>> times = find_times(Operations.model_validate({"time": {"source": "example"}}))
    >>> round(find_walking_pace(times, 0.0) * 3.6, 2)
    3.02
    """
    if times.walk_m_per_s is not None:
        return times.walk_m_per_s
    up, down = (_TOBLER_M_PER_S * math.exp(-3.5 * abs(grade + 0.05)) * _OFF_PATH for grade in (slope, -slope))
    return 2 / (1 / up + 1 / down)


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
    operations: Operations, treatment: Treatment, unit: Mapping[str, Any], missing: dict[str, str]
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


def _find_product_cost(operations: Operations, unit: Mapping[str, Any], missing: dict[str, str]) -> float:
    """Return the cost of every product in the tank; nan where one of them has no price."""
    prices = {item.product: item.price_per_l[0] for item in operations.price}
    cost = 0.0
    for name, size_l in list_products(unit):
        if name not in prices:
            missing[f'price of "{name}"'] = "cost of its units stays blank"
        cost += size_l * prices.get(name, math.nan)
    return cost
