"""Calibration: facts of the trade, hand calculations and inverse functions."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tussock.base.errors import QuantityError
from tussock.base.units import parse_quantity as q
from tussock.trade import calibration as cal

QUIET = settings(deadline=None, database=None)
SIZES = st.floats(min_value=1e-3, max_value=1e6)
TINY = st.floats(min_value=1e-4, max_value=10.0)


def test_timed_patch():
    # common practice, no source: 700 mL/min, 5 gal/acre, 10 ft x 20 ft is about 7.5 s. By hand: 18.580608 m2 x
    # 46.769781 L/ha / 10000 = 0.0869011 L; / 0.0116667 L/s = 7.4487 s
    seconds = cal.find_spray_seconds(q("10 ft", "m") * q("20 ft", "m"), q("5 gal/acre", "L/ha"), q("700 mL/min", "L/s"))
    assert seconds == pytest.approx(7.449, abs=5e-4)


def test_band_in_rows():
    assert cal.find_band_share(0.25, 0.75) == pytest.approx(1 / 3)


@QUIET
@given(area_m2=SIZES, rate_l_per_ha=SIZES, flow_l_per_s=TINY)
def test_seconds_and_area_are_inverse(area_m2, rate_l_per_ha, flow_l_per_s):
    seconds = cal.find_spray_seconds(area_m2, rate_l_per_ha, flow_l_per_s)
    assert cal.find_sprayed_area_m2(seconds, rate_l_per_ha, flow_l_per_s) == pytest.approx(area_m2, rel=1e-9)
    assert cal.find_timed_rate_l_per_ha(seconds, area_m2, flow_l_per_s) == pytest.approx(rate_l_per_ha, rel=1e-9)


@QUIET
@given(rate_l_per_ha=SIZES, speed_m_per_s=TINY, spacing_m=TINY)
def test_boom_rate_and_flow_are_inverse(rate_l_per_ha, speed_m_per_s, spacing_m):
    flow = cal.find_boom_flow_l_per_s(rate_l_per_ha, speed_m_per_s, spacing_m)
    assert cal.find_boom_l_per_ha(flow, speed_m_per_s, spacing_m) == pytest.approx(rate_l_per_ha, rel=1e-9)


@QUIET
@given(course_m=SIZES, speed_m_per_s=TINY)
def test_travel_and_speed_are_inverse(course_m, speed_m_per_s):
    travel_s = cal.find_travel_s(course_m, speed_m_per_s)
    assert cal.find_speed_m_per_s(course_m, travel_s) == pytest.approx(speed_m_per_s, rel=1e-9)


@QUIET
@given(area_m2=SIZES, more=st.floats(min_value=1.0, max_value=10.0), flow_l_per_s=TINY)
def test_more_ground_never_takes_less_time(area_m2, more, flow_l_per_s):
    shorter = cal.find_spray_seconds(area_m2, 50.0, flow_l_per_s)
    assert cal.find_spray_seconds(area_m2 * more, 50.0, flow_l_per_s) >= shorter


@QUIET
@given(plot_m2=SIZES, swath_m=TINY, catch_l=TINY)
def test_plot_of_any_size(plot_m2, swath_m, catch_l):
    course_m = cal.find_course_m(plot_m2, swath_m)
    rate = cal.find_spray_volume_l_per_ha(catch_l, course_m * swath_m)
    assert rate * plot_m2 / 10_000 == pytest.approx(catch_l, rel=1e-9)


def test_square_and_circle_hold_the_area():
    side, across = cal.find_square_side_m(500.0), cal.find_circle_diameter_m(500.0)
    assert side**2 == pytest.approx(500.0)
    assert 3.141592653589793 * across**2 / 4 == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: cal.find_spray_volume_l_per_ha(1.0, 0.0), "plot 0 m2; it must be more than zero"),
        (lambda: cal.find_spray_seconds(1.0, 1.0, 0.0), "flow 0 L/s"),
        (lambda: cal.find_sprayed_area_m2(1.0, 0.0, 1.0), "spray volume 0 L/ha"),
        (lambda: cal.find_boom_l_per_ha(1.0, 0.0, 1.0), "speed 0 m/s"),
        (lambda: cal.find_boom_l_per_ha(1.0, 1.0, -1.0), "spacing -1 m"),
        (lambda: cal.find_course_m(1.0, float("nan")), "swath nan m"),
        (lambda: cal.find_travel_s(1.0, 0.0), "speed 0 m/s"),
        (lambda: cal.find_speed_m_per_s(1.0, 0.0), "time 0 s"),
        (lambda: cal.find_flow_l_per_s(1.0, 0.0), "time 0 s"),
        (lambda: cal.average_runs([]), "no timed runs"),
        (lambda: cal.average_runs([16.0, 0.0]), "run 0 s"),
        (lambda: cal.find_band_share(2.0, 1.0), "bands that overlap are a broadcast"),
        (lambda: cal.find_plants_per_ha(0.0, 1.0), "row spacing 0 m"),
        (lambda: cal.find_plants_on_course(1.0, 0.0), "plant spacing 0 m"),
        (lambda: cal.find_square_side_m(-1.0), "area -1 m2"),
        (lambda: cal.find_circle_diameter_m(0.0), "area 0 m2"),
        (lambda: cal.find_matching_plot_m2(1.0, 0.0), "unit of the spray volume 0 L/ha"),
    ],
)
def test_sizes_that_make_no_sense_are_refused(call, words):
    with pytest.raises(QuantityError, match=words):
        call()


def test_flow_from_a_catch():
    assert cal.find_flow_l_per_s(q("700 mL", "L"), q("1 min", "s")) == pytest.approx(0.7 / 60)
