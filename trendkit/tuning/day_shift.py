"""By how much a figure of the press days shifted at a change, days remembering the days before them.

Sludge that is easy to press today is likely to be so tomorrow: days are no independent samples. The scatter of
the days is independent noise plus a drift that fades exponentially. How much of each there is cannot be known
from a few weeks, so every split is weighed by its restricted likelihood, and the limits are those of the mixture.
How a press's days remember belongs to the press and not to the weeks compared: all its press days on record may
weigh the splits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DRIFT_SHARES = (0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)  # of the days' variance
FADES_D = (1.0, 2.0, 3.0, 5.0, 8.0)  # days in which the drift fades to 1/e
NO_MEMORY = 0.5  # odds, before anything is seen, that days do not remember at all
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
class DayRecord:
    """Press days: their `outcome` (n,), whether after the change, their number [d], and what is held still (n, k)."""

    outcome: Floats
    is_after: npt.NDArray[np.bool_]
    day: Floats
    covariates: Floats

    @property
    def design(self) -> Floats:
        """Level, shift, and what is held still, (n, 2 + k)."""
        centred = self.covariates - self.covariates.mean(axis=0)
        return np.column_stack([np.ones(len(self.outcome)), self.is_after.astype(float), centred])

    @property
    def free(self) -> int:
        """Degrees of freedom left."""
        return int(len(self.outcome) - self.design.shape[1])

    @property
    def can_tell(self) -> bool:
        """True when enough days are left, on both sides, and what is held still does not tell the sides apart."""
        if self.free < LEAST_FREE:
            return False
        scaled = self.design / np.abs(self.design).max(axis=0).clip(1e-12)
        return bool(np.linalg.matrix_rank(scaled) == self.design.shape[1])


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


def shift_of_days(compared: DayRecord, record: DayRecord | None = None) -> Shift | None:
    """Return by how much the outcome is higher after the change, the covariates held still.

    `record` are all press days known, those compared among them: they say how much the days remember; None: those
    compared alone. None when under four degrees of freedom are left, a side is empty, or the covariates tell the sides
    apart completely. Source: generalised least squares, the covariance weighed by restricted likelihood (Patterson and
    Thompson 1971); before anything is seen days remember or do not at even odds (Jeffreys' choice between a hypothesis
    and its alternative, value from memory).
    """
    if not compared.can_tell:
        return None
    if np.ptp(compared.outcome) == 0.0:
        return Shift(0.0, 0.0, 0.0, 1.0, 0.0, compared.free)
    value, sigma, evidence = _under_each_split(compared)
    if record is not None and record.can_tell and np.ptp(record.outcome) > 0.0:
        _, _, evidence = _under_each_split(record)
    weighed = _Weighed(value, sigma, _weights(evidence), compared.free)
    low, high = (_quantile(weighed, share) for share in (0.025, 0.975))
    under = weighed.below(0.0)
    mean = float(weighed.weight @ weighed.value)
    spread = float(np.sqrt(weighed.weight @ (weighed.sigma**2 + (weighed.value - mean) ** 2)))
    return Shift(mean, low, high, min(2.0 * min(under, 1.0 - under), 1.0), spread, compared.free)


def _splits() -> list[tuple[float, float]]:
    return [(0.0, FADES_D[0]), *((share, fade) for share in DRIFT_SHARES if share > 0.0 for fade in FADES_D)]


def _under_each_split(days: DayRecord) -> tuple[Floats, Floats, Floats]:
    """Return the shift, its standard error and the restricted log likelihood under each split of the scatter."""
    apart = np.abs(days.day[:, None] - days.day[None, :])
    design, outcome, found = days.design, days.outcome, []
    for share, fade in _splits():
        root = np.linalg.cholesky((1.0 - share) * np.eye(len(outcome)) + share * np.exp(-apart / fade))
        basis, triangle = np.linalg.qr(np.linalg.solve(root, design))
        whitened = np.linalg.solve(root, outcome)
        coefficients = np.linalg.solve(triangle, basis.T @ whitened)
        misfit = max(float(((whitened - basis @ (basis.T @ whitened)) ** 2).sum()), 1e-24 * float(whitened @ whitened))
        spread = np.linalg.inv(triangle)[1]
        log_determinants = np.log(np.diagonal(root)).sum() + np.log(np.abs(np.diagonal(triangle))).sum()
        likelihood = -0.5 * days.free * np.log(misfit) - log_determinants
        found.append((coefficients[1], np.sqrt(misfit / days.free * (spread @ spread)), likelihood))
    value, sigma, likelihoods = np.array(found).T
    return value, sigma, likelihoods


def _weights(likelihoods: Floats) -> Floats:
    """Return the weights of the splits: even odds on days that do not remember, the rest even over how they do."""
    with_drift = (len(DRIFT_SHARES) - 1) * len(FADES_D)
    prior = np.log([NO_MEMORY if share == 0.0 else (1.0 - NO_MEMORY) / with_drift for share, _ in _splits()])
    weight = np.exp(likelihoods + prior - (likelihoods + prior).max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def _quantile(weighed: _Weighed, share: float) -> float:
    from scipy.optimize import brentq
    from scipy.special import stdtrit

    far = float(stdtrit(weighed.free, 0.9999)) * weighed.sigma.max()
    ends = float(weighed.value.min() - far), float(weighed.value.max() + far)
    return float(brentq(lambda at: weighed.below(at) - share, *ends))
