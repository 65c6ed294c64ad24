"""The command `table`: every computed series of the presses on one regular grid."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done
from trendkit.jobs.reading import NO_HISTORY, cut, read_period
from trendkit.plant import load_plant
from trendkit.plant.display import counted
from trendkit.plant.quantities import parse_quantity
from trendkit.reports import require_suffix, write_table


def write_figure_table(call: Call, out: Path, every: str) -> Done:
    """Write every computed series of the presses asked for on one regular grid."""
    require_suffix(out, (".parquet", ".csv", ".xlsx"))
    plant = load_plant(call.plant)
    every_s = _whole_seconds(every)
    reading, period = read_period(plant, call, NO_HISTORY, every_s)
    tables = [  # rows alone: the streams behind them take more room than they do
        replace(cut(series.table, period), streams=None, chosen=None) for series in reading.presses
    ]
    write_table(out, tables, plant)
    rows = sum(len(table.frame) for table in tables)
    missing = {table.press: dict(table.unavailable) for table in tables}
    return Done(
        (f"{counted(rows, 'row')} of {counted(len(tables), 'press', 'presses')} written to {out}.",),
        {"command": "table", "out": str(out), "rows": rows, "unavailable": missing},
    )


def _whole_seconds(every: str) -> int:
    seconds = parse_quantity(every, "s")
    if seconds < 1 or seconds != round(seconds) or 86_400 % seconds:
        raise InputError(
            Problem(
                "rows of this length do not fill a day",
                "--every",
                found=repr(every),
                expected="1min, 10s, 1h …",
            )
        )
    return int(seconds)
