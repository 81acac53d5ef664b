"""In: what a check noticed. Out: rows of the one table of a review."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Level: TypeAlias = Literal["violation", "warning", "info"]

COLUMNS: Final = ("check", "level", "where", "found", "expected", "note")
#: Rows that one kind of finding takes at most; the others are counted in one more row.
MOST_ROWS: Final = 40


@dataclass(frozen=True)
class Row:
    """One finding: how grave, where, what was found, what was expected, and what follows."""

    level: Level
    where: str
    found: str = ""
    expected: str = ""
    note: str = ""


def violation(where: str, found: str, expected: str = "", note: str = "") -> Row:
    """Return a finding that does not hold."""
    return Row("violation", where, found, expected, note)


def warning(where: str, found: str, expected: str = "", note: str = "") -> Row:
    """Return a finding that a person has to look at."""
    return Row("warning", where, found, expected, note)


def info(where: str, found: str, expected: str = "", note: str = "") -> Row:
    """Return what was looked at, or why something was not."""
    return Row("info", where, found, expected, note)


def pick_rows(
    mask: NDArray[np.bool_], describe: Callable[[int], Row], worst: NDArray[np.float64] | None = None
) -> list[Row]:
    """Describe the places where a mask is set, worst first, at most `MOST_ROWS` of them.

    Parameters
    ----------
    mask
        Places with a finding, shape (n,).
    describe
        Place -> row.
    worst
        How bad each place is, shape (n,); by default the order of the places.
    """
    places = np.flatnonzero(mask)
    if worst is not None and len(places):
        places = places[np.argsort(-np.nan_to_num(worst[places], nan=np.inf), kind="stable")]
    rows = [describe(int(place)) for place in places[:MOST_ROWS]]
    if len(places) > MOST_ROWS:
        last = rows[-1]
        note = f"the {MOST_ROWS} worst are listed"
        rows.append(Row(last.level, "the same kind of finding", f"{len(places) - MOST_ROWS} more", "", note))
    return rows


def rows_table(rows: Iterable[tuple[str, Row]]) -> pd.DataFrame:
    """Return pairs of check id and row as the table of a review, in the order given."""
    import pandas as pd

    filled = [(check, row.level, row.where, row.found, row.expected, row.note) for check, row in rows]
    return pd.DataFrame(filled, columns=list(COLUMNS), dtype="str")


def show_number(value: Any) -> str:
    """Return a number as text, to nine significant digits."""
    return f"{float(value):.9g}"
