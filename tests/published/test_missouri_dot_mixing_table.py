"""Percent solution by batch size.

Missouri DOT Engineering Policy Guide 821.15 "Forms and Conversions", Table 821.15.1.
http://epg.modot.org/index.php?title=821.15_Forms_and_Conversions
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import mixing
from tussock.trade.forms import express


def product(batch: str, share: str, unit: str) -> float:
    return express(mixing.find_product_l(q(batch, "L"), q(share, "")), "L", unit)


CASES = [
    pytest.param(lambda: product("1 gal", "20 %", "pt"), 1.6, 1.60, 0.01, "", id="1 gal at 20 %"),
    pytest.param(
        lambda: product("1.5 pt", "8 %", "fl_oz"),
        1.92,
        1.6,
        0.1,
        "the worst cell of the table, 17 % low",
        id="1.5 pt at 8 %",
    ),
    pytest.param(lambda: product("1.5 pt", "80 %", "pt"), 1.2, 1.28, 0.01, "6.7 % high", id="1.5 pt at 80 %"),
    pytest.param(
        lambda: product("0.66666666666666667 gal", "75 %", "qt"),
        2.0,
        2.13,
        0.01,
        "the 80 % figure, one row too far down",
        id="2/3 gal at 75 %",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
