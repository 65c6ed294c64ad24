"""The command `table`: every computed series of the presses on one regular grid."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done
from trendkit.jobs.reading import NO_HISTORY, read_period, within
from trendkit.plant import Press, load_plant
from trendkit.plant.display import counted
from trendkit.plant.quantities import parse_quantity
from trendkit.press import FigureTable, figure_head
from trendkit.reports import require_suffix, write_table


def write_figure_table(call: Call, out: Path, every: str) -> Done:
    """Write every computed series of the presses asked for on one regular grid."""
    require_suffix(out, (".parquet", ".csv", ".xlsx"))
    plant = load_plant(call.plant)
    every_s = _whole_seconds(every)
    reading, period = read_period(plant, call, NO_HISTORY, every_s)
    rows, missing = 0, dict[str, dict[str, str]]()

    def table_of(press: Press, frame: pd.DataFrame) -> FigureTable:
        return FigureTable(press.slug, every_s, frame, pd.DataFrame())

    def tables() -> Iterator[FigureTable]:
        nonlocal rows
        for press, _ in grids:
            pieces = reading.pieces_of(press)
            for frame in pieces:
                inside = within(frame, period)
                rows += len(inside)
                yield table_of(press, inside)
            missing[press.slug] = pieces.unavailable()

    grids = reading.grids.grids
    write_table(out, tables(), [table_of(press, figure_head(grid.roles)) for press, grid in grids], plant)
    return Done(
        (f"{counted(rows, 'row')} of {counted(len(grids), 'press', 'presses')} written to {out}.",),
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
