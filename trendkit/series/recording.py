"""How a tag is recorded: sampled on a clock, or written only when its value changes.

The two need different averages: straight lines between observations, or each value held until the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trendkit.series.segments import Floats, Ints

ENOUGH_OBSERVATIONS = 100

# A sampled tag keeps to its clock: at least this share of the steps lies within half of the usual one.
EVEN_SHARE = 0.8
# A record of changes has no small ones: its fifth percentile of changes is a fair part of the middle one, and
# it hardly ever repeats a value. Noise sampled on a clock has changes of any size down to nothing.
SMALLEST_CHANGE = 0.35
REPEATED_SHARE = 0.05
# Rounded noise on a clock repeats a value now and then. Where that many repeats should be and a tenth of them are
# not there, unchanged values were not recorded.
REPEATS_EXPECTED = 10.0
DENSITY_AT_NO_CHANGE = 0.27  # of a normal difference, times its median size
# A state or setpoint sampled on a clock mostly repeats itself.
STATE_REPEATED_SHARE = 0.3


@dataclass(frozen=True)
class Recording:
    """A tag's habit: on a clock ("sampled") or at "changes", and the usual step between values [s]."""

    kind: Literal["sampled", "changes"]
    spacing_s: float


def recognise_recording(time_us: Ints, values: Floats, is_state: bool = False) -> Recording:
    """Return how a tag is recorded, from the times [us] and values of its own observations (none empty).

    `is_state` says that the tag is a state or a setpoint, which hardly changes.

    Examples
    --------
    >>> minutes = np.arange(60) * 60_000_000
    >>> recognise_recording(minutes, np.sin(np.arange(60.0)))
    Recording(kind='sampled', spacing_s=60.0)
    >>> recognise_recording(minutes[[0, 1, 7, 9, 30, 34]], np.array([0.0, 5, 9, 5, 0, 4])).kind
    'changes'
    """
    if len(time_us) < 3:
        return Recording("changes", float(np.diff(time_us).min() * 1e-6) if len(time_us) == 2 else 0.0)
    step_s = np.diff(time_us) * 1e-6
    usual = float(np.median(step_s))
    is_even = float(np.mean(np.abs(step_s - usual) <= 0.5 * usual)) >= EVEN_SHARE
    change = np.abs(np.diff(values))
    change = change[np.isfinite(change)]
    if is_state:
        is_sampled = is_even and len(change) > 0 and float(np.mean(change == 0.0)) >= STATE_REPEATED_SHARE
    else:
        is_sampled = is_even and not _records_changes_only(change)
    return Recording("sampled" if is_sampled else "changes", usual)


def _records_changes_only(change: Floats) -> bool:
    """Return True when the sizes of the changes between observations show that unchanged values were left out."""
    moved = change[change > 0.0]
    if len(moved) < 10 or len(moved) < (1.0 - REPEATED_SHARE) * len(change):
        return False
    low, middle, high = (float(edge) for edge in np.quantile(moved, (0.05, 0.5, 0.95)))
    if high < 1.05 * low:
        return False  # a ramp: the same change at every tick of its clock
    expected = DENSITY_AT_NO_CHANGE * float(moved.min()) / middle * len(change)
    has_no_repeats = expected >= REPEATS_EXPECTED and len(change) - len(moved) < 0.1 * expected
    return low > SMALLEST_CHANGE * middle or has_no_repeats
