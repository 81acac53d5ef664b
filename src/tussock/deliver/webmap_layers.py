"""In: a plan. Out: the data of its map as one plain value (lists, texts, whole numbers), ready to be embedded.

A table becomes columns; a text stands once and is named by its number; shapes are packed by `webmap_geometry`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.stages import LayerName, PlanTables
from tussock.deliver import webmap_popups as popups
from tussock.deliver.earlier import list_unit_runs
from tussock.deliver.webmap_base import read_base
from tussock.deliver.webmap_crs import fit_crs
from tussock.deliver.webmap_figures import is_blank, unit_word
from tussock.deliver.webmap_geometry import (
    Frame,
    clip_to,
    find_frame,
    find_lonlat,
    pack_point,
    pack_shapes,
    place_in,
)
from tussock.deliver.webmap_style import CLASSES, find_class

if TYPE_CHECKING:
    import geopandas as gpd

Data = dict[str, Any]

#: Zones are drawn to this many degrees (about 0.1 m); what is allowed was decided by exact distances, not by drawing.
_ZONE_DETAIL: Final = 1e-6
#: Columns that the stages add to the other layers, which say nothing that is not shown already.
_WORK: Final = ("label", "width_m", "width_assumed", "ae_kg_per_ha", "stems_per_ha", "geometry")


def gather_data(plan: PlanTables, *, public: bool, base: Path | None = None) -> Data:
    """Return the data of a map.

    Parameters
    ----------
    plan
        Plan to draw; for a public map, one that `webmap_public.withhold` returned.
    public
        Whether the mapper's own columns and distances to receptors are left out.
    base
        Raster to inline as background.

    Returns
    -------
    dict
        ``site, bounds, crs, base, classes, texts, lines, rules, products, patches, units``, and one entry for each
        other layer: ``water, receptors, access, history``.
    """
    texts = popups.Texts()
    patches = find_lonlat(plan.patches)
    view = find_frame(np.concatenate([patches, find_lonlat(plan.units)]))
    frame = (view or Frame(-1.0, -1.0, 1.0, 1.0, wraps=False)).grow(0.35, 0.008)
    data: Data = {
        "site": _describe_site(plan),
        "bounds": None if view is None else [[view.south, view.west], [view.north, view.east]],
        "crs": None if view is None else fit_crs(plan.patches.crs, frame),
        "base": None if base is None else read_base(base, frame),
        "classes": [[item.key, item.label, item.colour, item.pattern] for item in CLASSES],
        "lines": [line.label for line in popups.UNIT_LINES],
        "rules": _gather_rules(plan, frame, texts),
        "products": [[key, popups.list_product(item)] for key, item in _used_products(plan).items()],
        "patches": _gather_patches(plan, frame, texts, public=public),
        "units": _gather_units(plan, frame, texts, public=public),
    }
    for name in ("water", "receptors", "access", "history"):
        data[name] = _gather_features(plan, name, frame, public=public)
    data["texts"] = texts.listed()
    return data


def _describe_site(plan: PlanTables) -> Data:
    system = plan.site.options.units
    return {
        "name": plan.site.name,
        "season": str(plan.site.season),
        "system": system,
        "area": unit_word(c.AREA, system),
    }


def _used_products(plan: PlanTables) -> dict[str, Any]:
    used = set(plan.units["product_id"])
    return {key: item for key, item in plan.site.products.items() if key in used}


def _gather_rules(plan: PlanTables, frame: Frame, texts: popups.Texts) -> list[Data]:
    setbacks = {setback.id: (ruleset, setback) for ruleset, setback in plan.site.setbacks()}
    zones = plan.setback_zones
    lonlat = clip_to(frame, place_in(frame, shapely.simplify(find_lonlat(zones), _ZONE_DETAIL)))
    shapes = pack_shapes(lonlat)
    rows = []
    for place, rule_id in enumerate(zones["setback_id"]):
        ruleset, setback = setbacks[rule_id]
        status = "" if ruleset.ruleset.status == "checked" else f" ({ruleset.ruleset.status} rule set)"
        rows.append(
            {
                "id": rule_id,
                "says": texts.add(popups.describe_rule(plan, setback)),
                "source": texts.add(f"{setback.source}. {ruleset.title}{status}"),
                "effect": setback.effect,
                "site": setback.distance == "anywhere",
                "shape": shapes[place],
            }
        )
    return rows


def _gather_patches(plan: PlanTables, frame: Frame, texts: popups.Texts, *, public: bool) -> Data:
    table = plan.patches
    lonlat = place_in(frame, find_lonlat(table))
    rows: list[popups.Row] = table.drop(columns="geometry").to_dict("records")
    return {
        "id": table["patch_id"].astype(str).tolist(),
        "title": texts.add_all([f"{row['species']}" for row in rows]),
        "lines": [_number_lines(popups.list_patch(plan, row, public=public), texts) for row in rows],
        "shape": pack_shapes(lonlat),
        "at": pack_point(lonlat),
    }


def _number_lines(lines: list[tuple[str, str]], texts: popups.Texts) -> list[int]:
    return [texts.add(text) for line in lines for text in line]


def _gather_units(plan: PlanTables, frame: Frame, texts: popups.Texts, *, public: bool) -> Data:
    table = plan.units
    lonlat = place_in(frame, find_lonlat(table))
    rows: list[popups.Row] = table.drop(columns="geometry").to_dict("records")
    places = {patch_id: place for place, patch_id in enumerate(plan.patches["patch_id"])}
    area = f"area_{c.AREA.suffix(plan.site.options.units)}"
    treatments = tuple(f"{item.id}: " for item in plan.site.treatments or ())
    force = _group_setbacks(plan, texts)
    checks = popups.list_checks(plan)
    runs = list_unit_runs(plan)
    judged = {} if public else popups.list_candidates(plan)  # reasons measure to what a public map leaves out
    return {
        "id": table["unit_id"].astype(str).tolist(),
        "patch": [places[row["patch_id"]] for row in rows],
        "class": [find_class(plan, row) for row in rows],
        "area": [round(float(row[area]), 7) for row in rows],
        "use": texts.add_all([str(row["allowed_use"]) for row in rows]),
        "status": texts.add_all([str(row["status"]) for row in rows]),
        "method": texts.add_all([popups.say_method(row["method"]) for row in rows]),
        "product": texts.add_all([str(row["product_id"]) for row in rows]),
        "what": [
            _number_lines(popups.list_treatment(plan, row, runs.get(str(row["unit_id"]), ())), texts) for row in rows
        ],
        "amounts": [texts.add_all(popups.list_amounts(plan, row)) for row in rows],
        "setbacks": [force.get(row["unit_id"], []) for row in rows],
        "reasons": [texts.add_all(popups.split_reasons(row["reason"], treatments or ("; ",))) for row in rows],
        "judged": [_number_candidates(judged.get(row["unit_id"], ([], 0)), texts) for row in rows],
        "cautions": [texts.add_all(popups.split_reasons(row["cautions"], popups.CAUTION_STARTS)) for row in rows],
        "other": [texts.add(row["non_chemical"]) for row in rows],
        "check": [texts.add(", ".join(checks.get(row["unit_id"], ()))) for row in rows],
        "shape": pack_shapes(lonlat),
        "at": pack_point(lonlat),
    }


def _number_candidates(candidates: popups.Candidates, texts: popups.Texts) -> list[Any]:
    """Return how many candidates are for other plants, then treatment, verdict and reason of the others as numbers."""
    rows, others = candidates
    return [others, *(texts.add(cell) for row in rows for cell in row)]


def _group_setbacks(plan: PlanTables, texts: popups.Texts) -> dict[str, list[list[int]]]:
    """Return, for each unit, rule, feature, distance and verdict of every setback in force, as numbers."""
    rules = {rule_id: place for place, rule_id in enumerate(plan.setback_zones["setback_id"])}
    grouped: dict[str, list[list[int]]] = {}
    for unit_id, rule_id, *cells in popups.list_setbacks(plan).itertuples(index=False, name=None):
        if rule_id in rules:
            grouped.setdefault(unit_id, []).append([rules[rule_id], *(texts.add(cell) for cell in cells)])
    return grouped


def _gather_features(plan: PlanTables, name: LayerName, frame: Frame, *, public: bool) -> Data:
    table = plan.features.get(name)
    if table is None or not len(table):
        return {"kind": [], "title": [], "lines": [], "shape": [], "at": []}
    lonlat = place_in(frame, find_lonlat(_widen(plan, table)))
    lonlat = clip_to(frame, lonlat)
    keep = ~shapely.is_empty(lonlat)
    rows: list[popups.Row] = table.drop(columns="geometry")[keep].to_dict("records")
    known = [str(column) for column in table.columns if column != "state"] if public else [*_WORK, "kind", "name"]
    return {
        "kind": [_say_kind(name, row) for row in rows],
        "title": [_say_title(name, row) for row in rows],
        "lines": [popups.list_own_columns(row, known) for row in rows],
        "shape": pack_shapes(lonlat[keep]),
        "at": pack_point(lonlat[keep]),
    }


def _say_kind(name: LayerName, row: popups.Row) -> str:
    kind = row.get("kind")
    return "earlier application" if name == "history" else "kind not mapped" if is_blank(kind) else str(kind)


def _say_title(name: LayerName, row: popups.Row) -> str:
    words = (row.get("active"), row.get("date")) if name == "history" else (row.get("name"),)
    return ", ".join(str(word) for word in words if not is_blank(word))


def _widen(plan: PlanTables, table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return water with each line as wide as it was taken to be: setbacks run from its edge."""
    if "width_m" not in table.columns or table.crs is None:
        return table
    shapes: NDArray[Any] = np.asarray(table.geometry.array, dtype=object).copy()
    width = table["width_m"].fillna(0.0).to_numpy(dtype=float)
    wide = np.isin(shapely.get_type_id(shapes), (1, 5)) & (width > 0)
    if not wide.any():
        return table
    frame = find_frame(find_lonlat(table[wide]))
    if frame is None:
        return table
    from pyproj import CRS

    from tussock.base.geodesy import move_geometry

    local = CRS.from_user_input(plan.crs.wkt) if plan.crs.cells == 1 else _centre_crs(frame)
    there = move_geometry(shapes[wide], table.crs, local)
    metres = width[wide] / 2 / float(local.axis_info[0].unit_conversion_factor)
    shapes[wide] = move_geometry(shapely.buffer(there, metres, cap_style="flat", quad_segs=4), local, table.crs)
    return table.set_geometry(shapes, crs=table.crs)


def _centre_crs(frame: Frame) -> Any:
    from pyproj import CRS

    lon, lat = (frame.west + frame.east) / 2, (frame.south + frame.north) / 2
    return CRS.from_proj4(f"+proj=laea +lat_0={lat} +lon_0={lon} +datum=WGS84")
