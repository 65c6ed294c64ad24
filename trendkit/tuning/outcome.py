"""One outcome of the steady blocks, fitted: inputs, hours into the run, and a smooth effect of the speed.

A fuller belt wants another speed, and forgives a wrong one less. The effect of the speed therefore slides along the
speed's logarithm with those of loading and feed solids, and opens or closes with them; both are fitted with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.regression import DayFit, fit_by_day
from trendkit.tuning.serial import ByDay, Memory, arrange_by_day, estimate_memory, whiten
from trendkit.tuning.smooth import Smooth, weigh_stiffness

Floats = npt.NDArray[np.float64]

SPEED = "gravity_belt_speed_m_min"
LOADING, FEED_SOLIDS = "solids_loading_kg_h_m", "feed_solids_pct"
SLIDES = (LOADING, FEED_SOLIDS)  # together they span the water on the belt as well
SLIDE_SPREAD = 1.0  # of the powers, before anything is seen: the best speed in proportion, or not at all
_FARTHEST = 3.0
_ROUNDS = 5
_FIRST_GUESS = Memory(day_share=0.3, drift_share=0.3, drift_hours=2.0)


@dataclass(frozen=True)
class Design:
    """How a block becomes a row: logarithms of inputs against their medians, and the effect of the speed."""

    inputs: tuple[str, ...]
    curved: tuple[str, ...]
    centres: Mapping[str, float]  # median of each input and of the speed, in the column's unit
    hours_centre: float | None  # of time into the run; None when it does not enter
    smooth: Smooth
    powers: Mapping[str, float]  # input -> by what power of it the speed effect slides
    opens: bool = True  # whether the speed effect also opens or closes with those inputs
    effect: Floats | None = None  # the speed effect's coefficients about which a change of the powers is linear

    def logs(self, blocks: pd.DataFrame, name: str) -> Floats:
        """Return the logarithm of a column over its median."""
        return np.asarray(np.log(blocks[name].to_numpy(dtype=float) / self.centres[name]), dtype=np.float64)

    def along(self, blocks: pd.DataFrame) -> Floats:
        """Return where each block lies on the speed effect."""
        slid = sum((power * self.logs(blocks, name) for name, power in self.powers.items()), np.zeros(len(blocks)))
        return self.logs(blocks, SPEED) - slid

    def level_columns(self, blocks: pd.DataFrame) -> Floats:
        """Return the columns that do not carry the speed: level, inputs, time into the run."""
        columns = [np.ones(len(blocks))]
        for name in self.inputs:
            columns.append(self.logs(blocks, name))
            if name in self.curved:
                columns.append(columns[-1] ** 2)
        if self.hours_centre is not None:
            columns.append(blocks["hours_into_run"].to_numpy(dtype=float) - self.hours_centre)
        return np.column_stack(columns)

    def slide_columns(self, blocks: pd.DataFrame) -> Floats:
        """Return what a change of each power does to the outcome, none without an effect to slide."""
        if self.effect is None:
            return np.zeros((len(blocks), 0))
        steep = self.smooth.slopes(self.along(blocks)) @ self.effect
        return np.array([-steep * self.logs(blocks, name) for name in self.powers]).reshape(-1, len(blocks)).T

    def matrix(self, blocks: pd.DataFrame) -> Floats:
        """Return the design matrix (blocks, columns): level, inputs, opening, slides, then the effect of the speed."""
        along = self.along(blocks)
        opening = [self.logs(blocks, name) * along**2 for name in self.powers if self.opens]
        slides = self.slide_columns(blocks)
        return np.column_stack([self.level_columns(blocks), *opening, slides, self.smooth.columns(along)])


@dataclass(frozen=True)
class Outcome:
    """One outcome's fit: `is_log` when the logarithm of the loss [%] was fitted, and its error's memory."""

    fit: DayFit
    design: Design
    memory: Memory
    is_log: bool
    coefficients: Floats
    draws: Floats  # coefficients by day resampling, stiffness and what it flattens drawn too, (DRAWS, k)

    def at(self, blocks: pd.DataFrame) -> tuple[Floats, Floats]:
        """Return the fitted outcome for each row (n,), and for each resample and row (DRAWS, n)."""
        matrix = self.design.matrix(blocks)
        fitted, spread = matrix @ self.coefficients, self.draws @ matrix.T
        return (np.exp(fitted), np.exp(spread)) if self.is_log else (fitted, spread)


@dataclass(frozen=True)
class _Rows:
    """What an outcome is fitted on: blocks and outcome, arranged by day."""

    blocks: pd.DataFrame
    values: Floats
    day: npt.NDArray[np.int64]  # number among all days
    by_day: ByDay
    compact: npt.NDArray[np.int64]  # number among the days with the outcome known
    hours: Floats


def fit_outcome(
    blocks: pd.DataFrame,
    outcome: Floats,
    day: npt.NDArray[np.int64],
    weights: Floats,
    design: Design,
    is_log: bool,
    seed: int,
) -> Outcome:
    """Return the fit of one outcome (n,) [%] of blocks whose days are numbered in `day`; NaN is left out."""
    usable = np.isfinite(outcome) & ((outcome > 0.0) if is_log else True)
    rows, values, number = blocks[usable], outcome[usable], day[usable]
    hours = np.asarray(pd.DatetimeIndex(rows["start_utc"]).as_unit("s").asi8 / 3600.0, dtype=np.float64)
    _, compact = np.unique(number, return_inverse=True)
    given = _Rows(rows, np.log(values) if is_log else values, number, arrange_by_day(compact, hours), compact, hours)
    design = _slid(given, design, _FIRST_GUESS)
    memory = estimate_memory(design.matrix(rows), given.values, compact, hours)
    design = _slid(given, design, memory)
    generator = np.random.default_rng(seed)
    fit, _ = _held_fit(given, design, memory, weights.shape[1])
    found = weigh_stiffness(fit)
    stiffness = found.drawn(len(weights), generator)
    draws = fit.resampled(weights, stiffness)
    draws = draws + fit.flattened(stiffness, float(np.sqrt(found.variance)), generator)
    coefficients = fit.outside(found.weights @ fit.inside(found.tried))
    return Outcome(fit, design, memory, is_log, coefficients, draws)


def _held_fit(given: _Rows, design: Design, memory: Memory, days: int) -> tuple[DayFit, float]:
    """Return the fit whose bends and slides are held, and the error variance that the slides are held against."""
    matrix = design.matrix(given.blocks)
    whitened, _ = whiten(np.column_stack([matrix, given.values]), given.by_day, memory)
    rows, outcome = whitened[:, :-1], whitened[:, -1]
    bends = design.smooth.bends
    slides = len(design.powers) if design.effect is not None else 0
    size = rows.shape[1]
    rest = outcome - rows @ np.linalg.lstsq(rows, outcome, rcond=1e-10)[0]
    variance = float(rest @ rest) / max(len(outcome) - size, 1)
    held = np.zeros((slides + bends, size))
    first = size - bends - 2 - slides
    held[np.arange(slides), first + np.arange(slides)] = np.sqrt(variance) / SLIDE_SPREAD
    weight = np.sqrt((rows[:, size - bends :] ** 2).sum() / bends)
    held[slides + np.arange(bends), size - bends + np.arange(bends)] = weight
    return fit_by_day(rows, outcome, given.day, days, held, bends), variance


def _slid(given: _Rows, design: Design, memory: Memory) -> Design:
    """Return the design with the powers that fit best, by Gauss and Newton's steps, held about zero."""
    for _ in range(_ROUNDS):
        along = design.along(given.blocks)
        smooth = replace(design.smooth, low=float(along.min()), high=float(along.max()))
        design = replace(design, smooth=smooth, effect=None)
        fit, variance = _held_fit(given, design, memory, int(given.day.max()) + 1)
        found = weigh_stiffness(fit)
        effect = fit.outside(found.weights @ fit.inside(found.tried))[-2 - smooth.bends :]
        design = replace(design, effect=effect)
        if not design.powers:
            break
        design = replace(design, powers=_stepped(given, design, memory, variance))
    return design


def _stepped(given: _Rows, design: Design, memory: Memory, variance: float) -> dict[str, float]:
    """Return the powers after one step: least squares on what a change of each does, each held about zero."""
    matrix = np.column_stack([design.matrix(given.blocks), given.values])
    whitened, _ = whiten(matrix, given.by_day, memory)
    names = list(design.powers)
    first = whitened.shape[1] - 1 - 2 - design.smooth.bends - len(names)
    slides = slice(first, first + len(names))
    others = np.delete(whitened, np.r_[slides, whitened.shape[1] - 1], axis=1)
    both = np.column_stack([whitened[:, slides], whitened[:, -1]])
    both = both - others @ np.linalg.lstsq(others, both, rcond=1e-10)[0]
    own, rest = both[:, :-1], both[:, -1]
    now = np.array(list(design.powers.values()))
    hold = variance / SLIDE_SPREAD**2 * np.eye(len(names))
    step = np.linalg.solve(own.T @ own + hold, own.T @ rest - hold @ now)
    return {
        name: float(np.clip(power, -_FARTHEST, _FARTHEST))
        for name, power in zip(names, now + np.clip(step, -1.0, 1.0), strict=True)
    }
