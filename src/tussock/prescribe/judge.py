"""In: one treatment and one unit. Out: allowed or refused with every reason in words, the days left, and the dose."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from tussock.base import days as day_tools
from tussock.base.columns import RATE, UnitSystem
from tussock.base.records import DELIVERY, Product, Ruleset, Setback, Treatment
from tussock.base.text import show_dose, show_length
from tussock.prescribe.dose import Dose
from tussock.trade import mixing
from tussock.trade.methods import METHODS

LIMIT_TOLERANCE = 1e-9


@dataclass(frozen=True)
class SetbackInForce:
    """A setback in force on a unit: the feature that causes it and how far that is."""

    setback: Setback
    ruleset: Ruleset
    feature: str
    achieved_m: float
    required_m: float


@dataclass(frozen=True)
class Ground:
    """What the judge sees of one unit."""

    unit_id: str
    patch_id: str
    species: str
    growth_form: str
    in_water: bool
    in_force: tuple[SetbackInForce, ...]
    beyond_m: tuple[float, ...]
    standing: str
    standing_m: float
    counted_with: str


@dataclass(frozen=True)
class Verdict:
    """The judgement of one treatment on one unit."""

    treatment: Treatment
    refusals: tuple[str, ...]
    days: day_tools.DaySet
    dose: Dose = field(default_factory=Dose)
    notes: tuple[str, ...] = ()

    @property
    def allowed(self) -> bool:
        """Whether nothing refuses it."""
        return not self.refusals


def describe_mismatch(treatment: Treatment, species: str, growth_form: str) -> str:
    """Say what a treatment is for where it does not suit a patch."""
    wanted = " / ".join((*treatment.species, *treatment.growth_form))
    return (
        f"not for this plant: the treatment is for {wanted}, the patch is {species or 'unnamed'} ({growth_form or '?'})"
    )


def check_label(treatment: Treatment, product: Product) -> list[str]:
    """Check method, concentration and carrier against the label of the product.

    Returns
    -------
    list of str
        One text for each refusal.
    """
    refusals = []
    allowed = product.methods.get(treatment.method)
    name = treatment.method.replace("_", " ")
    share = treatment.concentration or 0.0
    if allowed is None:
        listed = ", ".join(method.replace("_", " ") for method in product.methods) or "none"
        refusals.append(f"label of {product.id}: {name} is not among its methods ({listed})")
    elif not allowed[0] * (1 - LIMIT_TOLERANCE) <= share <= allowed[1] * (1 + LIMIT_TOLERANCE):
        span = f"{allowed[0] * 100:.4g} to {allowed[1] * 100:.4g} %"
        refusals.append(f"label of {product.id}: {share * 100:.4g} % is outside its range for {name}, {span}")
    carrier = find_carrier(treatment)
    if carrier not in product.carrier:
        refusals.append(
            f"label of {product.id}: mixes with {' or '.join(product.carrier)}, the treatment takes {carrier}"
        )
    if treatment.method == "basal_bark" and (product.form != "ester" or carrier != "oil"):
        refusals.append(
            f"basal bark takes an oil-soluble ester in oil (common practice): {product.id} is a "
            f"{product.form} in {carrier}"
        )
    return refusals


def find_carrier(treatment: Treatment) -> str:
    """Return the carrier of a treatment: its own, or its method's usual one."""
    return treatment.carrier or METHODS[treatment.method].carrier or "water"


def check_listed(treatment: Treatment, product: Product, rulesets: tuple[Ruleset, ...]) -> list[str]:
    """Refuse a combination that a listing rule set does not list."""
    refusals = []
    for ruleset in rulesets:
        if ruleset.ruleset.listed_only and not any(
            row.matches(
                method=treatment.method, active=product.active, form=product.form, aquatic_label=product.aquatic_label
            )
            for row in ruleset.listed
        ):
            label = "aquatic label" if product.aquatic_label else "no aquatic label"
            what = f"{product.active} {product.form}, {label}, by {DELIVERY[treatment.method]}"
            refusals.append(f"not listed: {ruleset.title} has no row for {what}")
    return refusals


def check_application(treatment: Treatment, product: Product, dose: Dose, system: UnitSystem) -> list[str]:
    """Check one application against the label's limits for an application and for a year."""
    refusals = []
    for name, limit in (
        ("limit for one application", product.limit_per_application_kg_per_ha),
        ("annual limit", product.limit_per_year_kg_per_ha),
    ):
        if limit is None or not dose.ae_kg_per_ha > limit * (1 + LIMIT_TOLERANCE):
            continue
        asked, most = show_dose(dose.ae_kg_per_ha, system, unit=False), show_dose(limit, system)
        text = f"{name} of {product.active}: {asked} of {most}"
        if treatment.spray_volume_l_per_ha is not None:
            ceiling = mixing.find_ceiling_concentration(
                limit, treatment.spray_volume_l_per_ha, product.strength_kg_per_l
            )
            volume = _show_volume(treatment.spray_volume_l_per_ha, system)
            text += f"; at {volume} the ceiling is {ceiling * 100:.4g} %"
        refusals.append(text)
        break
    return refusals


def _show_volume(size_l_per_ha: float, system: UnitSystem) -> str:
    number = f"{size_l_per_ha / RATE.size(system):.4g}"
    return f"{number} {'gal/acre' if system == 'us' else 'L/ha'}"


def check_setbacks(
    treatment: Treatment, product: Product, ground: Ground, days: day_tools.DaySet, system: UnitSystem
) -> tuple[list[str], list[str], day_tools.DaySet]:
    """Check a treatment against the setbacks in force on a unit.

    Returns
    -------
    refusals, notes, days
        Refusals in words with the measured figure; notes on days lost to setbacks of a season; the days left.
    """
    refusals, notes = [], []
    left = days.copy()
    seasonal = []
    for item in ground.in_force:
        forbids = item.setback.forbids
        if forbids is None or not forbids.matches(
            method=treatment.method, active=product.active, form=product.form, aquatic_label=product.aquatic_label
        ):
            continue
        text = describe_setback(item, system)
        if item.setback.season is None:
            refusals.append(text)
            continue
        closed = day_tools.window_days(item.setback.season)
        if (left & closed).any():
            seasonal.append(f"{text}, in force {' to '.join(item.setback.season)}")
        left &= ~closed
    if seasonal and days.any() and not left.any():
        window = " to ".join(treatment.season) if treatment.season else "the whole year"
        refusals.append(f"no date: treatment window {window} lies within " + " and ".join(seasonal))
    else:
        notes += [f"days lost to {text}" for text in seasonal]
    return refusals, notes, left


def describe_setback(item: SetbackInForce, system: UnitSystem) -> str:
    """Name a setback, the measured distance and the feature."""
    if np.isnan(item.achieved_m):
        return f"{item.setback.id}: holds on {item.feature}"
    required = show_length(item.required_m, system)
    return f"{item.setback.id}: {show_length(item.achieved_m, system)} from {item.feature} ({required} required)"


def check_place(product: Product | None, ground: Ground, throw_m: float | None, system: UnitSystem) -> list[str]:
    """Check reach, and that a product without an aquatic label stays out of water."""
    refusals = []
    if product is not None and ground.in_water and not product.aquatic_label:
        refusals.append(f"label of {product.id}: no aquatic label, and the unit reaches into water")
    if throw_m is not None and any(abs(throw_m - beyond) < 1e-9 for beyond in ground.beyond_m):  # noqa: PLR2004
        refusals.append(
            f"out of reach: {show_length(ground.standing_m, system)} and more from {ground.standing}, the throw is "
            f"{show_length(throw_m, system)}; a standing place nearer to it, or a boat, would unlock it"
        )
    return refusals


@lru_cache(maxsize=4096)
def _window_days(window: tuple[str, str] | None) -> bytes:
    return (day_tools.all_days() if window is None else day_tools.window_days(window)).tobytes()


def treatment_days(treatment: Treatment) -> day_tools.DaySet:
    """Return the days of a treatment's own window."""
    return np.frombuffer(_window_days(treatment.season), dtype=np.bool_).copy()
