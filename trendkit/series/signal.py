"""Observations of one tag, and the signal between them: for how long each is trusted and where it leads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trendkit.series.counters import Counting
from trendkit.series.segments import Bins, Bools, Cuts, Floats, Ints, Timeline, cut_at_edges

Shape = Literal["sloped", "held", "counted"]


@dataclass(frozen=True)
class Observations:
    """Observations of one tag, strictly increasing in time [us]; NaN where `is_usable` is False.

    An unusable observation is one that was recorded as bad, as a text or out of range: what was held ends there.
    `is_usable` and `is_uncertain` are None when all, or none, of the observations are so.
    """

    time_us: Ints
    values: Floats
    is_usable: Bools | None = None
    is_uncertain: Bools | None = None
    timeline: Timeline | None = None  # where the times are shared with other tags

    def cuts(self, bins: Bins) -> Cuts | None:
        """Return where the bin edges fall among the observations."""
        if self.timeline is not None and self.timeline.bins is bins:
            return self.timeline.after(None)[1]
        return cut_at_edges(self.time_us, bins)

    def chosen(self, chosen: slice | Ints | Bools) -> Observations:
        """Return the observations of a slice, of places or of a mask."""
        return Observations(
            self.time_us[chosen],
            self.values[chosen],
            None if self.is_usable is None else self.is_usable[chosen],
            None if self.is_uncertain is None else self.is_uncertain[chosen],
        )

    def spoilt(self, places: Ints) -> Observations:
        """Return the observations with some of them unusable."""
        usable = np.ones(len(self.time_us), bool) if self.is_usable is None else self.is_usable.copy()
        values = self.values.copy()
        usable[places], values[places] = False, np.nan
        return Observations(self.time_us, values, usable, self.is_uncertain, self.timeline)

    def followed_by(self, later: Observations) -> Observations:
        """Return these observations and later ones as one."""

        def joined(mine: Bools | None, theirs: Bools | None, usual: bool) -> Bools | None:
            if mine is None and theirs is None:
                return None
            full = [np.full(len(s.time_us), usual) if b is None else b for s, b in ((self, mine), (later, theirs))]
            return np.concatenate(full)

        return Observations(
            np.concatenate([self.time_us, later.time_us]),
            np.concatenate([self.values, later.values]),
            joined(self.is_usable, later.is_usable, True),
            joined(self.is_uncertain, later.is_uncertain, False),
        )


@dataclass(frozen=True)
class Holding:
    """How the signal runs between observations, and for how long an observation is trusted.

    Silences up to `longest_s` are bridged. After a longer one begins, the last value counts for `after_s`
    more. A counter ("counted") is known by the fastest rate possible [1/s], its usual increment and where it
    rolls over.
    """

    shape: Shape
    longest_s: float
    after_s: float
    counting: Counting | None = None


@dataclass(frozen=True)
class Segments:
    """The signal after each observation but the last: value, slope [1/s] and how long it is trusted [s]."""

    values: Floats
    slopes: Floats
    trusted_s: Floats


def segments_of(observations: Observations, step_s: Floats, holding: Holding) -> Segments:
    """Return how the signal runs from each observation to the next."""
    if holding.counting is not None:
        return _counted_segments(observations, step_s, holding)
    count = len(step_s)
    usable = np.ones(count + 1, bool) if observations.is_usable is None else observations.is_usable
    is_close = step_s <= holding.longest_s
    values = np.where(usable, observations.values, 0.0)
    is_joined = usable[:-1] & usable[1:] & is_close
    trusted = np.where(is_close, step_s, np.minimum(step_s, min(holding.after_s, holding.longest_s)))
    trusted = np.where(usable[:-1], trusted, 0.0)
    slopes = np.zeros(count)
    if holding.shape == "sloped":
        slopes = np.where(is_joined, np.diff(values) / step_s, 0.0)
    return Segments(values, slopes, trusted)


def _counted_segments(observations: Observations, step_s: Floats, holding: Holding) -> Segments:
    """Return the increments between readings as rates [1/s], each held from one reading to the next."""
    counting = holding.counting
    assert counting is not None
    usable = np.ones(len(step_s) + 1, bool) if observations.is_usable is None else observations.is_usable
    is_joined = usable[:-1] & usable[1:] & (step_s <= holding.longest_s)
    grown, is_possible = counting.increments(np.where(usable, observations.values, 0.0), step_s)
    is_joined &= is_possible
    rates = np.where(is_joined, grown / step_s, 0.0)
    return Segments(np.append(rates, 0.0), np.zeros(len(step_s)), np.where(is_joined, step_s, 0.0))
