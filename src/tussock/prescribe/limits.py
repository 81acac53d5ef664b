"""In: the dose of an active, labels, other uses of the ground. Out: within limits, refused, or planned up to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tussock.base.columns import DENSITY, UnitSystem
from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.base.text import show_dose
from tussock.prescribe.dose import Stand
from tussock.prescribe.judge import LIMIT_TOLERANCE, Component, Dosed, check_application
from tussock.prescribe.ledger import Use

#: Areas are true to this, relative, and so are stems for an area.
_AREA_TOLERANCE: Final = 1e-5


@dataclass(frozen=True)
class Limited:
    """What the limits leave of the products of one active in a tank, on a unit.

    Attributes
    ----------
    refusals, notes
        In words, with the figures.
    share
        Share of the stems that is treated, or of the concentrations that is used; 1 where no limit binds.
    used_pct
        Share of the tightest yearly limit in use after this application [%]; nan where no label has one.
    over, most
        Yearly total that was asked for where it is over the limit, and that limit [kg ae/ha], else nan.
    left_kg_per_ha
        Most of the active that one application may put on the ground, by the limits of ae [kg ae/ha].
    """

    refusals: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    share: float = 1.0
    used_pct: float = math.nan
    over: float = math.nan
    most: float = math.nan
    left_kg_per_ha: float = math.inf


def apply_limits(
    treatment: Treatment, tank: Sequence[Dosed], stand: Stand, uses: list[Use], system: UnitSystem
) -> Limited:
    """Hold what a tank brings of one active onto one unit against the limits of the labels.

    Parameters
    ----------
    treatment
        ``up_to_limit = true`` plans up to the allowance and names the shortfall: fewer stems, or a weaker mix as long
        as the labels' ranges allow it. ``false`` refuses. Where it is not given, a limit in stems leaves the stems
        beyond it for another year, and a limit of ae refuses.
    tank
        The products of one active in the tank, each with its dose: whatever salt or ester they are, their acid
        equivalents add up, and the strictest of their labels binds.
    stand
        Stems on the unit's own ground.
    uses
        Other uses of the active on this ground this year.
    system
        Units of the texts.
    """
    products = [item.component.product for item in tank]
    active = products[0].active
    closed = _find_used_up(products, uses)
    if closed:
        text = f"annual limit of {active}: used up on this ground by {closed}"
        return Limited((f"{text}; unlock: another active, or next year",))
    counted = tuple(text for product in products for text in _check_count(product, uses))
    if counted:
        return Limited(counted)
    stems = _limit_stems(treatment, products, stand, uses, system)
    if stems.refusals:
        return stems
    ae_kg_per_ha = sum(item.dose.ae_kg_per_ha for item in tank) * stems.share
    single, single_share = check_application(treatment, tank, stems.share, system)
    if single and treatment.up_to_limit is not True:
        refused = tuple(f"{text}; unlock: another active, or a lower rate" for text in single)
        return Limited(refused, over=ae_kg_per_ha, most=ae_kg_per_ha * single_share)
    year = _limit_ae(treatment, products, ae_kg_per_ha * single_share, uses, system)
    share = single_share * year.share
    notes, refusals = list(stems.notes + year.notes), list(year.refusals)
    if single:
        notes.insert(0, f"{single[0]}: planned up to the limit")
    if share < 1 and not tank[0].dose.by_stems and not refusals:
        for item in tank:
            text, weak = _weaken(treatment, item.component, share)
            (refusals if weak else notes).append(text)
    used = [value for value in (stems.used_pct, year.used_pct) if not math.isnan(value)]
    return Limited(
        tuple(refusals),
        tuple(notes),
        stems.share * share,
        max(used, default=math.nan),
        year.over,
        year.most,
        _find_left(products, uses),
    )


def _find_left(products: Sequence[Product], uses: Sequence[Use]) -> float:
    """Return the most acid equivalent that the limits leave for one application [kg ae/ha]; inf without a limit."""
    single = [item.limit_per_application_kg_per_ha for item in products]
    before = sum(use.ae_kg_per_ha for use in uses)
    limits = [value for value in single if value is not None]
    return max(min([*limits, find_binding_limit(products, uses)[0] - before]), 0.0)


def _find_used_up(products: Sequence[Product], uses: Sequence[Use]) -> str:
    """Name the uses whose stems have used up a limit in stems: nothing more of the active may follow; else blank."""
    limit, _ = find_binding_limit(products, uses, "limit_stems_per_year_per_ha")
    by_stems = [use for use in uses if use.stems_per_ha > 0]
    used_up = sum(use.stems_per_ha for use in by_stems) >= limit * (1 - _AREA_TOLERANCE)
    return " and ".join(use.text for use in by_stems) if used_up else ""


def _check_count(product: Product, uses: list[Use]) -> list[str]:
    """Refuse a product that has been applied as often as its label allows; a record that names none counts too."""
    most = product.max_applications_per_year
    count = sum(product.id in use.product_ids or not use.product_ids for use in uses)
    if most is None or count < most:
        return []
    text = f"label of {product.id}: {count} of {most} applications a year are used on this ground"
    return [f"{text}; unlock: another product, or next year"]


def find_strictest(results: Sequence[Limited]) -> Limited:
    """Return the strictest of several results for one application, one for each piece of ground and label year.

    A refusal comes before what leaves the least share, and that before what uses most of the limit.
    """
    worst = min(results, key=lambda item: (not item.refusals, item.share, -np.nan_to_num(item.used_pct)))
    left = min(item.left_kg_per_ha for item in results)
    return replace(worst, left_kg_per_ha=left)


def _weaken(treatment: Treatment, component: Component, share: float) -> tuple[str, bool]:
    """Say the concentration that the allowance leaves, and whether it is below the label's range."""
    left = component.concentration * share
    low = component.product.methods[treatment.method][0]
    text = f"{left * 100:.4g} % instead of {component.concentration * 100:.4g} %"
    if left < low * (1 - LIMIT_TOLERANCE):
        return f"the allowance leaves {text}, below the label's {low * 100:.4g} %; unlock: another active", True
    return f"mixed at {text} to stay within the limit", False


def _limit_stems(
    treatment: Treatment, products: list[Product], stand: Stand, uses: list[Use], system: UnitSystem
) -> Limited:
    limit, whose = find_binding_limit(products, uses, "limit_stems_per_year_per_ha")
    own = stand.stems_per_ha
    if math.isinf(limit) or treatment.method not in STEM_METHODS or own == 0:
        return Limited()
    before = sum(use.stems_per_ha for use in uses)
    left = max(limit - before, 0.0)
    others = [use.text for use in uses if not use.stems_per_ha > 0]
    name = f"limit of {products[0].active} in stems{whose}"
    text = f"{name}: {_show_stems(before + own, system)} of {_show_stems(limit, system)} a year"
    if math.isnan(own):
        text = f"{name}: {_show_stems(limit, system)} a year, and no stems are mapped"
        text += "; unlock: give stems_per_acre or stem_count, or a stems layer"
    elif others and own >= left * (1 - _AREA_TOLERANCE):
        text += f", which leaves nothing for {others[0]} on this ground; unlock: another active, or next year"
    elif own <= left * (1 + _AREA_TOLERANCE):
        return Limited(used_pct=min(before + own, limit) / limit * 100)
    elif treatment.spray_volume_l_per_ha is not None:
        need = "a dose for each stem or cut in place of spray_volume, so that stems can be left out, or next year"
        text += f", and the dose is stated for the ground; unlock: {need}"
    elif treatment.up_to_limit is False or left == 0:
        text += f", {_show_stems(left, system)} left; unlock: up_to_limit = true, or next year"
    else:
        note = f"{text}: planned up to the limit, the other stems wait for another year"
        return Limited((), (note,), left / own, 100.0)
    return Limited((text,))


def _limit_ae(
    treatment: Treatment, products: list[Product], ae_kg_per_ha: float, uses: list[Use], system: UnitSystem
) -> Limited:
    limit, whose = find_binding_limit(products, uses)
    if math.isinf(limit):
        return Limited()
    before = sum(use.ae_kg_per_ha for use in uses)
    total = before + ae_kg_per_ha
    if total <= limit * (1 + LIMIT_TOLERANCE):
        return Limited(used_pct=total / limit * 100)
    left = max(limit - before, 0.0)
    asked = show_dose(total, system, unit=False)
    text = (
        f"annual limit of {products[0].active}{whose}: {asked} of {show_dose(limit, system)} "
        f"({show_dose(ae_kg_per_ha, system, unit=False)} asked, {show_dose(left, system, unit=False)} left"
    )
    text += f" after {'; '.join(use.text for use in uses)})" if uses else ")"
    share = left / ae_kg_per_ha
    if treatment.up_to_limit is not True or share < LIMIT_TOLERANCE:
        return Limited((f"{text}; unlock: another active, a lower rate, or next year",), over=total, most=limit)
    note = f"{text}: planned up to the limit, {(1 - share) * 100:.3g} % less than asked"
    return Limited((), (note,), share, 100.0)


def find_used_pct(products: Sequence[Product], own: Use, uses: Sequence[Use]) -> float:
    """Return the share of the tightest yearly limit, of ae or of stems, that all uses of an active take [%]; or nan."""
    every = [own, *uses]
    by_ae = sum(use.ae_kg_per_ha for use in every) / find_binding_limit(products, uses)[0]
    most_stems, _ = find_binding_limit(products, uses, "limit_stems_per_year_per_ha")
    by_stems = sum(use.stems_per_ha for use in every) / most_stems if own.stems_per_ha > 0 else 0.0
    return max(by_ae, by_stems) * 100 or math.nan


def find_binding_limit(
    products: Sequence[Product], uses: Sequence[Use], key: str = "limit_per_year_kg_per_ha"
) -> tuple[float, str]:
    """Return the limit that binds a piece of ground in a year, and whose label it is where not the first's.

    Parameters
    ----------
    products
        Of one active in the tank, the treatment's own first.
    uses
        Other uses of the active on the ground: the strictest label of all products that the ground gets in a year
        binds it.
    key
        Which limit of a product [kg ae/ha], or stems [1/ha]; infinite where no label has one.
    """
    own = _find_limit(products[0], key)
    labels = [(_find_limit(item, key), f" (label of {item.id}, in the tank)") for item in products[1:]]
    used = [item for use in uses for item in use.products]
    labels += [(_find_limit(item, key), f" (label of {item.id}, used on this ground)") for item in used]
    limit, whose = min(labels, key=lambda item: item[0], default=(math.inf, ""))
    return (own, "") if limit >= own * (1 - LIMIT_TOLERANCE) else (limit, whose)


def _find_limit(product: Product, key: str) -> float:
    limit = getattr(product, key)
    return math.inf if limit is None else float(limit)


def _show_stems(size_per_ha: float, system: UnitSystem) -> str:
    return f"{size_per_ha / DENSITY.size(system):.4g} stems/{'acre' if system == 'us' else 'ha'}"
