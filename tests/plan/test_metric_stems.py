"""Stems as a metric site maps them: delivered as mapped, and the review counts them anew."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

import tussock

INJECTION = """
[[treatment]]
id = "inject"
growth_form = ["tree"]
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "50 %"
dose_per_cut = "1 mL"
cut_per_diameter = "7.5 cm"
"""


def test_stems_for_a_hectare_are_delivered_and_counted_again(sites, tmp_path):
    """1 ha with 400 stems of 8 cm: two cuts a stem (one for each 7.5 cm, rounded up), 800 cuts of 1 mL, 0.8 L."""
    square = {"growth_form": "tree", "geometry": shapely.box(0, 0, 100, 100)}
    rows = [{"patch_id": "W", "stems_per_ha": 400.0, "stem_diameter_cm": 8.0, **square}]
    sites.plan(rows, treatments=INJECTION, site='units = "metric"').write(tmp_path / "out")
    patch = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="patches").iloc[0]
    unit = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="units").iloc[0]
    assert (patch["stems_per_ha"], patch["stem_diameter_cm"]) == (400.0, 8.0)
    assert (unit["stems"], unit["cuts"]) == (400, 800)
    assert unit["spray_l"] == pytest.approx(0.8)
    found = tussock.review_plan(tmp_path / "out")
    assert found[found["level"] == "violation"].to_dict("records") == []


def test_stems_for_an_acre_on_a_metric_site(sites, tmp_path):
    """1 ha is 2.47105 acre (NIST Handbook 44, Appendix C): 161.874 stems an acre are 400 on it."""
    square = {"growth_form": "tree", "geometry": shapely.box(0, 0, 100, 100)}
    rows = [{"patch_id": "W", "stems_per_acre": 161.874256896, "stem_diameter_in": 3.1496063, **square}]
    sites.plan(rows, treatments=INJECTION, site='units = "metric"').write(tmp_path / "out")
    patch = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="patches").iloc[0]
    assert patch["stems_per_acre"] == 161.874256896
    assert "stems_per_ha" not in patch
    found = tussock.review_plan(tmp_path / "out")
    assert found[found["level"] == "violation"].to_dict("records") == []
