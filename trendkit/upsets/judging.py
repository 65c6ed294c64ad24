"""Judges every watched column of one press and mode: what was usual for each block, and the signs.

Comes in: judged blocks. Goes out: `JudgedMode`. Each run is judged by what came before it alone: the press's recent
normal of earlier runs, and where the run itself was before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Press
from trendkit.upsets.blocks import Judged
from trendkit.upsets.normal import Normal, daily_regressors, recent_normal
from trendkit.upsets.signs import Sign, is_shutting_down, make_sign
from trendkit.upsets.spans import find_sampled_spans, find_spans, in_unit
from trendkit.upsets.watched import WATCHED, Watched

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int64]

CLEARLY_OUT = 7.0  # spreads: such blocks say nothing about normal
HISTORY_H = 200.0  # pressing hours the recent normal looks back
WARM_UP_H = 8.0  # pressing hours before anything can be judged by past data alone
NEW_NORMAL_H = 24.0  # out of band for most of this many pressing hours: that is how the press runs now
NEW_NORMAL_SHARE = 0.6
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
    daily = daily_regressors(pd.DatetimeIndex(blocks.index), timezone)
    columns = {}
    for watched in WATCHED:
        if judged.mode not in watched.modes or watched.name not in blocks:
            continue
        if blocks[watched.name].notna().sum() < min(per_hour, 0.2 * len(blocks)):
            continue
        columns[watched.name] = _judge_column(judged, watched, press, daily)
    step = pd.Timedelta(seconds=judged.block_s)
    known_from = blocks.index[warm_up - 1] + step if warm_up else blocks.index[0]
    return JudgedMode(judged, columns, known_from)


def _judge_column(judged: Judged, watched: Watched, press: Press, daily: Floats) -> JudgedColumn:
    blocks = judged.blocks
    values = blocks[watched.name].to_numpy(dtype=float)
    codes = pd.factorize(blocks["piece"])[0].astype(np.int64)
    is_sampled = watched.is_effect and _is_sampled(values, codes)
    given = [name for name in watched.given if name.removesuffix("^2") in blocks]
    plain = [name for name in given if not name.endswith("^2")]
    regressors = np.column_stack([daily, *(blocks[name].to_numpy(dtype=float) for name in plain)])
    squared = tuple(2 + plain.index(name.removesuffix("^2")) for name in given if name.endswith("^2"))
    limit = press.targets.get(judged.mode, {}).get(watched.column)
    usual, spread, move_spread = (np.full(values.shape, np.nan) for _ in range(3))
    is_normal = ~np.isnan(values)
    epochs = _epochs(pd.DatetimeIndex(blocks.index), press)
    if watched.name == "capture":  # each method has its own bias
        method = blocks.groupby("piece")["capture_method"].transform("median").round().fillna(-1.0)
        epochs = epochs * 100 + method.to_numpy().astype(np.int64)
    signs: list[Sign] = []
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    for first, last in zip(starts, [*starts[1:], values.size], strict=True):
        history = _history(is_normal, values, epochs, int(first), judged.block_s)
        if history.size < 12:
            continue
        normal = _normal_of(history, values, regressors, squared, codes, watched, is_sampled, judged.block_s)
        level = normal.line.level(regressors[first:last])
        usual[first:last], spread[first:last], move_spread[first:last] = (
            level,
            normal.spread,
            normal.move_spread,
        )
        piece = values[first:last]
        if is_sampled:
            spans = find_sampled_spans(piece, level, normal, watched)
        else:
            spans = find_spans(piece, level, normal, watched, limit, judged.block_s)
        for span in spans:
            sign = make_sign(judged, watched, int(first), span, normal, limit)
            if is_shutting_down(span, sign, piece.size, judged.block_s):
                continue
            signs.append(sign)
            if sign.severity >= 2 or sign.z >= CLEARLY_OUT:
                is_normal[first + span.first : first + span.last] = False
    return JudgedColumn(usual, spread, move_spread, tuple(signs), is_sampled)


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


def _normal_of(
    history: Codes,
    values: Floats,
    regressors: Floats,
    squared: tuple[int, ...],
    codes: Codes,
    watched: Watched,
    is_sampled: bool,
    block_s: int,
) -> Normal:
    if is_sampled:  # one grab counts once, however many blocks carry its value
        fresh = np.flatnonzero(np.diff(values[history], prepend=np.nan) != 0.0)
        history = history[fresh]
    typical = abs(float(np.median(values[history])))
    floor = in_unit(watched, watched.least, typical) / 6.0
    crew_spread = watched.crew_spread / 100.0 * typical
    return recent_normal(
        values[history],
        regressors[history],
        codes[history],
        block_s,
        max(floor, 1e-9),
        crew_spread,
        squared,
    )
