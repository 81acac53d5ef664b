"""In: units with amounts, hours and cost at the likely cover. Out: the same at the lowest and highest cover, by patch.

Amounts of areal methods move with the infested area; those of stem methods do not. Hours and cost are worked out anew
with those amounts, so that what does not move with cover (setting up, walking in) stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

_AREAL: Final = ("spray_l", "product_l", "ae_kg", "spray_s", "dye_l", "adjuvant_l", "partner_l", "partner_ae_kg")
_ENDS: Final = ("low", "high")
#: Sums that a patch shows with both ends of their range.
RANGED: Final = ("spray_l", "product_l", "ae_kg", "crew_h", "cost")


def find_ends(units: pd.DataFrame, find_hours: Callable[[pd.DataFrame], pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return units at both ends of their cover.

    Parameters
    ----------
    units
        Amounts at the likely cover, with ``infested_m2, infested_low_m2, infested_high_m2, stems``.
    find_hours
        Returns hours and costs of units, same index.

    Returns
    -------
    dict
        ``"low"`` and ``"high"``, each with the columns of ``units`` and of ``find_hours``.
    """
    ends = {}
    for end in _ENDS:
        moved = scale_units(units, end)
        hours = find_hours(moved)
        ends[end] = moved.drop(columns=[name for name in hours.columns if name in moved.columns]).join(hours)
    return ends


def scale_units(units: pd.DataFrame, end: str) -> pd.DataFrame:
    """Return units with the amounts of one end of their cover, ``"low"`` or ``"high"``."""
    likely: Any = units["infested_m2"].to_numpy(dtype=float)
    edge: Any = units[f"infested_{end}_m2"].to_numpy(dtype=float)
    moves = np.isnan(units["stems"].to_numpy(dtype=float)) & (likely > 0) & np.isfinite(edge)
    ratio = np.where(moves, np.divide(edge, likely, out=np.ones_like(edge), where=likely > 0), 1.0)
    moved = units.assign(infested_m2=np.where(np.isfinite(edge), edge, likely))
    for name in _AREAL:
        moved[name] = units[name].to_numpy(dtype=float) * ratio
    scaled: Any = [
        tuple((name, size * factor) for name, size in partners) if partners else ()
        for partners, factor in zip(units["partners_l"], ratio, strict=True)
    ]
    moved["partners_l"] = scaled
    return moved


def find_patch_ranges(ends: dict[str, pd.DataFrame], index: pd.Index[Any]) -> pd.DataFrame:
    """Return low and high sums of each patch: ``spray_low_l, spray_high_l`` and so on; blank where nothing is known."""
    import pandas as pd

    columns: dict[str, Any] = {}
    for end, units in ends.items():
        planned = units[units["status"] == "planned"]
        sums = planned.groupby("patch_id")[list(RANGED)].sum(min_count=1).reindex(index)
        none = ~index.isin(planned["patch_id"])
        for name in RANGED:
            stem, _, unit = name.rpartition("_")
            columns[f"{stem}_{end}_{unit}" if stem else f"{name}_{end}"] = np.where(none, 0.0, sums[name])
    return pd.DataFrame(columns, index=index)


def find_spread(planned: pd.DataFrame, ends: dict[str, pd.DataFrame], column: str) -> tuple[float, float, float]:
    """Return low, likely and high of a season's sum.

    The departures of patches from their likely value are added in quadrature: patches are judged one by one, so their
    errors do not all fall to one side.
    """
    values = planned[column].astype(float)
    if not np.isfinite(values).any():
        return float("nan"), float("nan"), float("nan")
    likely = float(values.sum())
    spread = []
    for end in _ENDS:
        change = (ends[end].loc[planned.index, column].astype(float) - values).fillna(0.0)
        by_patch = change.groupby(planned["patch_id"]).sum()
        spread.append(float(np.sqrt((by_patch**2).sum())))
    return likely - spread[0], likely, likely + spread[1]
