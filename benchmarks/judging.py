"""In: how often the sample site stands side by side. Out: CPU time of each stage up to the judging of candidates.

python benchmarks/judging.py 38          # 2,014 patches, 23 candidates on each unit
python benchmarks/judging.py 38 --profile
"""

from __future__ import annotations

import argparse
import cProfile
import hashlib
import math
import pstats
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "src"))

#: The sample is 2.4 km wide: copies this far apart share nothing.
APART_M = 3000.0
SAMPLE = Path(__file__).parents[1] / "sample_data"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("copies", type=int)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        run(write_site(Path(name), options.copies), profile=options.profile)


def write_site(folder: Path, copies: int) -> Path:
    """Write the sample site many times over, in a square."""
    import geopandas as gpd
    import pandas as pd
    import pyogrio

    for item in SAMPLE.glob("*.toml"):
        shutil.copy(item, folder)
    side = math.ceil(math.sqrt(copies))
    for layer in pyogrio.list_layers(SAMPLE / "site.gpkg")[:, 0]:
        frame = gpd.read_file(SAMPLE / "site.gpkg", layer=layer)
        parts = []
        for copy in range(copies):
            moved = frame.geometry.translate(copy % side * APART_M, copy // side * APART_M)
            part = frame.set_geometry(moved)
            if "patch_id" in part.columns:
                part["patch_id"] = f"{copy}/" + part["patch_id"]
            parts.append(part)
        pd.concat(parts, ignore_index=True).to_file(folder / "site.gpkg", layer=layer)
    return folder / "site.toml"


def run(path: Path, *, profile: bool) -> None:
    from tussock.prescribe import prescribe_units
    from tussock.read import read_site
    from tussock.repair import repair_layers
    from tussock.reproject import reproject_layers
    from tussock.zone import zone_patches

    site = take("read", lambda: read_site(path))
    repaired = take("repair", lambda: repair_layers(site))
    measured = take("reproject", lambda: reproject_layers(site, repaired))
    zoned = take("zone", lambda: zone_patches(site, repaired, measured))
    watch = cProfile.Profile(time.process_time)
    if profile:
        watch.enable()
    judged = take("prescribe", lambda: prescribe_units(site, repaired, measured, zoned))
    if profile:
        watch.disable()
        pstats.Stats(watch).sort_stats("cumtime").print_stats(40)
    digest = hashlib.sha256()
    for table in (judged.units.drop(columns="geometry"), judged.options, judged.compliance, judged.findings):
        digest.update(table.to_csv(float_format="%.17g").encode())
    print(f"{len(measured.patches)} patches, {len(judged.units)} units, {len(judged.options)} candidates judged")
    print(f"the same answer has the same digest: {digest.hexdigest()[:16]}")


def take(name, work):
    begin = time.process_time()
    result = work()
    print(f"{name:<10} cpu {time.process_time() - begin:7.2f} s", flush=True)
    return result


if __name__ == "__main__":
    main()
