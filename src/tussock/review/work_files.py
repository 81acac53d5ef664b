"""In: workbook, bid schedule, calendar and run.json. Out: findings where they say otherwise than plan.gpkg."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.text import show
from tussock.review import readers
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, show_number, violation
from tussock.review.tables import SHEETS

BID: Final = "bid_schedule.csv"
CALENDAR: Final = "season.ics"
#: Sheets of the workbook that repeat no table of the GeoPackage.
_WORK_SHEETS: Final = (
    "Findings",
    "Time basis",
    "Mixing places",
    "Loads by unit",
    "Loads by day",
    "Purchases",
    "Money",
    "Bid schedule",
    "Priorities",
    "Cut line",
    "Calendar",
    "Calendar quality",
    "Years after",
    "Assumptions",
    "Sources",
    "Columns",
)
_FINDING: Final = ("stage", "layer", "row", "what", "done", "level")
_TOLERANCE: Final = 1e-9
#: Lines of the sheet of money, and the terms of the units that they add up.
_MONEY: Final = {
    "labour": "labour_cost",
    "product": "product_cost",
    "supplies": "supply_cost",
    "equipment": "equipment_cost",
}
_CENT: Final = 1e-6
#: Column of a sheet of loads, and what it repeats of a unit.
_LOADS: Final = (
    ("treatment_id", "treatment_id", None),
    ("product_id", "product_id", None),
    ("mix", "spray_l", c.LIQUID),
    ("product", "product_l", c.SMALL_LIQUID),
    ("partner", "partner_l", c.SMALL_LIQUID),
    ("dye", "dye_l", c.SMALL_LIQUID),
    ("adjuvant", "adjuvant_l", c.SMALL_LIQUID),
    ("loads", "loads", None),
)
#: The finished mix, then what is in it.
_IN_TANK: Final = tuple((stem, name, size) for stem, name, size in _LOADS if size is not None)


def check_work(evidence: Evidence) -> list[Row]:
    """Check what repeats the plan for its work: loads, bid schedule, calendar, findings, cautions."""
    sheets = evidence.delivered.sheets
    pages = {name: _read_page(cells) for name, cells in (sheets or {}).items()}
    rows = [
        violation(f"plan.xlsx, {name}", "a sheet that no plan has", "the workbook as the plan wrote it")
        for name in pages
        if name not in SHEETS and name not in _WORK_SHEETS
    ]
    rows += _check_findings(evidence, pages)
    rows += _check_cautions(evidence, pages)
    rows += _check_loads(evidence, pages.get("Loads by unit", []))
    rows += _check_day_loads(evidence, pages.get("Loads by day"), pages.get("Calendar", []))
    rows += _check_money(evidence, pages.get("Money", []))
    rows += _check_bid(evidence, pages.get("Bid schedule"))
    rows += _check_calendar(evidence, pages.get("Calendar"))
    return [*rows, info("folder", f"{len(pages)} sheets, bid schedule, calendar, findings and cautions")]


def _read_page(cells: list[tuple[Any, ...]]) -> list[dict[str, Any]]:
    """Return the rows of a sheet under the names of its first row."""
    names = [str(name) for name in cells[0]] if cells else []
    return [dict(zip(names, row, strict=False)) for row in cells[1:] if any(cell is not None for cell in row)]


def _tell(cell: Any) -> str:
    """Return a cell as text: blank for nothing, line ends alike."""
    if cell is None or cell != cell:  # noqa: PLR0124  (nan is not itself)
        return ""
    return str(cell).replace("\r\n", "\n").replace("\r", "\n").replace("_x000D_", "")


def _cap(rows: list[Row]) -> list[Row]:
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _check_findings(evidence: Evidence, pages: Mapping[str, list[dict[str, Any]]]) -> list[Row]:
    """Check that run.json, plan.gpkg and the workbook tell the same findings, so that none is hidden in one of them."""
    stated = evidence.delivered.run.get("findings")
    main = [item for item in (stated if isinstance(stated, list) else []) if isinstance(item, Mapping)]
    others: dict[str, Iterable[Mapping[Any, Any]]] = {}
    table = evidence.delivered.tables.get("findings")
    if table is not None:
        others["plan.gpkg, findings"] = table.to_dict("records")
    if pages:
        others["plan.xlsx, Findings"] = pages.get("Findings", [])
    rows = []
    wanted = [_list_cells(item) for item in main]
    for where, other in others.items():
        found = [_list_cells(item) for item in other]
        rows += [violation(where, "missing", " | ".join(item)[:160], "in run.json") for item in wanted
                 if item not in found]  # fmt: skip
        rows += [violation(where, " | ".join(item)[:160], "the findings of run.json") for item in found
                 if item not in wanted]  # fmt: skip
    return _cap(rows)


def _list_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    return tuple(_tell(row.get(name)).strip() for name in _FINDING)


def _check_cautions(evidence: Evidence, pages: Mapping[str, list[dict[str, Any]]]) -> list[Row]:
    """Check that run.json, plan.gpkg and the workbook carry the same cautions, and any at all."""
    stated = evidence.delivered.run.get("cautions")
    main = [str(item).strip() for item in (stated if isinstance(stated, list) else [])]
    if not main:
        return [violation("run.json, cautions", "none", "the cautions that every output carries")]
    about = evidence.delivered.tables.get("about")
    lists = {} if about is None else {"plan.gpkg, about": about.to_dict("records")}
    if "Assumptions" in pages:
        lists["plan.xlsx, Assumptions"] = pages["Assumptions"]  # type: ignore[assignment]
    rows = []
    for where, listed in lists.items():
        found = [_tell(item.get("text")).strip() for item in listed if item.get("topic") == "caution"]
        rows += [violation(where, "a caution is missing", text[:120]) for text in main if text not in found]
        rows += [violation(where, text[:120], "the cautions of run.json") for text in found if text not in main]
    if about is not None and "Assumptions" in pages:
        rows += _compare_about(about.to_dict("records"), pages["Assumptions"])
    return rows


def _compare_about(main: list[dict[Any, Any]], page: list[dict[str, Any]]) -> list[Row]:
    """Check that what both the GeoPackage and the workbook say of the plan's basis is said alike."""
    wanted: dict[tuple[str, str], list[str]] = {}
    for item in main:
        wanted.setdefault((_tell(item.get("topic")), _tell(item.get("item"))), []).append(_tell(item.get("text")))
    rows = []
    for item in page:
        key, text = (_tell(item.get("topic")), _tell(item.get("item"))), _tell(item.get("text"))
        if key in wanted and text.strip() not in [other.strip() for other in wanted[key]]:
            where = f"plan.xlsx, Assumptions, {' '.join(key)}"
            rows.append(violation(where, text[:80], f"{wanted[key][0][:80]}, as in plan.gpkg, about"))
    return _cap(rows)


def _check_day_loads(
    evidence: Evidence, page: list[dict[str, Any]] | None, calendar: list[dict[str, Any]]
) -> list[Row]:
    """Check that each day's mixes are those of its units, so that no unit gets a mix of another strength.

    Without a calendar the days of a unit are not known: then the mixes of all days are held against all units.
    """
    if page is None:
        return []
    laid_out = [work for work in calendar if work.get("crew_day") is not None]
    placed = laid_out or [{"crew_day": "", "unit_id": name, "share": 1.0} for name in evidence.units["unit_id"]]
    system = evidence.system
    units = {str(unit["unit_id"]): unit for unit in evidence.units.to_dict("records")}
    wanted: dict[tuple[str, ...], NDArray[np.float64]] = {}
    for work in placed:
        unit = units.get(_tell(work.get("unit_id")))
        if unit is None or not unit["product_id"] or not unit["spray_l"] > 0:
            continue  # no mix is filled for it, or how much is not known
        tank = np.array([unit[name] for _, name, _ in _IN_TANK])
        key = _tell(work.get("crew_day")), str(unit["treatment_id"]), *_tell_strengths(tank)
        wanted[key] = wanted.get(key, 0.0) + tank * _number(work.get("share"))
    found: dict[tuple[str, ...], NDArray[np.float64]] = {}
    for load in page:
        tank = np.array(
            [_number(load.get(f"{stem}_{size.suffix(system)}")) * size.size(system) for stem, _, size in _IN_TANK]
        )
        if tank[0] > 0:
            key = (
                _tell(load.get("crew_day")) if laid_out else "",
                _tell(load.get("treatment_id")),
                *_tell_strengths(tank),
            )
            found[key] = found.get(key, 0.0) + tank
    rows = []
    for key in sorted({*wanted, *found}):
        where = f"plan.xlsx, Loads by day, {f'crew day {key[0]}, ' if laid_out else ''}{key[1]}"
        own, other = found.get(key), wanted.get(key)
        if own is None and not laid_out:
            continue  # work whose hours are not known stands on no day
        if other is None or own is None or not np.allclose(own, other, rtol=1e-6, atol=1e-9):
            texts = [_tell_mix(key, tank, evidence.system) for tank in (own, other)]
            rows.append(violation(where, texts[0], f"{texts[1]}, as its units take"))
    return _cap(rows)


def _tell_strengths(tank: NDArray[np.float64]) -> tuple[str, ...]:
    """Return the share of each part of a mix in words; one mix has the same ones in every load."""
    return tuple(f"{share * 100:.4g} %" for share in (tank[1:] / tank[0] if tank[0] > 0 else tank[1:]))


def _tell_mix(key: tuple[str, ...], tank: NDArray[np.float64] | None, system: c.UnitSystem) -> str:
    """Return a mix of a day in words."""
    if tank is None:
        return "no mix of this strength"
    parts = ", ".join(
        f"{stem} {share}" for (stem, _, _), share in zip(_IN_TANK[1:], key[2:], strict=True) if share != "0 %"
    )
    return f"{show(float(tank[0]), c.LIQUID, system, 6)} of mix with {parts or 'nothing in it'}"


def _check_money(evidence: Evidence, page: list[dict[str, Any]]) -> list[Row]:
    """Check that the workbook's money is the sum of the terms of the units."""
    likely = {_tell(row.get("item")): _number(row.get("likely")) for row in page}
    rows = []
    for item, column in _MONEY.items():
        wanted = float(evidence.hours[column].sum())
        found = 0.0 if math.isnan(likely.get(item, math.nan)) else likely[item]  # blank where no time is known
        if item in likely and not abs(found - wanted) <= _CENT * max(abs(wanted), 1.0):
            rows.append(violation(f"plan.xlsx, Money, {item}", show_number(likely[item]), show_number(wanted)))
    return rows


def _check_loads(evidence: Evidence, page: list[dict[str, Any]]) -> list[Row]:
    """Check that the loads of each unit are mixed of what the unit takes."""
    units = {str(unit["unit_id"]): unit for unit in evidence.units.to_dict("records")}
    rows = []
    for load in page:
        name = _tell(load.get("unit_id"))
        where = f"plan.xlsx, Loads by unit, {name}"
        if name not in units:
            rows.append(violation(where, "no unit of the plan", "the units of plan.gpkg"))
            continue
        for stem, column, quantity in _LOADS:
            key = stem if quantity is None else f"{stem}_{quantity.suffix(evidence.system)}"
            size = 1.0 if quantity is None else quantity.size(evidence.system)
            found, wanted = load.get(key), units[name][column]
            if isinstance(wanted, str):
                wrong = _tell(found) != wanted
            else:
                wrong = not _alike(_number(found) * size, float(wanted))
            if wrong:
                rows.append(violation(f"{where}, {key}", _tell(found) or "a blank", _show(wanted, size)))
    return _cap(rows)


def _show(wanted: Any, size: float) -> str:
    return wanted if isinstance(wanted, str) else f"{show_number(float(wanted) / size)}, as in plan.gpkg"


def _number(cell: Any) -> float:
    try:
        return math.nan if cell is None or cell == "" else float(cell)
    except (TypeError, ValueError):
        return math.inf


def _alike(found: float, wanted: float) -> bool:
    one, two = (0.0 if math.isnan(value) else value for value in (found, wanted))
    return abs(one - two) <= _TOLERANCE * max(abs(two), 1e-9)


def _check_bid(evidence: Evidence, page: list[dict[str, Any]] | None) -> list[Row]:
    """Check the bid schedule: quantities that follow from the units, the workbook's copy, and no price filled in."""
    delivered = evidence.delivered
    if BID not in delivered.hashes or BID in delivered.unread:
        return [violation(BID, "missing, though the workbook has it", "the file as the plan wrote it")] if page else []
    table = readers.read_csv(delivered.folder / BID)
    rows = []
    for place, line in enumerate(table.to_dict("records")):
        where = f"{BID}, {_tell(line.get('item'))}"
        wanted = _find_quantity(evidence, _tell(line.get("item")), _tell(line.get("unit")))
        found = _number(line.get("quantity"))
        if wanted is not None and not _alike(found, wanted):
            rows.append(violation(f"{where}, quantity", _tell(line.get("quantity")), show_number(wanted)))
        rows += [
            violation(f"{where}, {name}", _tell(line.get(name)), "blank: the bidder fills it in")
            for name in ("unit_price", "amount")
            if _tell(line.get(name))
        ]
        if page is not None:
            rows += _compare_line(where, {str(key): cell for key, cell in line.items()}, page, place)
    if page is not None and len(page) != len(table):
        rows.append(violation(BID, f"{len(table)} lines", f"{len(page)}, as in plan.xlsx"))
    return _cap(rows)


def _compare_line(where: str, line: Mapping[str, Any], page: list[dict[str, Any]], place: int) -> list[Row]:
    other = page[place] if place < len(page) else {}
    same = _tell(line.get("item")).lstrip("'") == _tell(other.get("item")).lstrip("'")
    same = same and _tell(line.get("unit")) == _tell(other.get("unit"))
    if same and _alike(_number(line.get("quantity")), _number(other.get("quantity"))):
        return []
    said = f"{_tell(other.get('item'))}, {_tell(other.get('quantity'))} {_tell(other.get('unit'))}, as in plan.xlsx"
    return [violation(where, f"{_tell(line.get('quantity'))} {_tell(line.get('unit'))}", said)]


def _find_quantity(evidence: Evidence, item: str, unit: str) -> float | None:
    """Return the quantity of a line as the units give it; None for a line that is not worked out here."""
    units, system = evidence.units, evidence.system
    planned = units[units["status"] == "planned"]
    kind, _, name = item.partition(": ")
    match = re.fullmatch(r"(?P<method>.+) \((?P<delivery>.+)\)", name)
    if kind == "treatment" and match is not None:
        delivery = "none" if match["delivery"] == "no herbicide" else match["delivery"]
        own = planned[(planned["method"].str.replace("_", " ") == match["method"]) & (planned["delivery"] == delivery)]
        return float(own["stems"].sum() if unit == "stem" else own["area_m2"].sum() / c.AREA.size(system))
    if kind == "supply" and name in ("dye", "adjuvant"):
        return float(planned[f"{name}_l"].sum() / c.LIQUID.size(system))
    table = evidence.delivered.csv.get("product_budget.csv")
    if kind == "supply" and table is not None and name in table["product_id"].tolist():
        return float(_number(table.loc[table["product_id"] == name, f"product_{c.LIQUID.suffix(system)}"].iloc[0]))
    return None


def _check_calendar(evidence: Evidence, page: list[dict[str, Any]] | None) -> list[Row]:
    """Check that work is laid out on planned dates, no more than the whole of a unit, and alike in both files."""
    placed = [row for row in page or [] if row.get("crew_day") is not None]
    rows = [*_check_days(evidence, placed), *_check_events(evidence, placed, known=page is not None)]
    return _cap(rows)


def _check_days(evidence: Evidence, placed: list[dict[str, Any]]) -> list[Row]:
    units = {str(unit["unit_id"]): unit for unit in evidence.units.to_dict("records")}
    runs = dict(zip(units, (evidence.date_runs[code] for code in evidence.unit_dates), strict=False))
    shares: dict[str, float] = {}
    rows = []
    for work in placed:
        name, date = _tell(work.get("unit_id")), _tell(work.get("date"))[:10]
        where = f"plan.xlsx, Calendar, {name}"
        shares[name] = shares.get(name, 0.0) + _number(work.get("share"))
        unit = units.get(name)
        if unit is None or unit["status"] != "planned":
            rows.append(violation(where, "no planned unit", "the planned units of plan.gpkg"))
        elif not any(run.first.isoformat() <= date <= run.last.isoformat() for run in runs.get(name) or ()):
            lawful = " or ".join(f"{run.first} to {run.last}" for run in runs.get(name) or ())
            rows.append(violation(where, f"on {date}", lawful or "a lawful day"))
    rows += [
        violation(f"plan.xlsx, Calendar, {name}", f"{share:.4g} of the unit's work", "at most all of it")
        for name, share in shares.items()
        if share > 1 + 1e-6
    ]
    return rows


def _check_events(evidence: Evidence, placed: list[dict[str, Any]], *, known: bool) -> list[Row]:
    """Compare the entries of the calendar file with the calendar of the workbook, day by day and crew by crew."""
    delivered = evidence.delivered
    if CALENDAR not in delivered.hashes or CALENDAR in delivered.unread:
        found = "missing, though the workbook lays out days"
        return [violation(CALENDAR, found, "the file as the plan wrote it")] if placed else []
    if not known:
        return []
    events = _read_events(readers.read_text(delivered.folder / CALENDAR))
    wanted: dict[tuple[str, str], list[str]] = {}
    for work in placed:
        key = _tell(work.get("date"))[:10], _tell(work.get("crew"))
        line = f"{_tell(work.get('sequence'))}. {_tell(work.get('unit_id'))} ({_tell(work.get('area'))}): "
        wanted.setdefault(key, []).append(_squeeze(f"{line}{_number(work.get('crew_hours')):.1f} crew hours"))
    rows = []
    for key, lines in wanted.items():
        text = events.get(key)
        if text is None:
            rows.append(violation(f"{CALENDAR}, {key[0]}, crew {key[1]}", "no entry", "as in plan.xlsx, Calendar"))
        elif not all(line in text for line in lines):
            rows.append(violation(f"{CALENDAR}, {key[0]}, crew {key[1]}", "other work", "as in plan.xlsx, Calendar"))
    rows += [
        violation(f"{CALENDAR}, {key[0]}, crew {key[1]}", "an entry", "none, as in plan.xlsx, Calendar")
        for key in events
        if key not in wanted
    ]
    return rows


def _squeeze(text: str) -> str:
    return "".join(letter for letter in text if letter.isalnum())


def _read_events(text: str) -> dict[tuple[str, str], str]:
    """Return what each entry tells, by its day and crew; only letters and digits of it."""
    plain = text.replace("\r\n ", "").replace("\n ", "")
    events = {}
    for part in plain.split("BEGIN:VEVENT")[1:]:
        day = re.search(r"DTSTART;VALUE=DATE:(\d{4})(\d\d)(\d\d)", part)
        crew = re.search(r"SUMMARY:Crew (\w+)", part)
        told = re.search(r"DESCRIPTION:(.*)", part)
        if day is not None and crew is not None:
            said = "" if told is None else re.sub(r"\\(.)", lambda m: "" if m[1] == "n" else m[1], told[1])
            events["-".join(day.groups()), crew[1]] = _squeeze(said)
    return events
