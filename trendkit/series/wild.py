"""Wild observations: lone spikes, codes for "no value" and readings no instrument or press can show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.series.robust import hampel_limits, robust_spread
from trendkit.series.segments import Bools, Floats, Ints, stretches_of

LONGEST_SPIKE = 2  # observations
LONGEST_S = 300.0
NEIGHBOURS = 3
WIDTH = 8.0  # robust standard deviations of the observations around
BEYOND = 0.75  # of the usual span, beyond its ends
APART = 0.15  # how far the observations before and after may differ, of the spike's height
CHANGED = 0.4  # of the level, or of the height: readings this far apart are of two states
QUIET_S = 900.0  # a press that has just been started throws readings of its own (common practice)
LEAP = 0.4  # of the usual span: a lone reading this far above its neighbours is wild wherever it lies
AT_WORK = 0.1  # of the usual high reading: below it a lone reading is a pump that was tried, no spike
A_HABIT = 0.001  # share of readings that leap: so often it is what the tag does
LOOKED_AT = 2000  # observations of a batch that tell what is usual
# What control systems write where there is no value (common practice).
NO_VALUE_CODES = (-9999.0, -999.0, -99.0, 999.0, 9999.0, 99999.0, 32767.0, -32768.0, 65535.0)


@dataclass(frozen=True)
class Usual:
    """What a tag usually shows: most readings from `low` to `high`, changing by `step` each time."""

    low: float
    high: float
    step: float

    @property
    def span(self) -> float:
        """What the usual readings extend over."""
        return self.high - self.low

    @property
    def limits(self) -> tuple[float, float]:
        """The readings beyond which a lone one is suspected."""
        margin = BEYOND * self.span + WIDTH * self.step
        return self.low - margin, self.high + margin


@dataclass(frozen=True)
class Wild:
    """Which usable readings of a batch are lone spikes and which are out of range."""

    is_spike: Bools
    is_outside: Bools


def learn_usual(values: Floats, so_far: Usual | None) -> Usual | None:
    """Return what a tag usually shows after one more batch of readings within range."""
    seen = values[:: max(1, len(values) // LOOKED_AT)]
    seen = seen[~np.isin(seen, NO_VALUE_CODES)]
    if len(seen) < 2 * NEIGHBOURS + 1:
        return so_far
    low, high = (float(edge) for edge in np.quantile(seen, (0.005, 0.995)))
    step = float(np.median(np.abs(np.diff(values[: LOOKED_AT + 1]))))
    if so_far is None:
        return Usual(low, high, step)
    return Usual(min(low, so_far.low), max(high, so_far.high), max(step, so_far.step))


def find_wild(
    time_us: Ints, values: Floats, usual: Usual | None, limits: tuple[float, float], leaps_are_wild: bool
) -> Wild | None:
    """Return the wild ones among usable readings, None when there is none.

    `limits` are the readings to be believed at all. A lone reading outside them is a spike, too; with
    `leaps_are_wild` also one that leaps far above both its neighbours.
    """
    if not len(values):
        return None
    low, high = limits
    usual_low, usual_high = (-np.inf, np.inf) if usual is None else usual.limits
    least, greatest = float(values.min()), float(values.max())
    leaps = _leaps(values, usual) if usual is not None and leaps_are_wild else np.zeros(0, np.int64)
    if not len(leaps) and least >= max(low, usual_low) and greatest <= min(high, usual_high):
        return None
    is_outside: Bools = (values < low) | (values > high)
    is_far = is_outside | (values < usual_low) | (values > usual_high)
    if least in NO_VALUE_CODES or greatest in NO_VALUE_CODES:
        is_outside |= is_far & np.isin(values, NO_VALUE_CODES)
    is_spike = np.zeros(len(values), bool)
    if usual is not None:
        for first, past in stretches_of(is_far):
            if past - first <= LONGEST_SPIKE and _stands_alone(time_us, values, first, past, is_far, usual):
                is_spike[first:past] = True
        for place in leaps:
            if not is_far[place] and _stands_alone(time_us, values, place, place + 1, is_far, usual):
                is_spike[place] = True
    return Wild(is_spike, is_outside & ~is_spike)


def has_leaps(values: Floats, usual: Usual) -> bool:
    """Return True when some reading stands far above both its neighbours, whatever is usual."""
    return len(_leaps(values, usual)) > 0


def _leaps(values: Floats, usual: Usual) -> Ints:
    """Return the places of single readings far above both their neighbours, which are those of a press at work."""
    steps = np.diff(values)
    height = max(LEAP * usual.span, WIDTH * usual.step)
    if height <= 0.0 or float(steps.max(initial=0.0)) <= height:
        return np.zeros(0, np.int64)
    places = np.flatnonzero((steps[:-1] > height) & (steps[1:] < -height)) + 1
    places = places[np.minimum(values[places - 1], values[places + 1]) >= AT_WORK * usual.high]
    return places if len(places) <= max(1.0, A_HABIT * len(values)) else places[:0]


def _stands_alone(time_us: Ints, values: Floats, first: int, past: int, is_far: Bools, usual: Usual) -> bool:
    """Return True for readings that are brief and far off while those before and after agree."""
    if first < 1 or past >= len(values) or (time_us[past] - time_us[first]) * 1e-6 > LONGEST_S:
        return False
    before, after = values[max(first - NEIGHBOURS, 0) : first], values[past : past + NEIGHBOURS]
    if is_far[max(first - NEIGHBOURS, 0) : first].any() or is_far[past : past + NEIGHBOURS].any():
        return False
    level = 0.5 * float(np.median(before) + np.median(after))
    height = float(np.abs(values[first:past] - level).min())
    lower, upper = hampel_limits(np.concatenate((before, after)), WIDTH, floor=usual.step)
    is_wild = bool(((values[first:past] < lower) | (values[first:past] > upper)).all())
    changed = abs(float(np.median(after) - np.median(before)))
    if not is_wild or changed > APART * height:
        return False
    quiet = values[int(np.searchsorted(time_us, time_us[first] - round(QUIET_S * 1e6))) : first]
    stirred = max(float(quiet.max() - quiet.min()), changed)
    at_work = max(abs(float(np.median(before))), abs(float(np.median(after))))
    noise = WIDTH * max(robust_spread(before), robust_spread(after))
    return stirred <= min(max(CHANGED * at_work, noise), CHANGED * height)
