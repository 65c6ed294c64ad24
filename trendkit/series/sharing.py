"""Meters that serve several presses: each press's share of the reading, bin by bin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trendkit.plant.model import Press, Tag
from trendkit.plant.roles import ROLES
from trendkit.series.segments import Floats

MOVING_M_MIN = 0.2  # contract: a belt above this moves
ROLES_FOR_SHARING = ("running", "gravity_belt_speed", "pressure_belt_speed", "feed_flow")


def _column(grid: pd.DataFrame, role: str) -> Floats:
    name = ROLES[role].column
    if name not in grid:
        return np.full(len(grid), np.nan)
    return grid[name].to_numpy(dtype=float)


def moving_width(press: Press, grid: pd.DataFrame) -> Floats:
    """Return the belt width at work per bin [m]: 0 while the press stands or nothing is known."""
    running = _column(grid, "running")
    fastest = np.fmax(_column(grid, "gravity_belt_speed"), _column(grid, "pressure_belt_speed"))
    is_moving = np.where(np.isnan(running), fastest > MOVING_M_MIN, running > 0.5)
    return np.where(is_moving, belt_width(press, pd.DatetimeIndex(grid.index)), 0.0)


def belt_width(press: Press, times: pd.DatetimeIndex) -> Floats:
    """Return the press's belt width per bin [m], dated changes respected."""
    width = np.full(len(times), press.belt_width_m)
    for change in press.changes:
        width[times >= change.start_utc] = press.at(change.start_utc).belt_width_m
    return width


def share_of(press: Press, tag: Tag, presses: Sequence[Press], grids: Mapping[str, pd.DataFrame]) -> Floats:
    """Return a press's share of a common meter per bin, 0 to 1; the shares of all presses served add up to 1.

    By feed: in proportion to the feed flows. By running width, wherever nothing is fed, and wherever a press moves
    whose feed is not known (it would count as fed nothing, and the others be charged with all): in proportion to the
    width of the presses that move. Where none moves: in proportion to all widths, so that the total is kept.
    """
    served = [each for each in presses if each.slug in tag.split_among]
    times = pd.DatetimeIndex(grids[press.slug].index)
    widths = np.stack([belt_width(each, times) for each in served])
    moving = np.stack([moving_width(each, grids[each.slug]) for each in served])
    weights = np.where(moving.sum(axis=0) > 0.0, moving, widths)
    if tag.split == "by_feed":
        feeds = np.stack([np.maximum(_column(grids[each.slug], "feed_flow"), 0.0) for each in served])
        is_untold = (np.isnan(feeds) & (moving > 0.0)).any(axis=0)
        feeds = np.nan_to_num(feeds)
        weights = np.where((feeds.sum(axis=0) > 0.0) & ~is_untold, feeds, weights)
    mine = [each.slug for each in served].index(press.slug)
    share: Floats = weights[mine] / weights.sum(axis=0)
    return share
