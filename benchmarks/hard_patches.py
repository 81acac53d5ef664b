"""In: nothing. Out: time of the patches that cost the most: 20,000 on one place of a shore, and very large ones.

python benchmarks/hard_patches.py

Two waters of 50,000 vertices: a round lake, whose shore a patch meets once, and a reservoir that winds to and fro every
200 m, so that a patch of 1,000 ha holds 100 km of its shore.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from make_data import RECEPTOR_M, WATER_M, make_blobs, make_huge_lake, place_along

sys.path.insert(0, str(Path(__file__).parents[1] / "src"))
from tussock.zone.decide import ZoneSpec
from tussock.zone.features import make_group
from tussock.zone.kernel import cut_blocks
from tussock.zone.rules import SLACK_M

HECTARE_M2 = 1e4


def main() -> None:
    rng = np.random.default_rng(1)
    wells = shapely.points(rng.uniform(-4500, 4500, (3000, 2)))
    for name, lake in (("round lake", make_round_lake(rng)), ("reservoir", make_huge_lake(rng, (0.0, 0.0), 50_000))):
        zones = make_zones([lake], wells)
        for zone in zones:
            _ = zone.group.ready
        shore = place_along(rng, [lake], 60)
        stacked = shore[0] + rng.normal(0, 15, (20_000, 2))
        take(f"{name}, stacked on one place", make_blobs(rng, stacked, rng.uniform(10, 40, 20_000), 8, 24), zones)
        for low, high, count in ((10, 100, 60), (1000, 1000, 3)):
            area = np.exp(rng.uniform(np.log(low), np.log(high), count)) * HECTARE_M2
            take(f"{name}, large", make_blobs(rng, shore[:count], np.sqrt(area / np.pi), 60, 90), zones)


def make_round_lake(rng):
    """A lake of 80 km with a vertex about every 5 m of its wriggling shore."""
    angle = np.linspace(0, 2 * np.pi, 50_000, endpoint=False)
    along = angle * 40_000
    radius = 40_000 + 25 * np.sin(along / 90) + 7 * np.sin(along / 17) + rng.normal(0, 0.8, len(angle))
    return shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def make_zones(waters, wells) -> list[ZoneSpec]:
    zones = []
    for shapes, distances in ((waters, WATER_M), (wells, RECEPTOR_M)):
        frame = gpd.GeoDataFrame({"label": ["f"] * len(shapes)}, geometry=shapes)
        group = make_group(frame, np.ones(len(frame), dtype=bool))
        zones += [ZoneSpec(group, group.offset_m + distance + SLACK_M) for distance in distances]
    return zones


def take(name: str, patches, zones) -> None:
    begin, spent = time.perf_counter(), time.process_time()
    pieces = cut_blocks(patches, zones)
    wall, cpu = time.perf_counter() - begin, time.process_time() - spent
    total = np.bincount(pieces.patch, shapely.area(pieces.geometry))
    apart = np.abs(total / shapely.area(patches) - 1).max()
    each = shapely.area(patches).mean() / HECTARE_M2
    print(
        f"{name}: {len(patches):,} of {each:,.2f} ha on average, {len(pieces.patch):,} pieces, {len(pieces.slow)} cut"
        f" slowly, cpu {cpu / len(patches) * 1e3:.2f} ms each, wall {wall / len(patches) * 1e3:.2f} ms,"
        f" areas apart {apart:.1e}",
        flush=True,
    )


if __name__ == "__main__":
    main()
