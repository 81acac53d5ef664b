"""Crew sheets of patches whose ids do not fit into the head of a page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from field_site import PATCH, plan_field
from site_factory import feet_box
from tussock.review.delivered import Delivered
from tussock.review.folder import run_checks
from tussock.review.loading import load_folder

#: Two ids that are alike for 110 letters: the head of a page holds some 60.
LONG = "north shore of the old mill pond between the sluice and the second culvert, surveyed on foot in late spring, plot "


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    folder = tmp_path_factory.mktemp("long")
    patches = [
        PATCH | {"patch_id": LONG + letter, "geometry": feet_box(west, 0, west + 100, 100)}
        for letter, west in (("A", 0), ("B", 200))
    ]
    plan = plan_field(folder / "site", patches)
    return load_folder(plan.write(folder / "plan"))


def find_faults(delivered: Delivered):
    table = run_checks(delivered, only={"sheets"})
    return table[(table["check"] == "sheets") & (table["level"] == "violation")]


def test_a_patch_with_a_long_id_has_its_sheet(delivered: Delivered) -> None:
    assert max(map(len, delivered.layers["patches"]["patch_id"])) > 100
    assert find_faults(delivered).empty


@pytest.mark.parametrize(
    ("column", "value", "found"),
    [
        ("unit_id", "north shore, another unit", "not on it"),
        ("patch_id", "south shore", "no sheet of patch south shore"),
        ("product_id", "imazapyr-aquatic", "nothing of imazapyr-aquatic at 2 % of the mix"),
        ("concentration_pct", 2.02, "nothing of glyphosate-aquatic at 2.02 % of the mix"),
    ],
)
def test_a_unit_that_its_long_sheet_does_not_tell_is_found(delivered: Delivered, column, value, found) -> None:
    units = delivered.layers["units"].copy()
    planned = units.index[units["status"] == "planned"]
    units.loc[planned[-1], column] = value
    faults = find_faults(replace(delivered, layers={**delivered.layers, "units": units}))
    assert faults["found"].tolist() == [found]
