"""The integral of a signal over regular bins: the one piece of arithmetic behind every mean of this room.

Between two observations the signal runs on a straight line or holds its value, for as long as the observation is
trusted; after that it is unknown until the next one. All functions are pure and take times in order.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def stretches_of(mask: Bools) -> list[tuple[int, int]]:
    """Return first and past-the-last place of every unbroken stretch of True.

    Examples
    --------
    >>> stretches_of(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    change = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(change == 1).tolist(), np.flatnonzero(change == -1).tolist(), strict=True))


@dataclass(frozen=True)
class Bins:
    """Regular bins in UTC, closed left: bin `i` begins at ``start_us + i * every_us`` [us since 1970]."""

    start_us: int
    every_us: int
    count: int

    @property
    def end_us(self) -> int:
        """The end of the last bin, exclusive."""
        return self.start_us + self.count * self.every_us

    @property
    def seconds(self) -> float:
        """The length of one bin."""
        return self.every_us * 1e-6

    def covering(self, first_us: int, last_us: int) -> Bins:
        """Return these bins, or wider ones around them that contain the moments `first_us` to `last_us`.

        They are widened by half as much again at least, so that a growing record is widened a few times only.
        """
        ahead = max(0, self.start_us - first_us)
        behind = max(0, last_us - self.end_us + 1)
        if not ahead and not behind:
            return self
        spare = self.count // 2
        front = max(-(-ahead // self.every_us), spare) if ahead else 0
        back = max(-(-behind // self.every_us), spare) if behind else 0
        return Bins(self.start_us - front * self.every_us, self.every_us, self.count + front + back)


@dataclass(frozen=True)
class Cuts:
    """Where the bin edges fall among the times of some observations.

    The observations' span is cut at every edge inside it, which gives consecutive pieces, one per bin from
    `first_bin` on. `at[j]` is the first observation at or after cut `j` (one more cut than pieces) and `rest_s[j]`
    the time from the cut to that observation; `length_s` is the length of each piece. `step_s` is the time between
    observations, `is_even` whether it is constant, `longest_s` its greatest value.
    """

    first_bin: int
    at: Ints
    rest_s: Floats
    length_s: Floats
    step_s: Floats
    is_even: bool
    longest_s: float

    @property
    def bins(self) -> slice:
        """The bins the pieces belong to."""
        return slice(self.first_bin, self.first_bin + len(self.at) - 1)


def cut_at_edges(time_us: Ints, bins: Bins) -> Cuts | None:
    """Return where the bin edges fall among strictly increasing times; None when no bin is touched."""
    if len(time_us) < 2:
        return None
    first, last = max(int(time_us[0]), bins.start_us), min(int(time_us[-1]), bins.end_us)
    if first >= last:
        return None
    first_bin = (first - bins.start_us) // bins.every_us
    end_bin = -((bins.start_us - last) // bins.every_us)  # rounded up
    edges = bins.start_us + bins.every_us * np.arange(first_bin, end_bin + 1, dtype=np.int64)
    edges[0], edges[-1] = first, last
    at = np.searchsorted(time_us, edges, "left").astype(np.int64)
    step_us = np.diff(time_us)
    shortest, longest = int(step_us.min()), int(step_us.max())
    return Cuts(
        first_bin=int(first_bin),
        at=at,
        rest_s=np.asarray((time_us[at] - edges) * 1e-6, np.float64),
        length_s=np.diff(edges) * 1e-6,
        step_s=step_us * 1e-6,
        is_even=shortest == longest,
        longest_s=longest * 1e-6,
    )


@dataclass
class Timeline:
    """Times [us] that many tags share, with the bin edges among them worked out once."""

    time_us: Ints
    bins: Bins
    _cuts: dict[int | None, tuple[Ints, Cuts | None]] = field(default_factory=dict)

    def after(self, earlier_us: int | None) -> tuple[Ints, Cuts | None]:
        """Return the times with an earlier one put in front (None: as they are) and where the edges fall."""
        if earlier_us not in self._cuts:
            times = self.time_us if earlier_us is None else np.concatenate(([earlier_us], self.time_us))
            self._cuts[earlier_us] = times, cut_at_edges(times, self.bins)
        return self._cuts[earlier_us]


def sums_between(numbers: Floats, at: Ints) -> Floats:
    """Return the sum of ``numbers[at[j]:at[j + 1]]`` for every piece, 0 for an empty one."""
    sums = np.zeros(len(at) - 1)
    filled = at[:-1] < at[1:]
    if filled.any():
        sums[filled] = np.add.reduceat(numbers[: at[-1]], at[:-1][filled])
    return sums


def extremes_between(numbers: Floats, at: Ints, is_lowest: bool) -> Floats:
    """Return the least or greatest of ``numbers[at[j]:at[j + 1]]`` per piece, NaN for an empty one."""
    found = np.full(len(at) - 1, np.nan)
    filled = at[:-1] < at[1:]
    if filled.any():
        reduce = np.minimum if is_lowest else np.maximum
        found[filled] = reduce.reduceat(numbers[: at[-1]], at[:-1][filled])
    return found


def integrate_clean(values: Floats, cuts: Cuts) -> tuple[Floats, Floats]:
    """Return the sloped and the held integral per piece [value x s] of observations trusted throughout.

    Sloped: straight lines from observation to observation. Held: each value kept until the next observation.
    The trapezoids of a piece are its observations weighted by half the time on either side, which takes one pass.
    """
    at, step = cuts.at, cuts.step_s
    here = values[at]
    before = np.maximum(at - 1, 0)
    if cuts.is_even:
        each = float(step[0])
        held_full = sums_between(values, at) * each
        lead = 0.5 * each * here
        sloped_full = held_full - lead[:-1] + lead[1:]
    else:
        padded = np.append(step, 0.0)
        held_full = sums_between(values * padded, at)
        half = 0.5 * np.diff(values) * step
        sloped_full = held_full + sums_between(half, at)
    slope = (here - values[before]) / step[np.minimum(before, len(step) - 1)]
    rest = cuts.rest_s
    sloped_rest = rest * (here - 0.5 * slope * rest)
    held_rest = rest * values[before]
    return (
        sloped_full + sloped_rest[:-1] - sloped_rest[1:],
        held_full + held_rest[:-1] - held_rest[1:],
    )


def integrate_trusted(values: Floats, slopes: Floats, trusted_s: Floats, cuts: Cuts) -> Floats:
    """Return the integral per piece [value x s] when each observation is trusted for its own time only.

    After observation `i` the signal is ``values[i] + slopes[i] * t`` while ``t < trusted_s[i]`` and unknown (adds
    nothing) from there to the next observation. `slopes` and `trusted_s` have one entry per step, `values` one
    more.
    """
    at, step = cuts.at, cuts.step_s

    def area(observation: Ints | slice, until: Floats) -> Floats:
        return until * (values[observation] + 0.5 * slopes[observation] * until)

    everything = slice(0, len(step))
    full = sums_between(area(everything, trusted_s), at)
    before = np.clip(at - 1, 0, len(step) - 1)
    until_cut = np.minimum(step[before] - cuts.rest_s, trusted_s[before])
    rest = np.where(cuts.rest_s > 0.0, area(before, trusted_s[before]) - area(before, until_cut), 0.0)
    return full + rest[:-1] - rest[1:]
