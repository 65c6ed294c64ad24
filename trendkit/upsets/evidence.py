"""How far each watched column was from usual while something went wrong, in numbers and in words.

Comes in: judged columns of one mode and a span of sludge time. Goes out: one `Evidence` per column.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.upsets.signs import JudgedMode, Sign
from trendkit.upsets.watched import BY_NAME, Watched

FULL_SIZE = 1.5  # times the least change worth a sign: evidence counts in full
FULL_SPREADS = 3.0


@dataclass(frozen=True)
class Evidence:
    """What one column did over a span:
    `strength` from -1 (clearly below usual) over 0 to +1 (clearly above).
    """

    name: str
    strength: float
    change: float  # in the watched scale, signed
    spreads: float  # the same in spreads, positive
    onset: pd.Timestamp | None  # in sludge time, when a sign was made of it
    shape: Literal["step", "ramp"] | None

    def words(self, timing: str = "any") -> str:
        """Return the evidence as a clause without units that depend on the reader's system.

        Examples
        --------
        >>> Evidence("feed_solids", -1.0, -27.4, 8.0, None, None).words()
        'feed solids 27 % below usual (8.0 times its usual spread)'
        """
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
    fed: dict[
        str, NDArray[np.int64]
    ]  # place -> ns since 1970 at which the middle of each block's sludge was fed
    means: NDArray[np.float64]  # (blocks, names)
    usual: NDArray[np.float64]
    spread: NDArray[np.float64]


def record_of(mode: JudgedMode) -> Record:
    """Return the record of a judged mode."""
    blocks = mode.judged.blocks
    names = tuple(mode.columns)
    middle = pd.DatetimeIndex(blocks.index).as_unit("ns").asi8 + mode.judged.block_s * 500_000_000
    fed = {"feed": middle}
    for place, lag in (("gravity", "gravity_lag_s"), ("discharge", "feed_lag_s")):
        fed[place] = middle - (blocks[lag].fillna(0.0).to_numpy() * 1e9).astype(np.int64)
    shape = (len(blocks), len(names))
    return Record(
        names,
        fed,
        blocks[list(names)].to_numpy(dtype=float).reshape(shape),
        np.column_stack([mode.columns[name].usual for name in names]).reshape(shape),
        np.column_stack([mode.columns[name].spread for name in names]).reshape(shape),
    )


def gather_evidence(
    record: Record, signs: Iterable[Sign], start: pd.Timestamp, end: pd.Timestamp
) -> dict[str, Evidence]:
    """Return what every measured column did while the sludge fed from `start` to `end` was on the press.

    The later half of the span counts, so that a ramp shows what it came to. A column without any value in the
    span is not in the result.
    """
    shown: dict[str, Sign] = {}
    for sign in signs:
        if sign.name not in shown or sign.z > shown[sign.name].z:
            shown[sign.name] = sign
    later = (start + (end - start) / 2).as_unit("ns").value
    until = end.as_unit("ns").value
    inside = {place: _between(fed, later, until) for place, fed in record.fed.items()}
    found = {}
    for position, name in enumerate(record.names):
        rows = inside[BY_NAME[name].place]
        away = record.means[rows, position] - record.usual[rows, position]
        known = ~np.isnan(away)
        if known.any():
            level = float(np.mean(record.usual[rows, position][known]))
            spread = float(np.mean(record.spread[rows, position][known]))
            found[name] = _evidence(
                BY_NAME[name], float(np.mean(away[known])), level, spread, shown.get(name)
            )
    return found


def _between(fed: NDArray[np.int64], start: int, end: int) -> NDArray[np.int64]:
    """Return the positions of the blocks whose sludge was fed from `start` to `end`;
    the nearest if none was.
    """
    inside = np.flatnonzero((fed >= start) & (fed < end))
    return inside if inside.size else np.array([int(np.argmin(np.abs(fed - start)))])


def _evidence(watched: Watched, away: float, level: float, spread: float, sign: Sign | None) -> Evidence:
    change = away if watched.scale == "points" else 100.0 * away / max(abs(level), 1e-9)
    spreads = abs(away) / spread
    if sign is None:
        size = min(1.0, abs(change) / (FULL_SIZE * watched.least)) * min(1.0, spreads / FULL_SPREADS)
        return Evidence(watched.name, float(np.sign(change)) * size, change, spreads, None, None)
    if sign.change_in_scale > abs(change):
        change, spreads = sign.side * sign.change_in_scale, sign.z
    return Evidence(watched.name, float(sign.side), change, spreads, sign.feed_onset, sign.shape)
