"""The season's days. Runs and dates are read off a calendar by hand: 2027 is a common year, 2028 has 29 February."""

from __future__ import annotations

import datetime as dt

import pytest

from tussock.base.days import (
    Season,
    all_days,
    find_longest,
    list_label_years,
    list_occurrences,
    list_runs,
    read_month_day,
    span_days,
    window_days,
    year_season,
)
from tussock.base.records import SeasonDates

YEAR = year_season(2027)
SOUTH = Season(dt.date(2026, 10, 1), dt.date(2027, 9, 30), "2026/27")


def runs(season, window):
    return [(str(first), str(last)) for first, last in list_runs(season, window_days(season, window))]


def test_a_window_over_new_year_has_its_parts_in_a_calendar_year():
    assert runs(YEAR, ("12-15", "01-31")) == [("2027-01-01", "2027-01-31"), ("2027-12-15", "2027-12-31")]
    # 31 days in January, 17 in December
    days = window_days(YEAR, ("12-15", "01-31"))
    assert days.sum() == 31 + 17
    assert find_longest(list_runs(YEAR, days)) == (dt.date(2027, 1, 1), dt.date(2027, 1, 31))


def test_a_season_from_october_holds_a_southern_summer_whole():
    assert runs(SOUTH, ("10-15", "03-31")) == [("2026-10-15", "2027-03-31")]
    # 17 + 30 + 31 + 31 + 28 + 31
    assert window_days(SOUTH, ("10-15", "03-31")).sum() == 168
    assert runs(SOUTH, ("08-01", "11-15")) == [("2026-10-01", "2026-11-15"), ("2027-08-01", "2027-09-30")]


def test_occurrences_are_whole_where_the_season_cuts_them():
    first, last = dt.date(2026, 12, 15), dt.date(2027, 1, 31)
    assert list_occurrences(YEAR, ("12-15", "01-31")) == (
        (first, last),
        (dt.date(2027, 12, 15), dt.date(2028, 1, 31)),
    )
    assert list_occurrences(SOUTH, ("12-15", "01-31")) == ((first, last),)


@pytest.mark.parametrize(
    ("year", "window", "expected"),
    [
        (2027, ("02-29", "03-10"), [("2027-03-01", "2027-03-10")]),
        (2027, ("02-20", "02-29"), [("2027-02-20", "2027-02-28")]),
        (2027, ("02-29", "02-29"), []),
        (2028, ("02-29", "02-29"), [("2028-02-29", "2028-02-29")]),
        (2028, ("02-20", "03-01"), [("2028-02-20", "2028-03-01")]),
    ],
)
def test_29_february_is_a_day_only_of_a_leap_year(year, window, expected):
    season = year_season(year)
    assert season.count == (366 if year == 2028 else 365)
    assert runs(season, window) == expected


def test_spans_of_dates_are_cut_to_the_season_and_may_be_open():
    day = dt.date(2027, 2, 18)
    assert list_runs(YEAR, span_days(YEAR, [(day, None)])) == ((day, dt.date(2027, 12, 31)),)
    assert list_runs(YEAR, span_days(YEAR, [(None, day)])) == ((dt.date(2027, 1, 1), day),)
    assert span_days(YEAR, [(None, None)]).all()
    assert not span_days(YEAR, [(dt.date(2028, 1, 1), None), (None, dt.date(2026, 12, 31))]).any()


def test_label_years_are_the_season_and_the_calendar_years_of_open_days():
    """A limit "a year" is held over the season and over each calendar year that work may stand in."""
    season, one, two = (
        (SOUTH.first, SOUTH.last),
        (dt.date(2026, 1, 1), dt.date(2026, 12, 31)),
        (dt.date(2027, 1, 1), dt.date(2027, 12, 31)),
    )
    assert list_label_years(SOUTH, window_days(SOUTH, ("10-15", "03-31"))) == (season, one, two)
    assert list_label_years(SOUTH, window_days(SOUTH, ("01-10", "03-31"))) == (season, two)
    assert list_label_years(SOUTH, ~all_days(SOUTH)) == (season, one, two)
    assert list_label_years(YEAR, window_days(YEAR, ("12-15", "01-31"))) == (two,)
    short = Season(dt.date(2027, 3, 1), dt.date(2027, 11, 30), "2027")
    assert list_label_years(short, all_days(short)) == (two,)


@pytest.mark.parametrize("text", ["09-31", "02-30", "13-01", "9-1", "", 901, None])
def test_impossible_days_are_refused(text):
    with pytest.raises(ValueError, match="MM-DD"):
        read_month_day(text)


@pytest.mark.parametrize(
    ("value", "first", "last", "name"),
    [
        (2027, "2027-01-01", "2027-12-31", "2027"),
        ({"from": dt.date(2026, 10, 1), "to": dt.date(2027, 9, 30)}, "2026-10-01", "2027-09-30", "2026/27"),
        ({"from": "2027-07-01", "to": "2028-06-30", "name": "dry"}, "2027-07-01", "2028-06-30", "dry"),
        ({"from": "2027-03-01", "to": "2027-11-30"}, "2027-03-01", "2027-11-30", "2027"),
        ({"from": "2099-10-01", "to": "2100-03-31"}, "2099-10-01", "2100-03-31", "2099/00"),
    ],
)
def test_a_season_is_a_year_or_two_dates(value, first, last, name):
    season = SeasonDates.model_validate(value).season()
    assert (str(season.first), str(season.last), str(season)) == (first, last, name)
    assert SeasonDates.model_validate(season.to_json()).season() == season
    assert season.is_year == (value == 2027)
