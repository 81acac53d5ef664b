"""In: numbers of patches. Out: time of the stages from repair to zone, and peak memory, one process for each number.

python benchmarks/stage.py 10000 100000
python benchmarks/stage.py 10000 --no-huge --partition-size 2000
python benchmarks/stage.py 10000 --profile         # where the time of the zone stage goes
"""

# ruff: noqa: S603  (the commands are our own)
from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import subprocess
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / folder) for folder in ("src", "tests")]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, nargs="+")
    parser.add_argument("--no-huge", action="store_true", help="no lake of 50,000 vertices")
    parser.add_argument("--partition-size", type=int)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    if len(options.count) > 1:
        others = [text for text in sys.argv[1:] if text not in {str(count) for count in options.count}]
        for count in options.count:
            subprocess.run([sys.executable, __file__, str(count), *others], check=True)
        return
    run(options.count[0], options)


def run(count: int, options: argparse.Namespace) -> None:
    from tussock.repair import repair_layers
    from tussock.reproject import reproject_layers
    from tussock.zone import zone_patches

    site = make_stage_site(count, huge=not options.no_huge)
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    repaired = take("repair", count, lambda: repair_layers(site))
    measured = take("reproject", count, lambda: reproject_layers(site, repaired))
    watch = cProfile.Profile(time.process_time)
    if options.profile:
        watch.enable()
    zoned = take("zone", count, lambda: zone_patches(site, repaired, measured, partition_size=options.partition_size))
    if options.profile:
        watch.disable()
        pstats.Stats(watch).sort_stats("cumtime").print_stats(40)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{count:>8} {len(zoned.units)} units, peak {peak:.0f} MiB, {base:.0f} of them the site itself", flush=True)


def take(name, count, work):
    begin, spent = time.perf_counter(), time.process_time()
    result = work()
    wall, cpu = time.perf_counter() - begin, time.process_time() - spent
    print(f"{count:>8} {name:<10} wall {wall:8.2f} s  cpu {cpu:8.2f} s  {cpu / count * 1e3:6.3f} ms/patch", flush=True)
    return result


def make_stage_site(count: int, *, huge: bool = True):
    """The ground of `make_data` as a site in memory: three nested distances from water, two from wells."""
    import geopandas as gpd
    import numpy as np
    import shapely
    from make_data import GROUND_M2, RECEPTOR_M, WATER_M, make_data

    from memory_site import make_site
    from site_factory import local_crs

    data = make_data(count, huge=huge)
    crs, middle = local_crs(), np.sqrt(count * GROUND_M2) / 2

    def centre(shapes):
        return shapely.transform(shapes, lambda xy: xy - middle)

    patches = gpd.GeoDataFrame(
        {"growth_form": ["shrub"] * count, "species": "a"}, geometry=centre(data.patches), crs=crs
    )
    kind = ["lake"] * len(data.lakes) + ["stream"] * len(data.streams)
    width = np.r_[np.zeros(len(data.lakes)), data.stream_width_m]
    shapes = centre(np.r_[data.lakes, data.streams])
    water = gpd.GeoDataFrame({"kind": kind, "state": "wet", "width_m": width}, geometry=shapes, crs=crs)
    wells = gpd.GeoDataFrame({"kind": ["well"] * len(data.wells), "name": ""}, geometry=centre(data.wells), crs=crs)
    setbacks = [
        {"id": f"{layer}-{place}", "from": {"layer": layer}, "distance": f"{distance} m", "forbids": {}}
        for layer, distances in (("water", WATER_M), ("receptors", RECEPTOR_M))
        for place, distance in enumerate(distances)
    ]
    return make_site(patches, water=water, receptors=wells, setbacks=setbacks)


if __name__ == "__main__":
    main()
