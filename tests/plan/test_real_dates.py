"""A season of full dates, planned, written and reviewed on one small site; days are counted by hand."""

from __future__ import annotations

import json

import pytest

import tussock
from site_factory import NO_RULES, Sites, feet_box

#: One acre, 208.71 ft square.
PATCH = {
    "patch_id": "P1",
    "species": "gorse",
    "growth_form": "shrub",
    "cover_pct": 100.0,
    "geometry": feet_box(0, 0, 43560**0.5, 43560**0.5),
}
SUMMER = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
season = ["10-15", "03-31"]
"""
SOUTH = '{ from = 2026-10-01, to = 2027-09-30, name = "2026/27" }'


@pytest.fixture
def sites(tmp_path):
    return Sites(tmp_path)


def dates(plan):
    unit = plan.units.iloc[0]
    return unit["season_from"], unit["season_to"]


def violations(folder, site):
    table = tussock.review_plan(folder, site)
    return table.loc[table["level"] == "violation", ["check", "where", "found", "expected"]].to_dict("records")


def test_a_southern_summer_is_one_run_of_days(sites):
    path = sites.write([PATCH], treatments=SUMMER, season=SOUTH)
    plan = tussock.make_plan(tussock.read_site(path))
    assert plan.units["area_acre"].iloc[0] == pytest.approx(1.0, rel=1e-4)
    assert dates(plan) == ("2026-10-15", "2027-03-31")
    assert not plan.findings["what"].str.contains("season 2026/27").any()
    out = plan.write(sites.folder / "out")
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert run["season"] == {"from": "2026-10-01", "to": "2027-09-30", "name": "2026/27"}
    assert violations(out, path) == []


def test_a_calendar_year_holds_the_longer_part_and_says_what_would_hold_it_whole(sites):
    """1 January to 31 March is 90 days, 15 October to 31 December 78: the first is planned, none after the season."""
    path = sites.write([PATCH], treatments=SUMMER, season="2027")
    plan = tussock.make_plan(tussock.read_site(path))
    assert dates(plan) == ("2027-01-01", "2027-03-31")
    told = plan.findings[plan.findings["row"] == "window"].iloc[0]
    assert told["what"] == (
        "15 Oct to 31 Mar of spot: season 2027 holds 1 Jan to 31 Mar 2027 and 15 Oct to 31 Dec 2027"
    )
    # the window that opens in the season runs to 31 March 2028; the middle of the days before it is in July
    assert "season = { from = 2027-07-01, to = 2028-06-30 } would hold it whole" in told["done"]
    whole = sites.write([PATCH], treatments=SUMMER, season="{ from = 2027-07-01, to = 2028-06-30 }")
    assert dates(tussock.make_plan(tussock.read_site(whole))) == ("2027-10-15", "2028-03-31")


def test_a_rule_set_that_ends_in_the_middle_of_the_work_closes_the_days_after_it(sites):
    title = "rules for tests (invented)"
    ended = NO_RULES + "valid_to = 2026-12-31\n"
    path = sites.write([PATCH], treatments=SUMMER, season=SOUTH, rules=ended)
    plan = tussock.make_plan(tussock.read_site(path))
    assert dates(plan) == ("2026-10-15", "2026-12-31")
    told = plan.findings[plan.findings["row"] == title].iloc[0]
    assert told["what"] == "valid to 31 Dec 2026, not all of season 2026/27 (1 Oct 2026 to 30 Sep 2027)"
    assert f'accept_out_of_date = ["{title}"] opens it' in told["done"]
    assert f"days lost to rule set {title}, valid to 31 Dec 2026" in plan.units["reason"].iloc[0]
    accepted = f'accept_out_of_date = ["{title}"]'
    path = sites.write([PATCH], treatments=SUMMER, season=SOUTH, rules=ended, site=accepted)
    assert dates(tussock.make_plan(tussock.read_site(path))) == ("2026-10-15", "2027-03-31")


@pytest.mark.parametrize("line", ["valid_to = 2026-09-30", "valid_from = 2027-10-01"])
def test_a_rule_set_that_misses_the_season_by_a_day_is_refused(sites, line):
    path = sites.write([PATCH], treatments=SUMMER, season=SOUTH, rules=NO_RULES + f"{line}\n")
    with pytest.raises(tussock.InputError, match=r"season 2026/27 \(1 Oct 2026 to 30 Sep 2027\); load a set"):
        tussock.read_site(path)
    ok = "valid_to = 2026-10-01" if "valid_to" in line else "valid_from = 2027-09-30"
    assert tussock.read_site(sites.write([PATCH], treatments=SUMMER, season=SOUTH, rules=NO_RULES + f"{ok}\n"))


def test_work_without_herbicide_keeps_to_a_rule_set_that_could_forbid_it(sites):
    """After the last day of a set its rule on mowing is not known; a set that never speaks of mowing closes no day."""
    mow = '[[treatment]]\nid = "mow"\ngrowth_form = ["shrub"]\nmethod = "mow"\nseason = ["10-15", "03-31"]\n'
    ended = NO_RULES + "valid_to = 2026-12-31\n"
    nests = (
        '[[setback]]\nid = "NEST"\nfrom = { layer = "water" }\ndistance = "30 ft"\nforbids = { method = "mow" }\n'
        'source = "invented for tests"\n'
    )
    found = []
    for rules in (ended, ended + nests):
        path = sites.write([PATCH], treatments=mow, season=SOUTH, rules=rules)
        found.append(dates(tussock.make_plan(tussock.read_site(path))))
    assert found == [("2026-10-15", "2027-03-31"), ("2026-10-15", "2026-12-31")]


CALENDAR = """
[crew]
size = 2
wage = "30 USD/hour"
day = "8 hours"
source = "invented for tests"
[[production]]
method = "foliar_spot"
rate = "0.1 acre/hour"
source = "invented for tests"
[calendar]
first = 2027-06-28
last = 2027-07-09
days_per_week = 4
source = "invented for tests"
"""


def test_a_calendar_books_lawful_days_and_the_review_finds_one_that_is_not(sites):
    """Wednesday 30 June opens the window in the week of Monday the 28th; a move of that booking to Monday is found."""
    june = SUMMER.replace('["10-15", "03-31"]', '["06-30", "09-30"]')
    path = sites.write([PATCH], treatments=june, season="2027", operations=CALENDAR)
    plan = tussock.make_plan(tussock.read_site(path))
    booked = plan.work["calendar"]
    assert booked["date"].min() == "2027-06-30"
    out = plan.write(sites.folder / "out")
    assert violations(out, path) == []
    import openpyxl

    book = openpyxl.load_workbook(out / "plan.xlsx")
    page = book["Calendar"]
    names = [cell.value for cell in page[1]]
    page.cell(2, names.index("date") + 1).value = "2027-06-28"
    book.save(out / "plan.xlsx")
    found = [row for row in violations(out, path) if row["where"].startswith("plan.xlsx, Calendar")]
    assert [(row["check"], row["found"], row["expected"]) for row in found] == [
        ("work", "on 2027-06-28", "2027-06-30 to 2027-09-30")
    ]
