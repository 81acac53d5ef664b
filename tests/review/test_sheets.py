"""Crew sheets of patches whose ids do not fit into the head of a page."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest

from field_site import PATCH, plan_field
from review.random_sites import deliver_quickly
from site_factory import feet_box
from tussock.deliver.sheets import write_sheets
from tussock.review.delivered import Delivered
from tussock.review.folder import run_checks
from tussock.review.loading import load_folder

#: Two ids that are alike for 110 letters: the head of a page holds some 60.
LONG = (
    "north shore of the old mill pond between the sluice and the second culvert, surveyed on foot in late spring, plot "
)


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    folder = tmp_path_factory.mktemp("long")
    patches = [
        PATCH | {"patch_id": LONG + letter, "geometry": feet_box(west, 0, west + 100, 100)}
        for letter, west in (("A", 0), ("B", 200))
    ]
    plan = plan_field(folder / "site", patches)
    written = deliver_quickly(plan, folder / "plan")
    write_sheets(plan, written / "crew_sheets.pdf")
    loaded = load_folder(written)
    sheets = written / "crew_sheets.pdf"
    hashes = {**loaded.hashes, sheets.name: hashlib.sha256(sheets.read_bytes()).hexdigest()}
    unread = {name: why for name, why in loaded.unread.items() if name != sheets.name}
    return replace(loaded, hashes=hashes, unread=unread)


def find_faults(delivered: Delivered):
    table = run_checks(delivered, only={"sheets"})
    return table[(table["check"] == "sheets") & (table["level"] == "violation")]


def test_a_patch_with_a_long_id_has_its_sheet(delivered: Delivered) -> None:
    assert max(map(len, delivered.layers["patches"]["patch_id"])) > 100
    assert find_faults(delivered).empty
    assert run_checks(delivered, only={"sheets"})["found"].str.contains("2 planned units on").any()


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
