"""In: a TOML file of `trade/data` and the key of its rows. Out: the rows, each with its source; others are refused."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Any

from tussock.base.errors import Fault, InputError

#: What stands as source where the figure is passed on from hand to hand and no document was found.
COMMON_PRACTICE = "common practice, no source"


def read_rows(file: str, key: str) -> list[dict[str, Any]]:
    """Read the rows of one packaged table.

    Parameters
    ----------
    file
        Name of a file in ``trade/data``, such as ``"methods.toml"``.
    key
        Name of the array of tables, such as ``"method"``.

    Returns
    -------
    list of dict
        Rows in the order of the file, values as TOML gives them.

    Raises
    ------
    InputError
        No such key, or rows without a source; every such row is named.
    """
    text = resources.files("tussock.trade").joinpath("data", file).read_text(encoding="utf-8")
    return parse_rows(text, file, key)


def parse_rows(text: str, file: str, key: str) -> list[dict[str, Any]]:
    """Read the rows of a table given as text and refuse those without a source (see `read_rows`)."""
    rows: list[dict[str, Any]] = tomllib.loads(text).get(key, [])
    if not rows:
        raise InputError(Fault(file, key, "no rows", f"write at least one [[{key}]] table"))
    faults = [
        Fault(file, f"{key}[{place}].source", "no source", "every row states where its figures come from")
        for place, row in enumerate(rows)
        if not (isinstance(row.get("source"), str) and row["source"].strip())
    ]
    if faults:
        raise InputError(faults)
    return rows
