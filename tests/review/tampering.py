"""Ways to falsify a delivered plan. Each is a small function that returns an edited copy of what was loaded.

What a forger changes he changes in every file that repeats it: `edit_units` and its like leave the CSV files and the
workbook out of the review, so that no finding rests on a copy that was forgotten.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from tussock.review.delivered import Delivered

FOOT_M = 0.3048

Falsify = Callable[[Delivered], Delivered]
#: Name of each mutation, the check that must find it, and the function.
MUTATIONS: dict[str, tuple[str, Falsify]] = {}


def falsifies(check: str) -> Callable[[Falsify], Falsify]:
    """Register a mutation with the check that has to find it."""

    def register(function: Falsify) -> Falsify:
        MUTATIONS[function.__name__] = check, function
        return function

    return register


# ---- tools of the forger


def forget_copies(delivered: Delivered) -> Delivered:
    """Leave out the files that repeat the GeoPackage, as if they had been changed along with it."""
    kept = {name: frame for name, frame in delivered.csv.items() if name == "product_budget.csv"}
    return replace(delivered, csv=kept, sheets=None, texts={})


def edit_layer(delivered: Delivered, name: str, edit: Callable[[gpd.GeoDataFrame], Any]) -> Delivered:
    """Edit a copy of one layer; the edit may return another frame."""
    frame = delivered.layers[name].copy()
    edited = edit(frame)
    layers = {**delivered.layers, name: frame if edited is None else edited}
    return forget_copies(replace(delivered, layers=layers))


def edit_table(delivered: Delivered, name: str, edit: Callable[[pd.DataFrame], Any]) -> Delivered:
    """Edit a copy of one table without geometry."""
    frame = delivered.tables[name].copy()
    edited = edit(frame)
    tables = {**delivered.tables, name: frame if edited is None else edited}
    return forget_copies(replace(delivered, tables=tables))


def edit_run(delivered: Delivered, edit: Callable[[dict[str, Any]], None]) -> Delivered:
    """Edit a copy of run.json."""
    run = copy.deepcopy(dict(delivered.run))
    edit(run)
    return replace(delivered, run=run)


def content_of(run: dict[str, Any], role: str) -> dict[str, Any]:
    """The content of the document of a role."""
    return next(item["content"] for item in run["documents"] if item["role"] == role)


def row_of(run: dict[str, Any], role: str, key: str, identifier: str) -> dict[str, Any]:
    """One row of a document, such as a setback, a product or a treatment."""
    return next(item for item in content_of(run, role)[key] if item["id"] == identifier)


def first(mask: Any) -> int:
    """Place of the first row of a mask; there must be one."""
    places = np.flatnonzero(np.asarray(mask, dtype=bool))
    assert len(places), "the sample has no such row"
    return int(places[0])


def sprayed(units: Any) -> Any:
    """Units with a herbicide."""
    return (units["product_id"] != "") & units["product_id"].notna() & (units["spray_gal"] > 0)


def raise_column(units: Any, name: str, factor: float, row: int | None = None) -> None:
    """Multiply one number of a table."""
    place = first(sprayed(units) & (units[name] > 0)) if row is None else row
    units.loc[units.index[place], name] *= factor


# ---- outlines and CRS


def find_neighbours(units: gpd.GeoDataFrame, setback: str) -> tuple[int, int]:
    """A unit without a setback, and a unit of the same patch with it, that share an edge at its distance."""
    outline = np.asarray(units.geometry.array, dtype=object)
    lists = units["setbacks"].fillna("").str.split(";")
    has = np.array([setback in ids for ids in lists])
    for place in np.flatnonzero(~has):
        same = (units["patch_id"] == units["patch_id"].iloc[place]).to_numpy() & has
        for other in np.flatnonzero(same):
            if shapely.length(shapely.intersection(outline[place], outline[other])) > 3:
                return int(place), int(other)
    raise AssertionError(f"no neighbours at {setback}")


@falsifies("setbacks")
def edge_moved_one_foot_over_a_setback(delivered: Delivered) -> Delivered:
    """A unit without a setback grows by one foot into its stricter neighbour, which gives way: the patch is still tiled."""

    def edit(units: gpd.GeoDataFrame) -> None:
        free, strict = find_neighbours(units, "water-100-aquatic")
        outline = np.asarray(units.geometry.array, dtype=object)
        strip = shapely.intersection(outline[strict], shapely.buffer(outline[free], FOOT_M))
        grown, left = shapely.union(outline[free], strip), shapely.difference(outline[strict], strip)
        units.loc[units.index[[free, strict]], "geometry"] = [grown, left]

    return edit_layer(delivered, "units", edit)


@falsifies("tiling")
def unit_dropped(delivered: Delivered) -> Delivered:
    """One unit is deleted."""
    return edit_layer(delivered, "units", lambda units: units.drop(units.index[5]).reset_index(drop=True))


@falsifies("tiling")
def unit_dropped_from_every_table(delivered: Delivered) -> Delivered:
    """One unit is deleted with all that is said of it."""
    name = delivered.layers["units"]["unit_id"].iloc[5]
    gone = edit_layer(delivered, "units", lambda units: units[units["unit_id"] != name].reset_index(drop=True))
    for table in ("options", "compliance"):
        gone = edit_table(gone, table, lambda frame: frame[frame["unit_id"] != name].reset_index(drop=True))
    return gone


@falsifies("tiling")
def unit_grown_into_its_neighbour(delivered: Delivered) -> Delivered:
    """A unit overlaps its neighbour by a hand's breadth."""

    def edit(units: gpd.GeoDataFrame) -> None:
        patch = units["patch_id"].value_counts().idxmax()
        place = first(units["patch_id"] == patch)
        units.loc[units.index[place], "geometry"] = units.geometry.iloc[place].buffer(0.1)

    return edit_layer(delivered, "units", edit)


@falsifies("tiling")
def unit_outline_crossed(delivered: Delivered) -> Delivered:
    """A bow-tie in the outline of a unit."""

    def edit(units: gpd.GeoDataFrame) -> None:
        west, south, east, north = units.geometry.iloc[0].bounds
        crossed = shapely.Polygon([(west, south), (east, north), (east, south), (west, north)])
        units.loc[units.index[0], "geometry"] = crossed

    return edit_layer(delivered, "units", edit)


@falsifies("tiling")
def unit_without_outline(delivered: Delivered) -> Delivered:
    """A unit loses its outline."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[3], "geometry"] = None

    return edit_layer(delivered, "units", edit)


@falsifies("tiling")
def unit_given_to_another_patch(delivered: Delivered) -> Delivered:
    """A unit names another patch."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[0], "patch_id"] = units["patch_id"].iloc[-1]

    return edit_layer(delivered, "units", edit)


@falsifies("areas")
def two_unit_outlines_swapped(delivered: Delivered) -> Delivered:
    """Two units of one patch trade their outlines: the patch is still tiled."""

    def edit(units: gpd.GeoDataFrame) -> None:
        one, two = find_neighbours(units, "water-100-aquatic")
        shapes = units.geometry.iloc[[two, one]].to_list()
        units.loc[units.index[[one, two]], "geometry"] = shapes

    return edit_layer(delivered, "units", edit)


@falsifies("areas")
def patch_shrunk_with_its_unit(delivered: Delivered) -> Delivered:
    """The outline of an uncut patch and of its unit shrinks by a foot: both still agree with each other."""
    units = delivered.layers["units"]
    name = units["patch_id"].value_counts().loc[lambda count: count == 1].index[0]

    def edit(frame: gpd.GeoDataFrame) -> None:
        place = frame.index[first(frame["patch_id"] == name)]
        frame.loc[place, "geometry"] = frame.geometry.loc[place].buffer(-FOOT_M)

    return edit_layer(edit_layer(delivered, "units", edit), "patches", edit)


@falsifies("areas")
def area_column_raised(delivered: Delivered) -> Delivered:
    """A patch claims one percent more ground."""
    return edit_layer(delivered, "patches", lambda frame: raise_column(frame, "area_acre", 1.01, 0))


@falsifies("areas")
def cover_lowered(delivered: Delivered) -> Delivered:
    """A patch claims less cover than its infested area has."""
    return edit_layer(delivered, "patches", lambda frame: raise_column(frame, "cover_pct", 0.9, 0))


@falsifies("areas")
def infested_area_lowered(delivered: Delivered) -> Delivered:
    """A unit claims a tenth less infested ground."""
    return edit_layer(delivered, "units", lambda units: raise_column(units, "infested_acre", 0.9))


@falsifies("crs")
def everything_moved_a_hundred_metres(delivered: Delivered) -> Delivered:
    """All layers are moved alike: every distance and area stays."""
    for name in delivered.layers:
        delivered = edit_layer(delivered, name, lambda frame: frame.set_geometry(frame.geometry.translate(100.0, 0.0)))
    return delivered


@falsifies("crs")
def crs_swapped_for_the_next_zone(delivered: Delivered) -> Delivered:
    """The CRS of every layer is relabelled: the plan lies 470 km east."""
    for name in delivered.layers:
        delivered = edit_layer(delivered, name, lambda frame: frame.set_crs(26916, allow_override=True))
    return delivered


@falsifies("crs")
def crs_removed(delivered: Delivered) -> Delivered:
    """One layer has no CRS."""
    return edit_layer(delivered, "water", lambda frame: frame.set_crs(None, allow_override=True))


@falsifies("crs")
def one_layer_in_another_crs(delivered: Delivered) -> Delivered:
    """The units are kept in degrees, the patches are not."""
    return edit_layer(delivered, "units", lambda frame: frame.to_crs(4326))


@falsifies("columns")
def unit_row_doubled(delivered: Delivered) -> Delivered:
    """One unit stands twice."""
    return edit_layer(delivered, "units", lambda units: pd.concat([units, units.iloc[[4]]], ignore_index=True))


@falsifies("overlaps")
def patch_doubled_under_a_new_name(delivered: Delivered) -> Delivered:
    """A patch and its units are added again under other ids."""
    name = delivered.layers["units"].loc[sprayed(delivered.layers["units"]), "patch_id"].iloc[0]

    def double(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        twin = frame[frame["patch_id"] == name].copy()
        twin["patch_id"] = "Z99"
        if "unit_id" in twin:
            twin["unit_id"] = twin["unit_id"].str.replace(name, "Z99")
        return pd.concat([frame, twin], ignore_index=True)

    return edit_layer(edit_layer(delivered, "units", double), "patches", double)


@falsifies("overlaps")
def shared_ground_counted_twice(delivered: Delivered) -> Delivered:
    """Ground that is counted with another patch is planned as well."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = first(units["area_counted_with"].fillna("") != "")
        units.loc[units.index[place], ["area_counted_with", "status", "treatment_id"]] = [
            "",
            "planned",
            "knapweed-clopyralid",
        ]

    return edit_layer(delivered, "units", edit)


@falsifies("overlaps")
def ground_counted_with_a_patch_far_away(delivered: Delivered) -> Delivered:
    """A unit hides behind a patch that it shares no ground with."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = first(sprayed(units))
        units.loc[units.index[place], "area_counted_with"] = units["patch_id"].iloc[-1]

    return edit_layer(delivered, "units", edit)


# ---- water and receptors


def edit_feature(delivered: Delivered, layer: str, name: str, column: str, value: Any) -> Delivered:
    """Change one column of one feature."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame.loc[frame["name"] == name, column] = value

    assert (delivered.layers[layer]["name"] == name).any(), name
    return edit_layer(delivered, layer, edit)


@falsifies("setbacks")
def pond_relabelled_dry(delivered: Delivered) -> Delivered:
    """A wet pond is called dry: the setbacks of wet water no longer hold there."""
    return edit_feature(delivered, "water", "Mink Pond", "state", "dry")


@falsifies("setbacks")
def creek_relabelled_a_ditch(delivered: Delivered) -> Delivered:
    """A creek becomes a ditch."""
    return edit_feature(delivered, "water", "Sedge Wren Creek, reach 2", "kind", "ditch")


@falsifies("distances")
def pond_moved_away(delivered: Delivered) -> Delivered:
    """A pond is drawn 30 m further off."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        row = frame["name"] == "Mink Pond"
        frame.loc[row, "geometry"] = frame.loc[row].geometry.translate(30.0, 0.0)

    return edit_layer(delivered, "water", edit)


@falsifies("distances")
def creek_narrowed(delivered: Delivered) -> Delivered:
    """A creek is given half its width."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame.loc[frame["name"] == "Sedge Wren Creek, reach 2", "width_m"] *= 0.5

    return edit_layer(delivered, "water", edit)


@falsifies("compliance")
def well_deleted(delivered: Delivered) -> Delivered:
    """A well is taken off the map."""
    return edit_layer(
        delivered, "receptors", lambda frame: frame[frame["name"] != "Halfway House well"].reset_index(drop=True)
    )


@falsifies("setbacks")
def rare_plants_deleted(delivered: Delivered) -> Delivered:
    """Every rare plant is taken off the map."""
    return edit_layer(delivered, "receptors", lambda frame: frame[frame["kind"] != "rare plant"].reset_index(drop=True))


@falsifies("setbacks")
def kept_trees_lowered(delivered: Delivered) -> Delivered:
    """The trees to be kept are said to be a third as tall, and with them goes their setback."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame["height_ft"] = frame["height_ft"] / 3

    return edit_layer(delivered, "receptors", edit)


# ---- rules, products and treatments in run.json


@falsifies("rules")
def rule_distance_halved(delivered: Delivered) -> Delivered:
    """100 ft become 50 ft."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "water-100-aquatic")["distance"] = "50 ft"

    return edit_run(delivered, edit)


@falsifies("compliance")
def rule_distance_halved_on_the_map_too(delivered: Delivered) -> Delivered:
    """The layer of zones agrees with the changed rule."""

    def edit(zones: gpd.GeoDataFrame) -> None:
        zones.loc[zones["setback_id"] == "water-100-aquatic", "distance_ft"] = 50.0

    return edit_layer(rule_distance_halved(delivered), "setback_zones", edit)


@falsifies("rules")
def rule_season_shortened(delivered: Delivered) -> Delivered:
    """A closure of a season ends a month earlier."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "apiary-300-bloom")["season"] = ["05-15", "07-15"]

    return edit_run(delivered, edit)


@falsifies("choices")
def rule_forbids_less(delivered: Delivered) -> Delivered:
    """A rule that forbade every herbicide now forbids esters only."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "rare-plant-50-none")["forbids"] = {"form": "ester"}

    return edit_run(delivered, edit)


@falsifies("forbidden")
def rule_forbids_more(delivered: Delivered) -> Delivered:
    """A rule now forbids what is planned."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "water-100-aquatic")["forbids"] = {}

    return edit_run(delivered, edit)


@falsifies("setbacks")
def rule_deleted(delivered: Delivered) -> Delivered:
    """A rule is taken out of the documents."""

    def edit(run: dict[str, Any]) -> None:
        rules = content_of(run, "rules")
        rules["setback"] = [item for item in rules["setback"] if item["id"] != "well-50-no-spray"]

    return edit_run(delivered, edit)


@falsifies("run")
def draft_called_checked(delivered: Delivered) -> Delivered:
    """The status of the rule set is changed in its document alone."""

    def edit(run: dict[str, Any]) -> None:
        content_of(run, "rules")["ruleset"]["status"] = "draft"

    return edit_run(delivered, edit)


@falsifies("listed")
def rule_set_that_lists_what_it_permits(delivered: Delivered) -> Delivered:
    """The set now lists what it permits, and lists one thing."""

    def edit(run: dict[str, Any]) -> None:
        rules = content_of(run, "rules")
        rules["ruleset"]["listed_only"] = True
        rules["listed"] = [{"active": "glyphosate", "form": "salt"}]

    return edit_run(delivered, edit)


@falsifies("run")
def accuracy_improved(delivered: Delivered) -> Delivered:
    """The patches are said to be mapped to the decimetre."""

    def edit(run: dict[str, Any]) -> None:
        content_of(run, "site")["layers"]["infestations"]["accuracy"] = "0.1 m"

    return edit_run(delivered, edit)


@falsifies("compliance")
def accuracy_improved_wherever_it_stands(delivered: Delivered) -> Delivered:
    """Run file and site document agree on the changed accuracy."""

    def edit(run: dict[str, Any]) -> None:
        content_of(run, "site")["layers"]["infestations"]["accuracy"] = "0.1 m"
        for layer in run["layers"]:
            if layer["name"] == "infestations":
                layer["accuracy_m"] = 0.1

    return edit_run(delivered, edit)


@falsifies("choices")
def product_given_an_aquatic_label(delivered: Delivered) -> Delivered:
    """A product without an aquatic label gets one: what was refused for want of it no longer is."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "products", "product", "glyphosate-salt-upland")["aquatic_label"] = True

    return edit_run(delivered, edit)


@falsifies("forbidden")
def product_stripped_of_its_aquatic_label(delivered: Delivered) -> Delivered:
    """A product that is planned at the water has no aquatic label any more."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "products", "product", "glyphosate-salt-aquatic")["aquatic_label"] = False

    return edit_run(delivered, edit)


@falsifies("label")
def label_range_narrowed(delivered: Delivered) -> Delivered:
    """The label's range ends below the share that is planned."""

    def edit(run: dict[str, Any]) -> None:
        product = row_of(run, "products", "product", "glyphosate-salt-aquatic")
        product["methods"]["low_volume_stream"] = ["10 %", "15 %"]

    return edit_run(delivered, edit)


@falsifies("limits")
def limit_raised(delivered: Delivered) -> Delivered:
    """A yearly limit is ten times as high: the share of it in use no longer fits."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "products", "product", "glyphosate-salt-aquatic")["limit_per_year"] = "80 lb/acre"

    return edit_run(delivered, edit)


@falsifies("limits")
def limit_of_one_application_lowered(delivered: Delivered) -> Delivered:
    """One application takes more than the label now allows."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "products", "product", "glyphosate-salt-aquatic")["limit_per_application"] = "3 lb/acre"

    return edit_run(delivered, edit)


@falsifies("doses")
def strength_raised(delivered: Delivered) -> Delivered:
    """A product is one percent stronger."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "products", "product", "glyphosate-salt-aquatic")["strength"] = "4.04 lb/gal"

    return edit_run(delivered, edit)


@falsifies("doses")
def treatment_rate_raised(delivered: Delivered) -> Delivered:
    """The spray volume of a treatment is one percent higher than what its units hold."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "treatments", "treatment", "emergent-stream")["spray_volume"] = "5.05 gal/acre"

    return edit_run(delivered, edit)


@falsifies("choices")
def preference_turned_round(delivered: Delivered) -> Delivered:
    """The treatment that is planned becomes the last choice."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "treatments", "treatment", "emergent-stream")["preference"] = 999

    return edit_run(delivered, edit)


@falsifies("status")
def treatment_deleted(delivered: Delivered) -> Delivered:
    """A treatment that is planned is in no document."""

    def edit(run: dict[str, Any]) -> None:
        rows = content_of(run, "treatments")
        rows["treatment"] = [item for item in rows["treatment"] if item["id"] != "emergent-stream"]

    return edit_run(delivered, edit)


@falsifies("efforts")
def wage_lowered(delivered: Delivered) -> Delivered:
    """The wage in the operations document is a tenth lower than the cost of the units."""

    def edit(run: dict[str, Any]) -> None:
        content_of(run, "operations")["crew"]["wage"] = "30.6 USD/hour"

    return edit_run(delivered, edit)


@falsifies("run")
def season_moved(delivered: Delivered) -> Delivered:
    """The year in the run file is another one than in the site document."""

    def edit(run: dict[str, Any]) -> None:
        run["season"] = 2028

    return edit_run(delivered, edit)


@falsifies("run")
def document_made_unreadable(delivered: Delivered) -> Delivered:
    """A distance in a rule is no quantity."""

    def edit(run: dict[str, Any]) -> None:
        row_of(run, "rules", "setback", "water-100-aquatic")["distance"] = "100"

    return edit_run(delivered, edit)


@falsifies("hashes")
def hash_changed(delivered: Delivered) -> Delivered:
    """The hash of an output is another one."""

    def edit(run: dict[str, Any]) -> None:
        run["outputs"]["plan.gpkg"] = "0" * 64

    return edit_run(delivered, edit)


@falsifies("hashes")
def output_no_longer_listed(delivered: Delivered) -> Delivered:
    """An output is taken off the list, so that nobody looks at its hash."""

    def edit(run: dict[str, Any]) -> None:
        del run["outputs"]["unit_budget.csv"]

    return edit_run(delivered, edit)


# ---- what is planned on a unit


@falsifies("forbidden")
def product_swapped_for_one_without_aquatic_label(delivered: Delivered) -> Delivered:
    """On a unit near water the product column names one without an aquatic label."""

    def edit(units: gpd.GeoDataFrame) -> None:
        near = units["setbacks"].fillna("").str.contains("water-100-aquatic") & (
            units["product_id"] == "glyphosate-salt-aquatic"
        )
        units.loc[units.index[first(near)], "product_id"] = "glyphosate-salt-upland"

    return edit_layer(delivered, "units", edit)


@falsifies("forbidden")
def treatment_swapped_for_a_forbidden_one(delivered: Delivered) -> Delivered:
    """On a unit near water every column, the option and the amounts tell of another treatment."""

    def edit(units: gpd.GeoDataFrame) -> None:
        near = units["setbacks"].fillna("").str.contains("water-100-aquatic") & (
            units["treatment_id"] == "emergent-stream"
        )
        place = units.index[first(near)]
        columns = ["treatment_id", "method", "delivery", "product_id"]
        units.loc[place, columns] = ["rosette-foliar", "foliar_spot", "spot", "glyphosate-salt-upland"]

    return edit_layer(delivered, "units", edit)


@falsifies("label")
def dry_product_in_water(delivered: Delivered) -> Delivered:
    """A unit that stands in water gets a product without an aquatic label."""

    def edit(units: gpd.GeoDataFrame) -> None:
        wet = units["setbacks"].fillna("").str.contains("in-water-permit") & (
            units["product_id"] == "glyphosate-salt-aquatic"
        )
        units.loc[units.index[np.asarray(wet)], "product_id"] = "glyphosate-salt-upland"

    return edit_layer(delivered, "units", edit)


@falsifies("label")
def share_beyond_the_label(delivered: Delivered) -> Delivered:
    """The mix column says 60 %."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "concentration_pct"] = 60.0

    return edit_layer(delivered, "units", edit)


@falsifies("label")
def carrier_swapped(delivered: Delivered) -> Delivered:
    """A product that mixes with water is put into oil."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "carrier"] = "oil"

    return edit_layer(delivered, "units", edit)


def _raise(name: str, factor: float, treatment: str | None = None) -> Falsify:
    def falsify(delivered: Delivered) -> Delivered:
        def edit(units: gpd.GeoDataFrame) -> None:
            row = None if treatment is None else first(units["treatment_id"] == treatment)
            raise_column(units, name, factor, row)

        return edit_layer(delivered, "units", edit)

    return falsify


for _name, _column, _factor, _treatment, _check in (
    ("rate_raised_one_percent", "spray_gal_per_acre", 1.01, "emergent-stream", "doses"),
    ("dose_raised_one_percent", "ae_lb_per_acre", 1.01, "emergent-stream", "doses"),
    ("spray_lowered_one_percent", "spray_gal", 0.99, None, "doses"),
    ("product_raised_one_percent", "product_fl_oz", 1.01, None, "doses"),
    ("acid_lowered_one_percent", "ae_lb", 0.99, None, "doses"),
    ("seconds_lowered", "spray_seconds", 0.9, "emergent-stream", "doses"),
    ("dye_raised", "dye_fl_oz", 2.0, "emergent-stream", "doses"),
    ("stem_dose_raised", "ae_lb_per_acre", 1.01, "tree-injection", "doses"),
    ("limit_in_use_lowered", "annual_limit_used_pct", 0.5, "emergent-stream", "limits"),
    ("water_moved_off_on_paper", "nearest_water_ft", 1.5, "rosette-foliar", "distances"),
    ("hours_lowered", "crew_hours", 0.9, None, "efforts"),
    ("cost_lowered", "cost", 0.9, None, "efforts"),
):
    MUTATIONS[_name] = _check, _raise(_column, _factor, _treatment)


@falsifies("doses")
def stems_added(delivered: Delivered) -> Delivered:
    """Ten stems more on a unit."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "tree-injection")], "stems"] += 10

    return edit_layer(delivered, "units", edit)


@falsifies("efforts")
def load_saved(delivered: Delivered) -> Delivered:
    """One filling less."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["loads"] > 1)], "loads"] -= 1

    return edit_layer(delivered, "units", edit)


@falsifies("dates")
def dates_moved_out_of_the_window(delivered: Delivered) -> Delivered:
    """Work starts a month early."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "season_from"] = "2027-07-01"

    return edit_layer(delivered, "units", edit)


@falsifies("dates")
def dates_moved_to_another_year(delivered: Delivered) -> Delivered:
    """The dates are those of the year before."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["treatment_id"] == "emergent-stream")]
        units.loc[place, ["season_from", "season_to"]] = ["2026-08-01", "2026-10-10"]

    return edit_layer(delivered, "units", edit)


@falsifies("dates")
def another_run_of_days_added(delivered: Delivered) -> Delivered:
    """A unit has a second run of days, in May, before its window opens; its own dates stay as they were."""
    units = delivered.layers["units"]
    name = units.loc[units.index[first(units["treatment_id"] == "emergent-stream")], "unit_id"]

    def edit(windows: pd.DataFrame) -> pd.DataFrame:
        windows.loc[len(windows)] = [name, "2027-05-03", "2027-05-07"]
        return windows

    return edit_table(delivered, "unit_windows", edit)


@falsifies("dates")
def runs_of_days_erased(delivered: Delivered) -> Delivered:
    """The table of runs of days is empty."""
    return edit_table(delivered, "unit_windows", lambda windows: windows.iloc[:0])


@falsifies("forbidden")
def dates_moved_into_a_closed_season(delivered: Delivered) -> Delivered:
    """On a unit that loses days to a setback of a season the whole window of the treatment is planned."""
    treatments = {item["id"]: item for item in content_of(dict(delivered.run), "treatments")["treatment"]}

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["reason"].fillna("").str.startswith("days lost to"))]
        window = treatments[units.loc[place, "treatment_id"]]["season"]
        units.loc[place, ["season_from", "season_to"]] = [f"2027-{window[0]}", f"2027-{window[1]}"]

    return edit_layer(delivered, "units", edit)


@falsifies("status")
def status_turned_to_no_option(delivered: Delivered) -> Delivered:
    """A planned unit is said to have no option."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(sprayed(units))], "status"] = "no_option"

    return edit_layer(delivered, "units", edit)


@falsifies("choices")
def status_turned_to_planned(delivered: Delivered) -> Delivered:
    """A unit without option is said to be planned."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["status"] == "no_option")], "status"] = "planned"

    return edit_layer(delivered, "units", edit)


@falsifies("status")
def method_renamed(delivered: Delivered) -> Delivered:
    """A spray is called a wick."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["treatment_id"] == "emergent-stream")]
        units.loc[place, ["method", "delivery"]] = ["wick", "hand"]

    return edit_layer(delivered, "units", edit)


@falsifies("status")
def reason_erased(delivered: Delivered) -> Delivered:
    """A unit without option says no reason."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["status"] == "no_option")], "reason"] = ""

    return edit_layer(delivered, "units", edit)


@falsifies("status")
def permit_erased(delivered: Delivered) -> Delivered:
    """The permit that a unit needs is taken out of its cautions."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["cautions"].fillna("").str.contains("permit"))]
        units.loc[place, "cautions"] = ""

    return edit_layer(delivered, "units", edit)


@falsifies("setbacks")
def setback_taken_off_a_unit(delivered: Delivered) -> Delivered:
    """A unit no longer lists a setback that is in force on it."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["setbacks"].fillna("").str.contains("water-100-aquatic"))]
        kept = [name for name in units.loc[place, "setbacks"].split(";") if name != "water-100-aquatic"]
        units.loc[place, "setbacks"] = ";".join(kept)

    name = delivered.layers["units"]["unit_id"].iloc[
        first(delivered.layers["units"]["setbacks"].fillna("").str.contains("water-100-aquatic"))
    ]
    return edit_layer(
        edit_table(
            delivered,
            "unit_setbacks",
            lambda frame: frame[(frame["unit_id"] != name) | (frame["setback_id"] != "water-100-aquatic")],
        ),
        "units",
        edit,
    )


@falsifies("setbacks")
def setback_taken_out_of_the_words(delivered: Delivered) -> Delivered:
    """The column for people names no setback where the table has one."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["setbacks"].fillna("") != "")], "setbacks"] = ""

    return edit_layer(delivered, "units", edit)


@falsifies("repeats")
def shared_ground_forgotten(delivered: Delivered) -> Delivered:
    """Two units of two patches on one ground are no pair any more."""
    return edit_table(delivered, "unit_shared", lambda frame: frame.iloc[1:].reset_index(drop=True))


@falsifies("repeats")
def record_taken_off_a_unit(delivered: Delivered) -> Delivered:
    """A unit forgets the earlier application on its ground."""
    return edit_table(delivered, "unit_history", lambda frame: frame.iloc[1:].reset_index(drop=True))


@falsifies("repeats")
def record_laid_on_other_ground(delivered: Delivered) -> Delivered:
    """A unit names an earlier application that lies elsewhere."""

    def edit(frame: pd.DataFrame) -> pd.DataFrame:
        names = delivered.layers["units"]["unit_id"]
        free = names[~names.isin(frame["unit_id"])].iloc[0]
        return pd.concat([frame, frame.iloc[:1].assign(unit_id=free)], ignore_index=True)

    return edit_table(delivered, "unit_history", edit)


@falsifies("doses")
def share_of_a_product_lowered(delivered: Delivered) -> Delivered:
    """A product in a tank has a lower share than its treatment."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[0], "share_pct"] *= 0.9

    return edit_table(delivered, "unit_products", edit)


@falsifies("doses")
def product_taken_out_of_a_tank(delivered: Delivered) -> Delivered:
    """A tank has no product any more."""
    return edit_table(delivered, "unit_products", lambda frame: frame.iloc[1:].reset_index(drop=True))


@falsifies("setbacks")
def setback_invented(delivered: Delivered) -> Delivered:
    """A unit lists a setback that no rule set has."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[0], "setbacks"] += ";river-10"

    name = delivered.layers["units"]["unit_id"].iloc[0]
    row = pd.DataFrame({"unit_id": [name], "setback_id": ["river-10"]})
    listed = edit_table(delivered, "unit_setbacks", lambda frame: pd.concat([frame, row], ignore_index=True))
    return edit_layer(listed, "units", edit)


@falsifies("uses")
def closed_ground_coloured_open(delivered: Delivered) -> Delivered:
    """A unit where no herbicide is left is coloured open on the map."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["allowed_use"] == "no herbicide")], "allowed_use"] = "open"

    return edit_layer(delivered, "units", edit)


@falsifies("uses")
def field_check_erased(delivered: Delivered) -> Delivered:
    """A unit no longer says which distance to check in the field."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units.loc[units.index[first(units["check_in_field"].fillna("") != "")], "check_in_field"] = ""

    units = delivered.layers["units"]
    name = units["unit_id"].iloc[first(units["check_in_field"].fillna("") != "")]
    silent = edit_table(delivered, "unit_checks", lambda frame: frame[frame["unit_id"] != name])
    return edit_layer(silent, "units", edit)


# ---- patches, products, season, earlier work


@falsifies("sums")
def patch_total_raised(delivered: Delivered) -> Delivered:
    """A patch takes one percent more than its units."""
    return edit_layer(delivered, "patches", lambda frame: raise_column(frame, "spray_gal", 1.01, 0))


@falsifies("sums")
def season_total_lowered(delivered: Delivered) -> Delivered:
    """The season costs 100 less than its units."""

    def edit(season: pd.DataFrame) -> None:
        season.loc[season["item"] == "cost", ["low", "likely", "high"]] -= 100.0

    return edit_table(delivered, "season", edit)


@falsifies("sums")
def product_total_lowered(delivered: Delivered) -> Delivered:
    """The product budget orders a tenth less."""
    frame = delivered.csv["product_budget.csv"].copy()
    frame.loc[0, "product_gal"] = f"{float(frame.loc[0, 'product_gal']) * 0.9:.12g}"
    return replace(forget_copies(delivered), csv={"product_budget.csv": frame})


@falsifies("sums")
def product_left_out_of_the_budget(delivered: Delivered) -> Delivered:
    """A product that is planned has no row."""
    frame = delivered.csv["product_budget.csv"].iloc[1:].reset_index(drop=True)
    return replace(forget_copies(delivered), csv={"product_budget.csv": frame})


@falsifies("sums")
def unit_count_lowered(delivered: Delivered) -> Delivered:
    """A patch claims one unit fewer."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame.loc[frame.index[0], "unit_count"] -= 1

    return edit_layer(delivered, "patches", edit)


@falsifies("status")
def patch_called_planned(delivered: Delivered) -> Delivered:
    """A patch that is planned in part is called planned."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame.loc[frame.index[first(frame["status"] == "partly")], "status"] = "planned"

    return edit_layer(delivered, "patches", edit)


@falsifies("limits")
def earlier_work_erased(delivered: Delivered) -> Delivered:
    """The records of this year are deleted: what is said of the limit in use no longer fits."""
    return edit_layer(delivered, "history", lambda frame: frame.iloc[:0])


@falsifies("limits")
def earlier_work_raised(delivered: Delivered) -> Delivered:
    """An earlier application was four times as heavy: with what is planned it goes over the limit."""

    def edit(frame: gpd.GeoDataFrame) -> None:
        frame["ae_kg_per_ha"] = frame["ae_kg_per_ha"] * 4

    return edit_layer(delivered, "history", edit)


# ---- options and compliance


@falsifies("choices")
def option_row_deleted(delivered: Delivered) -> Delivered:
    """One candidate of one unit is deleted."""
    return edit_table(delivered, "options", lambda frame: frame.drop(frame.index[7]).reset_index(drop=True))


@falsifies("choices")
def refusal_turned_round(delivered: Delivered) -> Delivered:
    """A candidate that a setback refuses is called allowed."""

    def edit(options: pd.DataFrame) -> None:
        place = first((options["verdict"] == "refused") & options["reason"].str.startswith("water-100-aquatic"))
        options.loc[options.index[place], ["verdict", "reason"]] = ["allowed", "allowed, preference 999"]

    return edit_table(delivered, "options", edit)


@falsifies("choices")
def refusal_without_reason(delivered: Delivered) -> Delivered:
    """A candidate is refused without a reason."""

    def edit(options: pd.DataFrame) -> None:
        options.loc[options.index[first(options["verdict"] == "refused")], "reason"] = ""

    return edit_table(delivered, "options", edit)


@falsifies("choices")
def choice_given_to_a_worse_one(delivered: Delivered) -> Delivered:
    """Option and unit agree on a candidate that is allowed and less preferred."""
    options = delivered.tables["options"]
    allowed = options[options["verdict"] == "allowed"].iloc[0]

    def edit(frame: pd.DataFrame) -> None:
        own = frame["unit_id"] == allowed["unit_id"]
        frame.loc[own & (frame["verdict"] == "chosen"), "verdict"] = "allowed"
        frame.loc[own & (frame["treatment_id"] == allowed["treatment_id"]), "verdict"] = "chosen"

    def edit_units(units: gpd.GeoDataFrame) -> None:
        units.loc[units["unit_id"] == allowed["unit_id"], "treatment_id"] = allowed["treatment_id"]

    return edit_layer(edit_table(delivered, "options", edit), "units", edit_units)


@falsifies("compliance")
def compliance_row_deleted(delivered: Delivered) -> Delivered:
    """One pair of unit and setback is left out."""
    return edit_table(delivered, "compliance", lambda frame: frame.drop(frame.index[11]).reset_index(drop=True))


@falsifies("compliance")
def achieved_distance_raised_one_foot(delivered: Delivered) -> Delivered:
    """A unit stands one foot further off on paper."""

    def edit(frame: pd.DataFrame) -> None:
        place = frame.index[first((frame["achieved_ft"] > 5) & (frame["achieved_ft"] < 100))]
        frame.loc[place, "achieved_ft"] += 1.0

    return edit_table(delivered, "compliance", edit)


@falsifies("compliance")
def required_distance_lowered(delivered: Delivered) -> Delivered:
    """A row asks for less than its rule."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[first(frame["setback_id"] == "water-100-aquatic")], "required_ft"] = 50.0

    return edit_table(delivered, "compliance", edit)


@falsifies("compliance")
def verdict_turned_round(delivered: Delivered) -> Delivered:
    """A field check becomes a plain pass."""

    def edit(frame: pd.DataFrame) -> None:
        place = frame.index[first(frame["verdict"].str.startswith("within error"))]
        frame.loc[place, "verdict"] = "meets the loaded rules as mapped"

    return edit_table(delivered, "compliance", edit)


@falsifies("compliance")
def inside_called_clear(delivered: Delivered) -> Delivered:
    """A unit inside a setback is called clear of it."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[first(frame["distance_verdict"] == "inside")], "distance_verdict"] = "clear"

    return edit_table(delivered, "compliance", edit)


@falsifies("compliance")
def feature_renamed(delivered: Delivered) -> Delivered:
    """A distance is said to be measured to a feature that the rule does not mean."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[first(frame["setback_id"] == "water-100-aquatic")], "feature"] = "well Orchard Lane well"

    return edit_table(delivered, "compliance", edit)


@falsifies("words")
def word_that_promises_too_much(delivered: Delivered) -> Delivered:
    """A note calls a unit compliant."""

    def edit(frame: pd.DataFrame) -> None:
        frame.loc[frame.index[0], "note"] = "Compliant with all rules"

    return edit_table(delivered, "compliance", edit)


@falsifies("words")
def page_that_promises_too_much(delivered: Delivered) -> Delivered:
    """The report calls the plan compliant."""
    pages = {
        **delivered.texts,
        "compliance.html": delivered.texts["compliance.html"] + "<p>This plan is compliant.</p>",
    }
    return replace(delivered, texts=pages)


@falsifies("rules")
def zone_with_another_source(delivered: Delivered) -> Delivered:
    """The layer of zones cites another clause."""

    def edit(zones: gpd.GeoDataFrame) -> None:
        zones.loc[zones.index[0], "source"] = "another document"

    return edit_layer(delivered, "setback_zones", edit)


# ---- kinds of columns, and files that no longer agree


@falsifies("columns")
def number_turned_into_words(delivered: Delivered) -> Delivered:
    """A column of numbers was retyped, and holds a word."""

    def edit(units: gpd.GeoDataFrame) -> None:
        units["ae_lb"] = units["ae_lb"].astype(object)
        units.loc[units.index[2], "ae_lb"] = "some"

    return edit_layer(delivered, "units", edit)


@falsifies("columns")
def column_deleted(delivered: Delivered) -> Delivered:
    """A column of the contract is gone."""
    return edit_layer(delivered, "units", lambda units: units.drop(columns="ae_lb_per_acre"))


@falsifies("tables")
def cell_of_a_csv_file_changed(delivered: Delivered) -> Delivered:
    """The unit budget says another amount than the GeoPackage."""
    frame = delivered.csv["unit_budget.csv"].copy()
    frame.loc[1, "spray_gal"] = f"{float(frame.loc[1, 'spray_gal']) * 1.001:.12g}"
    return replace(delivered, csv={**delivered.csv, "unit_budget.csv": frame})


@falsifies("tables")
def row_of_a_csv_file_deleted(delivered: Delivered) -> Delivered:
    """The patch budget leaves a patch out."""
    return replace(delivered, csv={**delivered.csv, "patch_budget.csv": delivered.csv["patch_budget.csv"].iloc[:-1]})


@falsifies("tables")
def cell_of_the_workbook_changed(delivered: Delivered) -> Delivered:
    """The workbook says another product than the GeoPackage."""
    assert delivered.sheets is not None
    page = [list(row) for row in delivered.sheets["Units"]]
    column = page[0].index("product_id")
    place = next(place for place, row in enumerate(page[1:], start=1) if row[column])
    page[place][column] = (
        "glyphosate-salt-upland" if page[place][column] != "glyphosate-salt-upland" else "clopyralid-salt"
    )
    return replace(delivered, sheets={**delivered.sheets, "Units": [tuple(row) for row in page]})


@falsifies("tables")
def sheet_removed(delivered: Delivered) -> Delivered:
    """The workbook has no sheet of options any more."""
    assert delivered.sheets is not None
    return replace(delivered, sheets={name: page for name, page in delivered.sheets.items() if name != "Options"})


@falsifies("pages")
def unit_missing_from_the_map(delivered: Delivered) -> Delivered:
    """The map leaves a unit out."""
    name = delivered.layers["units"]["unit_id"].iloc[0]
    return replace(delivered, texts={**delivered.texts, "map.html": delivered.texts["map.html"].replace(name, "")})
