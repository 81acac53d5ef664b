"""In: keys and values of operations files about the season. Out: priorities, calendar, regrowth and the years after."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from tussock.base import units as u
from tussock.base.errors import QuantityError
from tussock.base.records.words import GrowthForm, LowerWords, MethodName, Record, Text, Words, _as_tuple

Weight = Annotated[float, Field(ge=0, allow_inf_nan=False)]


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
