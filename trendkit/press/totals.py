"""Totals over groups of bins: while a meter or the bench was silent, a total goes on as in the rest of its group.

Without that, a month with a polymer meter out for a week would set three weeks of polymer against four of cake, and
runs without a feed grab would leave their solids out of every amount per tonne.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from trendkit.press.rows import Mask
from trendkit.press.uncertainty import Array, Codes, Measured, Samples, sum_by

LEAST_KNOWN = 0.1  # of what a total goes by: from less than this nothing is concluded for the rest


def all_over_known(weight: Array, is_known: Mask, codes: Codes, count: int) -> Array:
    """Return per group the sum of a weight over its sum in the bins known, shape (`count`,).

    `codes` holds the group of each bin, -1 for none. 1 where a group has nothing of the weight, NaN where under a
    tenth of it is known.

    Examples
    --------
    >>> hours, codes = np.ones(4), np.array([0, 0, 1, 1])
    >>> all_over_known(hours, np.array([True, False, False, False]), codes, 2)
    array([ 2., nan])
    """
    is_there = (codes >= 0) & (weight > 0.0)
    everything, known = (
        np.bincount(codes[rows], weight[rows], minlength=count).astype(float)
        for rows in (is_there, is_there & is_known)
    )
    is_enough = (known > 0.0) & (known >= LEAST_KNOWN * everything)
    empty = np.where(everything > 0.0, np.nan, 1.0)
    result: Array = np.divide(everything, known, out=empty, where=is_enough)
    return result


def filled_sum(
    rate: Measured, weight: Array, codes: Codes, count: int, samples: Mapping[str, Samples]
) -> tuple[Measured, Array]:
    """Return the sum of a rate over each group and the bins it is known in, both shape (`count`,).

    Bins in which the rate is not known count with the group's mean rate per `weight` (what it goes by: the feed, or the
    time moving). NaN where no bin is known, or under a tenth of the weight. The limits are those of the known bins and
    do not widen for the others.
    """
    is_known = ~np.isnan(rate.value)
    known_codes = np.where(is_known, codes, -1)
    factor = np.append(all_over_known(weight, is_known, codes, count), 1.0)
    summed = sum_by(rate, known_codes, count, samples, np.where(weight > 0.0, factor[codes], 1.0))
    bins = np.bincount(known_codes[known_codes >= 0], minlength=count).astype(float)
    is_had = (bins > 0) & ~np.isnan(factor[:-1])
    return Measured(np.where(is_had, summed.value, np.nan), summed.parts), bins
