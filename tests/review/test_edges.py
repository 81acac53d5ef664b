"""The review holds straight edges by itself, so that it sees where a plan did not.

A canal and a field of 20 km along the parallel of 45 degrees, both drawn in degrees with two vertices on that side. Taken
as straight in another CRS they stand up to 7.8 m off (L^2 tan(phi) / (8 R)), each by its own length.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

import tussock
from site_factory import NO_RULES, Sites
from tussock.reproject.edges import Surroundings
from tussock.review.edges import straighten, straighten_near

LAT, WEST, EAST = 45.0, -89.10, -89.10 + 0.2537
DEGREES = CRS.from_epsg(4326)
RULES = (
    NO_RULES
    + '[[setback]]\nid = "W"\nfrom = { layer = "water" }\ndistance = "30 m"\nforbids = {}\nsource = "invented"\n'
)


def plan_field(folder):
    field = shapely.box(WEST, LAT - 0.002, EAST, LAT)
    canal = shapely.box(WEST - 0.06, LAT, EAST + 0.07, LAT + 0.001)
    row = {"patch_id": "A", "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": field}
    path = Sites(folder).write([row], water=[{"kind": "canal", "geometry": canal}], rules=RULES, crs=4326)
    plan = tussock.make_plan(tussock.read_site(path))
    found = tussock.review_plan(plan.write(folder / "plan"), path)
    return plan, found[found["level"] == "violation"]


def test_a_plan_that_holds_edges_passes_and_its_areas_are_those_drawn(tmp_path):
    plan, violations = plan_field(tmp_path)
    assert violations.empty, violations.to_string()
    fine = shapely.segmentize(shapely.box(WEST, LAT - 0.002, EAST, LAT), 1e-5)
    area = abs(Geod(ellps="WGS84").geometry_area_perimeter(fine)[0])
    assert plan.patches["area_acre"].iloc[0] * 4046.8564224 == pytest.approx(area, rel=1e-5)


def test_a_plan_that_does_not_hold_them_is_found(tmp_path, monkeypatch):
    monkeypatch.setattr(Surroundings, "find_most_m", lambda _, start, *__: np.full(len(start), np.inf))
    _, violations = plan_field(tmp_path)
    assert "setbacks" in set(violations["check"])
    assert violations["found"].str.contains("not listed").any()


def test_points_are_close_enough_to_stay_on_the_line():
    edge = np.array([shapely.LineString([(WEST, LAT), (EAST, LAT)])], dtype=object)
    unit = np.array([shapely.box(WEST, LAT, WEST + 0.001, LAT + 0.001)], dtype=object)
    for held in (straighten(edge, DEGREES), straighten_near(edge, DEGREES, unit)):
        xy = shapely.get_coordinates(held)
        assert np.abs(xy[:, 1] - LAT).max() < 1e-13
        _, _, length = Geod(ellps="WGS84").inv(*xy[:-1].T, *xy[1:].T)
        assert (np.square(length) / (8 * 6_378_000)).max() < 1e-4
    far = np.array([shapely.box(WEST, LAT - 1.0, WEST + 0.001, LAT - 0.999)], dtype=object)  # 111 km off: 0.5 m may be
    assert 3 < shapely.get_num_coordinates(straighten_near(edge, DEGREES, far)[0]) < 12


def test_parts_holes_and_points_come_back_as_they_were():
    hole = shapely.box(WEST, LAT, EAST, LAT + 0.1).exterior
    shapes = np.array(
        [
            shapely.MultiPolygon([shapely.Polygon(shapely.box(WEST - 1, 44, EAST + 1, 46).exterior, [hole])]),
            shapely.MultiLineString([[(WEST, LAT), (EAST, LAT)], [(WEST, 45.1), (WEST, 45.2)]]),
            shapely.Point(WEST, LAT),
            shapely.Polygon(),
        ],
        dtype=object,
    )
    held = straighten_near(shapes, DEGREES, np.array([shapely.box(WEST, LAT, EAST, LAT + 0.01)], dtype=object))
    assert (shapely.get_type_id(held) == shapely.get_type_id(shapes)).all()
    assert shapely.area(held) == pytest.approx(shapely.area(shapes), rel=1e-12)
    assert shapely.length(held) == pytest.approx(shapely.length(shapes), rel=1e-12)
    assert (shapely.get_num_coordinates(held) > shapely.get_num_coordinates(shapes)).tolist() == [
        True,
        True,
        False,
        False,
    ]
