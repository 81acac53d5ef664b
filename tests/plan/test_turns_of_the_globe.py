"""Sites astride 180 degrees and water that reaches round the globe: one turn near the patches, in plan and review.

Distances are geodesics on WGS 84 by pyproj.Geod between corners that are the nearest by hand.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

import tussock
from field_site import PATCH
from site_factory import FOOT_M, NO_RULES, PRODUCTS, Sites
from tussock.base.turns import find_middle, find_turn, gather

GEOD = Geod(ellps="WGS84")
E, LAT = 1e-4, -17.0
DEGREES = CRS.from_epsg(4326)
RULES = (
    NO_RULES
    + """
[[setback]]
id = "W"
from = { layer = "water" }
distance = "100 ft"
forbids = { form = "ester" }
source = "invented for tests"
[[setback]]
id = "BED"
from = { layer = "water" }
distance = "0 ft"
permit = "the office"
counts = { treated_water_area = true, shoreline = true, repeats = false }
source = "invented for tests"
"""
)
TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "50 gal/acre"
preference = 1
season = ["07-01", "09-30"]
"""
WEST = shapely.box(179.9985, LAT, 179.9995, LAT + 5 * E)
EAST = shapely.box(-179.9995, LAT, -179.9985, LAT + 5 * E)
POND = shapely.box(179.9993, LAT + 3 * E, 180.0007, LAT + 12 * E)
HALVES = [
    shapely.box(179.9993, LAT + 3 * E, 180, LAT + 12 * E),
    shapely.box(-180, LAT + 3 * E, -179.9993, LAT + 12 * E),
]
PONDS = {
    "beyond 180": [POND],
    "vertices of either turn": [shapely.transform(POND, lambda xy: np.where(xy[:, [0]] > 180, xy - [360, 0], xy))],
    "two parts": [shapely.MultiPolygon(HALVES)],
    "two lakes split by the meridian": HALVES,
}


def write(folder, patches, water, code=4326, **layers):
    """A site drawn in degrees and delivered in another CRS."""

    def rows(shapes, **more):
        moved = gpd.GeoSeries(shapes, crs=4326).to_crs(code)
        return [more | {"geometry": shape} for shape in moved]

    named = [PATCH | {"patch_id": f"P{place}"} | row for place, row in enumerate(rows(patches))]
    history = [row for shape in layers.get("history", ()) for row in rows([shape], **RECORD)]
    return Sites(folder).write(
        named,
        water=rows(water, kind="pond", state="wet"),
        history=history or None,
        rules=RULES,
        products=PRODUCTS,
        treatments=TREATMENTS,
        crs=code,
    )


RECORD = {"product_id": "glyphosate-upland", "active": "glyphosate", "ae_lb_per_acre": 7.9, "date": "2027-04-01"}


def review(path, plan, folder):
    plan.write(folder / "plan")
    table = tussock.review_plan(folder / "plan", path)
    return table[table["level"] == "violation"]


def geodesic_m(one, two):
    return GEOD.inv(*one, *two)[2]


@pytest.mark.parametrize("code", [4326, 32760, 3857])
@pytest.mark.parametrize("ponds", PONDS.values(), ids=PONDS)
def test_a_site_astride_the_meridian_is_planned_and_reviewed_in_one_turn(ponds, code, tmp_path):
    # what was treated in April lies on the eastern patch, drawn beyond 180
    if code != 4326 and len(ponds) == 1 and ponds[0].geom_type == "Polygon":
        pytest.skip("moving such an outline to a projected CRS cuts it: that is the other two cases")
    path = write(tmp_path, [WEST, EAST], ponds, code, history=[shapely.box(180.0005, LAT - E, 180.0010, LAT + 6 * E)])
    plan = tussock.make_plan(tussock.read_site(path))
    units = plan.units
    wet = units[units["setbacks"] == "BED;W"].groupby("patch_id")["area_acre"].sum() * 4046.8564224
    # 2 x 2 ten-thousandths of a degree of each patch lie in the pond
    corner = shapely.box(179.9993, LAT + 3 * E, 179.9995, LAT + 5 * E)
    assert wet.to_numpy() == pytest.approx(abs(GEOD.geometry_area_perimeter(corner)[0]), rel=1e-4)
    strip_m = geodesic_m((179.9993, LAT + 3 * E), (179.9993, LAT + 3 * E - 30.48 / 110_660))
    assert strip_m == pytest.approx(100 * FOOT_M, rel=1e-3)
    # the record closes its ground to more of its active: seen on the other turn
    limited = units[units["reason"].str.contains("annual limit")]
    assert set(limited["patch_id"]) == {"P1"}
    found = review(path, plan, tmp_path)
    assert found.empty, found.to_string()


OCEANS = {
    "a band": (shapely.box(-180, 55, 180, 60), 55.0),
    "an ocean with an island": (
        shapely.Polygon(shapely.box(-180, -90, 180, 90).exterior, [shapely.box(9, 53, 12, 55).exterior]),
        55.0,
    ),
    "over a pole, along it": (shapely.box(-180, 79.9, 180, 90), 79.9),
    "a ring round a pole": (shapely.Polygon([(lon, 79.9) for lon in range(-180, 180, 10)]), 79.9),
}


@pytest.mark.parametrize(("ocean", "shore"), OCEANS.values(), ids=OCEANS)
def test_water_round_the_globe_has_its_shore_where_it_is_drawn(ocean, shore, tmp_path):
    patch = shapely.box(10.0, shore - 5 * E, 10.001, shore - E)
    path = write(tmp_path, [patch], [ocean])
    plan = tussock.make_plan(tussock.read_site(path))
    near_m = geodesic_m((10.0, shore - E), (10.0, shore))
    assert plan.patches["nearest_water_ft"].iloc[0] * FOOT_M == pytest.approx(near_m, abs=2e-3)
    assert sorted(plan.units["setbacks"]) == ["", "W"]
    # a ring along one parallel has no area as it stands in its file: the review by the folder alone
    found = review(path if ocean.area else None, plan, tmp_path)
    assert found.empty, found.to_string()


@pytest.mark.parametrize(
    ("water", "message"),
    [
        (shapely.box(-170, 50, 170, 60), "an edge of more than half the globe: across 180 degrees, or round the other"),
        (
            shapely.Polygon([(lon, 20 * (-1) ** (lon // 10)) for lon in range(-180, 180, 10)]),
            "all the way round the globe",
        ),
    ],
    ids=["which way round", "which side of it"],
)
def test_what_cannot_be_understood_stops_and_is_named(water, message, tmp_path):
    path = write(tmp_path, [shapely.box(10, 55, 10.001, 55.001)], [water])
    with pytest.raises(tussock.InputError, match=rf"water\.gpkg.*row 1: found an? .*{message[8:30]}"):
        tussock.make_plan(tussock.read_site(path))


def test_a_turn_is_as_wide_as_the_globe():
    assert find_turn(DEGREES) == 360
    assert find_turn(CRS.from_epsg(4807)) == 400  # grads
    assert find_turn(CRS.from_epsg(3857)) == pytest.approx(2 * np.pi * 6_378_137)
    assert find_turn(CRS.from_epsg(32615)) is None


def test_the_middle_does_not_depend_on_the_order():
    shapes = np.array([WEST, EAST, EAST, WEST], dtype=object)
    for order in ([0, 1, 2, 3], [3, 2, 1, 0], [1, 0, 2, 3]):
        assert find_middle(shapes[order], DEGREES) == pytest.approx(180.0)
    moved = gather(shapes, DEGREES, 180.0).geometry
    assert shapely.total_bounds(moved) == pytest.approx([179.9985, LAT, 180.0015, LAT + 5 * E])
