"""Level and spread that a few wild values cannot move: median, MAD and the limits of Hampel's rule."""

from __future__ import annotations

import numpy as np

from trendkit.series.segments import Floats

# 1 / the 75th percentile of the standard normal: makes the MAD of normal noise its standard deviation.
NORMAL_MAD = 1.482602218505602


def robust_spread(values: Floats, floor: float = 0.0) -> float:
    """Return the median absolute deviation scaled to a standard deviation, at least `floor`; NaN when empty.

    A stuck or coarsely quantised tag has a MAD of 0, and every deviation from it would seem endless: `floor`
    is the least spread the instrument can have, its resolution.

    Examples
    --------
    >>> round(robust_spread(np.array([1.0, 2.0, 3.0, 4.0, 100.0])), 4)
    1.4826
    """
    known = values[~np.isnan(values)]
    if not len(known):
        return np.nan
    return max(float(np.median(np.abs(known - np.median(known)))) * NORMAL_MAD, floor)


def hampel_limits(values: Floats, width: float, floor: float = 0.0) -> tuple[float, float]:
    """Return the median less and plus `width` robust standard deviations (Hampel's identifier)."""
    known = values[~np.isnan(values)]
    if not len(known):
        return np.nan, np.nan
    middle, spread = float(np.median(known)), robust_spread(known, floor)
    return middle - width * spread, middle + width * spread
