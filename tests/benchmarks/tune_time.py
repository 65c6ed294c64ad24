"""How long `trendkit tune` takes over half a year of one press at a reading a minute, beside a plain read by pandas.

    python tests/benchmarks/tune_time.py [--days 182] [--again 3]

From files; from the archive that took them in, its grid not yet kept (`grids` is removed before); and again with nothing new.
Each measurement is a process of its own, started in turn; the shortest of each counts, as others on the machine only add.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from jobs import AS_INSTALLED

from trendkit.simulate import simulate

PLAIN = """
import pathlib, sys
import pandas as pd
read = [pd.read_csv(file, index_col=0, parse_dates=True) for file in sorted(pathlib.Path(sys.argv[1]).iterdir())]
print(sum(each.size for each in read))
"""


def timed(command: list[str]) -> tuple[float, float]:
    """Return wall and processor seconds of a process."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=AS_INSTALLED
    )
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{command[:3]} ended with {status}")
    return time.perf_counter() - begin, used.ru_utime + used.ru_stime


def main() -> None:
    """Print the shortest wall and processor times, and their ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=182)
    parser.add_argument("--again", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        made = simulate(f"{folder}/plant", asked.days, 900, "interior")
        exports = made.folder / "exports"
        size = sum(file.stat().st_size for file in exports.iterdir()) / 1e6
        on, files = ["--plant", str(made.plant)], [str(exports), str(made.lab)]
        timed(["-m", "trendkit", "ingest", *on, *files])
        tune = ["-m", "trendkit", "tune", *on, "--out"]
        jobs = {
            "tune, files": [*tune, f"{folder}/out", *files],
            "tune, archive": [*tune, f"{folder}/kept"],
            "tune, nothing new": [*tune, f"{folder}/kept"],
            "pandas read": ["-c", PLAIN, str(exports)],
        }
        rounds = []
        for _ in range(asked.again):
            shutil.rmtree(made.folder / "archive" / "grids", ignore_errors=True)
            rounds.append({name: timed(command) for name, command in jobs.items()})
        assert (Path(folder) / "out" / "tune.html").exists()
    print(
        f"{asked.days} days of one press, {size:.0f} MB of CSV, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}"
    )
    shortest = {name: [min(each[name][kind] for each in rounds) for kind in (0, 1)] for name in jobs}
    for name, (wall, processor) in shortest.items():
        print(f"{name}: {wall:.1f} s wall, {processor:.1f} s processor")
        over = [used / plain for used, plain in zip((wall, processor), shortest["pandas read"], strict=True)]
        print(f"  {over[0]:.1f} times the plain read by wall, {over[1]:.1f} by processor")


if __name__ == "__main__":
    main()
