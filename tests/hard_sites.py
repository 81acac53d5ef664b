"""Random sites made hard on purpose: outlines that coincide, streams on themselves, islands, parts, slivers."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from memory_site import make_site, star
from tussock.base.stages import Site, SiteOptions

FOOT_M = 0.3048
#: False origin of the drawing CRS: a site lies within 1 km of its centre, where a length is true to 1e-8.
EAST_M = 50_000.0


@dataclass(frozen=True)
class HardSite:
    """A site, and for each setback the features and the distance [m] that it was made with.

    ``error_m`` is the accuracy of patch and feature together.
    """

    site: Site
    patches: gpd.GeoDataFrame
    required: dict[str, tuple[gpd.GeoDataFrame, float]]
    error_m: float
    sliver_area_m2: float


def make_hard_site(seed: int) -> HardSite:
    """Return a site of up to eight patches along three ponds or more, a stream or two, and wells."""
    rng = np.random.default_rng(seed)
    north = rng.choice([20_000.0, 5e6])
    lat, lon = rng.choice([0.0, 45.2, -33.0, 60.0, 79.0]), rng.choice([-89.3, 10.0, 179.999])
    crs = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +x_0={EAST_M} +y_0={north} +datum=WGS84")
    middle = np.array([EAST_M + 700, north + 400]) + (rng.uniform(0, 1, 2) if rng.random() < 0.5 else 0.0)
    ponds = draw_ponds(rng, middle)
    streams, widths = draw_streams(rng, middle, ponds)
    water = gpd.GeoDataFrame(
        {
            "kind": ["pond"] * len(ponds) + ["stream"] * len(streams),
            "state": "wet",
            "width_m": [np.nan] * len(ponds) + widths,
        },
        geometry=[*ponds, *streams],
        crs=crs,
    )
    points = [shapely.Point(middle + rng.uniform(-250, 250, 2)) for _ in range(3)]
    points += [shapely.MultiPoint([middle + rng.uniform(-250, 250, 2) for _ in range(3)])]
    points += [shapely.Point(ponds[0].exterior.coords[0])]
    wells = gpd.GeoDataFrame({"kind": ["well"] * len(points)}, geometry=points, crs=crs)
    feet = rng.choice([3.0, 10, 15, 25, 50, 66, 100, 150, 300, 500, 1000], 3, replace=False)
    well_ft = float(rng.choice([3, 20, 60, 200, 1000]))
    accuracy = [None, None, 0.0, 1.0, 3.0, 15.0, float(rng.uniform(0, 15))][int(rng.integers(7))]
    error = 2 * (accuracy or 0.0)
    radii = feet * FOOT_M + error, well_ft * FOOT_M + error
    outlines = draw_patches(rng, middle, ponds, streams[0], widths[0], points, radii)
    patches = gpd.GeoDataFrame(
        {"species": rng.choice(["a", "b"], len(outlines)), "growth_form": "shrub"}, geometry=outlines, crs=crs
    )
    required = {f"WATER-{place}": (water, float(size) * FOOT_M) for place, size in enumerate(feet)}
    required |= {
        "ON": (water, 0.0),
        "WELL": (wells, well_ft * FOOT_M),
        "AT-WELL": (wells, 0.0),
        "POND": (water[water["kind"] == "pond"], float(feet[1]) * FOOT_M),
    }
    sliver = float(rng.choice([0, 0, 0.5, 1, 10, 60]))
    setbacks = [
        {"id": name, "from": _name_source(name), "distance": f"{distance / FOOT_M!r} ft", "forbids": {}}
        for name, (_, distance) in required.items()
    ]
    options = SiteOptions(sliver_area_m2=sliver)
    layers = {"water": water, "receptors": wells, "zero_width": "none"}
    site = make_site(patches, setbacks=setbacks, accuracy_m=accuracy, options=options, **layers)
    return HardSite(site, patches, required, error, sliver)


def _name_source(name):
    if name == "POND":
        return {"layer": "water", "kind": ["pond"]}
    return {"layer": "receptors" if "WELL" in name else "water"}


def draw_ponds(rng, middle):
    """Three stars; one perhaps with an island, one perhaps with two neighbours that share its edge."""
    ponds = [
        make_polygon(star(rng, *(middle + rng.uniform(-200, 200, 2)), rng.uniform(5, 120), int(rng.integers(5, 90))))
        for _ in range(3)
    ]
    if rng.random() < 0.4:
        island = shapely.affinity.scale(ponds[0], 0.4, 0.4, origin=ponds[0].representative_point())
        if ponds[0].contains(island):
            ponds[0] = shapely.Polygon(ponds[0].exterior, [island.exterior.coords])
    if rng.random() < 0.3:
        _, south, east, north = ponds[1].bounds
        ponds += [shapely.box(east, south, east + 30, north), shapely.box(east + 30, south, east + 60, north)]
    return ponds


def make_polygon(xy):
    outline = shapely.Polygon(xy)
    if not outline.is_valid:
        outline = shapely.make_valid(outline, method="structure", keep_collapsed=False)
    return max(shapely.get_parts(outline), key=shapely.area)


def draw_streams(rng, middle, ponds):
    """A stream, and perhaps a second one that crosses itself, goes back on itself, or rounds a pond; widths [m]."""
    line = middle + [-250, 0] + np.cumsum(rng.uniform([2, -15], [25, 15], (int(rng.integers(3, 40)), 2)), axis=0)
    if rng.random() < 0.4:
        line = np.repeat(line, rng.integers(1, 3, len(line)), axis=0)  # vertices that stand twice
    more = [
        [shapely.LineString(line[-1] + [[0, 0], [20, 80], [20, 20], [60, 60]])],
        [shapely.LineString(np.vstack([line[:5], line[:5][::-1]]))],
        [shapely.LineString(ponds[2].exterior.coords)],
        [shapely.MultiLineString([line + [0, 60], line + [5, -70]])],
        [],
    ]
    streams = [shapely.LineString(line), *more[int(rng.integers(5))]]
    sizes = rng.choice([0.0, 1, 3, 10, 30, 60], len(streams))
    return streams, [float(size) for size in sizes * rng.choice([1.0, rng.uniform(0.5, 1)], len(streams))]


def draw_patches(rng, middle, ponds, stream, width, points, radii):
    """Stars, most of them with an outline that all but coincides with that of a feature, a zone or another patch."""
    to_water, to_well = radii
    found = []
    for _ in range(8):
        outline = shapely.Polygon(
            star(rng, *(middle + rng.uniform(-250, 250, 2)), rng.uniform(3, 150), int(rng.integers(5, 40)))
        )
        pond = ponds[int(rng.integers(3))]
        two = shapely.union(outline, shapely.affinity.translate(outline, 300, 20))
        ring = np.asarray(outline.exterior.coords)
        kinds = [
            outline.difference(pond),
            outline.intersection(pond),
            pond,
            ponds[1].buffer(to_water[0], quad_segs=int(rng.integers(2, 40))),
            ponds[1].buffer(to_water[0], join_style="mitre").difference(ponds[1]),
            ponds[2].buffer(rng.uniform(5, 60)),
            two.difference(shapely.Point(two.centroid).buffer(3)),
            shapely.box(*np.round(outline.bounds)),
            stream.buffer((width or 1) / 2 + to_water[1], cap_style="flat"),
            outline.difference(found[-1]) if found else outline,
            shapely.Polygon(np.repeat(ring, rng.integers(1, 3, len(ring)), axis=0)),
            shapely.union(points[0].buffer(to_well), points[1].buffer(to_well)),
        ]
        shape = kinds[int(rng.integers(len(kinds)))]
        if shape.geom_type == "GeometryCollection" or not shape.is_valid:
            shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
        if shape.geom_type in ("Polygon", "MultiPolygon") and 1e-3 < shape.area < 4e6:
            found.append(shape)
    return found or [shapely.box(*middle, *(middle + 50))]
