"""The cutting kernel against a second method: buffers of the whole features, their union, intersection and difference.

The second method's round ends are polygons inside the true circle, ours stand outside it: the area inside a zone must
lie between that of an inner buffer and that of one wider by the corner of a circumscribed polygon of 48 sides.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from memory_site import make_site, star, zone
from site_factory import local_crs
from tussock.base.errors import CutError
from tussock.zone import arrange, kernel
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import make_group
from tussock.zone.grounds import draw_capsules, draw_grounds
from tussock.zone.kernel import Grounds, cut_blocks

DISTANCES = (4.572, 15.24, 30.48)
CORNER = 1 / np.cos(np.pi / 48)


def make_features(shapes, width=0.0):
    width = np.broadcast_to(np.asarray(width, dtype=float), (len(shapes),))
    frame = gpd.GeoDataFrame({"label": ["f"] * len(shapes), "width_m": width, "width_assumed": False}, geometry=shapes)
    return make_group(frame, np.ones(len(shapes), dtype=bool))


def make_shore(rng, length=3000.0, step=6.0):
    """A lake with a wriggling shore along y = 0, in one polygon; and streams into it."""
    x = np.arange(0, length, step)
    y = 25 * np.sin(x / 90) + 7 * np.sin(x / 17) + rng.normal(0, 1.2, len(x))
    lake = shapely.Polygon(np.concatenate([np.column_stack([x, y]), [[length, -900], [0, -900]]]))
    streams = [
        shapely.LineString(np.cumsum(rng.uniform([-8, 3], [8, 12], (30, 2)), axis=0) + [start, 20])
        for start in np.arange(150, length, 500)
    ]
    return [lake, *streams]


def make_patches(rng, count, length=3000.0):
    xy = np.column_stack([rng.uniform(50, length - 50, count), rng.uniform(-60, 110, count)])
    return np.array([shapely.Polygon(star(rng, *at, rng.lognormal(2.6, 0.7), 16)) for at in xy], dtype=object)


def make_case(seed, count=400):
    rng = np.random.default_rng(seed)
    shapes = make_shore(rng)
    width = np.r_[0.0, rng.uniform(1, 6, len(shapes) - 1)]
    group = make_features(shapes, width)
    wells = make_features([shapely.Point(*xy) for xy in rng.uniform([0, 0], [3000, 120], (60, 2))])
    zones = [ZoneSpec(group, group.offset_m + distance) for distance in DISTANCES]
    zones += [ZoneSpec(wells, wells.offset_m + distance) for distance in (15.0, 45.0)]
    features = [(shapes, width / 2 + distance) for distance in DISTANCES]
    features += [(list(wells.runs), np.full(60, distance)) for distance in (15.0, 45.0)]
    return make_patches(rng, count), zones, features


def second_method(patches, features, *, wider=1.0, quad_segs=180):
    """Area of each patch inside each zone, by union of buffers and intersection."""
    areas = []
    for shapes, radius in features:
        ground = shapely.union_all(shapely.buffer(np.array(shapes, dtype=object), radius * wider, quad_segs=quad_segs))
        areas.append(shapely.area(shapely.intersection(patches, ground)))
    return np.array(areas)


def area_inside(pieces, count):
    area = shapely.area(pieces.geometry)
    return np.array([np.bincount(pieces.patch, area * held, minlength=count) for held in pieces.inside.T])


def check_tiling(patches, pieces):
    total = np.bincount(pieces.patch, shapely.area(pieces.geometry), minlength=len(patches))
    assert np.abs(total / shapely.area(patches) - 1).max() < 1e-9
    first, second = shapely.STRtree(pieces.geometry).query(pieces.geometry, predicate="intersects")
    pair = (first < second) & (pieces.patch[first] == pieces.patch[second])
    common = shapely.area(shapely.intersection(pieces.geometry[first[pair]], pieces.geometry[second[pair]]))
    assert common.max(initial=0.0) < 1e-9 * shapely.area(patches).min()
    assert shapely.is_valid(pieces.geometry).all()


@pytest.mark.parametrize("seed", range(2))
def test_areas_lie_between_two_buffers(seed):
    patches, zones, features = make_case(seed)
    pieces = cut_blocks(patches, zones)
    check_tiling(patches, pieces)
    ours = area_inside(pieces, len(patches))
    # the second method is itself off by the sagitta of 720 sides (1e-5 of the distance) and by the way its buffers
    # leave out inner corners: a hundredth of a percent of the distance along the patch's outline
    slack = 1e-4 * 45 * shapely.length(patches)
    assert (ours >= second_method(patches, features) - slack).all()
    assert (ours <= second_method(patches, features, wider=CORNER) + slack).all()


@pytest.mark.parametrize(("block", "threads"), [(17, 1), (50, 2), (1000, 2)])
def test_blocks_and_threads_change_nothing(block, threads):
    patches, zones, _ = make_case(5, 200)
    whole = cut_blocks(patches, zones, threads=1, sliver_area_m2=1.0)
    parts = cut_blocks(patches, zones, block=block, threads=threads, sliver_area_m2=1.0)
    assert (parts.patch == whole.patch).all()
    assert (parts.inside == whole.inside).all()
    assert (shapely.to_wkb(parts.geometry) == shapely.to_wkb(whole.geometry)).all()


def test_what_is_done_for_large_patches_changes_nothing(monkeypatch):
    """Pairs by their boxes, and prepared faces, are for patches with much shore; on all others they give the same."""
    patches, zones, _ = make_case(7, 200)
    usual = cut_blocks(patches, zones, threads=1)
    monkeypatch.setattr(arrange, "_MANY_PAIRS", -1)
    monkeypatch.setattr(arrange, "_MANY_VERTICES", -1)
    large = cut_blocks(patches, zones, threads=1)
    assert len(usual.patch) > len(patches)
    assert (large.patch == usual.patch).all()
    assert (large.inside == usual.inside).all()
    assert (shapely.to_wkb(large.geometry) == shapely.to_wkb(usual.geometry)).all()
    assert large.slow.tolist() == usual.slow.tolist()


def test_a_hole_in_a_zone_of_a_large_patch_is_found_by_the_proof(monkeypatch):
    monkeypatch.setattr(arrange, "_MANY_PAIRS", -1)
    monkeypatch.setattr(arrange, "_MANY_VERTICES", -1)
    test_a_hole_in_a_zone_is_found_by_the_proof(monkeypatch)


def test_the_slow_way_gives_the_same_areas(monkeypatch):
    """What fails its proof is cut again by the union of outlines around single segments."""
    patches, zones, _ = make_case(6, 60)
    quick = cut_blocks(patches, zones)
    assert not len(quick.slow)

    def prove_nothing(block, keys, drawn, faces):
        bits, _ = find_unproven(block, keys, drawn, faces)
        return bits, np.arange(len(faces.patch))

    find_unproven = arrange.find_unproven
    monkeypatch.setattr(kernel, "find_unproven", prove_nothing)
    slow = cut_blocks(patches, zones)
    assert len(slow.slow) > 30
    check_tiling(patches, slow)
    gap = area_inside(quick, len(patches)) - area_inside(slow, len(patches))
    assert (np.abs(gap) <= (CORNER - 1) * 45 * shapely.length(patches)).all()  # outer corners may differ by that much


def test_a_hole_in_a_zone_is_found_by_the_proof(monkeypatch):
    """A zone drawn with ground missing is caught, and the patch cut again."""
    patches, zones, features = make_case(7, 60)
    draw = draw_grounds

    def draw_short(group, key, run, reach_m, *others, **options):
        return draw(group, key, run, reach_m * 0.9, *others, **options)

    monkeypatch.setattr("tussock.zone.decide.draw_grounds", draw_short)
    pieces = cut_blocks(patches, zones)
    assert len(pieces.slow) > 20
    slack = 1e-4 * 45 * shapely.length(patches)
    assert (area_inside(pieces, len(patches)) >= second_method(patches, features) - slack).all()


@pytest.mark.parametrize("exact", [True, False])
@pytest.mark.parametrize("radius", [2.0, 15.0, 60.0])
def test_chains_are_the_union_of_their_segments(exact, radius):
    """Ground drawn in one ring is the union of outlines around single segments; cut across, nearly."""
    rng = np.random.default_rng(3)
    heading = np.cumsum(rng.normal(0, 0.5, 60))
    line = shapely.LineString(np.cumsum(7 * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0))
    group = make_features([line])
    runs = np.arange(len(group.runs))
    zero = np.zeros(len(runs), np.intp)
    reach = np.full(len(runs), radius)
    (ground,), _ = draw_grounds(group, zero, runs, reach, zero[:0], zero[:0], exact=exact)
    union = shapely.union_all(
        draw_capsules(group.segment, np.full(len(group.segment), radius), np.zeros(len(group.segment)))
    )
    inner = shapely.union_all(shapely.buffer(group.runs, radius, quad_segs=90))
    assert shapely.area(shapely.difference(ground, union)) < 1e-4 * union.area
    assert shapely.area(shapely.difference(inner, ground)) < (1e-5 if exact else 1e-4) * union.area


@pytest.mark.parametrize("width", [0.0, 8.0, 40.0, 150.0])
@pytest.mark.parametrize("distance", [3.048, 4.572, 30.48])
def test_corners_hold_to_the_distance_however_wide_the_feature(width, distance):
    """Over-protection is a share of the distance from the edge and not of the half width that is added to it."""
    heading = np.cumsum(np.random.default_rng(5).normal(0, 0.4, 40))
    line = shapely.LineString(np.cumsum(25 * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0))
    group = make_features([line], width)
    runs = np.arange(len(group.runs))
    zero = np.zeros(len(runs), np.intp)
    reach = np.full(len(runs), width / 2 + distance)
    (ground,), _ = draw_grounds(group, zero, runs, reach, zero[:0], zero[:0])
    corners = shapely.points(shapely.get_coordinates(ground.exterior))
    achieved = shapely.distance(corners, line) - width / 2
    assert achieved.min() >= distance - 1e-9
    assert achieved.max() <= distance * 1.003


def test_ring_corners_are_drawn_where_the_ring_begins():
    """A square pond: four outer corners alike, also the one where its ring starts."""
    group = make_features([shapely.box(0, 0, 10, 10)])
    zones = [ZoneSpec(group, np.array([5.0]))]
    patches = np.array([shapely.Point(x, y).buffer(4, quad_segs=2) for x in (-3, 13) for y in (-3, 13)], dtype=object)
    inside = area_inside(cut_blocks(patches, zones), 4)[0]
    assert np.ptp(inside) < 1e-9
    assert inside.min() < patches[0].area * 0.95


def test_stacked_patches_on_one_shore():
    rng = np.random.default_rng(8)
    group = make_features(make_shore(rng))
    zones = [ZoneSpec(group, group.offset_m + distance) for distance in DISTANCES]
    patches = np.array(
        [shapely.Polygon(star(rng, 1500 + x, 10 + y, 40, 16)) for x, y in rng.uniform(-15, 15, (2000, 2))], dtype=object
    )
    pieces = cut_blocks(patches, zones)
    total = np.bincount(pieces.patch, shapely.area(pieces.geometry))
    assert np.abs(total / shapely.area(patches) - 1).max() < 1e-9
    point = shapely.point_on_surface(pieces.geometry)
    for place, spec in enumerate(zones):
        _, distance = group.run_tree.query_nearest(point, return_distance=True, all_matches=False)
        wet = np.isin(np.arange(len(point)), group.cell_tree.query(point, predicate="intersects")[0])
        out = ~pieces.inside[:, place]
        assert (distance[out] > spec.reach_m[0]).all()
        assert not wet[out].any()


def test_a_thousand_hectares_on_a_shore():
    """One patch of 10 km2 along 3 km of a shore with a vertex every 6 m, against the second method."""
    rng = np.random.default_rng(9)
    shapes = make_shore(rng)
    group = make_features(shapes)
    zones = [ZoneSpec(group, group.offset_m + distance) for distance in DISTANCES]
    patches = np.array([shapely.box(20, -40, 2980, 3340)], dtype=object)
    pieces = cut_blocks(patches, zones)
    check_tiling(patches, pieces)
    features = [(shapes, np.full(len(shapes), distance)) for distance in DISTANCES]
    ours = area_inside(pieces, 1)
    slack = 1e-4 * 30 * group.runs.size * 72
    assert (ours >= second_method(patches, features) - slack).all()
    assert (ours <= second_method(patches, features, wider=CORNER) + slack).all()


def test_more_edges_than_bits():
    """Eighty overlapping grounds in one patch: cut the slow way, each piece with the right ones."""
    patch = np.array([shapely.box(0, 0, 100, 10)], dtype=object)
    strips = np.array([shapely.box(k + 0.25, -1, k + 1.75, 11) for k in range(80)], dtype=object)
    pieces = cut_blocks(patch, [], Grounds(np.zeros(80, np.intp), strips))
    check_tiling(patch, pieces)
    held = np.zeros(80)
    np.add.at(held, pieces.ground, shapely.area(pieces.geometry)[pieces.ground_piece])
    assert held == pytest.approx(np.full(80, 15.0), rel=1e-9)


def test_nothing_near_leaves_patches_as_they_are():
    patches = make_patches(np.random.default_rng(1), 5)
    group = make_features([shapely.Point(1e5, 1e5)])
    pieces = cut_blocks(patches, [ZoneSpec(group, np.array([10.0]))])
    assert all(own is drawn for own, drawn in zip(pieces.geometry, patches, strict=True))
    assert not pieces.inside.any()


def test_a_patch_that_cannot_be_cut_is_set_aside_by_name(monkeypatch):
    """It stays whole, with every setback that reaches it; the others are cut."""

    def find_unproven(block, keys, drawn, faces):
        inside, _ = arrange.find_unproven(block, keys, drawn, faces)
        return inside, np.flatnonzero(faces.patch == 1)

    def cut_slowly(*_):
        raise CutError("pieces add up to 1 of 2 m2")

    monkeypatch.setattr(kernel, "find_unproven", find_unproven)
    monkeypatch.setattr(kernel, "cut_slowly", cut_slowly)
    frame = gpd.GeoDataFrame(
        {"patch_id": ["north", "middle", "south"], "species": "a", "growth_form": "shrub"},
        geometry=[shapely.box(0, 100 * y, 50, 100 * y + 50) for y in (3, 2, 1)],
        crs=local_crs(),
    )
    pond = gpd.GeoDataFrame(
        {"kind": ["pond"], "state": ["wet"]}, geometry=[shapely.box(-40, 0, -5, 400)], crs=frame.crs
    )
    setback = {"id": "W", "from": {"layer": "water"}, "distance": "20 m", "forbids": {}}
    far = {"id": "F", "from": {"layer": "water"}, "distance": "1 m", "forbids": {}}
    _, zoned = zone(make_site(frame, water=pond, setbacks=[setback, far]))
    assert zoned.units.groupby("patch_id")["setbacks"].agg(list).to_dict() == {
        "north": ["W", ""],
        "middle": ["W"],  # 5 m off, and not within 1 m
        "south": ["W", ""],
    }
    assert zoned.units["area_m2"].sum() == pytest.approx(3 * 2500, rel=1e-5)
    assert zoned.patches["set_aside"].tolist() == ["", "pieces add up to 1 of 2 m2", ""]
    assert zoned.units["set_aside"].tolist() == ["", "", "pieces add up to 1 of 2 m2", "", ""]
    told = zoned.findings.set_index("row")
    assert "could not be cut so that its units tile it (pieces add up to 1 of 2 m2)" in told["what"]["middle"]
    assert told["done"]["middle"].startswith("set aside: nothing is planned there; draw it anew")
    assert told["level"]["middle"] == "warning"
