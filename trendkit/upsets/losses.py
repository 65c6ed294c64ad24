"""What an upset cost: solids sent back that would usually have been kept, and the money that goes with them.

Comes in: the figure table, what was usual and the event's spans. Goes out: kg of dry solids and plant
currency, each with 95 % limits that come from how far the usual level itself is uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.plant.model import Costs
from trendkit.upsets.judging import JudgedMode


@dataclass(frozen=True)
class Loss:
    """One amount with its 95 % limits; None where it cannot be had."""

    value: float | None
    low: float | None = None
    high: float | None = None


def usual_at(mode: JudgedMode, name: str, times: pd.DatetimeIndex) -> tuple[pd.Series, pd.Series]:
    """Return the usual level of a column and its spread at each time, held from the block they belong to."""
    column = mode.columns.get(name)
    if column is None:
        empty = pd.Series(np.nan, index=times)
        return empty, empty
    blocks = mode.judged.blocks.index
    within = pd.Timedelta(seconds=2 * mode.judged.block_s)
    usual = pd.Series(column.usual, index=blocks).groupby(level=0).first()
    spread = pd.Series(column.spread, index=blocks).groupby(level=0).first()
    return (
        usual.reindex(times, method="pad", tolerance=within),
        spread.reindex(times, method="pad", tolerance=within),
    )


def lost_dry_solids(mode: JudgedMode, frame: pd.DataFrame, every_s: int) -> Loss:
    """Return the dry solids [kg] that went with the filtrate beyond the usual over the rows of `frame`.

    ``sum((usual capture - capture) / 100 * feed dry solids * hours)``; negative when more than usual was
    kept. None without capture. Limits: the usual capture is known to its spread over the square root of
    about one independent look per hour.
    """
    usual, spread = usual_at(mode, "capture", pd.DatetimeIndex(frame.index))
    fed = frame["feed_dry_solids_kg_h"] * every_s / 3600.0
    short = (usual - frame["capture_pct"]) / 100.0 * fed
    known = short.notna()
    if not known.any():
        return Loss(None)
    value = float(short[known].sum())
    return _limited(value, float((spread[known] / 100.0 * fed[known]).sum()), known.sum() * every_s / 3600.0)


def _limited(value: float, one_spread: float, hours: float) -> Loss:
    half = 1.96 * one_spread / float(np.sqrt(max(hours, 1.0)))
    return Loss(value, value - half, value + half)


def extra_cost(mode: JudgedMode, frame: pd.DataFrame, every_s: int, lost: Loss, costs: Costs | None) -> Loss:
    """Return what the rows of `frame` cost beyond the usual, in plant currency.

    Solids pressed again, water hauled in wetter cake, polymer beyond the usual flow, and press hours:
    those to press again what was lost. A missing price leaves its line out; None without any that bears.
    """
    if costs is None:
        return Loss(None)
    lines: list[tuple[float, float]] = []  # amount, one standard deviation
    hours = every_s / 3600.0
    spent = np.sqrt(max(len(frame) * hours, 1.0))
    if costs.solids_return_per_t is not None and lost.value is not None and lost.high is not None:
        price = costs.solids_return_per_t / 1000.0
        lines.append((lost.value * price, (lost.high - lost.value) / 1.96 * price))
    if costs.haul_per_t is not None:
        usual, spread = usual_at(mode, "cake_solids", pd.DatetimeIndex(frame.index))
        dry = frame["dry_cake_kg_h"] * hours / 1000.0
        cake = frame["cake_solids_pct"].where(frame["cake_solids_pct"] > 1.0)
        wetter = dry * (100.0 / cake - 100.0 / usual)
        if wetter.notna().any():
            deviation = float((dry * 100.0 / usual**2 * spread).sum()) / spent
            lines.append((float(wetter.sum()) * costs.haul_per_t, deviation * costs.haul_per_t))
    if costs.polymer_per_kg is not None:
        usual, spread = usual_at(mode, "polymer_dose", pd.DatetimeIndex(frame.index))
        fed_t = frame["feed_dry_solids_kg_h"] * hours / 1000.0
        extra = (frame["polymer_dose_kg_t"] - usual) * fed_t
        if extra.notna().any():
            deviation = float((spread * fed_t).sum()) / spent
            lines.append((float(extra.sum()) * costs.polymer_per_kg, deviation * costs.polymer_per_kg))
    if costs.press_hour is not None and lost.value is not None:
        rate = float(frame["feed_dry_solids_kg_h"].mean())
        if rate > 0.0:
            lines.append((lost.value / rate * costs.press_hour, 0.0))
    if not lines:
        return Loss(None)
    value = sum(amount for amount, _ in lines)
    half = 1.96 * float(np.sqrt(sum(deviation**2 for _, deviation in lines)))
    return Loss(value, value - half, value + half)
