"""Real outlines end to end: the open Prague data that the package momepy ships (plots, buildings, streets).

Plots stand in for patches, buildings for dwellings, street centrelines for ditches: what is tested is geometry that
nobody drew for a test, delivered in Web Mercator. Areas inside setbacks are compared with another method: fine
buffers in UTM zone 33N and a plain intersection.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

from site_factory import PRODUCTS, Sites

ROAD_M, DWELLING_M, HALF_WIDTH_M = 12.0, 8.0, 2.5
RULES = f"""
[ruleset]
title = "rules for open data (invented)"
authority = "nobody"
source = "invented for tests"
read_by = "nobody"
status = "checked"

[[setback]]
id = "DITCH"
from = {{ layer = "water", kind = "ditch" }}
distance = "{ROAD_M} m"
forbids = {{ aquatic_label = false }}
source = "invented for tests"

[[setback]]
id = "DWELLING"
from = {{ layer = "receptors", kind = "dwelling" }}
distance = "{DWELLING_M} m"
forbids = {{ delivery = ["broadcast", "spot"] }}
source = "invented for tests"
"""
TREATMENTS = """
[[treatment]]
id = "spot"
growth_form = ["shrub"]
method = "foliar_spot"
product = "glyphosate-upland"
concentration = "2 %"
spray_volume = "20 gal/acre"
preference = 1

[[treatment]]
id = "stump"
growth_form = ["shrub"]
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "50 %"
spray_volume = "2 gal/acre"
preference = 2
"""


def read_open_data():
    spec = find_spec("momepy")
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent / "datasets" / "bubenec.gpkg"
    layers = {name: gpd.read_file(path, layer=name) for name in ("plots", "buildings", "streets")}
    layers["plots"] = layers["plots"][layers["plots"].area > 20].reset_index(drop=True)
    return layers


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    layers = read_open_data()
    sites = Sites(tmp_path_factory.mktemp("open"))
    plots = layers["plots"]
    plan = sites.plan(
        [
            {
                "patch_id": f"K{row}",
                "species": f"s{row}",
                "growth_form": "shrub",
                "cover_pct": 40.0,
                "geometry": outline,
            }
            for row, outline in enumerate(plots.geometry)
        ],
        water=[
            {"kind": "ditch", "state": "wet", "width_m": 2 * HALF_WIDTH_M, "geometry": line}
            for line in layers["streets"].geometry
        ],
        receptors=[{"kind": "dwelling", "name": "", "geometry": outline} for outline in layers["buildings"].geometry],
        rules=RULES,
        products=PRODUCTS,
        treatments=TREATMENTS,
        crs=plots.crs,
        site='sliver_area = "0 m2"',  # a sliver that joins a stricter neighbour would hide how exact the edges are
    )
    return layers, plan


def test_areas_are_geodesic(planned):
    layers, plan = planned
    geod = Geod(ellps="WGS84")
    fine = layers["plots"].segmentize(1.0).to_crs(4326)  # edges are straight in their own CRS
    true_m2 = [abs(geod.geometry_area_perimeter(outline)[0]) for outline in fine]
    assert plan.patches["area_acre"].to_numpy() * 4046.8564224 == pytest.approx(np.array(true_m2), rel=1e-5)


def test_units_tile_the_plots(planned):
    _, plan = planned
    summed = plan.units.groupby("patch_id")["area_acre"].sum().loc[plan.patches["patch_id"]]
    assert summed.to_numpy() == pytest.approx(plan.patches["area_acre"].to_numpy(), rel=1e-9)
    pieces = plan.units.dissolve("patch_id").geometry.loc[plan.patches["patch_id"]]
    outlines = plan.patches.set_index("patch_id").geometry
    assert (shapely.area(shapely.symmetric_difference(pieces.array, outlines.array)) / outlines.area < 1e-9).all()


def test_setbacks_agree_with_fine_buffers_in_another_projection(planned):
    layers, plan = planned
    metric = {name: frame.to_crs(32633) for name, frame in layers.items()}
    scale = metric["plots"].area / (plan.patches["area_acre"].to_numpy() * 4046.8564224)
    for rule, features, reach in (
        ("DITCH", metric["streets"], ROAD_M + HALF_WIDTH_M),
        ("DWELLING", metric["buildings"], DWELLING_M),
    ):
        zone = shapely.union_all(shapely.buffer(features.geometry.array, reach, quad_segs=180))
        expected = shapely.area(shapely.intersection(metric["plots"].geometry.array, zone)) / scale
        inside = plan.units[plan.units["setbacks"].str.split(";").map(lambda ids, rule=rule: rule in ids)]
        found = inside.groupby("patch_id")["area_acre"].sum().reindex(plan.patches["patch_id"], fill_value=0.0)
        difference = found.to_numpy() * 4046.8564224 - expected.to_numpy()
        assert difference.sum() / expected.sum() == pytest.approx(0.0, abs=3e-3)
        assert difference.min() > -0.02 * expected.mean()  # m2: never less but for the other projection's own error


def test_a_hundred_thousand_points_by_exact_distance(planned):
    """Points in units and along their edges: none nearer than a setback in a unit without it, by geodesics."""
    layers, plan = planned
    rng = np.random.default_rng(11)
    # edges are straight in the layer's own CRS: points on them keep them so in UTM
    metric = {name: frame.set_geometry(frame.segmentize(5.0)).to_crs(32633) for name, frame in layers.items()}
    units = np.asarray(plan.units.geometry.to_crs(32633).array, dtype=object)
    ids = plan.units["setbacks"].str.split(";")
    row = rng.integers(0, len(units), 260_000)
    box = shapely.bounds(units)[row]
    points = shapely.points(rng.uniform(box[:, :2], box[:, 2:]))
    rim = np.arange(len(row)) % 2 == 0
    edge = shapely.line_interpolate_point(shapely.boundary(units[row[rim]]), rng.random(rim.sum()), normalized=True)
    points[rim] = shapely.transform(edge, lambda xy: xy + rng.normal(0, 0.02, xy.shape))
    kept = shapely.contains(units[row], points)
    points = np.concatenate([points[kept], shapely.point_on_surface(units)])  # and an inner point of every unit
    row = np.concatenate([row[kept], np.arange(len(units))])
    assert len(points) >= 100_000
    for rule, features, required, half in (
        ("DITCH", metric["streets"], ROAD_M, HALF_WIDTH_M),
        ("DWELLING", metric["buildings"], DWELLING_M, 0.0),
    ):
        distance = geodesic_distance_m(points, np.asarray(features.geometry.array, dtype=object)) - half
        has = ids.map(lambda names, rule=rule: rule in names).to_numpy()[row]
        assert not (~has & (distance <= required - 5e-4)).any()  # drawn lines are held to half a millimetre
        # a curve of a centreline's zone is drawn around the line, so its share is of the half width too
        assert (distance[has] - required).max() < 0.003 * (required + half)


def geodesic_distance_m(points, features):
    """Geodesic from points to the nearest feature, found in UTM zone 33N (its scale is even over 500 m)."""
    place, nearest = shapely.STRtree(features).query_nearest(points, all_matches=False)
    ends = shapely.get_coordinates(shapely.shortest_line(points[place], features[nearest]))
    lon, lat = Transformer.from_crs(32633, 4326, always_xy=True).transform(*ends.T)
    distance = np.full(len(points), np.nan)
    distance[place] = Geod(ellps="WGS84").inv(lon[::2], lat[::2], lon[1::2], lat[1::2])[2]
    return distance


def test_methods_follow_the_setbacks(planned):
    _, plan = planned
    units = plan.units.assign(ids=plan.units["setbacks"].str.split(";"))
    near = units["ids"].map(lambda ids: "DITCH" in ids or "DWELLING" in ids)
    counted = units["area_counted_with"] == ""
    assert (units.loc[near & counted, "treatment_id"] == "stump").all()
    assert (units.loc[~near & counted, "treatment_id"] == "spot").all()
