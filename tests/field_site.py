"""A site for what comes back from the field: a pond below y = 0, a patch of 100 ft x 100 ft above it, a 15 ft rule."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import geopandas as gpd

from site_factory import PRODUCTS, Sites, feet_box, local_crs

RULES = """
[ruleset]
title = "rules for tests (invented)"
authority = "nobody"
source = "invented for tests"
read_by = "nobody"
status = "checked"

[[setback]]
id = "POND-15"
from = { layer = "water", kind = "pond" }
distance = "15 ft"
forbids = { delivery = "spot" }
source = "invented for tests"
"""
TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "50 gal/acre"
season = ["07-01", "09-30"]
preference = 1
"""
PATCH = {"patch_id": "P1", "species": "reed", "growth_form": "herbaceous", "cover_pct": "100%"}
POND = {"kind": "pond", "state": "wet", "geometry": feet_box(-500, -200, 600, 0)}


def plan_field(folder: Path, patches: list[dict[str, Any]] | None = None, **options: Any) -> Any:
    """Plan the site; by default one patch, 100 ft along the pond and 100 ft inland."""
    folder.mkdir(parents=True, exist_ok=True)
    listed = patches or [PATCH | {"geometry": feet_box(0, 0, 100, 100)}]
    given = {"water": [POND], "rules": RULES, "products": PRODUCTS, "treatments": TREATMENTS} | options
    return Sites(folder).plan(listed, **given)


def write_ground(path: Path, rows: list[dict[str, Any]], **options: Any) -> Path:
    """Write treated ground, drawn in feet, as a file."""
    crs = options.pop("crs", local_crs())
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=local_crs()).to_crs(crs)
    frame.to_file(path, engine="pyogrio", **options)
    return path


def used(shape: Any, **more: Any) -> dict[str, Any]:
    """Treated ground that states what was used."""
    return {"product_id": "glyphosate-aquatic", "method": "foliar_spot", "geometry": shape} | more


def fill_record(source: Path, target: Path, fill: Any, **options: Any) -> Path:
    """Write a filled copy of a record: ``fill`` changes the rows; ``delimiter`` and ``encoding`` are those of the copy."""
    with source.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    names = list(rows[0])
    changed = fill(rows)
    rows = rows if changed is None else changed
    encoding = options.pop("encoding", "utf-8")
    with target.open("w", encoding=encoding, newline="") as file:
        writer = csv.DictWriter(file, names, **options)
        writer.writeheader()
        writer.writerows(rows)
    return target


def complete(row: dict[str, str], **more: str) -> None:
    """Fill in a row of a record as it was planned."""
    planned = {
        "applied": "yes",
        "date": row["planned_from"],
        "time_from": "08:00",
        "time_to": "10:00",
        "area_treated_acre": row["planned_treated_acre"],
        "product_used_fl_oz": row["planned_product_fl_oz"],
        "mix_used_gal": "1",
        "growth_stage": "leaf",
        "land_use": "natural area",
        "equipment": "backpack sprayer",
        "wind_speed": "5 mph",
        "wind_from": "W",
        "temperature": "68 F",
        "applicator": "A. Applicator",
        "licence": "0000",
        "helpers": "none",
        "for_whom": "Preserve office",
    }
    row.update(planned | more)


def pick(table: Any, check: str, level: str) -> list[tuple[str, str, str]]:
    """Where, found and note of the findings of a check."""
    rows = table[(table["check"] == check) & (table["level"] == level)]
    return list(zip(rows["where"], rows["found"], rows["note"], strict=True))
