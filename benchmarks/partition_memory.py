"""In: numbers of patches. Out: peak memory and time of cutting them from layer files, partition by partition.

python benchmarks/partition_memory.py 200000 400000 --size 50000

Each number in processes of its own: one writes the layers, one cuts; the peak is that of the second.
"""

# ruff: noqa: S603  (the commands are our own)
from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "src"))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, nargs="*")
    parser.add_argument("--size", type=int, default=50_000)
    parser.add_argument("--write", type=Path)
    parser.add_argument("--cut", type=Path)
    options = parser.parse_args()
    if options.write:
        write_layers(options.write, options.count[0])
    elif options.cut:
        cut(options.cut, options.size)
    else:
        for count in options.count:
            with tempfile.TemporaryDirectory() as folder:
                command = [sys.executable, __file__]
                subprocess.run([*command, str(count), "--write", folder], check=True)
                run = [*command, "--cut", folder, "--size", str(options.size)]
                done = subprocess.run(run, check=True, capture_output=True, text=True)
            facts = json.loads(done.stdout.splitlines()[-1])
            print(f"{count:>9} patches in {facts['parts']} parts of {options.size}: peak {facts['peak_mib']:.0f} MiB,"
                  f" cpu {facts['cpu_s']:.0f} s, wall {facts['wall_s']:.0f} s", flush=True)  # fmt: skip


def write_layers(folder: Path, count: int) -> None:
    import geopandas as gpd
    import numpy as np
    from make_data import make_data

    data = make_data(count)
    crs = "EPSG:32616"
    width = np.r_[np.zeros(len(data.lakes)), data.stream_width_m]
    water = gpd.GeoDataFrame({"width": width}, geometry=np.r_[data.lakes, data.streams], crs=crs)
    for name, frame in (
        ("water", water),
        ("wells", gpd.GeoDataFrame(geometry=data.wells, crs=crs)),
        ("patches", gpd.GeoDataFrame(geometry=data.patches, crs=crs)),
    ):
        frame.to_file(folder / f"{name}.gpkg", engine="pyogrio")


def cut(folder: Path, size: int) -> None:
    from make_data import RECEPTOR_M, WATER_M

    from tussock.zone.partitions import LayerFile, ZoneFile, cut_files

    zones = [
        ZoneFile(LayerFile(str(folder / "water.gpkg"), width_column="width"), WATER_M),
        ZoneFile(LayerFile(str(folder / "wells.gpkg")), RECEPTOR_M),
    ]
    begin, spent = time.perf_counter(), time.process_time()
    parts = cut_files(LayerFile(str(folder / "patches.gpkg")), zones, folder, size=size)
    facts = {
        "parts": len(parts),
        "wall_s": time.perf_counter() - begin,
        "cpu_s": time.process_time() - spent,
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    print(json.dumps(facts))


if __name__ == "__main__":
    main()
