"""Trailing ratios of sums over pressing bins of one run, by the contract's definition "Rolling"."""

from __future__ import annotations

import numpy as np

from trendkit.press.rows import Mask
from trendkit.press.uncertainty import COVERAGE_95, Array, Codes, Measured

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
    counted = is_pressing & (run_code >= 0) & ~np.isnan(numerator) & ~np.isnan(denominator)
    window = _Window(counted, is_pressing & (run_code >= 0), run_code, every_s, window_s)
    return window.by_bin(window.ratio(numerator, denominator))


def trailing_limits(
    above: Measured, below: Measured, is_pressing: Mask, run_code: Codes, every_s: float, window_s: float
) -> tuple[Array, Array]:
    """Return the 95 % limits of `trailing_ratio` of two measured streams; NaN where that is.

    First order (GUM): each source's share in the sums, common to the window. Grabs within one window count as one,
    which errs on the wide side.
    """
    counted = is_pressing & (run_code >= 0) & ~np.isnan(above.value) & ~np.isnan(below.value)
    window = _Window(counted, is_pressing & (run_code >= 0), run_code, every_s, window_s)
    value = window.ratio(above.value, below.value)
    bottom = window.total(below.value)
    safe = np.where(bottom == 0.0, np.nan, bottom)
    square = np.zeros(len(value))
    for source in {**above.parts, **below.parts}:
        share = np.zeros(len(value))
        if source in above.parts:
            share = share + window.total(np.nan_to_num(above.parts[source]))
        if source in below.parts:
            share = share - value * window.total(np.nan_to_num(below.parts[source]))
        square = square + (share / safe) ** 2
    half = COVERAGE_95 * np.sqrt(square)
    return window.by_bin(value - half), window.by_bin(value + half)


class _Window:
    """The trailing windows of a grid that end with a judged bin: which bins count in each."""

    def __init__(self, counted: Mask, is_judged: Mask, run_code: Codes, every_s: float, window_s: float) -> None:
        width = max(round(window_s / every_s), 1)
        rows = np.flatnonzero(is_judged)
        first = np.maximum(_run_first_row(run_code)[rows], rows - width + 1)
        before = np.concatenate(([0], np.cumsum(counted)))  # how many count before each bin
        self.size, self.rows, self.counted = len(counted), rows, np.flatnonzero(counted)
        self.begins, self.ends = before[first], before[rows + 1]
        self.is_enough = (self.ends - self.begins) * every_s >= LEAST_S

    def total(self, values: Array) -> Array:
        """Return the sum of the counted bins of each window."""
        running = np.concatenate(([0.0], np.cumsum(values[self.counted])))
        result: Array = running[self.ends] - running[self.begins]
        return result

    def ratio(self, numerator: Array, denominator: Array) -> Array:
        """Return sum over sum of each window, NaN with too little of it."""
        above, below = self.total(numerator), self.total(denominator)
        usable = self.is_enough & (np.abs(below) > 0.0)
        return np.where(usable, above / np.where(usable, below, 1.0), np.nan)

    def by_bin(self, of_windows: Array) -> Array:
        """Return what is known of windows at the bins that end them, NaN in all others."""
        result: Array = np.full(self.size, np.nan)
        result[self.rows] = of_windows
        return result


def _run_first_row(run_code: Codes) -> Codes:
    """Return for each bin the first row of its unbroken stretch of the same run."""
    edge = np.concatenate(([True], run_code[1:] != run_code[:-1]))
    result: Codes = np.maximum.accumulate(np.where(edge, np.arange(len(run_code)), 0))
    return result
