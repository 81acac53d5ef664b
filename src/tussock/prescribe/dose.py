"""In: a treatment, its product, stems of a patch. Out: the dose and the liquid it takes, or why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.trade import mixing, stems

#: Liquid for each square metre of bark, where a treatment gives none. From memory, not from a document: it must be
#: confirmed by the user, and every plan that rests on it says so.
DEFAULT_DOSE_PER_BARK_AREA_L_PER_M2 = 0.3


@dataclass(frozen=True)
class Stand:
    """Stems of a patch: density on the gross area, diameter, and its cover (shares; nan where unknown)."""

    stems_per_ha: float
    diameter_m: float
    cover: float


@dataclass(frozen=True)
class Dose:
    """What a treatment puts on the ground it treats.

    Attributes
    ----------
    ae_kg_per_ha
        Acid equivalent on treated ground; for stems, on the ground that they stand on.
    spray_l_per_ha
        Liquid on infested ground (areal methods), else nan.
    spray_l_per_stem
        Liquid for one stem (stem methods), else nan.
    cuts_per_stem
        Injection cuts for one stem; 0 for other methods.
    missing
        What is not known and stops the dose from being found; empty where nothing is.
    assumed
        A default that the dose rests on; empty where there is none.
    """

    ae_kg_per_ha: float = math.nan
    spray_l_per_ha: float = math.nan
    spray_l_per_stem: float = math.nan
    cuts_per_stem: int = 0
    missing: str = ""
    assumed: str = ""


def find_dose(treatment: Treatment, product: Product, stand: Stand) -> Dose:
    """Find the dose of a treatment.

    Parameters
    ----------
    treatment
        With its concentration, and a spray volume or the doses of a stem method.
    product
        Strength as acid equivalent.
    stand
        Stems of the patch; only stem methods look at it.

    Returns
    -------
    Dose
        ``missing`` says what is not known, where the dose cannot be found.
    """
    concentration = treatment.concentration or 0.0
    if treatment.spray_volume_l_per_ha is not None:
        ae = mixing.find_dose_kg_per_ha(treatment.spray_volume_l_per_ha, concentration, product.strength_kg_per_l)
        return Dose(ae_kg_per_ha=float(ae), spray_l_per_ha=treatment.spray_volume_l_per_ha)
    if treatment.method not in STEM_METHODS:
        return Dose(missing="no spray volume")
    if not stand.stems_per_ha >= 0:
        return Dose(missing="no stems are mapped: give stems_per_acre or stem_count")
    dose = _find_stem_dose(treatment, stand)
    if dose.missing:
        return dose
    product_l_per_ha = dose.spray_l_per_stem * stand.stems_per_ha * concentration
    ae = product_l_per_ha * product.strength_kg_per_l
    return Dose(float(ae), math.nan, dose.spray_l_per_stem, dose.cuts_per_stem, "", dose.assumed)


def _find_stem_dose(treatment: Treatment, stand: Stand) -> Dose:
    """Return liquid and cuts for one stem."""
    if treatment.dose_per_stem_l is not None:
        return Dose(spray_l_per_stem=treatment.dose_per_stem_l, cuts_per_stem=_one_cut(treatment))
    by_diameter = {
        "stem_injection": treatment.cut_per_diameter_m is not None or treatment.cut_spacing_m is not None,
        "cut_stump": treatment.dose_per_ring_area_l_per_m2 is not None,
        "basal_bark": True,
    }[treatment.method]
    if by_diameter and not stand.diameter_m > 0:
        return Dose(missing="no stem diameter is mapped: give stem_diameter_in")
    return {"stem_injection": _inject, "cut_stump": _paint_stump, "basal_bark": _spray_bark}[treatment.method](
        treatment, stand
    )


def _one_cut(treatment: Treatment) -> int:
    return 1 if treatment.method == "stem_injection" else 0


def _inject(treatment: Treatment, stand: Stand) -> Dose:
    cuts = 1
    if treatment.cut_per_diameter_m is not None or treatment.cut_spacing_m is not None:
        counted = stems.count_cuts(
            np.array([stand.diameter_m]),
            per_diameter_m=treatment.cut_per_diameter_m,
            spacing_m=treatment.cut_spacing_m,
        )
        cuts = int(counted[0])
    return Dose(spray_l_per_stem=cuts * (treatment.dose_per_cut_l or math.nan), cuts_per_stem=cuts)


def _paint_stump(treatment: Treatment, stand: Stand) -> Dose:
    if treatment.dose_per_ring_area_l_per_m2 is None:
        return Dose(spray_l_per_stem=treatment.dose_per_cut_l or math.nan)
    width = treatment.ring_width_m
    whole = stand.diameter_m / 2
    area = stems.find_ring_area_m2(np.array([stand.diameter_m]), whole if width is None else width)
    assumed = "" if width is not None else "the whole cut is wetted: ring_width is not given"
    return Dose(spray_l_per_stem=float(area[0]) * treatment.dose_per_ring_area_l_per_m2, assumed=assumed)


def _spray_bark(treatment: Treatment, stand: Stand) -> Dose:
    area = stems.find_band_area_m2(np.array([stand.diameter_m]), treatment.band_height_m or math.nan)
    film = treatment.dose_per_bark_area_l_per_m2
    assumed = ""
    if film is None:
        film = DEFAULT_DOSE_PER_BARK_AREA_L_PER_M2
        assumed = f"{film:g} L for each m2 of bark is a default from memory: confirm it (dose_per_bark_area)"
    return Dose(spray_l_per_stem=float(area[0]) * film, assumed=assumed)
