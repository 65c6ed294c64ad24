"""How far each watched column was from usual while something went wrong, in numbers and in words.

Comes in: judged columns of one mode and a span of sludge time. Goes out: one `Evidence` per column.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from math import log2
from operator import itemgetter
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.signs import Sign
from trendkit.upsets.spans import NOT_A_RETURN
from trendkit.upsets.watched import BY_NAME, Watched

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

FULL_SPREADS = 3.5  # evidence counts in full from here
STRONGEST = 1.6  # reached at eight times the least change worth a sign
WITHIN_HABIT = 0.3  # of the evidence of a setting that made no sign
SIGN_STRENGTH = 0.6  # of a column that made a sign, at least
BEFORE_NS = 100 * 60 * 10**9  # how far back "just before" reaches, in ns of sludge time
GAP_NS = 8 * 60 * 10**9
LEAST_BEFORE = 3  # blocks
LASTING = 0.4  # of the worst quarter of an hour that the later half of a span must show on average
EVENTS = {
    "belt_trip": "the belt trip came in",
    "press_stop": "the press stopped",
    "feed_source": "another tank or digester was put on",
}


@dataclass(frozen=True)
class Evidence:
    """What one column did over a span: `strength` from -1.6 (far below usual) over 0 to +1.6 (far above)."""

    name: str
    strength: float
    change: float  # in the watched scale, signed
    spreads: float  # the same in spreads, positive
    onset: pd.Timestamp | None  # in sludge time, when a sign was made of it
    shape: Literal["step", "ramp"] | None

    def words(self) -> str:
        """Return the evidence as a clause without units that depend on the reader's system.

        Examples
        --------
        >>> Evidence("feed_solids", -1.0, -27.4, 8.0, None, None).words()
        'feed solids 27 % below usual (8.0 times its usual spread)'
        """
        if self.name in EVENTS:
            return EVENTS[self.name]
        watched = BY_NAME[self.name]
        if abs(self.strength) < 0.3:
            return f"{watched.label} as usual"
        return f"{sized(watched, self.change)} ({self.spreads:.1f} times its usual spread)"


def sized(watched: Watched, change: float) -> str:
    """Return a signed change in words: "cake solids 2.3 points below usual"."""
    side = "above" if change > 0 else "below"
    unit = "points" if watched.scale == "points" else "%"
    amount = f"{abs(change):.1f}" if watched.scale == "points" else f"{abs(change):.0f}"
    return f"{watched.label} {amount} {unit} {side} usual"


@dataclass(frozen=True)
class Record:
    """What each column did, block by block, laid out for quick reading over spans of sludge time."""

    names: tuple[str, ...]
    fed: dict[str, Codes]  # place -> ns since 1970 at which the middle of each block's sludge was fed
    pieces: Codes  # number of the run piece of each block
    means: Floats  # (blocks, names)
    usual: Floats
    spread: Floats
    move_spread: Floats

    @cached_property
    def left(self) -> Floats:
        """What each column has beyond its usual level, (blocks, names), laid out by column."""
        return np.asfortranarray(self.means - self.usual)


def record_of(mode: JudgedMode) -> Record:
    """Return the record of a judged mode."""
    blocks = mode.judged.blocks
    names = tuple(mode.columns)
    middle = pd.DatetimeIndex(blocks.index).as_unit("ns").asi8 + mode.judged.block_s * 500_000_000
    fed = {"feed": middle}
    for place, lag in (("gravity", "gravity_lag_s"), ("discharge", "feed_lag_s")):
        fed[place] = middle - (blocks[lag].fillna(0.0).to_numpy() * 1e9).astype(np.int64)

    def matrix(of: Callable[[str], Floats]) -> Floats:
        return np.column_stack([of(name) for name in names]) if names else np.empty((len(blocks), 0))

    return Record(
        names,
        fed,
        pd.factorize(blocks["piece"])[0].astype(np.int64),
        matrix(lambda name: blocks[name].to_numpy(dtype=float)),
        matrix(lambda name: mode.columns[name].usual),
        matrix(lambda name: mode.columns[name].spread),
        matrix(lambda name: mode.columns[name].move_spread),
    )


@dataclass(frozen=True)
class Window:
    """The blocks that speak of one span of sludge time, per place, and those of the same run just before it."""

    during: dict[str, Codes]
    later: dict[str, Codes]  # the later half, where a ramp shows what it came to
    before: dict[str, Codes]


def window_of(record: Record, start: pd.Timestamp, end: pd.Timestamp) -> Window:
    """Return the blocks of the sludge fed from `start` to `end`, and of up to 90 min before it."""
    begins, ends = start.as_unit("ns").value, end.as_unit("ns").value
    during, later, before = {}, {}, {}
    for place, fed in record.fed.items():
        during[place] = _between(fed, begins, ends)
        later[place] = _between(fed, begins + (ends - begins) // 2, ends)
        same_run = record.pieces == record.pieces[during[place][0]]
        before[place] = np.flatnonzero(same_run & (fed >= begins - BEFORE_NS) & (fed < begins - GAP_NS))
    return Window(during, later, before)


def _between(fed: Codes, start: int, end: int) -> Codes:
    """Return the blocks whose sludge was fed from `start` to `end`; the nearest one if none was."""
    inside = np.flatnonzero((fed >= start) & (fed < end))
    return inside if inside.size else np.array([int(np.argmin(np.abs(fed - start)))])


def gather_evidence(
    record: Record, signs: Iterable[Sign], start: pd.Timestamp, end: pd.Timestamp
) -> dict[str, Evidence]:
    """Return what every measured column did while the sludge fed from `start` to `end` was on the press.

    Held against the same run just before, where there is a quarter of an hour of it; else against the recent
    normal. A column without any value in the span is not in the result.
    """
    shown: dict[str, Sign] = {}
    for sign in signs:
        if sign.name not in shown or sign.z > shown[sign.name].z:
            shown[sign.name] = sign
    window = window_of(record, start, end)
    found = {}
    for position, name in enumerate(record.names):
        watched = BY_NAME[name]
        left = record.left[:, position]
        rows = _known(left, window.later[watched.place])
        rows = rows if rows.size else _known(left, window.during[watched.place])
        if not rows.size:
            continue
        before = left[_known(left, window.before[watched.place])]
        is_moved = before.size >= LEAST_BEFORE
        now = float(np.mean(left[rows]))
        away = now - (float(np.mean(before)) if is_moved else 0.0)
        if is_moved and now * np.sign(away) < NOT_A_RETURN * abs(away):
            away = 0.0  # what came back to normal is no evidence of anything
        spread = record.move_spread if is_moved else record.spread
        level = float(np.mean(record.usual[rows, position]))
        found[name] = _evidence(watched, away, level, float(np.mean(spread[rows, position])), shown.get(name))
    return found


def _halves(window: Window, watched: Watched, left: Floats) -> list[Codes]:
    """Return the blocks that must show that a column stayed out: the later half, where a ramp shows what it came to.

    Of an input the earlier half will do: it may be put right long before cake and filtrate are back.
    """
    during, later = window.during[watched.place], window.later[watched.place]
    earlier = np.setdiff1d(during, later)
    halves = [_known(left, later)]
    return halves if watched.is_effect or earlier.size < LEAST_BEFORE else [*halves, _known(left, earlier)]


def _known(left: Floats, rows: Codes) -> Codes:
    return rows[~np.isnan(left[rows])]


def worst_change(record: Record, name: str, window: Window, side: int) -> float:
    """Return how far the worst quarter of an hour went to `side` of the same run just before, in the watched scale.

    Whatever the reason: nothing is taken out for feed or settings. NaN without a quarter of an hour
    before, when the later half of the span (of an input: either) shows little of it, or when an input only came back
    to normal.
    """
    watched = BY_NAME[name]
    means = record.means[:, record.names.index(name)]
    before = means[_known(means, window.before[watched.place])]
    during = pd.Series(means[window.during[watched.place]]).rolling(3, min_periods=2).mean().to_numpy()
    if before.size < LEAST_BEFORE or np.isnan(during).all():
        return float("nan")
    middle = float(np.mean(before))
    left = record.left[:, record.names.index(name)]
    halves = [rows for rows in _halves(window, watched, left) if rows.size]
    if not halves:
        return float("nan")
    lasting, rows = max(((float(np.mean(side * (means[rows] - middle))), rows) for rows in halves), key=itemgetter(0))
    is_return = not watched.is_effect and float(np.mean(side * left[rows])) < NOT_A_RETURN * lasting
    away = float(np.nanmax(side * (during - middle)))
    if not watched.is_effect:  # one that was off and is put right is not as far off: from its band's near edge at most
        beyond = pd.Series(left[window.during[watched.place]]).rolling(3, min_periods=2).mean().to_numpy()
        edge = float(np.nanmean(record.spread[window.during[watched.place], record.names.index(name)]))
        away = min(away, float(np.nanmax(side * beyond)) + edge) if not np.isnan(beyond).all() else away
    if is_return or lasting < LASTING * away:
        return float("nan")
    return away if watched.scale == "points" else 100.0 * away / max(abs(middle), 1e-9)


def _evidence(watched: Watched, away: float, level: float, spread: float, sign: Sign | None) -> Evidence:
    change = away if watched.scale == "points" else 100.0 * away / max(abs(level), 1e-9)
    spreads = abs(away) / spread
    if sign is not None and sign.change_in_scale > abs(change):
        change, spreads = sign.side * sign.change_in_scale, sign.z
    strength = min(STRONGEST, log2(1.0 + abs(change) / watched.least) / 2.0) * min(1.0, (spreads / FULL_SPREADS) ** 2)
    if sign is None:
        # What the crew sets within its habit has been allowed for already in what is usual.
        strength *= WITHIN_HABIT if watched.is_setting else 1.0
        return Evidence(watched.name, float(np.sign(change)) * strength, change, spreads, None, None)
    strength = max(strength, SIGN_STRENGTH)
    return Evidence(watched.name, sign.side * strength, change, spreads, sign.feed_onset, sign.shape)
