"""In: keys and values of site and catalog files. Out: frozen records that every stage and the review share.

Keys keep the name of the file; attributes carry the unit (`distance = "100 ft"` becomes `distance_m`).
A key that a record does not know is a fault, never ignored.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal, Self, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tussock.base import units as u
from tussock.base.days import SeasonWindow
from tussock.base.errors import QuantityError

GrowthForm: TypeAlias = Literal["herbaceous", "vine", "shrub", "tree"]
Delivery: TypeAlias = Literal["broadcast", "spot", "hand", "none"]
Form: TypeAlias = Literal["salt", "amine", "ester", "acid"]
Carrier: TypeAlias = Literal["water", "oil"]
MethodName: TypeAlias = Literal[
    "boom",
    "foliar_spot",
    "low_volume_stream",
    "wick",
    "cut_stump",
    "stem_injection",
    "basal_bark",
    "pull",
    "dig",
    "cut",
    "mow",
]

#: Delivery class of each method, the class that published buffer tables use.
DELIVERY: dict[str, Delivery] = {
    "boom": "broadcast",
    "foliar_spot": "spot",
    "low_volume_stream": "spot",
    "wick": "hand",
    "cut_stump": "hand",
    "stem_injection": "hand",
    "basal_bark": "hand",
    "pull": "none",
    "dig": "none",
    "cut": "none",
    "mow": "none",
}
#: Methods whose amounts follow from stems and not from ground.
STEM_METHODS = frozenset({"cut_stump", "stem_injection", "basal_bark"})


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value if isinstance(value, tuple) else (value,)


def _lowered(value: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(item.casefold().strip() for item in value)


def _filled(value: str) -> str:
    if not value.strip():
        raise QuantityError("an empty text; it must say something")
    return value


Text = Annotated[str, AfterValidator(_filled)]
Words = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]
LowerWords = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple), AfterValidator(_lowered)]


class Record(BaseModel):
    """A frozen record that refuses unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, strict=False)


class FeatureFilter(Record):
    """Which features a setback runs from; an omitted key matches all.

    A feature whose kind is not mapped counts as every kind, and one whose state is not mapped counts as wet.
    """

    layer: Literal["water", "receptors"]
    kind: LowerWords = ()
    state: Literal["wet", "dry"] | None = None
    name: Words = ()


class ColumnDistance(Record):
    """A distance that each feature brings along, such as a tree's own height (the column name ends in its unit)."""

    column: Text
    times: float = Field(default=1.0, gt=0, allow_inf_nan=False)

    @model_validator(mode="after")
    def _has_unit(self) -> Self:
        if self.unit not in ("ft", "m"):
            raise QuantityError(f'column "{self.column}"; its name must end in its unit, "_ft" or "_m"')
        return self

    @property
    def unit(self) -> str:
        """Unit of the column, from its name."""
        return self.column.rpartition("_")[2]


class Combination(Record):
    """Method and product keys that must all match; an omitted key matches all. Empty means every herbicide."""

    delivery: Annotated[tuple[Delivery, ...], BeforeValidator(_as_tuple)] = ()
    method: Annotated[tuple[MethodName, ...], BeforeValidator(_as_tuple)] = ()
    active: LowerWords = ()
    form: Annotated[tuple[Form, ...], BeforeValidator(_as_tuple)] = ()
    aquatic_label: bool | None = None
    soil_active: bool | None = None

    def matches(
        self, *, method: str, active: str, form: str, aquatic_label: bool, soil_active: bool | None = None
    ) -> bool:
        """Tell whether a herbicide treatment has every key named here; where soil activity is not known it matches."""
        return (
            (not self.delivery or DELIVERY[method] in self.delivery)
            and (not self.method or method in self.method)
            and (not self.active or active.casefold() in self.active)
            and (not self.form or form in self.form)
            and (self.aquatic_label is None or aquatic_label == self.aquatic_label)
            and (self.soil_active is None or soil_active is None or soil_active == self.soil_active)
        )


class ListedRow(Combination):
    """One combination that a rule set permits by listing it."""

    source: str = ""


class Counts(Record):
    """What an office counts of the work under a permit or a notice, and whether the same ground counts each time."""

    treated_water_area: bool = False
    shoreline: bool = False
    repeats: bool = False

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not (self.treated_water_area or self.shoreline):
            raise QuantityError("nothing to count; set treated_water_area or shoreline to true, or leave counts out")
        return self


def _distance(value: Any) -> Any:
    if isinstance(value, dict | ColumnDistance):
        return value
    if value == "anywhere":
        return value
    if isinstance(value, float) and isinstance(value, u._Parsed):
        return float(value)
    return u.parse_quantity(value, "m")


class Setback(Record):
    """One rule: within a distance of some features something is forbidden, or has to be permitted, told or kept away.

    Exactly one of ``forbids``, ``permit``, ``notify`` and ``no_mixing`` is given.
    """

    id: Text
    source_filter: FeatureFilter | None = Field(default=None, alias="from")
    distance: Annotated[float | Literal["anywhere"] | ColumnDistance, BeforeValidator(_distance)]
    measure: Literal["horizontal", "slope"] = "horizontal"
    forbids: Combination | None = None
    permit: Text | None = None
    notify: Text | None = None
    no_mixing: Literal[True] | None = None
    counts: Counts | None = None
    season: SeasonWindow | None = None
    unless_surveyed: bool = False
    conditions: Words = ()
    datum: Text | None = None
    source: Text

    @model_validator(mode="after")
    def _one_effect(self) -> Self:
        if self.source_filter is None and self.distance != "anywhere":
            raise QuantityError('no "from"; name the features that the distance runs from, such as { layer = "water" }')
        effects = [name for name in ("forbids", "permit", "notify", "no_mixing") if getattr(self, name) is not None]
        if len(effects) != 1:
            found = " and ".join(effects) or "none of them"
            raise QuantityError(f"{found}; give exactly one of forbids, permit, notify, no_mixing")
        if self.counts is not None and self.permit is None and self.notify is None:
            raise QuantityError("counts without permit or notify; only what an office grants or hears of is counted")
        if ";" in self.id:
            raise QuantityError(f'the id "{self.id}" with ";"; ids are joined by ";" in the outputs, leave it out')
        return self

    @property
    def effect(self) -> Literal["forbids", "permit", "notify", "no_mixing"]:
        """Which of the four effects this rule has."""
        for name in ("forbids", "permit", "notify"):
            if getattr(self, name) is not None:
                return name
        return "no_mixing"

    @property
    def distance_m(self) -> float | None:
        """Distance in metres where it is one number, else None."""
        return self.distance if isinstance(self.distance, float) else None


class RulesetHeader(Record):
    """Who made a rule set, from what, and for which dates it stands."""

    title: Text
    authority: Text
    source: Text
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    read_by: str = ""
    status: Literal["checked", "draft"] = "draft"
    listed_only: bool = False


class Ruleset(Record):
    """A rule set as its file gives it."""

    ruleset: RulesetHeader
    setback: tuple[Setback, ...] = ()
    listed: tuple[ListedRow, ...] = ()

    @property
    def title(self) -> str:
        """Title of the set."""
        return self.ruleset.title


def _range(value: Any) -> Any:
    pair = [value, value] if isinstance(value, str) else value
    if not (isinstance(pair, list | tuple) and len(pair) == 2):  # noqa: PLR2004  (a range has two ends)
        raise QuantityError(f'{value!r}; write the label\'s range, such as ["0.5 %", "5 %"]')
    low, high = (u._share(end) for end in pair)
    if low > high:
        raise QuantityError(f"{value!r}, a range that ends below its start; write the lower share first")
    return low, high


ShareRange = Annotated[tuple[float, float], BeforeValidator(_range)]


def _set_strength(read: dict[str, Any]) -> None:
    """Turn a strength written as active ingredient into ae; without the ratio it is refused."""
    if "strength_ai" not in read:
        read.pop("ae_per_ai", None)
        return
    ai = u.parse_quantity(read.pop("strength_ai"), "kg/L")
    if "strength" in read:
        raise QuantityError("strength and strength_ai together; give one of them")
    if "ae_per_ai" not in read:
        raise QuantityError(
            'strength_ai without a ratio: limits are in acid equivalent; add ae_per_ai = "74.1 %" '
            "(the label, or `tussock calibrate ae`), or write strength as ae"
        )
    read["strength"] = u.parsed(ai * u._share(read.pop("ae_per_ai")))


class TankMixPartner(Record):
    """Another product in the same tank, with its share of the mix."""

    product: Text
    concentration: u.Share


class Product(Record):
    """An herbicide product as its label describes it. Strength and limits are acid equivalent (ae).

    A limit may be written as ae for an area ("8 lb/acre") or as product for an area ("8.5 qt/acre"); a strength as ae,
    or as active ingredient (``strength_ai``) with the acid in it (``ae_per_ai``).
    """

    id: Text
    active: Text
    form: Form
    strength_kg_per_l: u.StrengthKgPerL = Field(alias="strength")
    aquatic_label: bool
    methods: dict[MethodName, ShareRange]
    carrier: Annotated[tuple[Carrier, ...], BeforeValidator(_as_tuple)] = ("water",)
    limit_per_application_kg_per_ha: u.DoseKgPerHa | None = Field(default=None, alias="limit_per_application")
    limit_per_year_kg_per_ha: u.DoseKgPerHa | None = Field(default=None, alias="limit_per_year")
    limit_stems_per_year_per_ha: u.DensityPerHa | None = Field(default=None, alias="limit_stems_per_year")
    max_applications_per_year: int | None = Field(default=None, gt=0)
    min_interval_s: u.DurationS | None = Field(default=None, alias="min_interval")
    season: SeasonWindow | None = None
    heat_limit: str = ""
    soil_active: bool = False
    restricted_use: bool = False
    registration: str = ""
    signal_word: str = ""
    ppe: Words = ()
    reentry: str = ""
    wind: str = ""
    temperature: str = ""
    rain: str = ""
    source: Text

    @model_validator(mode="before")
    @classmethod
    def _limits_as_ae(cls, data: Any) -> Any:
        """Turn a limit written as product for an area into ae, by the strength."""
        if not isinstance(data, dict):
            return data
        read = dict(data)
        _set_strength(read)
        for key in ("limit_per_application", "limit_per_year"):
            try:
                volume = u.parse_quantity(read.get(key), "L/ha")
                written = read.get("strength")
                strength = written if isinstance(written, u._Parsed) else u.parse_quantity(written, "kg/L")
            except QuantityError:
                continue  # ae for an area, or a fault that the field itself reports
            read[key] = u.parsed(volume * strength)
        return read


class Treatment(Record):
    """A candidate: growth form or species x method x product x rate x season; lowest allowed preference is chosen."""

    id: Text
    growth_form: Annotated[tuple[GrowthForm, ...], BeforeValidator(_as_tuple)] = ()
    species: Words = ()
    method: MethodName
    product: Text | None = None
    concentration: u.Share | None = None
    spray_volume_l_per_ha: u.RateLPerHa | None = Field(default=None, alias="spray_volume")
    dose_per_cut_l: u.PositiveVolumeL | None = Field(default=None, alias="dose_per_cut")
    dose_per_stem_l: u.PositiveVolumeL | None = Field(default=None, alias="dose_per_stem")
    cut_per_diameter_m: u.PositiveLengthM | None = Field(default=None, alias="cut_per_diameter")
    cut_spacing_m: u.PositiveLengthM | None = Field(default=None, alias="cut_spacing")
    ring_width_m: u.PositiveLengthM | None = Field(default=None, alias="ring_width")
    dose_per_ring_area_l_per_m2: u.DoseLPerM2 | None = Field(default=None, alias="dose_per_ring_area")
    band_height_m: u.PositiveLengthM | None = Field(default=None, alias="band_height")
    dose_per_bark_area_l_per_m2: u.DoseLPerM2 | None = Field(default=None, alias="dose_per_bark_area")
    throw_m: u.PositiveLengthM | None = Field(default=None, alias="throw")
    flow_l_per_s: u.FlowLPerS | None = Field(default=None, alias="flow")
    tank_mix: tuple[TankMixPartner, ...] = ()
    stem_diameter_m: tuple[u.LengthM, u.LengthM] | None = Field(default=None, alias="stem_diameter")
    treat_within_s: u.DurationS | None = Field(default=None, alias="treat_within")
    carrier: Carrier | None = None
    dye: u.Share | None = None
    adjuvant: u.Share | None = None
    season: SeasonWindow | None = None
    windows: dict[str, SeasonWindow] = Field(default_factory=dict)
    equipment: Text | None = None
    up_to_limit: bool | None = None
    preference: int = 100
    note: str = ""
    source: str = ""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not self.growth_form and not self.species:
            raise QuantityError("neither growth_form nor species; name what the treatment is for")
        if self.delivery == "none":
            extra = [key for key in ("product", "concentration") if getattr(self, key) is not None]
            if extra:
                raise QuantityError(f'{" and ".join(extra)} with the non-chemical method "{self.method}"; leave it out')
            return self
        if self.product is None:
            raise QuantityError(f'no product for the herbicide method "{self.method}"; name one of the catalog')
        if self.concentration is None:
            raise QuantityError('no concentration; write the share of product in the mix, such as "20 %"')
        if self.concentration == 0:
            raise QuantityError("a concentration of 0 %; write the share of product in the mix")
        if self.method not in STEM_METHODS and self.spray_volume_l_per_ha is None:
            raise QuantityError(
                f'no spray_volume for "{self.method}"; write it per infested ground, such as "5 gal/acre"'
            )
        if self.stem_diameter_m is not None and self.stem_diameter_m[0] > self.stem_diameter_m[1]:
            raise QuantityError("stem_diameter that ends below its start; write the smaller diameter first")
        if self.cut_per_diameter_m is not None and self.cut_spacing_m is not None:
            raise QuantityError("cut_per_diameter and cut_spacing together; give one of them")
        return self

    @property
    def delivery(self) -> Delivery:
        """Delivery class of the method."""
        return DELIVERY[self.method]

    def suits(self, species: str, growth_form: str) -> bool:
        """Tell whether the treatment is for a species of a growth form (each key given must match)."""
        names = [name.casefold() for name in self.species]
        return (not names or species.casefold() in names) and (not self.growth_form or growth_form in self.growth_form)


class Closure(Record):
    """Days on which nobody works on the site, or only after a survey; both ends count."""

    id: Text
    season: SeasonWindow
    reason: Text
    unless_surveyed: bool = False
    source: Text


SpeedMPerS = Annotated[float, u._door("m/s", positive=True)]
Weight = Annotated[float, Field(ge=0, allow_inf_nan=False)]


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
            raise QuantityError('both or none of rate and stems; give one, such as rate = "0.25 acre/hour"')
        return self


class CrewRole(Record):
    """One role in the crew: how many persons, what an hour of one costs, whether they hold a licence."""

    name: Text
    count: int = Field(gt=0)
    wage_per_s: u.MoneyPerS = Field(alias="wage")
    licensed: bool = False


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
        roles = tuple(CrewRole.model_validate(item) for item in data["role"])
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
    at ``time_limit`` it stops in any case.
    """

    first: dt.date
    last: dt.date
    days_per_week: int = Field(default=4, ge=1, le=7)
    crews: int = Field(default=1, gt=0)
    licensed_crews: int | None = Field(default=None, ge=0)
    closed: Annotated[tuple[dt.date, ...], BeforeValidator(_as_tuple)] = ()
    gap: u.Share = 0.02
    node_limit: int = Field(default=500, ge=1)
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
