"""Arcs of a file are held to their true radius, and the setback from them is never short.

GDAL draws an arc by chords of 4 degrees, inside of it: a circle of 2 km stands up to r (1 - cos 2 deg) = 1.22 m short.
Circles here are known: the distance from one is that from its middle less the radius.
"""

from __future__ import annotations

import sqlite3
import struct

import geopandas as gpd
import numpy as np
import pytest
import shapely

import tussock
from site_factory import NO_RULES, Sites, local_crs

RULE = '[[setback]]\nid = "A"\nfrom = { layer = "water" }\ndistance = "100 ft"\nforbids = {}\nsource = "invented"\n'
SETBACK_M = 30.48
RADIUS_M = 2000.0


def vertices(*corners):
    return struct.pack("<I", len(corners)) + b"".join(struct.pack("<dd", *xy) for xy in corners)


def circle(x, y, radius):
    """A CURVEPOLYGON of one CIRCULARSTRING (ISO 19125 well-known binary, types 10 and 8)."""
    corners = [(x + radius, y), (x, y + radius), (x - radius, y), (x, y - radius), (x + radius, y)]
    return b"\x01" + struct.pack("<II", 10, 1) + b"\x01" + struct.pack("<I", 8) + vertices(*corners)


def bend(x, y, radius):
    """A COMPOUNDCURVE (type 9): 100 m straight to the east, then half a circle to the north."""
    straight = b"\x01" + struct.pack("<I", 2) + vertices((x - 100, y), (x, y))
    arc = b"\x01" + struct.pack("<I", 8) + vertices((x, y), (x + radius, y + radius), (x + 2 * radius, y))
    return b"\x01" + struct.pack("<II", 9, 2) + straight + arc


def put_curves(path, layer, shapes):
    """Put well-known binary in place of the outlines of a GeoPackage layer, which is then of any type."""
    frame = gpd.read_file(path, layer=layer)
    path.unlink()
    frame.to_file(path, layer=layer, geometry_type="Unknown", engine="pyogrio")
    with sqlite3.connect(path) as base:
        base.create_function("ST_IsEmpty", 1, lambda _: 0)
        for name in ("MinX", "MaxX", "MinY", "MaxY"):
            base.create_function(f"ST_{name}", 1, lambda _: 0.0)
        head = base.execute(f"SELECT geom FROM {layer}").fetchone()[0][4:8]  # its CRS
        for number, shape in enumerate(shapes, start=1):
            base.execute(f"UPDATE {layer} SET geom = ? WHERE fid = ?", (b"GP\x00\x01" + head + shape, number))


def plan_lake(folder, patch, water, patch_curve=None, kind="lake"):
    row = {"patch_id": "P", "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": patch}
    rows = [{"kind": kind, "geometry": shapely.box(0, 0, 1, 1)} for _ in water]
    path = Sites(folder).write([row], water=rows, rules=NO_RULES + RULE)
    put_curves(folder / "water.gpkg", "water", water)
    if patch_curve is not None:
        put_curves(folder / "infestations.gpkg", "infestations", [patch_curve])
    plan = tussock.make_plan(tussock.read_site(path))
    found = tussock.review_plan(plan.write(folder / "plan"), path)
    assert not (found["level"] == "violation").any(), found[found["level"] == "violation"].to_string()
    return plan


def test_the_setback_from_a_round_lake_is_not_short(tmp_path):
    """Patch north-east of a lake of 2 km, at 1.9 degrees of the arc, where a coarse chord stands furthest inside."""
    angle = np.radians(46.9)
    x, y = (RADIUS_M + SETBACK_M) * np.cos(angle), (RADIUS_M + SETBACK_M) * np.sin(angle)
    patch = shapely.box(x - 60, y - 60, x + 60, y + 60)
    plan = plan_lake(tmp_path, patch, [circle(0, 0, RADIUS_M)])
    units = plan.units.set_index("setbacks")
    corner = shapely.get_coordinates(shapely.segmentize(units.loc["", "geometry"].boundary, 0.5))
    away = np.hypot(*corner.T) - RADIUS_M  # the CRS is local: lengths are true to 1e-6
    assert SETBACK_M - 1e-4 < away.min() < SETBACK_M + 5e-3
    told = plan.findings[plan.findings["what"] == "1 feature drawn with arcs"]
    assert told["layer"].tolist() == ["water"]
    assert "setbacks are widened by that" in told["done"].iloc[0]
    assert 5e-4 < plan.site.layers["water"].curve_error_m < 1e-3


def test_a_round_patch_and_a_winding_ditch(tmp_path):
    """A patch of 30 m with its middle 60.48 m north of the top of a half circle of 10 m: 20.48 m off, inside 100 ft."""
    plan = plan_lake(tmp_path, shapely.box(0, 0, 1, 1), [bend(-10, 0, 10)], circle(0, 60.48, 30), kind="ditch")
    area = plan.patches["area_acre"].iloc[0] * 4046.8564224
    assert area == pytest.approx(np.pi * 30**2, rel=1e-4)  # chords of 4 degrees would take 8e-4
    width = plan.features["water"]["width_m"].iloc[0]
    assert plan.units["nearest_water_ft"].min() * 0.3048 == pytest.approx(20.48 - width / 2, abs=2e-3)
    layers = plan.findings[plan.findings["what"].str.contains("drawn with arcs")]["layer"]
    assert sorted(layers) == ["infestations", "water"]


def test_layers_without_arcs_are_read_as_they_were(tmp_path):
    patch = shapely.Point(5000, 5000).buffer(20)
    row = {"patch_id": "P", "species": "x", "growth_form": "shrub", "cover_pct": 50, "geometry": patch}
    path = Sites(tmp_path).write([row], rules=NO_RULES + RULE, crs=local_crs())
    site = tussock.read_site(path)
    assert shapely.get_coordinates(site.layers["infestations"].frame.geometry.iloc[0]).tolist() == (
        shapely.get_coordinates(patch).tolist()
    )
    assert site.layers["infestations"].curve_error_m == 0.0
