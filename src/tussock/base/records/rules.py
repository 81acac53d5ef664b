"""In: keys and values of rule sets. Out: setbacks and what they run from, forbid and ask for; closures of a site."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from tussock.base import units as u
from tussock.base.days import SeasonWindow
from tussock.base.errors import QuantityError
from tussock.base.records.products import Product
from tussock.base.records.words import (
    DELIVERY,
    LOOK,
    Delivery,
    Form,
    KindPairs,
    KindWords,
    LowerWords,
    MethodName,
    Record,
    Text,
    Words,
    _as_tuple,
)

#: Keys of a combination that only a product can match.
_PRODUCT_KEYS: Final = ("active", "form", "aquatic_label", "soil_active")


class FeatureFilter(Record):
    """Which features a setback runs from; an omitted key matches all.

    A feature whose kind is not mapped counts as every kind, and one whose state is not mapped counts as wet.
    """

    layer: Literal["water", "receptors"]
    kind: KindWords = ()
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
    """Work that a rule is about: every key given must match. Empty means every herbicide.

    ``delivery`` and ``method`` match any work of that delivery or method, also without herbicide. Keys about the
    product never match work without herbicide. ``work = "all"`` is all work, and stands alone.
    """

    work: Literal["all"] | None = None
    delivery: Annotated[tuple[Delivery, ...], BeforeValidator(_as_tuple)] = ()
    method: Annotated[tuple[MethodName, ...], BeforeValidator(_as_tuple)] = ()
    active: LowerWords = ()
    form: Annotated[tuple[Form, ...], BeforeValidator(_as_tuple)] = ()
    aquatic_label: bool | None = None
    soil_active: bool | None = None

    @model_validator(mode="after")
    def _can_match(self) -> Self:
        """Refuse keys that exclude each other: such a rule would bind less than it says."""
        product = [key for key in _PRODUCT_KEYS if getattr(self, key) not in ((), None)]
        ways = [key for key in ("delivery", "method") if getattr(self, key)]
        if self.work is not None and (product or ways):
            raise QuantityError(f'work = "all" with {" and ".join([*ways, *product])}; it stands alone: leave one out')
        bare = [name for name in (*self.method, *self.delivery) if DELIVERY.get(name, name) == "none"]
        if bare and product:
            found = f'"{bare[0]}" with {" and ".join(product)}, and work without herbicide has no product'
            raise QuantityError(f"{found}; write two rules, one for each")
        lost = [name for name in self.method if self.delivery and DELIVERY[name] not in self.delivery]
        if lost:
            found = f'method "{lost[0]}", which is of delivery "{DELIVERY[lost[0]]}", with another delivery'
            raise QuantityError(f"{found}; leave out one of the two keys")
        return self

    @property
    def with_herbicide(self) -> bool:
        """Whether it can mean work with a herbicide."""
        ways = [DELIVERY[name] for name in self.method] or list(self.delivery)
        return not ways or any(delivery != "none" for delivery in ways)

    @property
    def without_herbicide(self) -> bool:
        """Whether it can mean work without herbicide."""
        return self.work is not None or "none" in self.delivery or any(DELIVERY[name] == "none" for name in self.method)

    def binds(self, method: str, products: Sequence[Product]) -> bool:
        """Tell whether it means some work: by any product in its tank, or without herbicide where there is none."""
        if products:
            return any(
                self.matches(
                    method=method,
                    active=product.active,
                    form=product.form,
                    aquatic_label=product.aquatic_label,
                    soil_active=product.soil_active,
                )
                for product in products
            )
        if self.work is not None or method == LOOK:  # a look is no kind of treatment: only "no work at all" means it
            return self.work is not None
        named = not self.method or method in self.method
        return self.without_herbicide and named and (not self.delivery or DELIVERY[method] in self.delivery)

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
    """One combination of method and product that a rule set permits by listing it."""

    source: str = ""

    @model_validator(mode="after")
    def _herbicide(self) -> Self:
        if self.without_herbicide:
            raise QuantityError("work without herbicide in a list of herbicides; leave it out: it needs no listing")
        return self


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
    applies_to: Combination | None = None
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
        if self.applies_to is not None and self.permit is None and self.notify is None:
            raise QuantityError("applies_to without permit or notify; what a rule forbids stands in forbids")
        return self

    @property
    def effect(self) -> Literal["forbids", "permit", "notify", "no_mixing"]:
        """Which of the four effects this rule has."""
        for name in ("forbids", "permit", "notify"):
            if getattr(self, name) is not None:
                return name
        return "no_mixing"

    @property
    def about(self) -> Combination:
        """Work that the rule forbids, or asks for a permit or notice for; every herbicide where it does not say."""
        return self.forbids or self.applies_to or Combination()

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
    kinds: KindPairs = Field(default_factory=dict)
    no_rule_for: KindWords = ()

    @model_validator(mode="after")
    def _other_kinds(self) -> Self:
        same = [given for given, kind in self.kinds.items() if given == kind]
        if same:
            raise QuantityError(f'kinds takes "{same[0]}" as itself; leave it out')
        return self

    @model_validator(mode="after")
    def _runs_forward(self) -> Self:
        if self.valid_from is not None and self.valid_to is not None and self.valid_to < self.valid_from:
            raise QuantityError(f"valid_from {self.valid_from}, valid_to {self.valid_to}; give the earlier day first")
        return self


class Ruleset(Record):
    """A rule set as its file gives it. ``kinds`` and ``no_rule_for`` may also stand before ``[ruleset]``."""

    ruleset: RulesetHeader
    setback: tuple[Setback, ...] = ()
    listed: tuple[ListedRow, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _head(cls, data: Any) -> Any:
        """Take what stands before the first table into the head of the set."""
        if not isinstance(data, dict) or not isinstance(data.get("ruleset"), dict):
            return data
        early = {key: data[key] for key in ("kinds", "no_rule_for") if key in data and key not in data["ruleset"]}
        kept = {key: value for key, value in data.items() if key not in early}
        return {**kept, "ruleset": {**data["ruleset"], **early}}

    @property
    def title(self) -> str:
        """Title of the set."""
        return self.ruleset.title


class Closure(Record):
    """Days on which nobody works on the site, or only after a survey; both ends count."""

    id: Text
    season: SeasonWindow
    reason: Text
    unless_surveyed: bool = False
    source: Text
