"""In: a plan. Out: one GeoPackage with its layers and tables, each column described, the same bytes for the same plan.

The format is the OGC GeoPackage Encoding Standard 1.3 (OGC 12-128r18). Column descriptions go to its schema extension
(annex F.9), which desktop GIS shows as field comments.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from tussock.base import columns as c
from tussock.base.errors import OutputError
from tussock.base.stages import PlanTables
from tussock.deliver.permits import list_permits
from tussock.deliver.styles_table import write_styles
from tussock.deliver.tables import attribute_names, cell_values, describe_columns, list_assumptions

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Names that the format keeps for itself, or that its tools take for the row number.
_KEPT_NAMES: Final = ("fid", "ogc_fid", "geom")
#: Type of a column by its kind; each holds missing values.
_TYPES: Final = {"text": "str", "number": "float64", "count": "Int64", "flag": "boolean"}
_RELATIONS: Final = {
    "unit_setbacks": "setbacks in force on each unit",
    "unit_checks": "setbacks of each unit whose distance wants a check in the field",
    "unit_history": "earlier applications on the ground of each unit",
    "unit_shared": "units of two patches on one ground",
    "unit_products": "products in the tank of each planned unit",
}
_SCHEMA_EXTENSION: Final = "http://www.geopackage.org/spec130/index.html#extension_schema"


@dataclass(frozen=True)
class Rename:
    """One column that the GeoPackage could not hold as it came: layer, name, name or form written, and why."""

    layer: str
    column: str
    written_as: str
    why: str


@dataclass(frozen=True)
class _Table:
    """One table of the file: its rows, its geometry type (None: no geometry) and one line on what it is."""

    name: str
    frame: pd.DataFrame
    geometry: Literal["MultiPolygon", "Unknown"] | None
    about: str


def write_geopackage(plan: PlanTables, path: Path) -> None:
    """Write ``plan.gpkg``.

    Layers ``patches, units, setback_zones, overlaps`` and those of ``water, receptors, access, history`` that the site
    has, all in the CRS of the infestation layer; tables ``options, compliance, unit_hours, stems, kinds, unruled,
    permits, findings, season, about`` without geometry.

    Parameters
    ----------
    plan
        What to write.
    path
        A file that is not there yet.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    import pyogrio

    if path.exists():
        raise OutputError(f"{path} is there already: move it away, a GeoPackage is written anew")
    tables = _list_tables(plan)
    try:
        date = f"{plan.site.season.first}T00:00:00.000Z"
        with _fixed_date(date):
            for table in tables:
                _write_table(plan, path, table)
        _describe(plan, path, tables)
        with closing(sqlite3.connect(path)) as database, database:
            write_styles(database, plan, date)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, sqlite3.OperationalError) as error:
        raise OutputError(f"{path} cannot be written: {error}; name a folder on a disk with room") from error


def _write_table(plan: PlanTables, path: Path, table: _Table) -> None:
    import pyogrio

    options = {"DESCRIPTION": table.about, "IDENTIFIER": table.name}
    pyogrio.write_dataframe(
        _fit(plan, table)[0],
        path,
        layer=table.name,
        driver="GPKG",
        geometry_type=table.geometry,
        promote_to_multi=table.geometry == "MultiPolygon",
        dataset_options=None if path.exists() else {"VERSION": "1.3"},
        layer_options=options if table.geometry is None else {**options, "SPATIAL_INDEX": "YES"},
        use_arrow=False,
    )


def find_renames(plan: PlanTables) -> list[Rename]:
    """Return the columns that stand in the GeoPackage under another name or in another form."""
    return [rename for table in _list_tables(plan) for rename in _fit(plan, table)[1]]


def _list_tables(plan: PlanTables) -> list[_Table]:
    import pandas as pd

    word = "as mapped; the label, permits and the ground on the day decide"
    tables = [
        _Table("patches", plan.patches, "MultiPolygon", f"infestation patches with their budget, {word}"),
        _Table("units", plan.units, "MultiPolygon", f"treatment units with the treatment chosen, {word}"),
        _Table("setback_zones", plan.setback_zones, "MultiPolygon", "ground near the patches that a setback covers"),
        _Table("overlaps", plan.overlaps, "MultiPolygon", "ground that two patches have in common"),
    ]
    for name, frame in plan.features.items():
        kind: Literal["MultiPolygon", "Unknown"] = "MultiPolygon" if name == "history" else "Unknown"
        tables.append(_Table(name, frame, kind, f"{name} as read and repaired"))
    about = pd.DataFrame(list_assumptions(plan), columns=["topic", "item", "text"])
    work = [
        _Table(name, frame, None, text)
        for name, frame, text in (
            ("unit_hours", plan.work.get("unit_hours"), "every term of the paid hours of each planned unit"),
            ("unit_windows", plan.work.get("unit_windows"), "every run of lawful days of each planned unit"),
            ("stems", plan.stems, "stems by diameter class, or each stem, as mapped"),
            ("kinds", plan.kinds, "kinds of water and receptors, and the rules that run from each"),
            ("unruled", plan.unruled, "units near a kind that no rule names: no herbicide is planned there"),
            ("permits", list_permits(plan), "permits and notices that planned work asks for, with what is counted"),
        )
        if frame is not None and len(frame)
    ]
    work += [_Table(name, plan.relations[name], None, text) for name, text in _RELATIONS.items()]
    return [
        *tables,
        _Table("options", plan.options, None, "every candidate treatment on every unit, with verdict and reason"),
        _Table("compliance", plan.compliance, None, "every unit and setback: required and achieved distance"),
        *work,
        _Table("findings", plan.findings, None, "what was noticed and done on the way, with areas of repairs"),
        _Table("season", plan.season, None, "totals of the season: low, likely, high"),
        _Table("about", about, None, "cautions, rule sets, CRS, defaults and sources that the plan rests on"),
    ]


@contextmanager
def _fixed_date(date: str) -> Iterator[None]:
    """Let GDAL write a date of the plan, not the clock, into the file."""
    import pyogrio

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": date})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _fit(plan: PlanTables, table: _Table) -> tuple[pd.DataFrame | gpd.GeoDataFrame, list[Rename]]:
    """Return a table under names and types that the format holds, and what had to change for it."""
    import pandas as pd

    kinds = {column.shown_name(plan.site.options.units): column.kind for column in c.SCHEMAS.get(table.name, ())}
    renames: list[Rename] = []
    columns: dict[str, Any] = {}
    for name, written in zip(attribute_names(table.frame), _fit_names(table.frame), strict=True):
        columns[written], changed = _fit_type(table.frame[name], kinds.get(name))
        if written != name:
            renames.append(Rename(table.name, name, written, "a GeoPackage keeps this name, or tells no case apart"))
        if changed:
            renames.append(Rename(table.name, name, f"{written} (text)", changed))
    fitted = pd.DataFrame(columns, index=pd.RangeIndex(len(table.frame)))
    return (fitted if table.geometry is None else _set_geometry(plan, table, fitted)), renames


def _fit_names(frame: pd.DataFrame) -> list[str]:
    """Return a name for each column; those of the contract come first and so keep theirs."""
    taken = set(_KEPT_NAMES)
    names = []
    for name in attribute_names(frame):
        base = name.replace("\x00", "") or "unnamed"
        written, number = base, 1
        while written.casefold() in taken:
            number += 1
            written = f"{base}_{number}"
        taken.add(written.casefold())
        names.append(written)
    return names


def _fit_type(column: pd.Series[Any], kind: str | None) -> tuple[pd.Series[Any], str]:
    """Return a column in a type that does not hang on which rows there are, and why it had to become text, if so."""
    import pandas as pd

    kind = kind or _find_kind(column)
    if kind == "time":
        return column.reset_index(drop=True), ""
    cells: list[Any] = cell_values(column)
    if kind == "other":
        texts = [None if cell is None else str(cell) for cell in cells]
        return pd.Series(texts, dtype="str"), _tell_kind(column)
    return pd.Series(cells, dtype=_TYPES[kind]), ""


def _find_kind(column: pd.Series[Any]) -> str:
    """Return the kind of a column that no schema knows."""
    from pandas.api import types

    checks = {
        "flag": types.is_bool_dtype,
        "count": types.is_integer_dtype,
        "number": types.is_float_dtype,
        "time": types.is_datetime64_any_dtype,
    }
    found = [kind for kind, check in checks.items() if check(column.dtype)]
    if found:
        return found[0]
    values = column.dropna()
    return "flag" if len(values) and all(isinstance(value, bool) for value in values) else "other"


def _tell_kind(column: pd.Series[Any]) -> str:
    """Say why a column became text; nothing where it was text."""
    values = [value for value, missing in zip(column.tolist(), column.isna(), strict=True) if not missing]
    if all(isinstance(value, str) for value in values):
        return ""
    if all(type(value) is dt.date for value in values):
        return "days are written as text, YYYY-MM-DD"
    return "values of a kind that a GeoPackage column does not hold"


def _set_geometry(plan: PlanTables, table: _Table, fitted: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return the rows with their outlines, two-dimensional; an empty outline is none."""
    import geopandas as gpd
    import numpy as np
    import shapely

    name = "geometry"
    while name in fitted.columns:
        name += "_"
    frame: Any = table.frame
    shapes = shapely.force_2d(np.asarray(frame.geometry.array, dtype=object))
    shapes[shapely.is_empty(shapes)] = None
    series = gpd.GeoSeries(shapes, index=fitted.index, crs=plan.patches.crs)
    return gpd.GeoDataFrame(fitted.assign(**{name: series}), geometry=name, crs=plan.patches.crs)


def _describe(plan: PlanTables, path: Path, tables: list[_Table]) -> None:
    """Write what each column means into the schema extension of the format (annex F.9)."""
    rows = []
    for table in tables:
        names = _fit_names(table.frame)
        for note, written in zip(describe_columns(plan, table.name, table.frame), names, strict=True):
            unit = f" [{note.unit}]" if note.unit else ""
            rows.append((table.name, written, note.meaning + unit))
    with closing(sqlite3.connect(path)) as database, database:
        database.executescript(_SCHEMA_TABLES)
        database.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, description) VALUES (?, ?, ?)", rows
        )
        database.executemany(
            "INSERT INTO gpkg_extensions (table_name, extension_name, definition, scope) "
            "VALUES (?, 'gpkg_schema', ?, 'read-write')",
            [(name, _SCHEMA_EXTENSION) for name in ("gpkg_data_columns", "gpkg_data_column_constraints")],
        )


#: Tables of the schema extension, with the columns and constraints that annex F.9 asks for.
_SCHEMA_TABLES: Final = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
"""
