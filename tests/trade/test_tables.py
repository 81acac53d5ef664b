"""Packaged tables: every row has its source."""

from __future__ import annotations

import pytest

from tussock.base.errors import InputError
from tussock.trade.tables import parse_rows, read_rows


@pytest.mark.parametrize(
    ("file", "key", "count"),
    [
        ("methods.toml", "method", 11),
        ("methods.toml", "non_chemical", 4),
        ("widths.toml", "width", 5),
        ("places.toml", "access", 4),
        ("places.toml", "wade", 1),
        ("places.toml", "touch", 1),
        ("cover_schemes.toml", "class", 21),
        ("actives.toml", "compound", 14),
    ],
)
def test_table_is_read_in_full(file, key, count):
    assert len(read_rows(file, key)) == count


def test_row_without_source_is_refused_by_place():
    text = '[[row]]\nsource = "a book"\n[[row]]\nvalue = 1\n[[row]]\nsource = " "\n'
    with pytest.raises(InputError, match=r"row\[1\].source: found no source") as caught:
        parse_rows(text, "made-up.toml", "row")
    assert [fault.what for fault in caught.value.faults] == ["row[1].source", "row[2].source"]


def test_table_without_rows_is_refused():
    with pytest.raises(InputError, match=r"made-up.toml: row: found no rows"):
        parse_rows("", "made-up.toml", "row")
