"""In: stem diameters [m] and a rule. Out: cuts per stem, area of the living ring or of the bark band [m2], dose [L].

All functions take arrays and return arrays of the same shape, one place for each stem (or class of stems).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tussock.base.errors import QuantityError
from tussock.base.units import INCH_M

#: Slack of the ceiling: 6 in by 3 in is two cuts also where both were turned to metres.
CEILING_SLACK: Final = 1e-9
_FEW: Final = 3


def check_diameters(diameter_m: ArrayLike) -> NDArray[np.float64]:
    """Return diameters as an array, every one more than zero.

    Parameters
    ----------
    diameter_m
        Stem diameters [m], any shape.

    Returns
    -------
    numpy.ndarray
        The diameters [m] as floats, same shape.

    Raises
    ------
    QuantityError
        A diameter that is 0, negative, not a number or not finite; names the first few and their places.
    """
    diameters = np.asarray(diameter_m, dtype=np.float64)
    wrong = np.flatnonzero(~(np.isfinite(diameters) & (diameters > 0)))
    if wrong.size:
        shown = ", ".join(f"{diameters.flat[place]:g} m (place {place})" for place in wrong[:_FEW])
        more = f" and {wrong.size - _FEW} more" if wrong.size > _FEW else ""
        raise QuantityError(f'stem diameter {shown}{more}; a diameter is more than zero, such as "3 in"')
    return diameters


def _check_length(length_m: float, name: str) -> None:
    if not (np.isfinite(length_m) and length_m > 0):
        raise QuantityError(f'{name} {length_m:g} m; it must be more than zero, such as "3 in"')


def round_up(number: ArrayLike) -> NDArray[np.int64]:
    """Return the smallest whole numbers that are not below ``number``, forgiving float noise of 1e-9."""
    exact = np.asarray(number, dtype=np.float64)
    whole: NDArray[np.int64] = np.ceil(exact - CEILING_SLACK * np.maximum(1.0, np.abs(exact))).astype(np.int64)
    return whole


def count_cuts(
    diameter_m: ArrayLike, *, per_diameter_m: float | None = None, spacing_m: float | None = None
) -> NDArray[np.int64]:
    """Count the injection cuts of each stem: at least one.

    Parameters
    ----------
    diameter_m
        Stem diameters [m], any shape.
    per_diameter_m
        One cut for each such step of diameter [m], rounded up. One cut for every 3 in is common practice, no source.
    spacing_m
        Or: largest distance between the centres of neighbouring cuts, measured around the stem [m].

    Returns
    -------
    numpy.ndarray of int
        Cuts per stem, same shape.

    Raises
    ------
    QuantityError
        A diameter or rule that is not more than zero; both rules or none.

    Examples
    --------
    >>> count_cuts([0.0254 * inches for inches in (1, 3, 6, 7, 9)], per_diameter_m=3 * 0.0254).tolist()
    [1, 1, 2, 3, 3]
    """
    diameters = check_diameters(diameter_m)
    if per_diameter_m is not None and spacing_m is None:
        _check_length(per_diameter_m, "cut_per_diameter")
        cuts = round_up(diameters / per_diameter_m)
    elif spacing_m is not None and per_diameter_m is None:
        _check_length(spacing_m, "cut_spacing")
        cuts = round_up(np.pi * diameters / spacing_m)
    else:
        found = "both" if spacing_m is not None else "none"
        raise QuantityError(f'{found} of cut_per_diameter and cut_spacing; give one, such as cut_per_diameter = "3 in"')
    return np.maximum(cuts, 1)


def find_injection_dose_l(cuts: ArrayLike, dose_per_cut_l: float) -> NDArray[np.float64]:
    """Return the mix injected into each stem [L]: cuts x dose per cut [L]."""
    _check_dose(dose_per_cut_l, "dose_per_cut", "1 mL")
    return np.asarray(cuts, dtype=np.float64) * dose_per_cut_l


def find_ring_area_m2(diameter_m: ArrayLike, ring_width_m: float) -> NDArray[np.float64]:
    """Return the area of the living ring at the edge of each cut stump [m2].

    Only this ring takes the mix up; the dead centre gets none (common practice, no source). A stem that is thinner
    than two ring widths is ring all through.

    Parameters
    ----------
    diameter_m
        Diameters of the cut faces [m], any shape.
    ring_width_m
        Width of the living ring [m].

    Returns
    -------
    numpy.ndarray
        pi/4 (d^2 - max(d - 2w, 0)^2) [m2], same shape.

    Raises
    ------
    QuantityError
        A diameter or ring width that is not more than zero.

    Examples
    --------
    >>> find_ring_area_m2([0.10, 0.02], 0.01).round(6).tolist()
    [0.002827, 0.000314]
    """
    diameters = check_diameters(diameter_m)
    _check_length(ring_width_m, "ring_width")
    centre_m = np.maximum(diameters - 2 * ring_width_m, 0.0)
    area: NDArray[np.float64] = np.pi / 4 * (diameters**2 - centre_m**2)
    return area


def find_band_area_m2(diameter_m: ArrayLike, band_height_m: float) -> NDArray[np.float64]:
    """Return the bark treated on each stem by a basal band [m2]: height x circumference.

    Parameters
    ----------
    diameter_m
        Stem diameters [m] in the band, any shape.
    band_height_m
        Height of the band from the ground [m].

    Returns
    -------
    numpy.ndarray
        pi d h [m2], same shape.

    Raises
    ------
    QuantityError
        A diameter or height that is not more than zero.
    """
    diameters = check_diameters(diameter_m)
    _check_length(band_height_m, "band_height")
    return np.pi * diameters * band_height_m


def find_area_dose_l(area_m2: ArrayLike, dose_l_per_m2: float) -> NDArray[np.float64]:
    """Return the mix put on each ring or band [L]: area [m2] x dose [L/m2]."""
    _check_dose(dose_l_per_m2, "dose per area", "0.3 L/m2")
    return np.asarray(area_m2, dtype=np.float64) * dose_l_per_m2


def find_stem_allowance(stems: float, area_m2: float, limit_per_ha: float) -> tuple[float, float]:
    """Split stems into those that a yearly limit in stems per area allows and those left over.

    Parameters
    ----------
    stems
        Stems on the ground.
    area_m2
        Ground [m2].
    limit_per_ha
        Most stems per hectare and year on the label.

    Returns
    -------
    tuple of float
        Stems allowed this year (whole), and stems left over.
    """
    if stems < 0:
        raise QuantityError(f"{stems:g} stems; a count of stems is not negative")
    most = float(np.floor(limit_per_ha * area_m2 / 1e4 * (1 + CEILING_SLACK)))
    allowed = min(stems, most)
    return allowed, stems - allowed


def _check_dose(dose: float, name: str, example: str) -> None:
    if not (np.isfinite(dose) and dose > 0):
        raise QuantityError(f'{name} {dose:g}; it must be more than zero, such as "{example}"')


#: Common practice, no source: one injection cut for every 3 in of stem diameter.
USUAL_CUT_PER_DIAMETER_M: Final = 3 * INCH_M
