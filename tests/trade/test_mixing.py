"""Mixing and dose: facts of the trade, hand calculations and properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.errors import QuantityError
from tussock.base.units import LB_PER_ACRE_KG_PER_HA
from tussock.base.units import parse_quantity as q
from tussock.trade import mixing

QUIET = settings(deadline=None, database=None)
SHARES = st.floats(min_value=0.0, max_value=1.0)
SIZES = st.floats(min_value=1e-3, max_value=1e6)


def test_wick_is_one_part_to_two():
    # common practice, no source: 1 part product to 2 parts water; so a third of the mix, 1 gal in 3
    assert mixing.find_share_of_parts(1, 2) == pytest.approx(1 / 3)
    assert mixing.find_product_for_carrier_l(2.0, 1, 2) == pytest.approx(1.0)
    assert mixing.find_share_of_one_in(2) == pytest.approx(1 / 2)


def test_percent_solution_hides_the_dose():
    # by hand: 100 gal/acre x 5 % x 4 lb/gal = 20 lb/acre; with a limit of 8 lb/acre at most 8 / (100 x 4) = 2 %
    rate, strength = q("100 gal/acre", "L/ha"), q("4 lb/gal", "kg/L")
    assert mixing.find_dose_kg_per_ha(rate, 0.05, strength) / LB_PER_ACRE_KG_PER_HA == pytest.approx(20.0)
    assert mixing.find_ceiling_concentration(8 * LB_PER_ACRE_KG_PER_HA, rate, strength) == pytest.approx(0.02)


def test_ceiling_is_at_most_undiluted():
    assert mixing.find_ceiling_concentration(100.0, 1.0, 0.5) == 1.0


def test_by_weight_is_not_by_volume():
    # by hand: 10 L of water at 1 kg/L, 3 % by weight is 0.3 kg; by volume it is 0.3 L whatever the liquid weighs
    assert mixing.find_product_kg_by_weight(10.0, 0.03, 1.0) == pytest.approx(0.3)
    assert mixing.find_product_l(10.0, 0.03) == pytest.approx(0.3)
    assert mixing.find_product_kg_by_weight(10.0, 0.03, 1.2) == pytest.approx(0.36)


@QUIET
@given(volume_l=SIZES, shares=st.lists(st.floats(0, 1 / 3), min_size=3, max_size=3))
def test_mix_adds_up(volume_l, shares):
    mix = mixing.split_mix(volume_l, shares[0], dye=shares[1], adjuvant=shares[2])
    assert mix.total_l == pytest.approx(volume_l, rel=1e-9)
    assert min(mix.product_l, mix.carrier_l, mix.dye_l, mix.adjuvant_l) >= 0


@QUIET
@given(rate=SIZES, share=st.floats(1e-3, 1), strength=st.floats(0.01, 2))
def test_ceiling_meets_its_limit(rate, share, strength):
    limit = mixing.find_dose_kg_per_ha(rate, share, strength)
    assert mixing.find_ceiling_concentration(limit, rate, strength) == pytest.approx(share, rel=1e-9)


@QUIET
@given(rate=SIZES, share=SHARES, less=SHARES, strength=st.floats(0.01, 2))
def test_less_product_never_doses_more(rate, share, less, strength):
    dose = mixing.find_dose_kg_per_ha(rate, share, strength)
    assert mixing.find_dose_kg_per_ha(rate, share * less, strength) <= dose


@QUIET
@given(limits=st.tuples(SIZES, SIZES), rate=SIZES)
def test_stricter_limit_never_allows_more(limits, rate):
    low, high = (mixing.find_ceiling_concentration(limit, rate, 0.5) for limit in sorted(limits))
    assert low <= high


@QUIET
@given(volume_l=st.floats(0, 1e6), capacity_l=st.floats(0.1, 1e4))
def test_loads_hold_the_volume(volume_l, capacity_l):
    loads, last_l = mixing.count_loads(volume_l, capacity_l)
    assert 0 <= last_l <= capacity_l
    assert max(loads - 1, 0) * capacity_l + last_l == pytest.approx(volume_l, rel=1e-8, abs=1e-9)
    assert (loads == 0) == (volume_l == 0)


@pytest.mark.parametrize(
    ("volume_l", "capacity_l", "wanted"),
    [
        (10.0, 4.0, (3, 2.0)),
        (8.0, 4.0, (2, 4.0)),  # full loads only, the last one is full
        (0.0, 4.0, (0, 0.0)),
        (1e-12, 4.0, (1, 1e-12)),
        (3 * 0.1, 0.1, (3, 0.1)),  # 0.30000000000000004 / 0.1 is three loads, not four
    ],
)
def test_loads_by_hand(volume_l, capacity_l, wanted):
    loads, last_l = mixing.count_loads(volume_l, capacity_l)
    assert (loads, last_l) == (wanted[0], pytest.approx(wanted[1]))


def test_loads_of_an_array():
    loads, last_l = mixing.count_loads(np.array([10.0, 8.0, 0.0]), 4.0)
    assert loads.tolist() == [3, 2, 0]
    assert last_l.tolist() == [2.0, 4.0, 0.0]


@QUIET
@given(load_l=SIZES, rate=SIZES, share=SHARES)
def test_product_per_load_is_the_concentration_of_the_load(load_l, rate, share):
    product_l = mixing.find_product_per_load_l(load_l, rate, rate * share)
    assert product_l == pytest.approx(mixing.find_product_l(load_l, share), rel=1e-9)


@QUIET
@given(ai_kg=SIZES, share=st.floats(0.01, 1))
def test_dry_product_holds_its_active(ai_kg, share):
    assert mixing.find_dry_product_kg(ai_kg, share) * share == pytest.approx(ai_kg, rel=1e-9)


def test_yearly_product_limit_of_canes():
    # by hand: 400 canes x 5 mL = 2.0 L on 0.25 acre, where 8.5 qt/acre x 0.25 acre = 2.011 L
    most_l = mixing.find_volume_l(q("0.25 acre", "m2"), q("8.5 qt/acre", "L/ha"))
    assert most_l == pytest.approx(2.0110, abs=1e-4)


def test_rate_check_tells_a_wrong_rate_from_a_slipped_point():
    check = mixing.check_rate(10.0, 0.5, 15.0)
    assert not check.agrees
    assert "3 times as much" in check.message
    assert "slipped" not in check.message
    tenth = mixing.check_rate(10.0, 0.5, 0.5)
    assert "a factor of 0.1: the decimal point slipped" in tenth.message


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: mixing.find_product_l(1.0, 1.1), "concentration 110 %"),
        (lambda: mixing.find_product_l(1.0, -0.1), "concentration -10 %"),
        (lambda: mixing.find_product_l(1.0, float("nan")), "concentration nan %"),
        (lambda: mixing.find_dose_kg_per_ha(1.0, 2.0, 1.0), "concentration 200 %"),
        (lambda: mixing.split_mix(1.0, 0.9, dye=0.2), "together at most 100 %"),
        (lambda: mixing.find_share_of_parts(0, 0), 'such as "1:2"'),
        (lambda: mixing.find_share_of_parts(-1, 3), "-1:3"),
        (lambda: mixing.find_share_of_one_in(0.5), "1 in 0.5"),
        (lambda: mixing.find_product_for_carrier_l(1.0, 1, 0), "carrier parts 0"),
        (lambda: mixing.find_product_kg_by_weight(1.0, 0.1, 0.0), "density 0 kg/L"),
        (lambda: mixing.find_concentration(1.0, 0.0), "spray volume 0 L/ha"),
        (lambda: mixing.find_concentration(2.0, 1.0), "product in the spray volume 200 %"),
        (lambda: mixing.find_dry_product_kg(1.0, 0.0), "active ingredient of the product 0"),
        (lambda: mixing.count_loads(1.0, 0.0), "capacity 0 L"),
        (lambda: mixing.count_loads(-1.0, 4.0), "volume -1 L"),
        (lambda: mixing.find_ceiling_concentration(1.0, 1.0, 0.0), "strength 0 kg/L"),
        (lambda: mixing.check_rate(1.0, 1.0, 0.0), "stated rate 0 kg/ha"),
        (lambda: mixing.find_mass_kg(1.0, 1.0, 1.5), "share treated 150 %"),
    ],
)
def test_sizes_that_make_no_sense_are_refused(call, words):
    with pytest.raises(QuantityError, match=words):
        call()
