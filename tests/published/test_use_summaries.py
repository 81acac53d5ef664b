"""Two single figures: a state's use summary and a research table.

[WSDA] Washington State Dept. of Agriculture, triclopyr BEE use summary, Nov 2004, table.
    https://docslib.org/doc/1716908/triclopyr-butoxyethyl-ester-bee-use-summary
[Ballard] Ballard and Nowak. Timing of Cut-Stump Herbicide Applications, Arboriculture & Urban Forestry p. 120,
    Table 1. https://html5.dcatalog.com/?docid=1d9319a4-3692-4ac1-abd1-a747010ba38c&page=32
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import mixing
from tussock.trade.forms import express

CASES = [
    pytest.param(
        lambda: express(
            mixing.find_mass_kg(q("7000000 acre", "m2"), q("0.5 lb/acre", "kg/ha"), q("1 %", "")), "kg", "lb"
        ),
        35000.0,
        35000,
        1,
        "",
        id="WSDA: 7,000,000 acres x 1 % x 0.50 lb",
    ),
    pytest.param(
        lambda: mixing.find_ai_share(q("20 %", ""), q("61.6 %", "")) * 100,
        12.32,
        12.3,
        0.1,
        "",
        id="Ballard, Table 1: 20 % by volume of a 61.6 % ester product",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)
