"""Worked examples of two sheets of NC State Extension on Christmas trees.

[worksheet] NC State Extension, Christmas Tree Program. "Backpack Sprayer Calibration Worksheet", undated, steps
    1-7. https://christmastrees.ces.ncsu.edu/backpack-sprayer-calibration-worksheet/
[mistblower] NC State Extension. "Determining Formulation Per Acre in a Christmas Tree Field to Achieve Target AI
    Per Acre", undated, mistblower example.
    https://content.ces.ncsu.edu/determining-formulation-per-acre-in-a-christmas-tree-field-to-achieve-target-ai-per-acre
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration, mixing
from tussock.trade.forms import express


def product_fl_oz(load: str) -> float:
    """Return product per load [fl oz] at 8 fl oz/acre and 7.5 gal/acre."""
    product_l = mixing.find_product_per_load_l(q(load, "L"), q("7.5 gal/acre", "L/ha"), q("8 fl oz/acre", "L/ha"))
    return express(product_l, "L", "fl_oz")


def trees_per_acre(spacing: str) -> float:
    spacing_m = q(spacing, "m")
    return express(calibration.find_plants_per_ha(spacing_m, spacing_m), "1/ha", "stem/acre")


CASES = [
    pytest.param(
        lambda: express(calibration.find_course_m(q("340 ft2", "m2"), q("6 ft", "m")), "m", "ft"),
        56.666666666666664,
        56.6666,
        0.0001,
        "the fourth decimal is cut off",
        id="step 1: course = 340 / 6 ft swath",
    ),
    pytest.param(
        lambda: calibration.find_plants_on_course(q("57 ft", "m"), q("5 ft", "m")),
        11.4,
        11,
        1,
        "",
        id="step 2: trees 5 ft apart on 57 ft (printed as feet)",
    ),
    pytest.param(lambda: calibration.average_runs([16.0, 18.0]), 17.0, 17, 1, "", id="step 3: runs of 16 and 18 s"),
    pytest.param(
        lambda: express(
            calibration.find_spray_volume_l_per_ha(q("7.5 fl oz", "L"), q("340 ft2", "m2")), "L/ha", "gal/acre"
        ),
        7.506893382352941,
        7.5,
        0.1,
        "",
        id="step 5: 7.5 fl oz over 340 ft2",
    ),
    pytest.param(
        lambda: product_fl_oz("1 gal"),
        1.0666666666666667,
        1.06,
        0.01,
        "cut off: it rounds to 1.07",
        id="step 6: 8 fl oz/acre at 7.5 gal/acre, per gallon",
    ),
    pytest.param(lambda: product_fl_oz("3 gal"), 3.2, 3.2, 0.1, "", id="step 7: 3 gal load"),
    pytest.param(
        lambda: q("3.2 fl oz", "mL"),
        94.6352946,
        96,
        1,
        "a fluid ounce taken as 30 mL, it is 29.57",
        id="step 7: 3.2 fl oz in mL",
    ),
    pytest.param(
        lambda: trees_per_acre("4 ft"), 2722.5, 2722, 1, "an exact half, cut off", id="mistblower: trees at 4 x 4 ft"
    ),
    pytest.param(
        lambda: trees_per_acre("4.5 ft"), 2151.1111111111113, 2151, 1, "", id="mistblower: trees at 4.5 x 4.5 ft"
    ),
    pytest.param(lambda: trees_per_acre("5 ft"), 1742.4, 1742, 1, "", id="mistblower: trees at 5 x 5 ft"),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)


def test_course_of_the_exact_plot():
    # the same step with 340.3125 ft2 instead of 340
    course_m = calibration.find_course_m(calibration.find_fl_oz_plot_m2(), q("6 ft", "m"))
    assert express(course_m, "m", "ft") == pytest.approx(56.71875, rel=1e-12)
