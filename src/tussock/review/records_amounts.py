"""In: what a record says was used on a unit. Out: the dose on the ground treated, and what of it cannot be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.records import STEM_METHODS, Product
from tussock.base.text import show, show_dose
from tussock.review.records_file import Entry

if TYPE_CHECKING:
    import pandas as pd

#: Ground treated may be this much more than the unit has: it is measured on foot (a choice of ours).
_MORE_GROUND: Final = 0.05
#: A rate under this share of the planned one means that ground was counted otherwise (a choice of ours).
_LEAST_RATE: Final = 0.7
#: Ground that is the gross area to this share, where less than `_SPARSE` of it was to be wetted.
_ALIKE: Final = 0.02
_SPARSE: Final = 0.9
_SLACK: Final = 1e-6


@dataclass(frozen=True)
class Ground:
    """What was used on the ground of one unit [L, m2, kg ae/ha], and what was planned there; nan where not known."""

    product_l: float
    mix_l: float
    treated_m2: float
    gross_m2: float
    to_treat_m2: float
    dose_kg_per_ha: float
    planned_kg_per_ha: float


@dataclass(frozen=True)
class Contradiction:
    """Two figures of a record that cannot both be right: the column, what it says, what would fit, and why.

    ``low_rate`` tells that the rate is only far under the planned one, which a person can confirm.
    """

    column: str
    found: str
    expected: str
    note: str
    low_rate: bool = False


def find_ground(
    unit: Mapping[Any, Any] | pd.Series[Any], entry: Entry, product: Product, planned_kg_per_ha: float
) -> Ground:
    """Return what a row of a record says of a unit's ground; the dose is product used over ground treated.

    Parameters
    ----------
    unit
        ``area_m2, infested_m2, method`` as planned.
    entry
        The row.
    product
        The product used.
    planned_kg_per_ha
        Dose planned with that product; nan where none was.
    """
    treated, used = entry.area_m2, entry.product_l
    dose = used * product.strength_kg_per_l / (treated / 1e4) if treated > 0 else math.nan
    gross = float(unit["area_m2"])
    to_treat = gross if unit["method"] in STEM_METHODS else float(unit["infested_m2"])
    return Ground(used, entry.mix_l, treated, gross, to_treat, dose, planned_kg_per_ha)


def find_contradictions(ground: Ground, system: c.UnitSystem) -> list[Contradiction]:
    """Return the pairs of figures that cannot both be right.

    Parameters
    ----------
    ground
        From `find_ground`.
    system
        Units of the texts.

    Returns
    -------
    list of Contradiction
        More ground than the unit has; more product than mix; a rate so far under the planned one that the ground
        treated was counted otherwise than the form says, such as the gross area of a unit where plants stand apart.
    """
    rows = []
    if ground.treated_m2 > ground.gross_m2 * (1 + _MORE_GROUND):
        found, most = show(ground.treated_m2, c.AREA, system, 4), show(ground.gross_m2, c.AREA, system, 4)
        rows.append(Contradiction("area treated", found, f"at most {most}", "more than the unit has"))
    if ground.product_l > ground.mix_l * (1 + _SLACK):
        found, most = show(ground.product_l, c.SMALL_LIQUID, system, 4), show(ground.mix_l, c.SMALL_LIQUID, system, 4)
        rows.append(Contradiction("product used", found, f"at most the mix, {most}", "more product than mix"))
    whole = abs(ground.treated_m2 / ground.gross_m2 - 1) <= _ALIKE if ground.gross_m2 > 0 else False
    sparse = ground.to_treat_m2 < _SPARSE * ground.gross_m2
    least = _SPARSE if whole and sparse else _LEAST_RATE
    if ground.product_l > 0 and ground.dose_kg_per_ha < least * ground.planned_kg_per_ha:
        planned, wetted = show_dose(ground.planned_kg_per_ha, system), show(ground.to_treat_m2, c.AREA, system, 4)
        gross = show(ground.gross_m2, c.AREA, system, 4)
        note = f"the ground treated is what was wetted, {wetted} planned, not the gross area of {gross}"
        found = show_dose(ground.dose_kg_per_ha, system)
        rows.append(Contradiction("area treated", found, f"{planned} planned", note, low_rate=True))
    return rows
