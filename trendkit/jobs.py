"""One function per command: the path of a sample from export to page, room by room.

Comes in: what the command line was told (`Call`). Goes out: files on disk and a `Done` that says in a few lines
what came of it. Nothing is computed here; each step is one call into the room that knows how.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import InputFile, find_inputs, open_exports, read_lab
from trendkit.findings import Finding
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.calendar import Period, day_period, month_period, parse_day, parse_moment, period_between
from trendkit.press import FigureTable, compute_figures
from trendkit.series import build_grids

Progress = Callable[[str], None]

_WARM_UP = pd.Timedelta(days=1)  # read before every period so that values do not depend on the window
_HISTORY = pd.Timedelta(days=28)  # what "usual" rests on in the upset ledger and on the bad-day page


@dataclass(frozen=True)
class Call:
    """What one command was told: plant file, inputs, press and period, as typed."""

    plant: Path
    files: tuple[str, ...]
    press: str | None = None
    start: str | None = None
    end: str | None = None
    progress: Progress = field(default=lambda _: None)


@dataclass(frozen=True)
class Done:
    """What a command has to say: lines for a person, and the same as one JSON object."""

    summary: tuple[str, ...]
    as_json: dict[str, Any]


@dataclass(frozen=True)
class PressSeries:
    """One press ready to be judged: its figures over the whole span read, its lab samples, its data faults."""

    press: Press
    table: FigureTable
    good_feed_share: pd.Series  # share of each bin with good feed flow
    lab: pd.DataFrame
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


# --- from files to figures -------------------------------------------------------------------------------


def _chosen_presses(plant: Plant, name: str | None) -> tuple[Press, ...]:
    if name is None:
        return plant.presses
    press = plant.press(name)
    if press is None:
        known = ", ".join(each.name for each in plant.presses)
        raise InputError(Problem("the plant has no such press", place="--press", found=repr(name), expected=known))
    return (press,)


def _asked_period(plant: Plant, start: str | None, end: str | None) -> Period | None:
    if start is None and end is None:
        return None
    if start is None or end is None:
        missing = "--from" if start is None else "--to"
        raise InputError(Problem("a period needs both its ends", place=missing, found="nothing", expected="a day or a time"))
    return period_between(plant, start, end)


@dataclass(frozen=True)
class Reading:
    """Everything read for one command: the series of each press and what was read to get them."""

    plant: Plant
    presses: tuple[PressSeries, ...]
    inputs: tuple[InputFile, ...]
    span: Period  # from the first to the last observation read


def read_presses(call: Call, start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None, every_s: int = 60) -> Reading:
    """Read the files of a call and compute the figure table of each press asked for.

    `start_utc`/`end_utc` bound what is read (None: all there is); bins of `every_s` seconds.
    """
    plant = load_plant(call.plant)
    presses = _chosen_presses(plant, call.press)
    if not call.files:
        raise InputError(Problem("no input is named", place="FILE", found="nothing", expected="exports, folders or globs"))
    call.progress("looking for exports and bench sheets")
    found = find_inputs(call.files, plant)
    exports = open_exports(found.exports, plant)
    sheets = [read_lab(path, plant) for path in found.labs]
    call.progress(f"reading {len(exports)} exports")
    grids, inputs = build_grids(exports, plant, presses, start_utc, end_utc, every_s)
    lab = pd.concat([sheet.frame for sheet in sheets], ignore_index=True) if sheets else None
    series = []
    for press in presses:
        call.progress(f"computing the figures of {press.name}")
        grid = grids[press.slug]
        samples = lab[lab["press"] == press.slug] if lab is not None else None
        table = compute_figures(grid.roles, grid.good_share, grid.basis, samples, press, plant, every_s)
        series.append(PressSeries(press, table, grid.good_share["feed_flow_m3_h"], samples, grid.findings, grid.notes))
    index = series[0].table.frame.index
    span = Period(index[0], index[-1] + pd.Timedelta(seconds=every_s), plant.timezone)
    return Reading(plant, tuple(series), (*inputs, *(sheet.input for sheet in sheets)), span)
