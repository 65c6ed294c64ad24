"""From a response to a curve over speed: cake, capture and burden with limits, and the best speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.changes import ChangeEffect
from trendkit.tuning.outcome import SPEED
from trendkit.tuning.response import Response
from trendkit.tuning.worth import Worth

Floats = npt.NDArray[np.float64]

GRID = 61  # speeds on the curve
NEAR_BEST = 0.01  # speeds that cost under 1 % more are as good as the best
EDGE_BLUR = 0.03  # of the speeds run
LIMITS = (0.025, 0.975)
LASTING_SEED = 20260301


@dataclass(frozen=True)
class Curve:
    """Outcomes over `speeds` (n,), as fitted (n,) and resampled (draws, n); capture NaN if unknown."""

    speeds: Floats
    cake: Floats
    cake_draws: Floats
    capture: Floats
    capture_draws: Floats
    burden: Floats  # cost per dry tonne, or wet tonnes per dry tonne of cake
    burden_draws: Floats
    allowed: npt.NDArray[np.bool_]  # speeds that may be chosen, the targets considered
    allowed_draws: npt.NDArray[np.bool_]

    @property
    def best(self) -> int:
        """Position of the best speed."""
        return int(np.argmin(np.where(self.allowed, self.burden, np.inf)))

    @property
    def best_draws(self) -> npt.NDArray[np.int64]:
        """Position of the best speed in each resample."""
        best: npt.NDArray[np.int64] = np.where(self.allowed_draws, self.burden_draws, np.inf).argmin(axis=1)
        return best

    def near_best(self) -> tuple[int, int]:
        """Return the positions between which every speed is within 1 % of the least burden, targets kept."""
        best = self.best
        good = (self.burden <= self.burden[best] * (1.0 + NEAR_BEST)) & self.allowed
        low = best - int(np.argmin(np.r_[good[best::-1], False])) + 1
        high = best + int(np.argmin(np.r_[good[best:], False])) - 1
        return low, high

    @property
    def best_speed(self) -> float:
        """The best speed [m/min], between the speeds of the grid by the parabola through three."""
        return float(self._between(np.array([self.best]), self.burden[None, :], self.allowed[None, :])[0])

    def best_limits(self, scale_error: float = 0.0) -> tuple[float, float]:
        """Return the 95 % limits of the best speed itself [m/min].

        `scale_error` is the relative standard uncertainty of the speed's meter: as far as the whole scale may be off.
        A best speed at an edge has limits no closer than 3 % of the range: where experience ends is not sharp.
        """
        best = self.best_speed
        low, high = np.quantile(self._between(self.best_draws, self.burden_draws, self.allowed_draws), LIMITS)
        scale = 1.96 * scale_error * best
        low, high = (
            best - float(np.hypot(max(best - low, 0.0), scale)),
            best + float(np.hypot(max(high - best, 0.0), scale)),
        )
        blur = EDGE_BLUR * (self.speeds[-1] - self.speeds[0])
        if self.best == 0:
            high = max(high, self.speeds[0] + blur)
        if self.best == len(self.speeds) - 1:
            low = min(low, self.speeds[-1] - blur)
        return float(low), float(high)

    def _between(self, best: npt.NDArray[np.int64], burden: Floats, allowed: npt.NDArray[np.bool_]) -> Floats:
        """Return the best speeds of several curves, a row each, between the grid's by the parabola through three."""
        inner = np.clip(best, 1, len(self.speeds) - 2)
        row = np.arange(len(best))
        left, middle, right = (burden[row, inner + step] for step in (-1, 0, 1))
        bend = left - 2.0 * middle + right
        is_free = (best == inner) & (bend > 0.0) & allowed[row, inner - 1] & allowed[row, inner + 1]
        shift = np.where(is_free, 0.5 * (left - right) / np.where(is_free, bend, 1.0), 0.0)
        result: Floats = self.speeds[best] + np.clip(shift, -0.5, 0.5) * (self.speeds[1] - self.speeds[0])
        return result

    def bounds(self, scale_error: float = 0.0) -> tuple[float, float]:
        """Return the 95 % limits of the best speed [m/min], widened to the speeds that cost at most 1 % more."""
        low, high = self.best_limits(scale_error)
        first, last = self.near_best()
        return min(low, float(self.speeds[first])), max(high, float(self.speeds[last]))

    def as_frame(self, worth: Worth) -> pd.DataFrame:
        """Return the contract's curve: a row per speed with cake, capture and cost and their 95 % limits."""
        frame = pd.DataFrame({SPEED: self.speeds})
        cost = worth.cost_per_dry_t(self.cake, self.capture)
        cost_draws = worth.cost_per_dry_t(self.cake_draws, self.capture_draws)
        for name, values, draws in (
            ("cake_solids_pct", self.cake, self.cake_draws),
            ("capture_pct", self.capture, self.capture_draws),
            ("cost_per_dry_t", cost, cost_draws),
        ):
            low, high = np.quantile(draws, LIMITS, axis=0)
            frame[name], frame[f"{name}_low"], frame[f"{name}_high"] = values, low, high
        return frame


def _curve(speeds: Floats, cake: Floats, cake_draws: Floats, loss: Floats, loss_draws: Floats, worth: Worth) -> Curve:
    capture, capture_draws = 100.0 - loss, 100.0 - loss_draws
    return Curve(
        speeds,
        cake,
        cake_draws,
        capture,
        capture_draws,
        worth.burden(cake, capture),
        worth.burden(cake_draws, capture_draws),
        worth.allowed(cake, capture),
        worth.allowed(cake_draws, capture_draws),
    )


def regression_curve(response: Response, worth: Worth, speeds: Floats, **others: float) -> Curve:
    """Return estimate 1 over `speeds` [m/min] at typical conditions but for `others` (by column)."""
    conditions = response.conditions(speeds, **others)
    cake, cake_draws = response.cake.at(conditions)
    cake_off, log_loss_off = response.lasting.drawn(len(cake_draws), LASTING_SEED)
    cake_draws = cake_draws + cake_off[:, None]
    if response.loss is None:
        nothing = np.full_like(cake, np.nan)
        return _curve(speeds, cake, cake_draws, nothing, np.full_like(cake_draws, np.nan), worth)
    loss, loss_draws = response.loss.at(conditions)
    return _curve(speeds, cake, cake_draws, loss, loss_draws * np.exp(log_loss_off)[:, None], worth)


def change_curve(
    first: Curve, cake_effect: ChangeEffect, loss_effect: ChangeEffect | None, base: float, worth: Worth
) -> Curve:
    """Return estimate 2 as a curve, tied to estimate 1 at speed `base` [m/min], where both then agree."""
    speeds = first.speeds
    at_base = int(np.argmin(np.abs(speeds - base)))
    change, change_draws = cake_effect.between(speeds, float(speeds[at_base]))
    cake, cake_draws = first.cake[at_base] + change, first.cake_draws[:, [at_base]] + change_draws
    loss, loss_draws = 100.0 - first.capture[at_base], 100.0 - first.capture_draws[:, [at_base]]
    if loss_effect is None:
        factor, factor_draws = np.ones_like(change), np.ones_like(change_draws)
    else:
        change, change_draws = loss_effect.between(speeds, float(speeds[at_base]))
        factor, factor_draws = np.exp(change), np.exp(change_draws)
    return _curve(speeds, cake, cake_draws, loss * factor, loss_draws * factor_draws, worth)
