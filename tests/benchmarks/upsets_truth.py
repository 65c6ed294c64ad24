"""The upset ledger against the simulator's truth: what was found, when, how it was explained, what was invented.

Run by hand: python tests/benchmarks/upsets_truth.py [--days 42] [--seeds 1 2 3] [--scenarios upsets ordinary clean]
A found upset and a true one match when they overlap. `first sign` and `cause` are counted over the matched ones, the
match with the right cause first when several overlap. Seeds below 100 are for development, those above are held out.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.jobs.call import Call
from trendkit.jobs.reading import read_presses
from trendkit.plant import load_plant
from trendkit.simulate import simulate
from trendkit.upsets import Upset, find_upsets

MEASURES = ("recall", "severe", "mild", "precision", "cause", "first three", "first sign", "false per 30 days")


@dataclass
class Tally:
    """Counts over the plants of one scenario."""

    hits: dict[str, list[bool]] = field(default_factory=lambda: {name: [] for name in MEASURES})
    step_error_min: list[float] = field(default_factory=list)
    ramp_share: list[float] = field(default_factory=list)
    false_alarms: int = 0
    press_days: int = 0
    seconds: list[float] = field(default_factory=list)

    def count(self, truth: pd.DataFrame, found: list[Upset]) -> None:
        """Match one press's ledger with the truth of the same press."""
        used: set[int] = set()
        for _, true in truth.iterrows():
            near = [place for place, each in enumerate(found) if each.start < true["end"] and each.end > true["start"]]
            used |= set(near)
            self.hits["recall"].append(bool(near))
            if true["severity"] != 2:
                self.hits["severe" if true["severity"] == 3 else "mild"].append(bool(near))
            if near:
                self._explain(true, [found[place] for place in near])
        self.hits["precision"] += [place in used for place in range(len(found))]
        self.false_alarms += len(found) - len(used)

    def _explain(self, true: pd.Series, near: list[Upset]) -> None:
        right = [upset for upset in near if upset.cause == true["cause"]]
        chosen = right[0] if right else max(near, key=lambda upset: min(upset.end, true["end"]) - upset.start)
        self.hits["cause"].append(bool(right))
        self.hits["first three"].append(true["cause"] in [cause.cause for cause in chosen.causes[:3]])
        self.hits["first sign"].append(chosen.first_sign == true["first_sign"])
        late_min = (chosen.start - true["start"]).total_seconds() / 60.0
        if true["ramp_min"] > 0:
            self.ramp_share.append(late_min / true["ramp_min"])
        else:
            self.step_error_min.append(abs(late_min))

    def line(self) -> str:
        """Return the measures on one line."""
        parts = []
        for name in MEASURES[:-1]:
            seen = self.hits[name]
            parts.append(f"{name} {np.mean(seen):.3f} ({sum(seen)}/{len(seen)})" if seen else f"{name} -")
        parts.append(f"{MEASURES[-1]} {30.0 * self.false_alarms / max(self.press_days, 1):.2f}")
        if self.step_error_min:
            parts.append(f"start of steps off by {np.median(self.step_error_min):.0f} min (median)")
        if self.ramp_share:
            parts.append(f"start of ramps at {np.median(self.ramp_share):.2f} of the ramp (median)")
        parts.append(f"{np.mean(self.seconds):.1f} s a press")
        return "; ".join(parts)


def count_plant(folder: Path, tally: Tally) -> None:
    """Add one simulated plant to a tally."""
    truth = pd.read_csv(folder / "truth" / "upsets.csv")
    for column in ("start", "end"):
        truth[column] = pd.to_datetime(truth[column], utc=True)
    plant = load_plant(folder / "plant.toml")
    call = Call(folder / "plant.toml", (str(folder / "exports"), str(folder / "lab.csv")))
    for series in read_presses(plant, call).presses:
        begun = time.perf_counter()
        found = find_upsets(series.table, series.press, plant, series.findings)
        tally.seconds.append(time.perf_counter() - begun)
        frame = series.table.frame
        tally.press_days += frame.index[frame["phase"] == "pressing"].normalize().nunique()
        tally.count(truth[truth["press"] == series.press.slug], found)


def main() -> None:
    """Print one line of measures per scenario."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=42)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--scenarios", nargs="+", default=["upsets", "overlapping", "ordinary", "clean", "look-alikes"])
    asked = parser.parse_args()
    for scenario in asked.scenarios:
        tally = Tally()
        for seed in asked.seeds:
            with tempfile.TemporaryDirectory() as folder:
                simulate(folder, asked.days, seed, scenario)
                count_plant(Path(folder), tally)
        print(f"{scenario}, {asked.days} days, seeds {asked.seeds}: {tally.line()}")


if __name__ == "__main__":
    main()
