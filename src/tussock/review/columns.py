"""In: tables under the names and units of the contract. Out: the same in SI, and places of ids in them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tussock.base import columns as c

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


def code_pairs(first: pd.Series[Any], second: pd.Series[Any]) -> tuple[list[tuple[str, str]], IntArray]:
    """Return the different pairs of two text columns, and which one stands in each row."""
    places: dict[tuple[str, str], int] = {}
    code = [places.setdefault(pair, len(places)) for pair in zip(first.tolist(), second.tolist(), strict=True)]
    return list(places), np.array(code, dtype=np.intp)


def find_places(known: pd.Series[Any], wanted: pd.Series[Any]) -> IntArray:
    """Return the place of each wanted value among the known ones (the first of several); -1 where it is not."""
    import pandas as pd

    index = pd.Index(known.drop_duplicates())
    first = np.flatnonzero(~known.duplicated().to_numpy())
    place = index.get_indexer(pd.Index(wanted))
    if not len(first):
        return np.full(len(wanted), -1, np.intp)
    return np.where(place >= 0, first[place], -1).astype(np.intp)


def read_number(frame: pd.DataFrame, name: str) -> FloatArray:
    """Return a column as numbers; nan where it is missing or no number."""
    import pandas as pd

    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def read_si(frame: pd.DataFrame | None, schema: c.Schema, system: c.UnitSystem) -> pd.DataFrame:
    """Return the columns of a schema under their SI names and sizes, a plain range as index.

    Numbers that are none become nan, texts that are missing become empty.
    """
    import pandas as pd

    columns: dict[str, Any] = {}
    count = 0 if frame is None else len(frame)
    for column in schema:
        name = column.shown_name(system)
        if column.kind in ("number", "count"):
            size = 1.0 if column.quantity is None else column.quantity.size(system)
            columns[column.si_name] = np.full(count, np.nan) if frame is None else read_number(frame, name) * size
        elif frame is None or name not in frame.columns:
            columns[column.si_name] = pd.array([""] * count, dtype="str")
        else:
            texts = frame[name]
            columns[column.si_name] = texts.where(texts.notna(), "").astype(str).array
    return pd.DataFrame(columns, index=pd.RangeIndex(count))
