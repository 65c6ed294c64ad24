"""Signs: spans in which one watched column is out of its normal band or beyond its target.

Comes in: judged blocks of one press and mode. Goes out: per column what was usual and how far each block
was from it, and the signs with onset, end, size and the moment at which past data alone sufficed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Limit, Press
from trendkit.upsets.blocks import Judged
from trendkit.upsets.changes import find_knee
from trendkit.upsets.normal import Normal, daily_regressors, recent_normal
from trendkit.upsets.spans import WORST_S, Channel, Span, find_sampled_spans, find_spans, in_unit
from trendkit.upsets.watched import BY_NAME, WATCHED, Watched

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CLEARLY_OUT = 7.0  # spreads: such blocks say nothing about normal
HISTORY_H = 200.0  # pressing hours the recent normal looks back
WARM_UP_H = 8.0  # pressing hours before anything can be judged by past data alone
NEW_NORMAL_H = 24.0  # out of band for most of this many pressing hours: that is how the press runs now
NEW_NORMAL_SHARE = 0.6
SHUT_DOWN_S = 2700.0  # an input that ends before the feed does so within this long (common practice)
SAMPLED_SHARE = 0.8  # of block differences that are exactly zero: the column steps from grab to grab


@dataclass(frozen=True)
class Sign:
    """One column out of its band; times UTC, `end` exclusive, sizes in the column's unit."""

    name: str  # of the watched column
    mode: str
    run: str
    side: int  # +1 above, -1 below
    onset: pd.Timestamp
    detected_at: pd.Timestamp
    end: pd.Timestamp
    feed_onset: pd.Timestamp  # when the sludge that shows it was fed
    feed_end: pd.Timestamp
    usual: float  # at the worst 15 minutes
    change: float  # worst 15-min mean less usual
    change_in_scale: float  # the same, positive, in points or percent
    z: float  # the same, in spreads of its channel
    channel: Channel
    shape: Literal["step", "ramp"]
    severity: int


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
            sign = _sign(judged, watched, int(first), span, normal, limit)
            if _is_shutting_down(span, sign, piece.size, judged.block_s):
                continue
            signs.append(sign)
            if sign.severity >= 2 or sign.z >= CLEARLY_OUT:
                is_normal[first + span.first : first + span.last] = False
    return JudgedColumn(usual, spread, move_spread, tuple(signs), is_sampled)


def _is_shutting_down(span: Span, sign: Sign, blocks: int, block_s: int) -> bool:
    """Return whether an input went to nothing in the last minutes of a run: pumps go off one after the other."""
    is_last = span.last >= blocks and (span.last - span.first) * block_s <= SHUT_DOWN_S
    watched = BY_NAME[sign.name]
    return is_last and watched.scale == "percent" and not watched.is_effect and sign.change < -0.8 * abs(sign.usual)


def _is_sampled(values: Floats, codes: NDArray[np.int64]) -> bool:
    steps = np.diff(values)[np.diff(codes) == 0]
    steps = steps[~np.isnan(steps)]
    return steps.size > 0 and float(np.mean(steps == 0.0)) > SAMPLED_SHARE


def _epochs(times: pd.DatetimeIndex, press: Press) -> NDArray[np.int64]:
    """Number the stretches between dated settings:
    what was normal with the old belt says little of the new.
    """
    changes = pd.DatetimeIndex([change.start_utc for change in press.changes]) if press.changes else None
    if changes is None:
        return np.zeros(len(times), dtype=np.int64)
    return np.asarray(changes.sort_values().searchsorted(times, side="right"), dtype=np.int64)


def _history(
    is_normal: Bools, values: Floats, epochs: NDArray[np.int64], first: int, block_s: int
) -> NDArray[np.int64]:
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
    history: NDArray[np.int64],
    values: Floats,
    regressors: Floats,
    squared: tuple[int, ...],
    codes: NDArray[np.int64],
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


def _sign(judged: Judged, watched: Watched, offset: int, span: Span, normal: Normal, limit: Limit | None) -> Sign:
    pieces = judged.blocks["piece"].to_numpy()
    size = int(np.searchsorted(pieces[offset:] != pieces[offset], True))
    blocks = judged.blocks.iloc[offset : offset + size]
    values = blocks[watched.name].to_numpy(dtype=float)
    spread = normal.spread if span.channel == "level" else normal.move_spread
    count = max(1, round(WORST_S / judged.block_s))
    # Whole quarter hours, into what follows where the span is shorter: a few minutes out are not a mean out.
    held = np.concatenate([span.usual, np.full(count - 1, span.usual[-1])])
    away = pd.Series(values[span.first : span.last + count - 1] - held[: size - span.first])
    means = span.side * away.rolling(min(count, len(away)), min_periods=1).mean().to_numpy()
    means[: min(count, len(means)) - 1] = np.nan
    worst = int(np.nanargmax(means)) if not np.isnan(means).all() else 0
    usual = held
    change = span.side * float(means[worst]) if not np.isnan(means[worst]) else 0.0
    middle = float(usual[worst])
    in_scale = abs(change) if watched.scale == "points" else 100.0 * abs(change) / max(abs(middle), 1e-9)
    severity = max(
        watched.severity(in_scale, span.side),
        _severity_beyond(watched, limit, middle + change, middle, span.side),
    )
    step = pd.Timedelta(seconds=judged.block_s)
    onset, shape = _onset(judged, watched, blocks, span)
    run_end = judged.minutes.index[judged.minutes["piece"] == blocks["piece"].iloc[0]][-1]
    end = blocks.index[span.last] if span.last < len(blocks) else run_end + pd.Timedelta(seconds=judged.every_s)
    lag = _lag(watched, blocks)
    return Sign(
        name=watched.name,
        mode=judged.mode,
        run=str(blocks["run"].iloc[0]),
        side=span.side,
        onset=onset,
        detected_at=blocks.index[span.detected] + step,
        end=end,
        feed_onset=onset - lag(onset),
        feed_end=end - lag(end),
        usual=middle,
        change=change,
        change_in_scale=in_scale,
        z=abs(change) / spread,
        channel=span.channel,
        shape=shape,
        severity=severity,
    )


def _severity_beyond(watched: Watched, limit: Limit | None, value: float, usual: float, side: int) -> int:
    bound = None if limit is None else (limit.high if side > 0 else limit.low)
    if bound is None or side * (usual - bound) > 0.0:
        return 0
    beyond = side * (value - bound)
    in_scale = beyond if watched.scale == "points" else 100.0 * beyond / max(abs(bound), 1e-9)
    return watched.severity(max(in_scale, 0.0), side)


def _onset(
    judged: Judged, watched: Watched, blocks: pd.DataFrame, span: Span
) -> tuple[pd.Timestamp, Literal["step", "ramp"]]:
    """Return when the column left its band, to the minute, and whether it stepped or crept away."""
    step = pd.Timedelta(seconds=judged.block_s)
    begun, noticed = blocks.index[span.first], blocks.index[span.detected]
    if span.first == 0:
        return begun, "step"
    minutes = judged.minutes
    inside = (minutes.index >= begun - pd.Timedelta(minutes=45)) & (minutes.index < noticed + 3 * step)
    stretch = minutes.loc[inside & (minutes["piece"] == blocks["piece"].iloc[0]), watched.name]
    knee = find_knee(stretch.to_numpy(dtype=float))
    if knee is None or knee.size * span.side <= 0.0:
        return begun, "step"
    onset = stretch.index[knee.position]
    return (onset if abs(onset - begun) <= pd.Timedelta(minutes=40) else begun), knee.shape


def _lag(watched: Watched, blocks: pd.DataFrame):  # type: ignore[no-untyped-def]
    column = {"feed": None, "gravity": "gravity_lag_s", "discharge": "feed_lag_s"}[watched.place]
    if column is None:
        return lambda _: pd.Timedelta(0)
    lags = blocks[column].ffill().bfill()

    def at(moment: pd.Timestamp) -> pd.Timedelta:
        position = max(0, int(lags.index.searchsorted(moment, side="right")) - 1)
        seconds = float(lags.iloc[position])
        return pd.Timedelta(seconds=0.0 if seconds != seconds else seconds)

    return at
