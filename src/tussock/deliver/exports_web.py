"""In: a delivered plan. Out: GeoJSON (RFC 7946) for the web and scripts, GeoParquet for data tools."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tussock.base.errors import MissingExtraError
from tussock.deliver.exports_source import Source, find_lonlat
from tussock.deliver.tables import list_cells

if TYPE_CHECKING:
    import geopandas as gpd


def write_geojson(source: Source, folder: Path) -> None:
    """Write each layer as one FeatureCollection: WGS 84, 7 decimals, right-hand rule, cut at the antimeridian."""
    for name, frame in source.layers.items():
        content = {
            "type": "FeatureCollection",
            "name": name,
            "description": " ".join(source.words),
            "features": _list_features(frame),
        }
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        (folder / f"{name}.geojson").write_text(
            text.replace(',{"type":"Feature"', ',\n{"type":"Feature"') + "\n", "utf-8"
        )


def _list_features(frame: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    cells = list_cells(frame)
    rows = zip(*cells.values(), strict=True) if cells else iter(())
    return [
        {
            "type": "Feature",
            "geometry": None if shape is None else _round(shape.__geo_interface__),
            "properties": dict(zip(cells, row, strict=True)),
        }
        for shape, row in zip(find_lonlat(frame), rows, strict=True)
    ]


def _round(value: Any) -> Any:
    """Return the nested coordinates of a geometry to 7 decimals, without the digits that binary numbers drag along."""
    if isinstance(value, float):
        return round(value, 7) + 0.0
    if isinstance(value, dict):
        return {key: _round(item) for key, item in value.items()}
    return [_round(item) for item in value] if isinstance(value, tuple | list) else value


def write_geoparquet(source: Source, folder: Path) -> None:
    """Write each layer as one GeoParquet file, in the CRS of the infestation layer.

    Raises
    ------
    MissingExtraError
        The package pyarrow is not installed.
    """
    if importlib.util.find_spec("pyarrow") is None:
        raise MissingExtraError('GeoParquet needs the package pyarrow: pip install "tussock[geoparquet]"')
    for name, frame in source.layers.items():
        frame.to_parquet(folder / f"{name}.parquet", index=False, schema_version="1.1.0")
