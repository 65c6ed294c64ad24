"""Data reconciliation: the smallest adjustment of measured values that makes balances close, and its tests.

Comes in: measured values with their covariance, and the constraints they must meet. Goes out: `Reconciled`, with
the chi-square test of all constraints together and the test of each measurement. Knows nothing of presses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trendkit.press.uncertainty import Array

Constraints = Callable[[Array], tuple[Array, Array]]
LEVEL = 0.05  # of both tests
MOST_STEPS = 50
ALIKE = 0.02  # test statistics this near, relative, cannot tell two measurements apart


@dataclass(frozen=True)
class Reconciled:
    """Measured values made to agree with their balances.

    `values`: reconciled, measured and unmeasured, in the order given. `standard_uncertainties`: of those.
    `statistics`: per measurement, its adjustment over the adjustment's standard uncertainty; NaN where no
    constraint checks it. `explaining`: per measurement, the error that would make the balances close best if it
    alone were off (reading less truth); NaN likewise. `chi_square` with `degrees_of_freedom` is the weighted sum of
    squared adjustments.
    """

    values: Array
    standard_uncertainties: Array
    adjustments: Array
    statistics: Array
    explaining: Array
    multiples: Array  # `explaining` in standard uncertainties of the measurement
    chi_square: float
    degrees_of_freedom: int

    @property
    def critical_chi_square(self) -> float:
        """The value `chi_square` stays below in 95 % of cases when the stated uncertainties hold."""
        from scipy.special import chdtri

        return float(chdtri(self.degrees_of_freedom, LEVEL))

    @property
    def closes(self) -> bool:
        """True when what is left over is no more than the stated uncertainties explain (global test)."""
        return self.chi_square <= self.critical_chi_square

    @property
    def critical_statistic(self) -> float:
        """The value all of `statistics` stay below together in 95 % of cases (Sidak's inequality)."""
        from scipy.special import ndtri

        tested = int(np.isfinite(self.statistics).sum())
        return float(ndtri(0.5 + 0.5 * (1.0 - LEVEL) ** (1.0 / max(tested, 1))))

    def suspects(self) -> tuple[int, ...]:
        """Return the measurements most likely to break the balance; none when the balance closes and no single
        statistic is beyond its critical value.

        They are the one with the largest statistic and those it cannot be told from (the balances answer to them
        alike), first the one that would have to be off by the fewest of its own standard uncertainties.
        """
        sizes = np.abs(np.nan_to_num(self.statistics))
        largest = float(sizes.max(initial=0.0))
        if largest == 0.0 or (self.closes and largest <= self.critical_statistic):
            return ()
        alike = np.flatnonzero(sizes >= largest * (1.0 - ALIKE))
        return tuple(int(place) for place in sorted(alike, key=lambda place: abs(self.multiples[place])))


def reconcile(measured: Array, covariance: Array, constraints: Constraints, guess: Array | None = None) -> Reconciled:
    """Return the values nearest to the measured ones, by their covariance, that meet the constraints.

    Minimises ``(y - x)' S^-1 (y - x)`` subject to ``g(x, u) = 0`` by successive linearisation; unmeasured
    quantities u are projected out of the constraints, which also tells how many checks are left.

    Parameters
    ----------
    measured
        Measured values y, shape (n,).
    covariance
        Their covariance S, shape (n, n), in the squares of their units.
    constraints
        Function of all quantities (measured, then unmeasured) to the residuals g, shape (m,), and their slopes,
        shape (m, n + k).
    guess
        Starting values of the k unmeasured quantities; none when all are measured.

    Raises
    ------
    ValueError
        When the unmeasured quantities leave no constraint to check the measured ones by.

    Source: projection of Crowe, Garcia Campos and Hrymak, AIChE J. 1983; global and measurement tests as in
    Narasimhan and Jordache, Data Reconciliation and Gross Error Detection, 2000 (values from memory).

    Examples
    --------
    >>> splits = lambda x: (np.array([x[0] - x[1] - x[2]]), np.array([[1.0, -1.0, -1.0]]))
    >>> reconcile(np.array([10.0, 6.0, 1.0]), np.eye(3), splits).values
    array([9., 7., 2.])
    """
    count = len(measured)
    unmeasured: Array = np.zeros(0) if guess is None else np.asarray(guess, dtype=float)
    values: Array = np.concatenate((np.asarray(measured, dtype=float), unmeasured))
    for _ in range(MOST_STEPS):
        before = values
        values, projected, spread = _step(measured, covariance, constraints, values)
        if np.allclose(values, before, rtol=1e-10, atol=1e-12):
            break
    inverse = np.linalg.pinv(spread)
    gain = covariance @ projected.T @ inverse
    of_adjustment = gain @ projected @ covariance
    adjustments = values[:count] - measured
    residual = projected @ adjustments
    sizes = np.sqrt(np.clip(np.diag(of_adjustment), 0.0, None))
    is_checked = sizes > 1e-9 * np.sqrt(np.diag(covariance))
    statistics = np.where(is_checked, adjustments / np.where(is_checked, sizes, 1.0), np.nan)
    weighed = projected.T @ inverse
    with np.errstate(divide="ignore", invalid="ignore"):
        explaining = np.where(is_checked, -(weighed @ residual) / np.sum(weighed * projected.T, axis=1), np.nan)
    return Reconciled(
        values=values,
        standard_uncertainties=_standard(covariance, of_adjustment, constraints, values, count),
        adjustments=adjustments,
        statistics=statistics,
        explaining=explaining,
        multiples=explaining / np.sqrt(np.diag(covariance)),
        chi_square=float(residual @ inverse @ residual),
        degrees_of_freedom=len(projected),
    )


def _step(measured: Array, covariance: Array, constraints: Constraints, at: Array) -> tuple[Array, Array, Array]:
    """Return the solution of the constraints made straight at `at`, their projected slopes and their spread."""
    count = len(measured)
    residual, slopes = constraints(at)
    onto = _projection(slopes[:, count:])
    if not len(onto):
        raise ValueError("no constraint is left to check the measurements by: too much is unmeasured")
    projected = onto @ slopes[:, :count]
    spread = projected @ covariance @ projected.T
    left = onto @ (residual - slopes @ at) + projected @ measured
    found = measured - covariance @ projected.T @ np.linalg.pinv(spread) @ left
    rest = slopes[:, count:]
    free = np.linalg.lstsq(rest, slopes @ at - residual - slopes[:, :count] @ found, rcond=None)[0]
    return np.concatenate((found, free)), projected, spread


def _projection(unmeasured_slopes: Array) -> Array:
    """Return the combinations of constraints, a row each, that no unmeasured quantity enters."""
    rows = len(unmeasured_slopes)
    if unmeasured_slopes.shape[1] == 0:
        return np.eye(rows)
    left, sizes, _ = np.linalg.svd(unmeasured_slopes)
    rank = int((sizes > 1e-12 * max(float(sizes.max(initial=0.0)), 1e-300)).sum())
    result: Array = left[:, rank:].T
    return result


def _standard(covariance: Array, of_adjustment: Array, constraints: Constraints, values: Array, count: int) -> Array:
    reconciled = covariance - of_adjustment
    _, slopes = constraints(values)
    if slopes.shape[1] == count:
        return np.sqrt(np.clip(np.diag(reconciled), 0.0, None))
    to_free = -np.linalg.pinv(slopes[:, count:]) @ slopes[:, :count]
    free = to_free @ reconciled @ to_free.T
    both = np.concatenate((np.diag(reconciled), np.diag(free)))
    return np.sqrt(np.clip(both, 0.0, None))
