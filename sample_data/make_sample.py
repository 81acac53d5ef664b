"""Write the layers of the two sample sites, site.gpkg and small/*.geojson, next to this script.

Place, people, outlines and figures are invented. Outlines come from hand-placed points that are smoothed and
roughened with a fixed seed, so that each run writes the same bytes (with the same versions of the libraries).
Run: python make_sample.py
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
from pyproj import Transformer
from shapely import LineString, Point, Polygon, transform
from shapely.affinity import translate
from shapely.ops import substring

HERE = Path(__file__).parent
CRS = "EPSG:26915"  # NAD83 / UTM zone 15N
ORIGIN = (412_000.0, 5_018_000.0)  # about 45.3 N, 94.1 W; all outlines below are metres from here
WRITTEN = "2027-01-15T00:00:00Z"
SEED = 20270401
FOOT = 0.3048


def curve(points, *, closed, per_span=11):
    """Return a Catmull-Rom curve through the points."""
    p = np.asarray(points, float)
    p = np.vstack([p[-1], p, p[0], p[1]]) if closed else np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = np.linspace(0, 1, per_span, endpoint=False)[:, None]
    spans = [
        0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
        for a, b, c, d in zip(p[:-3], p[1:-2], p[2:-1], p[3:], strict=True)
    ]
    return np.vstack(spans) if closed else np.vstack([*spans, p[-2]])


def wave(rng, n, size, *, terms=4, closed=True):
    """Return n values of a smooth random wave of about the given size."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=not closed)
    k = np.arange(2, 2 + terms)
    return (size / k[:, None] ** 0.7 * np.cos(k[:, None] * t + rng.uniform(0, 2 * np.pi, terms)[:, None])).sum(0)


def shore(rng, points, *, rough=4.0, island=None):
    """Return a water body: a smooth outline through the points, with small coves, and perhaps an island."""
    xy = curve(points[::-1], closed=True)  # the lists run clockwise; water then lies to the left of its bank
    centre = xy.mean(0)
    out = (xy - centre) / np.linalg.norm(xy - centre, axis=1)[:, None]
    coves = wave(rng, len(xy), rough, terms=3 * len(points)) * np.clip(wave(rng, len(xy), 0.8) + 0.8, 0.3, 1.5)
    outline = Polygon(xy + out * coves[:, None])
    holes = [] if island is None else [blob(rng, *island).exterior.coords]
    return Polygon(outline.exterior.coords, holes)


def blob(rng, at, acres, stretch=1.5, turn=0.0, *, rough=0.22):
    """Return a rounded patch of about the given area, stretched along a direction (degrees from east)."""
    n = int(np.clip(22 + 9 * acres**0.5 + rng.integers(0, 12), 20, 60))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False) + rng.uniform(-0.3, 0.3, n) * np.pi / n
    radius = 1 + wave(rng, n, rough)
    xy = np.column_stack([radius * np.cos(angle) * stretch**0.5, radius * np.sin(angle) / stretch**0.5])
    size = (acres * 4046.8564224 / Polygon(xy).area) ** 0.5
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return Polygon(xy * size @ np.array([[c, s], [-s, c]]) + at)


def beside(line, at):
    """Return the points at metres along a line and the directions to the left of them."""
    step, total = 9, line.length
    xy, back, ahead = (np.array([line.interpolate(s % total).coords[0] for s in at + d]) for d in (0, -step, step))
    run = ahead - back
    return xy, np.column_stack([-run[:, 1], run[:, 0]]) / np.linalg.norm(run, axis=1)[:, None]


def strip(rng, line, start, length, sides):
    """Return a patch along a line, between two distances to its left and right, thin at its ends."""
    n, (left, right) = int(np.clip(length / 6, 12, 29)), sides
    mid, normal = beside(line, start + np.linspace(0, length, n))
    taper = np.sin(np.pi * np.linspace(0.004, 0.996, n)) ** 0.5
    middle, half = (left - right) / 2, (left + right) / 2
    one = middle + half * taper * (1 + wave(rng, n, 0.16, terms=6, closed=False))
    two = middle - half * taper * (1 + wave(rng, n, 0.16, terms=6, closed=False))
    return Polygon(np.vstack([mid + normal * one[:, None], (mid + normal * two[:, None])[::-1]]))


def crossed(rng, at, long, wide, turn):
    """Return an outline that crosses itself once, as a slip of the pen leaves it."""
    t = np.linspace(0, 2 * np.pi, 36, endpoint=False) + 0.08
    xy = np.column_stack([long / 2 * np.sin(t), wide * np.sin(t) * np.cos(t)]) * (1 + wave(rng, 36, 0.06))[:, None]
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return Polygon(xy @ np.array([[c, s], [-s, c]]) + at)


def meander(rng, points, swing):
    """Return a creek's centreline: a smooth course that swings to both sides, with bends of uneven length."""
    course = LineString(curve(points, closed=False, per_span=12))
    at = np.arange(0, course.length, 9.0)
    p = np.array([course.interpolate(s).coords[0] for s in at])
    ahead = np.gradient(p, axis=0)
    normal = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.linalg.norm(ahead, axis=1)[:, None]
    bend = np.cumsum(rng.uniform(0.45, 1.1, len(at)) * 9 * 2 * np.pi / 105)
    calm = np.clip(np.minimum(at, 60) / 60, 0, 1)
    size = swing * (0.75 + wave(rng, len(at), 0.22, terms=8, closed=False)) * calm
    return LineString(curve(p + normal * (size * np.sin(bend))[:, None], closed=False, per_span=3))


# fmt: off
LAKE = [(170, 1480), (240, 1690), (390, 1790), (530, 1735), (640, 1815), (800, 1790), (905, 1670), (840, 1540),
        (950, 1450), (985, 1310), (870, 1205), (720, 1245), (620, 1130), (470, 1105), (395, 1220), (245, 1290)]
MINK = [(1440, 1330), (1475, 1420), (1560, 1440), (1600, 1395), (1665, 1425), (1725, 1370), (1695, 1290),
        (1610, 1275), (1585, 1225), (1500, 1235), (1490, 1290)]
SPOON = [(1920, 705), (1950, 775), (2020, 790), (2070, 745), (2130, 770), (2185, 730), (2160, 665), (2080, 665),
         (2030, 640), (1960, 650)]
KETTLE = [(935, 720), (960, 765), (1010, 770), (1050, 730), (1035, 685), (985, 670)]
CREEK = [(978, 1290), (1085, 1195), (1190, 1150), (1265, 1040), (1350, 1000), (1420, 900), (1530, 865), (1605, 760),
         (1640, 640), (1720, 550), (1810, 470), (1935, 430), (2050, 335), (2200, 300), (2335, 205), (2480, 150)]
OAKS = [(1655, 985, 62), (1702, 1022, 55), (1748, 968, 70), (1795, 1040, 48), (1838, 985, 66), (1968, 1545, 58),
        (2012, 1478, 64), (2165, 1218, 51), (560, 905, 68), (612, 872, 60), (1095, 905, 57)]  # east, north, height [ft]
# fmt: on


def make_water(rng):
    lake = shore(rng, LAKE, rough=13, island=((585, 1480), 0.9, 1.8, 25))
    mink = shore(rng, MINK, rough=5, island=((1620, 1345), 0.12, 1.6, 60))
    spoon = shore(rng, SPOON, rough=3)
    kettle = shore(rng, KETTLE, rough=2)
    creek = meander(rng, CREEK, 24)
    rows = [
        ("lake", "Lake Quillan", "wet", None, lake),
        ("pond", "Mink Pond", "wet", None, mink),
        ("pond", "Bent Spoon Pond", "wet", None, spoon),
        ("pond", "Little Kettle", "wet", None, kettle),
    ]
    cuts = [0, 0.2, 0.44, 0.6, 0.8, 1]
    for number, (a, b, width) in enumerate(zip(cuts, cuts[1:], [9, 13, None, 18, 24], strict=False), start=1):
        reach = substring(creek, a, b, normalized=True)
        rows.append(("stream", f"Sedge Wren Creek, reach {number}", "wet", width, reach))
    rows += [
        ("ditch", "Field ditch", "wet", 7, LineString([(120, 668), (300, 662), (470, 671), (640, 702), (938, 728)])),
        ("ditch", "Road ditch", "dry", None, LineString([(1330, 306), (1470, 300), (1610, 284), (1735, 265)])),
        ("wetland", "Quaking Meadow", "wet", None, blob(rng, (330, 1075), 2.6, 1.9, 15)),
        ("wetland", "Heron Swale", "wet", None, blob(rng, (1215, 1420), 1.3, 2.2, 70)),
        ("wetland", "Summer Basin", "dry", None, blob(rng, (1088, 552), 1.2, 1.4, -30)),
        ("wetland", "Alder Sump", None, None, blob(rng, (2240, 470), 1.9, 1.8, 20)),
    ]
    return rows, {"lake": lake, "mink": mink, "spoon": spoon, "kettle": kettle, "creek": creek}


def make_receptors(rng):
    box = Polygon([(62, 398), (64, 606), (215, 618), (392, 607), (418, 560), (405, 388), (230, 380)])
    school = Polygon([(120, 168), (212, 162), (214, 180), (190, 182), (191, 204), (122, 208)])
    rows = [
        ("well", "Halfway House well", Point(573, 352)),
        ("well", "Field station well", Point(1392, 468)),
        ("well", "Orchard Lane well", Point(1742, 322)),
        ("intake", "Quillan water intake", Point(222, 1560)),
        ("dwelling", "Halfway House", Point(560, 330)),
        ("dwelling", "Tern Cottage", Point(872, 322)),
        ("dwelling", "Field station", Point(1375, 452)),
        ("dwelling", "2 Orchard Lane", Point(1722, 338)),
        ("dwelling", "Boathouse Flat", Point(1042, 1462)),
        ("school", "Larkmoor School", school),
        ("apiary", "Brandt hives", Point(2368, 1302)),
        ("organic field", "Three Sisters Farm, west field", box),
        ("rare plant", "Plot R1, kettle sedge", blob(rng, (372, 1046), 0.035, 1.3)),
        ("rare plant", "Plot R2, esker orchid", blob(rng, (2118, 1322), 0.03, 1.6, 40)),
        ("rare plant", "Plot R3, sand milk-vetch", blob(rng, (760, 560), 0.05, 1.4)),
    ]
    plain = [(kind, name, None, None, shape) for kind, name, shape in rows]
    kept = [
        ("tree", f"Kept oak {i}", float(h), float(round(h * rng.uniform(0.5, 0.65))), Point(x, y))
        for i, (x, y, h) in enumerate(OAKS, start=1)
    ]
    return plain + kept


def along(water, start, length, inland=0.8):
    """Return a line on the bank of a water body, a little inland."""
    xy, normal = beside(water.exterior, start + np.linspace(0, length, int(length // 8) + 2))
    return LineString(xy - normal * inland)


def make_access(bodies):
    mink, spoon, lake, kettle = (bodies[name] for name in ("mink", "spoon", "lake", "kettle"))
    road = curve([(0, 292), (450, 258), (900, 250), (1300, 288), (1750, 246), (2100, 150), (2480, 42)], closed=False)
    track = curve([(1300, 288), (1322, 420), (1262, 560), (1190, 800), (1262, 985), (1405, 1235)], closed=False)
    lane = curve([(1750, 246), (1762, 400), (1790, 520), (1900, 590)], closed=False)
    spot = [mink.exterior.interpolate(s) for s in (395, 440)]
    return [
        ("road", "Kettle Road", LineString(road)),
        ("road", "Preserve track", LineString(track)),
        ("road", "Spoon lane", LineString(lane)),
        ("parking", "Station yard", Polygon([(1335, 425), (1362, 421), (1366, 441), (1338, 446)])),
        ("parking", "Spoon lane end", Point(1902, 592)),
        ("standing", "Mink Pond, south-west bank", along(mink, 20, 150)),
        ("standing", "Mink Pond, boardwalk stop A", spot[0]),
        ("standing", "Mink Pond, boardwalk stop B", spot[1]),
        ("standing", "Mink Pond, north-west bank", along(mink, 620, 120)),
        ("standing", "Bent Spoon Pond, south bank", along(spoon, 0, 130)),
        ("standing", "Bent Spoon Pond, neck", along(spoon, 265, 60)),
        ("standing", "Little Kettle, whole bank", along(kettle, 10, 250)),
        ("standing", "Quillan landing", along(lake, 1690, 90)),
        ("boat launch", "Quillan boat launch", lake.exterior.interpolate(1735)),
    ]


PLANTS = {
    "common reed": "herbaceous",
    "narrow-leaf cattail": "herbaceous",
    "reed canary grass": "herbaceous",
    "purple loosestrife": "herbaceous",
    "Japanese knotweed": "herbaceous",
    "spotted knapweed": "herbaceous",
    "garlic mustard": "herbaceous",
    "oriental bittersweet": "vine",
    "common buckthorn": "shrub",
    "Morrow's honeysuckle": "shrub",
    "black locust": "tree",
    "Siberian elm": "tree",
    "tree-of-heaven": "tree",
}


PATCH_COLUMNS = [
    *("patch_id", "plant", "growth_form", "cover_pct", "stems_per_acre", "stem_count", "stem_diameter_in", "slope_pct"),
    *("notes", "surveyed"),
]


def patch(name, plant, cover, shape, **more):
    """Return one row of the infestations layer; stems by density [1/acre] or count, with their diameter [in]."""
    stems = [more.pop(key, None) for key in ("density", "count", "inches", "slope", "notes")]
    row = (name, plant, PLANTS[plant], cover, *stems, more.pop("day", "2026-08-14"), shape)
    if more:
        raise TypeError(f"{name}: {more}")
    return row


# fmt: off
def emergent(rng, bodies):
    """Return emergent plants, partly in the water."""
    mink, spoon, lake, kettle = (bodies[name].exterior for name in ("mink", "spoon", "lake", "kettle"))
    return [
        patch("A01", "common reed", "80", strip(rng, mink, 30, 130, (11, 5)), notes="dead canes from 2025 still stand"),
        patch("A02", "narrow-leaf cattail", "65", strip(rng, mink, 375, 95, (16, 4)),
              notes="boardwalk stops A & B only"),
        patch("A03", "reed canary grass", "75-95", strip(rng, mink, 615, 120, (6, 12)), slope=4),
        patch("A04", "purple loosestrife", "30", strip(rng, mink, 210, 70, (5, 7)), notes="beetles released in 2019"),
        patch("A05", "narrow-leaf cattail", "70", strip(rng, spoon, 20, 105, (14, 4))),
        patch("A06", "common reed", "85", strip(rng, spoon, 255, 110, (18, 6)),
              notes="Señora Ibáñez's bench stands at the neck"),
        patch("A07", "purple loosestrife", "5-25", strip(rng, spoon, 150, 55, (4, 8))),
        patch("A08", "reed canary grass", "60%", strip(rng, kettle, 30, 130, (7, 9)), slope=6),
        patch("A09", "common reed", "90", strip(rng, lake, 1000, 120, (20, 5)), notes="by boat only"),
        patch("A10", "narrow-leaf cattail", "55", strip(rng, lake, 300, 150, (16, 8))),
        patch("A11", "purple loosestrife", "20", strip(rng, lake, 2405, 90, (4, 10)), notes="intake buoy in sight"),
        patch("A12", "common reed", "70", strip(rng, lake, 1700, 75, (12, 9)), notes="landing; keep the launch open"),
    ]


def creekside(rng, bodies):
    """Return plants on the creek banks."""
    creek = bodies["creek"]
    return [
        patch("B01", "Japanese knotweed", "60", strip(rng, creek, 150, 95, (11, -1)), density=900, inches=0.9,
              slope=18),
        patch("B02", "Japanese knotweed", "75", strip(rng, creek, 520, 70, (-1, 13)), density=2400, inches=0.8,
              slope=22),
        patch("B03", "Japanese knotweed", "60", strip(rng, creek, 820, 60, (12, -1)), count=70, inches=1.0, slope=15),
        patch("B04", "reed canary grass", "85", strip(rng, creek, 1060, 150, (36, -3)), slope=3),
        patch("B05", "Japanese knotweed", "trace", strip(rng, creek, 1420, 45, (-2, 10)), count=38, inches=0.9,
              slope=20),
        patch("B06", "reed canary grass", "50", strip(rng, creek, 1850, 140, (44, -5)), slope=2),
    ]


def open_ground(rng):
    """Return herbs of open and shaded ground: C03 crosses itself, C07 and C08 overlap."""
    return [
        patch("C01", "reed canary grass", "90", blob(rng, (1898, 322), 5.4, 1.7, -20), slope=1,
              notes="old hay meadow, tractor can get in"),
        patch("C02", "spotted knapweed", "35", blob(rng, (2285, 1270), 1.5, 1.7, 110), slope=12,
              notes="bees work it all of July"),
        patch("C03", "spotted knapweed", "40", crossed(rng, (1010, 470), 120, 62, 20), notes="old gravel pit"),
        patch("C04", "spotted knapweed", "25", blob(rng, (1410, 395), 0.45, 1.3, 10), day="2026-07-30"),
        patch("C05", "garlic mustard", "15", blob(rng, (1905, 1560), 1.1, 2.0, -60), slope=14, day="2026-05-12"),
        patch("C06", "garlic mustard", "45", blob(rng, (258, 228), 0.7, 1.5, 75),
              day="2026-05-09", notes="pupils' nature trail"),
        patch("C07", "garlic mustard", "50", blob(rng, (640, 930), 1.0, 1.6, 30), slope=5, day="2026-05-11"),
        patch("C08", "garlic mustard", "30", blob(rng, (688, 948), 0.8, 1.4, -10), slope=5,
              day="2025-05-20", notes="from the 2025 map"),
        patch("C09", "spotted knapweed", "30", blob(rng, (443, 470), 0.9, 2.2, 86), notes="farm hedge is the line"),
        patch("C10", "purple loosestrife", "", blob(rng, (2245, 480), 0.6, 1.4, 10),
              notes="standing water? not visited since June"),
        patch("C11", "reed canary grass", "70", blob(rng, (365, 1115), 0.9, 1.8, 25)),
        patch("C12", "spotted knapweed", "2", blob(rng, (745, 568), 0.55, 1.6, 40), notes="class from an old sheet?"),
    ]


def thickets(rng):
    """Return shrubs: D06 and D07 are two species on one ground, D10 and D11 one patch drawn twice, 3 ft apart."""
    d10 = blob(rng, (845, 1010), 0.7, 1.5, 20)
    near = translate(d10, 3 * FOOT * 0.8, 3 * FOOT * 0.6)
    return [
        patch("D01", "common buckthorn", "60", blob(rng, (1426, 1426), 1.5, 1.7, 60), density=1500, inches=1.4,
              slope=8),
        patch("D02", "common buckthorn", "45", blob(rng, (625, 1078), 1.2, 2.1, 12), density=1300, inches=1.6,
              slope=12),
        patch("D03", "Morrow's honeysuckle", "50", blob(rng, (1790, 1660), 1.8, 2.0, -50), density=1100, inches=1.2,
              slope=16),
        patch("D04", "common buckthorn", "55", blob(rng, (248, 120), 0.6, 1.4, 0), density=1400, inches=1.3),
        patch("D05", "Morrow's honeysuckle", "40", blob(rng, (590, 372), 0.4, 1.5, 40), density=900, inches=1.1,
              notes="well head inside"),
        patch("D06", "common buckthorn", "50", blob(rng, (1125, 985), 0.9, 1.5, 60), density=1200, inches=1.3, slope=6),
        patch("D07", "Morrow's honeysuckle", "35", blob(rng, (1163, 1003), 0.8, 1.4, 15), density=800, inches=1.1,
              slope=6),
        patch("D08", "common buckthorn", "40", blob(rng, (2142, 1322), 0.8, 1.7, -50), density=1600, inches=1.2,
              slope=20),
        patch("D09", "common buckthorn", None, blob(rng, (1555, 307), 0.4, 2.4, -8), density=1200, inches=1.1),
        patch("D10", "common buckthorn", "65", d10, density=1800, inches=1.2, slope=7),
        patch("D11", "common buckthorn", "60", near, density=1700, inches=1.2, slope=7,
              day="2025-08-02", notes="last year's outline"),
        patch("D12", "common buckthorn", "70", blob(rng, (2360, 960), 2.2, 1.6, 70), density=3600, inches=2.2, slope=9),
    ]


def trees(rng):
    """Return single stems in the woodland and at edges."""
    return [
        patch("E01", "black locust", "40", blob(rng, (1765, 1010), 2.4, 1.8, 20), count=150, inches=7.5, slope=10,
              notes="kept oaks inside"),
        patch("E02", "Siberian elm", "20", blob(rng, (1140, 300), 0.6, 2.2, 4), count=21, inches=9),
        patch("E03", "tree-of-heaven", "30", blob(rng, (1700, 372), 0.3, 1.3, 50), count=34, inches=4),
        patch("E04", "black locust", "60", blob(rng, (300, 650), 0.5, 2.6, 4), count=46, inches=6,
              notes="hedge along the field ditch"),
        patch("E05", "Siberian elm", "25", blob(rng, (1482, 926), 0.6, 1.5, 110), count=24, inches=8, slope=11),
        patch("E06", "black locust", "35", blob(rng, (2062, 1402), 1.6, 2.0, -55), density=90, inches=6.5, slope=24),
        patch("E07", "tree-of-heaven", "15", blob(rng, (2215, 1110), 0.9, 1.6, 100), count=60, inches=5, slope=18),
    ]


def vines(rng):
    """Return vines."""
    return [
        patch("F01", "oriental bittersweet", "30", blob(rng, (1985, 1500), 0.8, 1.8, -60), density=700, inches=0.9,
              slope=15),
        patch("F02", "oriental bittersweet", "0", blob(rng, (1345, 1075), 0.35, 1.5, 30),
              notes="on the old bridge; pulled in 2025, nothing found"),
        patch("F03", "oriental bittersweet", "40", blob(rng, (1396, 500), 0.12, 1.3, 0), count=60, inches=1.1),
        patch("F04", "oriental bittersweet", "12", blob(rng, (1272, 1478), 0.02, 1.2, 0), count=9, inches=0.7,
              notes="first find here; café card left"),
    ]
# fmt: on


def make_patches(rng, bodies):
    near_water = emergent(rng, bodies) + creekside(rng, bodies)
    return near_water + open_ground(rng) + thickets(rng) + trees(rng) + vines(rng)


def make_history(rng, patches):
    by_id = {row[0]: row[-1] for row in patches}
    return [
        ("glyphosate-salt-aquatic", 8.0, "2027-05-24", blob(rng, (1722, 1368), 0.25, 1.8, 110)),
        ("imazapyr-salt-aquatic", 1.5, "2027-04-20", blob(rng, (2172, 706), 0.3, 1.4, 100)),
        ("triclopyr-amine-aquatic", 2.0, "2027-03-03", by_id["D01"].buffer(2).simplify(0.4)),
        ("aminopyralid-salt", 0.11, "2027-05-18", by_id["C04"].buffer(1.5).simplify(0.4)),
    ]


def to_crs(rows, names):
    """Return rows as a table in the sample's CRS, to the centimetre."""
    frame = gpd.GeoDataFrame([dict(zip([*names, "geometry"], row, strict=True)) for row in rows], crs=CRS)
    frame.geometry = [transform(g, lambda xy: np.round(xy + ORIGIN, 2)) for g in frame.geometry]
    return frame


def write_site(layers):
    os.environ["OGR_CURRENT_DATE"] = WRITTEN
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN})
    path, beside = HERE / "site.gpkg", HERE / "site.new.gpkg"
    beside.unlink(missing_ok=True)
    for name, frame in layers.items():
        kinds = set(frame.geom_type)
        kind = kinds.pop() if len(kinds) == 1 else "Unknown"
        pyogrio.write_dataframe(
            frame,
            beside,
            layer=name,
            driver="GPKG",
            geometry_type=kind,
            append=beside.exists(),
            dataset_options={"VERSION": "1.3"},
        )
    beside.replace(path)


def write_geojson(path, rows, names):
    """Write rows of local metres as GeoJSON in WGS 84, seven decimals."""
    to_lonlat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)

    def lonlat(xy):
        return np.round(np.column_stack(to_lonlat.transform(*(xy + ORIGIN).T)), 7)

    features = [
        {
            "type": "Feature",
            "properties": dict(zip(names, row[:-1], strict=True)),
            "geometry": transform(row[-1], lonlat).__geo_interface__,
        }
        for row in rows
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n", encoding="utf-8")


def make_small(rng):
    pond = shore(rng, [(95, 130), (120, 175), (170, 180), (200, 150), (185, 105), (135, 95)], rough=2)
    names = ["patch_id", "species", *PATCH_COLUMNS[2:8]]
    patches = [
        ("P1", "common reed", "herbaceous", "80", None, None, None, 2, strip(rng, pond.exterior, 40, 70, (5, 6))),
        ("P2", "common buckthorn", "shrub", "50", 1200, None, 1.3, 6, blob(rng, (238, 160), 0.5, 1.6, 20)),
        ("P3", "black locust", "tree", "40", None, 24, 6, 12, blob(rng, (420, 300), 0.6, 1.4, 40)),
    ]
    small = HERE / "small"
    small.mkdir(exist_ok=True)
    write_geojson(small / "infestations.geojson", patches, names)
    write_geojson(
        small / "water.geojson", [("pond", "Thimble Pond", "wet", None, pond)], ["kind", "name", "state", "width_ft"]
    )
    receptors = [("well", "Hut well", Point(470, 330)), ("dwelling", "Hut", Point(482, 338))]
    write_geojson(small / "receptors.geojson", receptors, ["kind", "name"])


def main():
    rng = np.random.default_rng(SEED)
    water, bodies = make_water(rng)
    receptors = make_receptors(rng)
    access = make_access(bodies)
    patches = make_patches(rng, bodies)
    history = make_history(rng, patches)
    write_site(
        {
            "infestations": to_crs(patches, PATCH_COLUMNS).astype({"stem_count": "Int32"}),
            "water": to_crs(water, ["kind", "name", "state", "width_ft"]),
            "receptors": to_crs(receptors, ["kind", "name", "height_ft", "dripline_ft"]),
            "access": to_crs(access, ["kind", "name"]),
            "history": to_crs(history, ["product_id", "ae_lb_per_acre", "date"]),
        }
    )
    make_small(np.random.default_rng(SEED + 1))


if __name__ == "__main__":
    main()
