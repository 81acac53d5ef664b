"""In: units at the likely cover. Out: findings on the low and high ends of hours, cost and the season's totals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import AREA, LIQUID, MASS, Quantity
from tussock.review.columns import read_number
from tussock.review.efforts import find_days, find_efforts
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.rows import Row, info, pick_rows, show_number, violation

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

_TOLERANCE: Final = 1e-7
#: Amounts that move with the ground that the plant covers.
_MOVING: Final = (
    "spray_l",
    "product_l",
    "ae_kg",
    "spray_s",
    "dye_l",
    "adjuvant_l",
    "partner_l",
    "partner_ae_kg",
    "product_cost",
)
#: Items of the season with a range, the column that each adds up, and how it is shown.
_ITEMS: Final[dict[str, tuple[str, Quantity | None]]] = {
    "infested area with a treatment": ("infested_m2", AREA),
    "spray volume": ("spray_l", LIQUID),
    "product": ("product_l", LIQUID),
    "acid equivalent": ("ae_kg", MASS),
    "crew time": ("crew_h", None),
    "labour": ("labour_cost", None),
    "product cost": ("product_cost", None),
    "equipment": ("equipment_cost", None),
    "supplies": ("supply_cost", None),
    "cost": ("cost", None),
}


def check_ranges(evidence: Evidence) -> list[Row]:
    """Check both ends of hours and cost of each patch, and of every total of the season.

    Amounts of ground methods move with the infested ground, those of stem methods do not; hours and cost are worked out
    anew from them, with the crew days of the likely value. Over the season the departures of the patches are added in
    quadrature.
    """
    days = find_days(evidence)
    likely = _gather(evidence, days)
    ends = {end: _gather(evidence.with_units(_move(evidence, end)), days) for end in ("low", "high")}
    rows = _check_patches(evidence, ends) + _check_season(evidence, likely, ends)
    return [*rows, info("plan.gpkg", f"low and high of {len(evidence.patches)} patches and of the season")]


def _move(evidence: Evidence, end: str) -> pd.DataFrame:
    """Return the units with the amounts of one end of their cover."""
    units = evidence.units
    likely, edge = units["infested_m2"].to_numpy(), units[f"infested_{end}_m2"].to_numpy()
    moves = np.isnan(units["stems"].to_numpy()) & (likely > 0) & np.isfinite(edge)
    ratio = np.where(moves, np.divide(edge, likely, out=np.ones_like(edge), where=likely > 0), 1.0)
    moved = {name: units[name].to_numpy() * ratio for name in _MOVING if name in units.columns}
    return units.assign(infested_m2=np.where(np.isfinite(edge), edge, likely), **moved)


def _gather(evidence: Evidence, days: FloatArray) -> dict[str, FloatArray]:
    """Return every column that is added up, for each unit; product and acid equivalent with partners in the tank."""
    units, efforts = evidence.units, find_efforts(evidence, days)
    names = {name for name, _ in _ITEMS.values()}
    values = {name: efforts[name] if name in efforts else units[name].to_numpy(dtype=float) for name in names}
    for name, partner in (("product_l", "partner_l"), ("ae_kg", "partner_ae_kg")):
        if partner in units.columns:
            values[name] = values[name] + units[partner].to_numpy(dtype=float)
    return values


def _check_patches(evidence: Evidence, ends: dict[str, dict[str, FloatArray]]) -> list[Row]:
    units, place = evidence.units, evidence.unit_patch
    planned = (units["status"] == "planned").to_numpy() & (place >= 0)
    ids = evidence.patches["patch_id"].to_numpy()
    some = np.bincount(place[planned], minlength=len(ids)) > 0
    rows: list[Row] = []
    for end, values in ends.items():
        for column, name in ((f"crew_{end}_h", "crew_h"), (f"cost_{end}", "cost")):
            known = planned & np.isfinite(values[name])
            total = np.bincount(place[known], values[name][known], minlength=len(ids))
            blank = some & (np.bincount(place[known], minlength=len(ids)) == 0)
            expected = np.where(blank, np.nan, total)
            found = evidence.patches[column].to_numpy()
            off = find_difference(found, expected)
            rows += pick_rows(
                off > _TOLERANCE,
                lambda k, column=column, found=found, expected=expected: violation(  # type: ignore[misc]
                    f"patch {ids[k]}, {column}", show_number(found[k]), show_number(expected[k]), "from its cover"
                ),
                off,
            )
    return rows


def _check_season(
    evidence: Evidence, likely: dict[str, FloatArray], ends: dict[str, dict[str, FloatArray]]
) -> list[Row]:
    frame = evidence.delivered.tables.get("season")
    if frame is None or not {"item", "low", "likely", "high"} <= set(frame.columns):
        return []  # told by the sums
    rows: list[Row] = []
    stated = {end: read_number(frame, end) for end in ("low", "likely", "high")}
    for row, item in enumerate(frame["item"].astype(str).tolist()):
        for end in ("low", "high"):
            expected = stated["likely"][row]
            if item in _ITEMS:
                name, quantity = _ITEMS[item]
                size = 1.0 if quantity is None else quantity.size(evidence.system)
                expected = _find_end(evidence, likely[name], ends[end][name], end) / size
            elif item not in _FIXED:
                continue
            found = float(stated[end][row])
            both = max(abs(expected), abs(float(stated["likely"][row])), 1e-12)
            if np.isnan(found) != np.isnan(expected) or abs(found - expected) > _TOLERANCE * both:
                note = "departures of the patches added in quadrature"
                rows.append(violation(f"season, {item}, {end}", show_number(found), show_number(expected), note))
    return rows


#: Items that have no range: all three are one number.
_FIXED: Final = (
    "patches",
    "treatment units",
    "units without an option",
    "patches whose cover is not known",
    "gross area of all patches",
    "net area (shared ground of one species once)",
    "net area with a treatment",
)


def _find_end(evidence: Evidence, likely: FloatArray, moved: FloatArray, end: str) -> float:
    """Return one end of a season's total; nan where no unit has a value."""
    units = evidence.units
    own = (units["status"] == "planned").to_numpy() & (units["area_counted_with"] == "").to_numpy()
    if not np.isfinite(likely[own]).any():
        return float("nan")
    change = np.nan_to_num(moved - likely) * own
    by_patch = np.bincount(np.maximum(evidence.unit_patch, 0), change, minlength=len(evidence.patches))
    spread = float(np.sqrt((by_patch**2).sum()))
    total = float(np.nansum(likely[own]))
    return total - spread if end == "low" else total + spread
