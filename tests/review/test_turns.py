"""Clean plans of sites that a hasty check takes for wrong: across 180 degrees, and with edges of hundreds of metres.

A straight edge in degrees stands up to 5 mm off the straight edge in metres at 600 m and 45 degrees north, 40 mm at 79.
"""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

import tussock
from site_factory import NO_RULES, Sites, local_crs

RULES = (
    NO_RULES
    + """
[[setback]]
id = "BED"
from = { layer = "water" }
distance = "0 ft"
forbids = {}
source = "invented for tests"

[[setback]]
id = "WIDE"
from = { layer = "water" }
distance = "200 ft"
forbids = {}
source = "invented for tests"

[[setback]]
id = "ALL"
distance = "anywhere"
forbids = { form = ["ester"] }
source = "invented for tests"
"""
)
TREATMENTS = """
[[treatment]]
id = "spot"
species = "any"
growth_form = "shrub"
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "50 gal/acre"
preference = 1
season = ["07-01", "09-30"]
source = "invented for tests"
"""


def draw(lon, lat):
    """A pond with edges of 600 m and 900 m, and patches over its shore, east and west of the middle; in degrees."""
    middle = local_crs(lon, lat)
    shapes = [
        shapely.box(4600, 4700, 5500, 5300),
        shapely.box(4500, 4900, 4700, 5000),
        shapely.box(5400, 4900, 5700, 5100),
        shapely.box(4950, 5250, 5060, 5400),
        shapely.box(5060, 5200, 5120, 5600),  # an edge of 400 m along one of 150 m
    ]
    return gpd.GeoSeries(shapes, crs=middle).to_crs(4326)


@pytest.mark.parametrize(("lon", "lat"), [(180.0, -17.0), (180.0, 66.0), (10.0, 45.0), (10.0, 79.0)])
def test_a_clean_plan_has_no_violation(lon, lat, tmp_path):
    pond, *patches = draw(lon, lat)
    plan = Sites(tmp_path).plan(
        [
            {"patch_id": f"P{place}", "species": "reed", "growth_form": "shrub", "cover_pct": 50, "geometry": shape}
            for place, shape in enumerate(patches)
        ],
        water=[{"kind": "pond", "state": "wet", "geometry": pond}],
        rules=RULES,
        treatments=TREATMENTS,
        crs=4326,
    )
    plan.write(tmp_path / "plan")
    table = tussock.review_plan(tmp_path / "plan")
    assert table[table["level"] == "violation"].empty, table[table["level"] == "violation"].to_string()
