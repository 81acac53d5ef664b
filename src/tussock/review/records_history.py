"""In: a plan folder and a filled record. Out: the layer of earlier work that the next season's plan counts."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.errors import Fault, InputError, OutputError
from tussock.base.text import show_date
from tussock.review.approval import refuse_unread
from tussock.review.catalog import read_catalog
from tussock.review.evidence import Evidence
from tussock.review.loading import load_folder
from tussock.review.records import list_planned
from tussock.review.records_amounts import (
    Contradiction,
    find_contradictions,
    find_ground,
    find_joint_contradictions,
)
from tussock.review.records_file import Entry, read_records

if TYPE_CHECKING:
    import geopandas as gpd

LAYER: Final = "history"
_MONTHS: Final = 12


def write_history(
    folder: Path, records: Path, out: Path, date_format: str | None = None, *, accept_low_rates: bool = False
) -> int:
    """Write what a record says was applied as a layer of earlier work (GeoPackage).

    Parameters
    ----------
    folder
        The plan.
    records
        A filled copy of its record.csv.
    out
        A file that is not there yet.
    date_format
        How dates are written in the record.
    accept_low_rates
        Whether rates far under the planned ones are taken as they stand: the ground treated was counted as it should.

    Returns
    -------
    int
        Applications written. Each is the outline of its unit, with ``product_id, active``, the dose of acid equivalent
        on the ground treated, ``date``, ``unit_id`` and ``area_treated``. Where a part was treated the outline is still
        that of the whole unit: which part it was, the record does not say.

    Raises
    ------
    InputError
        The folder or the record cannot be used, or a row that was applied lacks date, amount or area or has figures
        that cannot both be right.
    OutputError
        The file is there already, or cannot be written.
    """
    import pyogrio

    if out.exists():
        raise OutputError(f"{out} is there already: name another file, or move it away")
    delivered = load_folder(folder)
    refuse_unread(folder, delivered)
    evidence = Evidence(delivered, read_catalog(delivered.run["documents"]))
    entries = read_records(records, evidence.system, date_format, evidence.catalog.season)
    _check_swapped(evidence, records.name, entries)
    frame = _build(evidence, records, entries, accept_low_rates)
    try:
        pyogrio.write_dataframe(frame, out, layer=LAYER, driver="GPKG", promote_to_multi=True, use_arrow=False)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise OutputError(f"{out} cannot be written: {error}; name a folder that is there") from error
    return len(frame)


def _check_swapped(evidence: Evidence, name: str, entries: list[Entry]) -> None:
    """Refuse dates off the planned days of their unit that lie on them with day and month the other way round."""
    places = {unit: place for place, unit in enumerate(evidence.units["unit_id"].tolist())}
    faults = []
    for entry in entries:
        text = entry.texts.get("date", "")
        if not entry.date or entry.unit_id not in places or text == entry.date:
            continue
        day = dt.date.fromisoformat(entry.date)
        runs = evidence.date_runs[evidence.unit_dates[places[entry.unit_id]]] or ()
        swapped = day.replace(month=day.day, day=day.month) if day.day <= _MONTHS else day
        planned = [any(run.first <= item <= run.last for run in runs) for item in (day, swapped)]
        if planned == [False, True]:
            found = f'"{text}", read as {show_date(day)}, off the planned days; {show_date(swapped)} is on them'
            need = f"state the right --date-format, or write {entry.date} if that day is meant"
            faults.append(Fault(name, f"{entry.where}, date", found, need))
    if faults:
        raise InputError(faults)


def _build(evidence: Evidence, path: Path, entries: list[Entry], accept_low_rates: bool) -> gpd.GeoDataFrame:
    import geopandas as gpd

    places = {name: place for place, name in enumerate(evidence.units["unit_id"].tolist())}
    products, system = evidence.catalog.products, evidence.system
    dose_name, area_name = f"ae_{c.DOSE.suffix(system)}", f"area_treated_{c.AREA.suffix(system)}"
    faults: list[Fault] = []
    rows: list[dict[str, Any]] = []
    shapes = []
    by_unit: dict[str, list[Entry]] = {}
    for entry in [item for item in entries if item.is_applied and item.used_product]:
        product = products.get(entry.used_product)
        lacks = [
            word
            for word, missing in (
                (f"a unit of the plan ({entry.unit_id})", entry.unit_id not in places),
                (f"a product of the catalog ({entry.used_product})", product is None),
                ("a date", not entry.date),
                ("the product used", math.isnan(entry.product_l)),
                ("the area treated", not entry.area_m2 > 0),
            )
            if missing
        ]
        if lacks or product is None:
            faults.append(Fault(path.name, entry.where, f"applied, without {', '.join(lacks)}", "fill it in"))
            continue
        place = places[entry.unit_id]
        planned = list_planned(evidence, place).get(product.id, math.nan)
        ground = find_ground(evidence, place, entry, product, planned)
        faults += [
            Fault(path.name, f"{entry.where}, {item.column}", item.found, _tell_need(item))
            for item in find_contradictions(ground, system)
            if not (item.low_rate and accept_low_rates)
        ]
        by_unit.setdefault(entry.unit_id, []).append(entry)
        shapes.append(evidence.unit_outline[place])
        rows.append(
            {
                "product_id": product.id,
                "active": product.active,
                dose_name: ground.dose_kg_per_ha / c.DOSE.size(system),
                "date": entry.date,
                "unit_id": entry.unit_id,
                area_name: entry.area_m2 / c.AREA.size(system),
            }
        )
    for name, own in by_unit.items():
        found = find_joint_contradictions(evidence, places[name], own)
        faults += [Fault(path.name, f"unit {name}, {item.column}", item.found, _tell_need(item)) for item in found]
    if faults:
        raise InputError(faults)
    if not rows:
        need = 'fill in "applied" with yes or part where a product was applied'
        raise InputError(Fault(path.name, "rows", "no application of a product", need))
    return gpd.GeoDataFrame(rows, geometry=shapes, crs=evidence.crs)


def _tell_need(item: Contradiction) -> str:
    unlock = "; mend it, or give --accept-low-rates where the rate was that low" if item.low_rate else ""
    return f"{item.expected}: {item.note}{unlock}"
