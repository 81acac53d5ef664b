"""In: treatments, products, infested areas and stems. Out: findings: every amount of every unit, worked out anew."""

from __future__ import annotations

import math
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import SMALL_LIQUID
from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.partners import read_partners
from tussock.review.rows import Row, info, pick_rows, show_number, violation
from tussock.review.stems import (
    check_stems,
    counts_cuts,
    find_liquid_per_stem,
    find_stem_liquid_l_per_ha,
    has_classes,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Amounts follow from the plan's own rates to this, relative.
TOLERANCE: Final = 1e-8
_SLACK: Final = 1e-9
#: Amounts and shares in words have four digits.
_SHOWN: Final = 1e-3

#: Columns that are worked out anew, with their unit.
AMOUNTS: Final = {
    "spray_l": "L",
    "product_l": "L",
    "ae_kg": "kg ae",
    "ae_kg_per_ha": "kg ae/ha",
    "spray_l_per_ha": "L/ha",
    "concentration_pct": "%",
    "spray_s": "s",
    "dye_l": "L",
    "adjuvant_l": "L",
    "cuts": "cuts",
    "partner_l": "L",
    "partner_ae_kg": "kg ae",
}


def find_liquid_l_per_ha(evidence: Evidence, treatment: Treatment, unit: NDArray[np.intp]) -> FloatArray:
    """Return the mix on a hectare of treated ground of some units [L/ha]; nan where no stems are mapped.

    Where a stem on an edge leaves it open, what fits the dose that the unit states is taken.
    """
    if treatment.spray_volume_l_per_ha is not None:
        return np.full(len(unit), treatment.spray_volume_l_per_ha)
    low, high = find_stem_liquid_l_per_ha(evidence, treatment, unit)
    product = evidence.product(treatment)
    part = (treatment.concentration or 0.0) * (math.nan if product is None else product.strength_kg_per_l)
    stated = evidence.units["ae_kg_per_ha"].to_numpy()[unit] / part
    return np.where(high > low, np.clip(np.nan_to_num(stated), low, high), low)


def find_full_dose(evidence: Evidence) -> FloatArray:
    """Return the dose of the first product of each unit, before any limit [kg ae/ha]; nan where none or not known."""
    dose = np.full(len(evidence.units), np.nan)
    for place, treatment in enumerate(evidence.treatments):
        product = evidence.product(treatment)
        unit = np.flatnonzero(evidence.unit_treatment == place)
        if product is not None and len(unit):
            part = (treatment.concentration or 0.0) * product.strength_kg_per_l
            dose[unit] = find_liquid_l_per_ha(evidence, treatment, unit) * part
    return dose


def find_share(evidence: Evidence) -> FloatArray:
    """Return the share of each unit's treatment that is planned: below 1 only where a limit may hold it back."""
    full = find_full_dose(evidence)
    planned = evidence.units["ae_kg_per_ha"].to_numpy()
    share = np.ones(len(full))
    for place, treatment in enumerate(evidence.treatments):
        products = [product for product, _ in evidence.components(treatment) if product is not None]
        by_stems = treatment.method in STEM_METHODS and any(
            product.limit_stems_per_year_per_ha is not None for product in products
        )
        if treatment.up_to_limit is True or (treatment.up_to_limit is None and by_stems):
            held = (evidence.unit_treatment == place) & (planned < full * (1 - _SLACK)) & (full > 0)
            share[held] = planned[held] / full[held]
    return share


def find_amounts(evidence: Evidence) -> dict[str, FloatArray]:
    """Return the amounts that each unit should have, shape (u,) each; nan where they are blank."""
    count = len(evidence.units)
    amounts = {name: np.zeros(count) for name in AMOUNTS}
    for name in ("spray_l_per_ha", "concentration_pct", "spray_s", "cuts"):
        amounts[name] = np.full(count, np.nan)
    share, full = find_share(evidence), find_full_dose(evidence)
    for place, treatment in enumerate(evidence.treatments):
        product = evidence.product(treatment)
        unit = np.flatnonzero(evidence.unit_treatment == place)
        if product is not None and len(unit):
            one = _find_amounts(evidence, treatment, product, unit, share[unit])
            one["ae_kg_per_ha"] = full[unit] * share[unit]
            for name, values in one.items():
                amounts[name][unit] = values
    amounts["partner_l"], amounts["partner_ae_kg"] = find_partner_sums(evidence)
    return amounts


def _find_amounts(
    evidence: Evidence, treatment: Treatment, product: Product, unit: NDArray[np.intp], share: FloatArray
) -> dict[str, Any]:
    """Return the amounts of the units of one treatment. A limit weakens a mix, or leaves stems for another year."""
    units = evidence.units
    part: Any = treatment.concentration or 0.0
    rate, flow = treatment.spray_volume_l_per_ha, find_flow(evidence, treatment)
    seconds: Any = np.nan
    cuts: Any = np.nan
    if rate is not None:
        spray = units["infested_m2"].to_numpy()[unit] / HECTARE_M2 * rate
        part = part * share
        if flow is not None and treatment.method not in STEM_METHODS:
            seconds = spray / flow
    else:
        spray, cuts = _find_stem_amounts(evidence, treatment, unit)
    return {
        "spray_l": spray,
        "product_l": spray * part,
        "ae_kg": spray * part * product.strength_kg_per_l,
        "spray_l_per_ha": np.nan if rate is None else rate,
        "concentration_pct": part * 100,
        "spray_s": seconds,
        "dye_l": spray * (treatment.dye or 0.0),
        "adjuvant_l": spray * (treatment.adjuvant or 0.0),
        "cuts": cuts,
    }


def _find_stem_amounts(
    evidence: Evidence, treatment: Treatment, unit: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return liquid and cuts of stems; of patches with diameter classes those stated, which `check_stems` holds."""
    units = evidence.units
    stand, patch = evidence.stand, evidence.unit_patch[unit]
    each, cuts = (stand.add_up(size)[patch] for size in find_liquid_per_stem(treatment, stand.diameter_m))
    treated = units["stems"].to_numpy()[unit]
    classes = has_classes(evidence)[patch]
    liquid = np.where(classes, units["spray_l"].to_numpy()[unit], treated * each)
    if not counts_cuts(treatment):
        return liquid, np.full(len(unit), np.nan)
    return liquid, np.where(classes, units["cuts"].to_numpy()[unit], treated * cuts)


def find_flow(evidence: Evidence, treatment: Treatment) -> float | None:
    """Return the output of the nozzle [L/s]: the treatment's own, or that of its equipment."""
    operations = evidence.catalog.operations
    if treatment.flow_l_per_s is not None or operations is None:
        return treatment.flow_l_per_s
    return next((item.flow_l_per_s for item in operations.equipment if item.id == treatment.equipment), None)


def find_partners_l(evidence: Evidence, place: int) -> dict[str, FloatArray]:
    """Return the volume of each partner in the tank of the units of one treatment [L], in the order of the units.

    It is the treatment's share of the mix. Where a limit has weakened a share, the unit states it with four digits
    only: the weakened ones together are then what the unit's own sum of partners leaves, where that agrees.
    """
    treatment, units = evidence.treatments[place], evidence.units
    unit = np.flatnonzero(evidence.unit_treatment == place)
    spray = units["spray_l"].to_numpy()[unit]
    listed = [(product.id, share) for product, share in evidence.components(treatment)[1:] if product is not None]
    volumes = [spray * share for _, share in listed]
    if listed and treatment.up_to_limit is True and treatment.spray_volume_l_per_ha is not None:
        volumes = _weaken_partners(evidence, unit, listed, spray)
    partners: dict[str, FloatArray] = {}
    for (name, _), size in zip(listed, volumes, strict=True):
        partners[name] = partners.get(name, 0.0) + size
    return partners


def _weaken_partners(
    evidence: Evidence, unit: NDArray[np.intp], listed: list[tuple[str, float]], spray: FloatArray
) -> list[FloatArray]:
    """Return the volume of each partner with the shares that the units state, where these are lower [L]."""
    units = evidence.units
    texts = units["tank_mix"].to_numpy(dtype=object)[unit]
    shares = np.array([_read_shares(texts, name, share) for name, share in listed])
    whole = np.array([[share] for _, share in listed])
    weakened = np.where(shares < whole, shares, 0.0).sum(axis=0) * spray
    exact = np.where(shares < whole, 0.0, shares).sum(axis=0) * spray
    left = take_stated(units["partner_l"].to_numpy()[unit] - exact, weakened)
    factor = np.divide(left, weakened, out=np.ones_like(left), where=weakened > 0)
    return [spray * share * np.where(share < most, factor, 1.0) for share, most in zip(shares, whole, strict=True)]


def _read_shares(texts: NDArray[Any], name: str, share: float) -> FloatArray:
    """Return the share of a partner that each unit states; the treatment's own where a unit states no lower one."""
    stated = [
        next((item.share for item in read_partners(str(text)) or () if item.product == name), share)
        for text in texts.tolist()
    ]
    return np.array([one if one < share * (1 - _SHOWN) else share for one in stated], dtype=np.float64)


def take_stated(found: FloatArray, expected: FloatArray) -> FloatArray:
    """Return what is stated where it agrees with what is known of it, to the digits of words; else what is known."""
    agrees: FloatArray = np.where(np.abs(found - expected) <= np.abs(expected) * _SHOWN, found, expected)
    return agrees


def find_partner_sums(evidence: Evidence) -> tuple[FloatArray, FloatArray]:
    """Return volume [L] and acid equivalent [kg] of the partners in the tank of each unit, added up, shape (u,)."""
    volume, ae = np.zeros(len(evidence.units)), np.zeros(len(evidence.units))
    for place in range(len(evidence.treatments)):
        unit = np.flatnonzero(evidence.unit_treatment == place)
        partners = find_partners_l(evidence, place)
        for name, size in partners.items():
            volume[unit] += size
            ae[unit] += size * evidence.catalog.products[name].strength_kg_per_l
        if len(partners) > 1 and evidence.treatments[place].up_to_limit is True:
            ae[unit] = take_stated(evidence.units["partner_ae_kg"].to_numpy()[unit], ae[unit])
    return volume, ae


def check_doses(evidence: Evidence) -> list[Row]:
    """Check that every amount follows from rate x share x strength x ground or stems."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows: list[Row] = []
    for name, expected in find_amounts(evidence).items():
        found = units[name].to_numpy()
        off = find_difference(found, expected)
        rows += pick_rows(off > TOLERANCE, partial(_describe, ids, name, found, expected, off), off)
    rows += _check_whole(evidence)
    rows += _check_partners(evidence)
    rows += check_stems(evidence, find_share(evidence))
    return [*rows, info("plan.gpkg", f"{len(AMOUNTS)} amounts of {len(units)} units")]


def _describe(ids: NDArray[Any], name: str, found: FloatArray, expected: FloatArray, off: FloatArray, unit: int) -> Row:
    kind = AMOUNTS[name]
    return violation(
        f"unit {ids[unit]}, {name}",
        f"{show_number(found[unit])} {kind}",
        f"{show_number(expected[unit])} {kind}",
        "from the plan's own rate, share and strength" if np.isinf(off[unit]) else f"off by {off[unit]:.3%}",
    )


def _check_whole(evidence: Evidence) -> list[Row]:
    """Check that product, partners, dye and adjuvant of a unit are no more than its mix."""
    units = evidence.units
    ids, mix = units["unit_id"].to_numpy(), units["spray_l"].to_numpy()
    parts = np.nan_to_num([units[name].to_numpy() for name in ("product_l", "partner_l", "dye_l", "adjuvant_l")])
    share = np.divide(parts.sum(axis=0), mix, out=np.zeros_like(mix), where=mix > 0)
    return pick_rows(
        share > 1 + TOLERANCE,
        lambda k: violation(f"unit {ids[k]}, mix", f"{share[k]:.6%} of it is product, dye and adjuvant", "the whole"),
        share,
    )


def _check_partners(evidence: Evidence) -> list[Row]:
    """Check that a unit names the partners in its tank, each with its share of the mix and the amount that follows."""
    units = evidence.units
    rows: list[Row] = []
    wanted = [evidence.components(item)[1:] for item in evidence.treatments]
    mixed = np.array([*(bool(item) for item in wanted), False], dtype=bool)[evidence.unit_treatment]
    stated = (units["tank_mix"] != "").to_numpy()
    for unit in np.flatnonzero(mixed | stated).tolist():
        place = evidence.unit_treatment[unit]
        expected = {} if place < 0 else {product.id: share for product, share in wanted[place] if product is not None}
        weaker = place >= 0 and evidence.treatments[place].up_to_limit is True
        fault = _find_partner_fault(evidence, unit, expected, weaker=weaker)
        if fault:
            shown = ", ".join(f"{name} at {share:.4%}" for name, share in expected.items()) or "no partner"
            rows.append(violation(f"unit {units['unit_id'].iloc[unit]}, tank_mix", fault, shown))
    return rows


def _find_partner_fault(evidence: Evidence, unit: int, expected: dict[str, float], *, weaker: bool) -> str:
    """Return what is wrong with the partners that a unit states; an empty text where nothing is."""
    text = str(evidence.units["tank_mix"].iloc[unit])
    partners = read_partners(text)
    if partners is None or {item.product for item in partners} != set(expected):
        return text or "nothing"
    spray = float(evidence.units["spray_l"].iloc[unit])
    for item in partners:
        share = expected[item.product]
        if abs(item.share - share) > share * _SHOWN and not (weaker and item.share < share):
            return text
        amount = f"{spray * item.share / SMALL_LIQUID.size(evidence.system):.3g}"
        if not math.isnan(spray) and f"{float(item.amount.split(' ')[0]):.3g}" != amount and not weaker:
            return text
    return ""
