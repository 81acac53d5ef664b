"""Every broken outline is mended with a report, or refused with one clear error; no ground is lost on the way.

Expected areas are worked out by hand from the corners: what the outlines enclose, in square metres.
"""

from __future__ import annotations

import json
import struct

import geopandas as gpd
import numpy as np
import pyarrow
import pyarrow.parquet
import pyogrio
import pytest
import shapely

import tussock
from site_factory import ACRE_M2, Sites, feet_box, local_crs

SOUND = {"species": "reed", "growth_form": "shrub", "cover_pct": 50}
SQUARE = "0 0, 60 0, 60 60, 0 60, 0 0"


@pytest.fixture
def sites(tmp_path):
    return Sites(tmp_path)


def plan_outline(sites, geometry, **options):
    shape = shapely.from_wkt(geometry) if isinstance(geometry, str) else geometry
    return sites.plan([SOUND | {"patch_id": "A", "geometry": shape}], **options)


def area_m2(frame):
    return frame["area_acre"].sum() * ACRE_M2


def repairs(plan, layer="infestations"):
    return plan.findings[(plan.findings["stage"] == "repair") & (plan.findings["layer"] == layer)]


def check_nothing_lost(plan):
    """Units add up to patches, and each patch to the area that its repair reported."""
    assert area_m2(plan.units) == pytest.approx(area_m2(plan.patches), rel=1e-9)
    told = repairs(plan)["area_after_m2"].dropna()
    for row in told.index:
        assert area_m2(plan.patches) == pytest.approx(told[row], rel=1e-6)


BROKEN = {
    # two triangles that share a corner: 60 x 60 / 4 each
    "bow-tie": ("POLYGON ((0 0, 60 60, 60 0, 0 60, 0 0))", 1800, "Self-intersection"),
    # a square with its roof pressed down to the floor: 60 x 30 - 60 x 30 / 2
    "touches its own edge": ("POLYGON ((0 0, 60 0, 60 30, 30 0, 0 30, 0 0))", 900, "Ring Self-intersection"),
    "touches its own corner": ("POLYGON ((0 0, 30 30, 60 0, 60 60, 30 30, 0 60, 0 0))", 1800, "Ring Self-intersection"),
    "spike": ("POLYGON ((0 0, 60 0, 60 60, 60 100, 60 60, 0 60, 0 0))", 3600, "Self-intersection"),
    # 100 x 100 - 80 x 80: a hole in a hole takes nothing more away
    "hole in a hole": (
        "POLYGON ((0 0, 100 0, 100 100, 0 100, 0 0), (10 10, 90 10, 90 90, 10 90, 10 10), "
        "(30 30, 60 30, 60 60, 30 60, 30 30))",
        3600,
        "Holes are nested",
    ),
    # the part of the hole inside takes 50 x 20 away, the part outside adds nothing
    "hole over the edge": (
        "POLYGON ((0 0, 100 0, 100 100, 0 100, 0 0), (50 50, 150 50, 150 70, 50 70, 50 50))",
        9000,
        "Self-intersection",
    ),
    # two squares of 60 x 60 with 30 x 60 in common: 5400 once
    "parts over one another": (
        "MULTIPOLYGON (((0 0, 60 0, 60 60, 0 60, 0 0)), ((30 0, 90 0, 90 60, 30 60, 30 0)))",
        5400,
        "Self-intersection",
    ),
    # the faces of the noded outline; a buffer of nothing, which mends it in GEOS 3.14, leaves no ground at all
    "crosses itself, and again at a corner by a hair": (
        "POLYGON ((50599.94739835514 20610.688500598768, 50625.69756026119 20601.951050744443, "
        "50640.835701380245 20610.693561198976, 50646.139491653 20619.882624792048, 50647.5230531876 20630.401885882, "
        "50646.13732693705 20637.36389809425, 50665.81127099227 20628.66307032206, "
        "50665.81151166531 20626.719559081146, 50665.81151166531 20626.719559086105, "
        "50664.98828311538 20622.421225975395, 50599.94739835514 20610.688500598768))",
        573.674,
        "Self-intersection",
    ),
    "polygon, line and point": (
        f"GEOMETRYCOLLECTION (POLYGON (({SQUARE})), LINESTRING (0 0, 100 100), POINT (3 3))",
        3600,
        "a collection of several kinds",
    ),
    "collection of polygons": (
        f"GEOMETRYCOLLECTION (POLYGON (({SQUARE})), POLYGON ((70 0, 80 0, 80 10, 70 10, 70 0)))",
        3700,
        "a collection of several kinds",
    ),
}


@pytest.mark.parametrize(("outline", "expected_m2", "reason"), BROKEN.values(), ids=BROKEN)
def test_broken_outline_is_mended_with_a_report(sites, outline, expected_m2, reason):
    plan = plan_outline(sites, outline)
    assert area_m2(plan.patches) == pytest.approx(expected_m2, rel=1e-5)
    report = repairs(plan)
    report = report[report["what"].str.contains("not sound")]
    assert report["row"].tolist() == ['row 1 (patch_id "A")']
    assert reason in report["what"].iloc[0]
    assert report["area_before_m2"].notna().all()
    check_nothing_lost(plan)
    assert plan.patches.geometry.is_valid.all()


def test_hole_outside_its_shell_is_shown_with_both_areas(sites):
    # nobody can tell whether a ring of its own was meant as a hole or as ground: it is kept, and the report says so
    plan = plan_outline(sites, "POLYGON ((0 0, 99 0, 99 99, 0 99, 0 0), (200 200, 220 200, 220 220, 200 220, 200 200))")
    report = repairs(plan).query("what.str.contains('Hole lies outside shell')")
    assert report["area_before_m2"].iloc[0] == pytest.approx(99 * 99 - 400, rel=1e-5)
    assert report["area_after_m2"].iloc[0] == pytest.approx(99 * 99 + 400, rel=1e-5)
    check_nothing_lost(plan)


def test_repeated_vertices_change_nothing(sites):
    plan = plan_outline(sites, "POLYGON ((0 0, 0 0, 60 0, 60 0, 60 60, 0 60, 0 0))")
    assert area_m2(plan.units) == pytest.approx(3600, rel=1e-6)


def write_geojson(sites, coordinates):
    """A patch in degrees whose ring GeoJSON gives as it is, closed or not."""
    path = sites.write([SOUND | {"patch_id": "A", "geometry": shapely.box(0, 0, 9, 9)}])
    feature = {
        "type": "Feature",
        "properties": SOUND | {"patch_id": "A"},
        "geometry": {"type": "Polygon", "coordinates": [coordinates]},
    }
    (sites.folder / "drawn.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    path.write_text(path.read_text().replace('path = "infestations.gpkg"', 'path = "drawn.geojson"'))
    return path


OPEN_RING = [[-89.0, 45.0], [-88.999, 45.0], [-88.999, 45.001], [-89.0, 45.001]]


def check_closed_with_a_finding(plan, rows):
    """Each outline that was not closed is closed, and its row is named."""
    closed = gpd.GeoSeries([shapely.Polygon(OPEN_RING)], crs=4326).to_crs(local_crs())
    assert area_m2(plan.patches) == pytest.approx(len(plan.patches) * closed.area.iloc[0], rel=1e-5)
    told = plan.findings[plan.findings["what"] == "a ring that was not closed"]
    assert told["row"].tolist() == rows
    assert told["done"].str.startswith("closed from its last point to its first").all()
    assert set(told["level"]) <= {"warning"}
    check_nothing_lost(plan)


def test_unclosed_ring_is_closed(sites):
    plan = tussock.make_plan(tussock.read_site(write_geojson(sites, OPEN_RING)))
    check_closed_with_a_finding(plan, ['row 1 (patch_id "A")'])


def test_closed_ring_has_no_finding(sites):
    plan = tussock.make_plan(tussock.read_site(write_geojson(sites, [*OPEN_RING, OPEN_RING[0]])))
    check_closed_with_a_finding(plan, [])


@pytest.mark.parametrize("name", ["drawn.gpkg", "drawn.shp", "drawn.fgb"])
def test_only_the_row_with_the_unclosed_ring_is_named_in_other_formats(sites, name):
    def ring(corners):  # well-known binary, little-endian, one ring (OGC 06-103r4, 8.2.8)
        return struct.pack("<BIII", 1, 3, 1, len(corners)) + b"".join(struct.pack("<dd", *corner) for corner in corners)

    moved = [[lon + 0.01, lat] for lon, lat in OPEN_RING]
    path = sites.write([SOUND | {"patch_id": "A", "geometry": shapely.box(0, 0, 9, 9)}])
    pyogrio.raw.write(
        sites.folder / name,
        geometry=np.array([ring([*moved, moved[0]]), ring(OPEN_RING)], dtype=object),
        field_data=[np.array(["sound", "open"], dtype=object)],
        fields=["patch_id"],
        geometry_type="Polygon",
        crs="EPSG:4326",
        layer="drawn",
    )
    path.write_text(path.read_text().replace('path = "infestations.gpkg"', f'path = "{name}"'))
    plan = tussock.make_plan(tussock.read_site(path))
    told = plan.findings[plan.findings["what"] == "a ring that was not closed"]["row"].tolist()
    order = plan.patches["patch_id"].tolist()  # FlatGeobuf brings rows in an order of its own
    check_closed_with_a_finding(plan, told)
    assert told == [f'row {order.index("open") + 1} (patch_id "open")']


def test_unclosed_ring_in_geoparquet_is_refused(sites):
    path = sites.write([SOUND | {"patch_id": "A", "geometry": shapely.box(0, 0, 9, 9)}])
    frame = gpd.GeoDataFrame([SOUND | {"patch_id": "A"}], geometry=[shapely.Polygon(OPEN_RING)], crs=4326)
    frame.to_parquet(sites.folder / "drawn.parquet")
    table = pyarrow.parquet.read_table(sites.folder / "drawn.parquet")
    whole = table["geometry"].to_pylist()[0]
    cut = whole[:9] + struct.pack("<I", 4) + whole[13:-16]  # the ring without its last point
    place = table.column_names.index("geometry")
    table = table.set_column(place, table.field(place), pyarrow.array([cut], type=pyarrow.binary()))
    pyarrow.parquet.write_table(table, sites.folder / "drawn.parquet")
    path.write_text(path.read_text().replace('path = "infestations.gpkg"', 'path = "drawn.parquet"'))
    with pytest.raises(tussock.InputError, match=r"drawn\.parquet: geometry: found an outline that cannot be built"):
        tussock.read_site(path)


@pytest.mark.parametrize(
    "corners",
    [[[-89, 45], [-88.999, 45]], [[-89, 45], [-88.999, 45], [-89, 45]]],
    ids=["two points", "there and back"],
)
def test_ring_of_two_points_is_refused(sites, corners):
    with pytest.raises(tussock.InputError, match=r"drawn.*row 1 \(patch_id \"A\"\).*(without area|no geometry)"):
        tussock.make_plan(tussock.read_site(write_geojson(sites, corners)))


@pytest.mark.parametrize("dimension", ["Z", "M", "ZM"])
def test_heights_and_measures_are_left_out_and_areas_stay(sites, dimension):
    corners = [(0, 0), (60, 0), (60, 60), (0, 60), (0, 0)]
    more = " 5" * len(dimension)
    outline = shapely.from_wkt(f"POLYGON {dimension} ((" + ", ".join(f"{x} {y}{more}" for x, y in corners) + "))")
    path = sites.write([SOUND | {"patch_id": "A", "geometry": feet_box(0, 0, 9, 9)}])
    frame = gpd.GeoDataFrame([SOUND | {"patch_id": "A"}], geometry=[outline], crs=local_crs())
    frame.to_parquet(sites.folder / "drawn.parquet")
    path.write_text(path.read_text().replace('path = "infestations.gpkg"', 'path = "drawn.parquet"'))
    plan = tussock.make_plan(tussock.read_site(path))
    assert area_m2(plan.units) == pytest.approx(3600, rel=1e-6)
    assert not shapely.has_z(np.asarray(plan.units.geometry.array)).any()
    assert not shapely.has_m(np.asarray(plan.units.geometry.array)).any()
    assert repairs(plan)["done"].str.contains("left out").any()


def test_rows_of_mixed_dimension_are_one_layer(sites):
    flat, solid = shapely.box(0, 0, 60, 60), shapely.force_3d(shapely.box(100, 0, 160, 60), 9.0)
    measured = shapely.from_wkt("POLYGON M ((200 0 1, 260 0 2, 260 60 3, 200 60 4, 200 0 1))")
    rows = [SOUND | {"patch_id": name} for name in "ABC"]
    path = sites.write([SOUND | {"patch_id": "A", "geometry": flat}])
    frame = gpd.GeoDataFrame(rows, geometry=[flat, solid, measured], crs=local_crs())
    frame.to_parquet(sites.folder / "drawn.parquet")
    path.write_text(path.read_text().replace('path = "infestations.gpkg"', 'path = "drawn.parquet"'))
    plan = tussock.make_plan(tussock.read_site(path))
    assert area_m2(plan.units) == pytest.approx(3 * 3600, rel=1e-6)
    told = repairs(plan)
    assert told[told["done"] == "left out"]["row"].tolist() == ["2 rows"]


@pytest.mark.parametrize(
    ("geometry", "message"),
    [
        (None, "found no geometry; draw it, or delete the row"),
        (shapely.Polygon(), "found no geometry; draw it, or delete the row"),
        (shapely.from_wkt("POLYGON ((0 0, 60 0, 30 0, 0 0))"), "found an outline without area; draw it anew"),
        (shapely.from_wkt("GEOMETRYCOLLECTION (LINESTRING (0 0, 9 9), POINT (3 3))"), "found an outline without area"),
        (shapely.LineString([(0, 0), (60, 60)]), "found a LineString; infestations are polygons"),
        (shapely.Point(3, 3), "found a Point; infestations are polygons"),
    ],
    ids=["null", "empty", "flat", "collection without ground", "line", "point"],
)
def test_outline_that_cannot_be_mended_is_refused_by_row(sites, geometry, message):
    rows = [
        SOUND | {"patch_id": "A", "geometry": feet_box(200, 0, 290, 90)},
        SOUND | {"patch_id": "B", "geometry": geometry},
    ]
    with pytest.raises(tussock.InputError, match=r"infestations\.gpkg.*row 2 \(patch_id \"B\"\)") as caught:
        tussock.make_plan(tussock.read_site(sites.write(rows)))
    assert message in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


RULES = """
[ruleset]
title = "edge (invented)"
authority = "nobody"
source = "invented for tests"
status = "checked"
[[setback]]
id = "W"
from = { layer = "water" }
distance = "10 m"
forbids = {}
source = "invented for tests"
"""
POND = shapely.box(-50, -50, 0, 110)
STRIP_M2 = 10 * 60  # of the square patch beside the pond


def strip_m2(plan):
    return area_m2(plan.units[plan.units["setbacks"] == "W"])


@pytest.mark.parametrize(
    "water",
    [
        [POND, POND],  # drawn twice
        [shapely.box(-50, -50, 0, 30), shapely.box(-50, 20, 0, 110)],  # two over one another
        [shapely.GeometryCollection([POND, shapely.LineString([(-40, 0), (-30, 0)])])],
        [shapely.MultiPolygon([POND, shapely.box(-90, 0, -80, 9)])],
        [shapely.from_wkt("POLYGON ((-50 -50, 0 -50, 0 110, 0 150, 0 110, -50 110, -50 -50))")],  # a spike
        [shapely.force_3d(POND, 7.0)],
    ],
    ids=["duplicate", "overlapping", "collection", "multipolygon", "spike", "with heights"],
)
def test_water_drawn_badly_gives_the_same_setback(sites, water):
    rows = [{"kind": "pond", "state": "wet", "width_ft": 3.0, "geometry": item} for item in water]
    plan = plan_outline(sites, f"POLYGON (({SQUARE}))", water=rows, rules=RULES)
    assert strip_m2(plan) == pytest.approx(STRIP_M2, rel=1e-4)
    check_nothing_lost(plan)


@pytest.mark.parametrize("code", [4326, 4269, 3857, 26916, 3071, 5070])
def test_water_in_another_crs_and_datum_gives_the_same_setback(sites, code):
    rows = [SOUND | {"patch_id": "A", "geometry": shapely.box(0, 0, 60, 60)}]
    path = sites.write(rows, water=[{"kind": "pond", "geometry": POND}], rules=RULES)
    pond = gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.segmentize(POND, 2.0)], crs=local_crs())
    pond.to_crs(code).to_file(sites.folder / "water.gpkg", layer="water")
    assert strip_m2(tussock.make_plan(tussock.read_site(path))) == pytest.approx(STRIP_M2, rel=1e-3)


def test_feature_drawn_twice_is_told(sites):
    other_way_round = shapely.Polygon(shapely.get_coordinates(POND)[::-1])
    apart = shapely.box(-500, -50, -450, 110)  # as many corners, elsewhere
    water = [{"kind": "pond", "state": "wet", "geometry": item} for item in (POND, apart, other_way_round)]
    report = repairs(plan_outline(sites, f"POLYGON (({SQUARE}))", water=water), "water")
    told = report[report["what"] == "one outline drawn more than once"]
    assert told["row"].tolist() == ["row 1, row 3"]


def test_same_patch_twice_is_reported_and_counted_once(sites):
    rows = [SOUND | {"patch_id": name, "geometry": shapely.box(0, 0, 60, 60)} for name in "AB"]
    plan = sites.plan(rows)
    report = repairs(plan)
    assert report["done"].str.contains("likely the same patch drawn twice: B is reported, not added").any()
    counted = plan.units[plan.units["area_counted_with"].fillna("") == ""]
    assert area_m2(counted) == pytest.approx(3600, rel=1e-6)
    assert area_m2(plan.patches) == pytest.approx(7200, rel=1e-6)


def test_patches_with_swapped_coordinates_are_refused(sites):
    path = sites.write([SOUND | {"patch_id": "A", "geometry": feet_box(0, 0, 9, 9)}])
    swapped = gpd.GeoDataFrame([SOUND | {"patch_id": "A"}], geometry=[shapely.box(45.0, -93.1, 45.1, -93.0)], crs=4326)
    swapped.to_file(sites.folder / "infestations.gpkg", layer="infestations")
    with pytest.raises(tussock.CrsError, match=r"extent 45 -93\.1 to 45\.1 -93.*swapped"):
        tussock.make_plan(tussock.read_site(path))


@pytest.mark.parametrize("layer", ["infestations", "water"])
@pytest.mark.parametrize(("code", "message"), [(4326, "look swapped"), (4269, "NAD83 is made for .*look swapped")])
def test_degrees_in_the_wrong_order_are_refused(sites, layer, code, message):
    # 70 east, 40 north and the other way round are both places on Earth: only the other layer gives it away
    place = (70.0, 40.0) if code == 4326 else (-75.0, 40.0)
    east, north = place
    rows = [SOUND | {"patch_id": "A", "geometry": shapely.box(east, north, east + 0.001, north + 0.001)}]
    ponds = [{"kind": "pond", "geometry": shapely.box(east + 0.002, north, east + 0.003, north + 0.001)}]
    path = sites.write(rows, water=ponds, crs=code)
    frame = gpd.read_file(sites.folder / f"{layer}.gpkg")
    frame["geometry"] = shapely.transform(frame.geometry.array, lambda xy: xy[:, ::-1])
    frame.to_file(sites.folder / f"{layer}.gpkg", layer=layer)
    with pytest.raises(tussock.CrsError, match=message):
        tussock.make_plan(tussock.read_site(path))


@pytest.mark.parametrize("layer", ["infestations", "water"])
def test_projected_coordinates_in_the_wrong_order_are_refused(sites, layer):
    # UTM zone 15N, 93 degrees west: 500,000 east and 4,983,000 north, written the other way round
    rows = [SOUND | {"patch_id": "A", "geometry": shapely.box(500_000, 4_983_000, 500_060, 4_983_060)}]
    ponds = [{"kind": "pond", "geometry": shapely.box(500_100, 4_983_000, 500_200, 4_983_060)}]
    path = sites.write(rows, water=ponds, crs=26915)
    frame = gpd.read_file(sites.folder / f"{layer}.gpkg")
    frame["geometry"] = shapely.transform(frame.geometry.array, lambda xy: xy[:, ::-1])
    frame.to_file(sites.folder / f"{layer}.gpkg", layer=layer)
    need = r"NAD83 / UTM zone 15N is made for 25\.61 to 84 north, -96 to -90 east: its coordinates look swapped"
    with pytest.raises(tussock.CrsError, match=rf"layers\.{layer}: found extent 4\.983e\+06 500.*{need}"):
        tussock.read_site(path)


def test_crs_of_another_continent_is_refused(sites):
    path = sites.write([SOUND | {"patch_id": "A", "geometry": feet_box(0, 0, 9, 9)}])
    pond = gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[POND], crs=local_crs()).to_crs(4230)
    pond.to_file(sites.folder / "water.gpkg", layer="water")
    with pytest.raises(tussock.CrsError, match=r"ED50 is made for .* -16\.1 to 48\.61 east: check its CRS"):
        tussock.read_site(path)


def test_layer_on_the_wrong_continent_is_refused_with_both_extents(sites):
    path = sites.write([SOUND | {"patch_id": "A", "geometry": feet_box(0, 0, 9, 9)}])
    far = gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.box(24.0, 60.0, 24.1, 60.1)], crs=4326)
    far.to_file(sites.folder / "water.gpkg", layer="water")
    with pytest.raises(
        tussock.CrsError, match=r"60\.000 to 60\.100 north, 24\.000 to 24\.100 east.*patches are at 44\.9"
    ):
        tussock.make_plan(tussock.read_site(path))


def test_area_in_is_area_in_units_on_a_layer_of_many_faults(sites):
    rows = []
    for place, (outline, _, _) in enumerate(BROKEN.values()):
        moved = shapely.transform(shapely.from_wkt(outline), lambda xy, east=place * 300.0: xy + [east, 0])
        rows.append(SOUND | {"patch_id": f"P{place}", "geometry": moved})
    plan = sites.plan(rows, water=[{"kind": "pond", "geometry": shapely.box(-50, 20, 3000, 40)}], rules=RULES)
    expected = sum(area for _, area, _ in BROKEN.values())
    assert area_m2(plan.patches) == pytest.approx(expected, rel=1e-5)
    assert area_m2(plan.units) == pytest.approx(area_m2(plan.patches), rel=1e-9)
    assert (repairs(plan)["what"].str.contains("not sound")).sum() == len(BROKEN)
