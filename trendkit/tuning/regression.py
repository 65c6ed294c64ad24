"""Least squares whose cross-products are kept by day, so that whole days can be resampled in no time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class DayFit:
    """A least-squares fit with k coefficients on rows of D days, some combinations of them held near zero.

    `triangle` (k, k) turns coefficients into the orthonormal basis in which `gram` (D, k, k), `moment` (D, k)
    and `square` (D,) hold each day's cross-products: resampling days is then a sum and a small,
    well-conditioned solve. `held` (h, k) are the combinations held near zero, in that basis; the last `bends` of
    them as strongly as a stiffness says (1 in `coefficients`).
    """

    coefficients: Floats
    triangle: Floats
    gram: Floats
    moment: Floats
    square: Floats
    rows: npt.NDArray[np.int64]  # per day
    residual_square: float  # sum over all rows, of the residuals themselves: a difference of sums loses it to rounding
    held: Floats
    bends: int = 0

    @property
    def residual_variance(self) -> float:
        """Residual sum of squares over the degrees of freedom left."""
        return self.residual_square / max(int(self.rows.sum()) - len(self.coefficients), 1)

    def hold(self, stiffness: Floats) -> Floats:
        """Return what holding adds to the cross-products, (..., k, k), for stiffnesses of any shape (...)."""
        split = len(self.held) - self.bends
        firm, bends = self.held[:split], self.held[split:]
        return firm.T @ firm + np.asarray(stiffness)[..., None, None] * (bends.T @ bends)

    def inside(self, stiffness: Floats, gram: Floats | None = None, moment: Floats | None = None) -> Floats:
        """Return the fit in the orthonormal basis, (..., k); of all days unless their cross-products are given."""
        whole = (self.gram.sum(axis=0) if gram is None else gram) + self.hold(stiffness)
        right = np.broadcast_to(self.moment.sum(axis=0) if moment is None else moment, whole.shape[:-1])
        return np.asarray(np.linalg.solve(whole, right[..., None])[..., 0], dtype=np.float64)

    def outside(self, inside: Floats) -> Floats:
        """Return the coefficients (..., k) of what is given in the orthonormal basis."""
        return np.asarray(np.linalg.solve(self.triangle, inside.T).T, dtype=np.float64)

    def resampled(self, weights: Floats, stiffness: Floats | None = None) -> Floats:
        """Return coefficients (B, k) for B weightings of the days, `weights` (B, D), as in day resampling.

        `stiffness` (B,) says how strongly each holds the bends.
        """
        firm = np.ones(len(weights)) if stiffness is None else stiffness
        gram = np.tensordot(weights, self.gram, axes=1) + 1e-9 * np.eye(len(self.coefficients))
        return self.outside(self.inside(firm, gram, weights @ self.moment))

    def flattened(self, stiffness: Floats, sigma: float, generator: np.random.Generator) -> Floats:
        """Return draws (B, k) of what holding takes from the coefficients, were it the truth that was so drawn.

        What is held scatters by `sigma` about zero, over the root of its stiffness; the fit pulls it towards zero by
        its share of the whole.
        """
        firm = np.ones((len(stiffness), len(self.held) - self.bends))
        strength = np.hstack([firm, np.repeat(stiffness[:, None], self.bends, axis=1)])
        pull = (np.sqrt(strength) * generator.standard_normal(strength.shape)) @ self.held
        return self.outside(sigma * self.inside(stiffness, moment=pull))


def fit_by_day(
    design: Floats,
    outcome: Floats,
    day: npt.NDArray[np.int64],
    days: int,
    held: Floats | None = None,
    bends: int = 0,
) -> DayFit:
    """Fit `outcome` (n,) on `design` (n, k) by least squares through a QR factorisation.

    Columns are scaled to unit length first. `day` (n,) numbers each row's day from 0 to `days` - 1. `held` (h, k)
    are rows whose product with the coefficients is wanted near zero, as if each were one more row with the outcome 0;
    the last `bends` of them are those whose strength may be changed later.

    Raises
    ------
    numpy.linalg.LinAlgError
        When the columns are linearly dependent.
    """
    size = design.shape[1]
    tied = np.zeros((0, size)) if held is None else held
    every = np.vstack([design, tied])
    lengths = np.sqrt((every**2).sum(axis=0))
    if (lengths == 0.0).any():
        raise np.linalg.LinAlgError("a column of the design is zero throughout")
    basis, triangle = np.linalg.qr(every / lengths)
    if np.abs(np.diagonal(triangle)).min() < 1e-12:
        raise np.linalg.LinAlgError("the columns of the design are linearly dependent")
    own = basis[: len(design)]
    inside = own.T @ outcome
    coefficients = np.linalg.solve(triangle, inside) / lengths
    residual_square = float(((outcome - own @ inside) ** 2).sum())
    gram, moment, square = np.zeros((days, size, size)), np.zeros((days, size)), np.zeros(days)
    for number in np.unique(day):
        rows = day == number
        gram[number], moment[number] = own[rows].T @ own[rows], own[rows].T @ outcome[rows]
        square[number] = outcome[rows] @ outcome[rows]
    counts = np.bincount(day, minlength=days)
    return DayFit(
        coefficients,
        triangle * lengths,
        gram,
        moment,
        square,
        counts,
        residual_square,
        basis[len(design) :],
        bends,
    )


def day_weights(days: int, draws: int, seed: int) -> Floats:
    """Return how often each of `days` days is drawn in each of `draws` resamples, shape (draws, days)."""
    generator = np.random.default_rng(seed)
    return generator.multinomial(days, np.full(days, 1.0 / days), size=draws).astype(float)
