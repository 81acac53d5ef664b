"""In: things noticed while working. Out: one findings table with a fixed schema; findings are returned, not printed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Finding:
    """One thing noticed: where, what was wrong, what was done about it, and the area before and after [m2]."""

    stage: str
    layer: str
    row: str
    what: str
    done: str
    level: Literal["info", "warning"] = "warning"
    area_before_m2: float | None = None
    area_after_m2: float | None = None


COLUMNS = tuple(item.name for item in fields(Finding))


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as a table with the columns of `Finding`; an empty one where nothing was found."""
    import pandas as pd

    table = pd.DataFrame([asdict(finding) for finding in findings], columns=list(COLUMNS))
    return table.astype({"area_before_m2": float, "area_after_m2": float})


def join_findings(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return several findings tables as one, in the order given."""
    import pandas as pd

    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else findings_table(())
