"""Bench results stamped when they were received instead of when they were sampled: one clock time, the press at rest.

Comes in: a press's grid and its bench results. Goes out: the results with those marked suspect, and a finding. A plant
that samples at the same time every day, its press fed, is left alone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.model import Plant, Press
from trendkit.series.grid import PressGrid

LEAST_DAYS = 5  # with results at the one clock time
LEAST_SHARE = 0.8  # of all samples at it
LEAST_AT_REST = 0.5  # of those taken while nothing was fed
BEFORE_S = 3600.0  # the feed is looked for so long before the stamp


def mark_receipts(
    grid: PressGrid, lab: pd.DataFrame | None, press: Press, plant: Plant
) -> tuple[pd.DataFrame | None, tuple[Finding, ...]]:
    """Return the press's bench results with those stamped at receipt suspect, and what was found.

    `lab` has `sampled_at` (UTC), `press` (slug), `is_suspect` and `why`. Marked are the results at a clock time that
    most samples share on at least five days, when on half of them nothing had been fed for an hour.
    """
    if lab is None or lab.empty:
        return lab, ()
    moments = pd.DatetimeIndex(lab.loc[lab["press"] == press.slug, "sampled_at"]).unique()
    local = moments.tz_convert(plant.timezone)
    clock = pd.Series(local.strftime("%H:%M"), index=moments)
    if clock.empty:
        return lab, ()
    shared = str(clock.mode().iloc[0])
    stamped = moments[(clock == shared).to_numpy()]
    if len(stamped) < LEAST_DAYS or len(stamped) < LEAST_SHARE * len(moments):
        return lab, ()
    fed = grid.roles["feed_flow_m3_h"] > press.feed_on_above_m3_h
    before = pd.Timedelta(seconds=BEFORE_S)
    read = [moment for moment in stamped if grid.roles.index[0] + before <= moment <= grid.roles.index[-1]]
    at_rest = [not bool(fed.loc[moment - before : moment].any()) for moment in read]
    if len(read) < LEAST_DAYS or np.mean(at_rest) < LEAST_AT_REST:
        return lab, ()
    marked = lab.copy()
    rows = (marked["press"] == press.slug) & marked["sampled_at"].isin(stamped) & ~marked["is_suspect"].astype(bool)
    why = f"stamped {shared} like most others, when nothing was fed: the time of receipt, perhaps of the run before"
    marked.loc[rows, "is_suspect"] = True
    marked.loc[rows, "why"] = why
    resting = f"nothing was fed then on {sum(at_rest)} of {len(at_rest)} days read"
    text = f"{int(rows.sum())} results of {len(stamped)} days carry {shared}; {resting}"
    effect = "left out of the figures; give the times of sampling, most likely in the run before"
    end = stamped.max() + pd.Timedelta(minutes=1)
    found = Finding(press.slug, "bench sheet", None, "clock_shift", stamped.min(), end, effect, text, int(rows.sum()))
    return marked, (found,)
