"""Course-length tables of a calibration guide.

Clemson University weed research. "Spray/spread" calibration guide, undated, steps 1-4 and three course-length
tables. https://www.clemson.edu/cafls/research/weeds/spray-spread.html
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration
from tussock.trade.forms import express


def course_ft(plot_m2: float, swath: str) -> float:
    return express(calibration.find_course_m(plot_m2, q(swath, "m")), "m", "ft")


CASES = [
    pytest.param(
        lambda: course_ft(calibration.find_fl_oz_plot_m2(), "32 in"),
        127.6171875,
        128,
        1,
        "",
        id="first table, nozzle spacing 32 in",
    ),
    pytest.param(
        lambda: course_ft(calibration.find_fl_oz_plot_m2(), "32 in"),
        127.6171875,
        127,
        1,
        "cut off, and against the first table of the same page",
        id="second table, 32 in",
    ),
    pytest.param(
        lambda: course_ft(q("0.125 acre", "m2"), "36 ft"),
        151.25,
        152,
        1,
        "every cell of this table is rounded up",
        id="third table, boomless, swath 36 ft on 1/8 acre",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
