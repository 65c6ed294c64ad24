"""How much the data can say about the gravity belt speed: its range, its freedom and its changes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trendkit.tuning.outcome import SPEED
from trendkit.tuning.response import usable_inputs
from trendkit.tuning.results import Identifiability

LEAST_BLOCKS = 24
LEAST_DAYS = 5
LEAST_RANGE = 0.12  # of the median speed
LEAST_FREE_SHARE = 0.05
LEAST_FREE_SPREAD = 0.03  # standard deviation of the log speed that the other inputs do not explain
TEST_HOLDS, TEST_DAYS = 12, 3  # used holds that make a step test a whole one
RUN_DAYS = 2  # days that went as far as a speed, for it to count as run
RUN_SHARE = 0.02  # ... or the share of the steady time spent at it or beyond


def identify(blocks: pd.DataFrame, changes: pd.DataFrame) -> Identifiability:
    """Return what the steady blocks hold: speed range [m/min], free share, independent changes, days.

    The range is that of `range_run`. The free share is one minus R squared of
    the log speed on the logarithms of the other inputs (parabolas), adjusted for the number of columns.
    """
    if blocks.empty:
        return Identifiability(0.0, 0.0, 0, 0)
    low, high = range_run(blocks)
    independent = int(changes["is_independent"].sum()) if len(changes) else 0
    share = free_share(blocks)
    return Identifiability(float(high - low), share, independent, int(blocks["day"].nunique()))


def range_run(blocks: pd.DataFrame) -> tuple[float, float]:
    """Return the slowest and fastest speed [m/min] that were run: on two days, or for 2 % of the steady time.

    A few minutes of a single day beyond are no experience to judge a speed by.
    """
    by_day = blocks.groupby("day")[SPEED]
    slowest, fastest = by_day.min().sort_values(), by_day.max().sort_values(ascending=False)
    last = min(RUN_DAYS, len(slowest)) - 1
    low = min(float(slowest.iloc[last]), float(blocks[SPEED].quantile(RUN_SHARE)))
    high = max(float(fastest.iloc[last]), float(blocks[SPEED].quantile(1.0 - RUN_SHARE)))
    middle = float(blocks[SPEED].median())
    return (low, high) if low < high else (middle, middle)


def free_share(blocks: pd.DataFrame) -> float:
    """Return the share (0 to 1) of the log speed's variance that the other inputs do not explain."""
    inputs = usable_inputs(blocks)
    rows = blocks[blocks[[*inputs, SPEED]].gt(0.0).all(axis=1)]
    speed = np.log(rows[SPEED].to_numpy(dtype=float))
    if len(speed) < 3 or np.ptp(speed) == 0.0:
        return 0.0
    logs = [np.log(rows[name].to_numpy(dtype=float)) for name in inputs]
    columns = [np.ones(len(speed))]
    for values in logs:
        centred = values - values.mean()
        columns += [centred, centred**2]
    design = np.column_stack(columns)
    fitted = design @ np.linalg.lstsq(design, speed, rcond=None)[0]
    free = max(len(speed) - design.shape[1], 1)
    residual = float(((speed - fitted) ** 2).sum()) / free
    return float(np.clip(residual / speed.var(ddof=1), 0.0, 1.0))


def why_insufficient(blocks: pd.DataFrame, found: Identifiability, holds: pd.DataFrame | None = None) -> str | None:
    """Return why these data cannot tell, with the number that shows it, as a sentence; None if they can.

    `holds` are those of a finished step test: their speeds are random by plan, so that weeks at one speed around a
    whole test do not make it say less.
    """
    if len(blocks) < LEAST_BLOCKS or found.days < LEAST_DAYS:
        return (
            f"there are {len(blocks)} steady blocks on {found.days} days; "
            f"at least {LEAST_BLOCKS} blocks on {LEAST_DAYS} days are needed"
        )
    middle = float(blocks[SPEED].median())
    if found.speed_range_m_min < LEAST_RANGE * middle:
        return (
            f"the gravity belt ran within {found.speed_range_m_min:.2f} m/min about {middle:.2f} m/min, "
            f"{100 * found.speed_range_m_min / middle:.0f} % of it; {100 * LEAST_RANGE:.0f} % is needed"
        )
    if holds is not None and len(holds) >= TEST_HOLDS and holds["test_day"].nunique() >= TEST_DAYS:
        return None
    spread = float(np.log(blocks[SPEED]).std()) * np.sqrt(found.free_speed_share)
    if found.free_speed_share < LEAST_FREE_SHARE or spread < LEAST_FREE_SPREAD:
        return (
            f"feed, loading and the other inputs explain {100 * (1 - found.free_speed_share):.0f} % of how "
            f"the speed varied and leave {100 * spread:.1f} % of it free; "
            f"{100 * LEAST_FREE_SPREAD:.0f} % is needed to tell what the speed did from what they did"
        )
    return None
