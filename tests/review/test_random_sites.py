"""No false alarm: clean plans of random sites, anywhere on Earth, in any CRS, have no violation."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import tussock
from review.random_sites import RandomSite, deliver_quickly
from tussock.review.folder import review_folder

#: Two hundred were the goal of the first full run; a few stand for them in every run.
SITES = int(os.environ.get("TUSSOCK_RANDOM_SITES", "10"))


@pytest.mark.parametrize("seed", range(SITES))
def test_a_clean_plan_of_a_random_site_has_no_violation(tmp_path: Path, seed: int) -> None:
    site = RandomSite(seed).write(tmp_path)
    plan = tussock.make_plan(tussock.read_site(site))
    table = review_folder(deliver_quickly(plan, tmp_path / "plan"), site)
    found = table[table["level"] == "violation"]
    assert found.empty, found.to_string()


def test_the_sites_differ_in_what_decides(tmp_path: Path) -> None:
    kinds = {RandomSite(seed).crs.name for seed in range(SITES)}
    assert len(kinds) >= 3
