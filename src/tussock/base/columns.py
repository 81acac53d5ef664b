"""In: tables with SI columns. Out: the same tables under the names and units of the contract (US or metric).

A schema is the list of columns of one table in the order they are written. Inside the package tables carry SI
columns (`area_m2`); at the door `present` renames and scales them (`area_acre` or `area_ha`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from tussock.base import units as u

if TYPE_CHECKING:
    import pandas as pd

UnitSystem: TypeAlias = Literal["us", "metric"]


@dataclass(frozen=True)
class Quantity:
    """How one kind of quantity is shown: suffix and divisor of the SI size, for US and for metric tables."""

    si: str
    us: str
    us_size: float
    metric: str
    metric_size: float

    def suffix(self, system: UnitSystem) -> str:
        """Return the column suffix of a system."""
        return self.us if system == "us" else self.metric

    def size(self, system: UnitSystem) -> float:
        """Return the SI size of one shown unit."""
        return self.us_size if system == "us" else self.metric_size


AREA: Final = Quantity("m2", "acre", u.ACRE_M2, "ha", u.HECTARE_M2)
LENGTH: Final = Quantity("m", "ft", u.FOOT_M, "m", 1.0)
LIQUID: Final = Quantity("l", "gal", u.GALLON_L, "l", 1.0)
SMALL_LIQUID: Final = Quantity("l", "fl_oz", u.FLUID_OUNCE_L, "ml", 0.001)
MASS: Final = Quantity("kg", "lb", u.POUND_KG, "kg", 1.0)
DOSE: Final = Quantity("kg_per_ha", "lb_per_acre", u.LB_PER_ACRE_KG_PER_HA, "kg_per_ha", 1.0)
DENSITY: Final = Quantity("per_ha", "per_acre", u.HECTARE_M2 / u.ACRE_M2, "per_ha", 1.0)
RATE: Final = Quantity("l_per_ha", "gal_per_acre", u.GALLON_L / (u.ACRE_M2 / u.HECTARE_M2), "l_per_ha", 1.0)
SECONDS: Final = Quantity("s", "seconds", 1.0, "seconds", 1.0)
HOURS: Final = Quantity("h", "hours", 1.0, "hours", 1.0)


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    stem
        Name without the unit, such as ``"area"``; the whole name where there is no unit.
    kind
        Type of the values.
    meaning
        One line for readers, written to field comments and data dictionaries.
    quantity
        How the value is shown; None for values without a unit that changes.
    """

    stem: str
    kind: Literal["text", "number", "count", "flag"]
    meaning: str
    quantity: Quantity | None = None

    @property
    def si_name(self) -> str:
        """Name inside the package."""
        return self.stem if self.quantity is None else f"{self.stem}_{self.quantity.si}"

    def shown_name(self, system: UnitSystem) -> str:
        """Name on every table, map and sheet."""
        return self.stem if self.quantity is None else f"{self.stem}_{self.quantity.suffix(system)}"


Schema: TypeAlias = tuple[Column, ...]

PATCHES: Final[Schema] = (
    Column("patch_id", "text", "identifier of the patch, as the mapper gave it"),
    Column("species", "text", "target plant"),
    Column("growth_form", "text", "herbaceous, vine, shrub or tree"),
    Column("area", "number", "gross area: true ground area of the patch", AREA),
    Column("cover_pct", "number", "share of the ground that the target covers, likely value; blank where unknown"),
    Column("infested", "number", "gross area x cover, likely value; blank where the cover is unknown", AREA),
    Column("nearest_water", "number", "distance to the nearest mapped water's edge", LENGTH),
    Column("nearest_receptor", "number", "distance to the nearest mapped receptor", LENGTH),
    Column("unit_count", "count", "number of treatment units in the patch"),
    Column("status", "text", "planned, partly or none: how much of the patch has a treatment"),
    Column("spray", "number", "total liquid, likely value", LIQUID),
    Column("product", "number", "product in that liquid", LIQUID),
    Column("ae", "number", "acid equivalent in that product", MASS),
    Column("crew", "number", "paid crew time, all persons added up", HOURS),
    Column("cost", "number", "labour, product and equipment, in the currency of the operations file"),
    Column("cover_low_pct", "number", "lowest cover that the mapper's entry allows"),
    Column("cover_high_pct", "number", "highest cover that the mapper's entry allows"),
    Column("infested_low", "number", "infested area at the lowest cover", AREA),
    Column("infested_high", "number", "infested area at the highest cover", AREA),
    Column("reason", "text", "why the patch is not planned in full; findings about its outline and values"),
)

UNITS: Final[Schema] = (
    Column("unit_id", "text", "identifier of the treatment unit: patch and a running number"),
    Column("patch_id", "text", "patch that the unit is a piece of"),
    Column("area", "number", "true ground area of the unit", AREA),
    Column("infested", "number", "area x cover of the patch, likely value", AREA),
    Column("setbacks", "text", "ids of the setbacks in force on the unit, sorted, joined by ;"),
    Column("nearest_water", "number", "distance to the nearest mapped water's edge", LENGTH),
    Column("treatment_id", "text", "treatment chosen; blank where none is allowed"),
    Column("method", "text", "method of the treatment chosen"),
    Column("delivery", "text", "broadcast, spot, hand or none"),
    Column("product_id", "text", "product of the treatment chosen"),
    Column("active", "text", "active ingredient of that product"),
    Column("spray", "number", "total liquid, likely value", LIQUID),
    Column("product", "number", "product in that liquid", SMALL_LIQUID),
    Column("ae", "number", "acid equivalent in that product", MASS),
    Column("ae", "number", "dose on the treated ground", DOSE),
    Column("annual_limit_used_pct", "number", "yearly limit used by this and earlier applications on that ground"),
    Column("spray", "number", "time that the nozzle is open", SECONDS),
    Column("stems", "count", "stems treated"),
    Column("cuts", "count", "injection cuts"),
    Column("loads", "count", "fillings of the equipment, the last one in part"),
    Column("crew", "number", "paid crew time, all persons added up", HOURS),
    Column("cost", "number", "labour, product and equipment, in the currency of the operations file"),
    Column("season_from", "text", "first date that satisfies every window"),
    Column("season_to", "text", "last date of that run of days"),
    Column("status", "text", "planned or no_option"),
    Column("reason", "text", "why there is no option, or what limits the one chosen"),
    Column("allowed_use", "text", "what the loaded rules leave open: see the legend of the map"),
    Column("cautions", "text", "permits, notices, mixing bans and conditions of the setbacks touched"),
    Column("non_chemical", "text", "a way without herbicide for this growth form"),
    Column("check_in_field", "text", "setbacks whose distance lies within the mapping error, or rests on a default"),
    Column("carrier", "text", "water or oil"),
    Column("concentration_pct", "number", "share of product in the mix by volume"),
    Column("spray", "number", "total liquid for each treated area", RATE),
    Column("tank_mix", "text", "other products in the tank, with amount and share of the mix"),
    Column("dye", "number", "dye in the mix", SMALL_LIQUID),
    Column("adjuvant", "number", "adjuvant in the mix", SMALL_LIQUID),
    Column("area_counted_with", "text", "patch that this shared ground is already planned and counted with"),
)

OPTIONS: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("treatment_id", "text", "candidate treatment"),
    Column("verdict", "text", "chosen, allowed or refused"),
    Column("reason", "text", "why, with the rule, limit or label line and the measured figure"),
)

#: One row for each unit and setback that was measured.
COMPLIANCE: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("patch_id", "text", "patch that the unit is a piece of"),
    Column("setback_id", "text", "rule"),
    Column("ruleset", "text", "title of the rule set that the rule stands in"),
    Column("feature", "text", "feature that the distance was measured to"),
    Column("required", "number", "distance that the rule asks for; blank for the whole site", LENGTH),
    Column("achieved", "number", "shortest distance from the unit to the feature, geodesic", LENGTH),
    Column("error", "number", "positional error of both, added", LENGTH),
    Column("distance_verdict", "text", "clear, within error or inside"),
    Column("effect", "text", "forbids, permit, notify or no_mixing"),
    Column("verdict", "text", "meets the loaded rules as mapped, within error: field check, does not meet, ..."),
    Column("note", "text", "what follows for the unit"),
    Column("source", "text", "document, year, table"),
)

SETBACK_ZONES: Final[Schema] = (
    Column("setback_id", "text", "rule"),
    Column("ruleset", "text", "title of the rule set"),
    Column("distance", "number", "distance that the rule asks for; blank where it comes from the feature", LENGTH),
    Column("effect", "text", "forbids, permit, notify or no_mixing"),
    Column("forbids", "text", "combinations that the rule forbids, in words"),
    Column("season", "text", "days on which the rule is in force; blank for the whole year"),
    Column("source", "text", "document, year, table"),
)

PRODUCT_BUDGET: Final[Schema] = (
    Column("product_id", "text", "product"),
    Column("active", "text", "active ingredient"),
    Column("form", "text", "salt, amine, ester or acid"),
    Column("unit_count", "count", "units treated with it"),
    Column("area", "number", "gross area of those units", AREA),
    Column("infested", "number", "infested area of those units", AREA),
    Column("spray", "number", "total liquid", LIQUID),
    Column("product", "number", "product in that liquid", LIQUID),
    Column("ae", "number", "acid equivalent in that product", MASS),
    Column("product_cost", "number", "product at the price of the operations file"),
)


def shown_names(schema: Schema, system: UnitSystem) -> list[str]:
    """Return the column names of a table as they are written."""
    return [column.shown_name(system) for column in schema]


def present(frame: pd.DataFrame, schema: Schema, system: UnitSystem) -> pd.DataFrame:
    """Return a table under the names and units of the contract.

    Parameters
    ----------
    frame
        Table with the SI columns of the schema, the first column of the schema as a column or as the index.
        A geometry column and columns that the schema does not know ride along at the end.
    schema
        Columns to write, in order.
    system
        ``"us"`` or ``"metric"``.

    Returns
    -------
    DataFrame (or GeoDataFrame, as ``frame``)
        Numbers divided by the size of the shown unit; the index is a plain range.

    Raises
    ------
    KeyError
        A column of the schema is missing.
    """
    flat = frame if schema[0].si_name in frame.columns else frame.reset_index()
    missing = [column.si_name for column in schema if column.si_name not in flat.columns]
    if missing:
        raise KeyError(f"table without {missing}")
    result: Any = flat[[]].copy()
    for column in schema:
        values: Any = flat[column.si_name]
        size = 1.0 if column.quantity is None else column.quantity.size(system)
        result[column.shown_name(system)] = values if size == 1.0 else values / size
    used = {column.si_name for column in schema}
    for name in flat.columns:
        if name not in used and name not in result.columns:
            result[name] = flat[name]
    return type(frame)(result).reset_index(drop=True)


def require(frame: pd.DataFrame, names: Sequence[str], table: str) -> None:
    """Check that a table passed between stages has its columns.

    Raises
    ------
    KeyError
        Names what is missing; this is a fault of the program, not of the user's input.
    """
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise KeyError(f"table {table} without {missing}; it has {list(frame.columns)}")
