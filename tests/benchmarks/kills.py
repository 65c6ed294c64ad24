"""A hundred commands killed at random moments: `python tests/benchmarks/kills.py [--kills 100] [--seed 1]`.

Half are ingests, half reviews, of an invented plant of twelve days; tests/journeys/power_cuts.py kills and compares.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

POWER_CUTS = Path(__file__).parents[1] / "journeys" / "power_cuts.py"


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--kills", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="trendkit-kills-") as folder:
        plant = Path(folder) / "plant"
        words = ["simulate", "--out", str(plant), "--days", "12", "--seed", "7", "--start", "2026-02-26"]
        subprocess.run([sys.executable, "-m", "trendkit", *words], check=True)
        counts = [str(given.kills - given.kills // 2), str(given.kills // 2), str(given.seed)]
        kill = [sys.executable, str(POWER_CUTS), str(plant), str(Path(folder) / "work"), *counts, "2026-03-04", "again"]
        found: Counter[tuple[str, str]] = Counter()
        with subprocess.Popen(kill, stdout=subprocess.PIPE, text=True) as running:
            assert running.stdout is not None
            for line in running.stdout:
                told = json.loads(line)
                found[told["command"], told["found"] if told["was_running"] else "ended before the kill"] += 1
    for (command, state), count in sorted(found.items()):
        print(f"{command:8} {count:4}  {state}")
    survived = found.total()
    print(f"{survived} of {given.kills} kills survived: every file the old one or the new one, and the next run whole")
    sys.exit(running.returncode or int(survived < given.kills))


if __name__ == "__main__":
    main()
