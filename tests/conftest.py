"""Fixtures for all tests: the sample sites, planned once, the large one delivered once. Copy what you change."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import settings

import tussock
from tussock.plan import Plan

#: The same examples in every run, so that a red run is a change of ours; the other looks for new ones, see DEVELOPERS.
#: No example is timed: speed is measured in benchmarks.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

#: The columns that every plan has, typed in by hand from the words that fix them; other columns may follow.
#: Metric swaps the suffix: acre -> ha, ft -> m, gal -> l, fl_oz -> ml, lb -> kg.
_CONTRACT = """
patches us: patch_id species growth_form area_acre cover_pct infested_acre nearest_water_ft nearest_receptor_ft
 unit_count status spray_gal product_gal ae_lb crew_hours cost
patches metric: patch_id species growth_form area_ha cover_pct infested_ha nearest_water_m nearest_receptor_m
 unit_count status spray_l product_l ae_kg crew_hours cost
units us: unit_id patch_id area_acre infested_acre setbacks nearest_water_ft treatment_id method delivery product_id
 active spray_gal product_fl_oz ae_lb ae_lb_per_acre annual_limit_used_pct spray_seconds stems cuts loads crew_hours
 cost season_from season_to status reason
units metric: unit_id patch_id area_ha infested_ha setbacks nearest_water_m treatment_id method delivery product_id
 active spray_l product_ml ae_kg ae_kg_per_ha annual_limit_used_pct spray_seconds stems cuts loads crew_hours cost
 season_from season_to status reason
options us: unit_id treatment_id verdict reason
options metric: unit_id treatment_id verdict reason
"""


@pytest.fixture(scope="session")
def contract() -> dict[str, list[str]]:
    """Columns that a table begins with, by table and unit system, such as ``contract["units us"]``."""
    lines = _CONTRACT.strip().replace("\n ", " ").splitlines()
    return {name: names.split() for name, names in (line.split(": ") for line in lines)}


@pytest.fixture(scope="session")
def small_plan() -> Plan:
    """Plan of the site of three patches, in degrees (WGS 84)."""
    return tussock.make_plan(tussock.read_site(tussock.sample_path("small")))


@pytest.fixture
def plan_of_nothing(small_plan: Plan) -> Plan:
    """The same without a unit, a rule or a finding."""
    return replace(
        small_plan,
        units=small_plan.units.iloc[:0],
        compliance=small_plan.compliance.iloc[:0],
        options=small_plan.options.iloc[:0],
        product_budget=small_plan.product_budget.iloc[:0],
        findings=small_plan.findings.iloc[:0],
        setback_zones=small_plan.setback_zones.iloc[:0],
        relations={name: table.iloc[:0] for name, table in small_plan.relations.items()},
        site=replace(small_plan.site, rulesets=()),
    )


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
