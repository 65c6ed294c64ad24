"""What the formulas of this room work on: floats, Series, arrays or `Measured`, the same kind in and out."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from trendkit.press.uncertainty import Measured

# float, pandas Series, numpy array or Measured: the formulas are plain arithmetic and give back what they
# are given.
Amount: TypeAlias = Any


def ratio(numerator: Amount, denominator: Amount) -> Amount:
    """Return numerator over denominator, NaN where the denominator is zero or NaN.

    Examples
    --------
    >>> ratio(3.0, 2.0), ratio(3.0, 0.0)
    (1.5, nan)
    """
    if isinstance(denominator, Measured):
        known = np.where(denominator.value == 0.0, np.nan, denominator.value)
        return numerator / Measured(known, denominator.parts)
    if isinstance(denominator, pd.Series):
        return numerator / denominator.astype(float).where(denominator != 0.0)
    if isinstance(denominator, np.ndarray):
        return numerator / np.where(denominator == 0.0, np.nan, denominator)
    return numerator / denominator if denominator != 0.0 else numerator * np.nan
