"""A factory of small sites for tests: geometries in feet around a point, catalogs as TOML text, all invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

FOOT_M = 0.3048
ACRE_M2 = 4046.8564224

PRODUCTS = """
[[product]]
id = "glyphosate-aquatic"
active = "glyphosate"
form = "salt"
strength = "4 lb/gal"
aquatic_label = true
methods = { boom = ["0.5 %", "5 %"], foliar_spot = ["0.5 %", "5 %"], low_volume_stream = ["10 %", "20 %"], wick = ["25 %", "50 %"], cut_stump = ["50 %", "100 %"], stem_injection = ["50 %", "100 %"] }
limit_per_year = "8 lb/acre"
source = "invented for tests"

[[product]]
id = "glyphosate-upland"
active = "glyphosate"
form = "salt"
strength = "4 lb/gal"
aquatic_label = false
methods = { boom = ["0.5 %", "5 %"], foliar_spot = ["0.5 %", "5 %"], cut_stump = ["50 %", "100 %"] }
limit_per_year = "8 lb/acre"
source = "invented for tests"

[[product]]
id = "triclopyr-amine-aquatic"
active = "triclopyr"
form = "amine"
strength = "3 lb/gal"
aquatic_label = true
methods = { boom = ["0.5 %", "5 %"], foliar_spot = ["0.5 %", "5 %"], cut_stump = ["50 %", "100 %"], stem_injection = ["50 %", "100 %"] }
limit_per_year = "8 lb/acre"
source = "invented for tests"

[[product]]
id = "triclopyr-ester"
active = "triclopyr"
form = "ester"
strength = "4 lb/gal"
aquatic_label = false
carrier = ["oil", "water"]
methods = { foliar_spot = ["0.5 %", "5 %"], basal_bark = ["20 %", "30 %"] }
limit_per_year = "8 lb/acre"
source = "invented for tests"

[[product]]
id = "imazapyr-aquatic"
active = "imazapyr"
form = "salt"
strength = "2 lb/gal"
aquatic_label = true
methods = { foliar_spot = ["0.5 %", "5 %"], low_volume_stream = ["5 %", "20 %"] }
limit_per_year = "1.5 lb/acre"
source = "invented for tests"
"""

NO_RULES = """
[ruleset]
title = "rules for tests (invented)"
authority = "nobody"
source = "invented for tests"
read_by = "nobody"
status = "checked"
no_rule_for = ["water", "receptors"]
"""


def local_crs(lon: float = -89.0, lat: float = 45.0) -> CRS:
    """An equal-area CRS in metres around a point; the origin stands 7 km off, where no vertex is on the centre."""
    return CRS.from_proj4(f"+proj=laea +lat_0={lat} +lon_0={lon} +x_0=5000 +y_0=5000 +datum=WGS84 +units=m +type=crs")


def feet(*corners: tuple[float, float]) -> shapely.Polygon:
    """A polygon from corners in feet."""
    return shapely.Polygon(np.array(corners) * FOOT_M)


def feet_box(west: float, south: float, east: float, north: float) -> shapely.Polygon:
    """A box in feet."""
    return shapely.box(*(value * FOOT_M for value in (west, south, east, north)))


class Sites:
    """Writes a site into a folder and reads or plans it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def write(
        self,
        patches: list[dict[str, Any]],
        *,
        water: list[dict[str, Any]] | None = None,
        receptors: list[dict[str, Any]] | None = None,
        access: list[dict[str, Any]] | None = None,
        history: list[dict[str, Any]] | None = None,
        rules: str | list[str] = NO_RULES,
        products: str = PRODUCTS,
        treatments: str | None = None,
        operations: str | None = None,
        crs: Any = None,
        site: str = "",
        season: str = "2027",
        layer_lines: dict[str, str] | None = None,
    ) -> Path:
        """Write layers and catalogs; returns the site file."""
        crs = local_crs() if crs is None else crs
        layers = {"infestations": patches, "water": water or []}
        layers |= {
            name: rows
            for name, rows in (("receptors", receptors), ("access", access), ("history", history))
            if rows is not None
        }
        text = [f'[site]\nname = "test site"\nseason = {season}\n{site}\n']
        for name, rows in layers.items():
            self._write_layer(name, rows, crs)
            text.append(f'[layers.{name}]\npath = "{name}.gpkg"\n{(layer_lines or {}).get(name, "")}\n')
        text.append("[catalog]")
        names = []
        for place, item in enumerate([rules] if isinstance(rules, str) else rules):
            if "\n" in item:
                names.append(f"rules{place}.toml")
                (self.folder / names[-1]).write_text(item, encoding="utf-8")
            else:
                names.append(item)
        text.append(f"rules = {names!r}".replace("'", '"'))
        for key, content in (("products", products), ("treatments", treatments), ("operations", operations)):
            if content is not None:
                (self.folder / f"{key}.toml").write_text(content, encoding="utf-8")
                text.append(f'{key} = "{key}.toml"')
        path = self.folder / "site.toml"
        path.write_text("\n".join(text), encoding="utf-8")
        return path

    def _write_layer(self, name: str, rows: list[dict[str, Any]], crs: Any) -> None:
        if rows:
            frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=crs)
        else:
            empty = {"kind": np.array([], dtype=str), "geometry": []}
            frame = gpd.GeoDataFrame(empty, geometry="geometry", crs=crs)
        options = {} if rows else {"geometry_type": "Unknown"}
        frame.to_file(self.folder / f"{name}.gpkg", layer=name, engine="pyogrio", **options)

    def plan(self, *arguments: Any, **options: Any) -> Any:
        """Write, read and plan a site."""
        import tussock

        return tussock.make_plan(tussock.read_site(self.write(*arguments, **options)))
