"""Water and receptors in collections, in collections in collections too: every point, line and polygon counts.

Distances and areas are worked out by hand from the corners of a patch of 60 x 60 m.
"""

from __future__ import annotations

import struct

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import GeometryCollection as Collection

import tussock
from memory_site import make_site, zone
from site_factory import FOOT_M, NO_RULES, Sites, local_crs
from tussock.base.simple import describe_parts, find_odd, list_parts, split_by_dimension
from tussock.repair import repair_layers
from tussock.zone.features import make_group

PATCH = shapely.box(0, 0, 60, 60)
POND = shapely.box(65, -100, 200, 200)  # 5 m east: 5 m of the patch lie within 10 m
STREAM = shapely.LineString([(-100, 68), (200, 68)])  # 4 m wide, its edge 6 m north: 4 m of the patch
SPRING = shapely.Point(-7, 30)  # 7 m west
FAR = shapely.box(3000, 0, 3100, 50)
#: A circle of 10 m reaches over a line at 7 m by a segment of r^2 acos(d / r) - d sqrt(r^2 - d^2).
SEGMENT_M2 = 100 * np.arccos(0.7) - 7 * np.sqrt(51)
WITHIN_M2 = 5 * 60 + 4 * 60 - 5 * 4 + SEGMENT_M2
RULES = (
    NO_RULES
    + """
[[setback]]
id = "W"
from = { layer = "water" }
distance = "10 m"
forbids = {}
source = "invented for tests"
"""
)
NESTINGS = {
    "one level": Collection([POND, STREAM, SPRING]),
    "nested": Collection([Collection([SPRING, Collection([STREAM])]), POND]),
    "of several": Collection(
        [
            shapely.MultiPoint([SPRING.coords[0], (-400, 0)]),
            Collection([shapely.MultiPolygon([POND, FAR]), shapely.MultiLineString([STREAM])]),
            shapely.Polygon(),
        ]
    ),
}


@pytest.mark.parametrize("shape", NESTINGS.values(), ids=NESTINGS)
def test_every_part_of_a_water_in_a_collection_counts_and_the_review_agrees(tmp_path, shape):
    water = [
        {"kind": "wetland", "state": "wet", "width_m": 4.0, "geometry": shape},
        {"kind": "pond", "state": "wet", "width_m": np.nan, "geometry": FAR},
    ]
    patch = {"patch_id": "A", "species": "reed", "growth_form": "shrub", "cover_pct": 50, "geometry": PATCH}
    plan = Sites(tmp_path).plan([patch], water=water, rules=RULES)
    units = plan.units.set_index("setbacks")["area_acre"] * 4046.8564224
    # outer corners are tangents, at most 0.3 % of 10 m too far
    assert units["W"] == pytest.approx(WITHIN_M2, abs=0.03 * 15)
    assert units.sum() == pytest.approx(3600, rel=1e-5)
    assert plan.patches["nearest_water_ft"].iloc[0] == pytest.approx(5 / FOOT_M, abs=1e-3)
    told = plan.findings[plan.findings["what"].str.startswith("a collection of")]
    assert told["row"].tolist() == ["row 1"]
    drawn = plan.features["water"]
    assert drawn["label"].tolist() == ["wetland (row 1)"] * 3 + ["pond (row 2)"]
    assert not drawn.geometry.geom_type.eq("GeometryCollection").any()
    plan.write(tmp_path / "plan")
    table = tussock.review_plan(tmp_path / "plan", tmp_path / "site.toml")
    assert table[table["level"] == "violation"].empty, table[table["level"] == "violation"].to_string()
    assert not table["found"].str.contains("not compared").any()


def test_receptors_and_access_in_collections_count_too(tmp_path):
    """A well 7 m west and a school 5 m east, drawn as one; a landing at the water and a track."""
    place = Collection([Collection([SPRING]), POND])
    patch = {"patch_id": "A", "species": "reed", "growth_form": "shrub", "cover_pct": 50, "geometry": PATCH}
    plan = Sites(tmp_path).plan(
        [patch],
        receptors=[{"kind": "well", "geometry": place}],
        access=[{"kind": "parking", "geometry": Collection([Collection([STREAM]), shapely.Point(30, -20)])}],
        rules=RULES.replace('"water"', '"receptors"'),
    )
    units = plan.units.set_index("setbacks")["area_acre"] * 4046.8564224
    assert units["W"] == pytest.approx(5 * 60 + SEGMENT_M2, abs=0.03 * 15)
    assert plan.features["access"].geometry.geom_type.tolist() == ["LineString", "Point"]


def test_what_is_no_ground_in_a_patch_is_told():
    frame = gpd.GeoDataFrame(
        {"patch_id": ["A"], "species": ["reed"], "growth_form": ["shrub"]},
        geometry=[Collection([Collection([PATCH, SPRING]), STREAM, shapely.Point(1, 1)])],
        crs=local_crs(),
    )
    site = make_site(frame)
    told = repair_layers(site).findings
    told = told[told["what"].str.contains("not sound")]
    assert told["done"].tolist() == ["rebuilt from its structure, 1 part; 1 line, 2 points left out: no ground"]
    assert zone(site)[1].units["area_m2"].sum() == pytest.approx(3600, rel=1e-5)


def test_a_curve_in_a_collection_is_refused_by_row():
    """GEOS holds curves and shapely does not: GDAL makes lines of them, but not in a collection."""
    arc = struct.pack("<BII6d", 1, 8, 3, 0.0, 0.0, 1.0, 1.0, 2.0, 0.0)  # CircularString, ISO 13249-3
    curve = shapely.from_wkb(struct.pack("<BII", 1, 7, 1) + arc)
    patches = gpd.GeoDataFrame({"species": ["a"], "growth_form": ["shrub"]}, geometry=[PATCH], crs=local_crs())
    water = gpd.GeoDataFrame(
        {"kind": ["pond", "pond"]}, geometry=gpd.GeoSeries(np.array([POND, curve], dtype=object)), crs=local_crs()
    )
    with pytest.raises(tussock.InputError, match=r"water\.gpkg.*row 2: found a curve in a collection; draw it with"):
        repair_layers(make_site(patches, water=water))


@pytest.mark.parametrize("lost", [np.inf, -np.inf])
def test_a_coordinate_that_is_no_number_is_refused_by_row(lost):
    line = shapely.LineString([(0.0, 0.0), (lost, 0.0)])
    assert find_odd(np.array([SPRING, line], dtype=object)) == {1: "a coordinate that is no number"}


def test_a_feature_without_a_place_stops_the_plan_by_name():
    """Whatever comes to be nowhere after reading: no feature is left out of the distances without a word."""
    water = gpd.GeoDataFrame(
        {"label": ["pond (row 1)", "lake (row 2)"], "width_m": 0.0, "width_assumed": False},
        geometry=[POND, Collection([shapely.Polygon(), Collection([])])],
    )
    with pytest.raises(tussock.InputError, match=r"layers.water: lake \(row 2\): found a GeometryCollection that no"):
        make_group(water, np.ones(2, dtype=bool))


def test_parts_are_found_at_any_depth():
    deep = SPRING
    for _ in range(30):
        deep = Collection([deep, POND])
    _, owner = list_parts(np.array([FAR, deep], dtype=object))
    assert owner.tolist() == [0] + [1] * 31
    split, owner = split_by_dimension(np.array([FAR, deep], dtype=object))
    assert [shape.geom_type for shape in split] == ["Polygon", "MultiPolygon", "Point"]
    assert owner.tolist() == [0, 1, 1]
    assert describe_parts(np.array([deep], dtype=object)) == "30 polygons, 1 point"
