"""Spans of blocks out of their normal band or beyond a target, with memory, hysteresis and a least size.

Comes in: block means of one column over one piece of a run and what is normal for it. Goes out: `Span`s. The
EWMA and CUSUM are judged by limits that allow for the correlation of blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Limit
from trendkit.upsets.charts import cusum, ewma
from trendkit.upsets.normal import EWMA_WEIGHT, Normal
from trendkit.upsets.watched import Watched

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Widths in robust spreads, tuned on invented plants (development seeds only).
ENTER_BLOCK = 4.0  # this block; the one before it at least ENTER_BEFORE
ENTER_BEFORE = 3.0
ENTER_EWMA = 4.0
ENTER_JUMP = 6.0
CUSUM_SLACK = 1.0
CUSUM_INTERVAL = 4.0  # per effective observation, stretched by the correlation of blocks
LEAVE = 1.5
BACK_S = 900.0  # the contract: back in its band for 15 minutes
WORST_S = 900.0  # the contract: the worst 15-min mean


@dataclass(frozen=True)
class Span:
    """An unbroken excursion: positions among the piece's blocks, `last` exclusive; `side` is +1 or -1."""

    first: int
    last: int
    detected: int  # the first block whose past sufficed
    side: int
    reference: Floats | None  # level before a jump, per block of the span; None: the normal level


def in_unit(watched: Watched, amount: float, level: float) -> float:
    """Return an amount of the watched scale (points, or percent of `level`) in the column's own unit."""
    return amount if watched.scale == "points" else amount / 100.0 * abs(level)


def find_spans(
    values: Floats,
    level: Floats,
    moved: Floats,
    before: Floats,
    normal: Normal,
    watched: Watched,
    limit: Limit | None,
    block_s: int,
) -> list[Span]:
    """Return the spans out of band within one piece, by either side, none overlapping another of its side."""
    away = values - level
    least = np.array([in_unit(watched, watched.least, each) for each in level])
    spans: list[Span] = []
    for side in (1, -1):
        enter = _enters(side * away, normal, least) | _over_limit(values, level, side, watched, limit)
        leap = np.zeros(values.shape, dtype=bool)
        if not watched.is_setting:
            leap = (side * moved > ENTER_JUMP * normal.jump_spread) & (side * moved > 1.5 * least)
            leap &= side * away > 0.5 * side * moved  # a return to normal is no sign
        spans += _hysteresis(enter, leap, away, values, before, side, normal, least, block_s)
    return sorted(spans, key=lambda span: span.first)


def _enters(away: Floats, normal: Normal, least: Floats) -> Bools:
    """Return where the memory statistics say "out of band upwards" and the recent 15 minutes are worth it."""
    z = away / normal.spread
    averaged = ewma(z, EWMA_WEIGHT) / normal.ewma_spread
    stretch = (1.0 + normal.correlation) / (1.0 - normal.correlation)
    sums = cusum(z, 0.0, CUSUM_SLACK).high
    with np.errstate(invalid="ignore"):
        twice = (z >= ENTER_BLOCK) & (np.roll(z, 1) >= ENTER_BEFORE)
        twice[:1] = False
        fires = twice | (averaged >= ENTER_EWMA) | (sums >= CUSUM_INTERVAL * stretch)
        recent = pd.Series(away).rolling(3, min_periods=2).mean().to_numpy()
        return np.asarray(fires & (recent >= least) & (away >= 0.5 * least), dtype=bool)


def _over_limit(values: Floats, level: Floats, side: int, watched: Watched, limit: Limit | None) -> Bools:
    """Return where 15-min means are a severity step beyond the target though normal keeps it."""
    bound = None if limit is None else (limit.high if side > 0 else limit.low)
    if bound is None or watched.steps is None:
        return np.zeros(values.shape, dtype=bool)
    step = in_unit(watched, watched.steps[0], bound)
    recent = pd.Series(values).rolling(3, min_periods=2).mean().to_numpy()
    with np.errstate(invalid="ignore"):
        return np.asarray((side * (recent - bound) >= step) & (side * (level - bound) <= 0.0), dtype=bool)


def _hysteresis(
    enter: Bools,
    leap: Bools,
    away: Floats,
    values: Floats,
    before: Floats,
    side: int,
    normal: Normal,
    least: Floats,
    block_s: int,
) -> list[Span]:
    need_back = max(1, round(BACK_S / block_s))
    spans: list[Span] = []
    position, size = 0, enter.size
    while position < size:
        if not (enter[position] or leap[position]):
            position += 1
            continue
        detected = position
        reference = None
        leave = max(LEAVE * normal.spread, 0.5 * float(least[detected]))
        gone = side * away
        if not enter[detected]:
            moved = side * (values[detected] - before[detected])
            reference = np.full(size, before[detected])
            gone = side * (values - before[detected])
            leave = 0.5 * moved
        first = _first_out(gone, detected, leave, spans[-1].last if spans else 0)
        back, last = 0, size
        while position < size:
            if not np.isnan(gone[position]):
                back = back + 1 if gone[position] < leave else 0
                if back >= need_back:
                    last = position - need_back + 1
                    break
            position += 1
        last = max(last, detected + 1)
        spans.append(Span(first, last, detected, side, None if reference is None else reference[first:last]))
        position = max(position, last)
    return spans


def _first_out(gone: Floats, detected: int, leave: float, earliest: int) -> int:
    """Return the first block of the unbroken excursion that ends at `detected` (one block may dip back)."""
    first, dips = detected, 0
    for position in range(detected - 1, earliest - 1, -1):
        if np.isnan(gone[position]) or gone[position] < 0.6 * leave:
            dips += 1
            if dips > 1:
                break
            continue
        first, dips = position, 0
    return first


def find_sampled_spans(values: Floats, level: Floats, normal: Normal, watched: Watched) -> list[Span]:
    """Return the stretches whose grab sample is out of band by a severity step; each grab is judged once."""
    steps = watched.steps[0] if watched.steps else 2.0 * watched.least
    spans: list[Span] = []
    edges = np.flatnonzero(np.diff(values, prepend=np.nan) != 0.0)
    for first, last in zip(edges, [*edges[1:], values.size], strict=True):
        away = values[first] - level[first]
        if np.isnan(away):
            continue
        worth = in_unit(watched, steps, float(level[first]))
        if abs(away) >= max(3.5 * normal.spread, worth):
            side = 1 if away > 0 else -1
            if spans and spans[-1].last == first and spans[-1].side == side:
                spans[-1] = replace(spans[-1], last=int(last))
            else:
                spans.append(Span(int(first), int(last), int(first), side, None))
    return spans
