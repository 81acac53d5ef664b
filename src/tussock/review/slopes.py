"""In: compliance rows of rules that count along the slope. Out: findings on their slope distances.

By the slopes of the patches they are worked out anew. An elevation model is not part of a delivered folder: distances
from one are held against what must be true of any slope, that it is no shorter than the map.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import LENGTH
from tussock.review.columns import read_number
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, pick_rows, violation

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

#: Two distances in a table that agree within this share are one [relative].
_SHARE: Final = 1e-9


def check_slopes(evidence: Evidence, table: pd.DataFrame, unit: NDArray[np.intp], rule: NDArray[np.intp]) -> list[Row]:
    """Check the slope distances of compliance rows.

    Parameters
    ----------
    evidence
        What the folder holds.
    table
        Compliance rows in SI.
    unit, rule
        Place of the unit and of the setback of each row.
    """
    setbacks = [setback for _, setback in evidence.catalog.setbacks()]
    along = np.array([setback.measure == "slope" for setback in setbacks], dtype=bool)[rule]
    found = table["slope_distance_m"].to_numpy(dtype=float)
    flat = table["achieved_m"].to_numpy(dtype=float)
    given = ~np.isnan(found)
    rows = _tell(evidence, table, given & ~along, found, "blank: the rule does not count along the slope")
    short = given & along & (found < flat * (1 - _SHARE))
    rows += _tell(evidence, table, short, found, "no shorter than on the map")
    if "terrain" in evidence.catalog.accuracy_m:  # every layer of the site document stands there
        return rows
    frame: Any = evidence.delivered.layers["patches"]
    slope = np.append(read_number(frame, "slope_pct"), np.nan)[evidence.unit_patch[unit]] / 100
    expected = np.where(along, np.where(flat > 0, flat * np.hypot(1.0, slope), flat), np.nan)
    off = np.abs(found - expected) > np.abs(expected) * _SHARE
    wrong = along & ~short & (off | (given != ~np.isnan(expected)))
    return rows + _tell(evidence, table, wrong, found, "the distance on the map along the slope of the patch")


def _tell(
    evidence: Evidence, table: pd.DataFrame, bad: NDArray[np.bool_], found: FloatArray, expected: str
) -> list[Row]:
    size = LENGTH.size(evidence.system)
    names = table[["unit_id", "setback_id"]].to_numpy(dtype=object)
    return pick_rows(
        bad,
        lambda k: violation(
            f"unit {names[k][0]}, setback {names[k][1]}, slope_distance",
            "blank" if np.isnan(found[k]) else f"{found[k] / size:.3f}",
            expected,
        ),
    )
