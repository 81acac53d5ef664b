"""Mixing tables of two pages on single plants.

[mesquite] Texas A&M AgriLife, individual-plant mesquite leaf-spray page, mixing table.
    https://texnat.tamu.edu/about/brush-busters/mesquite/leaf-spray-method/
[tallowtree] Texas A&M AgriLife, tallowtree stem-spray page, mixing table.
    https://texnat.tamu.edu/about/brush-busters/tallowtrees/stem-spray-method
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import mixing
from tussock.trade.forms import express


def fl_oz(batch: str, share: str) -> float:
    return express(mixing.find_product_l(q(batch, "L"), q(share, "")), "L", "fl_oz")


CASES = [
    pytest.param(lambda: fl_oz("14 gal", "0.5 %"), 8.96, 9, 1, "", id="mesquite: 0.5 % of 14 gal"),
    pytest.param(lambda: fl_oz("3 gal", "0.5 %"), 1.92, 2, 1, "", id="mesquite: 0.5 % of 3 gal"),
    pytest.param(lambda: fl_oz("25 gal", "0.5 %"), 16.0, 16, 1, "", id="mesquite: 0.5 % of 25 gal"),
    pytest.param(lambda: fl_oz("14 gal", "0.25 %"), 4.48, 5, 1, "rounded up", id="mesquite: 0.25 % of 14 gal"),
    pytest.param(lambda: fl_oz("1 gal", "15 %"), 19.2, 19, 1, "", id="tallowtree: 15 % in 1 gal"),
    pytest.param(lambda: fl_oz("1 gal", "25 %"), 32.0, 32, 1, "", id="tallowtree: 25 % in 1 gal"),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
