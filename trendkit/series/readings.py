"""The readings of one block made ready: times in order, one value per time, limits and scales."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.plant.model import Tag
from trendkit.plant.roles import ROLES
from trendkit.series.segments import Bins, Floats, Ints, Timeline
from trendkit.series.signal import Observations

# A 4-20 mA transmitter can send this far beyond its range, as shares of the span (3.8 to 20.5 mA is still a
# measurement by the recommendation NAMUR NE 43; values from memory).
BELOW_RANGE = 0.0125
ABOVE_RANGE = 0.03125
# Without an instrument range: shares of the greatest value a role can sanely have.
IMPOSSIBLE_BELOW = 0.05
IMPOSSIBLE_ABOVE = 2.0


@dataclass(frozen=True)
class Rows:
    """The times of one block in order; shared by its tags."""

    timeline: Timeline
    order: Ints | None  # how the block's rows were put in order; None when they were
    has_repeats: bool


def order_rows(time_us: Ints, bins: Bins) -> Rows:
    """Return the times of a block in order."""
    step = np.diff(time_us)
    if not len(step) or int(step.min()) > 0:
        return Rows(Timeline(time_us, bins), None, False)
    order = np.argsort(time_us, kind="stable")
    in_order = time_us[order]
    return Rows(Timeline(in_order, bins), order, bool((np.diff(in_order) == 0).any()))


def without_repeats(observations: Observations) -> Observations:
    """Return the observations with one per time, the last usable one."""
    count = len(observations.time_us)
    usable = np.ones(count, bool) if observations.is_usable is None else observations.is_usable
    order = np.lexsort((np.arange(count), usable, observations.time_us))
    is_last = np.append(np.diff(observations.time_us[order]) > 0, True)
    return observations.chosen(order[is_last])


def reading_limits(tag: Tag) -> tuple[float, float]:
    """Return the least and greatest reading to be believed, in the tag's own unit; infinite if unknown.

    With an instrument range: what its transmitter can send. Without one: far beyond what the role can be on
    any press, so that only a broken signal falls outside.
    """
    if tag.kind in ("counter", "state"):
        return -np.inf, np.inf
    if tag.range is not None:
        low, high = tag.range
        return low - BELOW_RANGE * (high - low), high + ABOVE_RANGE * (high - low)
    role = ROLES.get(tag.name)
    if role is None or role.sane_high is None or role.sane_low is None or bends_within_readings(tag):
        return -np.inf, np.inf
    ends = (min(role.sane_low, 0.0) - IMPOSSIBLE_BELOW * role.sane_high, IMPOSSIBLE_ABOVE * role.sane_high)
    factor, offset = tag.factor, tag.offset
    if tag.scale:
        (x0, y0), (x1, y1) = tag.scale
        factor = (y1 - y0) / (x1 - x0)
        offset = y0 - factor * x0
    low, high = sorted((end - offset) / factor for end in ends)
    return low, high


def bends_within_readings(tag: Tag) -> bool:
    """Return True when a tag's scale has a bend, so that it must be applied before averaging."""
    return len(tag.scale) > 2


def along_scale(scale: tuple[tuple[float, float], ...], readings: Floats) -> Floats:
    """Return readings put through the straight lines of a scale; the end lines are continued outwards."""
    x, y = np.array([point[0] for point in scale]), np.array([point[1] for point in scale])
    line = np.clip(np.searchsorted(x, readings, "right") - 1, 0, len(x) - 2)
    slope = np.diff(y) / np.diff(x)
    scaled: Floats = y[line] + slope[line] * (readings - x[line])
    return scaled
