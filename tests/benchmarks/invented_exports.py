"""Invented exports of any length, spacing and number of presses, for measuring how long commands take.

A simulated plant of a month at one minute is read once; its rows are repeated month after month, put between by straight
lines (states held) for a finer spacing, and copied under other tag names for more presses.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

SEED_DAYS, FIRST = 31, "2026-01-01"


@dataclass(frozen=True)
class Size:
    """How much is measured."""

    name: str
    months: int = 1
    every_s: int = 60
    presses: int = 1


def write_plant(folder: Path, size: Size) -> Path:
    """Write plant.toml, lab.csv and exports/ (a wide CSV a month and press); return the folder."""
    from trendkit.simulate import simulate

    seed = folder.parent / "seed"
    if not (seed / "plant.toml").exists():
        simulate(seed, SEED_DAYS, 7, start=FIRST)
    if (folder / "plant.toml").exists():
        return folder
    (folder / "exports").mkdir(parents=True)
    lab = (seed / "lab.csv").read_text(encoding="utf-8").splitlines()
    rows = [lab[0]]
    for month in range(size.months):
        start = pd.Timestamp(FIRST) + pd.DateOffset(months=month)
        days = ((pd.Timestamp(FIRST) + pd.DateOffset(months=month + 1)) - start).days
        readings = _readings(seed, start, days, size.every_s)
        for press in range(1, size.presses + 1):
            named = readings.rename(columns=lambda name, press=press: name.replace("BFP1_", f"BFP{press}_"))
            _write_csv(folder / "exports" / f"bfp-{press}_{start:%Y-%m}.csv", named)
            rows += _moved(lab[1:], start, days, press)
    (folder / "lab.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    toml = (seed / "plant.toml").read_text(encoding="utf-8")
    head, press_lines = re.split(r"(?m)^(?=\[\[press\]\])", toml, maxsplit=1)
    body, *after = re.split(r"(?m)^(?=\[\[exclude\]\]|\[\[shared\]\]|\[lab|\[tickets|\[deliveries)", press_lines)
    bodies = [
        body.replace("BFP-1", f"BFP-{number}").replace("BFP1_", f"BFP{number}_")
        for number in range(1, size.presses + 1)
    ]
    (folder / "plant.toml").write_text("".join([head, *bodies, *after]), encoding="utf-8")
    return folder


def _readings(seed: Path, start: pd.Timestamp, days: int, every_s: int) -> pd.DataFrame:
    export = next((seed / "exports").iterdir())
    known = pd.read_csv(export, low_memory=False)
    minutes = np.arange(days * 1440) % len(known)
    seconds = np.arange(0, days * 86_400, every_s)
    columns: dict[str, object] = {
        known.columns[0]: (start + pd.to_timedelta(seconds, unit="s")).strftime("%Y-%m-%d %H:%M:%S")
    }
    for name in known.columns[1:]:
        values = known[name].to_numpy()[minutes]
        if pd.api.types.is_numeric_dtype(known[name]):
            columns[name] = np.round(np.interp(seconds / 60, np.arange(len(values)), values.astype(float)), 3)
        else:
            columns[name] = values[np.minimum((seconds // 60).astype(int), len(values) - 1)]
    return pd.DataFrame(columns)


def _write_csv(path: Path, readings: pd.DataFrame) -> None:
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    with path.open("wb") as file:
        file.write((",".join(readings.columns) + "\n").encode())
        options = pa_csv.WriteOptions(include_header=False, quoting_style="none")
        pa_csv.write_csv(pa.Table.from_pandas(readings, preserve_index=False), file, options)


def _moved(rows: list[str], start: pd.Timestamp, days: int, press: int) -> list[str]:
    """Return the bench results of the seed month on the same days of another month and for another press."""
    shift = start - pd.Timestamp(FIRST)
    moved = []
    for row in rows:
        sampled_at, name, rest = row.split(",", 2)
        moment = pd.Timestamp(sampled_at) + shift
        if moment < start + pd.Timedelta(days=days):
            moved.append(f"{moment:%Y-%m-%d %H:%M},{name.replace('BFP-1', f'BFP-{press}')},{rest}")
    return moved
