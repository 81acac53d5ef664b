"""Practice problems for applicators with printed answers, from four documents.

[problems] Forestry / right-of-way / aquatic applicator practice problems with answers, slide set uploaded by 2007,
    author not shown.
    https://www.slideserve.com/garren/forestry-problem-index-click-on-appropriate-number-below-powerpoint-ppt-presentation
    ; copy https://studylib.net/doc/10095340/forestry-problem-%23a
[safety] Agrochemical and Pesticide Safety (handbook), p. 128, examples 4-5.
    http://what-when-how.com/Tutorial/topic-166581h5j/Agrochemical-and-Pesticide-Safety-128.html
[Army] US Army Medical Department Center and School. Pesticides in the Military, Subcourse MD0173 ed. 100, pages
    with web numbers 39 and 43.
    http://armymedical.tpub.com/MD0173/Pesticide-Application-Calculations-Pesticides-in-the-Military-39.htm
[Minnesota] J. A. True, Univ. of Minnesota Extension. "How to: Calculate herbicide rates & calibrate herbicide
    applicators", band example.
    http://www.extension.umn.edu/agriculture/crops/weed-management/how-to-calculate-herbicide-rates/
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration, mixing
from tussock.trade.forms import express


def pounds(kg: float) -> float:
    return express(kg, "kg", "lb")


CASES = [
    pytest.param(
        lambda: express(q("30 ft", "m") * q("690 ft", "m"), "m2", "acre"),
        0.47520661157024796,
        0.475,
        0.001,
        "",
        id="problems: 30 x 690 ft in acres",
    ),
    pytest.param(  # prints 0.09 gal, then 12 liquid ounces
        lambda: express(mixing.find_product_l(q("3 gal", "L"), q("3 %", "")), "L", "fl_oz"),
        11.52,
        12,
        1,
        "",
        id="problems: 3 gal of 3 %",
    ),
    pytest.param(
        lambda: pounds(
            mixing.find_dry_product_kg(mixing.find_mass_kg(q("20 acre", "m2"), q("3 lb/acre", "kg/ha")), q("70 %", ""))
        ),
        85.71428571428571,
        86,
        1,
        "",
        id="problems: 20 acres at 3 lb ai of a 70 % powder",
    ),
    pytest.param(
        lambda: pounds(mixing.find_mass_kg(q("3.5 acre", "m2"), q("3 lb/acre", "kg/ha"))),
        10.5,
        10.5,
        0.1,
        "",
        id="safety, example 4: 3 lb/acre on 3.5 acres",
    ),
    pytest.param(
        lambda: pounds(mixing.find_dry_product_kg(q("2 lb", "kg"), q("80 %", ""))),
        2.5,
        2.5,
        0.1,
        "",
        id="safety, example 5: 2 lb ai from an 80 % powder",
    ),
    pytest.param(
        lambda: express(
            mixing.find_volume_l(q("300 ft", "m") * q("150 ft", "m"), q("0.001 gal/ft2", "L/ha")), "L", "gal"
        ),
        45.0,
        45,
        1,
        "",
        id="Army: 300 x 150 ft at 1 gal per 1000 ft2",
    ),
    pytest.param(
        lambda: pounds(
            mixing.find_mass_kg(
                q("1 acre", "m2"),
                q("3 lb/acre", "kg/ha"),
                calibration.find_band_share(q("10 in", "m"), q("30 in", "m")),
            )
        ),
        1.0,
        1,
        1,
        "",
        id="Minnesota: 3 lb/acre broadcast, 10 in band in 30 in rows",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
