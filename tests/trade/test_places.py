"""What kinds of access state, and which waters are waded: common practice, no source."""

from __future__ import annotations

import pytest

from tussock.trade import places


@pytest.mark.parametrize(
    ("kind", "use"),
    [
        ("standing", "standing"),
        ("Boardwalk ", "standing"),
        ("dock", "standing"),
        ("boat launch", "launch"),
        ("boat water", "boat"),
        ("road", "vehicle"),
        ("gate", "vehicle"),
        ("fence", None),
        ("locked gate", None),
        ("", None),
    ],
)
def test_only_kinds_that_state_it_are_places_to_work_from(kind, use):
    assert places.find_access_use(kind) == use


@pytest.mark.parametrize("kind", ["marsh", "Creek", "ditch", "wet meadow"])
def test_shallow_waters_are_waded(kind):
    assert places.is_waded(kind)


@pytest.mark.parametrize("kind", ["lake", "pond", "river", "reservoir", "canal", "", "tarn"])
def test_deep_and_unknown_waters_are_not(kind):
    assert not places.is_waded(kind)


def test_a_launch_touches_water_within_10_ft():
    assert places.find_launch_touch_m() == pytest.approx(3.048)
