"""In: treatments, products, infested areas and stems. Out: findings: every amount of every unit, worked out anew."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tussock.base.columns import SMALL_LIQUID
from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.base.units import ACRE_M2, HECTARE_M2, INCH_M
from tussock.review.columns import read_number
from tussock.review.evidence import Evidence
from tussock.review.ground import find_difference
from tussock.review.partners import read_partners
from tussock.review.rows import Row, info, pick_rows, show_number, violation

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Amounts follow from the plan's own rates to this, relative.
TOLERANCE: Final = 1e-8
#: Liquid for each square metre of bark where a treatment gives none; from memory, not from a document.
_BARK_L_PER_M2: Final = 0.3
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
}


@dataclass(frozen=True)
class Stand:
    """Stems of each patch: density [1/ha], diameter [m], count of the whole patch; nan where not mapped."""

    per_ha: FloatArray
    diameter_m: FloatArray
    count: FloatArray


def find_stand(evidence: Evidence) -> Stand:
    """Return the stems of each patch from the mapper's own columns, shape (patches,)."""
    frame = evidence.delivered.layers["patches"]
    area_m2 = evidence.patches["area_m2"].to_numpy()
    density = read_number(frame, "stems_per_acre") * (HECTARE_M2 / ACRE_M2)
    if "stems_per_acre" not in frame.columns:
        density = read_number(frame, "stems_per_ha")
    counted = read_number(frame, "stem_count")
    diameter = read_number(frame, "stem_diameter_in") * INCH_M
    if "stem_diameter_in" not in frame.columns:
        diameter = read_number(frame, "stem_diameter_cm") * 0.01
    area_ha = np.where(area_m2 > 0, area_m2, np.nan) / HECTARE_M2
    per_ha = np.where(np.isnan(counted), density, counted / area_ha)
    return Stand(per_ha, diameter, np.where(np.isnan(counted), density * area_ha, counted))


def find_liquid_l_per_ha(evidence: Evidence, treatment: Treatment, unit: NDArray[np.intp]) -> FloatArray:
    """Return the mix on a hectare of treated ground of some units [L/ha]; nan where the folder does not tell.

    A stem table is not part of a plan folder: with one, what follows from single stems stays unknown here.
    """
    if treatment.spray_volume_l_per_ha is not None:
        return np.full(len(unit), treatment.spray_volume_l_per_ha)
    if evidence.has_stem_table:
        return np.full(len(unit), np.nan)
    stand, patch = find_stand(evidence), evidence.unit_patch[unit]
    liquid: FloatArray = find_liquid_per_stem(treatment, stand.diameter_m[patch])[0] * stand.per_ha[patch]
    return liquid


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


def find_liquid_per_stem(treatment: Treatment, diameter_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mix [L] and injection cuts for one stem of each diameter.

    Injection: cuts x dose, one cut for each step of diameter or of circumference, rounded up, at least one. Cut stump:
    a dose for each cut, or for the area of the ring, pi/4 (d^2 - (d - 2w)^2). Basal bark: pi d h x dose.
    """
    one = np.ones_like(diameter_m)
    if treatment.dose_per_stem_l is not None:
        return one * treatment.dose_per_stem_l, one
    if treatment.method == "stem_injection":
        cuts = one
        if treatment.cut_per_diameter_m is not None:
            cuts = _count_steps(diameter_m / treatment.cut_per_diameter_m)
        elif treatment.cut_spacing_m is not None:
            cuts = _count_steps(np.pi * diameter_m / treatment.cut_spacing_m)
        return cuts * (treatment.dose_per_cut_l or math.nan), cuts
    if treatment.method == "cut_stump":
        if treatment.dose_per_ring_area_l_per_m2 is None:
            return one * (treatment.dose_per_cut_l or math.nan), one
        width = math.inf if treatment.ring_width_m is None else treatment.ring_width_m
        core = np.maximum(diameter_m - 2 * width, 0.0)
        return np.pi / 4 * (diameter_m**2 - core**2) * treatment.dose_per_ring_area_l_per_m2, one
    film = _BARK_L_PER_M2 if treatment.dose_per_bark_area_l_per_m2 is None else treatment.dose_per_bark_area_l_per_m2
    return np.pi * diameter_m * (treatment.band_height_m or math.nan) * film, one


def _count_steps(steps: FloatArray) -> FloatArray:
    counted: FloatArray = np.maximum(np.ceil(steps - _SLACK * np.maximum(1.0, steps)), 1.0)
    return counted


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
            if evidence.has_stem_table and treatment.spray_volume_l_per_ha is None:
                one["ae_kg_per_ha"] = evidence.units["ae_kg_per_ha"].to_numpy()[unit]
            for name, values in one.items():
                amounts[name][unit] = values
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
    """Return liquid and cuts of stems; with a stem table, which is not in the folder, those that the units state."""
    units = evidence.units
    if evidence.has_stem_table:
        return units["spray_l"].to_numpy()[unit], units["cuts"].to_numpy()[unit]
    each, cuts = find_liquid_per_stem(treatment, find_stand(evidence).diameter_m[evidence.unit_patch[unit]])
    treated = units["stems"].to_numpy()[unit]
    return treated * each, treated * cuts if treatment.method == "stem_injection" else np.full(len(unit), np.nan)


def find_flow(evidence: Evidence, treatment: Treatment) -> float | None:
    """Return the output of the nozzle [L/s]: the treatment's own, or that of its equipment."""
    operations = evidence.catalog.operations
    if treatment.flow_l_per_s is not None or operations is None:
        return treatment.flow_l_per_s
    return next((item.flow_l_per_s for item in operations.equipment if item.id == treatment.equipment), None)


def check_doses(evidence: Evidence) -> list[Row]:
    """Check that every amount follows from rate x share x strength x ground or stems."""
    units = evidence.units
    ids = units["unit_id"].to_numpy()
    rows: list[Row] = []
    for name, expected in find_amounts(evidence).items():
        found = units[name].to_numpy()
        off = find_difference(found, expected)
        rows += pick_rows(off > TOLERANCE, partial(_describe, ids, name, found, expected, off), off)
    rows += _check_partners(evidence)
    if evidence.has_stem_table:
        note = "a stem table is not part of the folder: what follows from single stems is taken as stated"
        rows.append(info("plan.gpkg", "not checked: liquid and cuts of stem methods", "", note))
    else:
        rows += _check_stems(evidence)
    return [*rows, info("plan.gpkg", f"{len(AMOUNTS)} amounts of {len(units)} units")]


def _describe(ids: NDArray[Any], name: str, found: FloatArray, expected: FloatArray, off: FloatArray, unit: int) -> Row:
    kind = AMOUNTS[name]
    return violation(
        f"unit {ids[unit]}, {name}",
        f"{show_number(found[unit])} {kind}",
        f"{show_number(expected[unit])} {kind}",
        "from the plan's own rate, share and strength" if np.isinf(off[unit]) else f"off by {off[unit]:.3%}",
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


def _check_stems(evidence: Evidence) -> list[Row]:
    """Check that the stems of a patch are shared among its units by area, in whole stems, none lost and none added."""
    units, place, stand = evidence.units, evidence.unit_patch, find_stand(evidence)
    stems = units["stems"].to_numpy()
    ids = units["unit_id"].to_numpy()
    own = (place >= 0) & ~np.isnan(stems)
    patch_area = evidence.patches["area_m2"].to_numpy()
    fair = np.full(len(units), np.nan)
    fair[own] = stand.count[place[own]] * units["area_m2"].to_numpy()[own] / patch_area[place[own]]
    share = find_share(evidence)
    off = np.where(own, np.abs(stems - fair * share), 0.0)
    rows = pick_rows(
        own & ~(off <= 2.0),  # noqa: PLR2004  (whole stems: one by sharing, one by the limit)
        lambda k: violation(f"unit {ids[k]}, stems", show_number(stems[k]), f"about {fair[k] * share[k]:.1f}"),
        off,
    )
    total = np.bincount(place[own], stems[own], minlength=len(patch_area))
    wanted = np.rint(stand.count)
    whole = np.bincount(place[own & (share >= 1)], minlength=len(patch_area)) == np.bincount(
        place[place >= 0], minlength=len(patch_area)
    )
    over = (total > wanted) | (whole & (total != wanted) & (total > 0))
    patch_ids = evidence.patches["patch_id"].to_numpy()
    return rows + pick_rows(
        over & ~np.isnan(wanted),
        lambda k: violation(
            f"patch {patch_ids[k]}, stems", show_number(total[k]), show_number(wanted[k]), "stems of its units"
        ),
    )
