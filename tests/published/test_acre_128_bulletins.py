"""Worked examples of the 1/128 acre method, from four documents.

[Bugwood] Douce, Moorhead and Bargeron. Forest Pest Control, Univ. of Georgia Special Bulletin 16, rev. Jan 2002,
    Appendix, notes to Tables A1-A3. https://www.bugwood.org/pestcontrol/appendix.html
[slides] Slide set "1/128 Method Of Calibration: Calibrating Hand Sprayers And High Pressure Hand Guns", extension
    training slides, author and year not shown.
    http://slidegur.com/doc/5284/1-128-method-of-calibration-calibrating
[Alachua] UF/IFAS Extension Alachua County. "Calibrating a Backpack Sprayer; the 1/128th Rule", 4 Feb 2022, steps
    1-7. https://blogs.ifas.ufl.edu/alachuaco/2022/02/04/calibrating-a-backpack-sprayer-the-1-128th-rule/
[worksheet] "Sprayer calibration instructions", two-page worksheet, author and year not shown.
    https://paperzz.com/doc/9164538/sprayer-calibration-instructions
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration, mixing
from tussock.trade.forms import express
from tussock.trade.worksheets import WORKSHEETS


def fill_catch(**given: str) -> tuple[float, float]:
    """Return plot [ft2] and spray volume [gal/acre] as the worksheet prints them."""
    plot, rate = WORKSHEETS["flow-catch"].fill(given).lines
    assert (plot.unit, rate.unit) == ("ft2", "gal/acre")
    return plot.value, rate.value


def mix_per_load(load: str, rate: str, product: str) -> float:
    """Return product per load [fl oz]."""
    return express(mixing.find_product_per_load_l(q(load, "L"), q(rate, "L/ha"), q(product, "L/ha")), "L", "fl_oz")


CASES = [
    pytest.param(
        lambda: express(calibration.find_fl_oz_plot_m2(), "m2", "ft2"),
        340.3125,
        340.3,
        0.1,
        "",
        id="Bugwood: 1 acre / 128",
    ),
    pytest.param(
        lambda: express(
            calibration.find_spray_volume_l_per_ha(q("40 fl oz", "L"), calibration.find_fl_oz_plot_m2()),
            "L/ha",
            "gal/acre",
        ),
        40.0,
        40,
        1,
        "",
        id="slides: 40 fl oz caught in 51 s on the plot",
    ),
    pytest.param(
        lambda: mix_per_load("1 gal", "40 gal/acre", "1 qt/acre"),
        0.8,
        0.8,
        0.1,
        "",
        id="slides: 1 qt/acre at 40 gal/acre",
    ),
    pytest.param(  # a tablespoon is half a fluid ounce (NIST Handbook 44, Appendix C); print says "about"
        lambda: express(q("0.8 fl oz", "L"), "L", "fl_oz") / 0.5, 1.6, 2, 1, "", id="slides: 0.8 fl oz in tablespoons"
    ),
    pytest.param(
        lambda: q("0.8 fl oz", "mL"), 23.65882365, 24, 1, "", id="slides: 0.8 fl oz in mL (by 30 mL to the ounce)"
    ),
    pytest.param(
        lambda: fill_catch(course="18.5 ft", swath="8.5 ft", catch="25 fl oz")[0],
        157.25,
        340.3,
        0.1,
        "misprint: the plot is 18.5 x 18.5 ft, not 8.5 x 18.5",
        id="Alachua: plot of 8.5 x 18.5 ft",
    ),
    pytest.param(
        lambda: fill_catch(course="18.5 ft", swath="18.5 ft", catch="100 fl oz")[0],
        342.25,
        342,
        1,
        "",
        id="worksheet: plot of 18.5 ft square",
    ),
    pytest.param(
        lambda: fill_catch(course="18.5 ft", swath="18.5 ft", catch="100 fl oz")[1],
        99.43389335281228,
        100,
        1,
        "18.5 ft square is 0.57 % more than 1/128 acre",
        id="worksheet: 100 fl oz on 18.5 ft square",
    ),
    pytest.param(
        lambda: mix_per_load("50 gal", "100 gal/acre", "7 fl oz/acre"),
        3.5,
        3.5,
        0.1,
        "",
        id="worksheet: 50 gal load at 100 gal/acre, 7 fl oz/acre",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)


def test_misprinted_plot_taken_literally_more_than_doubles_the_rate():
    # [Alachua] 25 fl oz on 8.5 x 18.5 ft would be 54 gal/acre, where the method means 25
    assert fill_catch(course="18.5 ft", swath="8.5 ft", catch="25 fl oz")[1] == pytest.approx(54.1, abs=0.05)
