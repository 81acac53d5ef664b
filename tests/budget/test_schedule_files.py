"""Bid schedule and calendar as files: read back by other means than they were written."""

from __future__ import annotations

import csv
import datetime as dt
import re

import icalendar
import openpyxl
import pytest

import tussock
from site_factory import Sites, feet_box
from tussock.deliver.schedule import SHEETS, _fold, draw_calendar

CALENDAR = """
[calendar]
first = 2027-06-01
last = 2027-09-30
source = "invented for tests"
[priorities]
source = "invented for tests"
[followup]
source = "invented for tests"
[[followup.regrowth]]
share = "30 %"
source = "invented for tests"
"""
POND = {"kind": "pond", "state": "wet", "geometry": feet_box(-900, 0, -800, 100)}


def patch(name, x):
    shape = feet_box(x, 0, x + 900, 900)
    return {"patch_id": name, "species": "reed", "growth_form": "herbaceous", "cover_pct": 60, "geometry": shape}


@pytest.fixture(scope="module")
def plan(tmp_path_factory, operations, time_model, treatments, no_spray):
    sites = Sites(tmp_path_factory.mktemp("season"))
    rows = [patch("=1+1; naïve, \\ P", 0), patch("P2", 2000)]
    text = operations + time_model + CALENDAR
    return sites.plan(rows, water=[POND], rules=no_spray(100), treatments=treatments, operations=text)


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    return plan.write(tmp_path_factory.mktemp("written") / "plan")


def read_events(text):
    """A reader of RFC 5545 of our own: unfold lines, split properties, take back the escapes."""
    lines = re.sub("\r\n ", "", text).split("\r\n")
    events, current = [], None
    for line in lines:
        if line == "BEGIN:VEVENT":
            current = {}
        elif line == "END:VEVENT":
            events.append(current)
            current = None
        elif current is not None:
            name, _, value = line.partition(":")
            plain = re.sub(r"\\(.)", lambda match: "\n" if match[1] == "n" else match[1], value)
            current[name.partition(";")[0]] = plain
    return events


def test_one_entry_for_each_crew_day(plan, folder):
    raw = (folder / "season.ics").read_bytes()
    text = raw.decode()
    assert text.startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:")
    assert text.endswith("END:VCALENDAR\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75
    events = read_events(text)
    table = plan.work["calendar"]
    assert len(events) == table["crew_day"].nunique() > 3
    dates = [dt.datetime.strptime(event["DTSTART"], "%Y%m%d").date().isoformat() for event in events]  # noqa: DTZ007  (a date)
    assert dates == sorted(set(table["date"]))
    assert len({event["UID"] for event in events}) == len(events)
    hours = sum(
        float(found) for event in events for found in re.findall(r": ([\d.]+) crew hours", event["DESCRIPTION"])
    )
    assert hours == pytest.approx(table["crew_hours"].sum(), abs=0.05 * len(table))


def test_text_of_the_user_stays_text(plan):
    names = {event["SUMMARY"] for event in read_events(draw_calendar(plan))}
    assert any("=1+1; naïve, \\ P" in name for name in names)


def test_another_reader_of_the_standard_reads_the_same(plan, folder):
    """RFC 5545: 3.6 (VERSION, PRODID once), 3.6.1 (UID, DTSTAMP, whole days end on the day after), 3.3.11 (escapes)."""
    table = plan.work["calendar"]
    calendar = icalendar.Calendar.from_ical((folder / "season.ics").read_bytes())
    assert (calendar["VERSION"], calendar["CALSCALE"]) == ("2.0", "GREGORIAN")
    assert calendar["PRODID"]
    events = list(calendar.walk("VEVENT"))
    assert not calendar.errors
    assert not any(event.errors for event in events)
    assert len(calendar.subcomponents) == len(events) == table["crew_day"].nunique()
    for event, (_, day) in zip(events, table.groupby("crew_day"), strict=True):
        date = dt.date.fromisoformat(day["date"].iloc[0])
        assert (event["DTSTART"].dt, event["DTEND"].dt) == (date, date + dt.timedelta(days=1))
        assert event["DTSTAMP"].dt == dt.datetime(2027, 1, 1, tzinfo=dt.UTC)
        patches = ", ".join(dict.fromkeys(day["patch_id"]))
        assert str(event["SUMMARY"]) == f"Crew 1: {patches}"
        lines = str(event["DESCRIPTION"]).split("\n")
        assert [line.split(" ")[0] for line in lines[:-1]] == [f"{place}." for place in day["sequence"]]
        assert all(name in line for name, line in zip(day["unit_id"], lines, strict=False))
        assert lines[-1].startswith("The label is the law.")
    assert len({str(event["UID"]) for event in events}) == len(events)


def test_folding_never_cuts_a_letter():
    folded = _fold("SUMMARY:" + "é" * 100)
    assert all(len(line.encode()) <= 75 for line in folded.split("\r\n"))
    assert folded.replace("\r\n ", "") == "SUMMARY:" + "é" * 100


def test_bid_schedule_reads_back(plan, folder):
    with (folder / "bid_schedule.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    frame = plan.work["bid_schedule"]
    assert [row["item"] for row in rows] == frame["item"].tolist()
    assert [float(row["quantity"]) for row in rows] == pytest.approx(frame["quantity"].tolist())
    assert {row["unit_price"] for row in rows} == {""}


def test_every_table_of_the_work_is_a_sheet(plan, folder):
    book = openpyxl.load_workbook(folder / "plan.xlsx", read_only=True)
    filled = {sheet for sheet, table in SHEETS.items() if len(plan.work[table])}
    assert filled <= set(book.sheetnames)
    assert {"Hours", "Loads by day", "Purchases", "Money", "Bid schedule", "Calendar", "Years after"} <= filled
    header = [cell.value for cell in next(book["Hours"].iter_rows(max_row=1))]
    assert header == list(plan.work["unit_hours"].columns)


def test_the_same_plan_twice_gives_the_same_bytes(plan, folder, tmp_path):
    again = plan.write(tmp_path / "plan")
    for name in ("season.ics", "bid_schedule.csv"):
        assert (again / name).read_bytes() == (folder / name).read_bytes()


def test_without_a_calendar_no_calendar_is_written(sites, operations, treatments, no_spray):
    path = sites.write(
        [patch("P1", 0)], water=[POND], rules=no_spray(100), treatments=treatments, operations=operations
    )
    folder = tussock.make_plan(tussock.read_site(path)).write(sites.folder / "plan")
    assert not (folder / "season.ics").exists()
    assert (folder / "bid_schedule.csv").exists()
