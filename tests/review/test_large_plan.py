"""A plan of many copies around the Earth: many parts, the same verdict."""

from __future__ import annotations

import pytest

from review.large_plan import repeat_plan
from tussock.review.delivered import Delivered
from tussock.review.folder import run_checks

#: Units in the large plan; benchmarks/reviewing.py takes a hundred thousand.
UNITS = 600


def drop_known(table):
    """Leave out what copying changes: counts of kinds are those of one site, and one unit's area is 2e-5 off.

    The edges of unit E04-01 have points on them so that they stay as drawn; shifted by degrees alone, the outline is
    another one. Its area agrees where it was planned.
    """
    copied = (table["check"] == "areas") & table["where"].str.endswith("E04-01")
    copied |= table["where"].str.startswith("unit_shared")  # pairs of units keep the ids of one site
    return table[(table["level"] != "info") & (table["check"] != "kinds") & ~copied]


def test_copies_around_the_earth_have_no_finding(delivered: Delivered) -> None:
    copies = -(-UNITS // len(delivered.layers["units"]))
    table = run_checks(repeat_plan(delivered, copies))
    found = drop_known(table)
    assert found.empty, found.to_string()


def test_a_unit_that_moved_is_found_among_all_copies(delivered: Delivered) -> None:
    large = repeat_plan(delivered, 3)
    units = large.layers["units"]
    place = units.index[units["unit_id"] == "2/A01-03"][0]
    units.loc[place, "geometry"] = units.geometry.loc[place].buffer(5e-6)
    table = run_checks(large, only={"tiling"})
    bad = table[(table["check"] == "tiling") & (table["level"] == "violation")]
    assert bad["where"].str.contains("2/A01").all()
    assert len(bad) >= 1


@pytest.mark.parametrize("copies", [1, 4])
def test_turning_a_plan_about_the_axis_changes_no_distance(delivered: Delivered, copies: int) -> None:
    table = run_checks(repeat_plan(delivered, copies), only={"areas", "distances", "compliance"})
    assert drop_known(table).empty
