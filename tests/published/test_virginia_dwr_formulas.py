"""Formulas for treatments in ponds.

Virginia Dept. of Wildlife Resources. "Formulas for Determining Application Rates".
https://dwr.virginia.gov/fishing/aquatic-plant-id-and-treatment/formulas-for-determining-application-rates/
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration, mixing
from tussock.trade.forms import express


def by_weight_kg(volume: str) -> float:
    """Return the product for a 1 % solution by weight [kg], water at 8.34 lb/gal."""
    return mixing.find_product_kg_by_weight(q(volume, "L"), q("1 %", ""), q("8.34 lb/gal", "kg/L"))


CASES = [
    pytest.param(
        lambda: express(by_weight_kg("1 gal"), "kg", "oz"),
        1.3344,
        1.34,
        0.01,
        "water at 8.34 lb/gal gives 1.33; by volume it would be 1.28 fl oz",
        id="1 % by weight in 1 gal, ounces",
    ),
    pytest.param(lambda: by_weight_kg("1 gal") * 1000, 37.8296036580, 38, 1, "", id="1 % by weight in 1 gal, grams"),
    pytest.param(lambda: by_weight_kg("1 L") * 1000, 9.993524038229182, 10, 1, "", id="1 % by weight in 1 L, grams"),
    pytest.param(
        lambda: express(calibration.find_square_side_m(q("1 acre", "m2")), "m", "ft"),
        208.71032557111303,
        209,
        1,
        "",
        id="1 acre as a square",
    ),
    pytest.param(
        lambda: express(calibration.find_circle_diameter_m(q("1 acre", "m2")), "m", "ft"),
        235.5043833321658,
        235,
        1,
        "cut off: 235.5 rounds to 236",
        id="1 acre as a circle",
    ),
    pytest.param(
        lambda: express(calibration.find_water_volume_l(q("1 acre", "m2"), q("1 ft", "m")), "L", "gal"),
        325851.4285714286,
        326000,
        1000,
        "",
        id="gallons per acre-foot",
    ),
    pytest.param(  # prints 107.640 with a point for the comma of thousands
        lambda: q("1 ha", "ft2"), 107639.10416709722, 107640, 10, "", id="square feet per hectare"
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
