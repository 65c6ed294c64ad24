"""What is normal for one column of one press: a robust level given what it depends on, and its spread.

Comes in: earlier block means of the column and of what its level depends on. Goes out: `Normal`, which says
what level later blocks should have and how far they usually stray. Only earlier blocks are used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.upsets.charts import lag_one_correlation, robust_spread, sigma_from_differences

Floats = NDArray[np.float64]

HUBER_WIDTH = 1.345  # 95 % efficient on normal noise (Huber 1981; value from memory)
RIDGE_BLOCKS = 25.0  # prior worth of "no dependence", in blocks
CLIP = 3.0  # spreads of what the level depends on; beyond them the line is not followed
EWMA_WEIGHT = 0.25
ROUNDS = 6


@dataclass(frozen=True)
class RobustLine:
    """A robust linear level: ``intercept + sum(slope * (x - middle) / width)``."""

    intercept: float
    slopes: Floats
    middles: Floats
    widths: Floats

    def level(self, regressors: Floats) -> Floats:
        """Return the level for rows of regressors, each clipped to three spreads about its usual middle.

        A missing regressor counts as its usual value.
        """
        if not self.slopes.size:
            return np.full(regressors.shape[0], self.intercept)
        return np.asarray(self.intercept + self.scaled(regressors) @ self.slopes, dtype=float)

    def scaled(self, regressors: Floats) -> Floats:
        """Return regressors in their own spreads about their middles, clipped, missing ones 0."""
        x = np.clip((regressors - self.middles) / self.widths, -CLIP, CLIP)
        return np.where(np.isnan(x), 0.0, x)


def fit_robust_line(values: Floats, regressors: Floats, ridge_blocks: float = RIDGE_BLOCKS) -> RobustLine:
    """Return the Huber-weighted ridge line of `values` (n,) on `regressors` (n, k).

    Rows without value are left out; `ridge_blocks` is what "no dependence at all" is worth, in rows.
    Iteratively reweighted least squares from the median (Huber, Robust Statistics, 1981, chapter 7).
    """
    seen = ~np.isnan(values)
    y, x = values[seen], regressors[seen]
    middles = np.zeros(x.shape[1])
    widths = np.ones(x.shape[1])
    for column in range(x.shape[1]):
        known = x[~np.isnan(x[:, column]), column]
        if known.size:
            middles[column] = np.median(known)
            widths[column] = max(robust_spread(known), 0.5 * float(np.std(known)), 1e-9)
    intercept = float(np.median(y))
    line = RobustLine(intercept, np.zeros(x.shape[1]), middles, widths)
    if not x.shape[1]:
        return line
    design = np.column_stack([np.ones(y.size), line.scaled(x)])
    ridge = np.diag([1e-9, *[ridge_blocks] * x.shape[1]])
    solution = np.array([intercept, *np.zeros(x.shape[1])])
    for _ in range(ROUNDS):
        left = y - design @ solution
        width = HUBER_WIDTH * max(robust_spread(left), 1e-12)
        weight = np.minimum(1.0, width / np.maximum(np.abs(left), 1e-300))
        weighted = design * weight[:, None]
        solution = np.linalg.solve(design.T @ weighted + ridge, weighted.T @ y)
    return RobustLine(float(solution[0]), solution[1:], middles, widths)


@dataclass(frozen=True)
class Normal:
    """The recent normal of one column: its level, the spread of blocks, of their EWMA and of sudden moves."""

    line: RobustLine
    spread: float  # of block means about the level, the column's unit
    ewma_spread: float  # of the EWMA of standardised blocks
    correlation: float  # lag one, of blocks
    jump_spread: float  # of the move from one half hour to the next ten minutes, the column's unit
    blocks: int  # it rests on


def daily_regressors(times: pd.DatetimeIndex, timezone: str) -> Floats:
    """Return sine and cosine of plant time of day, shape (n, 2): the daily pattern."""
    local = times.tz_convert(timezone)
    angle = 2.0 * np.pi * (local.hour * 60 + local.minute).to_numpy() / 1440.0
    return np.column_stack([np.sin(angle), np.cos(angle)])


def level_before(values: Floats, pieces: NDArray[np.int64]) -> Floats:
    """Return the mean of the six blocks that end two before each:
    what a jump is measured from. NaN too early.
    """
    earlier = pd.Series(values).shift(2).rolling(6, min_periods=4).mean().to_numpy()
    same_piece = np.zeros(values.shape, dtype=bool)
    same_piece[6:] = pieces[6:] == pieces[:-6]
    return np.where(same_piece, earlier, np.nan)


def jumps(values: Floats, pieces: NDArray[np.int64]) -> Floats:
    """Return the mean of each block and the one before less the level before them;
    NaN too early in a piece.
    """
    recent = pd.Series(values).rolling(2, min_periods=2).mean().to_numpy()
    return np.asarray(recent - level_before(values, pieces), dtype=float)


def recent_normal(
    values: Floats, regressors: Floats, pieces: NDArray[np.int64], moves: Floats, floor: float
) -> Normal:
    """Return the normal of a column from earlier blocks.

    Parameters
    ----------
    values, regressors, pieces, moves
        Earlier blocks (n,), what the level depends on (n, k), the run piece of each block and its jump.
    floor
        Least spread, in the column's unit, so that a quiet or coarse meter does not make signs of nothing.

    Notes
    -----
    Correlated blocks say less than their number: n of them with lag-one correlation r are worth ``n (1 -
    r) / (1 + r)``, which widens the spread of a short history and shrinks slopes toward none. The EWMA of
    a first-order autoregression has ``w / (2 - w) * (1 + r (1 - w)) / (1 - r (1 - w))`` of its variance.
    """
    inside = np.diff(pieces, prepend=pieces[0]) == 0
    correlation = lag_one_correlation(values)
    stretch = (1.0 + correlation) / (1.0 - correlation)
    line = fit_robust_line(values, regressors, RIDGE_BLOCKS * stretch)
    left = values - line.level(regressors)
    correlation = lag_one_correlation(left)
    effective = max(float(np.sum(~np.isnan(left))) * (1.0 - correlation) / (1.0 + correlation), 1.0)
    noise = sigma_from_differences(np.where(inside, left, np.nan))
    spread = max(robust_spread(left), noise if noise == noise else 0.0, floor) * (1.0 + 2.0 / effective)
    kept = correlation * (1.0 - EWMA_WEIGHT)
    jump_spread = robust_spread(moves)
    return Normal(
        line=line,
        spread=spread,
        ewma_spread=float(np.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT) * (1.0 + kept) / (1.0 - kept))),
        correlation=correlation,
        jump_spread=max(jump_spread if jump_spread == jump_spread else 0.0, floor),
        blocks=int(np.sum(~np.isnan(values))),
    )
