"""The readings of one tag in order of time, and what becomes of them when another file tells of the same times.

The rule: a reading at a time not yet known is new; the same reading again is known; another one is a conflict, and
the last good one counts (good before uncertain before bad; of equals the one that came last).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.exports.block import BAD, GOOD

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]
Objects = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Readings:
    """Readings of one tag, strictly increasing in time [us since 1970 UTC], none of them empty.

    Numbers in `values` (NaN: none, or a text where a number belongs), or words in `texts` (None: bad); `values` is
    NaN throughout where there are words. `quality` None means GOOD throughout, `texts` None that it is a number tag.
    """

    time_us: Ints
    values: Floats
    quality: Bytes | None = None
    texts: Objects | None = None

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.time_us)

    def between(self, first_us: int, past_us: int) -> Readings:
        """Return those from one time up to another."""
        low, high = np.searchsorted(self.time_us, (first_us, past_us))
        return self if high - low == len(self) else self.chosen(slice(int(low), int(high)))

    def chosen(self, rows: slice | Ints | Bools) -> Readings:
        """Return some of them, in the order asked."""
        return Readings(
            self.time_us[rows],
            self.values[rows],
            None if self.quality is None else self.quality[rows],
            None if self.texts is None else self.texts[rows],
        )

    def rated(self) -> Bytes:
        """Return the quality of each."""
        return np.full(len(self), GOOD, np.uint8) if self.quality is None else self.quality

    def in_words(self) -> Objects:
        """Return each as a word: numbers as they are written, None where there is none."""
        return as_words(self.values) if self.texts is None else self.texts


@dataclass(frozen=True)
class Outcome:
    """What became of the readings of one file: how many are new and known, and the times of the conflicts."""

    new: int
    known: int
    conflicts_us: Ints
    found: Readings | None = None  # the file's own at these times
    kept: Readings | None = None  # what the archive keeps there


NOTHING = Readings(np.zeros(0, np.int64), np.zeros(0))


def as_words(values: Floats) -> Objects:
    """Return numbers as words, None for NaN.

    Examples
    --------
    >>> as_words(np.array([1.0, 2.5, np.nan])).tolist()
    ['1', '2.5', None]
    """
    distinct, places = np.unique(values, return_inverse=True)
    words = [None if np.isnan(value) else f"{value:.15g}" for value in distinct]
    return np.array([*words, None], dtype=object)[places]


def without_empty(readings: Readings) -> Readings:
    """Return the readings without those that say nothing: no value and not called bad."""
    is_empty = np.isnan(readings.values) if readings.texts is None else pd.isna(readings.texts)
    if not is_empty.any():
        return readings
    return readings.chosen(~is_empty | (readings.rated() == BAD))


def one_per_time(readings: Readings) -> Readings:
    """Return readings of one file in order of time, of several at one time the last good one."""
    step = np.diff(readings.time_us)
    if not len(step) or int(step.min()) > 0:
        return readings
    order = np.lexsort((np.arange(len(readings)), _worth(readings), readings.time_us))
    is_last = np.append(np.diff(readings.time_us[order]) > 0, True)
    return readings.chosen(order[is_last])


def joined(parts: list[Readings], time_us: Ints | None = None) -> Readings:
    """Return pieces one after the other as one; `time_us` are their times joined already, where they are."""
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return filled[0] if filled else NOTHING
    if time_us is None:
        time_us = np.concatenate([part.time_us for part in filled])
    has_words = any(part.texts is not None for part in filled)
    has_quality = any(part.quality is not None for part in filled)
    return Readings(
        time_us,
        np.concatenate([np.full(len(part), np.nan) if has_words else part.values for part in filled]),
        np.concatenate([part.rated() for part in filled]) if has_quality else None,
        np.concatenate([part.in_words() for part in filled]) if has_words else None,
    )


def merged(kept: Readings, fresh: Readings) -> tuple[Readings, Outcome]:
    """Return what the archive keeps after one more file, and what became of that file's readings."""
    if not len(fresh):
        return kept, Outcome(0, 0, NOTHING.time_us)
    if not len(kept) or kept.time_us[-1] < fresh.time_us[0]:
        return joined([kept, fresh]), Outcome(len(fresh), 0, NOTHING.time_us)
    places = np.searchsorted(kept.time_us, fresh.time_us)
    is_there = kept.time_us[np.minimum(places, len(kept) - 1)] == fresh.time_us
    before, again = kept.chosen(places[is_there]), fresh.chosen(is_there)
    differs = _differs(before, again)
    wins = differs & (_worth(again) >= _worth(before))
    lost = places[is_there][wins]
    stays = np.ones(len(kept), bool)
    stays[lost] = False
    comes = ~is_there
    comes[np.flatnonzero(is_there)[wins]] = True
    whole = joined([kept.chosen(stays), fresh.chosen(comes)]) if comes.any() else kept
    if comes.any():
        whole = whole.chosen(np.argsort(whole.time_us, kind="stable"))
    conflicts = again.time_us[differs]
    outcome = Outcome(
        int((~is_there).sum()),
        int(is_there.sum()) - len(conflicts),
        conflicts,
        again.chosen(differs) if len(conflicts) else None,
        whole.chosen(np.searchsorted(whole.time_us, conflicts)) if len(conflicts) else None,
    )
    return whole, outcome


def together(outcomes: list[Outcome]) -> Outcome:
    """Return several outcomes as one."""

    def both(first: Outcome, second: Outcome) -> Outcome:
        return Outcome(
            first.new + second.new,
            first.known + second.known,
            np.concatenate([first.conflicts_us, second.conflicts_us]),
        )

    return reduce(both, outcomes, Outcome(0, 0, NOTHING.time_us))


def _worth(readings: Readings) -> Bytes:
    """Return what makes one reading count before another at the same time: 0 bad, 1 uncertain, 2 good."""
    return (BAD - readings.rated()).astype(np.uint8)


def _differs(first: Readings, second: Readings) -> Bools:
    """Return where two readings at one time are not the same."""
    differs: Bools = first.rated() != second.rated()
    if first.texts is None and second.texts is None:
        neither = np.isnan(first.values) & np.isnan(second.values)
        differs |= (first.values != second.values) & ~neither
    else:
        differs |= (first.in_words() != second.in_words()).astype(bool)
    return differs
