"""In: a plan with a calendar and a bid schedule. Out: an iCalendar file, a CSV for bidders, sheets for the workbook.

The calendar file follows RFC 5545 (iCalendar): lines end with CRLF and are folded at 75 octets.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.stages import PlanTables
from tussock.deliver.tables import SEE_UNIT, UNIT_TEXTS, ColumnNote, cell_values, csv_text

if TYPE_CHECKING:
    import pandas as pd

BID_FILE: Final = "bid_schedule.csv"
CALENDAR_FILE: Final = "season.ics"
_FOLD_OCTETS: Final = 75
_WHOLE: Final = 1 - 1e-9
#: Columns whose unit stands in the column ``unit`` of the same row.
_BY_ROW: Final = ("low", "likely", "high", "quantity", "size")
#: Sheets of the workbook, in order, and the tables they show.
SHEETS: Final = {
    "Hours": "unit_hours",
    "Time basis": "time_basis",
    "Mixing places": "mixing_places",
    "Loads by unit": "unit_mixes",
    "Loads by day": "day_mixes",
    "Purchases": "purchases",
    "Money": "money",
    "Bid schedule": "bid_schedule",
    "Priorities": "priorities",
    "Cut line": "priority_moves",
    "Calendar": "calendar",
    "Calendar quality": "calendar_quality",
    "Years after": "follow_up",
}


def list_work_sheets(plan: PlanTables) -> list[tuple[str, pd.DataFrame, list[ColumnNote]]]:
    """Return the sheets that plan the work: name, table, and a note for each column; empty tables are left out."""
    sheets = []
    for name, table in SHEETS.items():
        frame = plan.work.get(table)
        if frame is not None and len(frame):
            sheets.append((name, frame, describe_work(plan, table)))
    return sheets


def describe_work(plan: PlanTables, table: str) -> list[ColumnNote]:
    """Return name, unit and meaning of each column of a table of work, in order."""
    system = plan.site.options.units
    return [ColumnNote(column.shown_name(system), _unit_of(plan, column), column.meaning) for column in c.WORK[table]]


def _unit_of(plan: PlanTables, column: c.Column) -> str:
    if column.quantity is not None:
        suffix = column.quantity.suffix(plan.site.options.units)
        return UNIT_TEXTS.get(suffix, suffix)
    if column.stem.endswith("_pct"):
        return "%"
    if column.kind == "number" and column.stem in _BY_ROW:
        return SEE_UNIT
    operations = plan.site.operations
    money = column.stem == "cost" or column.stem.endswith("_cost") or column.stem == "cost_in"
    return (operations.currency or "") if money and operations is not None else ""


def write_bid_schedule(plan: PlanTables, path: Path) -> None:
    """Write ``bid_schedule.csv``: item, unit and quantity; the columns for prices are the bidder's.

    Parameters
    ----------
    plan
        With ``work["bid_schedule"]``.
    path
        File to write: UTF-8, lines end with LF; a text that a spreadsheet would take for a formula gets an apostrophe.
    """
    frame = plan.work["bid_schedule"]
    columns = [cell_values(frame[name]) for name in frame.columns]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(list(frame.columns))
        writer.writerows([csv_text(cell) for cell in row] for row in zip(*columns, strict=True))


def write_calendar(plan: PlanTables, path: Path) -> None:
    """Write ``season.ics``: one entry for each crew day, over the whole day.

    Parameters
    ----------
    plan
        With ``work["calendar"]``.
    path
        File to write. It holds no clock time, so that the same plan gives the same bytes.
    """
    path.write_bytes(draw_calendar(plan).encode())


def draw_calendar(plan: PlanTables) -> str:
    """Return the text of the iCalendar file."""
    site = plan.site
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//tussock//treatment plan//EN",
        "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{_escape(f'{site.name}, season {site.season}')}",
    ]
    table = plan.work["calendar"]
    placed = table[table["crew_day"].notna()]
    for _, day in placed.groupby("crew_day", sort=True):
        lines += _draw_day(plan, day)
    lines.append("END:VCALENDAR")
    return "".join(f"{_fold(line)}\r\n" for line in lines)


def _draw_day(plan: PlanTables, day: pd.DataFrame) -> list[str]:
    first: Any = day.iloc[0]
    date = dt.date.fromisoformat(first["date"])
    patches = list(dict.fromkeys(day["patch_id"].astype(str)))
    works: list[dict[Any, Any]] = day.to_dict("records")
    rows = [
        f"{work['sequence']}. {work['unit_id']} ({work['area']}): {work['crew_hours']:.1f} crew hours"
        + (f", {work['share']:.0%} of the unit" if work["share"] < _WHOLE else "")
        + (f"; {work['note']}" if work["note"] else "")
        for work in works
    ]
    rows.append("The label is the law. Water, people, wind, heat and rain are judged on site; stop when in doubt.")
    title = f"Crew {first['crew']}: {', '.join(patches)}"
    key = f"{plan.site.name}|{plan.site.season}|{first['crew']}|{date}"
    return [
        "BEGIN:VEVENT",
        f"UID:{hashlib.sha256(key.encode()).hexdigest()[:32]}@tussock",
        f"DTSTAMP:{plan.site.season.first:%Y%m%d}T000000Z",
        f"DTSTART;VALUE=DATE:{date:%Y%m%d}",
        f"DTEND;VALUE=DATE:{date + dt.timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{_escape(title)}",
        f"DESCRIPTION:{_escape(chr(10).join(rows))}",
        "TRANSP:OPAQUE",
        "END:VEVENT",
    ]


def _escape(text: str) -> str:
    """Return a text as a value of RFC 5545 section 3.3.11; other control characters are left out."""
    escaped = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    lines = escaped.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return "".join(letter for letter in lines if letter.isprintable() or letter == " ")


def _fold(line: str) -> str:
    """Fold a line at 75 octets, never within a letter; the lines after the first begin with a space (section 3.1)."""
    parts: list[str] = []
    current, size = "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > _FOLD_OCTETS:
            parts.append(current)
            current, size = " ", 1
        current += letter
        size += octets
    return "\r\n".join([*parts, current])
