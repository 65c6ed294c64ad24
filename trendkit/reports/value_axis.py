"""The value axis all drawings share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trendkit.reports.drawing import altair


def value_domain(*parts: pd.Series | Sequence[float | None] | None, room_above: bool = False) -> tuple[float, float]:
    """Return the value axis's ends: all the numbers given, with a twelfth of their spread to spare.

    `room_above` leaves room for words at the top of the plot.
    """
    arrays = [np.asarray(part, dtype=np.float64).ravel() for part in parts if part is not None and len(part)]
    known = np.concatenate([array[np.isfinite(array)] for array in arrays]) if arrays else np.array([])
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    spare = (high - low) / 12 or abs(high) * 0.05 or 1.0
    return low - spare, high + spare * (2.5 if room_above else 1)


def value_y(field: str, domain: tuple[float, float], unit: str = "", ticks: int = 4) -> Any:
    """Return the value axis, its unit written level above the plot."""
    alt = altair()
    axis = alt.Axis(
        tickCount=ticks,
        title=unit or None,
        titleAngle=0,
        titleAlign="right",
        titleX=-4,
        titleY=-7,
        titleBaseline="bottom",
    )
    return alt.Y(f"{field}:Q", scale=alt.Scale(domain=list(domain), nice=False, zero=False), axis=axis)
