"""Control charts over runs: one value a run, judged by how much runs differ from their neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.upsets.charts import MEAN_RANGE_OF_TWO, IndividualsLimits, individuals_limits, western_electric

FEWEST_RUNS = 10  # fewer moving ranges give limits too wide or too narrow to judge by: common practice
_BEYOND, _EIGHT_ON_ONE_SIDE = 0, 3  # of the four rules the two that rarely fire on steady runs


@dataclass(frozen=True)
class RunChart:
    """One figure run by run: `runs` has `run`, `start_utc`, `value` (SI), `is_beyond`, `is_shifted`, by start.

    `is_beyond`: outside the three-sigma limits. `is_shifted`: the eighth or a later run in a row on one side of
    the mean.
    """

    figure: str
    runs: pd.DataFrame
    limits: IndividualsLimits


def run_charts(
    runs: pd.DataFrame, figures: Sequence[str] = ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t")
) -> tuple[RunChart, ...]:
    """Return an individuals chart per figure over the dewatering runs of `runs` (`PeriodReview.runs`).

    A run without the figure is left out; a figure with fewer than ten runs, or that never changes, has no chart.
    Limits and rules: `charts.individuals_limits`, `charts.western_electric`; runs beyond the first limits are left
    out and the limits worked out once more (common practice).
    """
    if runs.empty:
        return ()
    dewatering = runs[runs["mode"] == "dewatering"].sort_values("start_utc", kind="stable")
    charts = []
    for figure in figures:
        known = dewatering.dropna(subset=[figure]) if figure in dewatering else dewatering.iloc[:0]
        if len(known) >= FEWEST_RUNS and (chart := _chart(figure, known)) is not None:
            charts.append(chart)
    return tuple(charts)


def _chart(figure: str, known: pd.DataFrame) -> RunChart | None:
    values = known[figure].to_numpy(dtype=float)
    first = individuals_limits(values)
    is_steady = (values >= first.lower) & (values <= first.upper)
    limits = individuals_limits(np.where(is_steady, values, np.nan))  # one bad run must not move the mean of all
    sigma = limits.mean_moving_range / MEAN_RANGE_OF_TWO
    if not sigma > 0:
        return None
    fires = western_electric(values, limits.centre, sigma)
    judged = pd.DataFrame(
        {
            "run": known["run"].to_numpy(),
            "start_utc": pd.DatetimeIndex(known["start_utc"]),
            "value": values,
            "is_beyond": fires[:, _BEYOND],
            "is_shifted": fires[:, _EIGHT_ON_ONE_SIDE],
        }
    )
    return RunChart(figure, judged, limits)
