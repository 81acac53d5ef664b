"""In: tables with SI columns. Out: the same tables under the names and units of the contract (US or metric).

A schema is the list of columns of one table in the order they are written. Inside the package tables carry SI
columns (`area_m2`); at the door `present` renames and scales them (`area_acre` or `area_ha`).
"""

from tussock.base.columns.forms import PROPOSAL, RECORD
from tussock.base.columns.plan import (
    COMPLIANCE,
    KINDS,
    OPTIONS,
    PATCH_WORK,
    PATCHES,
    PERMITS,
    PRODUCT_BUDGET,
    RELATIONS,
    SCHEMAS,
    SETBACK_ZONES,
    STEMS,
    UNITS,
    UNRULED,
)
from tussock.base.columns.schema import (
    AREA,
    DENSITY,
    DIAMETER,
    DOSE,
    HOURS,
    LENGTH,
    LIQUID,
    MASS,
    RATE,
    SECONDS,
    SMALL_LIQUID,
    Column,
    Quantity,
    Schema,
    UnitSystem,
    present,
    shown_names,
)
from tussock.base.columns.work import UNIT_HOURS, WORK

__all__ = [
    "AREA",
    "COMPLIANCE",
    "DENSITY",
    "DIAMETER",
    "DOSE",
    "HOURS",
    "KINDS",
    "LENGTH",
    "LIQUID",
    "MASS",
    "OPTIONS",
    "PATCHES",
    "PATCH_WORK",
    "PERMITS",
    "PRODUCT_BUDGET",
    "PROPOSAL",
    "RATE",
    "RECORD",
    "RELATIONS",
    "SCHEMAS",
    "SECONDS",
    "SETBACK_ZONES",
    "SMALL_LIQUID",
    "STEMS",
    "UNITS",
    "UNIT_HOURS",
    "UNRULED",
    "WORK",
    "Column",
    "Quantity",
    "Schema",
    "UnitSystem",
    "present",
    "shown_names",
]
