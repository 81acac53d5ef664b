"""In: keys and values of site and operations files of the season. Out: its dates, priorities, calendar, years after."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any, Final, Self

from pydantic import BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from tussock.base import units as u
from tussock.base.days import MOST_DAYS, Season, year_season
from tussock.base.errors import QuantityError
from tussock.base.records.words import GrowthForm, LowerWords, MethodName, Record, Text, Words, _as_tuple

Weight = Annotated[float, Field(ge=0, allow_inf_nan=False)]


_YEARS: Final = (1900, 2200)


def _day(value: Any) -> Any:
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        try:
            value = dt.date.fromisoformat(value)
        except ValueError as error:
            raise QuantityError(f'"{value}", a day that does not exist; write such as 2027-09-30') from error
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise QuantityError(f"{value!r}; write a day as year, month and day, such as 2027-05-17")
    if not _YEARS[0] <= value.year <= _YEARS[1]:
        raise QuantityError(f"{value}; give a year from {_YEARS[0]} to {_YEARS[1]}")
    return value


class SeasonDates(Record):
    """``season``: a year, or ``{ from, to, name }`` with full dates; the name is optional."""

    model_config = ConfigDict(populate_by_name=False)

    first: Annotated[dt.date, BeforeValidator(_day)] = Field(alias="from")
    last: Annotated[dt.date, BeforeValidator(_day)] = Field(alias="to")
    name: Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _spell_out(cls, value: Any) -> Any:
        if isinstance(value, dict):
            return value
        if not isinstance(value, int) or isinstance(value, bool) or not _YEARS[0] <= value <= _YEARS[1]:
            raise QuantityError(
                f"{value!r}; write a year from {_YEARS[0]} to {_YEARS[1]} without quotes, such as 2027, or its dates: "
                "{ from = 2026-10-01, to = 2027-09-30 }"
            )
        return {"from": dt.date(value, 1, 1), "to": dt.date(value, 12, 31)}

    @field_validator("last")
    @classmethod
    def _runs_forward(cls, value: dt.date, info: ValidationInfo) -> dt.date:
        first = info.data.get("first")
        if first is None:  # a fault of its own
            return value
        if value < first:
            raise QuantityError(f"{value}, before from, {first}; give the earlier day in from")
        days = (value - first).days + 1
        if days > MOST_DAYS:
            raise QuantityError(f"{value}, {days} days after from, {first}; a season has at most {MOST_DAYS} days")
        return value

    def season(self) -> Season:
        """Return the season, by its name, else by its year or years, else by its dates."""
        first, last = self.first, self.last
        year = year_season(first.year)
        if self.name is None and (first, last) == (year.first, year.last):
            return year
        years = str(first.year) if first.year == last.year else f"{first.year}/{last.year % 100:02}"
        return Season(first, last, self.name or years)


class Priorities(Record):
    """Weights of the criteria that patches are ranked by, and what the criteria mean here."""

    retreatment: Weight = 1.0
    small_outlier: Weight = 1.0
    upstream: Weight = 1.0
    value_at_risk: Weight = 1.0
    feasibility: Weight = 1.0
    outlier_area_m2: u.AreaM2 = Field(default=u.parsed(u.ACRE_M2 / 4), alias="outlier_area")
    outlier_distance_m: u.PositiveLengthM = Field(default=u.parsed(100.0), alias="outlier_distance")
    value_distance_m: u.PositiveLengthM = Field(default=u.parsed(200.0), alias="value_distance")
    value_kinds: LowerWords = ("rare plant", "intake", "well", "organic field")
    stream_distance_m: u.PositiveLengthM = Field(default=u.parsed(30.0), alias="stream_distance")
    source: Text

    @model_validator(mode="after")
    def _some_weight(self) -> Self:
        if not any((self.retreatment, self.small_outlier, self.upstream, self.value_at_risk, self.feasibility)):
            raise QuantityError("every weight is 0; give at least one criterion a weight")
        return self


class SeasonCalendar(Record):
    """Working weeks of the season: first and last day, days in a week, crews at work side by side.

    ``licensed_crews`` is how many of the crews have a licensed person: only these take products for restricted use.
    The solver stops at the gap, else after ``node_limit`` steps of its search, which gives the same calendar each time;
    half of the steps go to rounds of improvement, one of which counts as ten. At ``time_limit`` it stops in any case.
    """

    first: dt.date
    last: dt.date
    days_per_week: int = Field(default=4, ge=1, le=7)
    crews: int = Field(default=1, gt=0)
    licensed_crews: int | None = Field(default=None, ge=0)
    closed: Annotated[tuple[dt.date, ...], BeforeValidator(_as_tuple)] = ()
    gap: u.Share = 0.02
    node_limit: int = Field(default=400, ge=1)
    time_limit_s: u.DurationS = Field(default=u.parsed(60.0), alias="time_limit")
    move_s: u.DurationS = Field(default=u.parsed(1200.0), alias="move_time")
    source: Text

    @model_validator(mode="after")
    def _runs_forward(self) -> Self:
        if self.last < self.first:
            raise QuantityError(
                f"first {self.first}, last {self.last}: it ends before it starts; give the earlier date first "
                "(a calendar over new year has a later year in last)"
            )
        if self.licensed_crews is not None and self.licensed_crews > self.crews:
            raise QuantityError(f"licensed_crews {self.licensed_crews} of {self.crews} crews; at most all crews are")
        return self


class Regrowth(Record):
    """Share of a treated stand that is back the year after; omitted keys match all, the first row that fits counts."""

    species: Words = ()
    growth_form: Annotated[tuple[GrowthForm, ...], BeforeValidator(_as_tuple)] = ()
    method: Annotated[tuple[MethodName, ...], BeforeValidator(_as_tuple)] = ()
    share: u.Share
    source: Text

    def suits(self, species: str, growth_form: str, methods: frozenset[str]) -> bool:
        """Tell whether the row is for a patch that is treated with these methods."""
        names = [name.casefold() for name in self.species]
        return (
            (not names or species.casefold() in names)
            and (not self.growth_form or growth_form in self.growth_form)
            and (not self.method or bool(methods & set(self.method)))
        )


class FollowUp(Record):
    """Years after the first: how many are planned, and when the visits stop.

    Visits stop once what is left of the stand has stayed under ``stop_below`` for ``stop_years`` visits in a row;
    without ``stop_years`` they go on to the last year.
    """

    years: int = Field(default=5, ge=1, le=30)
    stop_below: u.Share = 0.01
    stop_years: int | None = Field(default=None, ge=1)
    regrowth: tuple[Regrowth, ...] = ()
    source: Text
