"""In: a dose, the limits of a product, earlier uses on the ground. Out: within them, refused, or planned up to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tussock.base.columns import DENSITY, UnitSystem
from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.base.text import show_dose
from tussock.prescribe.dose import Dose, Stand
from tussock.prescribe.judge import LIMIT_TOLERANCE, Component, check_application
from tussock.prescribe.ledger import Use, find_year_limit


@dataclass(frozen=True)
class Limited:
    """What the limits leave of a treatment on a unit.

    Attributes
    ----------
    refusals, notes
        In words, with the figures.
    share
        Share of the stems that is treated, or of the concentration that is used; 1 where no limit binds.
    used_pct
        Share of the tightest yearly limit in use after this application [%]; nan where the product has none.
    closes
        Whether no further use of the active is left on this ground this year.
    over
        Yearly total that was asked for where it is over the limit [kg ae/ha], else nan.
    """

    refusals: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    share: float = 1.0
    used_pct: float = math.nan
    closes: bool = False
    over: float = math.nan


def apply_limits(
    treatment: Treatment, component: Component, dose: Dose, stand: Stand, uses: list[Use], system: UnitSystem
) -> Limited:
    """Hold one product of one treatment on one unit against the limits of its label.

    Parameters
    ----------
    treatment
        ``up_to_limit = true`` plans up to the allowance and names the shortfall: fewer stems, or a weaker mix as long
        as the label's range allows it. ``false`` refuses. Where it is not given, a limit in stems leaves the stems
        beyond it for another year, and a limit of ae refuses.
    component
        Product with its limits (as acid equivalent) and its concentration.
    dose
        Of the whole treatment.
    stand
        Stems of the patch.
    uses
        Earlier uses of the active on this ground this year.
    system
        Units of the texts.
    """
    product = component.product
    closed = [use.text for use in uses if use.closes]
    if closed:
        text = f"annual limit of {product.active}: used up on this ground by {closed[0]}"
        return Limited((f"{text}; unlock: another active, or next year",))
    count = sum(use.product_id == product.id or not use.product_id for use in uses)
    if product.max_applications_per_year is not None and count >= product.max_applications_per_year:
        most = product.max_applications_per_year
        text = f"label of {product.id}: {count} of {most} applications a year are used on this ground"
        return Limited((f"{text}; unlock: another product, or next year",))
    stems = _limit_stems(treatment, product, stand, uses, system)
    if stems.refusals:
        return stems
    scaled = replace(dose, ae_kg_per_ha=dose.ae_kg_per_ha * stems.share)
    single, single_share = check_application(treatment, component, scaled, system)
    if single and treatment.up_to_limit is not True:
        refused = tuple(f"{text}; unlock: another active, or a lower rate" for text in single)
        return Limited(refused, over=scaled.ae_kg_per_ha)
    scaled = replace(scaled, ae_kg_per_ha=scaled.ae_kg_per_ha * single_share)
    year = _limit_ae(treatment, product, scaled, uses, system)
    share = single_share * year.share
    notes, refusals = list(stems.notes + year.notes), list(year.refusals)
    if single:
        notes.insert(0, f"{single[0]}: planned up to the limit")
    if share < 1 and not dose.by_stems and not refusals:
        text, weak = _weaken(treatment, component, share)
        (refusals if weak else notes).append(text)
    used = [value for value in (stems.used_pct, year.used_pct) if not math.isnan(value)]
    return Limited(
        tuple(refusals),
        tuple(notes),
        stems.share * share,
        max(used, default=math.nan),
        stems.closes or year.closes,
        year.over,
    )


def _weaken(treatment: Treatment, component: Component, share: float) -> tuple[str, bool]:
    """Say the concentration that the allowance leaves, and whether it is below the label's range."""
    left = component.concentration * share
    low = component.product.methods[treatment.method][0]
    text = f"{left * 100:.4g} % instead of {component.concentration * 100:.4g} %"
    if left < low * (1 - LIMIT_TOLERANCE):
        return f"the allowance leaves {text}, below the label's {low * 100:.4g} %; unlock: another active", True
    return f"mixed at {text} to stay within the limit", False


def _limit_stems(treatment: Treatment, product: Product, stand: Stand, uses: list[Use], system: UnitSystem) -> Limited:
    limit = product.limit_stems_per_year_per_ha
    if limit is None or treatment.method not in STEM_METHODS or not stand.stems_per_ha > 0:
        return Limited()
    before = sum(use.stems_per_ha for use in uses)
    left = max(limit - before, 0.0)
    used = min(before + stand.stems_per_ha, limit) / limit * 100
    if stand.stems_per_ha <= left * (1 + LIMIT_TOLERANCE):
        return Limited(used_pct=used, closes=stand.stems_per_ha >= left * (1 - LIMIT_TOLERANCE))
    asked, most = (_show_stems(value, system) for value in (before + stand.stems_per_ha, limit))
    text = f"limit of {product.active} in stems: {asked} of {most} a year"
    if treatment.up_to_limit is False or left == 0:
        return Limited((f"{text}, {_show_stems(left, system)} left; unlock: up_to_limit = true, or next year",))
    note = f"{text}: planned up to the limit, the other stems wait for another year"
    return Limited((), (note,), left / stand.stems_per_ha, 100.0, closes=True)


def _limit_ae(treatment: Treatment, product: Product, dose: Dose, uses: list[Use], system: UnitSystem) -> Limited:
    limit, whose = find_binding_limit(product, uses)
    if math.isinf(limit):
        return Limited()
    before = sum(use.ae_kg_per_ha for use in uses)
    total = before + dose.ae_kg_per_ha
    if total <= limit * (1 + LIMIT_TOLERANCE):
        return Limited(used_pct=total / limit * 100, closes=total >= limit * (1 - LIMIT_TOLERANCE))
    left = max(limit - before, 0.0)
    asked = show_dose(total, system, unit=False)
    text = (
        f"annual limit of {product.active}{whose}: {asked} of {show_dose(limit, system)} "
        f"({show_dose(dose.ae_kg_per_ha, system, unit=False)} asked, {show_dose(left, system, unit=False)} left"
    )
    text += f" after {'; '.join(use.text for use in uses)})" if uses else ")"
    share = left / dose.ae_kg_per_ha
    if treatment.up_to_limit is not True or share < LIMIT_TOLERANCE:
        return Limited((f"{text}; unlock: another active, a lower rate, or next year",), over=total)
    note = f"{text}: planned up to the limit, {(1 - share) * 100:.3g} % less than asked"
    return Limited((), (note,), share, 100.0, closes=True)


def find_binding_limit(product: Product, uses: list[Use]) -> tuple[float, str]:
    """Return the yearly limit that binds a piece of ground [kg ae/ha], and whose label it is where not the product's.

    The strictest label of all products of the active that the ground gets in a year binds it.
    """
    own = find_year_limit(product)
    strictest = min((use for use in uses), key=lambda use: use.limit_kg_per_ha, default=None)
    if strictest is None or strictest.limit_kg_per_ha >= own * (1 - LIMIT_TOLERANCE):
        return own, ""
    return strictest.limit_kg_per_ha, f" (label of {strictest.product_id}, used on this ground)"


def _show_stems(size_per_ha: float, system: UnitSystem) -> str:
    return f"{size_per_ha / DENSITY.size(system):.4g} stems/{'acre' if system == 'us' else 'ha'}"
