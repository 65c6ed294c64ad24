"""A smooth effect of the speed: a parabola, and bends that are only as strong as the rows demand.

The effect is a cubic spline on even knots whose third differences are held small (penalised splines of Eilers and
Marx 1996); what is not held at all is a parabola. How much is held is weighed by restricted likelihood. A held
spline flattens bends that are truly there: by how much is part of what is not known, and enters the draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trendkit.tuning.regression import DayFit

Floats = npt.NDArray[np.float64]

STIFFNESSES = np.logspace(-5.0, 5.0, 31)  # tried, against the middle one, where data and hold weigh alike


@dataclass(frozen=True)
class Smooth:
    """A smooth effect over `low` to `high` with as many bends as there are intervals between the knots."""

    low: float
    high: float
    intervals: int

    @property
    def bends(self) -> int:
        """Number of columns that are held: the last ones."""
        return self.intervals

    def columns(self, along: Floats) -> Floats:
        """Return the columns (n, 2 + bends): the parabola's two, then the bends; straight on beyond the ends."""
        inside = np.clip(along, self.low, self.high)
        return self._at(inside, 0) + self._at(inside, 1) * (along - inside)[:, None]

    def slopes(self, along: Floats) -> Floats:
        """Return the derivatives of the columns (n, 2 + bends)."""
        return self._at(np.clip(along, self.low, self.high), 1)

    def _at(self, inside: Floats, derivative: int) -> Floats:
        """Return the columns, or their first derivatives, at places between the ends."""
        width = (self.high - self.low) / self.intervals
        place = (inside - self.low) / width
        interval = np.clip(place.astype(np.int64), 0, self.intervals - 1)
        pieces = cubic_pieces(place - interval, derivative) / width**derivative
        splines = np.zeros((len(inside), self.intervals + 3))
        np.put_along_axis(splines, interval[:, None] + np.arange(4), pieces, axis=1)
        third = np.diff(np.eye(self.intervals + 3), n=3, axis=0)
        # the coefficients with given third differences that are shortest: the penalty is then their plain square
        bends = splines @ third.T @ np.linalg.inv(third @ third.T)
        parabola = (inside, inside**2) if derivative == 0 else (np.ones_like(inside), 2.0 * inside)
        return np.column_stack([*parabola, bends])


def cubic_pieces(share: Floats, derivative: int = 0) -> Floats:
    """Return the four cubic B-splines on even knots, or their first derivatives, (n, 4), over an interval.

    `share` (n,) is 0 at the interval's start and 1 at its end. Source: de Boor, A Practical Guide to Splines, the
    uniform cubic case in closed form.

    Examples
    --------
    >>> (6.0 * cubic_pieces(np.array([0.0, 1.0]))).round(12).tolist()
    [[1.0, 4.0, 1.0, 0.0], [0.0, 1.0, 4.0, 1.0]]
    """
    t, rest = share, 1.0 - share
    if derivative == 0:
        four = (rest**3, 3.0 * t**3 - 6.0 * t**2 + 4.0, 3.0 * rest**3 - 6.0 * rest**2 + 4.0, t**3)
    else:
        four = (-3.0 * rest**2, 9.0 * t**2 - 12.0 * t, -9.0 * rest**2 + 12.0 * rest, 3.0 * t**2)
    return np.column_stack(four) / 6.0


@dataclass(frozen=True)
class Stiffness:
    """How strongly the bends are held: values tried and their weights (adding up to 1), and the error variance."""

    tried: Floats
    weights: Floats
    variance: float

    def drawn(self, draws: int, generator: np.random.Generator) -> Floats:
        """Return one value a draw, as often as it weighs."""
        return np.asarray(generator.choice(self.tried, size=draws, p=self.weights), dtype=np.float64)


def weigh_stiffness(fit: DayFit) -> Stiffness:
    """Return how strongly the bends of a fit should be held, by restricted likelihood; all values tried weigh alike.

    Source: a penalised spline is a mixed model whose bends are drawn at random (Ruppert, Wand and Carroll,
    Semiparametric Regression, chapter 4); standard form of the restricted likelihood.
    """
    held = len(fit.held)
    free = int(fit.rows.sum()) + held - len(fit.coefficients)
    fitted = fit.inside(STIFFNESSES)
    gram, moment = fit.gram.sum(axis=0) + fit.hold(STIFFNESSES), fit.moment.sum(axis=0)
    misfit = fit.square.sum() - 2.0 * fitted @ moment + np.einsum("si,sij,sj->s", fitted, gram, fitted)
    misfit = np.maximum(misfit, 1e-12 * fit.square.sum())  # rounding must not make it negative
    deviance = free * np.log(misfit) + np.linalg.slogdet(gram)[1] - fit.bends * np.log(STIFFNESSES)
    weights = np.exp(-0.5 * (deviance - deviance.min()))
    weights /= weights.sum()
    return Stiffness(STIFFNESSES, weights, float(weights @ misfit) / max(free, 1))
