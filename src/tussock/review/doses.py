"""In: treatments, products, infested areas and stems. Out: findings: every amount of every unit, worked out anew."""

from __future__ import annotations

import math
from collections import Counter
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import SMALL_LIQUID
from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.base.units import HECTARE_M2
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
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


def find_partner_shares(evidence: Evidence, place: int) -> dict[str, FloatArray]:
    """Return the share of the mix of each partner in the tank of the units of one treatment, in the order of the units.

    It is the treatment's own, or the lower one that the table of products states where a limit may have weakened it.
    """
    treatment = evidence.treatments[place]
    unit = np.flatnonzero(evidence.unit_treatment == place).tolist()
    held = treatment.up_to_limit is True and treatment.spray_volume_l_per_ha is not None
    shares: dict[str, FloatArray] = {}
    for product, whole in evidence.components(treatment)[1:]:
        if product is not None:
            stated = np.array([evidence.partner_share.get((one, product.id), whole) for one in unit], dtype=np.float64)
            shares[product.id] = np.where(held & (stated < whole), stated, whole)
    return shares


def find_partners_l(evidence: Evidence, place: int) -> dict[str, FloatArray]:
    """Return the volume of each partner in the tank of the units of one treatment [L], in the order of the units."""
    spray = evidence.units["spray_l"].to_numpy()[evidence.unit_treatment == place]
    return {name: spray * share for name, share in find_partner_shares(evidence, place).items()}


def find_partner_sums(evidence: Evidence) -> tuple[FloatArray, FloatArray]:
    """Return volume [L] and acid equivalent [kg] of the partners in the tank of each unit, added up, shape (u,)."""
    volume, ae = np.zeros(len(evidence.units)), np.zeros(len(evidence.units))
    for place in range(len(evidence.treatments)):
        unit = np.flatnonzero(evidence.unit_treatment == place)
        partners = find_partners_l(evidence, place)
        for name, size in partners.items():
            volume[unit] += size
            ae[unit] += size * evidence.catalog.products[name].strength_kg_per_l
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
    rows += _check_products(evidence)
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


def _check_products(evidence: Evidence) -> list[Row]:
    """Check the table of products: one row for each product in the tank of a unit, with what follows from its share."""
    table, units = evidence.unit_products, evidence.units
    place = find_places(units["unit_id"], table["unit_id"])
    expected = _list_expected(evidence)
    told = Counter(zip(place.tolist(), table["product_id"], table["role"], strict=True))
    ids = units["unit_id"].tolist()
    rows = [
        violation(f"unit_products, {ids[unit]}", f"{told[unit, name, role]} rows of {name} as {role}", "one")
        for unit, name, role in expected
        if told[unit, name, role] != 1
    ]
    for k, key in enumerate(zip(place.tolist(), table["product_id"], table["role"], strict=True)):
        where = f"unit_products, {table['unit_id'].iloc[k]}, {key[1]}"
        if key not in expected:
            rows.append(violation(where, f"a {key[2]} that is not in its tank", "the products of its treatment"))
            continue
        for name, wanted in expected[key].items():
            found = float(table[name].iloc[k])
            if find_difference(np.array([found]), np.array([wanted]))[0] > TOLERANCE:
                rows.append(violation(f"{where}, {name}", show_number(found), show_number(wanted)))
    return [*rows, *_check_words(evidence, place)]


def _list_expected(evidence: Evidence) -> dict[tuple[int, str, str], dict[str, float]]:
    """Return what each row of the table of products should say, by place of the unit, product and role."""
    expected: dict[tuple[int, str, str], dict[str, float]] = {}
    part = evidence.units["concentration_pct"].to_numpy() / 100
    spray, dose = (evidence.units[name].to_numpy() for name in ("spray_l", "ae_kg_per_ha"))
    for place, treatment in enumerate(evidence.treatments):
        unit, first = np.flatnonzero(evidence.unit_treatment == place), evidence.product(treatment)
        if first is None or not len(unit):
            continue
        liquid = dose[unit] / (part[unit] * first.strength_kg_per_l)
        shares = {first.id: part[unit], **find_partner_shares(evidence, place)}
        for name, share in shares.items():
            strength = evidence.catalog.products[name].strength_kg_per_l
            values = {
                "share_pct": share * 100,
                "product_l": spray[unit] * share,
                "ae_kg": spray[unit] * share * strength,
                "ae_kg_per_ha": liquid * share * strength,
            }
            role = "product" if name == first.id else "partner"
            for number, one in enumerate(unit.tolist()):
                expected[one, name, role] = {key: float(value[number]) for key, value in values.items()}
    return expected


def _check_words(evidence: Evidence, place: NDArray[np.intp]) -> list[Row]:
    """Check that a unit names the partners in its tank in words, as the table of products has them."""
    table, units = evidence.unit_products, evidence.units
    unit_name = SMALL_LIQUID.suffix(evidence.system).replace("_", " ")
    texts: dict[int, list[str]] = {}
    for unit, name, role, size, share in zip(
        place.tolist(), table["product_id"], table["role"], table["product_l"], table["share_pct"], strict=True
    ):
        if role == "partner":
            amount = f"{size / SMALL_LIQUID.size(evidence.system):.6g} {unit_name}"
            said = "amount unknown" if math.isnan(size) else amount
            texts.setdefault(unit, []).append(f"{name}: {said} ({share:.6g} %)")
    found, ids = units["tank_mix"].tolist(), units["unit_id"].tolist()
    wanted = ["; ".join(texts.get(unit, [])) for unit in range(len(ids))]
    return pick_rows(
        np.array([one != two for one, two in zip(found, wanted, strict=True)], dtype=bool),
        lambda k: violation(f"unit {ids[k]}, tank_mix", found[k] or "nothing", wanted[k] or "no partner"),
    )
