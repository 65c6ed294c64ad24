"""What the page's own script draws from when a reader looks closer: the numbers of each drawing over time.

The static drawing stands by itself. These numbers are the ones it was drawn from (thinned, in the reader's
units), carried beside it as text that no browser runs.
"""

from __future__ import annotations

import hashlib
import json
import math
from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import pandas as pd
from markupsafe import Markup

from trendkit.reports.plant_clock import PlantClock

_SHORTEST_RANGE_S = 600  # nobody reads minutes closer than this


@dataclass(frozen=True)
class Plot:
    """One plot over plant time: lines and bands as frames with `time`, `segment` and their values.

    `spans` are (number, start, end) of upsets, `left_out` and `moved` moments in UTC, `rows` bars by label.
    """

    name: str
    unit: str = ""
    ends: tuple[float, float] = (0.0, 1.0)
    line: pd.DataFrame | None = None  # time, value, segment
    band: pd.DataFrame | None = None  # time, low, high, segment
    usual: tuple[float, float] | None = None
    limits: tuple[tuple[float, str], ...] = ()
    grabs: pd.Series | None = None
    spans: tuple[tuple[str, pd.Timestamp, pd.Timestamp], ...] = ()
    left_out: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()
    rules: tuple[pd.Timestamp, ...] = ()
    rows: tuple[BarRow, ...] = ()


@dataclass(frozen=True)
class BarRow:
    """One row of bars: its label, the stretches with readings and the stretches at fault with their words."""

    label: str
    stretches: tuple[tuple[pd.Timestamp, pd.Timestamp], ...]
    faults: tuple[tuple[pd.Timestamp, pd.Timestamp, str], ...] = ()


def close_look(plots: Sequence[Plot], clock: PlantClock) -> Markup:
    """Return the numbers behind a drawing as JSON that is safe inside a page: no text in it can end its element."""
    period = clock.period
    told = {
        "from": clock.drawn(period.start_utc) // 1000,
        "to": clock.drawn(period.end_utc) // 1000,
        "least": _SHORTEST_RANGE_S,
        "zone": clock.zone,
        "clocks": _clocks(clock),
        "plots": [_plot(plot, clock) for plot in plots],
    }
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def _clocks(clock: PlantClock) -> list[list[Any]]:
    """Return from when on the wall clock runs how far ahead of the drawn axis: [drawn s, ahead s, zone letters].

    The letters are empty where the clock does not change in the period.
    """
    starts = (clock.period.start_utc, *clock.changes)
    return [[clock.drawn(start) // 1000, *_ahead(start, clock)] for start in starts]


def _ahead(moment: pd.Timestamp, clock: PlantClock) -> tuple[int, str]:
    local = clock.period.local(moment)
    ahead = pd.Timedelta(local.utcoffset() or 0) - clock.offset
    return int(ahead.total_seconds()), f"{local:%Z}" if clock.changes else ""


def _plot(plot: Plot, clock: PlantClock) -> dict[str, Any]:
    first = clock.drawn(clock.period.start_utc) // 1000

    def second(moment: pd.Timestamp) -> int:
        return clock.drawn(moment) // 1000 - first

    told: dict[str, Any] = {"name": plot.name, "unit": plot.unit, "ends": [_short(end) for end in plot.ends]}
    if plot.line is not None:
        told["lines"] = _stretches(plot.line, ("value",), clock, first)
    if plot.band is not None:
        told["bands"] = _stretches(plot.band, ("low", "high"), clock, first)
    if plot.usual is not None:
        told["usual"] = [_short(end) for end in plot.usual]
    if plot.limits:
        told["limits"] = [[_short(value), words] for value, words in plot.limits]
    if plot.grabs is not None:
        grabs = plot.grabs.dropna()
        times = clock.drawn_ms(pd.DatetimeIndex(grabs.index)) // 1000 - first
        told["grabs"] = [[time, _short(value)] for time, value in zip(times.tolist(), grabs.tolist(), strict=True)]
    if plot.spans:
        told["spans"] = [[number, second(start), second(end)] for number, start, end in plot.spans]
    if plot.left_out:
        told["out"] = [[second(start), second(end)] for start, end in plot.left_out]
    if plot.rules:
        told["rules"] = [second(moment) for moment in plot.rules]
    if plot.rows:
        told["rows"] = [_bar_row(row, second) for row in plot.rows]
    return told


def _bar_row(row: BarRow, second: Any) -> dict[str, Any]:
    return {
        "label": row.label,
        "there": [[second(start), second(end)] for start, end in row.stretches],
        "faults": [[second(start), second(end), words] for start, end, words in row.faults],
    }


def _stretches(frame: pd.DataFrame, names: Iterable[str], clock: PlantClock, first: int) -> list[list[float]]:
    """Return one flat list per stretch without a gap: second, value(s), second, value(s), …"""
    seconds = clock.drawn_ms(pd.DatetimeIndex(frame["time"])) // 1000 - first
    columns = [seconds.tolist(), *([_short(value) for value in frame[name]] for name in names)]
    stretches: dict[Any, list[float]] = {}
    for segment, *row in zip(frame["segment"].tolist(), *columns, strict=True):
        stretches.setdefault(segment, []).extend(row)
    return list(stretches.values())


def _short(value: float) -> float:
    number = float(f"{value:.5g}")
    return int(number) if number == math.floor(number) and abs(number) < 1e9 else number


@lru_cache(maxsize=1)
def script() -> Markup:
    """Return the one script of the pages, word for word as it stands between its element's ends."""
    text = (files("trendkit.reports") / "templates" / "close_look.js").read_text(encoding="utf-8")
    if "</" in text or "<!--" in text:
        raise ValueError("the pages' script may not hold the end of an element")
    return Markup(text)


@lru_cache(maxsize=1)
def script_hash() -> str:
    """Return the script's hash as a content-security policy names it: no other script runs on a page."""
    return f"sha256-{b64encode(hashlib.sha256(script().encode()).digest()).decode()}"
