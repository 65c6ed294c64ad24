"""Scatter that remembers: days that differ, slow drift within a day, and noise from block to block.

Each outcome scatters as a day level, plus a drift that fades exponentially, plus independent noise. Whitening
by that covariance turns every block into what its own day so far did not already announce. A speed chosen
because of earlier cake is then no longer tied to the error of the cake it makes: past causes are conditioned
on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_MOST_DAYS = 45  # days used to estimate the covariance: more cost time and change little


@dataclass(frozen=True)
class Memory:
    """Shares of the error variance (they and the noise add up to 1) and how fast the drift fades."""

    day_share: float
    drift_share: float
    drift_hours: float


@dataclass(frozen=True)
class ByDay:
    """Rows of a regression arranged by day: arrays of shape (days, most rows in a day), padded."""

    position: npt.NDArray[np.int64]  # row number in the original order, -1 where padded
    hours: Floats  # time of each row

    @property
    def is_row(self) -> npt.NDArray[np.bool_]:
        """True where a row is, False where padded."""
        return self.position >= 0


def arrange_by_day(day: npt.NDArray[np.int64], hours: Floats) -> ByDay:
    """Return the rows arranged by their day number (0, 1, ...), each day in order of time [h]."""
    days = int(day.max()) + 1
    counts = np.bincount(day, minlength=days)
    position = np.full((days, int(counts.max())), -1, dtype=np.int64)
    clock = np.zeros(position.shape)
    order = np.lexsort((hours, day))
    starts = np.r_[0, np.cumsum(counts)[:-1]]
    column = np.arange(len(order)) - starts[day[order]]
    position[day[order], column] = order
    clock[day[order], column] = hours[order]
    return ByDay(position, clock)


def _pad(rows: Floats, by_day: ByDay) -> Floats:
    padded = rows[by_day.position]
    padded[~by_day.is_row] = 0.0
    return padded


def covariance_root(by_day: ByDay, memory: Memory) -> Floats:
    """Return the lower Cholesky factor of each day's covariance, shape (days, rows, rows); 1 where padded."""
    apart = np.abs(by_day.hours[:, :, None] - by_day.hours[:, None, :])
    noise = 1.0 - memory.day_share - memory.drift_share
    covariance = memory.day_share + memory.drift_share * np.exp(-apart / memory.drift_hours)
    both = by_day.is_row[:, :, None] & by_day.is_row[:, None, :]
    covariance = np.where(both, covariance, 0.0)
    size = covariance.shape[1]
    covariance[:, np.arange(size), np.arange(size)] += np.where(by_day.is_row, noise, 1.0)
    root: Floats = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    return root


def whiten(rows: Floats, by_day: ByDay, memory: Memory) -> tuple[Floats, float]:
    """Return rows (n, k) freed of their memory, in their order, and the covariance's log determinant."""
    root = covariance_root(by_day, memory)
    solved = np.linalg.solve(root, _pad(rows, by_day))
    whitened = np.empty_like(rows)
    whitened[by_day.position[by_day.is_row]] = solved[by_day.is_row]
    log_determinant = 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
    return whitened, log_determinant


def restricted_deviance(design: Floats, outcome: Floats, by_day: ByDay, memory: Memory) -> float:
    """Return minus twice the restricted log likelihood of the memory, the error's size profiled out.

    Source: restricted maximum likelihood of Patterson and Thompson (1971), standard form.
    """
    both, log_determinant = whiten(np.column_stack([design, outcome]), by_day, memory)
    diagonal = np.diagonal(np.linalg.cholesky(both.T @ both))
    free = len(outcome) - design.shape[1]
    misfit = free * float(np.log(diagonal[-1] ** 2))
    information = 2.0 * float(np.log(diagonal[:-1]).sum())
    return float(misfit + log_determinant + information)


def estimate_memory(design: Floats, outcome: Floats, day: npt.NDArray[np.int64], hours: Floats) -> Memory:
    """Return the memory that makes the outcomes likeliest, given `design` (n, k), by restricted likelihood.

    `day` numbers the days from 0; `hours` is the time of each row. At most 45 days, evenly spread, are used.
    """
    from scipy.optimize import minimize

    days = np.unique(day)
    if len(days) > _MOST_DAYS:
        chosen = days[np.linspace(0, len(days) - 1, _MOST_DAYS).round().astype(int)]
        rows = np.isin(day, chosen)
        design, outcome, hours = design[rows], outcome[rows], hours[rows]
        day = np.searchsorted(chosen, day[rows])
    by_day = arrange_by_day(day, hours)
    # an orthonormal design spans the same space and keeps the cross-products well conditioned
    basis, triangle = np.linalg.qr(design / np.sqrt((design**2).sum(axis=0)).clip(1e-300))
    basis = basis[:, np.abs(np.diagonal(triangle)) > 1e-8]

    def deviance(theta: Floats) -> float:
        return restricted_deviance(basis, outcome, by_day, _memory(theta))

    corners = np.array([[0.0, 0.0, np.log(2.0)], [1.5, 0.0, np.log(2.0)], [0.0, 1.5, np.log(2.0)], [0.0, 0.0, 0.0]])
    options = {"maxfev": 80, "xatol": 0.05, "fatol": 0.2, "initial_simplex": corners}
    found = minimize(deviance, corners[0], method="Nelder-Mead", options=options)
    return _memory(found.x)


def _memory(theta: Floats) -> Memory:
    weights = np.exp(np.clip(np.r_[theta[:2], 0.0], -6.0, 6.0))
    day_share, drift_share, _ = weights / weights.sum()
    return Memory(float(day_share), float(drift_share), float(np.exp(np.clip(theta[2], np.log(0.1), np.log(24.0)))))
