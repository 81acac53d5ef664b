"""Rates of the Pacific Northwest handbook and a forestry table made from it.

[riparian] PNW Weed Management Handbook, riparian restoration sites, "Site Preparation-Perennial and Annual
    Broadleaves".
    https://pnwhandbooks.org/weed/non-cropland-right-way/managing-unwanted-vegetation-riparian-restoration-sites/site-preparation-perennial-annual-broadleaves
[broad] the same, "Site Preparation-Broad Spectrum Control".
    https://pnwhandbooks.org/weed/non-cropland-right-way/managing-unwanted-vegetation-riparian-restoration-sites/site-preparation-broad-spectrum-control
[directed] PNW Weed Management Handbook, "Commonly Used Herbicides for Directed Foliage Applications".
    https://pnwhandbooks.org/weed/forestry-hybrid-cottonwoods/forestry/commonly-used-herbicides-directed-foliage-applications
[knotweed] Pacific Northwest Weed Management Handbook (OSU/WSU/UI), knotweed entry.
    https://pnwhandbooks.org/node/8533
[forestry] PNW forestry table "Recommendations for Directed Spot Spray, Tree Injection, and Basal Bark Treatment"
    (older edition). https://paperzz.com/doc/8120707/recommendations-for-directed-spot-spray--tree
"""

from __future__ import annotations

import pytest

from tussock.base.units import parse_quantity as q
from tussock.trade import calibration, mixing
from tussock.trade.forms import express


def lb_per_acre(product: str, strength: str) -> float:
    """Return the dose [lb/acre] of a product volume per area, undiluted, and a strength."""
    return express(mixing.find_dose_kg_per_ha(q(product, "L/ha"), 1.0, q(strength, "kg/L")), "kg/ha", "lb/acre")


def pints_per_acre(product: str) -> float:
    return express(calibration.find_spray_volume_l_per_ha(q(product, "L"), q("1000 ft2", "m2")), "L/ha", "pt/acre")


def pounds_in(product_l: float, strength: str) -> float:
    return express(mixing.find_ae_kg(product_l, q(strength, "kg/L")), "kg", "lb")


CASES = [
    pytest.param(
        lambda: lb_per_acre("7 fl oz/acre", "2 lb/gal"),
        0.109375,
        0.11,
        0.01,
        "",
        id="riparian: aminopyralid, 7 fl oz/acre",
    ),
    pytest.param(
        lambda: lb_per_acre("7 fl oz/acre", "2 lb/gal"),
        0.109375,
        0.11,
        0.01,
        "",
        id="riparian: aminopyralid, yearly cap of 7 fl oz/acre",
    ),
    pytest.param(  # strength of 240 g/L (2.0 lb/gal) is not on this page
        lambda: lb_per_acre("8 fl oz/acre", "2 lb/gal"),
        0.125,
        0.125,
        0.001,
        "",
        id="riparian: aminocyclopyrachlor, 8 fl oz/acre",
    ),
    pytest.param(
        lambda: lb_per_acre("16 fl oz/acre", "2 lb/gal"),
        0.25,
        2.5,
        0.1,
        "misprint by a factor of ten: the page gives 8 to 16 oz as 0.125 to 2.5 lb",
        id="riparian: aminocyclopyrachlor, 16 fl oz/acre",
    ),
    pytest.param(
        lambda: lb_per_acre("2 fl oz/acre", "2 lb/gal"), 0.03125, 0.031, 0.001, "", id="broad: imazapic, 2 fl oz/acre"
    ),
    pytest.param(
        lambda: pints_per_acre("0.25 fl oz"),
        0.680625,
        0.667,
        0.001,
        "printed as a kitchen fraction, 2/3",
        id="directed: clopyralid, 0.25 fl oz on 1000 ft2",
    ),
    pytest.param(
        lambda: pints_per_acre("0.5 fl oz"),
        1.36125,
        1.333,
        0.001,
        "printed as a kitchen fraction, 1 1/3",
        id="directed: clopyralid, 0.5 fl oz on 1000 ft2",
    ),
    pytest.param(
        lambda: pounds_in(mixing.find_product_l(q("100 gal", "L"), q("2.5 %", "")), "4 lb/gal"),
        10.0,
        10,
        1,
        "",
        id="forestry: imazapyr, 2.5 % of 100 gal",
    ),
    pytest.param(  # strength of 3 lb ae/gal is not on the page; 2.88 lb/gal would give the print exactly
        lambda: pounds_in(q("2.67 fl oz", "L"), "3 lb/gal"),
        0.062578125,
        0.06,
        0.01,
        "",
        id="knotweed: glyphosate, 2.67 fl oz in 1 gal",
    ),
]


@pytest.mark.parametrize(("ours", "exact", "printed", "last_place", "why"), CASES)
def test_printed_figure(ours, exact, printed, last_place, why, check_figure):
    check_figure(ours(), exact, printed, last_place, why)


def test_rate_check_catches_the_misprint_by_ten():
    # [riparian] 16 fl oz/acre of 2 lb/gal printed as 2.5 lb/acre
    check = mixing.check_rate(q("16 fl oz/acre", "L/ha"), q("2 lb/gal", "kg/L"), q("2.5 lb/acre", "kg/ha"))
    assert not check.agrees
    assert check.ratio == pytest.approx(10.0, rel=1e-12)
    assert "a factor of 10: the decimal point slipped" in check.message


def test_rate_check_passes_the_other_end_of_the_same_range():
    check = mixing.check_rate(q("8 fl oz/acre", "L/ha"), q("2 lb/gal", "kg/L"), q("0.125 lb/acre", "kg/ha"))
    assert check.agrees
    assert check.message.startswith("agrees")


def test_weaker_product_halves_the_forestry_figure():
    # [forestry] 10 lb per 100 gal holds for the 4 lb/gal product only; 5 lb with an aquatic product of 2 lb/gal
    assert pounds_in(mixing.find_product_l(q("100 gal", "L"), q("2.5 %", "")), "2 lb/gal") == pytest.approx(5.0)
