"""Control-chart statistics: EWMA, tabular CUSUM, individuals limits, runs rules, noise from differences.

Comes in: arrays whose first axis is time, in any unit. Goes out: arrays of the same shape and unit.
NaN is a missing observation: the statistic keeps its value and is NaN at that place.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MEAN_RANGE_OF_TWO = 1.128  # d2 for n = 2 (NIST/SEMATECH handbook, section 6.3.2.2)
NORMAL_QUARTILE = 0.6744897501960817  # of the standard normal: MAD / this = sigma


def ewma(values: ArrayLike, weight: float, start: float = 0.0) -> Floats:
    """Return the exponentially weighted moving average ``z[t] = weight * x[t] + (1 - weight) * z[t-1]``.

    Parameters
    ----------
    values
        Observations, time along the first axis; NaN is skipped.
    weight
        Weight of the newest observation, over 0 up to 1.
    start
        ``z`` before the first observation (the target or the centre line), in the unit of `values`.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.

    Examples
    --------
    >>> ewma([52.0, 47.0], 0.3, start=50.0).round(2).tolist()
    [50.6, 49.52]
    """
    x = np.asarray(values, dtype=float)
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"the weight must be over 0 and at most 1, found {weight}")
    if x.ndim == 1:  # one series: plain floats take an eighth of the time
        steps = accumulate((weight * x).tolist(), lambda z, v: v + (1.0 - weight) * z if v == v else z, initial=start)
        averaged = np.fromiter(steps, float, x.size + 1)[1:]
        return np.where(np.isnan(x), np.nan, averaged)
    columns = x.reshape(x.shape[0], -1)
    with_start = pd.DataFrame(np.vstack([np.full((1, columns.shape[1]), start), columns]))
    averaged = with_start.ewm(alpha=weight, adjust=False, ignore_na=True).mean().to_numpy()[1:]
    return np.where(np.isnan(x), np.nan, averaged.reshape(x.shape))


def ewma_limits(
    centre: float, sigma: float, weight: float, width: float, count: int | None = None
) -> tuple[float, float]:
    """Return the lower and upper limit of an EWMA, `width` of its standard errors around `centre`.

    Asymptotic limits without `count`; with it, the exact ones after that many observations.
    NIST/SEMATECH handbook, section 6.3.2.4; independent observations are supposed.

    Examples
    --------
    >>> low, high = ewma_limits(50.0, 2.0539, 0.3, 3.0)
    >>> round(high, 4)
    52.5884
    """
    spread = weight / (2.0 - weight)
    if count is not None:
        spread *= 1.0 - (1.0 - weight) ** (2 * count)
    half = width * sigma * float(np.sqrt(spread))
    return centre - half, centre + half


@dataclass(frozen=True)
class Cusum:
    """Both one-sided sums of a tabular CUSUM and, beside each, how many steps it has been above zero."""

    high: Floats
    low: Floats
    steps_high: NDArray[np.int64]
    steps_low: NDArray[np.int64]


def cusum(values: ArrayLike, target: float, slack: float, head_start: float = 0.0) -> Cusum:
    """Return the tabular CUSUM of both sides: ``high[t] = max(0, x[t] - target - slack + high[t-1])``.

    Parameters
    ----------
    values
        Observations, time along the first axis; NaN leaves the sums as they are.
    target, slack
        Level judged against and the allowance k, in the unit of `values`.
    head_start
        Both sums before the first observation (fast initial response), in the unit of `values`.

    Notes
    -----
    NIST/SEMATECH handbook, section 6.3.2.3. ``steps_high`` counts back to the likely moment of change
    (Montgomery, Introduction to Statistical Quality Control, chapter 9).

    Examples
    --------
    >>> cusum([10.0, 12.0, 13.0], target=10.0, slack=0.5).high.tolist()
    [0.0, 1.5, 4.0]
    """
    x = np.asarray(values, dtype=float)
    high, steps_high = _one_sided(x - target - slack, head_start)
    low, steps_low = _one_sided(target - slack - x, head_start)
    return Cusum(high, low, steps_high, steps_low)


def _one_sided(increments: Floats, head_start: float) -> tuple[Floats, NDArray[np.int64]]:
    # Closed form of the recursion: the running sum less its lowest point so far (zero included).
    steps = np.where(np.isnan(increments), 0.0, increments)
    total = np.cumsum(steps, axis=0) + head_start
    floor = np.minimum(np.minimum.accumulate(total, axis=0), 0.0)
    sums = total - floor
    is_zero = sums <= 1e-12
    position = np.arange(1, sums.shape[0] + 1).reshape((-1,) + (1,) * (sums.ndim - 1))
    last_zero = np.maximum.accumulate(np.where(is_zero, position, 0), axis=0)
    return np.where(np.isnan(increments), np.nan, sums), (position - last_zero).astype(np.int64)


@dataclass(frozen=True)
class IndividualsLimits:
    """Centre line and three-sigma limits of single observations, sigma from their moving range."""

    centre: float
    mean_moving_range: float
    lower: float
    upper: float


def individuals_limits(values: ArrayLike) -> IndividualsLimits:
    """Return centre and limits of an individuals chart (NIST/SEMATECH handbook, section 6.3.2.2).

    ``mean ± 3 * mean moving range / 1.128``; a moving range next to a missing observation is left out.

    Examples
    --------
    >>> individuals_limits([49.6, 47.6, 49.9]).mean_moving_range.__round__(2)
    2.15
    """
    x = np.asarray(values, dtype=float)
    centre = float(np.nanmean(x))
    mean_range = float(np.nanmean(np.abs(np.diff(x))))
    half = 3.0 * mean_range / MEAN_RANGE_OF_TWO
    return IndividualsLimits(centre, mean_range, centre - half, centre + half)


def western_electric(values: ArrayLike, centre: float, sigma: float) -> Bools:
    """Return which of the four Western Electric rules fire at each observation; last axis is the rule.

    (1) one beyond three sigma; (2) two of three beyond two sigma, same side; (3) four of five beyond one
    sigma, same side; (4) eight in a row on one side. A run includes its own observation, a point exactly on a
    limit does not count, a missing observation counts for no side. For independent observations only:
    never on raw minutes.
    """
    z = (np.asarray(values, dtype=float) - centre) / sigma
    fires = np.zeros((*z.shape, 4), dtype=bool)
    for side in (1.0, -1.0):
        beyond = [np.where(np.isnan(z), False, side * z > limit) for limit in (3.0, 2.0, 1.0, 0.0)]
        fires[..., 0] |= beyond[0]
        fires[..., 1] |= beyond[1] & (_last(beyond[1], 3) >= 2)
        fires[..., 2] |= beyond[2] & (_last(beyond[2], 5) >= 4)
        fires[..., 3] |= _last(beyond[3], 8) >= 8
    return fires


def _last(hits: Bools, count: int) -> NDArray[np.int64]:
    """Return how many of the last `count` entries are True, the present one included."""
    total = np.cumsum(hits, axis=0, dtype=np.int64)
    before = np.zeros_like(total)
    before[count:] = total[:-count]
    return np.asarray(total - before, dtype=np.int64)


def median(known: NDArray[np.float64]) -> float:
    """Return the median of values without NaN, NaN of none; what `numpy.median` returns, in a fifth of its time.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0, 10.0])), median(np.array([3.0, 1.0, 2.0]))
    (2.5, 2.0)
    """
    if known.size == 0:
        return float("nan")
    half = known.size // 2
    sorted_about = known.copy()
    sorted_about.partition(half)
    upper = float(sorted_about[half])
    return upper if known.size % 2 else 0.5 * (float(sorted_about[:half].max()) + upper)


def robust_spread(values: ArrayLike) -> float:
    """Return the standard deviation estimated by the median absolute deviation; NaN without values."""
    x = np.asarray(values, dtype=float)
    return spread_about(x := x[~np.isnan(x)], median(x))


def spread_about(known: Floats, middle: float) -> float:
    """Return `robust_spread` of values without NaN whose median is known."""
    return median(np.abs(known - middle)) / NORMAL_QUARTILE


def sigma_from_differences(values: ArrayLike) -> float:
    """Return the noise sigma from first differences, so that a change of level does not inflate it.

    Median absolute difference / (0.6745 * sqrt 2); NaN with fewer than two neighbouring observations.

    Examples
    --------
    >>> sigma_from_differences([1.0, 2.0, 1.0, 2.0, 11.0, 12.0, 11.0]).__round__(3)
    1.048
    """
    steps = np.diff(np.asarray(values, dtype=float))
    steps = steps[~np.isnan(steps)]
    if steps.size == 0:
        return float("nan")
    return median(np.abs(steps)) / (NORMAL_QUARTILE * float(np.sqrt(2.0)))


def lag_one_correlation(values: ArrayLike) -> float:
    """Return the lag-one autocorrelation of a series, 0 to 0.99; NaN pairs left out, 0 when undecided."""
    x = np.asarray(values, dtype=float)
    known = x[~np.isnan(x)]
    x = x - (median(known) if known.size else 0.0)
    first, second = x[:-1], x[1:]
    if known.size < x.size:
        both = ~(np.isnan(first) | np.isnan(second))
        first, second = first[both], second[both]
    power = float(first @ first + second @ second) / 2.0
    if first.size < 10 or power <= 0.0:
        return 0.0
    return min(max(float(first @ second) / power, 0.0), 0.99)
