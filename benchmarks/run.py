"""In: numbers of patches. Out: a table of all ways to cut, each in a process of its own, in one run.

python benchmarks/run.py 3000 --methods ours dissolved overlaid postgis
python benchmarks/run.py 3000 --same-curve      # areas compared, times not meant
"""

# ruff: noqa: S603  (the commands are our own)
from __future__ import annotations

import argparse
import json
import pickle
import subprocess
import sys
import tempfile
from pathlib import Path

from make_data import make_data


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, nargs="+")
    parser.add_argument("--methods", nargs="+", default=["ours", "dissolved", "overlaid", "postgis"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-huge", action="store_true", help="no lake of 50,000 vertices")
    parser.add_argument("--same-curve", action="store_true")
    options = parser.parse_args()
    for count in options.count:
        with tempfile.TemporaryDirectory() as folder:
            Path(folder).chmod(0o755)
            path = Path(folder) / "data.pickle"
            path.write_bytes(pickle.dumps(make_data(count, options.seed, huge=not options.no_huge)))
            run(path, options)


def run(path: Path, options: argparse.Namespace) -> None:
    first = None
    for method in options.methods:
        command = [sys.executable, str(Path(__file__).parent / "methods.py"), method, str(path)]
        done = subprocess.run(
            command + ["--same-curve"] * options.same_curve, capture_output=True, text=True, check=False
        )
        if done.returncode:
            print(f"{method}: failed: {done.stderr.strip().splitlines()[-1]}", flush=True)
            continue
        facts = json.loads(done.stdout.splitlines()[-1])
        first = first or facts
        apart = max(abs(a / b - 1) for a, b in zip(facts["areas_m2"], first["areas_m2"], strict=True))
        count = facts["patches"]
        print(
            f"{count:>8} {method:<10} wall {facts['wall_s']:9.2f} s  cpu {facts['cpu_s']:9.2f} s"
            f"  {facts['cpu_s'] / count * 1e6:8.0f} us/patch  x{facts['wall_s'] / first['wall_s']:7.1f} wall"
            f"  x{facts['cpu_s'] / first['cpu_s']:7.1f} cpu  {facts['pieces']:>8} pieces"
            f"  peak {facts['peak_mib']:7.0f} MiB  area apart {apart:.1e}",
            flush=True,
        )


if __name__ == "__main__":
    main()
