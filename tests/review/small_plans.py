"""Delivered plans of a few units built in memory, in feet around a place: what a check looks at and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from site_factory import FOOT_M, local_crs
from tussock.review.delivered import Delivered

HEADER = {"title": "rules for tests", "authority": "nobody", "source": "invented for tests", "status": "checked"}


def in_feet(shape: Any) -> Any:
    """A shape drawn in feet, in the metres of the CRS."""
    return shapely.affinity.scale(shape, FOOT_M, FOOT_M, origin=(0, 0))


def make_document(role: str, content: dict[str, Any]) -> dict[str, Any]:
    """A document as run.json holds it."""
    return {"role": role, "name": f"{role}.toml", "content": content}


def make_delivered(
    units: list[dict[str, Any]],
    *,
    water: list[dict[str, Any]] = (),
    receptors: list[dict[str, Any]] = (),
    rules: dict[str, Any] | None = None,
    setbacks: list[dict[str, Any]] = (),
    products: list[dict[str, Any]] = (),
    treatments: list[dict[str, Any]] = (),
    accuracy: str | None = None,
) -> Delivered:
    """A plan whose units, water and receptors are rows with a ``geometry`` in feet; patches are the units."""
    layers = {"infestations": {"accuracy": accuracy}, "water": {}} if accuracy else {"infestations": {}, "water": {}}
    rows = [{"source": "invented for tests"} | row for row in setbacks]
    documents = [
        make_document("site", {"site": {"name": "test", "season": 2027}, "layers": layers}),
        make_document("rules", rules or {"ruleset": HEADER, "setback": rows}),
        make_document("products", {"product": [{"source": "invented for tests"} | row for row in products]}),
        make_document("treatments", {"treatment": list(treatments)}),
    ]
    defaults = {"setbacks": "", "status": "planned", "season_from": "2027-01-01", "season_to": "2027-12-31"}
    unit_rows = [
        defaults | {"unit_id": f"P{place}-01", "patch_id": f"P{place}"} | row for place, row in enumerate(units)
    ]
    patch_rows = [{"patch_id": row["patch_id"], "geometry": row["geometry"]} for row in unit_rows]
    named = {
        "units": unit_rows,
        "patches": patch_rows,
        "setback_zones": [],
        "water": [
            {"label": f"water {k}", "kind": "pond", "state": "wet", "width_m": 0.0} | row for k, row in enumerate(water)
        ],
        "receptors": [{"label": f"receptor {k}"} | row for k, row in enumerate(receptors)],
    }
    frames = {name: make_frame(rows) for name, rows in named.items()}
    empty = {name: pd.DataFrame() for name in ("options", "compliance", "season", "unit_checks")}
    days = [row for row in unit_rows if row.get("treatment_id")]
    empty["unit_windows"] = pd.DataFrame(
        [(row["unit_id"], row["season_from"], row["season_to"]) for row in days], columns=["unit_id", "first", "last"]
    )
    empty |= {name: pd.DataFrame(rows) for name, rows in make_relations(unit_rows, products, treatments).items()}
    run = {"tussock": "0.1.0", "documents": documents, "inputs": [], "outputs": {}, "crs": {}}
    return Delivered(Path("memory"), run=run, layers=frames, tables=empty, csv={"product_budget.csv": pd.DataFrame()})


def make_relations(
    units: list[dict[str, Any]], products: list[dict[str, Any]], treatments: list[dict[str, Any]]
) -> dict[str, list[dict[str, Any]]]:
    """What belongs to each unit: the setbacks that its text names, and the products in its tank as its treatment says."""
    setbacks = [
        {"unit_id": row["unit_id"], "setback_id": name} for row in units for name in row["setbacks"].split(";") if name
    ]
    strengths = {item["id"]: float(item["strength"].split()[0]) for item in products}  # lb/gal
    tanks = []
    for row in units:
        treatment = next((item for item in treatments if item["id"] == row.get("treatment_id")), {})
        if "product" not in treatment or "spray_volume" not in treatment:
            continue
        rate = float(treatment["spray_volume"].split()[0])  # gal/acre
        partners = [(item["product"], "partner", item["concentration"]) for item in treatment.get("tank_mix", ())]
        for name, role, share in [(treatment["product"], "product", treatment["concentration"]), *partners]:
            part = float(share.split()[0]) / 100
            gallons = row.get("spray_gal", 0.0) * part
            tanks.append(
                {
                    "unit_id": row["unit_id"],
                    "product_id": name,
                    "role": role,
                    "share_pct": part * 100,
                    "product_fl_oz": gallons * 128,
                    "ae_lb": gallons * strengths[name],
                    "ae_lb_per_acre": rate * part * strengths[name],
                }
            )
    return {"unit_setbacks": setbacks, "unit_products": tanks}


def make_frame(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """A layer from rows with a geometry in feet."""
    if not rows:
        return gpd.GeoDataFrame({"geometry": []}, geometry="geometry", crs=local_crs())
    moved = [row | {"geometry": in_feet(row["geometry"])} for row in rows]
    return gpd.GeoDataFrame(moved, geometry="geometry", crs=local_crs())
