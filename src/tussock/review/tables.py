"""In: the tables of a delivered plan in every file that holds them. Out: findings on columns and differences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.review.delivered import CSV_FILES
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation, warning

if TYPE_CHECKING:
    import pandas as pd

#: Numbers of two files agree to this: the CSV files hold 12 digits.
_TOLERANCE: Final = 1e-10
#: Sheets of the workbook, and the table that each repeats.
SHEETS: Final[Mapping[str, str]] = {
    "Patches": "patches",
    "Units": "units",
    "Products": "product_budget",
    "Options": "options",
    "Compliance": "compliance",
    "Season": "season",
    "Hours": "unit_hours",
}
#: Columns that tell rows apart.
KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "patches": ("patch_id",),
    "units": ("unit_id",),
    "product_budget": ("product_id",),
    "options": ("unit_id", "treatment_id"),
    "compliance": ("unit_id", "setback_id"),
    "season": ("item",),
    "unit_hours": ("unit_id",),
}
#: A cell of a workbook holds at most this; longer texts are cut there.
_MOST_LETTERS: Final = 32_767
_MOST_ROWS: Final = 1_048_574


def check_columns(evidence: Evidence) -> list[Row]:
    """Check that tables have the columns of the contract, numbers are numbers, and ids stand once."""
    rows: list[Row] = []
    for name, schema in c.SCHEMAS.items():
        frame = _find_frame(evidence, name)
        if frame is None:
            continue
        for column in schema:
            shown = column.shown_name(evidence.system)
            if shown not in frame.columns:
                rows.append(violation(f"{name}, {shown}", "no such column", column.meaning))
            elif column.kind in ("number", "count") and name != "product_budget":
                rows += _check_numbers(name, shown, frame[shown])
    for name in ("patches", "units"):
        key = f"{name.removesuffix('es' if name == 'patches' else 's')}_id"
        table = evidence.patches if name == "patches" else evidence.units
        twice = table[key].duplicated(keep=False).to_numpy() | (table[key] == "").to_numpy()
        rows += pick_rows(
            twice,
            lambda k, table=table, key=key: violation(  # type: ignore[misc]
                f"{key} {table[key].iloc[k]!r}", "twice, or blank", "one row for each id"
            ),
        )
    rows += _check_system(evidence)
    return [*rows, info("plan.gpkg", f"{len(c.SCHEMAS)} tables against the columns of the contract")]


def _find_frame(evidence: Evidence, name: str) -> pd.DataFrame | None:
    delivered = evidence.delivered
    for source in (delivered.layers, delivered.tables):
        if name in source:
            frame: pd.DataFrame = source[name]
            return frame
    return delivered.csv.get(f"{name}.csv")


def _check_numbers(table: str, name: str, column: pd.Series[Any]) -> list[Row]:
    """Check that a column of numbers holds no texts: a program that saved it again may have changed its kind."""
    import pandas as pd
    from pandas.api import types

    numbers = pd.to_numeric(column, errors="coerce")
    wrong = (numbers.isna() & column.notna()).to_numpy()
    if wrong.any():
        shown = str(column[wrong].iloc[0])
        return [violation(f"{table}, {name}", f"{int(wrong.sum())} texts, the first {shown!r}", "numbers")]
    if not types.is_numeric_dtype(column.dtype) and column.notna().any():
        return [warning(f"{table}, {name}", "numbers kept as text", "numbers", "saved again by another program?")]
    if np.isinf(numbers.to_numpy(dtype=float, na_value=np.nan)).any():
        return [violation(f"{table}, {name}", "a number without end", "finite numbers")]
    return []


def _check_system(evidence: Evidence) -> list[Row]:
    said = evidence.catalog.units or "us"
    if said == evidence.system:
        return []
    return [
        violation("plan.gpkg, units", f"columns in {evidence.system} units", f"{said} units, as the site document says")
    ]


def check_tables(evidence: Evidence) -> list[Row]:
    """Check that GeoPackage, CSV files, workbook and map hold the same tables, cell by cell."""
    rows: list[Row] = []
    compared = 0
    for file, name in CSV_FILES.items():
        frame = evidence.delivered.csv.get(file)
        main = _find_main(evidence, name)
        if frame is not None and main is not None and main is not frame:
            rows += compare_tables(name, main, frame, file)
            compared += 1
    sheets = evidence.delivered.sheets
    for sheet, name in SHEETS.items() if sheets is not None else ():
        main = _find_main(evidence, name)
        cells = None if sheets is None else sheets.get(sheet)
        if cells is None and (main is not None or name != "unit_hours"):
            rows.append(violation(f"plan.xlsx, {sheet}", "no such sheet", "the workbook as the plan wrote it"))
        elif cells is not None and main is not None:
            rows += compare_tables(name, main.head(_MOST_ROWS), _read_sheet(cells), f"plan.xlsx, {sheet}")
            compared += 1
    return [*rows, info("folder", f"{compared} tables of other files against plan.gpkg")]


def _find_main(evidence: Evidence, name: str) -> pd.DataFrame | None:
    """Return the table that others are compared with: that of the GeoPackage, for products that of the CSV file."""
    import pandas as pd

    frame = _find_frame(evidence, name)
    if frame is None:
        return None
    if "geometry" in frame.columns:
        return pd.DataFrame(frame.drop(columns="geometry"))
    numbers = {column.shown_name(evidence.system) for column in c.SCHEMAS.get(name, ()) if column.kind != "text"}
    texts = {
        column: frame[column]
        for column in numbers & set(frame.columns)
        if not pd.api.types.is_numeric_dtype(frame[column])
    }
    return frame.assign(**{column: pd.to_numeric(values, errors="coerce") for column, values in texts.items()})


def _read_sheet(cells: list[tuple[Any, ...]]) -> pd.DataFrame:
    """Return a sheet as a table: names in the first row, cells as they stand, rows that are blank left out."""
    import pandas as pd

    if not cells:
        return pd.DataFrame()
    names = ["" if cell is None else str(cell) for cell in cells[0]]
    filled = [row for row in cells[1:] if any(cell is not None for cell in row)]
    return pd.DataFrame(
        [[*row, *[None] * (len(names) - len(row))][: len(names)] for row in filled], columns=names, dtype=object
    )


def compare_tables(name: str, main: pd.DataFrame, other: pd.DataFrame, where: str) -> list[Row]:
    """Compare a table with its repetition in another file.

    Parameters
    ----------
    name
        Which table.
    main, other
        Both, with the same rows in the same order where nothing was changed.
    where
        Name of the other file.
    """
    keys = [key for key in KEYS[name] if key in main.columns and key in other.columns]
    if len(keys) < len(KEYS[name]):
        return [
            violation(
                where, "no column " + ", ".join(sorted(set(KEYS[name]) - set(keys))), "the columns of the contract"
            )
        ]
    if len(main) != len(other):
        return [violation(where, f"{len(other)} rows", f"{len(main)}, as in plan.gpkg")]
    main, other = main.reset_index(drop=True), other.reset_index(drop=True)
    for key in keys:
        off = _read_texts(main[key]) != _read_texts(other[key])
        if off.any():
            place = int(np.argmax(off))
            found, expected = str(other[key].iloc[place]), str(main[key].iloc[place])
            return [
                violation(f"{where}, row {place + 2}, {key}", found, expected, "rows in another order, or another row")
            ]
    shown = _read_texts(main[keys[0]])
    for key in keys[1:]:
        shown = shown + ", " + _read_texts(main[key])
    rows = [
        violation(f"{where}, {column}", "a column that plan.gpkg has not", "the columns of plan.gpkg")
        for column in other.columns
        if column not in main.columns
    ]
    for column in main.columns:
        if column in other.columns:
            rows += _compare_column(main[column], other[column], shown, f"{where}, {column}")
        elif any(column == item.stem or column.startswith(item.stem) for item in c.SCHEMAS.get(name, ())):
            rows.append(violation(f"{where}, {column}", "no such column", "the columns of plan.gpkg"))
    return rows


def _compare_column(main: pd.Series[Any], other: pd.Series[Any], ids: NDArray[Any], where: str) -> list[Row]:
    import pandas as pd
    from pandas.api import types

    if types.is_numeric_dtype(main.dtype) and not types.is_bool_dtype(main.dtype):
        expected = main.to_numpy(dtype=float, na_value=np.nan)
        texts = other.where(other.notna(), "").astype(str).str.strip()
        found = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        text = np.isnan(found) & (texts != "").to_numpy()
        one = np.isnan(found) != np.isnan(expected)
        off = np.abs(np.nan_to_num(found) - np.nan_to_num(expected)) > _TOLERANCE * np.abs(np.nan_to_num(expected))
        off |= one | text
    else:
        one, two = _read_texts(main), _read_texts(other)
        cut = np.array([len(text) > _MOST_LETTERS for text in one], dtype=bool)
        off = (one != two) & ~cut
    return pick_rows(
        off, lambda k: violation(f"{where}, {ids[k]}", _show(other.iloc[k]), f"{_show(main.iloc[k])}, as in plan.gpkg")
    )


def _show(value: Any) -> str:
    text = "" if value is None or value != value else str(value)  # noqa: PLR0124  (nan is not itself)
    return text[:80] or "a blank"


def _read_texts(column: pd.Series[Any]) -> NDArray[Any]:
    """Return a column as texts that can be compared: blanks alike, flags alike, without what keeps a formula a text."""
    texts = column.where(column.notna(), "").astype(str).to_numpy(dtype=object)
    words = {"True": "true", "False": "false"}
    read = [words.get(text, text) for text in texts.tolist()]
    # an apostrophe in front of what a spreadsheet would take for a formula; line ends are alike
    read = [text[1:] if text[:1] == "'" and text[1:].lstrip(" ")[:1] in tuple("=+-@\t\r\n") else text for text in read]
    filled = np.empty(len(read), dtype=object)
    filled[:] = [text.replace("\r\n", "\n").replace("\r", "\n") for text in read]
    return filled
