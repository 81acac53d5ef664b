"""Edges that all but coincide: fields along a fence, two surveys of one patch, threads along a lake.

What is straight in an equal-area CRS bends in degrees, by L^2 tan(latitude) / (8 R): 7 mm in the middle of 600 m at 45
degrees. So two fences on one line part by as much, and cross each other.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

import tussock
from memory_site import make_site, zone
from site_factory import FOOT_M, Sites, local_crs

PLANE = CRS.from_proj4("+proj=laea +lat_0=44.5 +lon_0=-93.4 +datum=WGS84 +units=m")
DATA = Path(__file__).parents[1] / "data"
#: Two edges on one line part by no more than this in degrees [m], and areas by that along their edges.
PART_M = 0.01


def draw_pair(rng, middle):
    """Two rectangles with one side on a common line, and the width and height of what they share [m]."""
    wide, high, other_wide, other_high = rng.uniform(30, 2000, 4) * FOOT_M
    start = rng.uniform(-0.8 * other_wide, 0.8 * wide)
    boxes = [shapely.box(0, 0, wide, high), shapely.box(start, 0, start + other_wide, other_high)]
    turned = shapely.affinity.rotate(shapely.MultiPolygon(boxes), rng.uniform(0, 360), origin=(0, 0))
    moved = shapely.affinity.translate(turned, *middle)
    return list(moved.geoms), (min(wide, start + other_wide) - max(0.0, start), min(high, other_high))


@pytest.mark.parametrize("code", [4326, 26915, 3857])
def test_thirty_pairs_of_rectangles_on_one_line_are_cut(code):
    rng = np.random.default_rng(7)
    shapes, common = [], []
    for place in range(30):
        x, y = (place % 6 - 2.5) * 5_000 * FOOT_M * 2, (place // 6 - 2) * 5_000 * FOOT_M * 2
        pair, size = draw_pair(rng, (x, y))
        shapes += pair
        common.append(size)
    names = [f"{place}{side}" for place in range(30) for side in "AB"]
    drawn = gpd.GeoSeries(shapes, crs=PLANE).to_crs(code)
    frame = gpd.GeoDataFrame(
        {"patch_id": names, "species": ["a", "b"] * 30, "growth_form": "shrub"}, geometry=drawn.array, crs=code
    )
    measured, zoned = zone(make_site(frame))
    assert (zoned.patches["set_aside"] == "").all()
    units = zoned.units
    for name, own in units.groupby("patch_id"):
        patch = zoned.patches.geometry.loc[name]
        shapes = np.asarray(own.geometry.array, dtype=object)
        assert shapely.is_valid(shapes).all()
        assert shapely.area(shapes).sum() == pytest.approx(patch.area, rel=1e-9)
        assert shapely.union_all(shapes).area == pytest.approx(patch.area, rel=1e-9)
        wide, high = common[int(name[:-1])]
        shared = own.loc[own["shared_with"].map(bool), "area_m2"].sum()
        assert shared == pytest.approx(wide * high, abs=PART_M * 2 * (wide + high) + 1.0)  # and slivers of 1 m2
        assert own["area_m2"].sum() == pytest.approx(measured.patches["area_m2"].loc[name], rel=1e-9)


def test_two_patches_with_edges_on_one_line_that_a_setback_crosses():
    """A ring along a hole's edge: a thread between them lies in the zone on one side of it, and out of it on the other."""
    patches = gpd.GeoDataFrame(
        {"species": ["a", "b"], "growth_form": "shrub"},
        geometry=[
            shapely.Polygon([(0, 45), (0, 0), (40, 35), (25, 0)]),  # crosses itself: two lobes
            shapely.Polygon([(0, 0), (60, 0), (60, 60), (0, 60)], [[(0, 0), (0, 5), (40, 35)]]),
        ],
        crs=local_crs(),
    )
    water = gpd.GeoDataFrame({"kind": ["pond"], "state": ["wet"]}, geometry=[shapely.box(-20, 20, 400, 30)])
    setback = {"id": "W", "from": {"layer": "water"}, "distance": "10 m", "forbids": {}}
    _, zoned = zone(make_site(patches, water=water.set_crs(patches.crs), setbacks=[setback]))
    free = zoned.units[zoned.units["setbacks"] == ""].to_crs(patches.crs).geometry
    assert len(free) > 2
    assert shapely.distance(np.asarray(free.array, dtype=object), water.geometry.iloc[0]).min() > 9.9999
    assert (zoned.patches["set_aside"] == "").all()


def load_case(name, folder):
    """Write a stored site into a folder: outlines as well-known binary, in the CRS that they were drawn in."""
    case = json.loads((DATA / f"{name}.json").read_text())
    layers = {
        layer: [{**row, "geometry": shapely.from_wkb(row["wkb"])} for row in rows]
        for layer, rows in case["layers"].items()
    }
    for rows in layers.values():
        for row in rows:
            del row["wkb"]
    sites = Sites(folder)
    return sites.write(
        layers["infestations"],
        water=layers["water"],
        receptors=layers["receptors"],
        rules=case["rules"],
        crs=case["crs"],
        site=case.get("site", ""),
        layer_lines=case.get("layer_lines"),
    )


@pytest.mark.parametrize("name", ["threads_along_a_lake", "folds_in_another_crs", "zones_in_web_mercator"])
def test_a_site_made_hard_is_cut_whole_and_tiles(name, tmp_path):
    """Outlines of stars and streams less than a micrometre from features, zones and each other."""
    plan = tussock.make_plan(tussock.read_site(load_case(name, tmp_path)))
    assert (plan.patches["set_aside"] == "").all()
    for patch_id, own in plan.units.groupby("patch_id"):
        patch = plan.patches.set_index("patch_id").geometry.loc[patch_id]
        shapes = np.asarray(own.geometry.array, dtype=object)
        assert shapely.is_valid(shapes).all()
        assert shapely.area(shapes).sum() == pytest.approx(patch.area, rel=1e-9)
        assert shapely.union_all(shapes).area == pytest.approx(patch.area, rel=1e-9)
    assert not plan.setback_zones.geometry.is_empty.all()
