"""Every figure of `table` against the simulator's truth on pressing minutes: median and 95th percentile of the error.

Run by hand: python tests/benchmarks/table_truth.py [--days 21] [--seeds 101 102 103] [--scenario clean]
The truth is the simulator's own balance; the exports it writes carry noise, resolution and calibration errors.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.jobs.call import Call
from trendkit.jobs.reading import read_presses
from trendkit.plant import load_plant
from trendkit.press import FIGURES
from trendkit.simulate import simulate


def errors_of(folder: Path) -> pd.DataFrame:
    """Return one row per press and column: share filled, median truth, median and 95th percentile of |error|."""
    truth = pd.read_parquet(folder / "truth" / "series.parquet").set_index("time")
    plant = load_plant(folder / "plant.toml")
    call = Call(folder / "plant.toml", (str(folder / "exports"), str(folder / "lab.csv")))
    rows = []
    for series in read_presses(plant, call).presses:
        of_press = truth[truth["press"] == series.press.slug]
        frame = series.table.frame.reindex(of_press.index)
        both = (frame["phase"] == "pressing") & (of_press["phase"] == "pressing")
        rows.append(("phase", (frame["phase"] == of_press["phase"]).mean(), np.nan, np.nan, np.nan))
        for name in (column for figure in FIGURES for column in (figure, f"{figure}_rolling")):
            if name not in of_press or of_press.loc[both, name].notna().sum() == 0:
                continue
            wanted, found = of_press.loc[both, name].astype(float), frame.loc[both, name].astype(float)
            error = (found - wanted).abs()
            filled = found[wanted.notna()].notna().mean()
            rows.append((name, filled, wanted.median(), error.median(), error.quantile(0.95)))
    return pd.DataFrame(rows, columns=["column", "filled", "truth_median", "error_median", "error_p95"])


def main() -> None:
    """Print the errors over all seeds, relative errors where the unit is no percent."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=21)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102, 103])
    parser.add_argument("--scenario", default="clean")
    asked = parser.parse_args()
    tables = []
    for seed in asked.seeds:
        with tempfile.TemporaryDirectory() as folder:
            simulate(folder, asked.days, seed, asked.scenario)
            tables.append(errors_of(Path(folder)))
    table = pd.concat(tables).groupby("column", sort=False).median()
    table["error_median_pct"] = 100.0 * table["error_median"] / table["truth_median"]
    table["error_p95_pct"] = 100.0 * table["error_p95"] / table["truth_median"]
    print(f"scenario {asked.scenario}, {asked.days} days, seeds {asked.seeds}: medians over seeds")
    print(table.round(4).to_string())


if __name__ == "__main__":
    main()
