"""In: the documents and layers of two delivered plans. Out: what differs between them, and what each difference costs.

Prices are told apart exactly: what a plan uses does not depend on what it costs. Of all else that differs (rules,
treatments, layers, ...) only one cause at a time can be told from two plans: where several differ, the rest is theirs
together.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from tussock.base import columns as c
from tussock.base.records import Crew, Equipment, Price

if TYPE_CHECKING:
    import pandas as pd

#: Keys of operations that are prices: they move money and nothing else.
_PRICES: Final = {"crew": ("wage",), "role": ("wage",), "equipment": ("cost",), "price": ("price",)}
#: Tables of operations by which the hours and amounts of a patch follow; others only plan or add up the season.
_WORKING: Final = ("crew", "equipment", "production", "time")
#: Keys of the site file that name a file and do not change what is in it.
_NAMING: Final = frozenset({"name", "path", "layer"})
_LAYERS: Final = {
    "infestations": "patches",
    "water": "water",
    "receptors": "receptors",
    "access": "access",
    "history": "earlier work",
}
#: Columns of the patches that a plan delivers as they were mapped.
_MAPPED: Final = {"patch_id", "species", "growth_form", "cover_low_pct", "cover_pct", "cover_high_pct"}
#: Outlines that differ by less than this share of their ground are one outline, with other points on its edges.
_SAME_GROUND: Final = 1e-7
_HOUR_S: Final = 3600.0
_SUPPLIES: Final = ("dye", "adjuvant")


def list_causes(a: Mapping[str, Any], b: Mapping[str, Any], folders: tuple[Path, Path]) -> list[str]:
    """Name what differs between two plans and can change what is done on the ground; prices are not among it.

    Parameters
    ----------
    a, b
        Their run.json.
    folders
        Where they stand.

    Returns
    -------
    list of str
        ``rules, products, treatments, times and rates, site options, patches, water, ...``, as far as they differ.
    """
    first, second = _group_documents(a), _group_documents(b)
    causes = [role for role in ("rules", "products", "treatments") if first.get(role) != second.get(role)]
    if [_leave_prices(item) for item in first.get("operations", [])] != [
        _leave_prices(item) for item in second.get("operations", [])
    ]:
        causes.append("times and rates")
    if [_leave_names(item) for item in first.get("site", [])] != [
        _leave_names(item) for item in second.get("site", [])
    ]:
        causes.append("site options")
    causes += [_tell_role(role) for role in list_changed_inputs(a, b, folders) if _is_data(role)]
    if a.get("tussock") != b.get("tussock"):
        causes.append("version of tussock")
    return list(dict.fromkeys(causes))


def list_changed_inputs(a: Mapping[str, Any], b: Mapping[str, Any], folders: tuple[Path, Path]) -> list[str]:
    """Return role and name of the input files whose content differs; a file that was only written anew is none."""
    inputs = [{f"{item['role']} {item['name']}": item for item in run.get("inputs", ())} for run in (a, b)]
    documents = [{f"{item['role']} {item['name']}": item.get("content") for item in run["documents"]} for run in (a, b)]
    changed = []
    for name in sorted({*inputs[0], *inputs[1]}):
        old, new = inputs[0].get(name), inputs[1].get(name)
        if old is not None and new is not None:
            if old["sha256"] == new["sha256"]:
                continue
            content = [item.get(name) for item in documents]
            if content[0] is not None and content[0] == content[1]:
                continue
            layer = str(old["role"]).removeprefix("layer ")
            if layer in _LAYERS and _is_alike(folders, layer):
                continue
        changed.append(name)
    return changed


def _group_documents(run: Mapping[str, Any]) -> dict[str, list[Any]]:
    grouped: dict[str, list[Any]] = {}
    for item in run.get("documents", ()):
        grouped.setdefault(str(item["role"]), []).append(item.get("content"))
    return grouped


def _leave_prices(operations: Any) -> Any:
    """Return the tables of operations that hours and amounts follow from, without their prices."""
    kept: dict[str, Any] = {}
    for table in _WORKING:
        entry = operations.get(table)
        rows = entry if isinstance(entry, list) else [] if entry is None else [entry]
        kept[table] = [
            {key: _leave_wages(value) for key, value in row.items() if key not in (*_PRICES.get(table, ()), "source")}
            for row in rows
        ]
    return kept


def _leave_wages(value: Any) -> Any:
    """Return the roles of a crew without their wages; any other value as it is."""
    if isinstance(value, list) and all(isinstance(item, dict) for item in value):
        return [{key: own for key, own in item.items() if key not in _PRICES["role"]} for item in value]
    return value


def _leave_names(site: Any) -> Any:
    """Return the options of a site file, and of its layers, that do not only name a file."""
    layers = {
        name: {key: value for key, value in spec.items() if key not in _NAMING}
        for name, spec in site.get("layers", {}).items()
    }
    return {key: value for key, value in site.get("site", {}).items() if key not in _NAMING}, layers


def _is_data(name: str) -> bool:
    return name.startswith(("layer ", "terrain"))


def _tell_role(name: str) -> str:
    layer = name.removeprefix("layer ").partition(" ")[0]
    return _LAYERS.get(layer, layer)


def _is_alike(folders: tuple[Path, Path], layer: str) -> bool:
    """Tell whether two plans deliver the same rows of a layer, in whatever order."""
    import shapely

    if layer != "infestations":
        rows = [_read_rows(folder, layer) for folder in folders]
        shapes = [[*zip(shapely.to_wkb(shape).tolist(), *cells, strict=True)] for shape, cells in rows]
        return Counter(shapes[0]) == Counter(shapes[1])
    outlines = []
    for folder in folders:  # cutting puts points on the edges of a patch, so outlines are compared by their ground
        shape, cells = _read_rows(folder, "patches")
        outlines.append(dict(zip(zip(*cells, strict=True), shape, strict=True)))
    if outlines[0].keys() != outlines[1].keys():
        return False
    pairs = [[own[key] for key in outlines[0]] for own in outlines]
    apart = shapely.area(shapely.symmetric_difference(*pairs))
    return bool((apart <= _SAME_GROUND * shapely.area(pairs[0])).all())


def _read_rows(folder: Path, layer: str) -> tuple[Any, list[list[str]]]:
    """Return the outlines of a delivered layer, and what was mapped as columns of text."""
    import numpy as np
    import pyogrio

    try:
        frame = pyogrio.read_dataframe(folder / "plan.gpkg", layer=layer)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError):
        return np.array([], dtype=object), [[]]
    results = {*c.shown_names(c.PATCHES, "us"), *c.shown_names(c.PATCHES, "metric")} - _MAPPED
    mapped = [
        column
        for column in sorted(frame.columns)
        if column != frame.geometry.name and (layer != "patches" or column not in results)
    ]
    return np.asarray(frame.geometry.array, dtype=object), [
        frame[name].astype(object).map(str).tolist() for name in mapped
    ]


def find_price_effects(
    a: Mapping[str, Any], b: Mapping[str, Any], units: pd.DataFrame, products: pd.DataFrame, system: c.UnitSystem
) -> dict[str, float]:
    """Return what other prices change in the cost of the second plan: what it uses, times the difference.

    Parameters
    ----------
    a, b
        Their run.json.
    units, products
        Units and product budget of the second plan, in the units of ``system``.
    system
        Units of the second plan.

    Returns
    -------
    dict
        Price -> change, only of those that differ. One that a plan does not state is left out: what it changes is in
        the rest.
    """
    old, new = _read_prices(a), _read_prices(b)
    used = dict(_list_used(b, units, products, system))
    return {
        name: used[name] * (new[name] - old[name])
        for name in used
        if name in old and name in new and old[name] != new[name] and not math.isnan(used[name])
    }


def _read_prices(run: Mapping[str, Any]) -> dict[str, float]:
    """Return the prices of a plan by name: per hour for the crew and equipment, per litre for products and supplies."""
    prices: dict[str, float] = {}
    for content in _group_documents(run).get("operations", []):
        try:
            if "crew" in content:
                prices["wage"] = float(Crew.model_validate(content["crew"]).wage_per_s[0]) * _HOUR_S
            for row in content.get("equipment", ()):
                equipment = Equipment.model_validate(row)
                if equipment.cost_per_s is not None:
                    prices[f"cost of {equipment.id}"] = float(equipment.cost_per_s[0]) * _HOUR_S
            for row in content.get("price", ()):
                price = Price.model_validate(row)
                prices[f"price of {price.product}"] = float(price.price_per_l[0])
        except (ValidationError, TypeError, AttributeError):
            continue
    return prices


def _list_used(
    run: Mapping[str, Any], units: pd.DataFrame, products: pd.DataFrame, system: c.UnitSystem
) -> Iterator[tuple[str, float]]:
    """Yield how much a plan uses of all that has a price: crew hours, hours of equipment, litres."""
    yield "wage", float(units[f"crew_{c.HOURS.suffix(system)}"].sum())
    prices = _read_prices(run)
    equipment = {
        str(item["id"]): f"cost of {item.get('equipment', '')}"
        for content in _group_documents(run).get("treatments", [])
        for item in content.get("treatment", ())
    }
    by_name = units["treatment_id"].map(equipment)
    for name in sorted({name for name in equipment.values() if prices.get(name)}):
        yield name, float(units.loc[by_name == name, "equipment_cost"].sum()) / prices[name]
    litres = c.LIQUID.size(system)
    for product, size in products[f"product_{c.LIQUID.suffix(system)}"].items():
        yield f"price of {product}", float(size) * litres
    small = c.SMALL_LIQUID
    for name in _SUPPLIES:
        yield f"price of {name}", float(units[f"{name}_{small.suffix(system)}"].sum()) * small.size(system)
    in_oil = units[units["carrier"] == "oil"]
    parts = in_oil[[f"{name}_{small.suffix(system)}" for name in ("product", "partner", *_SUPPLIES)]].fillna(0.0)
    liquid = in_oil[f"spray_{c.LIQUID.suffix(system)}"] * litres - parts.sum(axis=1) * small.size(system)
    yield "price of oil", float(liquid.sum())
