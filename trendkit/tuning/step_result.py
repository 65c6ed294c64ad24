"""A finished step test judged by its plan, and merged with the history.

The plan is randomised complete blocks: every test day runs every level once in random order, so the levels differ
by speed alone and the days' sludge cancels. Analysis of variance with days as blocks (textbook form) asks whether
the speed matters at all; the level means follow with their limits. The holds then take their places among the
steady blocks and the speed changes of the history, where both estimates use them.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.blocks import average_over
from trendkit.tuning.changes import describe_changes
from trendkit.tuning.step_test import SPEED, settling_minutes

Floats = npt.NDArray[np.float64]

OFF_PLAN = 0.04  # largest departure of the belt's measured speed from the level that still counts as held
LEAST_SAMPLED_MIN = 8.0  # of a hold after settling
JUDGED = ("cake_solids_pct", "filtrate_tss_mg_l", "capture_pct")


@dataclass(frozen=True)
class LevelMean:
    """An outcome at one level, the days taken out, with its 95 % limits against the mean of all levels."""

    gravity_belt_speed_m_min: float
    value: float
    low: float
    high: float
    holds: int


@dataclass(frozen=True)
class Judged:
    """One outcome by the plan: does the speed matter (p-value of the levels, days as blocks), and the level means."""

    outcome: str
    p_value: float
    levels: tuple[LevelMean, ...]
    days: int
    spread: float  # standard deviation of a hold, days and levels taken out


@dataclass(frozen=True)
class StepTest:
    """A finished test: the holds used (a row each, as steady blocks with `step`), those left out and why."""

    holds: pd.DataFrame
    left_out: tuple[tuple[int, str], ...]  # step, reason
    judged: tuple[Judged, ...]


def finish_test(sheet: pd.DataFrame, minutes: pd.DataFrame, has_meter: bool, every_s: int) -> StepTest:
    """Return the test of a filled `sheet` (`read_step_sheet`) by the sludge minutes recorded meanwhile.

    A hold's inputs are those recorded once it had settled; so are cake and capture where a meter of cake solids
    (`has_meter`) reads them and none was sampled.
    """
    used, left_out = [], []
    settle_min = settling_minutes(minutes)
    if not has_meter:  # bench grabs of other hours, carried along, are not this hold's
        minutes = minutes.assign(cake_solids_pct=np.nan, capture_pct=np.nan)
    for hold in sheet.to_dict("records"):
        inside = minutes[
            (minutes.index >= hold["started_utc"] + pd.Timedelta(minutes=settle_min))
            & (minutes.index < hold["ended_utc"])
        ]
        reason = _why_left_out(hold, inside, every_s)
        if reason is not None:
            left_out.append((int(hold["step"]), reason))
            continue
        used.append(_block(hold, inside, every_s))
    holds = pd.concat(used, ignore_index=True) if used else pd.DataFrame(columns=["step", "test_day", SPEED, *JUDGED])
    judged = tuple(found for name in JUDGED if (found := judge_levels(holds, name)) is not None)
    return StepTest(holds, tuple(left_out), judged)


def _why_left_out(hold: Mapping[Hashable, Any], inside: pd.DataFrame, every_s: int) -> str | None:
    known = inside[SPEED].dropna()
    if len(known) * every_s / 60.0 < LEAST_SAMPLED_MIN:
        return f"only {len(known) * every_s / 60.0:.0f} min of pressing are on record after it had settled"
    level = float(hold[SPEED])
    if abs(np.log(float(known.median()) / level)) > OFF_PLAN:
        return f"the belt ran at {known.median():.2f} m/min, not at the {level:.2f} m/min of the sheet"
    if np.isnan(hold["cake_solids_pct"]) and inside["cake_solids_pct"].notna().sum() == 0:
        return "no cake sample is on the sheet and no cake solids are on record"
    return None


def _block(hold: Mapping[Hashable, Any], inside: pd.DataFrame, every_s: int) -> pd.DataFrame:
    block = average_over(inside, pd.Series(0, index=inside.index), every_s).reset_index(drop=True)
    for name in ("cake_solids_pct", "filtrate_tss_mg_l"):
        if not np.isnan(hold[name]):
            block[name] = hold[name]
    return block.assign(step=hold["step"], test_day=hold["test_day"], level=hold[SPEED])


def judge_levels(holds: pd.DataFrame, outcome: str) -> Judged | None:
    """Return the analysis of variance of an outcome over levels with test days as blocks.

    None with under two days, two levels or three degrees of freedom left, and when no chain of shared days ties all
    levels together (two tests of other speeds on one sheet): levels of other days would differ by the days' sludge.
    Holds missing on a day are allowed: the levels are tested by the extra sum of squares over days alone.
    """
    from statsmodels.regression.linear_model import OLS

    rows = holds[holds[outcome].notna()] if len(holds) else holds
    if rows.empty:
        return None
    level, level_code = np.unique(rows["level"].to_numpy(dtype=float), return_inverse=True)
    day, day_code = np.unique(rows["test_day"].to_numpy(), return_inverse=True)
    free = len(rows) - len(level) - len(day) + 1
    if len(level) < 2 or len(day) < 2 or free < 3:
        return None
    values = rows[outcome].to_numpy(dtype=float)
    days = np.eye(len(day))[day_code]
    both = np.column_stack([days, _contrasts(len(level))[level_code]])
    if np.linalg.matrix_rank(both) < both.shape[1]:
        return None
    fit = OLS(values, both).fit()
    is_level = np.ptp(values) <= 1e-9 * np.abs(values).max()  # nothing but rounding is left to compare
    p_value = 1.0 if is_level else float(fit.compare_f_test(OLS(values, days).fit())[1])
    to_means = np.column_stack([np.zeros((len(level), len(day))), _contrasts(len(level))])
    effects = fit.t_test(to_means)
    middle = float(fit.params[: len(day)].mean())
    counts = np.bincount(level_code)
    means = tuple(
        LevelMean(float(speed), middle + float(up), middle + float(low), middle + float(high), int(count))
        for speed, up, (low, high), count in zip(level, effects.effect, effects.conf_int(), counts, strict=True)
    )
    return Judged(outcome, p_value, means, len(day), float(fit.mse_resid**0.5))


def _contrasts(levels: int) -> Floats:
    """Return the matrix from the effects of all levels but the first to all effects, which add up to nothing."""
    ones = np.eye(levels)
    result: Floats = ones[:, 1:] - ones[:, :1]
    return result


def merge_test(test: StepTest, blocks: pd.DataFrame, changes: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the history's steady blocks and speed changes with the test's in the place of those it overlaps.

    Two holds of a test day that follow each other are a change made while the rest held still, by the plan.
    """
    if test.holds.empty:
        return blocks, changes
    holds = test.holds.sort_values("start_utc", kind="stable", ignore_index=True)
    spans = list(zip(holds["start_utc"], holds["end_utc"], strict=True))
    is_inside = [
        any(s < end and e > start for start, end in spans)
        for s, e in zip(blocks["start_utc"], blocks["end_utc"], strict=True)
    ]
    merged = pd.concat([blocks[~np.array(is_inside, dtype=bool)], holds[list(blocks.columns)]], ignore_index=True)
    follows = holds["test_day"].eq(holds["test_day"].shift(1)) & holds["run"].eq(holds["run"].shift(1))
    after = np.flatnonzero(follows.to_numpy())
    planned = describe_changes(holds.iloc[after - 1].reset_index(drop=True), holds.iloc[after].reset_index(drop=True))
    is_of_test = changes["time"].map(lambda time: any(start <= time < end for start, end in spans)).astype(bool)
    kept = changes[~is_of_test] if len(changes) else changes
    both = [each for each in (kept, planned) if len(each)]
    return (
        merged.sort_values("start_utc", kind="stable", ignore_index=True),
        pd.concat(both, ignore_index=True).sort_values("time", ignore_index=True) if both else changes,
    )
