"""Band spraying table.

University of Florida Digital Collections, item UF00067548, page 6: "Sprayer calibration table for band-spraying of
herbicides" (OCR text; bulletin title page not seen).
https://ufdcimages.uflib.ufl.edu/UF/00/06/75/48/00001/00006.txt
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration
from tussock.trade.forms import express


def band_gal_per_acre(catch: str, band: str) -> float:
    """Return the spray volume [gal/acre] of the band from a catch over 300 ft."""
    rate = calibration.find_spray_volume_l_per_ha(q(catch, "L"), q("300 ft", "m") * q(band, "m"))
    return express(rate, "L/ha", "gal/acre")


CASES = [
    pytest.param(
        lambda: band_gal_per_acre("18 fl oz", "12 in"),
        20.41875,
        20.5,
        0.1,
        "the one wrong cell of 41 that can be read",
        id="12 in band, 18 fl oz in 300 ft",
    ),
    pytest.param(
        lambda: band_gal_per_acre("20 fl oz", "9 in"),
        30.25,
        30.2,
        0.1,
        "an exact half, rounded to the even digit",
        id="9 in band, 20 fl oz in 300 ft",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
