"""In: a number of patches. Out: the time to cut one edited patch again on an index that is built.

python benchmarks/edit_one.py 100000
"""

from __future__ import annotations

import sys
import time

import numpy as np
import shapely
from make_data import make_data
from methods import make_zones

from tussock.zone.kernel import cut_blocks


def rng_shift(rng):
    by = rng.normal(0, 1.0, 2)
    return lambda xy: xy + by


def main() -> None:
    data = make_data(int(sys.argv[1]))
    zones = make_zones(data)
    for zone in zones:
        _ = zone.group.ready
    rng = np.random.default_rng(5)
    wall, cpu = [], []
    for place in rng.choice(len(data.patches), 400, replace=False).tolist():
        edited = shapely.transform(data.patches[[place]], rng_shift(rng))
        begin, spent = time.perf_counter(), time.process_time()
        cut_blocks(edited, zones, threads=1)
        wall.append(time.perf_counter() - begin)
        cpu.append(time.process_time() - spent)
    for name, values in (("wall", wall), ("cpu", cpu)):
        median, most = np.median(values) * 1e3, np.quantile(values, 0.95) * 1e3
        print(f"{name}: median {median:.2f} ms, 95 % under {most:.2f} ms, of {len(values)}")


if __name__ == "__main__":
    main()
