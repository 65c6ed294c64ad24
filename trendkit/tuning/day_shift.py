"""By how much a figure of the press days shifted at a change, days remembering the days before them.

Sludge that is easy to press today is likely to be so tomorrow: days are no independent samples. The scatter of
the days is independent noise plus a drift that fades exponentially. How much of each there is cannot be known
from a few weeks, so every split is weighed by its restricted likelihood, and the limits are those of the mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DRIFT_SHARES = (0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)  # of the days' variance
FADES_D = (1.0, 2.0, 3.0, 5.0, 8.0)  # days in which the drift fades to 1/e
LEAST_FREE = 4  # degrees of freedom left


@dataclass(frozen=True)
class Shift:
    """A shift with its 95 % limits and two-sided p-value; `sigma` is its standard error, `free` its degrees."""

    value: float
    low: float
    high: float
    p_value: float
    sigma: float
    free: int


@dataclass(frozen=True)
class _Weighed:
    """The shift under each split of the scatter, with the weight of the split; arrays of one length."""

    value: Floats
    sigma: Floats
    weight: Floats
    free: int

    def below(self, at: float) -> float:
        """Return the probability that the shift is below `at`."""
        from scipy.special import stdtr

        return float(self.weight @ stdtr(self.free, (at - self.value) / self.sigma))


def shift_of_days(outcome: Floats, is_after: npt.NDArray[np.bool_], day: Floats, covariates: Floats) -> Shift | None:
    """Return by how much `outcome` (n,) is higher after the change, `covariates` (n, k) held still.

    `day` (n,) numbers the plant days [d]. None when under five degrees of freedom are left, a side is empty, or
    the covariates tell the sides apart completely. Source: generalised least squares, the covariance weighed by
    restricted likelihood (Patterson and Thompson 1971) under an even prior over the splits tried.
    """
    centred = covariates - covariates.mean(axis=0)
    design = np.column_stack([np.ones(len(outcome)), is_after.astype(float), centred])
    free = len(outcome) - design.shape[1]
    if free < LEAST_FREE or np.linalg.matrix_rank(design / np.abs(design).max(axis=0).clip(1e-12)) < design.shape[1]:
        return None
    if np.ptp(outcome) == 0.0:
        return Shift(0.0, 0.0, 0.0, 1.0, 0.0, free)
    weighed = _weigh_splits(design, outcome, day, free)
    low, high = (_quantile(weighed, share) for share in (0.025, 0.975))
    under = weighed.below(0.0)
    mean = float(weighed.weight @ weighed.value)
    sigma = float(np.sqrt(weighed.weight @ (weighed.sigma**2 + (weighed.value - mean) ** 2)))
    return Shift(mean, low, high, min(2.0 * min(under, 1.0 - under), 1.0), sigma, free)


def _splits() -> list[tuple[float, float]]:
    return [(0.0, FADES_D[0]), *((share, fade) for share in DRIFT_SHARES if share > 0.0 for fade in FADES_D)]


def _weigh_splits(design: Floats, outcome: Floats, day: Floats, free: int) -> _Weighed:
    apart = np.abs(day[:, None] - day[None, :])
    found = []
    for share, fade in _splits():
        root = np.linalg.cholesky((1.0 - share) * np.eye(len(day)) + share * np.exp(-apart / fade))
        basis, triangle = np.linalg.qr(np.linalg.solve(root, design))
        whitened = np.linalg.solve(root, outcome)
        coefficients = np.linalg.solve(triangle, basis.T @ whitened)
        misfit = max(float(((whitened - basis @ (basis.T @ whitened)) ** 2).sum()), 1e-24 * float(whitened @ whitened))
        spread = np.linalg.inv(triangle)[1]
        log_determinants = np.log(np.diagonal(root)).sum() + np.log(np.abs(np.diagonal(triangle))).sum()
        likelihood = -0.5 * free * np.log(misfit) - log_determinants
        # the grid has one split without drift and several for every share with one: shares weigh alike
        prior = 0.0 if share == 0.0 else -np.log(len(FADES_D))
        found.append((coefficients[1], np.sqrt(misfit / free * (spread @ spread)), likelihood + prior))
    value, sigma, likelihoods = np.array(found).T
    weight = np.exp(likelihoods - likelihoods.max())
    return _Weighed(value, sigma, weight / weight.sum(), free)


def _quantile(weighed: _Weighed, share: float) -> float:
    from scipy.optimize import brentq
    from scipy.special import stdtrit

    far = float(stdtrit(weighed.free, 0.9999)) * weighed.sigma.max()
    ends = float(weighed.value.min() - far), float(weighed.value.max() + far)
    return float(brentq(lambda at: weighed.below(at) - share, *ends))
