"""Columns, settings and spells of a press's rows: what every module of the room needs and none owns."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Press
from trendkit.plant.roles import ROLES
from trendkit.press.uncertainty import Array, Codes

Mask = NDArray[np.bool_]


def role_values(roles: pd.DataFrame, role: str) -> Array:
    """Return a role's column as floats, NaN throughout where the press has no such column."""
    column = ROLES[role].column
    if column not in roles:
        return np.full(len(roles), np.nan)
    return roles[column].to_numpy(dtype=float, na_value=np.nan)


def has_role(roles: pd.DataFrame, role: str) -> bool:
    """Return True when the role has a column; a press's record has none that is empty throughout."""
    return ROLES[role].column in roles


def settings_over(press: Press, times: pd.DatetimeIndex) -> Iterator[tuple[slice, Press]]:
    """Yield the rows over which the press's settings hold still, in order, with the press as it is there."""
    starts = sorted({change.start_utc for change in press.changes})
    edges = [0, *(int(times.searchsorted(start)) for start in starts), len(times)]
    for first, last in pairwise(edges):
        if last > first:
            yield slice(first, last), press.at(times[first])


def setting(press: Press, times: pd.DatetimeIndex, name: str) -> Array:
    """Return one numeric setting of the press row by row, dated changes respected; NaN where not given."""
    result = np.full(len(times), np.nan)
    for rows, there in settings_over(press, times):
        value = getattr(there, name)
        result[rows] = np.nan if value is None else value
    return result


def spells(mask: Mask) -> tuple[Codes, Codes]:
    """Return first and past-the-last row of every unbroken stretch of True.

    Examples
    --------
    >>> spells(np.array([False, True, True, False, True]))
    (array([1, 4]), array([3, 5]))
    """
    steps = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)


def fill_spells(starts: Codes, stops: Codes, length: int) -> Mask:
    """Return the mask that is True inside the given spells."""
    steps = np.zeros(length + 1, dtype=np.int64)
    np.add.at(steps, starts, 1)
    np.add.at(steps, stops, -1)
    result: Mask = np.cumsum(steps[:-1]) > 0
    return result


def carried_forward(values: Array, at_most: int) -> Array:
    """Return the values with gaps of NaN filled by the last one before, at most `at_most` rows long."""
    rows = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isnan(values), -1, rows))
    usable = (last >= 0) & (rows - last <= at_most)
    return np.where(usable, values[np.maximum(last, 0)], np.nan)
