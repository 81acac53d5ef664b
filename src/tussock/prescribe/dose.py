"""In: a treatment, its products, stems of a patch. Out: the dose and the liquid it takes, or why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.trade import mixing, stems

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Stand:
    """Stems of a patch or a unit by diameter class, and its cover.

    Attributes
    ----------
    stems_per_ha
        All stems on the ground; nan where unknown.
    classes
        Diameter [m] (nan where unknown) and share of the stems, for each class.
    cover
        Share of the ground; nan where unknown.
    """

    stems_per_ha: float
    classes: tuple[tuple[float, float], ...]
    cover: float

    @property
    def diameters_m(self) -> FloatArray:
        """Diameter of each class [m]."""
        return np.array([diameter for diameter, _ in self.classes])

    @property
    def shares(self) -> FloatArray:
        """Share of the stems in each class."""
        return np.array([share for _, share in self.classes])


@dataclass(frozen=True)
class Dose:
    """What a treatment puts on the ground it treats.

    Attributes
    ----------
    ae_kg_per_ha
        Acid equivalent on treated ground; for stems, on the ground that they stand on.
    spray_l_per_ha
        Liquid on infested ground (areal methods), else nan.
    spray_l_by_class, cuts_by_class
        Liquid and injection cuts for one stem of each class (stem methods), else empty; cuts are nan where no rule
        counts them.
    by_stems
        Whether amounts follow from stems.
    missing
        What is not known and stops the dose from being found; empty where nothing is.
    """

    ae_kg_per_ha: float = math.nan
    spray_l_per_ha: float = math.nan
    spray_l_by_class: tuple[float, ...] = ()
    cuts_by_class: tuple[float, ...] = ()
    by_stems: bool = False
    missing: str = ""


def find_dose(treatment: Treatment, product: Product, concentration: float, stand: Stand) -> Dose:
    """Find the dose of one product of a treatment.

    Parameters
    ----------
    treatment
        With a spray volume, or the doses of a stem method.
    product
        Strength as acid equivalent.
    concentration
        Share of the product in the mix.
    stand
        Stems of the unit; only stem methods look at it.

    Returns
    -------
    Dose
        ``missing`` says what is not known, where the dose cannot be found.
    """
    if treatment.spray_volume_l_per_ha is not None:
        ae = mixing.find_dose_kg_per_ha(treatment.spray_volume_l_per_ha, concentration, product.strength_kg_per_l)
        return Dose(ae_kg_per_ha=float(ae), spray_l_per_ha=treatment.spray_volume_l_per_ha)
    if treatment.method not in STEM_METHODS:
        return Dose(missing="no spray volume; unlock: give spray_volume")
    if not stand.stems_per_ha >= 0:
        return Dose(missing="no stems are mapped; unlock: give stems_per_acre or stem_count, or a stems layer")
    dose = _find_stem_dose(treatment, stand)
    if dose.missing:
        return dose
    spray_l_per_ha = float(np.dot(dose.spray_l_by_class, stand.shares)) * stand.stems_per_ha
    return replace(dose, ae_kg_per_ha=spray_l_per_ha * concentration * product.strength_kg_per_l)


def _find_stem_dose(treatment: Treatment, stand: Stand) -> Dose:
    """Return liquid and cuts for one stem of each class, by the one dose that the treatment states."""
    diameters_m = stand.diameters_m
    each = treatment.dose_per_stem_l
    if each is None and treatment.method == "cut_stump":
        each = treatment.dose_per_cut_l
    if (each is None or treatment.counts_cuts) and not (diameters_m > 0).all():
        return Dose(missing="no stem diameter is mapped; unlock: give stem_diameter_in")
    cuts = np.full(len(diameters_m), math.nan)
    if treatment.counts_cuts:
        cuts = stems.count_cuts(
            diameters_m, per_diameter_m=treatment.cut_per_diameter_m, spacing_m=treatment.cut_spacing_m
        ).astype(float)
    if each is not None:
        liquid = np.full(len(diameters_m), each)
    elif treatment.method == "stem_injection":
        liquid = stems.find_injection_dose_l(cuts, treatment.dose_per_cut_l or math.nan)
    elif treatment.method == "cut_stump":
        area = stems.find_ring_area_m2(diameters_m, treatment.ring_width_m or math.nan)
        liquid = stems.find_area_dose_l(area, treatment.dose_per_ring_area_l_per_m2 or math.nan)
    else:
        area = stems.find_band_area_m2(diameters_m, treatment.band_height_m or math.nan)
        liquid = stems.find_area_dose_l(area, treatment.dose_per_bark_area_l_per_m2 or math.nan)
    return Dose(spray_l_by_class=tuple(liquid.tolist()), cuts_by_class=tuple(cuts.tolist()), by_stems=True)
