"""Blocks and changes for a press whose cake is only known from grabs: one block around each grab."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trendkit.tuning.blocks import average_over, no_blocks, settled_minutes

AROUND_MIN = 7.5  # minutes before and after a grab whose inputs belong to it
LEAST_AROUND_MIN = 5.0
FILTRATE_WITHIN_MIN = 30.0  # farthest filtrate grab that still tells the capture at a cake grab


def grab_blocks(minutes: pd.DataFrame, lab: pd.DataFrame, every_s: int) -> pd.DataFrame:
    """Return one block per accepted cake grab taken while the speeds had settled, in order of time.

    `minutes` are sludge minutes; `lab` has columns `sampled_at` (UTC), `point`, `analysis`, `value` (TS in
    %), `is_suspect`. Inputs are means over 15 min about the grab, cake solids the grab's own; capture is kept
    only where filtrate was sampled within 30 min. Columns as `steady_blocks`.
    """
    if lab.empty or minutes.empty:
        return no_blocks()
    good = lab[~lab["is_suspect"].astype(bool)]
    cake = _sampled(good, "cake", "TS")
    settled = settled_minutes(minutes)
    near = _nearest(pd.DatetimeIndex(settled.index), cake)
    belongs = near["apart_min"] <= AROUND_MIN
    if not belongs.any():
        return no_blocks()
    about, number = settled[belongs.to_numpy()], near["sample"][belongs.to_numpy()]
    blocks = average_over(about, pd.Series(number.to_numpy(), index=about.index), every_s)
    blocks["cake_solids_pct"] = cake.to_numpy()[blocks.index]
    filtrate = _nearest(pd.DatetimeIndex(cake.index[blocks.index]), _sampled(good, "filtrate", "TSS"))
    is_told = (filtrate["apart_min"] <= FILTRATE_WITHIN_MIN).to_numpy()
    blocks["capture_pct"] = blocks["capture_pct"].where(is_told)
    setting = about.groupby(number.to_numpy())["step"]
    one_setting = setting.min() == setting.max()
    keep = (blocks["minutes"] >= LEAST_AROUND_MIN) & one_setting
    return blocks[keep].reset_index(drop=True)


def _sampled(lab: pd.DataFrame, point: str, analysis: str) -> pd.Series:
    """Return the values of one kind of sample over their sampling times, sorted, one per time."""
    rows = lab[(lab["point"] == point) & (lab["analysis"] == analysis)]
    values = pd.Series(rows["value"].to_numpy(dtype=float), index=pd.DatetimeIndex(rows["sampled_at"]))
    return values.groupby(level=0).mean().dropna()


def _nearest(times: pd.DatetimeIndex, samples: pd.Series) -> pd.DataFrame:
    """Return for each time the position of the nearest sample and its distance [min], inf if none."""
    if samples.empty:
        return pd.DataFrame({"sample": -1, "apart_min": np.inf}, index=times)
    clock = times.as_unit("s").asi8
    taken = pd.DatetimeIndex(samples.index).as_unit("s").asi8
    after = np.minimum(np.searchsorted(taken, clock), len(taken) - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.where(np.abs(clock - taken[before]) <= np.abs(clock - taken[after]), before, after)
    return pd.DataFrame({"sample": nearest, "apart_min": np.abs(clock - taken[nearest]) / 60.0}, index=times)


def pairs_of_grabs(blocks: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the blocks followed by another of the same run, and the blocks that followed, row by row."""
    follows = blocks["run"].eq(blocks["run"].shift(1)).to_numpy()
    after = np.flatnonzero(follows)
    return blocks.iloc[after - 1].reset_index(drop=True), blocks.iloc[after].reset_index(drop=True)
