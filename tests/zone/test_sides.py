"""Which side of an edge a face lies on: faces with spikes, failed noding, threads, patches in several parts."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import Transformer

from memory_site import make_site, zone
from site_factory import local_crs
from tussock.base.stages import SiteOptions
from tussock.zone import kernel
from tussock.zone.arrange import Faces
from tussock.zone.cutting import Zone, cut_patch, find_straddling, merge_slivers
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import make_group
from tussock.zone.inner import find_inner_points
from tussock.zone.kernel import cut_blocks

#: A face of 6 m2 with a spike of no width, from a patch and a pond whose outlines all but coincide: at half its height
#: there is nothing but the spike, and the inner point of GEOS 3.13 is a corner.
SPIKED = shapely.from_wkb(
    "01030000000100000006000000AF24D889139572C0C1A3FF8A9FAC7340A5D001D0126772C096D2203951DC72403E0F14EE236A72C0"
    "1A93705234EA7240EAF866EDE19472C0FAFFFBE50BED7240BD2E6073A37A72C045D144E4E8347340AF24D889139572C0C1A3FF8A9FAC7340"
)
FOOT_M = 0.3048
POND = shapely.box(0, 0, 30, 30)


def make_ponds(*ponds):
    frame = gpd.GeoDataFrame({"label": ["p"] * len(ponds)}, geometry=list(ponds))
    return make_group(frame, np.ones(len(ponds), dtype=bool))


def make_frames(patches, water, crs=None):
    crs = crs or local_crs()
    frame = {"species": ["a"] * len(patches), "growth_form": ["shrub"] * len(patches)}
    waters = {"kind": ["pond"] * len(water), "state": ["wet"] * len(water)}
    return gpd.GeoDataFrame(frame, geometry=patches, crs=crs), gpd.GeoDataFrame(waters, geometry=water, crs=crs)


def set_back(name, distance, **more):
    return {"id": name, "from": {"layer": "water"}, "distance": distance, "forbids": {}} | more


def test_the_inner_point_of_a_face_with_a_spike_lies_well_inside():
    faces = np.array([shapely.box(0, 0, 2, 1), SPIKED], dtype=object)
    assert faces[1].is_valid
    points = find_inner_points(faces)
    assert (shapely.distance(shapely.boundary(faces), points) > 0.1).all()
    assert shapely.contains_properly(faces, points).all()


def test_faces_on_both_sides_of_an_edge_are_found():
    faces = np.array([shapely.box(-10, 0, 10, 5), shapely.box(5, 5, 10, 10), shapely.box(-10, 5, -5, 10)])
    assert find_straddling(faces, np.array([True, True, False]), POND).tolist() == [True, False, False]
    assert find_straddling(faces, np.array([False, False, True]), POND).tolist() == [True, True, True]


def test_a_patch_whose_noding_fails_beside_a_pond_is_cut_anew(monkeypatch):
    """At a distance of 0 ft no distance from the shore tells that a face lies on both of its sides."""
    patch = np.array([shapely.box(20, 5, 80, 25)])
    point = np.array([shapely.Point(70, 15)])
    monkeypatch.setattr(
        kernel, "arrange_faces", lambda *_: Faces(patch, np.zeros(1, np.intp), point, np.empty(0, np.intp))
    )
    pieces = cut_blocks(patch, [ZoneSpec(make_ponds(POND), np.zeros(1))])
    assert pieces.slow.tolist() == [0]
    assert {bool(held[0]): shape.area for held, shape in zip(pieces.inside, pieces.geometry, strict=True)} == (
        pytest.approx({True: 10 * 20, False: 50 * 20})
    )


def test_outlines_that_cannot_be_noded_are_cut_one_after_the_other(monkeypatch):
    patch, zones = (
        shapely.box(20, 5, 80, 25),
        [Zone(("key", "0"), POND), Zone(("key", "1"), shapely.box(25, 0, 60, 10))],
    )
    monkeypatch.setattr("tussock.zone.cutting._find_faces", lambda patch, *_: np.array([patch], dtype=object))
    pieces = cut_patch(patch, zones, 0.0)
    found = {tuple(sorted(name for _, name in piece.tokens)): piece.geometry.area for piece in pieces}
    assert found == pytest.approx({("0", "1"): 25, ("0",): 175, ("1",): 150, (): 850})


def test_a_thread_joins_the_face_that_it_runs_along():
    thread, above, below = shapely.box(0, 5, 20, 5 + 1e-8), shapely.box(0, 5 + 1e-8, 20, 9), shapely.box(0, 0, 20, 5)
    faces, gone = merge_slivers(np.array([thread, above, below]), np.array([2, 1, 0], dtype=np.uint64), 1e-9)
    assert gone.tolist() == [True, False, False]  # nobody is as strict, and it is no ground
    assert shapely.area(faces[1:]).sum() == pytest.approx(20 * 9, rel=1e-12)


def test_a_part_on_land_of_a_patch_with_a_part_amid_the_water_is_not_in_it():
    lake = shapely.box(0, 0, 200, 200)
    patch = shapely.multipolygons([shapely.box(90, 90, 110, 110), shapely.box(400, 90, 420, 110)])
    frame, water = make_frames([patch], [lake])
    setbacks = [set_back("ON", "0 ft"), set_back("NEAR", "3 ft"), set_back("FAR", "1000 ft")]
    _, zoned = zone(make_site(frame, water=water, setbacks=setbacks, options=SiteOptions(sliver_area_m2=0.0)))
    west = {text: shape.bounds[0] for text, shape in zip(zoned.units["setbacks"], zoned.units.geometry, strict=True)}
    assert west == pytest.approx({"FAR;NEAR;ON": 90, "FAR": 400}, abs=1e-6)


def test_a_column_named_state_of_receptors_is_not_that_of_water():
    """Some layers name the state of the country; without this the rule would mean nothing at all."""
    frame, _ = make_frames([shapely.box(0, 0, 10, 10)], [POND])
    wells = gpd.GeoDataFrame({"kind": ["well"], "state": ["MN"]}, geometry=[shapely.Point(12, 5)], crs=frame.crs)
    rule = set_back("WELL", "100 ft", **{"from": {"layer": "receptors", "state": "wet"}})
    _, zoned = zone(make_site(frame, receptors=wells, setbacks=[rule]))
    assert zoned.units["setbacks"].tolist() == ["WELL"]


def test_units_stand_on_the_same_turn_of_the_globe_as_their_patch():
    """A patch across the antimeridian goes on beyond 180, and so do its units east of it."""
    crs = local_crs(180.0, -17.0)
    frame, water = make_frames([shapely.box(4900, 5000, 5300, 5040)], [shapely.box(5200, 4990, 5240, 5050)], crs)
    frame, water = frame.to_crs(4326), water.to_crs(4326)
    _, zoned = zone(make_site(frame, water=water, setbacks=[set_back("A", "50 ft")]))
    patch = zoned.patches.geometry.iloc[0]
    assert len(zoned.units) == 2
    assert patch.bounds[2] - patch.bounds[0] < 0.01
    joined = shapely.union_all(np.asarray(zoned.units.geometry.array, dtype=object))
    assert shapely.symmetric_difference(joined, patch).area < 1e-9 * patch.area


@pytest.mark.parametrize("code", ["auto", "EPSG:26915"])
def test_the_distance_from_a_wide_stream_does_not_take_on_the_scale_of_the_crs(code):
    """On the middle line of a UTM zone 27 m on the ground are 1.1 cm short (scale 0.9996)."""
    width_m, crs = 60.0, local_crs(-93.0, 45.0)
    stream = gpd.GeoDataFrame(
        {"kind": ["river"], "state": ["wet"], "width_m": [width_m]},
        geometry=[shapely.LineString([(4500, 5000), (5500, 5000)])],
        crs=crs,
    )
    frame, _ = make_frames([shapely.box(5000, 5040, 5010, 5050)], [POND], crs)
    site = make_site(frame, water=stream, setbacks=[set_back("A", "3 ft")])
    _, zoned = zone(replace(site, options=replace(site.options, crs=code)))
    to_degrees = Transformer.from_crs(crs, 4326, always_xy=True)
    (lon, lat), (core_lon, core_lat) = to_degrees.transform(5005, 5040), to_degrees.transform(5005, 5000)
    line_m = Geodesic.WGS84.Inverse(lat, lon, core_lat, core_lon)["s12"]
    assert zoned.nearness["achieved_m"].iloc[0] == pytest.approx(line_m - width_m / 2, abs=1e-4)
    assert zoned.units["nearest_water_m"].iloc[0] == pytest.approx(line_m - width_m / 2, abs=1e-4)
