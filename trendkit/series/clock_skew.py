"""A tag stamped late or early: its starts and stops against those of the press. Suggested, never corrected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trendkit.series.robust import robust_spread
from trendkit.series.segments import Bools, Floats, stretches_of

LONG_ENOUGH_S = 3600.0  # a run, and the rest before and after it
LOOK_S = 5400.0  # how far from an edge of the press the tag's own is looked for
LEAST_SHIFT_S = 360.0
AGREEMENT_S = 240.0
LEAST_EDGES = 3
CLEAR = 3.0  # how far rest and work must lie apart, in spreads of both

EdgeKind = Literal["start", "stop"]


@dataclass(frozen=True)
class ClockShift:
    """Bins `first` up to `past` in which a tag follows the press `late_s` later than usual, by `edges` edges."""

    first: int
    past: int
    late_s: float
    edges: int


@dataclass(frozen=True)
class _Edge:
    place: int
    kind: EdgeKind
    lag: int  # bins after the press's own edge


def find_clock_shifts(readings: Floats, is_moving: Bools, bin_s: float) -> list[ClockShift]:
    """Return when a tag's starts and stops came later or earlier, against the press's, than they usually do.

    `readings` per bin (NaN where unknown). Several starts and stops in a row must agree; a tag that shows no
    difference between rest and work, or follows the press loosely, says nothing.
    """
    edges = _edges(readings, is_moving, bin_s)
    usual = {}
    for kind in ("start", "stop"):
        lags = np.array([edge.lag for edge in edges if edge.kind == kind], float)
        if len(lags) >= 2 * LEAST_EDGES and robust_spread(lags) * bin_s <= AGREEMENT_S:
            usual[kind] = float(np.median(lags))
    if len(usual) < 2:
        return []
    late = [(edge, (edge.lag - usual[edge.kind]) * bin_s) for edge in edges]
    found: list[ClockShift] = []
    row: list[tuple[_Edge, float]] = []
    for edge, seconds in [*late, (None, 0.0)]:
        middle = float(np.median([each for _, each in row])) if row else seconds
        if edge is not None and abs(seconds) >= LEAST_SHIFT_S and abs(seconds - middle) <= AGREEMENT_S:
            row.append((edge, seconds))
            continue
        if len(row) >= LEAST_EDGES and len({each.kind for each, _ in row}) == 2:
            found.append(ClockShift(row[0][0].place, row[-1][0].place + 1, middle, len(row)))
        row = [(edge, seconds)] if edge is not None and abs(seconds) >= LEAST_SHIFT_S else []
    return found


def _edges(readings: Floats, is_moving: Bools, bin_s: float) -> list[_Edge]:
    """Return the starts and stops of the press that the tag shows, with the tag's lag in bins."""
    is_on = _at_work(readings, is_moving, round(1800.0 / bin_s))
    if is_on is None:
        return []
    long, look = round(LONG_ENOUGH_S / bin_s), round(LOOK_S / bin_s)
    runs = stretches_of(is_moving)
    edges = []
    for place, (first, past) in enumerate(runs):
        rest_before = first - (runs[place - 1][1] if place else 0)
        rest_after = (runs[place + 1][0] if place + 1 < len(runs) else len(is_moving)) - past
        if past - first < long:
            continue
        if rest_before >= long and first >= look:
            lag = _first_steady(is_on[first - look : min(first + look, past)])
            if lag:
                edges.append(_Edge(first, "start", lag - look))
        if rest_after >= long and past + look <= len(is_moving):
            begin = max(past - look, first)
            lag = _first_steady(is_on[begin : past + look][::-1])
            if lag:
                edges.append(_Edge(past, "stop", look - lag))
    return edges


def _first_steady(is_on: Bools) -> int | None:
    """Return the first place from which the tag is on for six bins; None if there is none. 0 tells nothing."""
    steady = np.convolve(is_on.astype(int), np.ones(6, int), "valid") == 6
    return int(np.argmax(steady)) if steady.any() else None


def _at_work(readings: Floats, is_moving: Bools, margin: int) -> Bools | None:
    """Return in which bins the tag reads as at work, None when rest and work look alike."""
    kernel = np.ones(2 * margin + 1)
    if margin < 1 or len(is_moving) < len(kernel):  # bins of an hour or more cannot show a shift of minutes
        return None
    near = np.convolve(is_moving.astype(float), kernel, "same")
    known = ~np.isnan(readings)
    working, resting = known & (near >= len(kernel) - 0.5), known & (near < 0.5)
    if working.sum() < 2 * margin or resting.sum() < 2 * margin:
        return None
    work, rest = float(np.median(readings[working])), float(np.median(readings[resting]))
    spread = robust_spread(readings[working]) + robust_spread(readings[resting])
    if abs(work - rest) <= max(CLEAR * spread, 0.2 * abs(work)):
        return None
    is_on: Bools = np.nan_to_num((readings - rest) / (work - rest)) > 0.5
    return is_on
