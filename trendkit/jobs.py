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
