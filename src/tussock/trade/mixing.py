"""In: volumes [L], shares, rates [L/ha] and strengths [kg/L]. Out: product, carrier, loads, and the dose on the ground.

Shares by volume and by weight are kept apart: a function that weighs asks for the density. Strength is acid
equivalent (ae), or active ingredient (ai) where the label knows no acid; the two are converted in `acid_equivalent`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from tussock.base.errors import QuantityError
from tussock.base.units import HECTARE_M2, LB_PER_ACRE_KG_PER_HA
from tussock.trade.stems import CEILING_SLACK, round_up

Amount = TypeVar("Amount", float, NDArray[np.float64])

#: A stated rate and the one worked out may differ by this share before the check calls it a contradiction.
RATE_TOLERANCE: Final = 0.10


@dataclass(frozen=True)
class Mix:
    """What goes into one volume of mix [L]; the four add up to it."""

    product_l: float
    carrier_l: float
    dye_l: float = 0.0
    adjuvant_l: float = 0.0

    @property
    def total_l(self) -> float:
        """Volume of the mix [L]."""
        return self.product_l + self.carrier_l + self.dye_l + self.adjuvant_l


@dataclass(frozen=True)
class RateCheck:
    """Whether a stated rate agrees with product volume x strength. Rates in kg/ha, ``ratio`` is stated / worked out."""

    worked_out_kg_per_ha: float
    stated_kg_per_ha: float
    ratio: float
    agrees: bool
    message: str


def check_share(share: float, name: str) -> float:
    """Return a share between 0 and 1, or raise a QuantityError that names it."""
    if not 0 <= share <= 1:
        raise QuantityError(f'{name} {share * 100:g} %; write a share from "0 %" to "100 %"')
    return share


def _check_positive(size: float, name: str, unit: str) -> None:
    if not (math.isfinite(size) and size > 0):
        raise QuantityError(f"{name} {size:g} {unit}; it must be more than zero")


def find_share_of_parts(product_parts: float, carrier_parts: float) -> float:
    """Return the share of product in "1:2", meaning 1 part of product to 2 parts of carrier: 1/3.

    Raises
    ------
    QuantityError
        Negative parts, or none at all.
    """
    if product_parts < 0 or carrier_parts < 0 or product_parts + carrier_parts == 0:
        raise QuantityError(f'{product_parts:g}:{carrier_parts:g}; write parts of product and carrier, such as "1:2"')
    return product_parts / (product_parts + carrier_parts)


def find_share_of_one_in(parts: float) -> float:
    """Return the share of product in "1 in 50", meaning 1 part of product in 50 parts of finished mix: 1/50."""
    if not parts >= 1:
        raise QuantityError(f'1 in {parts:g}; the finished mix holds at least its product, such as "1 in 50"')
    return 1 / parts


def find_product_l(mix_l: Amount, concentration: float) -> Amount:
    """Return the product in a finished volume of mix [L], by volume."""
    return mix_l * check_share(concentration, "concentration")


def find_product_for_carrier_l(carrier_l: float, product_parts: float, carrier_parts: float) -> float:
    """Return the product to add to a volume of carrier [L] at so many parts to so many parts.

    The finished mix is larger than the carrier by this product.
    """
    _check_positive(carrier_parts, "carrier parts", "")
    return carrier_l * product_parts / carrier_parts


def split_mix(mix_l: float, concentration: float, *, dye: float = 0.0, adjuvant: float = 0.0) -> Mix:
    """Split a finished volume of mix into product, carrier, dye and adjuvant, all by volume.

    Parameters
    ----------
    mix_l
        Finished volume [L].
    concentration, dye, adjuvant
        Shares of the finished volume (0 to 1).

    Returns
    -------
    Mix
        The four volumes [L]; the carrier fills what the others leave.

    Raises
    ------
    QuantityError
        A share outside 0 to 1, or shares that add up to more than the whole.
    """
    shares = {"concentration": concentration, "dye": dye, "adjuvant": adjuvant}
    for name, share in shares.items():
        check_share(share, name)
    carrier = 1 - sum(shares.values())
    if carrier < -CEILING_SLACK:
        raise QuantityError(f"product, dye and adjuvant of {sum(shares.values()) * 100:g} %; together at most 100 %")
    return Mix(mix_l * concentration, mix_l * max(carrier, 0.0), mix_l * dye, mix_l * adjuvant)


def find_product_kg_by_weight(solution_l: float, share_by_weight: float, density_kg_per_l: float) -> float:
    """Return the product for a solution by weight [kg]: share x volume x density of the solution.

    Parameters
    ----------
    solution_l
        Finished volume [L].
    share_by_weight
        Share of the solution's weight (0 to 1).
    density_kg_per_l
        Weight of the solution; for thin solutions that of water (a gallon of water is taken as 8.34 lb in the trade).
    """
    _check_positive(density_kg_per_l, "density", "kg/L")
    return solution_l * density_kg_per_l * check_share(share_by_weight, "share by weight")


def find_product_per_load_l(load_l: float, spray_volume_l_per_ha: float, product_l_per_ha: float) -> float:
    """Return the product in one load [L] so that the ground gets ``product_l_per_ha`` at that spray volume."""
    return load_l * find_concentration(product_l_per_ha, spray_volume_l_per_ha)


def find_concentration(product_l_per_ha: float, spray_volume_l_per_ha: float) -> float:
    """Return the share of product in the mix that puts a product rate on the ground at a spray volume (both L/ha).

    Raises
    ------
    QuantityError
        No spray volume, or more product than spray.
    """
    _check_positive(spray_volume_l_per_ha, "spray volume", "L/ha")
    return check_share(product_l_per_ha / spray_volume_l_per_ha, "product in the spray volume")


def find_volume_l(area_m2: Amount, rate_l_per_ha: float) -> Amount:
    """Return the liquid for a piece of ground [L]: area [m2] x rate [L/ha]."""
    return area_m2 * (rate_l_per_ha / HECTARE_M2)


def find_mass_kg(area_m2: Amount, rate_kg_per_ha: float, share_treated: float = 1.0) -> Amount:
    """Return the mass for a piece of ground [kg]: area [m2] x share of it that is treated x rate [kg/ha]."""
    return area_m2 * (check_share(share_treated, "share treated") * rate_kg_per_ha / HECTARE_M2)


def find_ae_kg(product_l: Amount, strength_kg_per_l: float) -> Amount:
    """Return the acid equivalent in a volume of product [kg]: volume [L] x strength [kg/L]."""
    return product_l * strength_kg_per_l


def find_dry_product_kg(ai_kg: float, ai_share: float) -> float:
    """Return the dry product that holds so much active ingredient [kg], such as a wettable powder of 80 %."""
    _check_positive(ai_share, "active ingredient of the product", "(share)")
    return ai_kg / check_share(ai_share, "active ingredient of the product")


def find_ai_share(concentration: float, product_ai_share: float) -> float:
    """Return the share of active ingredient in the mix: product in the mix x active ingredient in the product."""
    return check_share(concentration, "concentration") * check_share(product_ai_share, "active ingredient")


@overload
def count_loads(volume_l: float, capacity_l: float) -> tuple[int, float]: ...


@overload
def count_loads(volume_l: NDArray[np.float64], capacity_l: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]: ...


def count_loads(
    volume_l: float | NDArray[np.float64], capacity_l: float
) -> tuple[int, float] | tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Count the fillings of the equipment and the size of the last one.

    Parameters
    ----------
    volume_l
        Mix needed [L]: a number or an array.
    capacity_l
        What the equipment holds [L].

    Returns
    -------
    tuple
        Loads, and the last load [L] (a full one where the volume divides evenly, 0 where there is no volume);
        numbers for a number, arrays of the same shape for an array.

    Raises
    ------
    QuantityError
        A negative volume, or a capacity that is not more than zero.

    Examples
    --------
    >>> count_loads(10.0, 4.0)
    (3, 2.0)
    """
    _check_positive(capacity_l, "capacity", "L")
    volumes = np.asarray(volume_l, dtype=np.float64)
    if not (np.isfinite(volumes) & (volumes >= 0)).all():
        raise QuantityError(f"volume {volumes.min():g} L; a volume of mix is finite and not negative")
    loads = round_up(volumes / capacity_l)
    loads = np.where((volumes > 0) & (loads == 0), 1, loads)
    last_l = np.where(loads > 0, np.minimum(volumes - (loads - 1) * capacity_l, capacity_l), 0.0)
    return (loads, last_l) if isinstance(volume_l, np.ndarray) else (int(loads), float(last_l))


def find_dose_kg_per_ha(spray_volume_l_per_ha: Amount, concentration: float, strength_kg_per_l: float) -> Amount:
    """Return the dose on the treated ground [kg/ha]: spray volume x concentration x strength.

    The dose is per wetted ground: thin cover lowers the amount for a patch, never the dose.

    Parameters
    ----------
    spray_volume_l_per_ha
        Liquid on the treated ground [L/ha].
    concentration
        Share of product in the mix by volume (0 to 1).
    strength_kg_per_l
        Acid equivalent in the product [kg/L].

    Examples
    --------
    5 % of a 4 lb/gal product at 100 gal/acre puts 20 lb/acre on the ground:

    >>> from tussock.base.units import LB_PER_ACRE_KG_PER_HA, parse_quantity
    >>> dose = find_dose_kg_per_ha(parse_quantity("100 gal/acre", "L/ha"), 0.05, parse_quantity("4 lb/gal", "kg/L"))
    >>> round(dose / LB_PER_ACRE_KG_PER_HA, 6)
    20.0
    """
    return spray_volume_l_per_ha * (check_share(concentration, "concentration") * strength_kg_per_l)


def find_ceiling_concentration(limit_kg_per_ha: float, spray_volume_l_per_ha: float, strength_kg_per_l: float) -> float:
    """Return the largest share of product that keeps the dose within a limit [kg/ha] at a spray volume [L/ha].

    At most 1: an undiluted product can stay under the limit by its small volume.
    """
    _check_positive(spray_volume_l_per_ha, "spray volume", "L/ha")
    _check_positive(strength_kg_per_l, "strength", "kg/L")
    return min(1.0, limit_kg_per_ha / (spray_volume_l_per_ha * strength_kg_per_l))


def check_rate(
    product_l_per_ha: float,
    strength_kg_per_l: float,
    stated_kg_per_ha: float,
    *,
    tolerance: float = RATE_TOLERANCE,
) -> RateCheck:
    """Check a stated rate of active against product volume x strength: catches slipped decimal points.

    Parameters
    ----------
    product_l_per_ha
        Product on the ground [L/ha].
    strength_kg_per_l
        Strength of the product [kg/L].
    stated_kg_per_ha
        Rate that the document states [kg/ha].
    tolerance
        Share by which both may differ (printed rates are rounded).

    Returns
    -------
    RateCheck
        Both rates, their ratio, whether they agree, and one line in words.
    """
    _check_positive(product_l_per_ha, "product rate", "L/ha")
    _check_positive(strength_kg_per_l, "strength", "kg/L")
    _check_positive(stated_kg_per_ha, "stated rate", "kg/ha")
    worked_out = product_l_per_ha * strength_kg_per_l
    ratio = stated_kg_per_ha / worked_out
    agrees = bool(abs(ratio - 1) <= tolerance)
    both = f"stated {_show_dose(stated_kg_per_ha)}, product x strength gives {_show_dose(worked_out)}"
    if agrees:
        return RateCheck(worked_out, stated_kg_per_ha, ratio, agrees, f"agrees: {both}")
    power = round(math.log10(ratio))
    slipped = power != 0 and abs(ratio / 10.0**power - 1) <= tolerance
    hint = f"; a factor of {10.0**power:g}: the decimal point slipped" if slipped else ""
    message = f"contradiction: {both}, {ratio:.3g} times as much{hint}; read the label again"
    return RateCheck(worked_out, stated_kg_per_ha, ratio, agrees, message)


def _show_dose(dose_kg_per_ha: float) -> str:
    return f"{dose_kg_per_ha / LB_PER_ACRE_KG_PER_HA:.4g} lb/acre ({dose_kg_per_ha:.4g} kg/ha)"
