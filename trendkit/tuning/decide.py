"""The decision: a window, a step outwards, any speed does, or the two estimates disagree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trendkit.tuning.curve import Curve
from trendkit.tuning.results import Decision

Floats = npt.NDArray[np.float64]

FLAT_SHARE = 0.5  # of the speeds run: a near-best interval wider than this is a flat curve
EDGE_SHARE = 0.5  # of the resamples whose best speed lies at the same edge of what was run
BY_CHANCE = 0.0027  # the estimates differ when chance sets them so far apart less often than this
MATTERS = 0.02  # ... and by more than this share of the burden
SAME_ANSWER = 0.25  # ... and of the larger of the two: -20 % and -22 % say the same about where to run
STEP_SHARE = 0.1  # a step outwards, as a share of the speeds run


@dataclass(frozen=True)
class Contrast:
    """The burden's change from one speed to another by both estimates, as shares of the burden."""

    slow_m_min: float
    fast_m_min: float
    by_regression: float
    by_changes: float
    sigma: float  # standard error of their difference
    days: int  # days with independent changes, on which the second estimate rests

    @property
    def differs(self) -> bool:
        """True when the difference is beyond chance (Student's t over days) and large enough to matter."""
        from scipy.special import stdtrit

        apart = abs(self.by_regression - self.by_changes)
        farthest = float(stdtrit(max(self.days - 1, 1), 1.0 - BY_CHANCE / 2.0))
        larger = max(abs(self.by_regression), abs(self.by_changes))
        return apart > farthest * self.sigma and apart > max(MATTERS, SAME_ANSWER * larger)


def compare_estimates(first: Curve, second: Curve, slow: float, fast: float, days: int) -> Contrast:
    """Return what running at `fast` instead of `slow` [m/min] does to the burden by both estimates.

    `days` with independent changes say how well the second one's scatter is known.
    """
    near = [int(np.argmin(np.abs(first.speeds - speed))) for speed in (slow, fast)]
    level = float(np.median(first.burden))
    gaps = [(curve.burden[near[1]] - curve.burden[near[0]]) / level for curve in (first, second)]
    draws = [(curve.burden_draws[:, near[1]] - curve.burden_draws[:, near[0]]) / level for curve in (first, second)]
    apart = draws[0] - draws[1]
    # a robust spread: a few resamples with hardly any change in them must not widen the test without end
    low, high = np.quantile(apart, [0.1587, 0.8413])
    return Contrast(slow, fast, float(gaps[0]), float(gaps[1]), float((high - low) / 2.0), days)


def dearest(curve: Curve, low: int, high: int) -> float:
    """Return how much dearer than the best any speed between two positions is at most (95 %), as a share."""
    inside = curve.burden_draws[:, low : high + 1]
    return float(np.quantile(inside.max(axis=1) / inside.min(axis=1) - 1.0, 0.95))


def decide(first: Curve, contrast: Contrast | None, scale_error: float = 0.0) -> tuple[Decision, str]:
    """Return the decision and the sentence that gives its reason (speeds in m/min).

    `scale_error` is the relative standard uncertainty of the speed's meter.
    """
    speeds = first.speeds
    if contrast is not None and contrast.differs:
        return "disagree", (
            f"going from {contrast.slow_m_min:.1f} to {contrast.fast_m_min:.1f} m/min changes the burden by "
            f"{100 * contrast.by_regression:+.1f} % by the adjusted regression and by "
            f"{100 * contrast.by_changes:+.1f} % by what followed each speed change "
            f"(difference known to {100 * contrast.sigma:.1f} %): run the step test"
        )
    low, high = first.near_best()
    run = float(speeds[-1] - speeds[0])
    if speeds[high] - speeds[low] > FLAT_SHARE * run:
        return "flat", (
            f"any speed from {speeds[low]:.1f} to {speeds[high]:.1f} m/min is within 1 % of the best "
            f"(with 95 % confidence within {100 * dearest(first, low, high):.1f} %); hold one and spare the belt"
        )
    for edge, which, way in ((0, "slowest", "slower"), (len(speeds) - 1, "fastest", "faster")):
        if first.best == edge and np.mean(first.best_draws == edge) > EDGE_SHARE:
            return "step_outwards", (
                f"the best of the speeds run is the {which}, {speeds[edge]:.1f} m/min; step {way} by "
                f"{STEP_SHARE * run:.2f} m/min at a time; watch capture, cake and the depth on the belt"
            )
    slow, fast = first.best_limits(scale_error)
    return "window", (
        f"the best speed lies inside what was run, between {slow:.1f} and {fast:.1f} m/min with 95 % confidence; "
        "the band recommended adds the speeds that cost at most 1 % more"
    )
