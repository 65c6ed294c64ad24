"""Judges every watched column of one press and mode: what was usual for each block, and the signs.

Comes in: judged blocks. Goes out: `JudgedMode`. Each run is judged by what came before it alone: the press's recent
normal of earlier runs, and where the run itself was before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Limit, Press
from trendkit.upsets.blocks import Judged
from trendkit.upsets.charts import median
from trendkit.upsets.normal import Habit, Normal, daily_regressors, recent_normal
from trendkit.upsets.signs import Sign, is_shutting_down, make_sign
from trendkit.upsets.spans import Span, find_sampled_spans, find_spans, in_unit
from trendkit.upsets.watched import WATCHED, Watched

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int64]

DAILY = 2  # regressors of the daily pattern
CLEARLY_OUT = 5.5  # spreads: such blocks say nothing about normal
HISTORY_H = 200.0  # pressing hours the recent normal looks back
WARM_UP_H = 8.0  # pressing hours before anything can be judged by past data alone
NEW_NORMAL_H = 24.0  # out of band for most of this many pressing hours: that is how the press runs now
NEW_NORMAL_SHARE = 0.6
EARLY_H = 2.5  # into a run: it is being set up, and the move that its first grab brings fades from where the run was
SAMPLED_SHARE = 0.8  # of block differences that are exactly zero: the column steps from grab to grab


@dataclass(frozen=True)
class JudgedColumn:
    """What was usual for one column; arrays aligned with the blocks, NaN where it was not judged."""

    usual: Floats
    spread: Floats
    move_spread: Floats
    signs: tuple[Sign, ...]
    is_sampled: bool


@dataclass(frozen=True)
class JudgedMode:
    """All judged columns of one mode."""

    judged: Judged
    columns: dict[str, JudgedColumn]
    known_from: pd.Timestamp  # the warm-up is over

    @property
    def signs(self) -> list[Sign]:
        """All signs, by onset."""
        found = [sign for column in self.columns.values() for sign in column.signs]
        return sorted(found, key=lambda sign: (sign.onset, sign.name))


def judge_mode(judged: Judged, press: Press, timezone: str) -> JudgedMode:
    """Return what was usual and the signs of every watched column that has values in this mode."""
    blocks = judged.blocks
    per_hour = 3600.0 / judged.block_s
    warm_up = min(round(WARM_UP_H * per_hour), len(blocks))
    runs = _runs_of(blocks, press, timezone)
    columns = {}
    for watched in WATCHED:
        if judged.mode not in watched.modes or watched.name not in blocks:
            continue
        if blocks[watched.name].notna().sum() < min(per_hour, 0.2 * len(blocks)):
            continue
        columns[watched.name] = _judge_column(judged, watched, press, runs)
    step = pd.Timedelta(seconds=judged.block_s)
    known_from = blocks.index[warm_up - 1] + step if warm_up else blocks.index[0]
    return JudgedMode(judged, columns, known_from)


@dataclass(frozen=True)
class _Runs:
    """What the blocks of a mode have in common, whichever column is judged."""

    pieces: Codes
    daily: Floats
    epochs: Codes  # stretches between dated settings
    is_early: Bools  # in the first hours of their run


def _runs_of(blocks: pd.DataFrame, press: Press, timezone: str) -> _Runs:
    times = pd.DatetimeIndex(blocks.index)
    pieces = pd.factorize(blocks["piece"])[0].astype(np.int64)
    return _Runs(pieces, daily_regressors(times, timezone), _epochs(times, press), _is_early(blocks))


@dataclass(frozen=True)
class _Column:
    """One watched column over all blocks, with what its level depends on."""

    watched: Watched
    values: Floats
    pieces: Codes
    regressors: Floats  # the daily pattern first, then the given columns
    squared: tuple[int, ...]
    epochs: Codes  # stretches whose normal is one and the same
    is_sampled: bool
    is_early: Bools  # in the first hours of their run
    block_s: int


def _column_of(judged: Judged, watched: Watched, runs: _Runs) -> _Column:
    blocks = judged.blocks
    values = blocks[watched.name].to_numpy(dtype=float)
    given = [name for name in watched.given if name.removesuffix("^2") in blocks]
    plain = [name for name in given if not name.endswith("^2")]
    epochs = runs.epochs
    if watched.name == "capture":  # each method has its own bias
        method = blocks.groupby("piece")["capture_method"].transform("median").round().fillna(-1.0)
        epochs = epochs * 100 + method.to_numpy().astype(np.int64)
    return _Column(
        watched,
        values,
        runs.pieces,
        np.column_stack([runs.daily, *(blocks[name].to_numpy(dtype=float) for name in plain)]),
        tuple(DAILY + plain.index(name.removesuffix("^2")) for name in given if name.endswith("^2")),
        epochs,
        watched.is_effect and _is_sampled(values, runs.pieces),
        runs.is_early,
        judged.block_s,
    )


def _is_early(blocks: pd.DataFrame) -> Bools:
    """Return, per block, whether it lies in the first hours of its run."""
    times = blocks.index.to_series()
    begun = times.groupby(blocks["run"].to_numpy()).transform("min")
    return np.asarray((times - begun) < pd.Timedelta(hours=EARLY_H), dtype=bool)


def _judge_column(judged: Judged, watched: Watched, press: Press, runs: _Runs) -> JudgedColumn:
    column = _column_of(judged, watched, runs)
    values = column.values
    limit = press.targets.get(judged.mode, {}).get(watched.column)
    usual, spread, move_spread = (np.full(values.shape, np.nan) for _ in range(3))
    is_normal = ~np.isnan(values)
    signs: list[Sign] = []
    starts = np.flatnonzero(np.diff(column.pieces, prepend=-1))
    for first, last in zip(starts, [*starts[1:], values.size], strict=True):
        history = _history(is_normal, values, column.epochs, int(first), judged.block_s)
        if history.size < 12:
            continue
        normal = _normal_of(history, column)
        piece = slice(int(first), int(last))
        usual[piece] = normal.line.level(column.regressors[piece])
        spread[piece], move_spread[piece] = normal.spread, normal.move_spread_at(column.is_early[piece])
        for span, held_against in _spans_of(column, history, normal, piece, limit):
            sign = make_sign(judged, watched, int(first), span, _spread_of(span, held_against, column, piece), limit)
            sign = replace(sign, is_as_expected=held_against is not normal)
            if is_shutting_down(span, sign, values[piece].size, judged.block_s):
                continue
            signs.append(sign)
            if sign.severity >= 2 or sign.z >= CLEARLY_OUT:
                is_normal[first + span.first : first + span.last] = False
    return JudgedColumn(usual, spread, move_spread, tuple(signs), column.is_sampled)


def _spread_of(span: Span, normal: Normal, column: _Column, piece: slice) -> float:
    if span.channel == "level":
        return normal.spread
    return float(normal.move_spread_at(column.is_early[piece][span.detected : span.detected + 1])[0])


def _spans_of(
    column: _Column, history: Codes, normal: Normal, piece: slice, limit: Limit | None
) -> list[tuple[Span, Normal]]:
    """Return the spans out of band within a piece of a run, each with the normal it is held against.

    What comes out of the press is judged twice: given feed and settings, and, for sudden turns for the worse, as it
    is. The first tells what the press did, the second what left it.
    """
    watched, values = column.watched, column.values[piece]
    level = normal.line.level(column.regressors[piece])
    if column.is_sampled:
        return [(span, normal) for span in find_sampled_spans(values, level, normal, watched)]
    is_early = column.is_early[piece]
    answered = normal.answered(column.regressors[piece])
    spans = find_spans(values, level, normal, watched, limit, column.block_s, is_early, answered)
    found = [(span, normal) for span in spans]
    if not watched.is_effect or not watched.given:
        return found
    plain = replace(column, regressors=column.regressors[:, :DAILY], squared=())
    as_it_is = _normal_of(history, plain)
    level = as_it_is.line.level(plain.regressors[piece])
    for span in find_spans(values, level, as_it_is, watched, None, column.block_s, is_early):
        is_told = any(
            other.side == span.side and other.first < span.last and other.last > span.first for other in spans
        )
        if span.channel == "move" and span.side == watched.worse and not is_told:
            found.append((span, as_it_is))
    return found


def _is_sampled(values: Floats, codes: Codes) -> bool:
    steps = np.diff(values)[np.diff(codes) == 0]
    steps = steps[~np.isnan(steps)]
    return steps.size > 0 and float(np.mean(steps == 0.0)) > SAMPLED_SHARE


def _epochs(times: pd.DatetimeIndex, press: Press) -> Codes:
    """Number the stretches between dated settings: what was normal with the old belt says little of the new."""
    changes = pd.DatetimeIndex([change.start_utc for change in press.changes]) if press.changes else None
    if changes is None:
        return np.zeros(len(times), dtype=np.int64)
    return np.asarray(changes.sort_values().searchsorted(times, side="right"), dtype=np.int64)


def _history(is_normal: Bools, values: Floats, epochs: Codes, first: int, block_s: int) -> Codes:
    """Return the positions of the blocks that say what is normal for the piece that begins at `first`."""
    per_hour = 3600.0 / block_s
    same = epochs == epochs[first]
    earlier = np.flatnonzero(same[:first])
    recent = earlier[-round(NEW_NORMAL_H * per_hour) :]
    seen = ~np.isnan(values)
    usable = is_normal & seen
    if recent.size >= round(0.5 * NEW_NORMAL_H * per_hour):
        out_of_band = seen[recent] & ~is_normal[recent]
        if out_of_band.sum() > NEW_NORMAL_SHARE * max(int(seen[recent].sum()), 1):
            return recent[seen[recent]]
    kept = earlier[usable[earlier]]
    if kept.size >= WARM_UP_H * per_hour:
        return kept[-round(HISTORY_H * per_hour) :]
    # Warm-up: the first hours of the stretch, later ones too; `JudgedMode.known_from` says so.
    begun = np.flatnonzero(same & seen)
    return begun[: round(WARM_UP_H * per_hour)]


def _normal_of(history: Codes, column: _Column) -> Normal:
    watched, values = column.watched, column.values
    if column.is_sampled:  # one grab counts once, however many blocks carry its value
        fresh = np.flatnonzero(np.diff(values[history], prepend=np.nan) != 0.0)
        history = history[fresh]
    typical = abs(median(values[history]))
    floor = in_unit(watched, watched.least, typical) / 6.0
    return recent_normal(
        values[history],
        column.regressors[history],
        column.pieces[history],
        column.block_s,
        max(floor, 1e-9),
        Habit(watched.crew_spread / 100.0 * typical, watched.habit / 100.0 * typical),
        column.squared,
        column.is_early[history],
        DAILY,
    )
