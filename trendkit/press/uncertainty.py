"""First-order propagation of uncertainty (GUM) over whole series, correlations kept.

Comes in: readings with their standard uncertainties. Goes out: `Measured`, a value with the signed share each
source of error has in it, so that one meter in numerator and denominator cancels as it does on the press.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from trendkit.plant.model import Uncertainty

Array: TypeAlias = NDArray[np.float64]
Codes: TypeAlias = NDArray[np.int64]

COVERAGE_95 = 1.959963984540054  # normal quantile, two-sided 95 %


@dataclass(frozen=True)
class Measured:
    """A quantity and what each independent source of error does to it.

    `value` has any shape. `parts` holds, per source, the partial derivative times the source's standard
    uncertainty, signed, in the quantity's unit. A part may have extra leading axes: independent repeats of the
    source (one per lab sample), added in quadrature. Sums, products and quotients follow the first-order law of
    propagation, GUM (JCGM 100:2008) 5.1.2 and 5.2.2, the shared sources being the correlated part.

    Examples
    --------
    >>> volts = Measured(np.array(10.0), {"meter": np.array(0.1)})
    >>> round(float(standard_uncertainty(volts / volts)), 12)
    0.0
    """

    value: Array
    parts: Mapping[str, Array] = field(default_factory=dict)

    __array_ufunc__ = None  # numpy arrays on the left leave the operation to this class

    def __neg__(self) -> Measured:
        return Measured(-self.value, {source: -part for source, part in self.parts.items()})

    def __add__(self, other: Measured | Array | float) -> Measured:
        if not isinstance(other, Measured):
            return Measured(self.value + other, self.parts)
        parts = dict(self.parts)
        for source, part in other.parts.items():
            parts[source] = parts[source] + part if source in parts else part
        return Measured(self.value + other.value, parts)

    __radd__ = __add__

    def __sub__(self, other: Measured | Array | float) -> Measured:
        return self + (-other)

    def __rsub__(self, other: Array | float) -> Measured:
        return (-self) + other

    def __mul__(self, other: Measured | Array | float) -> Measured:
        if not isinstance(other, Measured):
            return Measured(self.value * other, {source: part * other for source, part in self.parts.items()})
        parts = {source: part * other.value for source, part in self.parts.items()}
        for source, part in other.parts.items():
            share = part * self.value
            parts[source] = parts[source] + share if source in parts else share
        return Measured(self.value * other.value, parts)

    __rmul__ = __mul__

    def __truediv__(self, other: Measured | Array | float) -> Measured:
        return self * reciprocal(other)

    def __rtruediv__(self, other: Array | float) -> Measured:
        return other * reciprocal(self)


_NEXT_TO_ZERO = 2.0 * np.finfo(float).tiny


def reciprocal(divisor: Measured | Array | float) -> Measured:
    """Return 1 / divisor with its parts; NaN where the divisor is zero, or so near it that doubles cannot tell."""
    if not isinstance(divisor, Measured):
        divisor = exact(divisor)
    inverse = 1.0 / np.where(np.abs(divisor.value) < _NEXT_TO_ZERO, np.nan, divisor.value)
    with np.errstate(over="ignore"):  # an error beyond all numbers is one without bounds
        # share of the divisor first: its square would underflow long before the share does
        return Measured(inverse, {source: part * inverse * -inverse for source, part in divisor.parts.items()})


def exact(value: Array | float) -> Measured:
    """Return a quantity taken as known without error (a dimension, a setting)."""
    return Measured(np.asarray(value, dtype=float))


def reading(value: Array, source: str, uncertainty: Uncertainty) -> Measured:
    """Return instrument readings whose error is common to all of them (calibration, span, zero).

    The standard uncertainty of each reading is ``sqrt((relative * value)**2 + absolute**2)``.
    """
    size = np.hypot(uncertainty.relative * value, uncertainty.absolute)
    return Measured(value, {source: size} if uncertainty.relative or uncertainty.absolute else {})


def correlated(values: Sequence[float], covariance: Array, source: str) -> tuple[Measured, ...]:
    """Return quantities whose errors are correlated, as combinations of independent sources.

    The Cholesky factor of the covariance gives the shares (GUM 5.2.2 in another guise).
    """
    factor = np.linalg.cholesky(covariance)
    return tuple(
        Measured(np.asarray(value, dtype=float), {f"{source} {j}": np.asarray(factor[i, j]) for j in range(i + 1)})
        for i, value in enumerate(values)
    )


def choose(where: NDArray[np.bool_], yes: Measured, no: Measured) -> Measured:
    """Return `yes` where the mask is true, `no` elsewhere, element by element."""
    zero = np.zeros_like(yes.value)
    parts = {
        source: np.where(where, yes.parts.get(source, zero), no.parts.get(source, zero))
        for source in {**yes.parts, **no.parts}
    }
    return Measured(np.where(where, yes.value, no.value), parts)


def standard_uncertainty(quantity: Measured) -> Array:
    """Return the combined standard uncertainty, in the quantity's unit; NaN where the value is NaN."""
    total = np.zeros_like(quantity.value)
    for part in quantity.parts.values():
        repeats = tuple(range(part.ndim - total.ndim))
        with np.errstate(over="ignore"):  # beyond all numbers: without bounds
            total = total + np.sum(part**2, axis=repeats) if repeats else total + part**2
    result: Array = np.where(np.isnan(quantity.value), np.nan, np.sqrt(total))
    return result


def limits(quantity: Measured) -> tuple[Array, Array]:
    """Return the 95 % limits (normal), in the quantity's unit."""
    half = COVERAGE_95 * standard_uncertainty(quantity)
    return quantity.value - half, quantity.value + half


def without_errors(thing: Any) -> Any:
    """Return a quantity, or a dataclass or mapping of them, with values alone."""
    if isinstance(thing, Measured):
        return Measured(thing.value)
    if isinstance(thing, Mapping):
        return {name: without_errors(each) for name, each in thing.items()}
    if is_dataclass(thing) and not isinstance(thing, type):
        held = {each.name: getattr(thing, each.name) for each in fields(thing)}
        return replace(thing, **{name: without_errors(each) for name, each in held.items() if _has_errors(each)})
    return thing


def _has_errors(thing: Any) -> bool:
    return isinstance(thing, Measured) or (isinstance(thing, Mapping) and any(map(_has_errors, thing.values())))


@dataclass(frozen=True)
class Samples:
    """Which lab sample each bin used: `ids` per bin, -1 for none, below `count`."""

    ids: Codes
    count: int


def sum_by(
    quantity: Measured, groups: Codes, count: int, samples: Mapping[str, Samples], weight: Array | float = 1.0
) -> Measured:
    """Return the sums of a series, times a weight known without error, over groups of its bins, shape (`count`,).

    `groups` holds the group of each bin, -1 for none; bins with NaN must not be in a group. Sources named in
    `samples` are independent from sample to sample: their parts gain a leading axis, one entry per sample.
    """
    inside = np.flatnonzero(groups >= 0)
    codes = groups[inside]
    of_bins = weight[inside] if isinstance(weight, np.ndarray) else weight
    value: Array = np.bincount(codes, quantity.value[inside] * of_bins, minlength=count).astype(float)
    parts: dict[str, Array] = {}
    for source, part in quantity.parts.items():
        weights = part[inside] * of_bins
        if source not in samples:
            parts[source] = np.bincount(codes, weights, minlength=count).astype(float)
            continue
        used, number = samples[source].ids[inside], samples[source].count
        known = used >= 0
        flat = np.bincount(used[known] * count + codes[known], weights[known], minlength=number * count).astype(float)
        parts[source] = flat.reshape(number, count)
    return Measured(value, parts)
