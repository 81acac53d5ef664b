"""Every way to falsify a delivered plan is found, and by the check that is meant to find it.

The expected check stands beside each mutation in `tampering.py`; what a change breaks follows from the rule, the label
or the sum that it goes against.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

import review.tampering_work  # noqa: F401  (registers more mutations)
from review.tampering import MUTATIONS
from review.tampering_copies import FILE_CHANGES
from tussock.review.delivered import Delivered
from tussock.review.folder import run_checks
from tussock.review.loading import load_folder

#: Set to run the whole checklist on each falsified plan, and not only the check that is meant to find it.
WHOLE = bool(os.environ.get("TUSSOCK_WHOLE_REVIEW"))


def find_violations(table):
    """Checks with a violation."""
    return set(table.loc[table["level"] == "violation", "check"])


def test_the_plan_before_anyone_touched_it_has_no_finding(delivered: Delivered) -> None:
    table = run_checks(delivered)
    assert table[table["level"] != "info"].to_dict("records") == []


def test_there_are_enough_ways_to_falsify_a_plan() -> None:
    assert len(MUTATIONS) >= 40


@pytest.mark.parametrize("name", MUTATIONS)
def test_each_is_found_by_the_check_that_is_meant_to(delivered: Delivered, name: str) -> None:
    check, falsify = MUTATIONS[name]
    table = run_checks(falsify(delivered), only=None if WHOLE else {check})
    assert check in find_violations(table), table[table["level"] != "info"].to_string()
    found = table[(table["check"] == check) & (table["level"] == "violation")]
    assert not found["found"].str.contains("could not be done").any(), found.to_string()
    assert (found["where"] != "").all()


@pytest.mark.parametrize("name", FILE_CHANGES)
def test_a_file_changed_on_disk_is_found_without_its_hash(sample_folder: Path, tmp_path: Path, name: str) -> None:
    pytest.importorskip("openpyxl")
    pytest.importorskip("pypdf")
    check, falsify = FILE_CHANGES[name]
    folder = Path(shutil.copytree(sample_folder, tmp_path / "plan"))
    falsify(folder)
    # the forms are checked along with the approval
    table = run_checks(load_folder(folder), only={"approval" if check == "forms" else check})
    found = table[(table["check"] == check) & (table["level"] == "violation")]
    assert len(found), table.to_string()
    assert not found["found"].str.contains("could not be done").any(), found.to_string()
    assert (found["where"] != "").all()
