"""In: keys and values of operations files. Out: equipment, crew, paces, prices, times, money and the whole."""

from __future__ import annotations

from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from tussock.base import units as u
from tussock.base.errors import QuantityError
from tussock.base.records.season import FollowUp, Priorities, SeasonCalendar
from tussock.base.records.words import MethodName, Record, Text, Words, _as_tuple

SpeedMPerS = Annotated[float, u._door("m/s", positive=True)]


class Equipment(Record):
    """One kind of sprayer or tool: its filling and its flow."""

    id: Text
    capacity_l: u.PositiveVolumeL | None = Field(default=None, alias="capacity")
    flow_l_per_s: u.FlowLPerS | None = Field(default=None, alias="flow")
    refill_s: u.DurationS = Field(default=0.0, alias="refill_time")
    cost_per_s: u.MoneyPerS | None = Field(default=None, alias="cost")
    source: Text


class Production(Record):
    """How fast one person works with a method: ground or stems in an hour."""

    method: MethodName
    equipment: Text | None = None
    rate_ha_per_s: u.PaceHaPerS | None = Field(default=None, alias="rate")
    stems_per_s: u.PacePerS | None = Field(default=None, alias="stems")
    source: Text

    @model_validator(mode="after")
    def _one_rate(self) -> Self:
        if (self.rate_ha_per_s is None) == (self.stems_per_s is None):
            found = "neither rate nor stems" if self.rate_ha_per_s is None else "rate and stems together"
            raise QuantityError(f'{found}; give one of them, such as rate = "0.25 acre/hour" or stems = "45/hour"')
        return self


class CrewRole(Record):
    """One role in the crew: how many persons, what an hour of one costs, whether they hold a licence."""

    name: Text
    count: int = Field(gt=0)
    wage_per_s: u.MoneyPerS = Field(alias="wage")
    licensed: bool = False


class _Roles(Record):
    """The roles of a crew alone, so that a fault names the role that it stands in."""

    role: tuple[CrewRole, ...]


class Crew(Record):
    """The crew: how many, what an hour costs, and the fixed time for each unit.

    With roles, the wage of an hour is the mean over all persons; ``size`` and ``licensed`` must agree with them.
    """

    size: int = Field(gt=0)
    licensed: int = Field(default=0, ge=0)
    wage_per_s: u.MoneyPerS = Field(alias="wage")
    setup_s: u.DurationS = Field(default=0.0, alias="setup_time")
    day_s: u.DurationS | None = Field(default=None, alias="day")
    role: tuple[CrewRole, ...] = ()
    source: Text

    @model_validator(mode="before")
    @classmethod
    def _wage_of_roles(cls, data: Any) -> Any:
        """Fill size, licence holders and mean wage from the roles where the file leaves them out."""
        if not isinstance(data, dict) or not data.get("role"):
            return data
        roles = _Roles.model_validate({"role": data["role"]}).role
        size = sum(role.count for role in roles)
        currencies = list(dict.fromkeys(role.wage_per_s[1] for role in roles))
        if len(currencies) > 1:
            raise QuantityError(f"wages in {' and '.join(currencies)}; write all amounts in one currency")
        mean = sum(role.count * role.wage_per_s[0] for role in roles) / size
        licensed = sum(role.count for role in roles if role.licensed)
        filled = {"size": size, "licensed": licensed, "wage": (mean, currencies[0])}
        return filled | data | {"role": roles}

    @model_validator(mode="after")
    def _roles_agree(self) -> Self:
        size = sum(role.count for role in self.role)
        if self.role and size != self.size:
            raise QuantityError(f"size {self.size}, but the roles add up to {size}; make them agree, or leave size out")
        licensed = sum(role.count for role in self.role if role.licensed)
        if self.role and licensed != self.licensed:
            found = f"licensed {self.licensed}, but {licensed} of the roles are"
            raise QuantityError(f"{found}; make them agree, or leave licensed out")
        if self.licensed > self.size:
            raise QuantityError(f"licensed {self.licensed} of a crew of {self.size}; at most the whole crew is")
        if self.day_s is not None and self.day_s == 0:
            raise QuantityError('a day of no hours; write the paid day of one person, such as "8 hours"')
        return self


class Price(Record):
    """What one volume of a product costs."""

    product: Text
    price_per_l: u.MoneyPerL = Field(alias="price")
    packs_l: Annotated[tuple[u.PositiveVolumeL, ...], BeforeValidator(_as_tuple)] = Field(default=(), alias="packs")
    on_shelf_l: u.VolumeL = Field(default=0.0, alias="on_shelf")
    source: Text


class TimeModel(Record):
    """Times around the treating itself. What is left out is taken from the defaults, each named with its source."""

    travel_s: u.DurationS | None = Field(default=None, alias="travel")
    breaks_s: u.DurationS | None = Field(default=None, alias="breaks")
    records_s: u.DurationS | None = Field(default=None, alias="records")
    mixing_s: u.DurationS | None = Field(default=None, alias="mixing")
    cleaning_s: u.DurationS | None = Field(default=None, alias="cleaning")
    cleaning_dirty_s: u.DurationS | None = Field(default=None, alias="cleaning_dirty")
    dirty_species: Words = ()
    search_ha_per_s: u.PaceHaPerS | None = Field(default=None, alias="search")
    walk_m_per_s: SpeedMPerS | None = Field(default=None, alias="walk")
    flagging_m_per_s: SpeedMPerS | None = Field(default=None, alias="flagging")
    terrain_factor: float | None = Field(default=None, ge=1, allow_inf_nan=False)
    mixing_at: Words = ()
    source: Text


class MoneyPlan(Record):
    """Money around the work itself, and what there is to spend."""

    mobilisation: u.MoneyPlain | None = None
    contingency: u.Share = 0.0
    budget: u.MoneyPlain | None = None
    budget_s: u.DurationS | None = Field(default=None, alias="budget_hours")
    source: Text


class Operations(Record):
    """Equipment, crew, production rates and prices of the user, and how the season is timed, paid and followed up."""

    crew: Crew | None = None
    equipment: tuple[Equipment, ...] = ()
    production: tuple[Production, ...] = ()
    price: tuple[Price, ...] = ()
    time: TimeModel | None = None
    money: MoneyPlan | None = None
    priorities: Priorities | None = None
    calendar: SeasonCalendar | None = None
    followup: FollowUp | None = None

    @property
    def currency(self) -> str | None:
        """Currency of all amounts; None where there are none. The reader refuses a second one."""
        return next(iter(self.currencies()), None)

    def currencies(self) -> list[str]:
        """Return the different currencies in use, in the order met."""
        amounts = [self.crew.wage_per_s if self.crew else None]
        amounts += [item.cost_per_s for item in self.equipment] + [item.price_per_l for item in self.price]
        amounts += [self.money.mobilisation, self.money.budget] if self.money else []
        return list(dict.fromkeys(amount[1] for amount in amounts if amount is not None))
