"""When a series changed: steps of its level and the knee of a ramp, by least squares.

Comes in: a series of observations in any unit. Goes out: positions in it and the size of the change.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trendkit.upsets.charts import sigma_from_differences

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Knee:
    """The change that fits a stretch best: the first position after it, its shape and its size."""

    position: int
    shape: Literal["step", "ramp"]
    size: float  # level after less level before; for a ramp, the change up to the stretch's end


def change_points(values: ArrayLike, least: int = 5, penalty: float = 3.0) -> list[int]:
    """Return the positions at which the level of a series changes, each the first one after its change.

    Binary segmentation with the least residual sum of squares; a change stays only when it lowers the sum by
    more than ``penalty * ln(n) * sigma**2`` with sigma from first differences, so that neither the changes
    themselves nor a constant series cost anything.

    Parameters
    ----------
    values
        Evenly spaced observations without NaN.
    least
        Fewest observations on either side of a change.
    penalty
        Factor of ``ln(n) * sigma**2``; two per parameter is the Schwarz criterion's order.

    Examples
    --------
    >>> change_points([0.0, 0.1, 0.0, 0.1, 0.0, 5.0, 5.1, 5.0, 5.1, 5.0])
    [5]
    >>> change_points([0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1])
    []
    """
    x = np.asarray(values, dtype=float)
    if np.isnan(x).any():
        raise ValueError("change points need a series without missing observations")
    sigma = sigma_from_differences(x)
    if x.size < 2 * least or not sigma > 0.0:
        return []
    gain_needed = penalty * float(np.log(x.size)) * sigma**2
    found: list[int] = []
    stretches = [(0, x.size)]
    while stretches:
        first, last = stretches.pop()
        if last - first < 2 * least:
            continue
        split, gain = _best_step(x[first:last], least)
        if gain > gain_needed:
            found.append(first + split)
            stretches += [(first, first + split), (first + split, last)]
    return sorted(found)


def _best_step(x: Floats, least: int) -> tuple[int, float]:
    """Return the first position after the best single step and what it takes off the residual sum."""
    n = x.size
    counts = np.arange(1, n)
    before = np.cumsum(x)[:-1]
    total = float(x.sum())
    gain = before**2 / counts + (total - before) ** 2 / (n - counts) - total**2 / n
    gain[: least - 1] = -np.inf
    gain[n - least :] = -np.inf
    best = int(np.argmax(gain))
    return best + 1, float(gain[best])


def find_knee(values: ArrayLike, least: int = 3) -> Knee | None:
    """Return where a stretch leaves its level, by a step or by a ramp, whichever leaves the smaller residual.

    The ramp is a level line followed by a straight one to the end of the stretch. NaN is left out. None with
    fewer than ``2 * least`` observations or without any variation.

    Examples
    --------
    >>> find_knee([1.0, 1.0, 1.0, 1.0, 2.0, 3.0, 4.0, 5.0]).position
    4
    >>> find_knee([1.0, 1.0, 1.0, 1.0, 4.0, 4.0, 4.0, 4.0]).shape
    'step'
    """
    x = np.asarray(values, dtype=float)
    kept = np.flatnonzero(~np.isnan(x))
    y = x[kept]
    if y.size < 2 * least or np.ptp(y) <= 0.0:
        return None
    total = float(np.sum((y - y.mean()) ** 2))
    split, step_gain = _best_step(y, least)
    knee, slope, ramp_left = _best_ramp(y, least)
    if total - step_gain <= ramp_left:
        size = float(y[split:].mean() - y[:split].mean())
        return Knee(int(kept[split]), "step", size)
    return Knee(int(kept[knee]), "ramp", slope * (y.size - knee))


def _best_ramp(y: Floats, least: int) -> tuple[int, float, float]:
    """Return the first position of the best ramp, its slope per step and the residual sum it leaves."""
    n = y.size
    knees = np.arange(least, n - least + 1)
    position = np.arange(n)
    # One row per candidate: zero up to the knee, 1, 2, 3 ... from it on.
    rise = np.maximum(position[None, :] - knees[:, None] + 1, 0).astype(float)
    rise -= rise.mean(axis=1, keepdims=True)
    centred = y - y.mean()
    slopes = rise @ centred / np.sum(rise**2, axis=1)
    left = float(np.sum(centred**2)) - slopes**2 * np.sum(rise**2, axis=1)
    best = int(np.argmin(left))
    return int(knees[best]), float(slopes[best]), float(left[best])
