"""In: tables of the stages, in SI. Out: the same under the names and in the units that every output has."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from tussock.base import columns as c
from tussock.base.geodesy import move_geometry
from tussock.base.stages import Prescribed, Repaired, Zoned
from tussock.base.verdicts import WITHIN_ERROR

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Columns of units that no output shows: they stand there under another name or are only for the way.
_UNIT_WORK = ("windows", "partners_l", "in_water", "history", "shared_with", "set_aside")


def show_patches(patches: gpd.GeoDataFrame, system: c.UnitSystem, mapped: Collection[str]) -> gpd.GeoDataFrame:
    """Return patches as the outputs have them, with blank marks of an approval and the columns that were mapped."""
    marked = patches.assign(approval="", approval_change="")
    return _show(marked, c.PATCHES, system, _list_patch_work(marked, mapped))


def show_units(units: gpd.GeoDataFrame, compliance: pd.DataFrame, system: c.UnitSystem) -> gpd.GeoDataFrame:
    """Return units as the outputs have them, with the setbacks whose distance wants a check in the field."""
    doubts = _find_doubts(compliance).reindex(units.index, fill_value="")
    return _show(units.assign(check_in_field=doubts), c.UNITS, system, _UNIT_WORK)


def show_compliance(compliance: pd.DataFrame, system: c.UnitSystem) -> pd.DataFrame:
    """Return the rows of units and setbacks as the outputs have them."""
    return c.present(compliance.drop(columns=["in_force", "check"]), c.COMPLIANCE, system)


def _list_patch_work(patches: gpd.GeoDataFrame, mapped: Collection[str]) -> tuple[str, ...]:
    """Return the columns of patches that no output shows; wet bark is shown where it is mapped, for it refuses."""
    wet = "bark_wet" in patches.columns and bool(patches["bark_wet"].any())
    work = tuple(name for name in c.PATCH_WORK if name not in mapped)
    return work if wet else (*work, "bark_wet")


def list_stems(repaired: Repaired, system: c.UnitSystem) -> pd.DataFrame:
    """Return the stem table as mapped, SI columns, with the places of stems that were mapped as points."""
    import numpy as np
    import pandas as pd
    import shapely

    names = [column.si_name for column in c.STEMS]
    layer = repaired.layers.get("stems")
    if layer is None:
        return c.present(pd.DataFrame([], columns=names), c.STEMS, system)
    table = pd.DataFrame(layer.frame.drop(columns="geometry")).assign(lon=np.nan, lat=np.nan)
    if not layer.frame.geometry.isna().any():
        points = move_geometry(np.asarray(layer.frame.geometry.array, dtype=object), layer.frame.crs, "EPSG:4326")
        table["lon"], table["lat"] = shapely.get_coordinates(shapely.centroid(points)).T
    return c.present(table[names].reset_index(drop=True), c.STEMS, system)


def _show(frame: gpd.GeoDataFrame, schema: c.Schema, system: c.UnitSystem, work: tuple[str, ...]) -> gpd.GeoDataFrame:
    shown: Any = c.present(frame.drop(columns=list(work), errors="ignore"), schema, system)
    for column in schema:
        if column.kind == "count":
            name = column.shown_name(system)
            shown[name] = shown[name].astype("Int64")
    return shown.set_geometry("geometry")


def _find_doubts(compliance: pd.DataFrame) -> pd.Series[str]:
    """Return, for each unit, the setbacks whose distance wants a check in the field."""
    pairs = _list_doubts(compliance)
    return pairs.groupby("unit_id")["setback_id"].agg(lambda ids: ";".join(sorted(set(ids)))).astype(object)


def _list_doubts(compliance: pd.DataFrame) -> pd.DataFrame:
    doubt = compliance["check"].astype(bool) | (compliance["distance_verdict"] == WITHIN_ERROR)
    return compliance.loc[doubt, ["unit_id", "setback_id"]]


def list_relations(
    repaired: Repaired, zoned: Zoned, prescribed: Prescribed, system: c.UnitSystem
) -> dict[str, pd.DataFrame]:
    """Return what belongs to each unit, as tables: setbacks in force, checks, records, shared ground, products."""
    import pandas as pd

    near = zoned.nearness
    history = repaired.layers.get("history")
    labels = {} if history is None else history.frame["label"].to_dict()
    records = [(unit_id, labels[row]) for unit_id, rows in zoned.units["history"].items() for row in rows]
    tables = {
        "unit_setbacks": near.loc[near["in_force"].astype(bool), ["unit_id", "setback_id"]],
        "unit_checks": _list_doubts(prescribed.compliance),
        "unit_history": pd.DataFrame(records, columns=["unit_id", "record"]),
        "unit_shared": zoned.shared,
        "unit_products": prescribed.products,
    }
    return {name: c.present(table.reset_index(drop=True), c.RELATIONS[name], system) for name, table in tables.items()}


def show_season(season: pd.DataFrame, system: c.UnitSystem) -> pd.DataFrame:
    """Return the season's totals in the units of the site."""
    shown = season.copy()
    sizes = {"m2": c.AREA, "L": c.LIQUID, "kg": c.MASS}
    for unit, quantity in sizes.items():
        rows = shown["unit"] == unit
        shown.loc[rows, ["low", "likely", "high"]] /= quantity.size(system)
        shown.loc[rows, "unit"] = quantity.suffix(system)
    return shown
