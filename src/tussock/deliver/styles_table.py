"""In: a GeoPackage and a plan. Out: the table ``layer_styles`` in it, by which a desktop GIS opens its layers drawn."""

from __future__ import annotations

import sqlite3
from typing import Final

from tussock.base.stages import PlanTables
from tussock.deliver.styles import list_styles
from tussock.deliver.styles_desktop import write_desktop_style
from tussock.deliver.styles_sld import write_sld

TABLE: Final = "layer_styles"

#: Columns as the programs that use the convention create and look for them.
_CREATE: Final = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME
);
"""
_MEANINGS: Final = {
    "id": "running number",
    "f_table_catalog": "catalog of the layer; blank in a file",
    "f_table_schema": "schema of the layer; blank in a file",
    "f_table_name": "layer",
    "f_geometry_column": "its geometry column",
    "styleName": "name of the style",
    "styleQML": "the style as desktop GIS takes it when it opens the layer",
    "styleSLD": "the style as OGC Styled Layer Descriptor 1.0",
    "useAsDefault": "whether the layer opens with it",
    "description": "what it shows",
    "owner": "blank",
    "ui": "blank",
    "update_time": "first day of the season of the plan",
}


def write_styles(database: sqlite3.Connection, plan: PlanTables, date: str) -> None:
    """Write a default style for each layer of an open GeoPackage.

    Parameters
    ----------
    database
        The GeoPackage, its layers written.
    plan
        Plan that was written into it.
    date
        Date for the rows, ISO 8601: of the plan, not of the clock, so that the same plan gives the same bytes.
    """
    columns = dict(database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
    styles = [style for style in list_styles(plan) if style.layer in columns]
    rows = [
        (item.layer, columns[item.layer], item.layer, write_desktop_style(item), write_sld(item), item.about, date)
        for item in styles
    ]
    database.executescript(_CREATE)
    database.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
        "styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
        "VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', '', ?)",
        rows,
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES (?, 'attributes', ?, 'how a desktop GIS draws the layers', ?)",
        (TABLE, TABLE, date),
    )
    database.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, description) VALUES (?, ?, ?)",
        [(TABLE, name, meaning) for name, meaning in _MEANINGS.items()],
    )
