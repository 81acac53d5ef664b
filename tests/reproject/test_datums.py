"""Layers on another datum are taken to that of the patches: the shift is told with its accuracy, or the plan refused.

Accuracies are those of the EPSG registry (www.epsg.org), typed in by hand: NAD27 to WGS 84 (4), transformation 1173,
10 m; NAD83 to WGS 84 (1), 1188, 4 m; NTF to WGS 84 (1), 1193, 2 m; ED50 to WGS 84 (17), 1275, 2 m. Finer shifts need
grids that no package of this project brings.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

from memory_site import make_site, zone
from site_factory import local_crs
from tussock.base.errors import CrsError
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers
from tussock.reproject.datums import find_datum, find_shift

POND = shapely.box(-50, -50, 0, 110)
SETBACK = {"id": "W", "from": {"layer": "water"}, "distance": "10 m", "forbids": {}}


def make_shore(code, accuracy_m=None, *, place=(-89.0, 45.0), patches_code=None):
    home = local_crs(*place)
    patches = gpd.GeoDataFrame(
        {"species": ["a"], "growth_form": ["shrub"]}, geometry=[shapely.box(0, 0, 60, 60)], crs=home
    )
    water = gpd.GeoDataFrame(
        {"kind": ["pond"], "state": ["wet"]}, geometry=[shapely.segmentize(POND, 2.0)], crs=home
    ).to_crs(code)
    if patches_code is not None:
        patches = patches.to_crs(patches_code)
    return make_site(patches, water=water, setbacks=[SETBACK], accuracy_m=accuracy_m)


def measure(site):
    return reproject_layers(site, repair_layers(site))


def shifts(measured):
    return measured.findings[measured.findings["what"].str.contains("was shifted to")]


@pytest.mark.parametrize(
    ("code", "place", "operation", "good_to_m"),
    [
        (4269, (-89.0, 45.0), "NAD83 to WGS 84 (1)", 4),
        (26916, (-89.0, 45.0), "NAD83 to WGS 84 (1)", 4),
        (4275, (2.5, 47.0), "NTF to WGS 84 (1)", 2),
        (27572, (2.5, 47.0), "NTF (Paris) to NTF (1) + NTF to WGS 84 (1)", 2),
        (4230, (2.5, 47.0), "ED50 to WGS 84 (17)", 2),
    ],
)
def test_shift_is_told_with_its_accuracy(code, place, operation, good_to_m):
    told = shifts(measure(make_shore(code, place=place)))
    assert told["layer"].tolist() == ["water"]
    assert f"by {operation}, good to {good_to_m} m" in told["what"].iloc[0]
    assert "setbacks are not widened for it" in told["done"].iloc[0]
    assert told["level"].iloc[0] == "warning"


def test_shift_that_is_not_sure_enough_is_refused_and_says_what_helps():
    need = r'NAD27 to WGS 84 \(4\)\) is good to 10 m only.*install the grid .*conus.*state accuracy = "10 m" or more'
    with pytest.raises(CrsError, match=need):
        measure(make_shore(4267))
    with pytest.raises(CrsError, match=r'state accuracy = "10 m" or more in \[layers\.water\]'):
        measure(make_shore(4267, 9.0))


def test_stated_accuracy_covers_a_shift_and_widens_the_setback():
    site = make_shore(4267, 12.0)
    told = shifts(measure(site))
    assert "covered by the accuracy that the layer states" in told["done"].iloc[0]
    _, zoned = zone(site)
    strip_m2 = zoned.units.query("setbacks == 'W'")["area_m2"].sum()
    assert strip_m2 == pytest.approx(60 * (10 + 12 + 12), rel=2e-3)  # both layers state 12 m


def test_shift_without_published_accuracy_is_refused():
    # a datum of an ellipsoid alone: nothing is known of where it stands
    unknown = "+proj=longlat +ellps=clrk66 +type=crs"
    with pytest.raises(CrsError, match=r"no shift to World .* of known accuracy leads here.*deliver all layers on one"):
        measure(make_shore(unknown, 50.0))


def test_layers_on_one_datum_are_not_shifted_against_each_other():
    assert shifts(measure(make_shore(26716, patches_code=4267))).empty
    assert shifts(measure(make_shore(3857))).empty


def test_what_is_shifted_goes_to_the_datum_of_the_patches():
    told = shifts(measure(make_shore(4326, patches_code=4269)))
    assert told["layer"].tolist() == ["water"]
    assert told["what"].iloc[0] == "WGS 84 was shifted to NAD83 by Inverse of NAD83 to WGS 84 (1), good to 4 m"


def test_a_shift_that_is_coarser_than_what_the_layer_states_is_refused():
    measure(make_shore(4269, 4.0))
    with pytest.raises(CrsError, match=r'good to 4 m only, the layer to 3\.9 m; .*state accuracy = "4 m" or more'):
        measure(make_shore(4269, 3.9))


def test_two_datums_without_a_direct_operation_go_over_wgs84():
    """NAD27 to NAD83 needs a grid; over WGS 84 by 10 m and 4 m: the root of 116 is 10.8 m."""
    site = make_shore(4267, 10.9, patches_code=4269)
    told = shifts(measure(site))
    assert "NAD27 to WGS 84 (4) + Inverse of NAD83 to WGS 84 (1), good to 10.8 m" in told["what"].iloc[0]
    with pytest.raises(CrsError, match=r"good to 10\.8 m only"):
        measure(make_shore(4267, 10.0, patches_code=4269))


def test_names_of_one_datum():
    assert find_datum(local_crs()) == find_datum(gpd.GeoSeries([], crs=4326).crs)
    assert find_datum(gpd.GeoSeries([], crs=26916).crs) == "north american datum 1983"


def test_the_operation_told_is_the_one_used():
    """The shift of NAD27 at one point, worked out from the three figures of transformation 1173 by hand.

    Geocentric translation dx, dy, dz = -8, 160, 176 m from Clarke 1866 to WGS 84 (EPSG 1173, method 9603).
    """
    crs = gpd.GeoSeries([], crs=4267).crs
    world = gpd.GeoSeries([], crs=4326).crs
    assert find_shift(crs, world, (-89.1, 44.9, -88.9, 45.1)).name == "NAD27 to WGS 84 (4)"
    lon, lat = np.radians(-89.0), np.radians(45.0)
    a, b = 6378206.4, 6356583.8  # Clarke 1866
    e2 = 1 - (b / a) ** 2
    n = a / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    x = n * np.cos(lat) * np.cos(lon) - 8
    y = n * np.cos(lat) * np.sin(lon) + 160
    z = n * (1 - e2) * np.sin(lat) + 176
    a, f = 6378137.0, 1 / 298.257223563
    e2, p = f * (2 - f), np.hypot(x, y)
    found = np.arctan2(z, p * (1 - e2))
    for _ in range(10):
        n = a / np.sqrt(1 - e2 * np.sin(found) ** 2)
        found = np.arctan2(z + e2 * n * np.sin(found), p)
    point = gpd.GeoSeries([shapely.Point(-89.0, 45.0)], crs=4267)
    site = make_shore(4267, 12.0)
    cell = measure(site).cells[0]
    expected = gpd.GeoSeries([shapely.Point(np.degrees(np.arctan2(y, x)), np.degrees(found))], crs=4326)
    from tussock.base.geodesy import move_geometry

    moved = move_geometry(np.asarray(point.array, dtype=object), point.crs, cell.crs)[0]
    wanted = move_geometry(np.asarray(expected.array, dtype=object), expected.crs, cell.crs)[0]
    assert moved.distance(wanted) < 1e-3


# ------------------------------------------------------------ GDA94 and GDA2020

#: Seven parameters from GDA94 to GDA2020 (EPSG 8048, coordinate frame rotation; ICSM, GDA2020 Technical Manual 1.8,
#: table 4): shifts [m], scale, rotations [arc seconds].
SHIFT_M, SCALE = np.array([0.06155, -0.01087, -0.04019]), -0.009994e-6
ROTATION = np.radians(np.array([-0.0394924, -0.0327221, -0.0328979]) / 3600)
GRS80_A, GRS80_F = 6378137.0, 1 / 298.257222101


def to_gda2020(lon, lat, height=0.0):
    """A place of GDA94 [degrees] in GDA2020, by the seven parameters."""
    e2 = GRS80_F * (2 - GRS80_F)
    lam, phi = np.radians(lon), np.radians(lat)
    n = GRS80_A / np.sqrt(1 - e2 * np.sin(phi) ** 2)
    xyz = np.array(
        [
            (n + height) * np.cos(phi) * np.cos(lam),
            (n + height) * np.cos(phi) * np.sin(lam),
            (n * (1 - e2) + height) * np.sin(phi),
        ]
    )
    rx, ry, rz = ROTATION
    x, y, z = SHIFT_M + (1 + SCALE) * np.array([[1, rz, -ry], [-rz, 1, rx], [ry, -rx, 1]]) @ xyz
    p, phi = np.hypot(x, y), np.arctan2(z, np.hypot(x, y) * (1 - e2))
    for _ in range(10):
        n = GRS80_A / np.sqrt(1 - e2 * np.sin(phi) ** 2)
        phi = np.arctan2(z + e2 * n * np.sin(phi), p)
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(phi))


def dms(degrees, minutes, seconds):
    return np.sign(degrees) * (abs(degrees) + minutes / 60 + seconds / 3600)


def test_the_seven_parameters_give_the_worked_example():
    """Alice Springs (ALIC), the manual's worked example from GDA94 to GDA2020, from memory; 1e-5 of a second is 0.3 mm."""
    lon, lat = to_gda2020(dms(133, 53, 7.847844), dms(-23, 40, 12.446019), 603.3466)
    assert lat == pytest.approx(dms(-23, 40, 12.396502), abs=2e-5 / 3600)
    assert lon == pytest.approx(dms(133, 53, 7.877793), abs=2e-5 / 3600)


def test_two_datums_on_one_site_are_shifted_by_the_direct_operation():
    """A well mapped in GDA94 (EPSG:28355), a patch in GDA2020 (EPSG:7855): the well moves towards it by 1.5 m.

    Taken where it stands in GDA94 it would be 13.5 m off, outside of a rule of 12.5 m; it is 12 m off.
    """
    lon, lat = 147.0, -42.9
    new_lon, new_lat = to_gda2020(lon, lat)
    geod = Geod(ellps="GRS80")
    azimuth, _, moved_m = geod.inv(lon, lat, new_lon, new_lat)
    assert 1.4 < moved_m < 1.8  # 7 cm a year north-east since 1994
    # the patch begins 12 m beyond the well, on the way that the datum moved
    east, north = Transformer.from_crs(7844, 7855, always_xy=True).transform(
        *geod.fwd(new_lon, new_lat, azimuth, 12.0)[:2]
    )
    patch = shapely.box(east, north, east + 30, north + 30)
    patches = gpd.GeoDataFrame({"species": ["a"], "growth_form": ["shrub"]}, geometry=[patch], crs=7855)
    wells = gpd.GeoDataFrame({"kind": ["well"]}, geometry=[shapely.Point(lon, lat)], crs=4283).to_crs(28355)
    rule = {"id": "R", "from": {"layer": "receptors"}, "distance": "12.5 m", "forbids": {}}
    measured, zoned = zone(make_site(patches, receptors=wells, setbacks=[rule]))
    corner = Transformer.from_crs(7855, 7844, always_xy=True).transform(east, north)
    truth = geod.inv(*corner, new_lon, new_lat)[2]
    assert truth == pytest.approx(12.0, abs=1e-6)
    near = zoned.nearness[zoned.nearness["in_force"]]
    assert near["achieved_m"].tolist() == [pytest.approx(12.0, abs=1e-3)]
    told = shifts(measured)
    assert told["what"].str.contains(r"shifted to GDA2020 by GDA94 to GDA2020 \(1\), good to 0\.01 m").tolist() == [
        True
    ]
    assert measured.crs.datum == "geocentric datum of australia 2020"
    assert measured.crs.shifts[0]["operation"] == "GDA94 to GDA2020 (1)"
