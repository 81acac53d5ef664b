"""Mixing by parts.

South East Queensland Ecological Restoration Framework: Manual, s. 5.3.5 Table 3.
https://www.yumpu.com/en/document/view/30854462/south-east-queensland-ecological-restoration-framework-manual/40
"""

from __future__ import annotations

import pytest

from tussock.trade import mixing

CASES = [
    pytest.param(
        lambda: mixing.find_product_for_carrier_l(10.0, 1, 50) * 1000,
        200.0,
        200,
        1,
        "",
        id="1:50 added to 10 L of water",
    ),
    pytest.param(
        lambda: mixing.find_product_for_carrier_l(10.0, 1, 200) * 1000,
        50.0,
        50,
        1,
        "",
        id="1:200 added to 10 L of water",
    ),
    pytest.param(
        lambda: mixing.find_product_l(10.0, mixing.find_share_of_one_in(50)) * 1000,
        200.0,
        200,
        1,
        "",
        id="1 in 50 of 10 L of mix",
    ),
    pytest.param(
        lambda: mixing.find_product_l(10.0, mixing.find_share_of_parts(1, 50)) * 1000,
        10_000 / 51,
        200,
        1,
        "the print adds to 10 L of water; 10 L of finished mix at 1:50 hold 196 mL",
        id="1:50 of 10 L of mix",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
