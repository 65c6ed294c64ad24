"""What is normal for one column of one press: a robust level given what it depends on, and its spread.

Comes in: earlier block means of the column and of what its level depends on. Goes out: `Normal`, which says
what level later blocks should have and how far they usually stray. Only earlier blocks are used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.upsets.charts import lag_one_correlation, median, robust_spread, sigma_from_differences, spread_about

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int64]

HUBER_WIDTH = 1.345  # 95 % efficient on normal noise (Huber 1981; value from memory)
RIDGE_BLOCKS = 25.0  # prior worth of "no dependence", in blocks
CLIP = 3.0  # spreads of what the level depends on; beyond them the line is not followed
EWMA_WEIGHT = 0.25
FEW_RUNS = 5
ROUNDS = 4
TAIL_WIDTH = {0.95: 1.960, 0.98: 2.326}  # normal quantiles of |z|


@dataclass(frozen=True)
class RobustLine:
    """A robust level: ``intercept + sum(slope * x)`` over regressors in spreads about their middles, and squares."""

    intercept: float
    slopes: Floats  # of the regressors, then of the squares
    middles: Floats
    widths: Floats
    squared: tuple[int, ...] = ()  # regressors that also count by their square: a level with a best value inside

    def level(self, regressors: Floats) -> Floats:
        """Return the level for rows of regressors, each clipped to three spreads about its usual middle.

        A missing regressor counts as its usual value.
        """
        if not self.slopes.size:
            return np.full(regressors.shape[0], self.intercept)
        return np.asarray(self.intercept + self.scaled(regressors) @ self.slopes, dtype=float)

    def scaled(self, regressors: Floats) -> Floats:
        """Return regressors in their own spreads about their middles, clipped, missing ones 0; then the squares."""
        x = np.clip((regressors - self.middles) / self.widths, -CLIP, CLIP)
        x = np.where(np.isnan(x), 0.0, x)
        return np.column_stack([x, x[:, list(self.squared)] ** 2]) if self.squared else x


def fit_robust_line(
    values: Floats, regressors: Floats, ridge_blocks: float = RIDGE_BLOCKS, squared: tuple[int, ...] = ()
) -> RobustLine:
    """Return the Huber-weighted ridge line of `values` (n,) on `regressors` (n, k) and the squares of some of them.

    Rows without value are left out; `ridge_blocks` is what "no dependence at all" is worth, in rows. Iteratively
    reweighted least squares from the median (Huber, Robust Statistics, 1981, chapter 7).
    """
    seen = ~np.isnan(values)
    y, x = values[seen], regressors[seen]
    middles, widths = np.zeros(x.shape[1]), np.ones(x.shape[1])
    for column, own in enumerate(np.ascontiguousarray(x.T)):
        known = own[~np.isnan(own)]
        if known.size:
            middles[column] = median(known)
            away = known - middles[column]
            deviation = float(np.sqrt(max(away @ away / away.size - away.mean() ** 2, 0.0)))
            widths[column] = max(spread_about(away, 0.0), 0.5 * deviation, 1e-9)
    size = x.shape[1] + len(squared)
    solution = np.array([median(y), *np.zeros(size)])
    line = RobustLine(float(solution[0]), solution[1:], middles, widths, squared)
    if not size:
        return line
    design = np.vstack([np.ones(y.size), line.scaled(x).T])  # a row each: what follows goes along them
    ridge = np.diag([1e-9, *[ridge_blocks] * size])
    for _ in range(ROUNDS):
        left = y - solution @ design
        width = HUBER_WIDTH * max(spread_about(left, median(left)), 1e-12)
        weighted = design * np.minimum(1.0, width / np.maximum(np.abs(left), 1e-300))
        solution = np.linalg.solve(weighted @ design.T + ridge, weighted @ y)
    return RobustLine(float(solution[0]), solution[1:], middles, widths, squared)


@dataclass(frozen=True)
class Habit:
    """What crews do to a column, in its unit: granted while few runs are known, and whatever they showed."""

    at_first: float = 0.0
    always: float = 0.0


NO_HABIT = Habit()


@dataclass(frozen=True)
class Normal:
    """The recent normal of one column: its level, and how far blocks stray from it and from their own run."""

    line: RobustLine
    spread: float  # of block means about the level, run to run included; the column's unit
    move_spread: float  # of the last ten minutes about the run's own last hours; the column's unit
    early_move_spread: float  # the same while a run is being set up
    ewma_spread: float  # of the EWMA of standardised blocks
    correlation: float  # lag one, of blocks
    answer: Floats | None = None  # slopes that turns within a run add to the line's; None: none

    def answered(self, regressors: Floats) -> Floats:
        """Return the level that moves within a run are held against: the line's, corrected to the answer to turns."""
        level = self.line.level(regressors)
        return level if self.answer is None else level + self.line.scaled(regressors) @ self.answer

    def move_spread_at(self, is_early: Bools) -> Floats:
        """Return the spread of moves for blocks of a run's first hours and for the later ones."""
        return np.where(is_early, self.early_move_spread, self.move_spread)


def daily_regressors(times: pd.DatetimeIndex, timezone: str) -> Floats:
    """Return sine and cosine of plant time of day, shape (n, 2): the daily pattern."""
    local = times.tz_convert(timezone)
    angle = 2.0 * np.pi * (local.hour * 60 + local.minute).to_numpy() / 1440.0
    return np.column_stack([np.sin(angle), np.cos(angle)])


@dataclass(frozen=True)
class _Running:
    """Running sums of blocks, for means over any stretch that ends before each of them."""

    sums: Floats  # of the known values before each block, and of all
    counts: Codes
    begun: Codes | int  # where the piece of a run of each block begins

    @classmethod
    def of(cls, values: Floats, pieces: Codes | None) -> _Running:
        """Return the running sums of values; without `pieces` all are of one."""
        known = ~np.isnan(values)
        sums, counts = np.zeros(values.size + 1), np.zeros(values.size + 1, dtype=np.int64)
        np.cumsum(np.where(known, values, 0.0), out=sums[1:])
        np.cumsum(known, out=counts[1:])
        return cls(sums, counts, 0 if pieces is None else _piece_starts(pieces))

    def mean(self, width: int, gap: int, least: int) -> Floats:
        """Return what `trailing_mean` does."""
        last = np.maximum(np.arange(1 - gap, self.sums.size - gap), self.begun)
        first = np.maximum(last - width, self.begun)
        number = self.counts[last] - self.counts[first]
        mean = (self.sums[last] - self.sums[first]) / np.maximum(number, 1)
        return np.where(number >= least, mean, np.nan)


def trailing_mean(values: Floats, pieces: Codes | None, width: int, gap: int, least: int) -> Floats:
    """Return the mean of `width` blocks that end `gap` blocks before each, within its piece of a run.

    Without `pieces` all blocks are of one. NaN with fewer than `least` known blocks. Gap 0 ends with the block itself.
    """
    return _Running.of(values, pieces).mean(width, gap, least)


def _piece_starts(pieces: Codes) -> Codes:
    """Return, per block, the position at which its piece of a run begins."""
    begins = np.ones(pieces.size, dtype=bool)
    begins[1:] = pieces[1:] != pieces[:-1]
    starts = np.flatnonzero(begins)
    return np.asarray(starts[np.cumsum(begins) - 1], dtype=np.int64)


def _own_blocks(block_s: int) -> tuple[int, int, int]:
    """Return how many blocks where-the-run-was rests on, how many it lags, and the fewest it needs."""
    width, gap, least = (max(1, round(seconds / block_s)) for seconds in (5400.0, 600.0, 1800.0))
    return width, gap, least


def moves(left: Floats, pieces: Codes, block_s: int) -> Floats:
    """Return how far the last ten minutes are from where the run has been: the mean of up to 90 min before them.

    NaN in a run's first 40 minutes.
    """
    running = _Running.of(left, pieces)
    return np.asarray(running.mean(max(1, round(600.0 / block_s)), 0, 1) - running.mean(*_own_blocks(block_s)))


def calm_moves(left: Floats, calm: Floats, block_s: int) -> tuple[Floats, Floats]:
    """Return where a run itself has been of late and how far its last ten minutes are from there.

    `left` are all blocks of one piece of a run, `calm` the same with excursions NaN: up to 90 min of calm blocks that
    ended ten minutes ago count, however long ago they were.
    """
    width, gap, least = _own_blocks(block_s)
    known = np.flatnonzero(~np.isnan(calm))
    sums = np.concatenate([[0.0], np.cumsum(calm[known])])
    last = np.searchsorted(known, np.arange(left.size) - gap, side="right")
    first = np.maximum(last - width, 0)
    own = np.where(last - first >= least, (sums[last] - sums[first]) / np.maximum(last - first, 1), np.nan)
    recent = trailing_mean(left, None, max(1, round(600.0 / block_s)), 0, 1)
    return own, np.asarray(recent - own, dtype=float)


def wide_spread(values: Floats, share: float) -> float:
    """Return a spread that honours the tail: the larger of the MAD's and that of the `share` quantile of |values|.

    Crews turn settings in steps: most minutes nothing moves, and the few that do are normal, too. 0
    without values.
    """
    known = np.abs(values[~np.isnan(values)])
    if known.size == 0:
        return 0.0
    return max(robust_spread(values), _quantile_of(known, share) / TAIL_WIDTH[share])


def _quantile_of(known: Floats, share: float) -> float:
    """Return the quantile between the two nearest values, linearly, as numpy does but faster."""
    place = share * (known.size - 1)
    below = int(place)
    above = min(below + 1, known.size - 1)
    parted = np.partition(known, (below, above))
    return float(parted[below] + (place - below) * (parted[above] - parted[below]))


def _move_spread(moved: Floats, runs: int, floor: float, habit: Habit) -> float:
    """Return the spread of moves.

    Over a few runs the tail is one event or none: the MAD is widened instead, and what crews usually do is granted.
    A setting turned twice a week is seldom on the move: weeks of quiet say little of how far it goes when it is.
    """
    if runs < FEW_RUNS:
        seen = robust_spread(moved) if np.isfinite(moved).any() else 0.0
        return max(3.0 * max(seen, floor), habit.at_first, habit.always)
    return max(wide_spread(moved, 0.98) * (1.0 + 1.5 / (runs - 1)), floor, habit.always)


def recent_normal(
    values: Floats,
    regressors: Floats,
    pieces: Codes,
    block_s: int,
    floor: float,
    habit: Habit = NO_HABIT,
    squared: tuple[int, ...] = (),
    is_early: Bools | None = None,
    daily: int = 0,
) -> Normal:
    """Return the normal of a column from earlier blocks.

    Parameters
    ----------
    values, regressors, pieces
        Earlier blocks (n,), what the level depends on (n, k) and the number of the run piece of each.
    block_s
        Length of a block [s].
    floor
        Least spread, in the column's unit, so that a quiet or coarse meter does not make signs of nothing.
    habit
        What crews usually do to it, which earlier blocks may not have shown.
    squared
        Positions of the regressors that also count by their square.
    is_early
        Which blocks lie in the first hours of their run; none when not given. Crews set a press up in them, when the
        day's first grabs come back: what moves then is usual then, and says little of the rest of the run.
    daily
        How many of the first regressors are the daily pattern: nobody turns it.

    Notes
    -----
    Correlated blocks say less than their number: n of them with lag-one correlation r are worth ``n (1 -
    r) / (1 + r)``, which shrinks slopes toward none; the spread of a few runs is widened by ``1 + 8 /
    (runs - 1)**1.5`` (close to the quotient of Student's and the normal quantile at 99.9 %). The EWMA of a
    first-order autoregression has ``w / (2 - w) * (1 + r (1 - w)) / (1 - r (1 - w))`` of its variance.
    """
    inside = np.diff(pieces, prepend=pieces[0]) == 0
    correlation = lag_one_correlation(values)
    line = fit_robust_line(values, regressors, RIDGE_BLOCKS * (1.0 + correlation) / (1.0 - correlation), squared)
    left = values - line.level(regressors)
    correlation = lag_one_correlation(left)
    noise = sigma_from_differences(np.where(inside, left, np.nan))
    runs = 1 + int(np.count_nonzero(~inside))  # pieces come in order
    few_runs = 1.0 + 8.0 / max(runs - 1, 1) ** 1.5
    kept = correlation * (1.0 - EWMA_WEIGHT)
    moved = moves(left, pieces, block_s)  # before the answer to turns: what a press does anyway has to be exceeded
    early = np.zeros(values.size, dtype=bool) if is_early is None else is_early
    later_spread = _move_spread(moved[~early], runs, floor, habit)
    return Normal(
        line=line,
        spread=max(wide_spread(left, 0.95), noise if noise == noise else 0.0, floor) * few_runs,
        move_spread=later_spread,
        early_move_spread=max(later_spread, _move_spread(moved[early], runs, floor, habit)),
        ewma_spread=float(np.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT) * (1.0 + kept) / (1.0 - kept))),
        correlation=correlation,
        answer=_answer(left, line.scaled(regressors), pieces, daily),
    )


def _answer(left: Floats, scaled: Floats, pieces: Codes, daily: int) -> Floats | None:
    """Return the slopes by which what the line leaves follows its regressors within runs; None when all are daily.

    Runs differ for reasons nobody measures, and crews feed more of what dewaters well: a line through all blocks takes
    that for the answer to the feed. About each run's own means only turns within runs are left (the within estimator
    of panel data; Wooldridge, Econometric Analysis of Cross Section and Panel Data, chapter 10, value from memory).
    """
    if scaled.shape[1] <= daily or not scaled.size:
        return None
    seen = ~np.isnan(left)
    x, y, piece = scaled[seen][:, daily:], left[seen], pieces[seen]
    _, number = np.unique(piece, return_inverse=True)
    count = np.bincount(number)
    y = y - (np.bincount(number, y) / count)[number]
    x = x - np.column_stack([(np.bincount(number, each) / count)[number] for each in x.T])
    weight = np.ones(y.size)
    ridge = RIDGE_BLOCKS * np.eye(x.shape[1])
    for _ in range(ROUNDS):
        weighted = x * weight[:, None]
        solution = np.linalg.solve(x.T @ weighted + ridge, weighted.T @ y)
        rest = np.abs(y - x @ solution)
        weight = np.minimum(1.0, HUBER_WIDTH * max(robust_spread(rest), 1e-12) / np.maximum(rest, 1e-300))
    return np.concatenate([np.zeros(daily), solution])
