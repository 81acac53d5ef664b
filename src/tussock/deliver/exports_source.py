"""In: plan.gpkg of a delivered folder. Out: its layers, what their columns mean, and the cautions, ready to export."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError, MissingInputError
from tussock.base.geodesy import move_geometry
from tussock.base.sources import check_database

if TYPE_CHECKING:
    import geopandas as gpd

GEOPACKAGE: Final = "plan.gpkg"
_LAYERS: Final = ("patches", "units", "setback_zones", "overlaps", "water", "receptors", "access", "history")
#: One step of the seventh decimal of a degree, 11 mm on the ground at most (RFC 7946, section 11.2, on precision).
_STEP_DEGREES: Final = 1e-7
#: Letters that XML 1.0 does not allow, escaped or not (section 2.2).
_NOT_XML: Final = dict.fromkeys((*range(9), 11, 12, *range(14, 32), 65534, 65535))


@dataclass(frozen=True)
class Source:
    """A delivered plan as an export needs it.

    Attributes
    ----------
    name, season
        Of the site.
    layers
        GeoDataFrames in the CRS of the infestation layer.
    meanings
        What each column means, by layer and column.
    words
        Cautions, blanks, rule sets and CRS: what every output says.
    has_treatments
        Whether treatments were loaded; a plan without them says what is open, and treats nothing.
    """

    name: str
    season: str
    layers: Mapping[str, gpd.GeoDataFrame]
    meanings: Mapping[tuple[str, str], str]
    words: tuple[str, ...]
    has_treatments: bool = True


def read_source(folder: Path) -> Source:
    """Read what an export needs from a delivered folder.

    Parameters
    ----------
    folder
        What `Plan.write` wrote.

    Returns
    -------
    Source
        Its layers, with missing whole numbers as missing and flags as flags.

    Raises
    ------
    MissingInputError
        The folder has no plan.gpkg.
    InputError
        It cannot be read as a plan.
    """
    import pyogrio

    path = folder / GEOPACKAGE
    if not path.is_file():
        need = "name a folder that `tussock plan` wrote"
        raise MissingInputError(Fault(str(folder), GEOPACKAGE, "no such file", need))
    try:
        check_database(path)
        names = [name for name in _LAYERS if name in {row[0] for row in pyogrio.list_layers(path)}]
        layers = {name: _read_layer(path, name) for name in names}
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
            about = database.execute("SELECT topic, item, text FROM about ORDER BY fid").fetchall()
            rows = database.execute("SELECT table_name, column_name, description FROM gpkg_data_columns").fetchall()
        if not {"patches", "units", "setback_zones"} <= set(layers):
            raise ValueError("layers patches, units and setback_zones are not all there")
    except (pyogrio.errors.DataSourceError, sqlite3.DatabaseError, ValueError) as error:
        need = "write the plan again with `tussock plan`"
        raise InputError(Fault(str(path), "content", f"not a plan ({error})", need)) from error
    facts = {(topic, item): text for topic, item, text in about}
    return Source(
        name=facts.get(("site", "name"), ""),
        season=facts.get(("site", "season"), ""),
        layers=layers,
        meanings={(table, column): meaning for table, column, meaning in rows},
        words=tuple(_list_words(about)),
        has_treatments=any(topic == "source of treatment" for topic, _, _ in about),
    )


def _read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    import pyogrio

    frame = pyogrio.read_dataframe(path, layer=name)
    info = pyogrio.read_info(path, layer=name)
    whole = [
        field
        for field, kind in zip(info["fields"], info["dtypes"], strict=True)
        if str(kind).startswith("int") and frame[field].dtype.kind == "f"
    ]
    return frame.astype(dict.fromkeys(whole, "Int64"))  # a column with gaps comes back as floating point


def _list_words(about: list[tuple[str, str, str]]) -> list[str]:
    lines = []
    for topic, item, text in about:
        if topic == "caution":
            lines.append(text)
        elif topic.startswith("Not ready"):
            lines.append(f"{topic}: {item} ____________")
        elif topic in ("rule set", "CRS", "site"):
            lines.append(f"{topic}, {item}: {text}")
    return lines


def find_lonlat(frame: gpd.GeoDataFrame) -> NDArray[Any]:
    """Return geometries in WGS 84 to 7 decimals, cut at the antimeridian, outer rings counterclockwise, shape (n,).

    The rules are those of RFC 7946, sections 3.1.6, 3.1.9 and 4. A missing or empty geometry is None.
    """
    shapes = shapely.force_2d(np.asarray(frame.geometry.array, dtype=object))
    shapes[shapely.is_empty(shapes)] = None
    if frame.crs is not None:
        there = ~shapely.is_missing(shapes)
        shapes[there] = move_geometry(shapes[there], frame.crs, "EPSG:4326")
    rounded = shapely.set_precision(_cut_at_antimeridian(shapes), _STEP_DEGREES)
    oriented: NDArray[Any] = np.asarray(shapely.orient_polygons(rounded), dtype=object)
    oriented[shapely.is_empty(oriented)] = None
    return oriented


def _cut_at_antimeridian(shapes: NDArray[Any]) -> NDArray[Any]:
    """Return shapes with what lies beyond 180 degrees as a part of its own, 360 degrees to the west."""
    east, west = shapely.box(180, -90, 540, 90), shapely.box(-180, -90, 180, 90)
    box = shapely.bounds(shapes)
    cut = shapes.copy()
    for place in np.flatnonzero(box[:, 2] > 180):  # noqa: PLR2004  (degrees of half a turn; few shapes lie across)
        beyond = shapely.transform(shapely.intersection(shapes[place], east), lambda xy: xy - [360, 0])
        parts = [
            *_list_parts(shapely.intersection(shapes[place], west), shapes[place]),
            *_list_parts(beyond, shapes[place]),
        ]
        cut[place] = _join(parts)
    return cut


def _list_parts(shape: Any, like: Any) -> list[Any]:
    """Return the parts of the dimension that the whole has: an edge that only touches the line is no part."""
    wanted = shapely.get_dimensions(like)
    return [part for part in shapely.get_parts(shape) if shapely.get_dimensions(part) == wanted and not part.is_empty]


def _join(parts: list[Any]) -> Any:
    if len(parts) == 1:
        return parts[0]
    kinds = {"Polygon": shapely.MultiPolygon, "LineString": shapely.MultiLineString, "Point": shapely.MultiPoint}
    return kinds[parts[0].geom_type](parts) if parts else shapely.GeometryCollection()


def clean_xml(text: object) -> str:
    """Return text without the control letters that XML cannot hold."""
    return str(text).translate(_NOT_XML)
