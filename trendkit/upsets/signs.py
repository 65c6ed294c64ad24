"""Signs: spans in which one watched column is out of its normal band or beyond its target.

Comes in: a span of blocks out of band and the minutes behind it. Goes out: `Sign` with onset to the minute, end,
size, severity and the moment at which past data alone sufficed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from trendkit.plant.model import Limit
from trendkit.upsets.blocks import Judged
from trendkit.upsets.changes import find_knee
from trendkit.upsets.spans import WORST_S, Channel, Span
from trendkit.upsets.watched import BY_NAME, Watched

SHUT_DOWN_S = 2700.0  # an input that ends before the feed does so within this long (common practice)


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
    is_as_expected: bool = False  # of cake or filtrate: just what feed, dose and speeds make of it


def make_sign(
    judged: Judged,
    watched: Watched,
    offset: int,
    span: Span,
    spread: float,
    limit: Limit | None,
) -> Sign:
    """Return the sign a span makes.

    `offset` is the position of the piece's first block among all of the mode's; `spread` that of the span's channel;
    `limit` the column's target, if any. Its size is the worst quarter of an hour against what the span was held
    against.
    """
    pieces = judged.blocks["piece"].to_numpy()
    size = int(np.searchsorted(pieces[offset:] != pieces[offset], True))
    blocks = judged.blocks.iloc[offset : offset + size]
    values = blocks[watched.name].to_numpy(dtype=float)
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


def _lag(watched: Watched, blocks: pd.DataFrame) -> Callable[[pd.Timestamp], pd.Timedelta]:
    """Return how long before a reading the sludge it speaks of was fed."""
    column = {"feed": None, "gravity": "gravity_lag_s", "discharge": "feed_lag_s"}[watched.place]
    if column is None:
        return lambda _: pd.Timedelta(0)
    lags = blocks[column].ffill().bfill()

    def at(moment: pd.Timestamp) -> pd.Timedelta:
        position = max(0, int(lags.index.searchsorted(moment, side="right")) - 1)
        seconds = float(lags.iloc[position])
        return pd.Timedelta(seconds=0.0 if seconds != seconds else seconds)

    return at


def is_shutting_down(span: Span, sign: Sign, blocks: int, block_s: int) -> bool:
    """Return whether an input went to nothing in the last minutes of a run: pumps go off one after the other."""
    is_last = span.last >= blocks and (span.last - span.first) * block_s <= SHUT_DOWN_S
    watched = BY_NAME[sign.name]
    return is_last and watched.scale == "percent" and not watched.is_effect and sign.change < -0.8 * abs(sign.usual)
