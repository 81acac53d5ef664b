"""In: nothing. Out: schemas of the tables that plan the season: hours, mixes, purchases, money, calendar."""

from __future__ import annotations

from typing import Final

from tussock.base.columns.schema import HOURS, LENGTH, LIQUID, SMALL_LIQUID, Column, Schema

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

_MIX: Final[Schema] = (
    Column("treatment_id", "text", "treatment"),
    Column("product_id", "text", "product"),
    Column("equipment", "text", "what is filled"),
    Column("mix", "number", "finished mix", LIQUID),
    Column("concentration_pct", "number", "product_id in it by volume"),
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

#: One row for each run of lawful days of each planned unit; the longest is that of ``season_from`` and ``season_to``.
UNIT_WINDOWS: Final[Schema] = (
    _UNIT_ID,
    Column("first", "text", "first day of a run of days that every window leaves open"),
    Column("last", "text", "last day of that run"),
)

#: Tables that plan the work of the season, by name; a table is empty where the operations file does not ask for it.
WORK: Final[dict[str, Schema]] = {
    "unit_hours": UNIT_HOURS,
    "unit_windows": UNIT_WINDOWS,
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
        Column(
            "item",
            "text",
            "labour, product, supplies, equipment, their sum, mobilisation, contingency, total; units without a cost",
        ),
        Column("low", "number", "lower end of the range that the cover entries leave"),
        Column("likely", "number", "likely value"),
        Column("high", "number", "upper end of that range"),
        Column("unit", "text", "currency, or count"),
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
