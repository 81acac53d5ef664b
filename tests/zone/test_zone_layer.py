"""The layer of zones is for the eye: where one cannot be drawn, the plan goes on and says so by name."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

import tussock
from field_site import plan_field
from memory_site import make_site, zone
from site_factory import feet_box, local_crs
from tussock.zone import layer
from tussock.zone.outlines import mend_outlines


def test_what_mending_leaves_beside_the_ground_is_left_out(monkeypatch):
    """A lake around a point to which it narrows: GEOS can leave a line or a point beside the polygons."""
    ground = shapely.box(0, 0, 10, 10)
    folded = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    left = shapely.GeometryCollection([ground, shapely.LineString([(20, 0), (30, 0)]), shapely.Point(40, 0)])
    monkeypatch.setattr("tussock.zone.outlines.make_valid", lambda parts: np.full(len(parts), left, dtype=object))
    assert mend_outlines(np.array([folded], dtype=object))[0].equals(ground)


def make_case():
    """A patch of 100 x 100 m between a pond 10 m west and a lake 10 m east."""
    crs = local_crs()
    patches = gpd.GeoDataFrame(
        {"species": ["a"], "growth_form": ["shrub"]}, geometry=[shapely.box(0, 0, 100, 100)], crs=crs
    )
    water = gpd.GeoDataFrame(
        {"kind": ["pond", "lake"], "state": ["wet", "wet"]},
        geometry=[shapely.box(-50, 0, -10, 100), shapely.box(110, 0, 150, 100)],
        crs=crs,
    )
    setback = {"id": "W", "from": {"layer": "water"}, "distance": "30 m", "forbids": {}}
    return patches, water, setback


def fail_around(monkeypatch, where):
    """Let drawing fail where runs of a place are among those drawn."""
    draw_zone = layer.draw_zone

    def draw(group, runs, cells, reach_m):
        if where in {str(group.label[owner]) for owner in group.run_owner[runs]}:
            raise TypeError("One of the Geometry inputs is of incorrect geometry type.")
        return draw_zone(group, runs, cells, reach_m)

    monkeypatch.setattr(layer, "draw_zone", draw)


def test_a_zone_that_cannot_be_drawn_is_left_out_of_the_layer_alone(monkeypatch):
    patches, water, setback = make_case()
    _, usual = zone(make_site(patches, water=water, setbacks=[setback]))
    fail_around(monkeypatch, "lake (row 2)")
    _, zoned = zone(make_site(patches, water=water, setbacks=[setback]))
    assert zoned.units["setbacks"].tolist() == usual.units["setbacks"].tolist() == ["W", ""]
    # 2 strips of 20 m are within 30 m of the pond or the lake, as without the drawing
    assert zoned.units["area_m2"].tolist() == pytest.approx([2 * 20 * 100, 60 * 100], rel=1e-5)
    shown = zoned.zones.iloc[0]
    assert shown["not_drawn"] == "lake (row 2)"
    assert shown.geometry.covers(shapely.Point(-30, 50))
    assert not shown.geometry.intersects(shapely.box(100, 0, 160, 100))
    told = zoned.findings[zoned.findings["row"] == "W"]
    assert told["what"].tolist() == ["the zone around lake (row 2) could not be drawn"]
    assert told["level"].tolist() == ["warning"]


def test_the_review_warns_of_it_and_finds_no_violation(monkeypatch, tmp_path):
    pond = {"kind": "pond", "state": "wet"}
    water = [pond | {"geometry": feet_box(-500, -200, 600, 0)}, pond | {"geometry": feet_box(0, 110, 100, 200)}]
    fail_around(monkeypatch, "pond (row 2)")
    plan_field(tmp_path, water=water).write(tmp_path / "plan")
    table = tussock.review_plan(tmp_path / "plan", tmp_path / "site.toml")
    assert table[table["level"] == "violation"].empty, table[table["level"] == "violation"].to_string()
    told = table[(table["check"] == "zones") & (table["level"] == "warning")]
    assert len(told) > 0
    assert told["note"].str.contains(r"not drawn around pond \(row 2\)").all()
