"""Trailing ratios of sums over pressing bins of one run, by the contract's definition "Rolling"."""

from __future__ import annotations

import numpy as np

from trendkit.press.rows import Mask
from trendkit.press.uncertainty import Array, Codes

LEAST_S = 300.0  # a window with less pressing time than this has no value


def trailing_ratio(
    numerator: Array, denominator: Array, is_pressing: Mask, run_code: Codes, every_s: float, window_s: float
) -> Array:
    """Return sum of numerator over sum of denominator in the trailing window that ends with each bin.

    All shape (n,). Only `pressing` bins of the bin's own run count, and only where both are known; NaN with less
    than five minutes of them, and in every other phase.

    Examples
    --------
    >>> ones, run = np.ones(8), np.zeros(8, dtype=np.int64)
    >>> float(trailing_ratio(np.arange(8.0), ones, ones > 0, run, 60.0, 300.0)[-1])
    5.0
    """
    width = max(round(window_s / every_s), 1)
    counted = is_pressing & (run_code >= 0) & ~np.isnan(numerator) & ~np.isnan(denominator)
    rows = np.arange(len(numerator))
    first = np.maximum(_run_first_row(run_code), rows - width + 1)

    def windowed(values: Array) -> Array:
        total = np.concatenate(([0.0], np.cumsum(values)))
        result: Array = total[rows + 1] - total[first]
        return result

    above = windowed(np.where(counted, numerator, 0.0))
    below = windowed(np.where(counted, denominator, 0.0))
    enough = windowed(counted.astype(float)) * every_s >= LEAST_S
    usable = enough & is_pressing & (run_code >= 0) & (np.abs(below) > 0.0)
    return np.where(usable, above / np.where(usable, below, 1.0), np.nan)


def _run_first_row(run_code: Codes) -> Codes:
    """Return for each bin the first row of its unbroken stretch of the same run."""
    edge = np.concatenate(([True], run_code[1:] != run_code[:-1]))
    result: Codes = np.maximum.accumulate(np.where(edge, np.arange(len(run_code)), 0))
    return result
