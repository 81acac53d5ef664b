"""In: a filled copy of record.csv. Out: findings: what was applied against what was planned, unit by unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from tussock.base import columns as c
from tussock.base.text import join_words, show, show_dose
from tussock.review.evidence import Evidence
from tussock.review.records_amounts import (
    find_contradictions,
    find_ground,
    find_joint_contradictions,
    find_to_treat_m2,
)
from tussock.review.records_file import Entry, read_records
from tussock.review.rows import Row, info, violation, warning
from tussock.review.seasons import find_planned
from tussock.review.tanks import find_forbidden, find_unlisted
from tussock.review.treated_amounts import OVER, check_dose
from tussock.trade.record_fields import list_fields

RECORDS_CHECK: Final = "records"
_NOTHING: Final = "not filled in: not known whether anything was applied"
#: Rows not filled in that are named one by one.
_MOST_UNFILLED: Final = 10
#: Columns that a list can ask for and that the crew fills in.
_FILLED: Final = frozenset(column.stem for column in c.RECORD[[item.stem for item in c.RECORD].index("applied") :])


@dataclass(frozen=True)
class RecordSource:
    """A filled copy of record.csv, and how its dates are written (as `strptime` has it; None: as they read)."""

    path: Path
    date_format: str | None = None


def check_records(evidence: Evidence, source: RecordSource) -> list[Row]:
    """Compare a filled record with the plan, unit by unit.

    Parameters
    ----------
    evidence
        The plan.
    source
        The file.
    """
    entries = read_records(source.path, evidence.system, source.date_format, evidence.catalog.season)
    units = evidence.units
    places = {name: place for place, name in enumerate(units["unit_id"].tolist())}
    rows: list[Row] = []
    by_unit: dict[int, list[Entry]] = {}
    for entry in entries:
        place = places.get(entry.unit_id)
        if place is None:
            rows.append(violation(f"{source.path.name}, {entry.where}", f"unit {entry.unit_id}", "a unit of the plan"))
        else:
            by_unit.setdefault(place, []).append(entry)
    planned = np.flatnonzero((units["treatment_id"] != "").to_numpy())
    for place in sorted({*planned.tolist(), *by_unit}):
        rows += _check_unit(evidence, place, by_unit.get(place, []))
    done = [entry for entry in entries if entry.is_applied]
    count = len({entry.unit_id for entry in done if entry.unit_id in places})
    volume = math.fsum(entry.product_l for entry in done if not math.isnan(entry.product_l))
    seen = f"{count} of {len(planned)} planned units applied, {show(volume, c.LIQUID, evidence.system, 4)} of product"
    return [*_count_unfilled(rows), info(source.path.name, seen)]


def _count_unfilled(rows: list[Row]) -> list[Row]:
    """Name the first rows that nobody has filled in, and count the others: early in a season most are blank."""
    blank = [row for row in rows if row.note == _NOTHING]
    if len(blank) <= _MOST_UNFILLED:
        return rows
    told = [row for row in rows if row.note != _NOTHING]
    more = f"{len(blank) - _MOST_UNFILLED} more rows not filled in"
    return [*told, *blank[:_MOST_UNFILLED], warning("the other rows of the record", more, "yes, part or no", _NOTHING)]


def _check_unit(evidence: Evidence, place: int, entries: list[Entry]) -> list[Row]:
    unit = evidence.units.iloc[place]
    where = f"unit {unit['unit_id']}"
    if not entries:
        return [warning(where, "no row in the record", "a row for each planned unit", _NOTHING)]
    rows: list[Row] = []
    for entry in entries:
        if entry.is_applied:
            rows += _check_entry(evidence, place, entry)
        elif entry.applied == "no":
            rows.append(info(where, f"not applied: {entry.texts.get('notes') or 'no reason noted'}"))
        elif entry.applied:
            rows.append(violation(f"{where}, applied", entry.applied, "yes, part or no"))
        else:
            rows.append(warning(f"{where}, {entry.where}", "applied is blank", "yes, part or no", _NOTHING))
    applied = [entry for entry in entries if entry.is_applied]
    if not unit["treatment_id"] and applied:
        rows.append(violation(where, "applied, where nothing is planned", unit["reason"] or "no treatment"))
    return rows + _check_sums(evidence, place, applied)


def _check_entry(evidence: Evidence, place: int, entry: Entry) -> list[Row]:
    """Check one row: product, date, what a list asks for, rate."""
    unit = evidence.units.iloc[place]
    where = f"unit {unit['unit_id']}, {entry.where}"
    products = evidence.catalog.products
    name = entry.used_product
    rows: list[Row] = []
    planned = list_planned(evidence, place)
    if name and name not in planned:
        expected = join_words(list(planned)) or "no herbicide"
        rows.append(violation(f"{where}, product", name, expected, "another product than planned"))
    if name and name not in products:
        return [*rows, violation(f"{where}, product", name, "a product of the catalog", "no label to check it by")]
    rows += _check_date(evidence, place, entry, where)
    if not name:
        return rows
    rows += _check_rules(evidence, place, entry, where)
    rows += _check_blanks(evidence, entry, where)
    ground = find_ground(evidence, place, entry, products[name], planned.get(name, math.nan))
    rows += [
        violation(f"{where}, {item.column}", item.found, item.expected, item.note)
        for item in find_contradictions(ground, evidence.system)
    ]
    if not math.isnan(ground.dose_kg_per_ha):
        dose = ground.dose_kg_per_ha
        rows += check_dose(evidence, f"{where}, rate", name, dose, planned.get(name, math.nan))
    return rows


def list_planned(evidence: Evidence, place: int) -> dict[str, float]:
    """Return the products planned on a unit with their dose [kg ae/ha], the first and those in its tank."""
    unit = evidence.units.iloc[place]
    treatment = int(evidence.unit_treatment[place])
    if not unit["product_id"]:
        return {}
    doses = {str(unit["product_id"]): float(unit["ae_kg_per_ha"])}
    components = evidence.components(evidence.treatments[treatment]) if treatment >= 0 else []
    first, part = components[0] if components else (None, 0.0)
    if first is not None:
        base = part * first.strength_kg_per_l
        for product, share in components[1:]:
            if product is not None:
                doses[product.id] = float(unit["ae_kg_per_ha"]) * share * product.strength_kg_per_l / base
    return doses


def _check_date(evidence: Evidence, place: int, entry: Entry, where: str) -> list[Row]:
    unit = evidence.units.iloc[place]
    if not entry.date:
        return []  # a list asks for it: said there; a way without herbicide needs none
    runs = evidence.date_runs[evidence.unit_dates[place]]
    if runs is None or not unit["season_from"]:
        return []
    if any(run.first.isoformat() <= entry.date <= run.last.isoformat() for run in runs):
        return []
    expected = " or ".join(f"{run.first} to {run.last}" for run in runs)
    return [violation(f"{where}, date", entry.date, expected, "outside the planned dates")]


def _check_rules(evidence: Evidence, place: int, entry: Entry, where: str) -> list[Row]:
    """Check what was used on that day against the setbacks in force on the unit, and against sets that list."""
    unit = evidence.units.iloc[place]
    method = str(unit["method"]) or "foliar_spot"
    changed = entry.used_product != unit["product_id"]
    product = evidence.catalog.products[entry.used_product]
    rows = []
    if changed and entry.used_product not in list_planned(evidence, place):
        rows += [
            violation(f"{where}, product", f"{product.id} by {method}", f"a row for it in {title}", "not listed")
            for title in find_unlisted(evidence, method, product)
        ]
    frame = evidence.delivered.layers["units"].iloc[[place]].reset_index(drop=True)
    frame = frame.assign(product_id=product.id, method=method, treatment_id="" if changed else unit["treatment_id"])
    one = Evidence(replace(evidence.delivered, layers={**evidence.delivered.layers, "units": frame}), evidence.catalog)
    days = find_planned(entry.date, entry.date) if entry.date else None
    for number, (_, setback) in enumerate(evidence.catalog.setbacks()):
        closed = days is None or days.meets(setback.season)
        if evidence.listed[number][place] and closed and find_forbidden(one, setback)[0]:
            note = f"forbidden within setback {setback.id}; {setback.source}"
            rows.append(violation(f"{where}, product", f"{product.id} by {method}", "not on this unit", note))
    return rows


def _check_blanks(evidence: Evidence, entry: Entry, where: str) -> list[Row]:
    """Name the blanks that a published list asks for: a violation where the list is about this very product."""
    restricted = evidence.catalog.products[entry.used_product].restricted_use
    asked = [item for item in list_fields("record") if restricted or item.applies == "every herbicide"]
    blank = [name for name in dict.fromkeys(name for item in asked for name in item.columns) if not entry.has(name)]
    filled = [name for name in blank if name in _FILLED]
    rows = []
    if filled:
        lists = [item.id for item in asked if set(item.columns) & set(filled)]
        say = violation if restricted and any(item.startswith("us-federal") for item in lists) else warning
        names = ", ".join(name.replace("_", " ") for name in filled)
        rows.append(say(where, f"blank: {names}", "filled in", f"asked for by {', '.join(lists)}"))
    if "registration" in blank:
        rows.append(warning(where, "no registration number", "the number on the label", "not in the product record"))
    return rows


def _check_sums(evidence: Evidence, place: int, applied: list[Entry]) -> list[Row]:
    """Check what was applied to a unit in all: amount and area against the plan, and the year's limit."""
    unit = evidence.units.iloc[place]
    where, system = f"unit {unit['unit_id']}", evidence.system
    rows: list[Row] = []
    rows += [
        violation(f"{where}, {item.column}", item.found, item.expected, item.note)
        for item in find_joint_contradictions(evidence, place, [entry for entry in applied if entry.used_product])
    ]
    names = list(dict.fromkeys(entry.used_product for entry in applied if entry.used_product))
    for name in [name for name in names if name in evidence.catalog.products]:
        own = [entry for entry in applied if entry.used_product == name]
        areas = [entry.area_m2 for entry in own if not math.isnan(entry.area_m2)]
        volume = math.fsum(entry.product_l for entry in own if not math.isnan(entry.product_l))
        first = name == unit["product_id"]
        if first and volume > unit["product_l"] * (1 + OVER):
            found = show(volume, c.SMALL_LIQUID, system, 4)
            expected = show(float(unit["product_l"]), c.SMALL_LIQUID, system, 4)
            rows.append(warning(f"{where}, amount", found, expected, f"more than {OVER:.0%} above the planned amount"))
        rows += _check_year(evidence, place, name, areas, volume)
    return rows


def _check_year(evidence: Evidence, place: int, name: str, areas_m2: list[float], volume_l: float) -> list[Row]:
    """Compare the year's dose with the label: what was applied now, and what the plan counts from earlier work."""
    unit, product = evidence.units.iloc[place], evidence.catalog.products[name]
    limit = product.limit_per_year_kg_per_ha
    area_m2 = math.fsum(areas_m2)
    if limit is None or not volume_l or not area_m2:
        return []
    # the plants stand on so much ground: more in all was treated twice and has both doses
    to_treat = find_to_treat_m2(evidence, place)
    ground = min(area_m2, max(areas_m2 if math.isnan(to_treat) else [*areas_m2, to_treat]))
    dose = volume_l * product.strength_kg_per_l / (ground / 1e4)
    earlier = 0.0
    if name == unit["product_id"] and not math.isnan(unit["annual_limit_used_pct"]):
        earlier = max(float(unit["annual_limit_used_pct"]) / 100 * limit - float(unit["ae_kg_per_ha"]), 0.0)
    if dose + earlier <= limit * (1 + 1e-6):
        return []
    counted = f", {show_dose(earlier, evidence.system)} of it earlier work" if earlier > limit * 1e-6 else ""
    return [
        violation(
            f"unit {unit['unit_id']}, year",
            show_dose(dose + earlier, evidence.system) + counted,
            f"at most {show_dose(limit, evidence.system)}",
            f"above the yearly limit of {name}",
        )
    ]
