"""In: nothing. Out: schemas of the forms: what is proposed to an office, and the as-applied record of the crew."""

from __future__ import annotations

from typing import Final

from tussock.base.columns.schema import AREA, DOSE, LENGTH, LIQUID, MASS, RATE, SMALL_LIQUID, Column, Schema

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
    Column(
        "planned_treated",
        "number",
        "ground to be treated, likely value: wetted ground (gross area x cover); for stem work, where the stems stand",
        AREA,
    ),
    Column("planned_product", "number", "product planned, likely value", SMALL_LIQUID),
    Column("planned_rate_ae", "number", "acid equivalent planned on the treated ground", DOSE),
    Column("planned_from", "text", "first day planned"),
    Column("planned_to", "text", "last day planned"),
    Column("reentry", "text", "re-entry interval of the product record"),
    Column("applied", "text", "yes, part or no"),
    Column("date", "text", "day of the application, YYYY-MM-DD"),
    Column("time_from", "text", "start, HH:MM"),
    Column("time_to", "text", "end, HH:MM"),
    Column(
        "area_treated",
        "number",
        "ground treated, counted as planned_treated is: only what was wetted, not the ground between the plants",
        AREA,
    ),
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
