"""Fixtures for all tests: the sample sites, planned once, and the large one delivered once. Do not edit what they give."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import tussock
from tussock.plan import Plan


@pytest.fixture(scope="session")
def small_plan() -> Plan:
    """Plan of the site of three patches, in degrees (WGS 84)."""
    return tussock.make_plan(tussock.read_site(tussock.sample_path("small")))


@pytest.fixture(scope="session")
def small_metric_plan() -> Plan:
    """Plan of the same site in metric units."""
    site = tussock.read_site(tussock.sample_path("small"))
    return tussock.make_plan(replace(site, options=replace(site.options, units="metric")))


@pytest.fixture(scope="session")
def sample_plan() -> Plan:
    """Plan of the invented preserve."""
    return tussock.make_plan(tussock.read_site(tussock.sample_path()))


@pytest.fixture(scope="session")
def sample_folder(sample_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with every file of the plan of the preserve; to change something, copy it first."""
    return sample_plan.write(tmp_path_factory.mktemp("delivered") / "plan")
