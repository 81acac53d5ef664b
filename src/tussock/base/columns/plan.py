"""In: nothing. Out: schemas of the tables of plan.gpkg: patches, units, candidates, distances, products, permits."""

from __future__ import annotations

from typing import Final

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
    Schema,
)
from tussock.base.columns.work import UNIT_HOURS, UNIT_WINDOWS

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
    Column("set_aside", "text", "why the outline could not be cut, and nothing is planned there; blank where it was"),
    Column("approval", "text", "as approved, changed or new since approval; blank where no approval was given"),
    Column("approval_change", "text", "what differs from what was approved"),
    Column("found_empty", "text", "what says that no plant was found: a look is planned there and no treatment"),
    Column("cover_source", "text", "mapped, or default where the site's default was taken; blank where unknown"),
)

#: Columns of patches that the stages work with and no output shows: there they stand under another name.
PATCH_WORK: Final = (
    "stems_per_ha",
    "stem_diameter_m",
    "cover_note",
    "labour_cost",
    "product_cost",
    "equipment_cost",
)

UNITS: Final[Schema] = (
    Column("unit_id", "text", "identifier of the treatment unit: patch and a running number"),
    Column("patch_id", "text", "patch that the unit is a piece of"),
    Column("area", "number", "true ground area of the unit", AREA),
    Column("infested", "number", "area x cover of the patch, likely value", AREA),
    Column(
        "setbacks",
        "text",
        "ids of the setbacks in force on the unit, sorted, joined by ; for reading: see unit_setbacks",
    ),
    Column("nearest_water", "number", "distance to the nearest mapped water's edge", LENGTH),
    Column("treatment_id", "text", "treatment chosen; blank where none is allowed"),
    Column("method", "text", "method of the treatment chosen, or look where the patch was found empty"),
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
    Column("reached", "text", "on foot or by boat; out of reach where only that is in the way of a treatment"),
)

OPTIONS: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("treatment_id", "text", "candidate treatment"),
    Column("verdict", "text", "chosen, allowed or refused"),
    Column("reason", "text", "why, with the rule, limit or label line and the measured figure"),
    Column("reached", "text", "on foot, by boat or out of reach; blank where the treatment is for another plant"),
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

#: One row for each kind of water and receptor and each rule that runs from it; a kind without any has one row.
KINDS: Final[Schema] = (
    Column("layer", "text", "water or receptors"),
    Column("kind_given", "text", "kind as the mapper gave it; blank where none is mapped"),
    Column("kind", "text", "kind that it is taken as by the rule files"),
    Column("feature_count", "count", "features of that kind"),
    Column("unnamed_count", "count", "those that no rule names and no rule file waives: no herbicide near them"),
    Column("state", "text", "a rule, no rule wanted, or no rule"),
    Column("setback_id", "text", "rule that runs from them; blank where there is none"),
    Column("ruleset", "text", "title of the rule set that the rule stands in"),
    Column("effect", "text", "forbids, permit, notify or no_mixing"),
    Column("named_by", "text", "its kind, where the rule names it; every kind, where it names none"),
    Column("named_count", "count", "features of that kind that the rule runs from, whatever their state"),
)

#: One row for each unit and kind without a rule near it.
UNRULED: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("patch_id", "text", "patch that the unit is a piece of"),
    Column("layer", "text", "water or receptors"),
    Column("kind", "text", "kind that no loaded rule names; blank where none is mapped"),
    Column("feature", "text", "nearest feature of that kind"),
    Column("achieved", "number", "shortest distance from the unit to the feature, geodesic", LENGTH),
    Column("looks_out", "number", "how far the rules of the layer look out", LENGTH),
    Column("error", "number", "positional error of both, added", LENGTH),
)

SETBACK_ZONES: Final[Schema] = (
    Column("setback_id", "text", "rule"),
    Column("ruleset", "text", "title of the rule set"),
    Column("distance", "number", "distance that the rule asks for; blank where it comes from the feature", LENGTH),
    Column("effect", "text", "forbids, permit, notify or no_mixing"),
    Column("forbids", "text", "combinations that the rule forbids, in words"),
    Column("season", "text", "days on which the rule is in force; blank for the whole year"),
    Column("source", "text", "document, year, table"),
    Column("not_drawn", "text", "features around which the zone could not be drawn: it decides nothing; else blank"),
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

#: One row for each setback in force on a unit, and for each whose distance wants a check in the field.
UNIT_SETBACKS: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("setback_id", "text", "rule that is in force on it"),
)
UNIT_CHECKS: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("setback_id", "text", "rule whose distance lies within the mapping error, or rests on a default"),
)

#: One row for each earlier application on the ground of a unit.
UNIT_HISTORY: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("record", "text", "label of the earlier application in the layer of history"),
)

#: One row for two units of two patches on one ground.
UNIT_SHARED: Final[Schema] = (
    Column("unit_a", "text", "treatment unit"),
    Column("unit_b", "text", "unit of another patch on the same ground"),
    Column("area", "number", "ground that they have in common", AREA),
)

#: One row for each product in the tank of a unit.
UNIT_PRODUCTS: Final[Schema] = (
    Column("unit_id", "text", "treatment unit"),
    Column("product_id", "text", "product in the tank"),
    Column("role", "text", "product: that of the treatment; partner: another in the same tank"),
    Column("share_pct", "number", "share of the mix by volume, as planned on this unit"),
    Column("product", "number", "volume of it", SMALL_LIQUID),
    Column("ae", "number", "acid equivalent in it", MASS),
    Column("ae", "number", "its dose on the treated ground", DOSE),
)

#: Tables that say what belongs to a unit, one row each, in place of text that was joined.
RELATIONS: Final[dict[str, Schema]] = {
    "unit_setbacks": UNIT_SETBACKS,
    "unit_checks": UNIT_CHECKS,
    "unit_history": UNIT_HISTORY,
    "unit_shared": UNIT_SHARED,
    "unit_products": UNIT_PRODUCTS,
}

#: Tables of plan.gpkg whose columns the contract fixes, by the name that they have there.
SCHEMAS: Final[dict[str, Schema]] = {
    "patches": PATCHES,
    "units": UNITS,
    "setback_zones": SETBACK_ZONES,
    "options": OPTIONS,
    "compliance": COMPLIANCE,
    "product_budget": PRODUCT_BUDGET,
    "unit_hours": UNIT_HOURS,
    "unit_windows": UNIT_WINDOWS,
    "stems": STEMS,
    "permits": PERMITS,
    "kinds": KINDS,
    "unruled": UNRULED,
    **RELATIONS,
}
