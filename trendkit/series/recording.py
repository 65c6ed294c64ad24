"""How a tag is recorded: sampled on a clock, or written only when its value changes.

The two need different averages: straight lines between samples, or each value held until the next one.
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


@dataclass(frozen=True)
class Recording:
    """A tag's habit: on a clock ("sampled") or at "changes", and the usual step between values [s]."""

    kind: Literal["sampled", "changes"]
    spacing_s: float


def recognise_recording(time_us: Ints, values: Floats) -> Recording:
    """Return how a tag is recorded, from the times [us] and values of its own observations (none empty).

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
    moved = change[change > 0.0]
    has_only_real_changes = (
        len(moved) >= 10
        and len(moved) >= (1.0 - REPEATED_SHARE) * len(change)
        and float(np.quantile(moved, 0.05)) > SMALLEST_CHANGE * float(np.median(moved))
    )
    # A ramp changes by the same amount at every tick of its clock: that is a clock, not a deadband.
    is_ramp = len(moved) > 0 and float(np.quantile(moved, 0.95)) < 1.05 * float(np.quantile(moved, 0.05))
    if is_even and (is_ramp or not has_only_real_changes):
        return Recording("sampled", usual)
    return Recording("changes", usual)
