"""The bench: grabs taken a few times a run, dried and weighed with an ordinary error, and written down by people."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.simulate.drivers import Streams
from trendkit.simulate.history import History
from trendkit.simulate.operation import THICKENING
from trendkit.simulate.randomness import Array

TS_NOISE, TSS_NOISE, CAKE_NOISE_PCT = 0.025, 0.07, 0.35
STATED = {"TS": f"{100.0 * TS_NOISE:g} % of reading", "TSS": f"{100.0 * TSS_NOISE:g} % of reading"}
SLIP_SHARE = 0.015
COLUMNS = ["sampled_at", "press", "point", "analysis", "value", "unit", "note"]


def bench_sheet(
    history: History, press: str, roles: dict[str, Array], grabs_per_run: int, has_slips: bool, streams: Streams
) -> pd.DataFrame:
    """Return the sheet's rows of one press, `sampled_at` in UTC; values in % (TS) and mg/L (TSS)."""
    rng = streams("bench")
    rows = []
    for run in history.drivers.timeline.runs:
        usable = run.feed_off_s - run.feed_on_s - 3600.0
        for number in range(grabs_per_run):
            lot = rng.random()
            errors = rng.standard_normal(3)
            when = run.feed_on_s + 2400.0 + usable * (number + 0.2 + 0.6 * lot) / grabs_per_run
            step = int(when // history.grid.step_s)
            if history.acting.feed_flow_m3_h[step] <= 0.0:
                continue
            moment = history.grid.moment(step * history.grid.step_s).floor("min")
            rows += _grabs(moment, press, run.mode, roles, step, errors)
    sheet = pd.DataFrame(rows, columns=COLUMNS)
    return _with_slips(sheet, streams("slips")) if has_slips else sheet


def _grabs(
    moment: pd.Timestamp, press: str, mode: int, roles: dict[str, Array], step: int, errors: Array
) -> list[tuple[object, ...]]:
    feed = roles["feed_solids"][step] * (1.0 + TS_NOISE * errors[0])
    filtrate = roles["filtrate_solids"][step] * (1.0 + TSS_NOISE * errors[1])
    rows: list[tuple[object, ...]] = [(moment, press, "feed", "TS", f"{feed:.2f}", "%", "")]
    if mode == THICKENING:
        thick = roles["thickened_solids"][step] * (1.0 + TS_NOISE * errors[2])
        rows.append((moment, press, "thickened", "TS", f"{thick:.2f}", "%", ""))
    elif np.isfinite(roles["cake_solids"][step]):
        cake = roles["cake_solids"][step] + CAKE_NOISE_PCT * errors[2]
        rows.append((moment, press, "cake", "TS", f"{cake:.1f}", "%", ""))
    rows.append((moment, press, "filtrate", "TSS", f"{max(filtrate, 1.0):.0f}", "mg/L", ""))
    return rows


def _with_slips(sheet: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the sheet with the mistakes people make: a factor of ten, a swapped pair, an empty or worded cell."""
    values = sheet["value"].to_list()
    notes = sheet["note"].to_list()
    for row in range(len(values)):
        lot, kind = rng.random(), int(rng.integers(4))
        if lot >= SLIP_SHARE:
            continue
        if kind == 0:
            values[row] = f"{float(values[row]) * 10.0:g}"
        elif kind == 1 and row + 1 < len(values):
            values[row], values[row + 1] = values[row + 1], values[row]
        elif kind == 2:
            values[row], notes[row] = "", "spilt"
        else:
            values[row] = f"<{values[row]}"
    return sheet.assign(value=values, note=notes)


def write_sheet(path: Path, sheets: Sequence[pd.DataFrame], timezone: str) -> None:
    """Write the bench sheet, rows in order of sampling, times as plant time without offset."""
    table = pd.concat(sheets, ignore_index=True).sort_values("sampled_at", kind="stable")
    local = pd.DatetimeIndex(table["sampled_at"]).tz_convert(timezone).strftime("%Y-%m-%d %H:%M")
    table.assign(sampled_at=local).to_csv(path, index=False, lineterminator="\n")
