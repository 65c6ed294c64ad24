"""Least squares whose cross-products are kept by day, so that whole days can be resampled in no time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class DayFit:
    """A least-squares fit with k coefficients on rows of D days.

    `triangle` (k, k) turns coefficients into the orthonormal basis in which `gram` (D, k, k), `moment` (D, k)
    and `square` (D,) hold each day's cross-products: resampling days is then a sum and a small,
    well-conditioned solve.
    """

    coefficients: Floats
    triangle: Floats
    gram: Floats
    moment: Floats
    square: Floats
    rows: npt.NDArray[np.int64]  # per day
    residual_square: float  # sum over all rows, of the residuals themselves: a difference of sums loses it to rounding

    @property
    def residual_variance(self) -> float:
        """Residual sum of squares over the degrees of freedom left."""
        return self.residual_square / max(int(self.rows.sum()) - len(self.coefficients), 1)

    def resampled(self, weights: Floats) -> Floats:
        """Return coefficients (B, k) for B weightings of the days, `weights` (B, D), as in day resampling."""
        size = len(self.coefficients)
        gram = np.tensordot(weights, self.gram, axes=1) + 1e-9 * np.eye(size)
        moment = weights @ self.moment
        inside = np.linalg.solve(gram, moment[:, :, None])[:, :, 0]
        return np.linalg.solve(self.triangle, inside.T).T

    def left_out_error(self, fold: npt.NDArray[np.int64], columns: npt.NDArray[np.int64] | None = None) -> float:
        """Return the mean squared error of predicting each fold of days from the others.

        `fold` (D,) numbers the folds; `columns` keeps only the first-named columns of the orthonormal basis,
        so nested designs, simplest first, are compared at no cost.
        """
        kept = np.arange(len(self.coefficients)) if columns is None else columns
        gram, moment = self.gram[:, kept][:, :, kept], self.moment[:, kept]
        error = 0.0
        for number in np.unique(fold):
            out = fold == number
            rest = gram[~out].sum(axis=0) + 1e-9 * np.eye(len(kept))
            fitted = np.linalg.solve(rest, moment[~out].sum(axis=0))
            own = gram[out].sum(axis=0)
            error += float(self.square[out].sum() - 2.0 * fitted @ moment[out].sum(axis=0) + fitted @ own @ fitted)
        return error / int(self.rows.sum())


def fit_by_day(design: Floats, outcome: Floats, day: npt.NDArray[np.int64], days: int) -> DayFit:
    """Fit `outcome` (n,) on `design` (n, k) by least squares through a QR factorisation.

    Columns are scaled to unit length first. `day` (n,) numbers each row's day from 0 to `days` - 1.

    Raises
    ------
    numpy.linalg.LinAlgError
        When the columns are linearly dependent.
    """
    lengths = np.sqrt((design**2).sum(axis=0))
    if (lengths == 0.0).any():
        raise np.linalg.LinAlgError("a column of the design is zero throughout")
    basis, triangle = np.linalg.qr(design / lengths)
    if np.abs(np.diagonal(triangle)).min() < 1e-12:
        raise np.linalg.LinAlgError("the columns of the design are linearly dependent")
    inside = basis.T @ outcome
    coefficients = np.linalg.solve(triangle, inside) / lengths
    residual_square = float(((outcome - basis @ inside) ** 2).sum())
    size = design.shape[1]
    gram, moment, square = np.zeros((days, size, size)), np.zeros((days, size)), np.zeros(days)
    np.add.at(gram, day, basis[:, :, None] * basis[:, None, :])
    np.add.at(moment, day, basis * outcome[:, None])
    np.add.at(square, day, outcome**2)
    rows = np.bincount(day, minlength=days)
    return DayFit(coefficients, triangle * lengths, gram, moment, square, rows, residual_square)


def day_weights(days: int, draws: int, seed: int) -> Floats:
    """Return how often each of `days` days is drawn in each of `draws` resamples, shape (draws, days)."""
    generator = np.random.default_rng(seed)
    return generator.multinomial(days, np.full(days, 1.0 / days), size=draws).astype(float)
