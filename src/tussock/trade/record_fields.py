"""In: the packaged lists of what records and proposals hold. Out: each list with its columns and its source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from tussock.base import columns as c
from tussock.base.errors import Fault, InputError
from tussock.trade.tables import read_rows

_FILE: Final = "record_fields.toml"
_SCHEMAS: Final = {"record": c.RECORD, "proposal": c.PROPOSAL}


@dataclass(frozen=True)
class FieldList:
    """What one published list asks for.

    Attributes
    ----------
    id, title
        Name of the list, and in words.
    applies
        Products that it is about: ``"restricted use"`` or ``"every herbicide"``.
    columns
        Stems of the columns that answer it.
    source
        Document and clause.
    """

    id: str
    title: str
    applies: Literal["restricted use", "every herbicide"]
    columns: tuple[str, ...]
    source: str


@lru_cache(maxsize=2)
def list_fields(kind: Literal["record", "proposal"]) -> tuple[FieldList, ...]:
    """Return the lists for a kind of table.

    Examples
    --------
    >>> [item.source for item in list_fields("record")][0]
    '7 CFR 110.3(a)(1)-(5), edition of 2006-01-01'
    """
    known = {column.stem for column in _SCHEMAS[kind]}
    lists = []
    for row in read_rows(_FILE, "list"):
        if row["kind"] != kind:
            continue
        unknown = [name for name in row["columns"] if name not in known]
        if unknown:
            raise InputError(Fault(_FILE, row["id"], f"columns {', '.join(unknown)}", f"columns of the {kind}"))
        lists.append(FieldList(row["id"], row["title"], row["applies"], tuple(row["columns"]), row["source"]))
    return tuple(lists)
