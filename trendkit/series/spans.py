"""Where in time a tag's observations had a fault: spans gathered batch by batch, in little memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from trendkit.series.segments import Bools, Floats, Ints, stretches_of


@dataclass(frozen=True)
class Spans:
    """Faulty stretches of one tag in time order; one entry each.

    `start_us` is the first faulty observation, `end_us` the first sound one after it (the last faulty one where
    none follows in the batch), `count` the observations concerned, `lowest` and `highest` their readings (NaN
    without any).
    """

    start_us: Ints
    end_us: Ints
    count: Ints
    lowest: Floats
    highest: Floats

    def __len__(self) -> int:
        """Return the number of stretches."""
        return len(self.start_us)


@dataclass
class SpanLog:
    """Gathers the faulty stretches of one kind."""

    parts: list[Spans] = field(default_factory=list)

    def add(self, time_us: Ints, is_faulty: Bools, readings: Floats) -> None:
        """Note the stretches of consecutive faulty observations among some in time order."""
        if not is_faulty.any():
            return
        first, past = np.array(stretches_of(is_faulty), np.int64).T
        lows = np.where(np.isnan(readings), np.inf, readings)
        highs = np.where(np.isnan(readings), -np.inf, readings)
        pairs = np.column_stack((first, past)).ravel()
        pairs = pairs[:-1] if pairs[-1] == len(readings) else pairs
        lowest, highest = np.minimum.reduceat(lows, pairs)[::2], np.maximum.reduceat(highs, pairs)[::2]
        self.parts.append(
            Spans(
                time_us[first],
                time_us[np.minimum(past, len(time_us) - 1)],
                (past - first).astype(np.int64),
                np.where(np.isinf(lowest), np.nan, lowest),
                np.where(np.isinf(highest), np.nan, highest),
            )
        )

    def merged(self, within_us: int) -> Spans:
        """Return all stretches in time order, those less than `within_us` apart joined into one."""
        if not self.parts:
            nothing = np.zeros(0, np.int64)
            return Spans(nothing, nothing, nothing, nothing.astype(float), nothing.astype(float))
        fields = {name: np.concatenate([getattr(part, name) for part in self.parts]) for name in Spans.__annotations__}
        order = np.argsort(fields["start_us"], kind="stable")
        start, end = fields["start_us"][order], np.maximum.accumulate(fields["end_us"][order])
        first = np.flatnonzero(np.append(True, start[1:] - end[:-1] >= within_us))
        return Spans(
            start[first],
            np.maximum.reduceat(end, first),
            np.add.reduceat(fields["count"][order], first),
            np.fmin.reduceat(fields["lowest"][order], first),
            np.fmax.reduceat(fields["highest"][order], first),
        )
