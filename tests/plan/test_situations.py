"""Situations that a practitioner meets, planned end to end; each expectation is worked out by hand beside it.

Limits named here are parameters of the test and not facts of a label.
"""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

import tussock
from site_factory import ACRE_M2, FOOT_M, Sites, feet_box


def verdicts(plan, treatment_id):
    """Verdict of one treatment on each unit, by unit."""
    rows = plan.options[plan.options["treatment_id"] == treatment_id]
    return rows.set_index("unit_id")["verdict"] != "refused"


# ------------------------------------------------------------ a woody stand across a creek bank

CREEK_TREATMENTS = "".join(
    f"""
[[treatment]]
id = "{name}"
growth_form = ["tree"]
method = "{method}"
product = "{product}"
{amount}
preference = {place}
"""
    for place, (name, method, product, amount) in enumerate(
        [
            ("stump-aquatic", "cut_stump", "glyphosate-aquatic", 'concentration = "100 %"\ndose_per_stem = "2 mL"'),
            (
                "inject-aquatic",
                "stem_injection",
                "glyphosate-aquatic",
                'concentration = "100 %"\ndose_per_cut = "1 mL"\ncut_per_diameter = "3 in"',
            ),
            (
                "spot-amine",
                "foliar_spot",
                "triclopyr-amine-aquatic",
                'concentration = "2 %"\nspray_volume = "20 gal/acre"',
            ),
            ("boom-amine", "boom", "triclopyr-amine-aquatic", 'concentration = "2 %"\nspray_volume = "20 gal/acre"'),
            ("spot-upland", "foliar_spot", "glyphosate-upland", 'concentration = "2 %"\nspray_volume = "20 gal/acre"'),
            ("hand-upland", "cut_stump", "glyphosate-upland", 'concentration = "100 %"\ndose_per_stem = "2 mL"'),
            ("boom-upland", "boom", "glyphosate-upland", 'concentration = "2 %"\nspray_volume = "20 gal/acre"'),
            ("spot-ester", "foliar_spot", "triclopyr-ester", 'concentration = "2 %"\nspray_volume = "20 gal/acre"'),
            (
                "bark-ester",
                "basal_bark",
                "triclopyr-ester",
                'concentration = "20 %"\nband_height = "15 in"\ndose_per_bark_area = "0.3 L/m2"\ncarrier = "oil"',
            ),
        ]
    )
)


@pytest.fixture(scope="module")
def creek_plan(tmp_path_factory):
    sites = Sites(tmp_path_factory.mktemp("creek"))
    return sites.plan(
        [
            {
                "patch_id": "W1",
                "species": "black locust",
                "growth_form": "tree",
                "cover_pct": 60,
                "stem_count": 120,
                "stem_diameter_in": 6.0,
                "geometry": feet_box(0, -10, 200, 140),
            }
        ],
        water=[{"kind": "creek", "state": "wet", "geometry": feet_box(-900, -40, 1100, 0)}],
        rules=["USFS-SIUSLAW-A1"],
        treatments=CREEK_TREATMENTS,
    )


def test_creek_bank_is_cut_into_five_bands(creek_plan):
    # 200 ft times 10, 15, 35, 50 and 40 ft over 43,560 ft2: straight bank, so the outline adds nothing
    bands = sorted(creek_plan.units["area_acre"])
    expected = sorted(200 * depth / 43560 for depth in (10, 15, 35, 50, 40))
    assert len(bands) == 5
    assert bands == pytest.approx(expected, rel=3e-5)  # a zone may reach 0.1 mm further than its 15 ft
    assert [round(area, 3) for area in expected] == [0.046, 0.069, 0.161, 0.184, 0.230]
    assert creek_plan.patches["area_acre"].sum() == pytest.approx(0.689, abs=5e-4)


def bands_by_distance(plan):
    """Units ordered from the channel inland."""
    inland = plan.units.geometry.representative_point().y
    return plan.units.assign(inland=inland).sort_values("inland").set_index("unit_id")


@pytest.mark.parametrize(
    ("treatment", "allowed"),
    [  # channel, 0-15, 15-50, 50-100, over 100 ft; Table A-1 of the Siuslaw invasive plants project
        ("stump-aquatic", [True, True, True, True, True]),
        ("inject-aquatic", [True, True, True, True, True]),
        ("spot-amine", [False, False, True, True, True]),
        ("boom-amine", [False, False, False, False, False]),
        ("spot-upland", [False, False, False, True, True]),
        ("hand-upland", [False, False, False, True, True]),
        ("boom-upland", [False, False, False, False, True]),
        ("spot-ester", [False, False, False, False, False]),
        ("bark-ester", [False, False, False, False, False]),
    ],
)
def test_creek_bank_allows_what_the_table_allows(creek_plan, treatment, allowed):
    order = bands_by_distance(creek_plan).index
    assert verdicts(creek_plan, treatment).loc[order].tolist() == allowed


def test_creek_bank_says_why(creek_plan):
    ester = creek_plan.options[creek_plan.options["treatment_id"] == "spot-ester"]
    assert ester["reason"].str.contains("not listed").all()
    order = bands_by_distance(creek_plan).index
    third = creek_plan.options.set_index(["unit_id", "treatment_id"])["reason"][order[2], "boom-upland"]
    assert "15.0 ft from creek" in third  # the unit starts at 15 ft
    assert "100.0 ft required" in third


# ------------------------------------------------------------ an emergent patch and the throw from the bank

EMERGENT = """
[[treatment]]
id = "stream"
growth_form = ["herbaceous"]
method = "low_volume_stream"
product = "glyphosate-aquatic"
concentration = "20 %"
spray_volume = "5 gal/acre"
flow = "700 mL/min"
preference = 1
"""


def plan_emergent(sites, access):
    return sites.plan(
        [
            {
                "patch_id": "E1",
                "species": "cattail",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, 100, 45),
            }
        ],
        water=[{"kind": "pond", "state": "wet", "geometry": feet_box(-300, 0, 400, 300)}],
        access=access,
        treatments=EMERGENT,
    )


@pytest.mark.parametrize("access", [None, "bank line"])
def test_reach_from_anywhere_on_the_bank(sites, access):
    line = shapely.LineString([(-50 * FOOT_M, 0), (150 * FOOT_M, 0)])
    rows = None if access is None else [{"kind": "standing", "name": "bank", "geometry": line}]
    plan = plan_emergent(sites, rows)
    planned = plan.units[plan.units["status"] == "planned"]
    # 100 ft of bank, 20 ft of throw: 2,000 of 4,500 ft2, 44 %
    assert planned["area_acre"].sum() * 43560 == pytest.approx(2000, rel=1e-4)
    out = plan.units[plan.units["status"] == "no_option"]
    assert out["area_acre"].sum() * 43560 == pytest.approx(2500, rel=1e-4)
    assert out["reason"].str.contains("out of reach").all()
    assert out["spray_gal"].sum() == 0
    assert plan.patches["status"].tolist() == ["partly"]


def test_reach_from_two_standing_places(sites):
    points = [shapely.Point(x * FOOT_M, 0) for x in (20, 80)]
    plan = plan_emergent(
        sites, [{"kind": "standing", "name": f"stand {x}", "geometry": p} for x, p in enumerate(points)]
    )
    planned = plan.units[plan.units["status"] == "planned"]
    # two half discs of 20 ft: pi 400 = 1,257 ft2, 28 %
    assert planned["area_acre"].sum() * 43560 == pytest.approx(math.pi * 400, rel=3e-4)
    assert planned["area_acre"].sum() * 43560 <= math.pi * 400  # never more than is reached


def test_reach_where_no_water_is_mapped(sites):
    # wet and dry ground cannot be told apart: standing places limit the whole patch
    line = shapely.LineString([(-50 * FOOT_M, 0), (150 * FOOT_M, 0)])
    plan = sites.plan(
        [
            {
                "patch_id": "E1",
                "species": "cattail",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, 100, 45),
            }
        ],
        access=[{"kind": "standing", "name": "bank", "geometry": line}],
        treatments=EMERGENT,
    )
    planned = plan.units[plan.units["status"] == "planned"]
    assert planned["area_acre"].sum() * 43560 == pytest.approx(2000, rel=1e-4)


@pytest.mark.parametrize("kind", ["road", "standing"])
def test_reach_does_not_limit_dry_ground(sites, kind):
    # the crew walks up to plants on dry ground, wherever the road or the standing place is
    plan = sites.plan(
        [
            {
                "patch_id": "D1",
                "species": "cattail",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, 100, 45),
            }
        ],
        water=[{"kind": "pond", "state": "wet", "geometry": feet_box(500, 0, 700, 300)}],
        access=[{"kind": kind, "name": "x", "geometry": shapely.Point(-100, -100)}],
        treatments=EMERGENT,
    )
    assert plan.units["status"].tolist() == ["planned"]


def test_timed_patch(sites):
    # common practice, no source: 700 mL/min, 5 gal/acre, 10 ft x 20 ft is about 7.5 s; exact 7.449 s
    plan = sites.plan(
        [
            {
                "patch_id": "T",
                "species": "x",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, 10, 20),
            }
        ],
        treatments=EMERGENT,
    )
    assert plan.units["spray_seconds"].sum() == pytest.approx(7.449, abs=5e-4)


# ------------------------------------------------------------ a spring application eats the autumn's allowance

AUTUMN = """
[[treatment]]
id = "imazapyr-autumn"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "imazapyr-aquatic"
concentration = "1.875 %"
spray_volume = "20 gal/acre"
season = ["09-01", "10-31"]
preference = 1

[[treatment]]
id = "glyphosate-autumn"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
season = ["09-01", "10-31"]
preference = 2
"""
SIDE_FT = math.sqrt(0.8 * 43560)


def plan_autumn(sites, share):
    patch = feet_box(0, 0, SIDE_FT, SIDE_FT)
    spring = feet_box(-10, -10, SIDE_FT * share if share < 1 else SIDE_FT + 10, SIDE_FT + 10)
    return sites.plan(
        [{"patch_id": "A1", "species": "reed", "growth_form": "herbaceous", "cover_pct": 100, "geometry": patch}],
        history=[
            {
                "product_id": "imazapyr-aquatic",
                "ae_lb_per_acre": 1.5,
                "date": "2027-04-12",
                "geometry": spring,
            }
        ],
        treatments=AUTUMN,
    )


def test_spring_use_closes_the_whole_patch(sites):
    # 20 gal/acre x 1.875 % x 2 lb/gal = 0.75 lb ae/acre; 1.5 + 0.75 is over 1.5
    plan = plan_autumn(sites, 1.0)
    row = plan.options[plan.options["treatment_id"] == "imazapyr-autumn"].iloc[0]
    assert row["verdict"] == "refused"
    assert "2.25 of 1.5 lb ae/acre" in row["reason"]
    assert "12 Apr 2027" in row["reason"]
    assert plan.units["treatment_id"].tolist() == ["glyphosate-autumn"]
    assert plan.patches["area_acre"].sum() == pytest.approx(0.8, rel=1e-5)


def test_spring_use_on_a_part_closes_that_part(sites):
    plan = plan_autumn(sites, 0.25)
    chosen = plan.units.set_index("treatment_id")["area_acre"]
    assert chosen["glyphosate-autumn"] == pytest.approx(0.2, rel=1e-4)
    assert chosen["imazapyr-autumn"] == pytest.approx(0.6, rel=1e-4)
    assert plan.units.set_index("treatment_id")["annual_limit_used_pct"]["imazapyr-autumn"] == pytest.approx(50)


# ------------------------------------------------------------ two patches on one ground

IMAZAPYR_ONLY = """
[[treatment]]
id = "imazapyr"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "imazapyr-aquatic"
concentration = "2.5 %"
spray_volume = "20 gal/acre"
preference = 1
"""


def plan_pair(sites, other_species):
    # 1.00 and 0.80 acre with 0.30 in common: strips 100 ft wide
    width = 100.0
    lengths = [acre * 43560 / width for acre in (1.0, 0.8, 0.3)]
    start = lengths[0] - lengths[2]
    return sites.plan(
        [
            {
                "patch_id": "A",
                "species": "reed",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, lengths[0], width),
            },
            {
                "patch_id": "B",
                "species": other_species,
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(start, 0, start + lengths[1], width),
            },
        ],
        treatments=IMAZAPYR_ONLY,
    )


def test_one_species_is_counted_once(sites):
    plan = plan_pair(sites, "reed")
    planned = plan.units[plan.units["status"] == "planned"]
    assert plan.patches["area_acre"].tolist() == pytest.approx([1.0, 0.8], rel=1e-5)
    assert planned["area_acre"].sum() == pytest.approx(1.5, rel=1e-5)
    assert plan.patches["spray_gal"].sum() == pytest.approx(1.5 * 20, rel=1e-5)
    season = plan.budget.set_index("item")["likely"]
    assert season["net area with a treatment"] == pytest.approx(1.5, rel=1e-5)
    counted = plan.units[plan.units["area_counted_with"] == "A"]
    assert counted["area_acre"].sum() == pytest.approx(0.3, rel=1e-4)


def test_two_species_add_their_doses(sites):
    # 20 gal/acre x 2.5 % x 2 lb/gal = 1.0 lb ae/acre each; 2.0 of 1.5 on 0.30 acre
    plan = plan_pair(sites, "cattail")
    shared = plan.units[(plan.units["status"] == "no_option")]
    assert shared["area_acre"].sum() == pytest.approx(0.3, rel=1e-4)
    assert shared["patch_id"].tolist() == ["B"]
    assert "2 of 1.5 lb ae/acre" in shared["reason"].iloc[0]
    flagged = plan.findings[plan.findings["stage"] == "prescribe"]
    assert flagged["what"].str.contains("2 of 1.5 lb ae/acre").any()
    overlap = plan.findings[plan.findings["what"].str.contains("share 0.300 acre")]
    assert overlap["done"].str.contains("add up").all()
    assert len(overlap) == 1


# ------------------------------------------------------------ a percent solution that hides an over-rate


def plan_strong(sites, concentration, cover):
    treatments = f"""
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "{concentration}"
spray_volume = "100 gal/acre"
preference = 1
"""
    side = math.sqrt(43560)
    return sites.plan(
        [
            {
                "patch_id": "S",
                "species": "buckthorn",
                "growth_form": "shrub",
                "cover_pct": cover,
                "geometry": feet_box(0, 0, side, side),
            }
        ],
        treatments=treatments,
    )


def test_percent_solution_over_the_limit_is_refused_with_its_ceiling(sites):
    # 100 gal/acre x 5 % x 4 lb/gal = 20 lb ae/acre; 8 / (100 x 4) = 2 %
    plan = plan_strong(sites, "5 %", 100)
    reason = plan.options["reason"].iloc[0]
    assert plan.options["verdict"].tolist() == ["refused"]
    assert "20 of 8 lb ae/acre" in reason
    assert "at 100 gal/acre the ceiling is 2 %" in reason


def test_cover_lowers_the_amount_and_never_the_rate(sites):
    plan = plan_strong(sites, "2 %", 30)
    unit = plan.units.iloc[0]
    assert unit["ae_lb_per_acre"] == pytest.approx(8.0)
    assert unit["ae_lb"] == pytest.approx(8.0 * 0.3, rel=1e-5)
    assert unit["spray_gal"] == pytest.approx(30.0, rel=1e-5)


# ------------------------------------------------------------ canes by injection, limited in stems


def test_injection_stops_at_the_stem_limit_and_says_so(sites):
    # 0.25 acre: 1,600 stems/acre are 400 stems; 400 x 5 mL = 2.0 L; 620 - 400 = 220 are left
    products = """
[[product]]
id = "cane-product"
active = "glyphosate"
form = "salt"
strength = "4 lb/gal"
aquatic_label = true
methods = { stem_injection = ["50 %", "100 %"] }
limit_per_year = "8.5 qt/acre"
limit_stems_per_year = "1600/acre"
source = "invented for tests"
"""
    treatments = """
[[treatment]]
id = "inject"
growth_form = ["herbaceous"]
method = "stem_injection"
product = "cane-product"
concentration = "100 %"
dose_per_stem = "5 mL"
preference = 1
"""
    side = math.sqrt(0.25 * 43560)
    plan = sites.plan(
        [
            {
                "patch_id": "K",
                "species": "knotweed",
                "growth_form": "herbaceous",
                "cover_pct": 50,
                "stem_count": 620,
                "geometry": feet_box(0, 0, side, side),
            }
        ],
        products=products,
        treatments=treatments,
    )
    unit = plan.units.iloc[0]
    assert unit["stems"] == 400
    assert pd.isna(unit["cuts"])  # into how many cuts the dose of a cane goes, no rule says
    assert unit["spray_gal"] * 3.785411784 == pytest.approx(2.0, rel=1e-9)
    assert "2480 stems/acre of 1600 stems/acre" in unit["reason"]
    assert "220 stems" in unit["reason"]
    assert unit["annual_limit_used_pct"] == pytest.approx(100)


# ------------------------------------------------------------ delivered in Web Mercator; without a CRS


def square_near(lon, lat, area_m2):
    """A square in degrees whose geodesic area is as asked, built along geodesics."""
    geod = Geod(ellps="WGS84")
    half = math.sqrt(area_m2) / math.sqrt(2)
    points = [geod.fwd(lon, lat, azimuth, half)[:2] for azimuth in (45, 135, 225, 315)]
    return shapely.Polygon(points)


def test_web_mercator_layer_gets_its_true_area(sites):
    patch = gpd.GeoSeries([square_near(-89.0, 45.0, 8762.0)], crs=4326)
    true_m2 = abs(Geod(ellps="WGS84").geometry_area_perimeter(patch.iloc[0])[0])
    moved = patch.to_crs(3857)
    assert moved.area.iloc[0] == pytest.approx(2 * true_m2, rel=0.01)  # what a careless sum would say
    plan = sites.plan(
        [{"patch_id": "M", "species": "x", "growth_form": "shrub", "cover_pct": 100, "geometry": moved.iloc[0]}],
        crs=3857,
    )
    assert plan.patches["area_acre"].iloc[0] == pytest.approx(true_m2 / ACRE_M2, rel=1e-5)
    assert plan.patches["area_acre"].iloc[0] == pytest.approx(2.165, abs=5e-4)
    assert plan.patches.crs.to_epsg() == 3857


def test_layer_without_crs_is_refused_with_what_it_could_be(sites):
    path = sites.write([{"patch_id": "M", "species": "x", "geometry": shapely.box(400000, 5000000, 400100, 5000100)}])
    gpd.read_file(sites.folder / "infestations.gpkg").to_file(sites.folder / "bare.shp")
    (sites.folder / "bare.prj").unlink()
    text = path.read_text().replace('path = "infestations.gpkg"', 'path = "bare.shp"')
    path.write_text(text.replace("[layers.infestations]", '[layers.infestations]\ncolumns = { patch_id = "patch_id" }'))
    with pytest.raises(tussock.CrsError, match=r"bare\.shp.*no CRS.*could be") as caught:
        tussock.read_site(path)
    assert "EPSG:" in str(caught.value)


# ------------------------------------------------------------ a bow-tie, and last year's outline again


def test_bow_tie_keeps_both_triangles(sites):
    corners = np.array([(0, 0), (100, 100), (100, 0), (0, 100)]) * FOOT_M
    plan = sites.plan(
        [
            {
                "patch_id": "X",
                "species": "x",
                "growth_form": "shrub",
                "cover_pct": 50,
                "geometry": shapely.Polygon(corners),
            }
        ]
    )
    assert plan.patches["area_acre"].iloc[0] * 43560 == pytest.approx(5000, rel=1e-5)
    assert len(shapely.get_parts(plan.patches.geometry.iloc[0])) == 2
    repaired = plan.findings[plan.findings["what"].str.contains("not sound")]
    assert repaired["area_after_m2"].iloc[0] == pytest.approx(5000 * FOOT_M**2, rel=1e-5)


def test_same_patch_drawn_twice_is_reported_and_not_added(sites):
    plan = sites.plan(
        [
            {
                "patch_id": "Y1",
                "species": "reed",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(0, 0, 100, 100),
            },
            {
                "patch_id": "Y2",
                "species": "reed",
                "growth_form": "herbaceous",
                "cover_pct": 100,
                "geometry": feet_box(3, 0, 103, 100),
            },
        ],
        treatments=IMAZAPYR_ONLY,
    )
    assert plan.findings["done"].str.contains("likely the same patch").any()
    planned = plan.units[plan.units["status"] == "planned"]
    assert set(planned["patch_id"]) == {"Y1"}
    assert planned["area_acre"].sum() * 43560 == pytest.approx(10000, rel=1e-4)


# ------------------------------------------------------------ a stream drawn as a centreline


def test_setback_runs_from_the_edge_of_a_centreline(sites):
    # 1,000 ft, 30 ft wide, 50 ft from the edge: 2 x 50 x 1,000 ft2 = 2.30 acre; 1.61 would be 35 ft on each side
    line = shapely.LineString([(-2000 * FOOT_M, 0), (3000 * FOOT_M, 0)])
    banks = shapely.union_all([feet_box(0, 15, 1000, 200), feet_box(0, -200, 1000, -15)])
    rules = """
[ruleset]
title = "edge"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "EDGE-50"
from = { layer = "water" }
distance = "50 ft"
forbids = {}
source = "invented for tests"
"""
    plan = sites.plan(
        [{"patch_id": "R", "species": "x", "growth_form": "shrub", "cover_pct": 100, "geometry": banks}],
        water=[{"kind": "stream", "state": "wet", "width_ft": 30.0, "geometry": line}],
        rules=rules,
    )
    inside = plan.units[plan.units["setbacks"] == "EDGE-50"]["area_acre"].sum()
    assert inside == pytest.approx(100_000 / 43560, rel=1e-4)
    assert round(inside, 2) == 2.30
