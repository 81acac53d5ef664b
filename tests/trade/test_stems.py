"""Stem work: facts of the trade, hand calculations and properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.errors import QuantityError
from tussock.base.units import parse_quantity as q
from tussock.trade import stems

QUIET = settings(deadline=None, database=None)
DIAMETERS = st.floats(min_value=1e-3, max_value=5.0)
INCH = 0.0254


@pytest.mark.parametrize(
    ("diameter_in", "cuts"),
    # common practice, no source: one cut for every 3 in of stem diameter; a tree that takes 3 cuts is 7 to 9 in
    [(0.5, 1), (1, 1), (3, 1), (3.01, 2), (6, 2), (6.01, 3), (7, 3), (8, 3), (9, 3), (9.01, 4), (12, 4), (18, 6)],
)
def test_one_cut_for_every_three_inches(diameter_in, cuts):
    assert stems.count_cuts(diameter_in * INCH, per_diameter_m=3 * INCH) == cuts


@pytest.mark.parametrize("inches", [*range(1, 61)])
def test_whole_steps_survive_metres(inches):
    # an exact multiple never gets one cut more through the conversion
    assert stems.count_cuts(q(f"{3 * inches} in", "m"), per_diameter_m=q("3 in", "m")) == inches
    assert stems.count_cuts(q(f"{inches} in", "m"), per_diameter_m=q("1 in", "m")) == inches


def test_by_spacing_around_the_stem():
    # by hand: 8 in across is 25.13 in around; 3 in apart needs 9 cuts (8 would leave 3.14 in between centres)
    assert stems.count_cuts([8 * INCH, 0.5 * INCH], spacing_m=3 * INCH).tolist() == [9, 1]


@QUIET
@given(diameter_m=DIAMETERS, spacing_m=st.floats(0.01, 1))
def test_spacing_is_kept(diameter_m, spacing_m):
    cuts = int(stems.count_cuts(diameter_m, spacing_m=spacing_m))
    around_m = math.pi * diameter_m
    assert around_m / cuts <= spacing_m * (1 + 1e-6) or cuts == 1
    assert cuts == 1 or around_m / (cuts - 1) > spacing_m * (1 - 1e-6)


@QUIET
@given(diameters=st.tuples(DIAMETERS, DIAMETERS))
def test_thicker_stems_never_take_fewer_cuts(diameters):
    thin, thick = stems.count_cuts(sorted(diameters), per_diameter_m=3 * INCH)
    assert 1 <= thin <= thick


def test_injection_dose():
    # by hand: 40 stems of 8 in, 3 cuts each, 1 mL per cut: 120 mL
    cuts = stems.count_cuts(np.full(40, 8 * INCH), per_diameter_m=3 * INCH)
    assert stems.find_injection_dose_l(cuts, 0.001).sum() == pytest.approx(0.120)


def test_ring_by_hand():
    # by hand: 10 cm across, ring 1 cm: pi/4 (0.10^2 - 0.08^2) = 0.0028274 m2; none for the centre
    assert stems.find_ring_area_m2(0.10, 0.01) == pytest.approx(0.00282743, rel=1e-5)


@pytest.mark.parametrize("diameter_m", [0.02, 0.015, 0.001])
def test_thin_stem_is_ring_all_through(diameter_m):
    # a stem no thicker than two ring widths: the whole face, pi/4 d^2
    assert stems.find_ring_area_m2(diameter_m, 0.01) == pytest.approx(math.pi / 4 * diameter_m**2)


@QUIET
@given(diameter_m=DIAMETERS, ring_m=st.floats(1e-3, 0.5), more=st.floats(1, 3))
def test_ring_grows_with_stem_and_width_and_fits_the_face(diameter_m, ring_m, more):
    ring = float(stems.find_ring_area_m2(diameter_m, ring_m))
    slack = 1 + 1e-9
    assert 0 < ring <= math.pi / 4 * diameter_m**2 * slack
    assert ring <= float(stems.find_ring_area_m2(diameter_m * more, ring_m)) * slack
    assert ring <= float(stems.find_ring_area_m2(diameter_m, ring_m * more)) * slack


def test_bark_band_by_hand():
    # by hand: 4 in across, 15 in high: pi x 4 x 15 = 188.5 in2
    band_m2 = stems.find_band_area_m2(q("4 in", "m"), q("15 in", "m"))
    assert band_m2 / INCH**2 == pytest.approx(188.4956, rel=1e-6)
    assert stems.find_area_dose_l(band_m2, 0.3) == pytest.approx(0.3 * 188.4956 * INCH**2, rel=1e-6)


def test_canes_over_the_yearly_stem_limit():
    # by hand: 1,600 stems per acre on 0.25 acre are 400; of 620 canes 220 are left over; 400 x 5 mL = 2.0 L
    allowed, left = stems.find_stem_allowance(620, q("0.25 acre", "m2"), q("1600/acre", "1/ha"))
    assert (allowed, left) == (400, 220)
    assert stems.find_injection_dose_l(allowed, q("5 mL", "L")) == pytest.approx(2.0)


@QUIET
@given(stem_count=st.integers(0, 10_000), limits=st.tuples(st.floats(1, 1e5), st.floats(1, 1e5)))
def test_stricter_stem_limit_never_allows_more(stem_count, limits):
    low, high = (stems.find_stem_allowance(stem_count, 1000.0, limit)[0] for limit in sorted(limits))
    assert low <= high <= stem_count


def test_shape_is_kept():
    diameters = np.full((2, 3), 0.1)
    assert stems.count_cuts(diameters, per_diameter_m=0.05).shape == (2, 3)
    assert stems.find_ring_area_m2(diameters, 0.01).shape == (2, 3)
    assert stems.find_band_area_m2(diameters, 0.4).shape == (2, 3)


@pytest.mark.parametrize("wrong", [0.0, -0.1, float("nan"), float("inf")])
@pytest.mark.parametrize(
    "call",
    [
        lambda diameters: stems.count_cuts(diameters, per_diameter_m=0.1),
        lambda diameters: stems.find_ring_area_m2(diameters, 0.01),
        lambda diameters: stems.find_band_area_m2(diameters, 0.4),
    ],
)
def test_diameter_that_is_none_is_refused_with_its_place(call, wrong):
    with pytest.raises(QuantityError, match=r"stem diameter .* m \(place 1\); a diameter is more than zero"):
        call([0.1, wrong, 0.2])


def test_many_wrong_diameters_are_counted():
    with pytest.raises(QuantityError, match=r"place 0.*place 1.*place 2.* and 2 more"):
        stems.check_diameters([0.0] * 5)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stems.count_cuts(0.1), "none of cut_per_diameter and cut_spacing"),
        (lambda: stems.count_cuts(0.1, per_diameter_m=0.1, spacing_m=0.1), "both of cut_per_diameter and cut_spacing"),
        (lambda: stems.count_cuts(0.1, per_diameter_m=0.0), "cut_per_diameter 0 m"),
        (lambda: stems.count_cuts(0.1, spacing_m=-1.0), "cut_spacing -1 m"),
        (lambda: stems.find_ring_area_m2(0.1, 0.0), "ring_width 0 m"),
        (lambda: stems.find_band_area_m2(0.1, 0.0), "band_height 0 m"),
        (lambda: stems.find_injection_dose_l(3, 0.0), "dose_per_cut 0"),
        (lambda: stems.find_area_dose_l(1.0, float("nan")), "dose per area nan"),
        (lambda: stems.find_stem_allowance(-1, 1.0, 1.0), "-1 stems"),
    ],
)
def test_rules_that_make_no_sense_are_refused(call, words):
    with pytest.raises(QuantityError, match=words):
        call()
