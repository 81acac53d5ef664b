"""More ways to falsify a delivered plan: hours, ways, reach, zones, ranges, permits, the format of the folder."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from review.tampering import (
    FOOT_M,
    edit_layer,
    edit_run,
    edit_table,
    falsifies,
    first,
    row_of,
)
from tussock.review.delivered import Delivered


def raise_cell(table: pd.DataFrame, name: str, factor: float, row: int | None = None) -> None:
    """Multiply one number of a table; by default the first that is not nothing."""
    place = first(table[name].fillna(0) > 0) if row is None else row
    table.loc[table.index[place], name] *= factor


# ---- the table of hours, and the ways that it rests on


def _raise_term(name: str) -> Any:
    def falsify(delivered: Delivered) -> Delivered:
        return edit_table(delivered, "unit_hours", lambda hours: raise_cell(hours, name, 1.01))

    falsify.__name__ = f"{name}_raised"
    falsify.__doc__ = f"{name} of one unit is 1 % more than its terms."
    return falsify


for _term in (
    "walk_in_hours",
    "search_hours",
    "treating_hours",
    "refill_hours",
    "mixing_hours",
    "flagging_hours",
    "cleaning_hours",
    "records_hours",
    "travel_hours",
    "breaks_hours",
    "productive_hours",
    "crew_hours",
    "labour_cost",
):
    falsifies("hours")(_raise_term(_term))


@falsifies("hours")
def row_of_hours_deleted(delivered: Delivered) -> Delivered:
    """A planned unit has no row of hours."""
    return edit_table(delivered, "unit_hours", lambda hours: hours.iloc[1:].reset_index(drop=True))


@falsifies("hours")
def table_of_hours_removed(delivered: Delivered) -> Delivered:
    """The whole table of hours is gone."""
    tables = {name: table for name, table in delivered.tables.items() if name != "unit_hours"}
    return edit_table(Delivered(**{**vars(delivered), "tables": tables}), "season", lambda season: season)


@falsifies("efforts")
def hours_raised_in_both_tables(delivered: Delivered) -> Delivered:
    """Unit and table of hours agree on an hour more, which no term gives."""
    name = delivered.tables["unit_hours"]["unit_id"].iloc[0]

    def edit(frame: Any) -> None:
        frame.loc[frame["unit_id"] == name, "crew_hours"] += 1.0

    return edit_table(edit_layer(delivered, "units", edit), "unit_hours", edit)


@falsifies("ways")
def way_from_the_vehicle_halved(delivered: Delivered) -> Delivered:
    """The way in is half of what it is."""
    return edit_table(delivered, "unit_hours", lambda hours: raise_cell(hours, "walk_ft", 0.5))


@falsifies("ways")
def way_to_the_mixing_place_halved(delivered: Delivered) -> Delivered:
    """The way to the mixing place is half of what it is."""
    return edit_table(delivered, "unit_hours", lambda hours: raise_cell(hours, "mixing_ft", 0.5))


@falsifies("ways")
def mixing_place_renamed(delivered: Delivered) -> Delivered:
    """The mixing place is called by a name that no place has."""

    def edit(hours: pd.DataFrame) -> None:
        hours.loc[hours.index[first(hours["mixing_place"] != "")], "mixing_place"] = "behind the barn"

    return edit_table(delivered, "unit_hours", edit)


@falsifies("ways")
def flagged_edge_shortened(delivered: Delivered) -> Delivered:
    """A setback edge of a unit is a tenth shorter."""

    def edit(hours: pd.DataFrame) -> None:
        raise_cell(hours, "limited_edge_ft", 0.9, int(hours["limited_edge_ft"].argmax()))

    return edit_table(delivered, "unit_hours", edit)


@falsifies("ways")
def parking_moved(delivered: Delivered) -> Delivered:
    """Every place to stop stands 50 ft further east."""

    def edit(access: gpd.GeoDataFrame) -> Any:
        return access.set_geometry(access.geometry.translate(50 * FOOT_M, 0))

    return edit_layer(delivered, "access", edit)


# ---- reach


@falsifies("reach")
def out_of_reach_made_allowed(delivered: Delivered) -> Delivered:
    """A candidate that is out of reach is allowed."""
    place = first(delivered.tables["options"]["reached"] == "out of reach")

    def edit(options: pd.DataFrame) -> None:
        options.loc[place, ["verdict", "reason", "reached"]] = ["allowed", "", "on foot"]

    return edit_table(delivered, "options", edit)


@falsifies("reach")
def refused_as_out_of_reach(delivered: Delivered) -> Delivered:
    """A candidate on the bank is refused as out of reach."""
    place = first(
        (delivered.tables["options"]["treatment_id"] == "emergent-stream")
        & delivered.tables["options"]["verdict"].isin(["chosen", "allowed"])
    )

    def edit(options: pd.DataFrame) -> None:
        out = ["refused", "out of reach: 60 ft and more from the bank", "out of reach"]
        options.loc[place, ["verdict", "reason", "reached"]] = out

    return edit_table(delivered, "options", edit)


@falsifies("reach")
def launch_taken_away(delivered: Delivered) -> Delivered:
    """The launch that opens the lake is a trailhead."""
    access = delivered.layers["access"]
    place = first(access["kind"] == "boat launch")

    def edit(rows: gpd.GeoDataFrame) -> Any:
        return rows.assign(kind=rows["kind"].mask(rows.index == rows.index[place], "trailhead"))

    return edit_layer(delivered, "access", edit)


@falsifies("reach")
def boardwalk_taken_away(delivered: Delivered) -> Delivered:
    """The standing places that a stream is thrown from are 200 ft further off."""

    def edit(access: gpd.GeoDataFrame) -> Any:
        firm = ~access["kind"].isin(["road", "parking", "gate", "trailhead"])
        moved = access.geometry.where(~firm, access.geometry.translate(200 * FOOT_M, 0))
        return access.set_geometry(moved)

    return edit_layer(delivered, "access", edit)


# ---- water and wet bark


@falsifies("water")
def dry_label_allowed_in_water(delivered: Delivered) -> Delivered:
    """A product without an aquatic label is allowed on a unit in water."""
    options = delivered.tables["options"]
    place = first(options["reason"].str.contains("reaches into water", regex=False))

    def edit(table: pd.DataFrame) -> None:
        table.loc[place, ["verdict", "reason"]] = ["allowed", ""]

    return edit_table(delivered, "options", edit)


@falsifies("water")
def refused_for_water_on_dry_ground(delivered: Delivered) -> Delivered:
    """A candidate far from water is refused for it."""
    far = delivered.layers["units"].set_index("unit_id")["nearest_water_ft"]
    options = delivered.tables["options"]
    place = first((options["unit_id"].map(far) > 50) & (options["verdict"] == "allowed"))

    def edit(table: pd.DataFrame) -> None:
        table.loc[place, ["verdict", "reason"]] = ["refused", "no aquatic label, and the unit reaches into water"]

    return edit_table(delivered, "options", edit)


@falsifies("water")
def refused_for_wet_bark_that_nobody_mapped(delivered: Delivered) -> Delivered:
    """A candidate is refused for wet bark, and no bark is mapped as wet."""
    place = first(delivered.tables["options"]["verdict"] == "allowed")

    def edit(table: pd.DataFrame) -> None:
        table.loc[place, ["verdict", "reason"]] = ["refused", "basal bark needs dry bark: the bark is mapped as wet"]

    return edit_table(delivered, "options", edit)


# ---- zones on the map


def _redraw(change: Any, name: str = "water-100-aquatic") -> Any:
    def edit(zones: gpd.GeoDataFrame) -> Any:
        own = zones["setback_id"] == name
        return zones.set_geometry(zones.geometry.where(~own, change(zones.geometry)))

    return edit


@falsifies("zones")
def zone_drawn_one_foot_too_narrow(delivered: Delivered) -> Delivered:
    """The outline of a zone stands a foot nearer to the water."""
    return edit_layer(delivered, "setback_zones", _redraw(lambda shapes: shapes.buffer(-FOOT_M)))


@falsifies("zones")
def zone_drawn_two_feet_too_wide(delivered: Delivered) -> Delivered:
    """The outline of a zone stands two feet further off."""
    return edit_layer(delivered, "setback_zones", _redraw(lambda shapes: shapes.buffer(2 * FOOT_M)))


@falsifies("zones")
def zone_of_a_pond_left_out(delivered: Delivered) -> Delivered:
    """The zone misses its largest lobe."""

    def drop(shapes: gpd.GeoSeries) -> gpd.GeoSeries:
        parts = [shapely.get_parts(shape) for shape in shapes]
        kept = [shapely.MultiPolygon(list(part[np.argsort(shapely.area(part))][:-1])) for part in parts]
        return gpd.GeoSeries(kept, index=shapes.index, crs=shapes.crs)

    return edit_layer(delivered, "setback_zones", _redraw(drop))


@falsifies("zones")
def zone_moved(delivered: Delivered) -> Delivered:
    """A zone is moved by three feet."""
    return edit_layer(delivered, "setback_zones", _redraw(lambda shapes: shapes.translate(3 * FOOT_M, 0)))


@falsifies("zones")
def zones_of_two_rules_swapped(delivered: Delivered) -> Delivered:
    """Two rules have each other's outline."""

    def edit(zones: gpd.GeoDataFrame) -> None:
        rows = [first(zones["setback_id"] == name) for name in ("water-100-aquatic", "lake-creek-25-no-spray")]
        shapes = [zones.geometry.iloc[row] for row in rows]
        zones.loc[zones.index[rows], "geometry"] = shapes[::-1]

    return edit_layer(delivered, "setback_zones", edit)


@falsifies("zones")
def whole_site_made_smaller(delivered: Delivered) -> Delivered:
    """A rule for the whole site is drawn over half of it."""
    names = delivered.layers["setback_zones"]
    whole = names.loc[names["distance_ft"].isna() & names["ruleset"].notna(), "setback_id"]
    name = next(item for item in whole if "site" in item)

    def halve(shapes: gpd.GeoSeries) -> gpd.GeoSeries:
        halves = []
        for shape in shapes:
            west, south, east, north = shape.bounds
            halves.append(shapely.clip_by_rect(shape, west, south, (west + east) / 2, north))
        return gpd.GeoSeries(halves, index=shapes.index, crs=shapes.crs)

    return edit_layer(delivered, "setback_zones", _redraw(halve, name))


# ---- low and high


def _widen(item: str, end: str) -> Any:
    def falsify(delivered: Delivered) -> Delivered:
        def edit(season: pd.DataFrame) -> None:
            row = season["item"] == item
            season.loc[row, end] += (0.2 if end == "high" else -0.2) * season.loc[row, "likely"]

        return edit_table(delivered, "season", edit)

    falsify.__name__ = f"{end}_of_{item.replace(' ', '_')}_moved"
    falsify.__doc__ = f"The {end} end of {item} is a fifth further off."
    return falsify


for _item, _end in (("spray volume", "high"), ("cost", "low"), ("crew time", "high"), ("acid equivalent", "low")):
    falsifies("ranges")(_widen(_item, _end))


@falsifies("ranges")
def range_given_to_a_count(delivered: Delivered) -> Delivered:
    """The number of patches is said to have a range."""

    def edit(season: pd.DataFrame) -> None:
        season.loc[season["item"] == "patches", "high"] += 5

    return edit_table(delivered, "season", edit)


@falsifies("ranges")
def low_cost_of_a_patch_lowered(delivered: Delivered) -> Delivered:
    """A patch may cost less than its lowest cover leaves."""
    return edit_layer(delivered, "patches", lambda patches: raise_cell(patches, "cost_low", 0.9))


# ---- permits and notices


def _count(name: str, factor: float) -> Any:
    def falsify(delivered: Delivered) -> Delivered:
        return edit_table(delivered, "permits", lambda permits: raise_cell(permits, name, factor))

    falsify.__name__ = f"{name}_of_a_permit_changed"
    falsify.__doc__ = f"{name} of a permit is not what the map gives."
    return falsify


for _name, _factor in (("treated_water_acre", 0.98), ("shoreline_ft", 0.98), ("unit_count", 2), ("earlier_count", 2)):
    falsifies("permits")(_count(_name, _factor))


@falsifies("permits")
def permit_struck_off(delivered: Delivered) -> Delivered:
    """A permit that the work asks for is not listed."""
    return edit_table(delivered, "permits", lambda permits: permits.iloc[1:].reset_index(drop=True))


@falsifies("permits")
def permit_of_no_rule(delivered: Delivered) -> Delivered:
    """A permit is listed that no rule asks for."""

    def edit(permits: pd.DataFrame) -> pd.DataFrame:
        return pd.concat([permits, permits.iloc[:1].assign(setback_id="made-up")], ignore_index=True)

    return edit_table(delivered, "permits", edit)


@falsifies("permits")
def repeats_counted_by_another_rule(delivered: Delivered) -> Delivered:
    """The rule set counts repeats, the counters do not."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "in-water-permit")["counts"]["repeats"] = True

    return edit_run(delivered, edit)


# ---- crew sheets


@falsifies("sheets")
def product_changed_behind_the_sheets(delivered: Delivered) -> Delivered:
    """A unit's product is another one than its crew sheet says."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["treatment_id"] == "emergent-stream")]
        units.loc[place, "product_id"] = "imazapyr-salt-aquatic"

    return edit_layer(delivered, "units", edit)


@falsifies("sheets")
def share_changed_behind_the_sheets(delivered: Delivered) -> Delivered:
    """A unit's share of the mix is 1 % more than its crew sheet says."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "concentration_pct"] *= 1.01

    return edit_layer(delivered, "units", edit)


@falsifies("sheets")
def unit_named_otherwise_behind_the_sheets(delivered: Delivered) -> Delivered:
    """A planned unit has an id that no crew sheet has."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "unit_id"] = "A01-99"

    return edit_layer(delivered, "units", edit)


# ---- what is said twice: layers, overlaps, words, reasons, nearest points


def _change(layer: str, column: str, change: Any, check: str) -> None:
    def falsify(delivered: Delivered) -> Delivered:
        def edit(frame: gpd.GeoDataFrame) -> None:
            frame[column] = change(frame[column])

        return edit_layer(delivered, layer, edit)

    falsify.__name__ = f"{layer}_{column}_changed"
    falsify.__doc__ = f"{column} of the layer {layer} is another one."
    falsifies(check)(falsify)


_change("water", "width_ft", lambda widths: widths / 2, "repeats")
_change("water", "name", lambda names: names.replace("Mink Pond", "Mirror Pool"), "repeats")
_change("history", "ae_lb_per_acre", lambda doses: doses / 2, "repeats")
_change("history", "date", lambda dates: dates.astype(str).str.replace("2027", "2026"), "limits")
_change("overlaps", "area_m2", lambda areas: areas / 2, "repeats")
_change("overlaps", "same_species", lambda flags: 1 - flags, "repeats")
_change("setback_zones", "forbids", lambda texts: texts.where(texts == "", "every ester"), "repeats")


@falsifies("repeats")
def overlap_struck_off(delivered: Delivered) -> Delivered:
    """Two patches on one ground are no longer told."""
    return edit_layer(delivered, "overlaps", lambda frame: frame.iloc[1:].reset_index(drop=True))


@falsifies("repeats")
def currency_changed(delivered: Delivered) -> Delivered:
    """The season costs as many of another currency."""

    def edit(season: pd.DataFrame) -> None:
        season.loc[season["item"] == "cost", "unit"] = "EUR"

    return edit_table(delivered, "season", edit)


@falsifies("repeats")
def hours_given_to_another_patch(delivered: Delivered) -> Delivered:
    """A row of hours names another patch than its unit."""

    def edit(hours: pd.DataFrame) -> None:
        hours.loc[hours.index[0], "patch_id"] = "C03"

    return edit_table(delivered, "unit_hours", edit)


def _replace_reason(old: str, new: str) -> Any:
    def edit(options: pd.DataFrame) -> None:
        row = options.index[first(options["reason"].str.contains(old))]
        options.loc[row, "reason"] = options["reason"].str.replace(old, new, regex=True)[row]

    return edit


@falsifies("reasons")
def distance_in_a_reason_raised(delivered: Delivered) -> Delivered:
    """A refusal names a distance with one more digit."""
    return edit_table(delivered, "options", _replace_reason("(?<=water-100-aquatic: )(?=[1-9])", "9"))


@falsifies("reasons")
def required_distance_in_a_reason_raised(delivered: Delivered) -> Delivered:
    """A refusal names another distance than its rule asks for."""
    return edit_table(delivered, "options", _replace_reason(r"\(100\.0 ft required\)", "(150.0 ft required)"))


@falsifies("reasons")
def limit_in_a_reason_lowered(delivered: Delivered) -> Delivered:
    """A refusal names a yearly limit that no label has."""
    return edit_table(delivered, "options", _replace_reason("of 8 lb ae/acre", "of 7 lb ae/acre"))


@falsifies("reasons")
def reason_of_a_unit_softened(delivered: Delivered) -> Delivered:
    """A unit without a treatment is said to need none."""

    def edit(units: gpd.GeoDataFrame) -> None:
        bare = (units["status"] == "no_option") & (units["area_counted_with"].fillna("") == "")
        units.loc[bare, "reason"] = "no treatment needed here"

    return edit_layer(delivered, "units", edit)


@falsifies("compliance")
def nearest_point_moved(delivered: Delivered) -> Delivered:
    """The point that a distance runs to is some 8 m off."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[first(frame["achieved_ft"] > 5)], "to_lon"] += 1e-4

    return edit_table(delivered, "compliance", edit)


@falsifies("compliance")
def both_points_moved(delivered: Delivered) -> Delivered:
    """Both ends of a distance lie some 11 m further north."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[1], ["from_lat", "to_lat"]] += 1e-4

    return edit_table(delivered, "compliance", edit)


@falsifies("approval")
def patches_marked_as_approved(delivered: Delivered) -> Delivered:
    """Patches call themselves approved, and no approval was ever compared."""

    def edit(patches: gpd.GeoDataFrame) -> None:
        patches["approval"] = "as approved"

    return edit_layer(delivered, "patches", edit)
