"""In: the treatment chosen on a unit. Out: liquid, product, acid equivalent, seconds, stems and cuts of that unit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np

from tussock.base.days import DaySet
from tussock.base.records import STEM_METHODS, Operations, Treatment
from tussock.prescribe.judge import Dosed
from tussock.prescribe.limits import Limited
from tussock.prescribe.stand import UnitStems, take_share
from tussock.trade.actives import key_active
from tussock.trade.calibration import find_spray_seconds


@dataclass(frozen=True)
class Part(Dosed):
    """One product of a treatment on a unit: its dose, and what the limits leave of all of its active in the tank."""

    limited: Limited

    @property
    def concentration(self) -> float:
        """Share of the product in the mix, weakened where a limit asked for it."""
        share = 1.0 if self.dose.by_stems else self.limited.share
        return self.component.concentration * share


@dataclass(frozen=True)
class Verdict:
    """The judgement of one treatment on one unit; ``parts`` has one entry for each product in the tank.

    ``reached`` tells whether the unit is worked on foot, by boat or is out of reach, blank where the treatment is for
    another plant; ``only_reach`` that nothing but its reach refuses it.
    """

    treatment: Treatment
    refusals: tuple[str, ...]
    days: DaySet = field(repr=False)
    parts: tuple[Part, ...] = ()
    notes: tuple[str, ...] = ()
    reached: str = ""
    only_reach: bool = False

    @property
    def allowed(self) -> bool:
        """Whether nothing refuses it."""
        return not self.refusals

    @property
    def by_stems(self) -> bool:
        """Whether the amounts follow from stems."""
        return bool(self.parts) and self.parts[0].dose.by_stems

    @property
    def stem_share(self) -> float:
        """Share of the stems that is treated: the least that any product's limit leaves."""
        return min((part.limited.share for part in self.parts), default=1.0) if self.by_stems else 1.0

    def sum_ae(self, parts: Iterable[Part]) -> float:
        """Return what some products in the tank bring together within the limits [kg ae/ha]."""
        return sum(
            part.dose.ae_kg_per_ha * (self.stem_share if self.by_stems else part.limited.share) for part in parts
        )

    def find_most_l(self, area_m2: float) -> float:
        """Return the most liquid that the limits of acid equivalent leave on a unit [L]."""
        tank = group_by_active(self.parts).values()
        return min(
            own[0].limited.left_kg_per_ha * area_m2 / 10_000 / sum(part.component.ae_kg_per_l for part in own)
            for own in tank
        )

    @property
    def used_pct(self) -> float:
        """Share of the tightest yearly limit in use [%]; nan without one."""
        used = [part.limited.used_pct for part in self.parts if not math.isnan(part.limited.used_pct)]
        return max(used, default=math.nan)


TankItem = TypeVar("TankItem", bound=Dosed)


def group_by_active(tank: Iterable[TankItem]) -> dict[str, list[TankItem]]:
    """Group what is in a tank by `key_active`: doses of one active add up, whatever salt or ester they come in."""
    grouped: dict[str, list[TankItem]] = {}
    for item in tank:
        grouped.setdefault(key_active(item.component.product.active), []).append(item)
    return grouped


@dataclass(frozen=True)
class Amounts:
    """Amounts of one unit (SI); nan where unknown, 0 where nothing is applied. ``tank_mix`` is partner -> liters."""

    infested_m2: float
    infested_low_m2: float
    infested_high_m2: float
    spray_l: float = 0.0
    product_l: float = 0.0
    ae_kg: float = 0.0
    ae_kg_per_ha: float = 0.0
    spray_s: float = math.nan
    stems: float = math.nan
    cuts: float = math.nan
    spray_l_per_ha: float = math.nan
    concentration_pct: float = math.nan
    dye_l: float = 0.0
    adjuvant_l: float = 0.0
    stems_left: float = 0.0
    partners_l: tuple[tuple[str, float], ...] = ()

    def columns(self) -> dict[str, Any]:
        """Return the amounts under their column names."""
        return {name: value for name, value in vars(self).items() if name != "stems_left"}


def find_amounts(
    verdict: Verdict | None,
    unit: Mapping[str, Any],
    patch: Mapping[str, Any],
    stems: UnitStems,
    operations: Operations | None,
) -> Amounts:
    """Find the amounts of one unit.

    Parameters
    ----------
    verdict
        Of the treatment chosen; None where nothing is planned.
    unit
        With ``area_m2``.
    patch
        With ``cover_pct, cover_low_pct, cover_high_pct``.
    stems
        Whole stems of each class on the unit.
    operations
        Flow of the equipment, where the treatment gives none.
    """
    likely, low, high = (unit["area_m2"] * patch[f"cover{name}_pct"] / 100 for name in ("", "_low", "_high"))
    if verdict is None:
        return Amounts(likely, low, high)
    treatment = verdict.treatment
    if not verdict.parts:
        woody = patch["growth_form"] != "herbaceous"
        return Amounts(likely, low, high, stems=float(stems.count.sum()) if woody and stems.is_mapped else math.nan)
    first = verdict.parts[0]
    treated = cuts = left = math.nan
    if first.dose.by_stems:
        own = stems.count
        each_l = np.array(first.dose.spray_l_by_class)
        taken = take_share(own, verdict.stem_share, each_l, verdict.find_most_l(float(unit["area_m2"])))
        treated, left = float(taken.sum()), float(own.sum() - taken.sum())
        spray_l = float(np.dot(taken, each_l))
        if treatment.method == "stem_injection" and treatment.counts_cuts:
            cuts = float(np.dot(taken, first.dose.cuts_by_class))
    else:
        spray_l = likely / 10_000 * first.dose.spray_l_per_ha
    product_l = spray_l * first.concentration
    return Amounts(
        infested_m2=likely,
        infested_low_m2=low,
        infested_high_m2=high,
        spray_l=spray_l,
        product_l=product_l,
        ae_kg=product_l * first.component.product.strength_kg_per_l,
        ae_kg_per_ha=first.dose.ae_kg_per_ha * (verdict.stem_share if first.dose.by_stems else first.limited.share),
        spray_s=_find_seconds(treatment, likely, first.dose.spray_l_per_ha, operations),
        stems=treated,
        cuts=cuts,
        spray_l_per_ha=first.dose.spray_l_per_ha,
        concentration_pct=first.concentration * 100,
        dye_l=spray_l * (treatment.dye or 0.0),
        adjuvant_l=spray_l * (treatment.adjuvant or 0.0),
        stems_left=0.0 if math.isnan(left) else left,
        partners_l=tuple((part.component.product.id, spray_l * part.concentration) for part in verdict.parts[1:]),
    )


def list_products(unit_id: str, chosen: Verdict, spray_l: float) -> list[tuple[Any, ...]]:
    """Return a row of `base.columns.plan.UNIT_PRODUCTS` for each product in the tank of a unit."""
    rows = []
    for number, part in enumerate(chosen.parts):
        product_l = spray_l * part.concentration
        ae_kg = product_l * part.component.product.strength_kg_per_l
        role = "partner" if number else "product"
        rows.append(
            (
                unit_id,
                part.component.product.id,
                role,
                part.concentration * 100,
                product_l,
                ae_kg,
                chosen.sum_ae([part]),
            )
        )
    return rows


def _find_seconds(
    treatment: Treatment, infested_m2: float, spray_l_per_ha: float, operations: Operations | None
) -> float:
    """Return the time that the nozzle is open [s]; nan where no flow is known or nothing is sprayed from a nozzle."""
    flow = treatment.flow_l_per_s
    if flow is None and operations is not None:
        flow = next((item.flow_l_per_s for item in operations.equipment if item.id == treatment.equipment), None)
    if flow is None or treatment.method in STEM_METHODS or math.isnan(infested_m2):
        return math.nan
    return float(find_spray_seconds(infested_m2, spray_l_per_ha, flow)) if infested_m2 > 0 else 0.0
