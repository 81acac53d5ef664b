"""In: what a record says was used on a unit. Out: the dose on the ground treated, and what of it cannot be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tussock.base import columns as c
from tussock.base.records import STEM_METHODS, Product
from tussock.base.text import show, show_dose
from tussock.review.evidence import Evidence
from tussock.review.records_file import Entry

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


def find_to_treat_m2(evidence: Evidence, place: int) -> float:
    """Return the ground of a unit that its rate is for [m2]: what is wetted; for a dose by stems, where they stand."""
    number = int(evidence.unit_treatment[place])
    treatment = evidence.treatments[number] if number >= 0 else None
    by_stem = treatment is not None and treatment.method in STEM_METHODS and treatment.spray_volume_l_per_ha is None
    return float(evidence.units["area_m2" if by_stem else "infested_m2"].iloc[place])


def find_ground(evidence: Evidence, place: int, entry: Entry, product: Product, planned_kg_per_ha: float) -> Ground:
    """Return what a row of a record says of a unit's ground; the dose is product used over ground treated.

    Parameters
    ----------
    evidence, place
        The plan, and the unit in it.
    entry
        The row.
    product
        The product used.
    planned_kg_per_ha
        Dose planned with that product; nan where none was.
    """
    treated, used = entry.area_m2, entry.product_l
    dose = used * product.strength_kg_per_l / (treated / 1e4) if treated > 0 else math.nan
    gross = float(evidence.units["area_m2"].iloc[place])
    to_treat = find_to_treat_m2(evidence, place)
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
        A product that was not planned has no rate to be under: then the gross area itself is asked about.
    """
    rows: list[Contradiction] = []
    rows += _check_area(ground.treated_m2, ground.gross_m2, system)
    rows += _check_mix(ground.product_l, ground.mix_l, system)
    whole = abs(ground.treated_m2 / ground.gross_m2 - 1) <= _ALIKE if ground.gross_m2 > 0 else False
    sparse = ground.to_treat_m2 < _SPARSE * ground.gross_m2
    least = _SPARSE if whole and sparse else _LEAST_RATE
    low = ground.dose_kg_per_ha < least * ground.planned_kg_per_ha
    unplanned = math.isnan(ground.planned_kg_per_ha) and whole and sparse
    if ground.product_l > 0 and (low or unplanned):
        planned, wetted = show_dose(ground.planned_kg_per_ha, system), show(ground.to_treat_m2, c.AREA, system, 4)
        gross = show(ground.gross_m2, c.AREA, system, 4)
        note = f"the ground treated is what was wetted, {wetted} planned, not the gross area of {gross}"
        found = show_dose(ground.dose_kg_per_ha, system)
        expected = "a rate of a product that was not planned" if unplanned else f"{planned} planned"
        rows.append(Contradiction("area treated", found, expected, note, low_rate=True))
    return rows


def find_joint_contradictions(evidence: Evidence, place: int, entries: Sequence[Entry]) -> list[Contradiction]:
    """Return what several rows of a record about one unit cannot say together.

    Parameters
    ----------
    evidence, place
        The plan, and the unit in it.
    entries
        The rows on which something was applied to it.

    Returns
    -------
    list of Contradiction
        More ground on one day, with one product, than the unit has; more product in a tank of that day than mix.
    """
    rows: list[Contradiction] = []
    days = dict.fromkeys(entry.date for entry in entries)
    for own in [[entry for entry in entries if entry.date == day] for day in days]:
        names = [entry.used_product for entry in own]
        for name in dict.fromkeys(names):
            areas = [e.area_m2 for e in own if e.used_product == name and not math.isnan(e.area_m2)]
            if len(areas) > 1:
                rows += _check_area(math.fsum(areas), float(evidence.units["area_m2"].iloc[place]), evidence.system)
        mixes = [entry.mix_l for entry in own if not math.isnan(entry.mix_l)]
        products = [entry.product_l for entry in own if not math.isnan(entry.product_l)]
        if len(set(names)) == len(names) > 1 and len(mixes) == len(names):  # one tank, a row for each product in it
            rows += _check_mix(math.fsum(products), max(mixes), evidence.system)
    return rows


def _check_area(treated_m2: float, gross_m2: float, system: c.UnitSystem) -> list[Contradiction]:
    if not treated_m2 > gross_m2 * (1 + _MORE_GROUND):
        return []
    found, most = show(treated_m2, c.AREA, system, 4), show(gross_m2, c.AREA, system, 4)
    return [Contradiction("area treated", found, f"at most {most}", "more than the unit has")]


def _check_mix(product_l: float, mix_l: float, system: c.UnitSystem) -> list[Contradiction]:
    if not product_l > mix_l * (1 + _SLACK):
        return []
    found, most = show(product_l, c.SMALL_LIQUID, system, 4), show(mix_l, c.SMALL_LIQUID, system, 4)
    return [Contradiction("product used", found, f"at most the mix, {most}", "more product than mix")]
