"""In: a file from the field. Out: treated ground as polygons in degrees, with what was used, when, and how sure."""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.errors import Fault, InputError, MissingInputError
from tussock.base.sources import SourceCopy, list_formats, list_layers, open_copy
from tussock.base.units import FLUID_OUNCE_L, FOOT_M, GALLON_L
from tussock.review.geometry import move_outlines, move_to_degrees, rebuild, split_site

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Layers of a GPX file that are taken by themselves, best first.
_GPX_LAYERS: Final = ("tracks", "routes", "track_points", "waypoints")
_LENGTHS: Final = {"m": 1.0, "ft": FOOT_M}
_VOLUMES: Final = {"l": 1.0, "ml": 1e-3, "gal": GALLON_L, "fl_oz": FLUID_OUNCE_L}
#: Segments on a quarter turn of the swath's rounded ends.
_QUARTER: Final = 16
_POINT_LIKE: Final = (0, 4)
_LINE_LIKE: Final = (1, 2, 5)
_AREA_LIKE: Final = (3, 6)
_FEW: Final = 5
_GROUND: Final = "treated ground"


@dataclass(frozen=True)
class TreatedSource:
    """A file from the field and what the person who brings it states about it.

    Attributes
    ----------
    path
        Polygons, or tracks of a receiver: any format that layers may have, GPX too.
    layer
        Its layer, where it holds several.
    accuracy_m
        Horizontal error of its positions, where no column ``accuracy_m`` or ``accuracy_ft`` states it.
    swath_m
        Width that lines and points were treated in, where no column ``swath_m`` or ``swath_ft`` states it.
    """

    path: Path
    layer: str | None = None
    accuracy_m: float | None = None
    swath_m: float | None = None


@dataclass(frozen=True)
class Treated:
    """Treated ground: one row for each feature of the file that has an outline.

    ``table`` has ``label, product_id, method, date, unit_id, accuracy_m, product_l`` (blank text or nan where the file
    does not state it); ``outline`` has the polygons in degrees, shape (n,). ``without`` names the rows without one.
    """

    table: pd.DataFrame
    outline: NDArray[Any]
    without: tuple[str, ...]


def read_treated(source: TreatedSource) -> Treated:
    """Read treated ground.

    Raises
    ------
    InputError
        No such file or layer, no CRS, no accuracy, lines or points without a swath width, a date or number that cannot
        be read: every fault of the file at once.
    """
    frame = _read_frame(source)
    name = source.path.name
    if frame.crs is None:
        need = "save it with its CRS; a plain longitude and latitude is EPSG:4326"
        raise InputError(Fault(name, "CRS", "none", need))
    faults: list[Fault] = []
    accuracy = _read_sizes(frame, "accuracy", _LENGTHS, source.accuracy_m, name, faults)
    swath = _read_sizes(frame, "swath", _LENGTHS, source.swath_m, name, faults)
    shapes = np.asarray(frame.geometry.array, dtype=object)
    blank = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    kind = shapely.get_type_id(shapes)
    thin = ~blank & np.isin(kind, [*_POINT_LIKE, *_LINE_LIKE])
    other = ~blank & ~thin & ~np.isin(kind, _AREA_LIKE)
    _collect(faults, name, "geometry", other, "a collection", "save polygons, lines or points")
    need = 'state the positional error: --accuracy "3 m", or a column accuracy_m or accuracy_ft'
    _collect(faults, name, "accuracy", ~blank & ~(accuracy >= 0), "none", need)
    need = 'state the width treated: --swath "20 ft", or a column swath_m or swath_ft'
    _collect(faults, name, "swath", thin & ~(swath > 0), "none, for a line or point", need)
    table = _read_table(frame, name, faults)
    table["accuracy_m"] = accuracy
    if faults:
        raise InputError(faults)
    if blank.all():
        raise InputError(Fault(name, "features", f"{len(frame)} rows, none with an outline", "give treated ground"))
    degrees = move_to_degrees(shapes[~blank], frame.crs)
    outline = _widen(degrees, swath[~blank] / 2, thin[~blank])
    return Treated(table[~blank].reset_index(drop=True), rebuild(outline), tuple(table["label"][blank]))


def _collect(faults: list[Fault], name: str, what: str, bad: NDArray[np.bool_], found: str, need: str) -> None:
    rows = np.flatnonzero(bad) + 1
    if len(rows):
        shown = ", ".join(str(row) for row in rows[:_FEW]) + (", ..." if len(rows) > _FEW else "")
        faults.append(Fault(name, f"{what}, row {shown}", found, need))


def _read_frame(source: TreatedSource) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pyogrio

    name = source.path.name
    if not source.path.exists():
        raise MissingInputError(Fault(name, _GROUND, "no such file", "give polygons or tracks from the field"))
    try:
        with warnings.catch_warnings(), open_copy(source.path, name, _GROUND) as copy:
            warnings.simplefilter("ignore")  # a damaged file makes GDAL warn as well as fail
            if copy.drivers:
                layer = _choose_layer(source, copy, list_layers(copy, name, _GROUND))
                frame = pyogrio.read_dataframe(copy.address, layer=layer, use_arrow=False)
            else:
                frame = gpd.read_parquet(copy.path)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError, UnicodeDecodeError) as error:
        need = f"save it anew as one of {list_formats()}"
        raise InputError(Fault(name, _GROUND, "a file that cannot be read", need)) from error
    if not isinstance(frame, gpd.GeoDataFrame) or not len(frame):
        found = "no features" if isinstance(frame, gpd.GeoDataFrame) else "a table without geometry"
        raise InputError(Fault(name, _GROUND, found, "give polygons or tracks from the field"))
    return frame.reset_index(drop=True)


def _choose_layer(source: TreatedSource, copy: SourceCopy, found: list[str]) -> str:
    import pyogrio

    if source.layer is not None:
        if source.layer not in found:
            need = f"name one of its layers: {', '.join(found)}"
            raise InputError(Fault(source.path.name, "layer", f'no layer "{source.layer}"', need))
        return source.layer
    if source.path.suffix.casefold() == ".gpx":
        for layer in [item for item in _GPX_LAYERS if item in found]:
            if pyogrio.read_info(copy.address, layer=layer, force_feature_count=True)["features"] > 0:
                return layer
    if len(found) != 1:
        need = f"name the layer: one of {', '.join(found) or '(the file holds none)'}"
        raise InputError(Fault(source.path.name, "layer", f"{len(found)} layers in the file", need))
    return found[0]


def _read_sizes(
    frame: pd.DataFrame, stem: str, sizes: Mapping[str, float], given: float | None, name: str, faults: list[Fault]
) -> NDArray[np.float64]:
    """Return a size in SI for each row: from its column, else what was stated for the file, else nan."""
    import pandas as pd

    result = np.full(len(frame), np.nan if given is None else given)
    for unit, size in sizes.items():
        column = f"{stem}_{unit}"
        if column not in frame.columns:
            continue
        numbers = pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan, copy=True)
        bad = (np.isnan(numbers) & frame[column].notna().to_numpy()) | (numbers < 0) | np.isinf(numbers)
        _collect(faults, name, column, bad, "no number of that kind", "write a number that is not negative")
        numbers[bad] = 1.0  # one fault for each cell
        result = np.where(np.isnan(numbers), result, numbers * size)
    return result


def _read_table(frame: pd.DataFrame, name: str, faults: list[Fault]) -> pd.DataFrame:
    """Return what the features state, under our names."""
    import pandas as pd

    table = pd.DataFrame({"label": _list_labels(frame)})
    for column, spellings in (
        ("unit_id", ("unit_id",)),
        ("product_id", ("product_id", "product")),
        ("method", ("method",)),
        ("date", ("date",)),
    ):
        found = next((item for item in spellings if item in frame.columns), None)
        cells = frame[found].where(frame[found].notna(), "").tolist() if found else [""] * len(frame)
        table[column] = [_day(value) if column == "date" else str(value).strip() for value in cells]
    wrong = np.array([not _is_day(text) for text in table["date"]], dtype=bool)
    _collect(faults, name, "date", wrong, "no date", 'write dates as "YYYY-MM-DD"')
    table["product_l"] = _read_sizes(frame, "product", _VOLUMES, None, name, faults)
    return table


def _day(value: Any) -> str:
    return value.date().isoformat() if isinstance(value, dt.datetime) else str(value).strip()


def _is_day(text: str) -> bool:
    try:
        return not text or bool(dt.date.fromisoformat(text))
    except ValueError:
        return False


def _list_labels(frame: pd.DataFrame) -> list[str]:
    """Return a name for each row: its own where it has one, and its number."""
    own = next((item for item in ("name", "label", "id") if item in frame.columns), None)
    names = frame[own].tolist() if own else [None] * len(frame)
    return [
        f"treated row {place}" + (f" ({value})" if value is not None and value == value and str(value) else "")  # noqa: PLR0124
        for place, value in enumerate(names, start=1)
    ]


def _widen(degrees: NDArray[Any], half_m: NDArray[np.float64], thin: NDArray[np.bool_]) -> NDArray[Any]:
    """Return outlines with lines and points widened to the ground that was treated along them."""
    widened = degrees.copy()
    rows = np.flatnonzero(thin)
    if not len(rows):
        return widened
    first = shapely.get_coordinates(shapely.centroid(degrees[rows]))
    for part in split_site(first[:, 0], first[:, 1]):
        some = rows[part.members]
        local = move_outlines(degrees[some], part.to_local)
        ground = shapely.buffer(local, half_m[some], quad_segs=_QUARTER)
        widened[some] = move_outlines(ground, part.to_degrees)
    return widened
