"""Spans of blocks out of their normal band or beyond a target, with memory, hysteresis and a least size.

Comes in: block means of one column over one piece of a run and what is normal for it. Goes out: `Span`s. The
EWMA and CUSUM are judged by limits that allow for the correlation of blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trendkit.plant.model import Limit
from trendkit.upsets.charts import cusum, ewma
from trendkit.upsets.normal import EWMA_WEIGHT, Normal, calm_moves, trailing_mean
from trendkit.upsets.watched import Watched

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Widths in robust spreads, tuned on invented plants (development seeds only).
ENTER_BLOCK = 4.0  # this block; the one before it at least ENTER_BEFORE
ENTER_BEFORE = 3.0
ENTER_EWMA = 4.0
ENTER_MOVE = 4.5  # of the last ten minutes against the run's own last hours
CUSUM_SLACK = 1.0
CUSUM_INTERVAL = 4.0  # per effective observation, stretched by the correlation of blocks
LEAVE = 1.5
LEAVE_MOVE = 0.4  # of the move that was noticed
NOT_A_RETURN = 0.4  # of a move must lead away from the normal level
PACED_ANEW = 1.5  # spreads: a move of paced polymer must leave the press's own normal, too
BACK_S = 900.0  # the contract: back in its band for 15 minutes
WORST_S = 900.0  # the contract: the worst 15-min mean

Channel = Literal["level", "move"]


@dataclass(frozen=True)
class Span:
    """An unbroken excursion: positions among the piece's blocks, `last` exclusive; `side` is +1 or -1.

    Channel "level" is out of the press's recent normal, "move" has left where its own run was; `usual` is
    what the blocks are held against.
    """

    first: int
    last: int
    detected: int  # the first block whose past sufficed
    side: int
    channel: Channel
    usual: Floats


def in_unit(watched: Watched, amount: float, level: float) -> float:
    """Return an amount of the watched scale (points, or percent of `level`) in the column's own unit."""
    return amount if watched.scale == "points" else amount / 100.0 * abs(level)


def _least_of(watched: Watched, level: Floats) -> Floats:
    """Return, per block, the smallest change worth a sign, in the column's own unit."""
    return np.full(level.shape, watched.least) if watched.scale == "points" else watched.least / 100.0 * np.abs(level)


def find_spans(
    values: Floats,
    level: Floats,
    normal: Normal,
    watched: Watched,
    limit: Limit | None,
    block_s: int,
    is_early: Bools | None = None,
    answered: Floats | None = None,
) -> list[Span]:
    """Return the spans out of band within one piece of a run, by onset.

    `is_early`: which blocks lie in the run's first hours. `answered`: the level moves are held against, `level` unless
    given.
    """
    left = values - level
    least = _least_of(watched, level)
    moving = find_moves(values, level if answered is None else answered, normal, watched, block_s, is_early)
    spans = list(moving)
    enters = _enters(left, normal, least)
    recent = _quarter_hour(values)
    for side in (1, -1):
        enter = enters[side] | _over_limit(recent, level, side, watched, limit)
        leave = np.maximum(LEAVE * normal.spread, 0.5 * least)
        away = [
            replace(span, usual=level[span.first : span.last])
            for span in _excursions(enter, side * left, leave, side, "level", _back(block_s))
        ]
        spans += _without_repeats(away, [span for span in moving if span.side == side])
    return sorted(spans, key=lambda span: span.first)


def _back(block_s: int) -> int:
    return max(1, round(BACK_S / block_s))


def _quarter_hour(values: Floats) -> Floats:
    """Return the mean of each block and the two before it, of two known ones at least."""
    return trailing_mean(values, None, 3, 0, 2)


def find_moves(
    values: Floats, level: Floats, normal: Normal, watched: Watched, block_s: int, is_early: Bools | None = None
) -> list[Span]:
    """Return the spans that left where the run was, to either side; that level is held until they come back.

    Where the run was is known from its calm blocks alone: the end of one excursion is not the start of another. Crews
    pace polymer anew when a feed grab comes back: from one usual dose to another is no sign.
    """
    left = values - level
    spread = normal.move_spread_at(np.zeros(left.size, dtype=bool) if is_early is None else is_early)
    enough = np.maximum(ENTER_MOVE * spread, _least_of(watched, level))
    out_of_normal = PACED_ANEW * normal.spread if watched.is_paced else 0.0
    calm = left.copy()
    spans: list[Span] = []
    position = 0
    while position < left.size:
        own, moved = calm_moves(left, calm, block_s)
        with np.errstate(invalid="ignore"):
            reached = np.maximum(NOT_A_RETURN * np.abs(moved), out_of_normal)
            leaps = (np.abs(moved) >= enough) & (np.sign(moved) * left >= reached)
        ahead = np.flatnonzero(leaps[position:])
        if not ahead.size:
            break
        detected = position + int(ahead[0])
        side = 1 if moved[detected] > 0 else -1
        leave = max(LEAVE_MOVE * abs(float(moved[detected])), float(spread[detected]))
        span = excursion(side * (left - own[detected]), detected, leave, side, block_s)
        first = max(span.first, position)
        spans.append(replace(span, first=first, usual=(level + own[detected])[first : span.last]))
        calm[first : span.last] = np.nan
        position = span.last
    return spans


def _without_repeats(away: list[Span], moving: list[Span]) -> list[Span]:
    """Return the level spans less what a move of the same side already tells, cut where one begins."""
    kept = []
    for span in away:
        overlapping = [move for move in moving if move.first < span.last and move.last > span.first]
        if not overlapping:
            kept.append(span)
            continue
        until = min(move.first for move in overlapping)
        if span.detected < until:
            kept.append(replace(span, last=until, usual=span.usual[: until - span.first]))
    return kept


def _enters(left: Floats, normal: Normal, least: Floats) -> dict[int, Bools]:
    """Return, by side, where the memory statistics say "out of band" and the recent 15 minutes are worth it."""
    z = left / normal.spread
    averaged = ewma(z, EWMA_WEIGHT) / normal.ewma_spread
    stretch = (1.0 + normal.correlation) / (1.0 - normal.correlation)
    both = cusum(z, 0.0, CUSUM_SLACK)
    recent, before = _quarter_hour(left), np.concatenate([[np.nan], z[:-1]])
    enters = {}
    with np.errstate(invalid="ignore"):
        for side, sums in ((1, both.high), (-1, both.low)):
            twice = (side * z >= ENTER_BLOCK) & (side * before >= ENTER_BEFORE)
            fires = twice | (side * averaged >= ENTER_EWMA) | (sums >= CUSUM_INTERVAL * stretch)
            enters[side] = fires & (side * recent >= least) & (side * left >= 0.5 * least)
    return enters


def _over_limit(recent: Floats, level: Floats, side: int, watched: Watched, limit: Limit | None) -> Bools:
    """Return where 15-min means are a severity step beyond the target though normal keeps it."""
    bound = None if limit is None else (limit.high if side > 0 else limit.low)
    if bound is None or watched.steps is None:
        return np.zeros(recent.shape, dtype=bool)
    step = in_unit(watched, watched.steps[0], bound)
    with np.errstate(invalid="ignore"):
        return np.asarray((side * (recent - bound) >= step) & (side * (level - bound) <= 0.0), dtype=bool)


def _excursions(enter: Bools, gone: Floats, leave: Floats, side: int, channel: Channel, back: int) -> list[Span]:
    """Return the spans that begin where `enter` holds and end once `gone` stays under `leave` for `back` blocks."""
    spans: list[Span] = []
    position, size = 0, enter.size
    while position < size:
        if not enter[position]:
            position += 1
            continue
        detected = position
        first = _first_out(gone, detected, float(leave[detected]), spans[-1].last if spans else 0)
        returned, last = 0, size
        while position < size:
            if not np.isnan(gone[position]):
                returned = returned + 1 if gone[position] < leave[position] else 0
                if returned >= back:
                    last = position - back + 1
                    break
            position += 1
        last = max(last, detected + 1)
        spans.append(Span(first, last, detected, side, channel, np.empty(0)))
        position = max(position, last)
    return spans


def excursion(gone: Floats, detected: int, leave: float, side: int, block_s: int) -> Span:
    """Return the excursion noticed at `detected`, over once `gone` stays under `leave` for a quarter of an hour."""
    enter = np.zeros(gone.size, dtype=bool)
    enter[detected] = True
    (span,) = _excursions(enter, gone, np.full(gone.size, leave), side, "move", _back(block_s))
    return span


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
                begun = spans[-1].first
                spans[-1] = replace(spans[-1], last=int(last), usual=level[begun:last])
            else:
                spans.append(Span(int(first), int(last), int(first), side, "level", level[first:last]))
    return spans
