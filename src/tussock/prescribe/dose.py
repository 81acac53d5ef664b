"""In: a treatment, its products, stems of a patch. Out: the dose and the liquid it takes, or why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tussock.base.records import STEM_METHODS, Product, Treatment
from tussock.trade import mixing, stems

FloatArray = NDArray[np.float64]

#: Liquid for each square metre of bark, where a treatment gives none. From memory, not from a document: it must be
#: confirmed by the user, and every plan that rests on it says so.
DEFAULT_DOSE_PER_BARK_AREA_L_PER_M2 = 0.3


@dataclass(frozen=True)
class Stand:
    """Stems of a patch by diameter class, and its cover.

    Attributes
    ----------
    stems_per_ha
        All stems on the gross area; nan where unknown.
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
        Liquid and injection cuts for one stem of each class (stem methods), else empty.
    missing
        What is not known and stops the dose from being found; empty where nothing is.
    assumed
        A default that the dose rests on; empty where there is none.
    """

    ae_kg_per_ha: float = math.nan
    spray_l_per_ha: float = math.nan
    spray_l_by_class: tuple[float, ...] = ()
    cuts_by_class: tuple[int, ...] = ()
    missing: str = ""
    assumed: str = ""

    @property
    def by_stems(self) -> bool:
        """Whether amounts follow from stems."""
        return bool(self.spray_l_by_class)


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
        Stems of the patch; only stem methods look at it.

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
    """Return liquid and cuts for one stem of each class."""
    count = len(stand.classes)
    one_cut = (1,) * count if treatment.method == "stem_injection" else (0,) * count
    if treatment.dose_per_stem_l is not None:
        return Dose(spray_l_by_class=(treatment.dose_per_stem_l,) * count, cuts_by_class=one_cut)
    by_diameter = {
        "stem_injection": treatment.cut_per_diameter_m is not None or treatment.cut_spacing_m is not None,
        "cut_stump": treatment.dose_per_ring_area_l_per_m2 is not None,
        "basal_bark": True,
    }[treatment.method]
    if by_diameter and not (stand.diameters_m > 0).all():
        return Dose(missing="no stem diameter is mapped; unlock: give stem_diameter_in")
    if not by_diameter:
        return Dose(spray_l_by_class=(treatment.dose_per_cut_l or math.nan,) * count, cuts_by_class=one_cut)
    rule = {"stem_injection": _inject, "cut_stump": _paint_stump, "basal_bark": _spray_bark}[treatment.method]
    return rule(treatment, stand.diameters_m)


def _inject(treatment: Treatment, diameters_m: FloatArray) -> Dose:
    cuts = stems.count_cuts(diameters_m, per_diameter_m=treatment.cut_per_diameter_m, spacing_m=treatment.cut_spacing_m)
    liquid = cuts * (treatment.dose_per_cut_l or math.nan)
    return Dose(spray_l_by_class=tuple(liquid.tolist()), cuts_by_class=tuple(cuts.tolist()))


def _paint_stump(treatment: Treatment, diameters_m: FloatArray) -> Dose:
    width = float(diameters_m.max()) / 2 if treatment.ring_width_m is None else treatment.ring_width_m
    area = stems.find_ring_area_m2(diameters_m, width)
    assumed = "" if treatment.ring_width_m is not None else "the whole cut is wetted: ring_width is not given"
    liquid = area * (treatment.dose_per_ring_area_l_per_m2 or math.nan)
    return Dose(spray_l_by_class=tuple(liquid.tolist()), cuts_by_class=(0,) * len(area), assumed=assumed)


def _spray_bark(treatment: Treatment, diameters_m: FloatArray) -> Dose:
    if treatment.band_height_m is None:
        return Dose(missing="no band height; unlock: give band_height")
    area = stems.find_band_area_m2(diameters_m, treatment.band_height_m)
    film = treatment.dose_per_bark_area_l_per_m2
    assumed = ""
    if film is None:
        film = DEFAULT_DOSE_PER_BARK_AREA_L_PER_M2
        assumed = f"{film:g} L for each m2 of bark is a default from memory: confirm it (dose_per_bark_area)"
    return Dose(spray_l_by_class=tuple((area * film).tolist()), cuts_by_class=(0,) * len(area), assumed=assumed)
