"""Who took the lost cake points: the drop of a day's mean split among causes, in parts that add up to it.

Comes in: the day's minutes, its upsets, what was usual. Goes out: points per cause with 95 % limits; what
nobody accounts for is named `unexplained`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.upsets.charts import robust_spread
from trendkit.upsets.days import PressDays, cake_weight
from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.losses import usual_at
from trendkit.upsets.normal import fit_robust_line
from trendkit.upsets.results import ComparedDay, Contribution, Upset

# inputs that may be a little off in calm minutes: judged column, cause when above, cause when below
FACTORS = (
    ("fed_solids", "feed_thick", "feed_thin"),
    ("fed_flow", "hydraulic_overload", "hydraulic_overload"),
    ("polymer_dose", "polymer_excess", "polymer_loss"),
    ("gravity_belt_speed", "gravity_belt_fast", "gravity_belt_slow"),
    ("pressure_belt_speed", "pressure_belt_fast", "pressure_belt_slow"),
    ("belt_tension", "tension_loss", "tension_loss"),
)
LEAST_POINTS = 0.1  # a smaller part of the drop stays with the unexplained


def split_drop(
    days: PressDays,
    compared: Sequence[ComparedDay],
    day_upsets: Sequence[Upset],
    mode: JudgedMode,
    rows: pd.DataFrame,
) -> tuple[Contribution, ...]:
    """Return the parts of the day's cake-solids drop, largest first, `unexplained` last; they add up to it.

    The day's mean is a weighted mean of its minutes, so the drop is the sum over minutes of weight times
    shortfall. Minutes in an upset give their shortfall against what was usual for them to its likeliest
    cause; the rest goes to inputs that were off by a robust line through the comparison days, and what
    then remains is unexplained.
    """
    cake = rows["cake_solids_pct"].astype(float)
    known = cake.notna()
    chosen = [each.day for each in compared]
    usual_day = days.means["cake_solids_pct"].reindex(chosen).dropna()
    if not known.any() or usual_day.empty:
        return ()
    weight = cake_weight(rows)[known].fillna(0.0)
    weight = weight / weight.sum() if weight.sum() > 0 else pd.Series(1.0 / known.sum(), index=weight.index)
    usual = float(usual_day.median())
    shortfall = usual - cake[known]
    expected, spread = usual_at(mode, "cake_solids", pd.DatetimeIndex(weight.index))
    parts: dict[str, list[tuple[float, float]]] = {}
    free = pd.Series(True, index=weight.index)
    for upset in sorted(day_upsets, key=lambda each: -each.severity):
        inside = free & (weight.index >= upset.start) & (weight.index < upset.end) & expected.notna()
        free &= ~inside
        if upset.cause == "unknown" or not inside.any():
            continue
        lost = float((weight * (expected - cake[known]))[inside].sum())
        hours = max(float(inside.sum()) / 60.0, 1.0)
        deviation = float((weight * spread)[inside].sum()) / np.sqrt(hours)
        parts.setdefault(upset.cause, []).append((lost, deviation))
    if free.any():
        for cause, lost, deviation in _from_inputs(days, chosen, mode, weight[free]):
            parts.setdefault(cause, []).append((lost, deviation))
    drop = float((weight * shortfall).sum())
    return _with_rest(parts, drop, _deviation_of_usual(usual_day))


def _deviation_of_usual(usual_day: pd.Series) -> float:
    """Return the standard error of the usual level and of a day about it."""
    spread = robust_spread(usual_day) if len(usual_day) > 2 else float("nan")
    spread = spread if spread == spread and spread > 0 else 0.3
    return float(spread * np.sqrt(1.0 + 1.57 / len(usual_day)))  # 1.57: variance of a median over that of a mean


def _from_inputs(
    days: PressDays, chosen: Sequence[object], mode: JudgedMode, weight: pd.Series
) -> list[tuple[str, float, float]]:
    """Return (cause, points lost, standard deviation) of inputs that were off in the calm minutes."""
    blocks = mode.judged.blocks
    factors = [factor for factor in FACTORS if factor[0] in blocks and blocks[factor[0]].notna().mean() > 0.5]
    if not factors or "cake_solids" not in blocks:
        return []
    inputs = blocks[[name for name, _, _ in factors]].to_numpy(dtype=float)
    cake = blocks["cake_solids"].to_numpy(dtype=float)
    past = _calm_blocks(days, chosen, pd.DatetimeIndex(blocks.index)) & ~np.isnan(cake)
    if past.sum() < 20 * len(factors):
        return []
    line = fit_robust_line(cake[past], inputs[past], ridge_blocks=60.0)
    noise = robust_spread(cake[past] - line.level(inputs[past]))
    looks = max(past.sum() * mode.judged.block_s / 3600.0, 1.0)  # one independent look an hour
    at = np.clip(blocks.index.get_indexer(weight.index, method="pad"), 0, None)
    moved = weight.to_numpy() @ line.scaled(inputs[at])
    found = []
    for (_, above, below), slope, move in zip(factors, line.slopes, moved, strict=True):
        lost, deviation = -float(slope * move), abs(float(move)) * noise / float(np.sqrt(looks))
        if abs(lost) >= max(LEAST_POINTS, deviation):
            found.append((above if move > 0 else below, lost, deviation))
    return found


def _calm_blocks(days: PressDays, chosen: Sequence[object], times: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Return which blocks lie in calm minutes of the comparison days."""
    minutes = days.minutes
    calm = (minutes["in_upset"] == 0) & minutes["day"].isin(list(chosen))
    nearest = (
        calm.groupby(level=0).first().astype(float).reindex(times, method="nearest", tolerance=pd.Timedelta(minutes=5))
    )
    return (nearest.fillna(0.0) > 0.5).to_numpy()


def _with_rest(
    parts: dict[str, list[tuple[float, float]]], drop: float, usual_deviation: float
) -> tuple[Contribution, ...]:
    found = []
    for cause, pieces in parts.items():
        points = sum(lost for lost, _ in pieces)
        half = 1.96 * float(np.sqrt(sum(deviation**2 for _, deviation in pieces)))
        found.append(Contribution(cause, points, points - half, points + half))
    found.sort(key=lambda each: -each.points)
    rest = drop - sum(each.points for each in found)
    variance = usual_deviation**2 + sum(((each.high - each.points) / 1.96) ** 2 for each in found)
    half = 1.96 * float(np.sqrt(variance))
    return (*found, Contribution("unexplained", rest, rest - half, rest + half))
