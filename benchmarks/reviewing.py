"""In: numbers of units, of patches. Out: time of the review of a large plan, and of the crew sheets of many patches.

python benchmarks/reviewing.py 100000           # the sample plan repeated around the Earth, reviewed
python benchmarks/reviewing.py --sheets 200     # crew sheets of so many patches of the sample
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / folder) for folder in ("src", "tests")]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("units", type=int, nargs="*")
    parser.add_argument("--sheets", type=int)
    options = parser.parse_args()
    import tussock

    plan = tussock.make_plan(tussock.read_site(tussock.sample_path()))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "plan"
        plan.write(folder)
        for units in options.units:
            review(folder, units)
        if options.sheets:
            draw_sheets(plan, options.sheets, Path(name) / "sheets.pdf")


def review(folder: Path, units: int) -> None:
    from review.large_plan import repeat_plan
    from tussock.review.folder import load_folder, run_checks

    delivered = load_folder(folder)
    copies = -(-units // len(delivered.layers["units"]))
    large = repeat_plan(delivered, copies)
    table = measure(f"review of {copies * len(delivered.layers['units'])} units", lambda: run_checks(large))
    print(f"  {int((table['level'] != 'info').sum())} findings")


def draw_sheets(plan, count: int, path: Path) -> None:
    """Draw the sheets of the sample's patches over and over."""
    import pandas as pd

    from tussock.deliver.sheets import write_sheets

    ids = list(plan.patches.index)
    patches, units = [], []
    for place in range(count):
        name, own = f"{ids[place % len(ids)]}-{place}", ids[place % len(ids)]
        patches.append(plan.patches.loc[[own]].rename(index={own: name}))
        rows = plan.units[plan.units["patch_id"] == own]
        units.append(rows.assign(patch_id=name).rename(index=lambda unit, place=place: f"{unit}-{place}"))
    many = replace(plan, patches=pd.concat(patches), units=pd.concat(units))
    measure(f"sheets of {count} patches", lambda: write_sheets(many, path))


def measure(what: str, work: Callable[[], object]):
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"{what}: wall {wall:.1f} s, cpu {cpu:.1f} s, peak {peak:.0f} MiB", flush=True)
    return result


if __name__ == "__main__":
    main()
