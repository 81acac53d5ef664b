"""In: keys and values of site and catalog files. Out: frozen records that every stage and the review share.

Keys keep the name of the file; attributes carry the unit (`distance = "100 ft"` becomes `distance_m`).
A key that a record does not know is a fault, never ignored.
"""

from tussock.base.records.operations import (
    Crew,
    CrewRole,
    Equipment,
    MoneyPlan,
    Operations,
    Price,
    Production,
    SpeedMPerS,
    TimeModel,
)
from tussock.base.records.products import Product, ShareRange, TankMixPartner, Treatment
from tussock.base.records.rules import (
    Closure,
    ColumnDistance,
    Combination,
    Counts,
    FeatureFilter,
    ListedRow,
    Ruleset,
    RulesetHeader,
    Setback,
)
from tussock.base.records.season import FollowUp, Priorities, Regrowth, SeasonCalendar, SeasonDates, Weight
from tussock.base.records.words import (
    DELIVERY,
    LOOK,
    STEM_METHODS,
    Carrier,
    Delivery,
    Form,
    GrowthForm,
    LowerWords,
    MethodName,
    Record,
    Text,
    Words,
    _as_tuple,
)

__all__ = [
    "DELIVERY",
    "LOOK",
    "STEM_METHODS",
    "Carrier",
    "Closure",
    "ColumnDistance",
    "Combination",
    "Counts",
    "Crew",
    "CrewRole",
    "Delivery",
    "Equipment",
    "FeatureFilter",
    "FollowUp",
    "Form",
    "GrowthForm",
    "ListedRow",
    "LowerWords",
    "MethodName",
    "MoneyPlan",
    "Operations",
    "Price",
    "Priorities",
    "Product",
    "Production",
    "Record",
    "Regrowth",
    "Ruleset",
    "RulesetHeader",
    "SeasonCalendar",
    "SeasonDates",
    "Setback",
    "ShareRange",
    "SpeedMPerS",
    "TankMixPartner",
    "Text",
    "TimeModel",
    "Treatment",
    "Weight",
    "Words",
    "_as_tuple",
]
