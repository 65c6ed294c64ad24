"""Counters: increments between readings, with roll-over and reset told apart.

A drop is a roll-over only when it fits the counter's modulus and the increment it implies was possible in the
time; otherwise the counter was reset and how much passed is unknown (rule: a single reading of a wrapping
counter means nothing, only differences do, RFC 1902 section 7.1.6; the test of the rate is our own).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trendkit.series.segments import Floats, Ints

COMMON_MODULI = tuple(sorted({*(10.0**power for power in range(3, 13)), 2.0**15, 2.0**16, 2.0**31, 2.0**32}))

# A 32-bit float counter jitters in its last digit: a drop this small beside the reading is no drop.
JITTER = 2e-7


@dataclass(frozen=True)
class Counting:
    """What is known of a counter: fastest rate [1/s], usual increment, roll-over point, usual tick [s]."""

    fastest_per_s: float
    usual_increment: float = 0.0
    rolls_at: float | None = None
    usual_tick_s: float = 0.0

    def increments(self, readings: Floats, step_s: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Return what was counted between readings, and whether that was possible (False at a reset).

        Examples
        --------
        >>> counter = Counting(fastest_per_s=1.0, rolls_at=1000.0)
        >>> counter.increments(np.array([990.0, 998.0, 6.0, 2.0]), np.full(3, 60.0))
        (array([ 8.,  8., -4.]), array([ True,  True, False]))
        """
        grown = np.diff(readings)
        possible = self.fastest_per_s * step_s + 2.0 * self.usual_increment
        jitter = (grown < 0.0) & (-grown <= JITTER * np.abs(readings[:-1]))
        grown[jitter] = 0.0
        dropped = np.flatnonzero(grown < 0.0)
        for modulus in (self.rolls_at,) if self.rolls_at is not None else COMMON_MODULI:
            rolled = grown[dropped] + modulus
            fits = (readings[dropped] <= modulus) & (rolled >= 0.0) & (rolled <= possible[dropped])
            grown[dropped[fits]] = rolled[fits]
            dropped = dropped[~fits]
        return grown, (grown >= 0.0) & (grown <= possible)


def learn_counting(counting: Counting, time_us: Ints, readings: Floats) -> Counting:
    """Return what is known of a counter after a look at some readings: usual increment and tick, speed.

    Where no fastest rate is known, ten times the middle one seen is taken.
    """
    grown, step_s = np.diff(readings), np.diff(time_us) * 1e-6
    ticked = np.flatnonzero(grown > 0.0)
    if len(ticked) < 2:
        return counting
    fastest = counting.fastest_per_s
    ticks_s = np.diff(time_us[ticked + 1]) * 1e-6
    if not np.isfinite(fastest):
        fastest = 10.0 * float(np.median(grown[ticked][1:] / np.maximum(ticks_s, step_s[ticked][1:])))
    return replace(
        counting,
        fastest_per_s=fastest,
        usual_increment=float(np.median(grown[ticked])),
        usual_tick_s=float(np.median(ticks_s)),
    )


def ticks_only(time_us: Ints, readings: Floats, usual_tick_s: float) -> npt.NDArray[np.bool_]:
    """Return which readings to keep so that a coarse counter gives a steady rate instead of jumps.

    Kept are the readings at which the counter had moved and, where it then stood still for much longer than
    usual, the last one of the standstill; all kept ones are true readings, so the total is unchanged.
    """
    count = len(readings)
    moved = np.ones(count, bool)
    moved[1:] = readings[1:] != readings[:-1]
    starts = np.flatnonzero(moved)
    ends = np.append(starts[1:], count) - 1
    is_long = (time_us[ends] - time_us[starts]) * 1e-6 > 3.0 * usual_tick_s
    keep = moved
    keep[ends[is_long]] = True
    keep[-1] = True
    return keep
