"""In: a delivered plan. Out: shapefiles, and what that format cannot hold: full column names and long texts, as CSV."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import shapely

from tussock.deliver.exports_source import Source
from tussock.deliver.tables import csv_text, list_cells

if TYPE_CHECKING:
    import geopandas as gpd

LONGEST_NAME: Final = 10
LONGEST_TEXT: Final = 254
_LAYERS: Final = ("patches", "units", "setback_zones", "overlaps", "history")
#: Layers of several kinds of geometry, which are split: a shapefile holds one kind.
_MIXED: Final = ("water", "receptors", "access")
#: Name, type in the file and dimension of each kind.
_KINDS: Final = (("points", "MultiPoint", 0), ("lines", "MultiLineString", 1), ("polygons", "MultiPolygon", 2))
#: Ends of names that are kept whole: units, and what a number counts.
_UNITS: Final = frozenset(
    ["acre", "ha", "ft", "m", "m2", "gal", "l", "lb", "kg", "oz", "ml", "pct", "in", "hours", "cost"]
)
_VOWELS: Final = re.compile("[aeiou]")


def write_shapefiles(source: Source, folder: Path) -> None:
    """Write all layers as shapefiles, with column_names.csv and, where texts are long, long_texts.csv.

    The format holds one kind of geometry, names of 10 letters and texts of 254 bytes. Water, receptors and access
    become a file for each kind that they have (water_points.shp, water_lines.shp, water_polygons.shp).
    column_names.csv gives the full name and meaning of every column, long_texts.csv every longer text in full.
    """
    names, texts = [], []
    for layer, file, frame, kind in _list_files(source):
        fields = shorten_names([str(name) for name in frame.columns if name != frame.geometry.name])
        names += [
            (f"{file}.shp", short, full, source.meanings.get((layer, full), "")) for full, short in fields.items()
        ]
        texts += _write_layer(file, frame, fields, folder, kind)
    _write_csv(folder / "column_names.csv", ("file", "short_name", "full_name", "meaning"), names)
    if texts:
        _write_csv(folder / "long_texts.csv", ("file", "row", "full_name", "text"), texts)


def _list_files(source: Source) -> Iterator[tuple[str, str, gpd.GeoDataFrame, str]]:
    """Return layer, name of the file, rows and kind of geometry of every file to write."""
    for layer in _LAYERS:
        if layer in source.layers:
            yield layer, layer, source.layers[layer], "MultiPolygon"
    for layer in _MIXED:
        if layer not in source.layers:
            continue
        frame = _part_collections(source.layers[layer])
        dimensions = shapely.get_dimensions(frame.geometry.to_numpy())
        for word, kind, dimension in _KINDS:
            rows = frame[dimensions == dimension]
            if len(rows):
                yield layer, f"{layer}_{word}", _promote(rows, kind), kind


def _part_collections(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return rows with a geometry; one that is a collection of kinds becomes one row for each part."""
    drawn = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if (drawn.geom_type == "GeometryCollection").any():
        drawn = drawn.explode(index_parts=False)
    return drawn.reset_index(drop=True)


def _promote(frame: gpd.GeoDataFrame, kind: str) -> gpd.GeoDataFrame:
    """Return rows whose points are multipoints: that format has a type of its own for single ones."""
    if kind != "MultiPoint":
        return frame
    shapes = [shapely.multipoints(shapely.get_parts(shape)) for shape in frame.geometry]
    return frame.set_geometry(shapes, crs=frame.crs)


def shorten_names(names: Sequence[str]) -> dict[str, str]:
    """Return a name of at most 10 letters for each column, all different; the unit at the end of a name is kept.

    Examples
    --------
    >>> shorten_names(["patch_id", "nearest_water_ft", "nearest_receptor_ft", "infested_low_acre"]).values()
    dict_values(['patch_id', 'nrstwtr_ft', 'nrstrcp_ft', 'inflw_acre'])
    """
    short: dict[str, str] = {}
    taken = {"fid", "ogc_fid", "shape"}
    for name in names:
        number = 1
        candidate = _shorten(name, "")
        while candidate.casefold() in taken:
            number += 1
            candidate = _shorten(name, str(number))
        taken.add(candidate.casefold())
        short[name] = candidate
    return short


def _shorten(name: str, number: str) -> str:
    plain = "".join(letter if letter.isascii() and (letter.isalnum() or letter == "_") else "_" for letter in name)
    plain = plain if plain[:1].isalpha() else f"c{plain}"
    if len(plain) + len(number) <= LONGEST_NAME:
        return plain + number
    *words, unit = plain.split("_")
    if not any(words) or unit not in _UNITS:
        words, unit = plain.split("_"), ""
    tail = f"_{unit}" if unit else ""
    room = LONGEST_NAME - len(tail) - len(number)
    words = [word[0] + _VOWELS.sub("", word[1:]) for word in words if word]
    letters = [0] * len(words)
    for _ in range(room):  # one letter more for the word that has fewest
        growing = [place for place, word in enumerate(words) if letters[place] < len(word)]
        if growing:
            letters[min(growing, key=letters.__getitem__)] += 1
    return "".join(word[:count] for word, count in zip(words, letters, strict=True)) + number + tail


def _write_layer(
    layer: str, frame: gpd.GeoDataFrame, fields: dict[str, str], folder: Path, kind_of_shape: str
) -> list[tuple[str, int, str, str]]:
    """Write one shapefile and return the texts that it cannot hold, with file, row and column."""
    import geopandas as gpd
    import pandas as pd
    import pyogrio

    long_texts: list[tuple[str, int, str, str]] = []
    columns: dict[str, Any] = {}
    for full, cells in list_cells(frame).items():
        kind = frame[full].dtype.kind
        values: list[Any] = [int(cell) if isinstance(cell, bool) else cell for cell in cells]
        if kind in "iub":
            columns[fields[full]] = pd.Series(values, dtype="Int64")
        elif kind == "f":
            columns[fields[full]] = pd.Series(values, dtype="float64")
        else:
            texts = [None if value is None else str(value) for value in values]
            long_texts += [
                (f"{layer}.shp", row, full, text)
                for row, text in enumerate(texts)
                if text is not None and _is_long(text)
            ]
            columns[fields[full]] = pd.Series([_cut(text) for text in texts], dtype="str")
    shapes = gpd.GeoSeries(frame.geometry.array, crs=frame.crs)
    pyogrio.write_dataframe(
        gpd.GeoDataFrame(columns, geometry=shapes, crs=frame.crs),
        folder / f"{layer}.shp",
        driver="ESRI Shapefile",
        geometry_type=kind_of_shape,
        layer_options={"ENCODING": "UTF-8", "DBF_DATE_LAST_UPDATE": "2000-01-01"},
        use_arrow=False,
    )
    return long_texts


def _is_long(text: str) -> bool:
    return len(text.encode()) > LONGEST_TEXT


def _cut(text: str | None) -> str | None:
    """Return a text that fits, cut between letters; three dots say that there is more in long_texts.csv."""
    if text is None or not _is_long(text):
        return text
    return text.encode()[: LONGEST_TEXT - 3].decode(errors="ignore") + "..."


def _write_csv(path: Path, heads: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(heads)
        writer.writerows([csv_text(cell) for cell in row] for row in rows)
