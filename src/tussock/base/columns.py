"""In: tables with SI columns. Out: the same tables under the names and units of the contract (US or metric).

A schema is the list of columns of one table in the order they are written. Inside the package tables carry SI
columns (`area_m2`); at the door `present` renames and scales them (`area_acre` or `area_ha`).
"""

from __future__ import annotations

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
DIAMETER: Final = Quantity("m", "in", u.INCH_M, "cm", 0.01)
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
    Column("product", "number", "products in that liquid, every one in a tank mix counted", LIQUID),
    Column("ae", "number", "acid equivalent in those products", MASS),
    Column("crew", "number", "paid crew time, all persons added up", HOURS),
    Column("cost", "number", "labour, products, supplies and equipment, in the currency of the operations file"),
    Column("cover_low_pct", "number", "lowest cover that the mapper's entry allows"),
    Column("cover_high_pct", "number", "highest cover that the mapper's entry allows"),
    Column("infested_low", "number", "infested area at the lowest cover", AREA),
    Column("infested_high", "number", "infested area at the highest cover", AREA),
    Column("spray_low", "number", "total liquid at the lowest cover", LIQUID),
    Column("spray_high", "number", "total liquid at the highest cover", LIQUID),
    Column("product_low", "number", "product at the lowest cover", LIQUID),
    Column("product_high", "number", "product at the highest cover", LIQUID),
    Column("ae_low", "number", "acid equivalent at the lowest cover", MASS),
    Column("ae_high", "number", "acid equivalent at the highest cover", MASS),
    Column("crew_low", "number", "paid crew time at the lowest cover", HOURS),
    Column("crew_high", "number", "paid crew time at the highest cover", HOURS),
    Column("cost_low", "number", "cost at the lowest cover"),
    Column("cost_high", "number", "cost at the highest cover"),
    Column("reason", "text", "why the patch is not planned in full; findings about its outline and values"),
    Column("approval", "text", "as approved, changed or new since approval; blank where no approval was given"),
    Column("approval_change", "text", "what differs from what was approved"),
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
    Column("product", "number", "product_id in that liquid; the others in the tank: see partner", SMALL_LIQUID),
    Column("ae", "number", "acid equivalent in that product", MASS),
    Column("ae", "number", "dose on the treated ground", DOSE),
    Column("annual_limit_used_pct", "number", "yearly limit used by this and earlier applications on that ground"),
    Column("spray", "number", "time that the nozzle is open", SECONDS),
    Column("stems", "count", "stems treated"),
    Column("cuts", "count", "injection cuts"),
    Column("loads", "count", "fillings of the equipment, the last one in part"),
    Column("crew", "number", "paid crew time, all persons added up", HOURS),
    Column("cost", "number", "labour, products, supplies and equipment, in the currency of the operations file"),
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
    Column("partner", "number", "other products in the tank, added up", SMALL_LIQUID),
    Column("partner_ae", "number", "acid equivalent in the other products, added up", MASS),
    Column("dye", "number", "dye in the mix", SMALL_LIQUID),
    Column("adjuvant", "number", "adjuvant in the mix", SMALL_LIQUID),
    Column("area_counted_with", "text", "patch that this shared ground is already planned and counted with"),
    Column("infested_low", "number", "infested area at the lowest cover", AREA),
    Column("infested_high", "number", "infested area at the highest cover", AREA),
    Column("setup", "number", "crew time for setting up", HOURS),
    Column("treating", "number", "crew time for treating", HOURS),
    Column("refill", "number", "crew time for refilling", HOURS),
    Column("labour_cost", "number", "labour, in the currency of the operations file"),
    Column("product_cost", "number", "every product in the tank at the price of the operations file"),
    Column("equipment_cost", "number", "equipment for the time it is in use"),
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
    Column(
        "slope_distance",
        "number",
        "the same along the slope, for rules that count so; blank where no slope is known; decides nothing",
        LENGTH,
    ),
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
    Column("unit_count", "count", "units treated with it; those of a tank mix stand in the row of each product"),
    Column("area", "number", "gross area of those units", AREA),
    Column("infested", "number", "infested area of those units", AREA),
    Column("spray", "number", "total liquid on those units", LIQUID),
    Column("product", "number", "product in that liquid, also as a partner in a tank mix", LIQUID),
    Column("ae", "number", "acid equivalent in that product", MASS),
    Column("product_cost", "number", "product at the price of the operations file"),
)

_PATCH_ID: Final = Column("patch_id", "text", "patch that the unit is a piece of")
_UNIT_ID: Final = Column("unit_id", "text", "treatment unit")

#: One row for each planned unit: every term of its paid hours in its own column.
UNIT_HOURS: Final[Schema] = (
    _UNIT_ID,
    _PATCH_ID,
    Column("walk", "number", "straight way from the place where the vehicle stops", LENGTH),
    Column("access", "text", "that place"),
    Column("mixing", "number", "straight way to the nearest mixing place that no rule closes", LENGTH),
    Column("mixing_place", "text", "that place"),
    Column("limited_edge", "number", "setback edge that is flagged, as this unit bears it", LENGTH),
    Column("loads", "count", "fillings of the equipment"),
    Column("setup", "number", "setting up, the whole crew", HOURS),
    Column("walk_in", "number", "way in and out, the whole crew, shared by the units of the patch", HOURS),
    Column("search", "number", "searching the whole unit for plants", HOURS),
    Column("treating", "number", "treating: pace of one person, never less than the nozzle is open", HOURS),
    Column(
        "refill", "number", "refilling, and the way to the mixing place and back for each load but the first", HOURS
    ),
    Column("mixing", "number", "mixing the loads", HOURS),
    Column("flagging", "number", "setting flags along setback edges", HOURS),
    Column("cleaning", "number", "cleaning tools and boots after the patch, shared by its units", HOURS),
    Column("records", "number", "application records", HOURS),
    Column("travel", "number", "share of the drive to the site and back", HOURS),
    Column("breaks", "number", "share of paid breaks", HOURS),
    Column("productive", "number", "searching, treating, refilling, mixing and flagging", HOURS),
    Column("crew", "number", "paid crew time, all persons added up: the sum of all terms", HOURS),
    Column("labour_cost", "number", "paid hours at the wage"),
    Column("product_cost", "number", "every product in the tank at its price"),
    Column("supply_cost", "number", "dye, adjuvant and carrier oil where they have a price"),
    Column("equipment_cost", "number", "equipment for the time it is in use"),
    Column("cost", "number", "the four together"),
)

#: One row for each permit and notice that planned work asks for.
PERMITS: Final[Schema] = (
    Column("setback_id", "text", "rule"),
    Column("ruleset", "text", "title of the rule set"),
    Column("effect", "text", "permit or notify"),
    Column("what", "text", "who grants it, or whom to tell and when"),
    Column("unit_count", "count", "planned units that it is for"),
    Column("treated_water", "number", "mapped water within them; blank where the rule set does not count it", AREA),
    Column("shoreline", "number", "mapped shore within them; blank where the rule set does not count it", LENGTH),
    Column("earlier_count", "count", "earlier applications of the year that are counted in"),
    Column("repeats", "text", "counted: the same ground counts each time; once: it counts once; blank: not counted"),
    Column("source", "text", "document, year, table"),
)

#: One row for each diameter class, or each stem, that the mapper counted.
STEMS: Final[Schema] = (
    Column("patch_id", "text", "patch that the stems stand in"),
    Column("stem_diameter", "number", "diameter of these stems; blank where it was not measured", DIAMETER),
    Column("stem_count", "number", "stems counted; blank where their density is given instead"),
    Column("stems", "number", "stems for an area of the patch; blank where they were counted", DENSITY),
    Column("lon", "number", "longitude of a stem that was mapped as a point, WGS 84 [degree]"),
    Column("lat", "number", "latitude of a stem that was mapped as a point, WGS 84 [degree]"),
)

#: Tables of plan.gpkg whose columns the contract fixes, by the name that they have there.
SCHEMAS: Final[dict[str, Schema]] = {
    "patches": PATCHES,
    "units": UNITS,
    "setback_zones": SETBACK_ZONES,
    "options": OPTIONS,
    "compliance": COMPLIANCE,
    "product_budget": PRODUCT_BUDGET,
    "unit_hours": UNIT_HOURS,
    "stems": STEMS,
    "permits": PERMITS,
}

_MIX: Final[Schema] = (
    Column("treatment_id", "text", "treatment"),
    Column("product_id", "text", "product"),
    Column("equipment", "text", "what is filled"),
    Column("mix", "number", "finished mix", LIQUID),
    Column("product", "number", "product in it", SMALL_LIQUID),
    Column("partner", "number", "other products in the tank, added up", SMALL_LIQUID),
    Column("water", "number", "water in it", LIQUID),
    Column("oil", "number", "carrier oil in it", LIQUID),
    Column("dye", "number", "dye in it", SMALL_LIQUID),
    Column("adjuvant", "number", "adjuvant in it", SMALL_LIQUID),
    Column("loads", "count", "fillings, the last one in part"),
    Column("full_load", "number", "one full load", LIQUID),
    Column("last_load", "number", "the last load", LIQUID),
    Column("product_per_load", "number", "product in a full load", SMALL_LIQUID),
    Column("product_last_load", "number", "product in the last load", SMALL_LIQUID),
)

#: Tables that plan the work of the season, by name; a table is empty where the operations file does not ask for it.
WORK: Final[dict[str, Schema]] = {
    "unit_hours": UNIT_HOURS,
    "time_basis": (
        Column("term", "text", "time, pace or factor: the key of the operations file"),
        Column("size", "number", "its size; blank where it follows from the slope"),
        Column("unit", "text", "unit of the size"),
        Column("taken_from", "text", "operations file or default"),
        Column("source", "text", "source of the figure"),
    ),
    "mixing_places": (
        Column("place", "text", "access feature where mixes are made"),
        Column("setback_id", "text", "rule against mixing"),
        Column("feature", "text", "nearest feature of that rule"),
        Column("required", "number", "distance that the rule asks for", LENGTH),
        Column("achieved", "number", "distance of the place", LENGTH),
        Column("error", "number", "positional error of both, added", LENGTH),
        Column("verdict", "text", "meets the loaded rules as mapped, within error: field check, or inside: not used"),
    ),
    "unit_mixes": (_UNIT_ID, _PATCH_ID, *_MIX),
    "day_mixes": (
        Column("crew_day", "count", "running number of the crew day"),
        Column("date", "text", "date in the calendar; blank without one"),
        Column("crew", "count", "which crew"),
        *_MIX,
    ),
    "purchases": (
        Column("item", "text", "product or supply"),
        Column("kind", "text", "product or supply"),
        Column("needed", "number", "need of the season, likely value", LIQUID),
        Column("on_shelf", "number", "what is on the shelf", LIQUID),
        Column("to_buy", "number", "need less shelf", LIQUID),
        Column("packs", "text", "packs that cover it with the least left over; blank without pack sizes"),
        Column("containers", "count", "containers bought"),
        Column("bought", "number", "volume of those packs", LIQUID),
        Column("left_over", "number", "left on the shelf after the season", LIQUID),
        Column("cost", "number", "what is bought, at its price"),
    ),
    "money": (
        Column("item", "text", "labour, product, supplies, equipment, their sum, mobilisation, contingency, total"),
        Column("low", "number", "lower end of the range that the cover entries leave"),
        Column("likely", "number", "likely value"),
        Column("high", "number", "upper end of that range"),
        Column("unit", "text", "currency"),
    ),
    "bid_schedule": (
        Column("item_no", "text", "running number"),
        Column("item", "text", "what is priced"),
        Column("unit", "text", "unit of the quantity"),
        Column("quantity", "number", "quantity, likely value, in that unit"),
        Column("unit_price", "text", "for the bidder"),
        Column("amount", "text", "for the bidder"),
    ),
    "priorities": (
        Column("patch_id", "text", "patch"),
        Column("rank", "count", "place in the ranking"),
        Column("score", "number", "weighted mean of the criteria, 0 to 1"),
        Column("line", "text", "in, out, no treatment, or not known"),
        Column("retreatment", "number", "1 where ground was treated last year"),
        Column("small_outlier", "number", "1 small and far from others of its species, 0.5 small"),
        Column("upstream", "number", "way to the outlet over the longest way in that stream system"),
        Column("value_at_risk", "number", "nearness to what is to be protected"),
        Column("feasibility", "number", "share of the ground that has a treatment"),
        Column("crew", "number", "paid crew time", HOURS),
        Column("cost", "number", "labour, product, supplies and equipment"),
        Column("sum", "number", "crew time down to here", HOURS),
        Column("sum_cost", "number", "cost down to here"),
    ),
    "priority_moves": (
        Column("criterion", "text", "whose weight is moved; the first row is the plan"),
        Column("change_pct", "number", "by how much"),
        Column("weight", "number", "weight then"),
        Column("patches_in", "count", "patches above the cut line"),
        Column("hours_in", "number", "crew hours above it"),
        Column("cost_in", "number", "cost above it"),
        Column("entering", "text", "patches that come in"),
        Column("leaving", "text", "patches that fall out"),
    ),
    "calendar": (
        Column("crew_day", "count", "running number of the crew day; blank where left out"),
        Column("week", "count", "working week of the season"),
        Column("date", "text", "date"),
        Column("crew", "count", "which crew"),
        Column("sequence", "count", "order within the day"),
        _UNIT_ID,
        _PATCH_ID,
        Column("area", "text", "ground that the crew moves to as a whole"),
        Column("crew", "number", "paid crew time of this unit on that day", HOURS),
        Column("share", "number", "share of the unit's work"),
        Column("dirty", "flag", "seeds are carried away from here: after the clean ones"),
        Column("note", "text", "why it is left out, or what to look at"),
    ),
    "calendar_quality": (
        Column("item", "text", "what is known about the calendar"),
        Column("value", "text", "its value"),
        Column("unit", "text", "unit"),
    ),
    "follow_up": (
        Column("patch_id", "text", "patch"),
        Column("year", "count", "year, the first one is the plan's season"),
        Column("regrowth_pct", "number", "share of a treated stand that is back the year after"),
        Column("left_pct", "number", "share of the first stand that the visit finds"),
        Column("search", "number", "what does not shrink: way, searching, setting up, records", HOURS),
        Column("treating", "number", "treating, refilling and mixing what is left", HOURS),
        Column("crew", "number", "both", HOURS),
        Column("cost", "number", "cost of that year, at the prices of the first"),
    ),
}

_USED: Final = (
    Column("product_id", "text", "product"),
    Column("registration", "text", "registration or authorisation number as on the label; blank where not stated"),
    Column("active", "text", "active ingredient"),
    Column("form", "text", "salt, amine, ester or acid"),
    Column("restricted_use", "text", "yes where only a certified applicator may use or supervise it"),
)

#: What is proposed, for the office that grants it: one row for each target, treatment and product in its tank.
PROPOSAL: Final[Schema] = (
    Column("line", "count", "running number"),
    Column("species", "text", "target plant"),
    Column("growth_form", "text", "herbaceous, vine, shrub or tree"),
    Column("growth_stage", "text", "stage of the target at the time of work; to be filled in"),
    Column("purpose", "text", "why the plant is treated; to be filled in"),
    *_USED,
    Column("treatment_id", "text", "treatment"),
    Column("method", "text", "method"),
    Column("equipment", "text", "equipment of the treatment"),
    Column("carrier", "text", "water or oil"),
    Column("concentration_pct", "number", "share of the product in the mix by volume"),
    Column("spray", "number", "total liquid for each treated area", RATE),
    Column("rate_ae", "number", "acid equivalent on the treated ground, the highest of the units", DOSE),
    Column("unit_count", "count", "treatment units"),
    Column("area", "number", "gross area of those units", AREA),
    Column("infested", "number", "infested area of those units", AREA),
    Column("product", "number", "product, likely value", LIQUID),
    Column("ae", "number", "acid equivalent in it", MASS),
    Column("applications", "count", "applications of this plan to the same ground"),
    Column("date_from", "text", "first day planned"),
    Column("date_to", "text", "last day planned"),
    Column("nearest_water", "number", "shortest distance of those units to mapped water", LENGTH),
    Column("setbacks", "text", "ids of the setbacks in force on any of those units"),
    Column("patches", "text", "patches that the units are pieces of"),
    Column("applicator", "text", "name of the certified applicator; to be filled in"),
    Column("licence", "text", "certification or licence number; to be filled in"),
)

#: The as-applied record: one row for each planned unit and product in its tank; the blank columns are filled in.
RECORD: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("patch_id", "text", "patch that the unit is a piece of"),
    Column("location", "text", "latitude and longitude of a point in the unit [degrees]"),
    Column("species", "text", "target plant"),
    *_USED,
    Column("method", "text", "method planned"),
    Column("planned_area", "number", "gross area of the unit", AREA),
    Column("planned_product", "number", "product planned, likely value", SMALL_LIQUID),
    Column("planned_rate_ae", "number", "acid equivalent planned on the treated ground", DOSE),
    Column("planned_from", "text", "first day planned"),
    Column("planned_to", "text", "last day planned"),
    Column("reentry", "text", "re-entry interval of the product record"),
    Column("applied", "text", "yes, part or no"),
    Column("date", "text", "day of the application, YYYY-MM-DD"),
    Column("time_from", "text", "start, HH:MM"),
    Column("time_to", "text", "end, HH:MM"),
    Column("area_treated", "number", "ground treated", AREA),
    Column("product_used", "number", "product used, before any water", SMALL_LIQUID),
    Column("mix_used", "number", "finished mix used", LIQUID),
    Column("other_product", "text", "id of the product where another than the planned one was used"),
    Column("growth_stage", "text", "stage of the target plant"),
    Column("land_use", "text", "crop, site or land use"),
    Column("equipment", "text", "equipment used"),
    Column("wind_speed", "text", "wind speed with its unit, such as 5 mph"),
    Column("wind_from", "text", "direction that the wind came from"),
    Column("temperature", "text", "air temperature with its unit, such as 68 F"),
    Column("sky", "text", "sun, cloud, rain, humidity"),
    Column("applicator", "text", "who applied or supervised, certified"),
    Column("licence", "text", "certification or licence number"),
    Column("helpers", "text", "who worked under supervision"),
    Column("for_whom", "text", "name and address of the person or office that the work was done for"),
    Column("notes", "text", "anything else"),
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
        if name not in used:  # a column of the user's that has one of our names is kept under another
            result[f"{name}_in_file" if name in result.columns else name] = flat[name]
    return type(frame)(result).reset_index(drop=True)
