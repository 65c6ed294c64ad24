"""Estimate 2: what followed each change of the gravity belt speed while the other inputs held still.

Each change is its own small experiment: the twenty minutes before it against the twenty minutes after it has
settled, in sludge time. No model of feed or loading takes part, so this estimate is independent of the
regression.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.blocks import average_over, settled_minutes
from trendkit.tuning.grabs import pairs_of_grabs
from trendkit.tuning.regression import DayFit, fit_by_day

Floats = npt.NDArray[np.float64]

SPEED = "gravity_belt_speed_m_min"
WINDOW_MIN = 20.0
LEAST_WINDOW_MIN = 8.0
LONGEST_GAP_MIN = 60.0  # between the windows: settling and nothing else
LEAST_CHANGE = 0.025  # relative change of the gravity belt speed
CURVE_NEEDS = 12  # independent changes before a curvature is fitted
LEAST_CHANGES = 4  # independent changes before this estimate is made at all
# largest relative move of another input between the two windows that still counts as held still
_STILL = {
    "feed_flow_m3_h": 0.06,
    "feed_solids_pct": 0.06,
    "polymer_dose_kg_t": 0.08,
    "pressure_belt_speed_m_min": 0.02,
    "washwater_flow_m3_h": 0.15,
}
_COLUMNS = ("time", "day", "run", "speed_before_m_min", "speed_after_m_min", "cake_solids_before_pct",
            "cake_solids_after_pct", "cake_solids_change_pct", "capture_before_pct", "capture_after_pct",
            "capture_change_pct", "is_independent", "moved")  # fmt: skip


@dataclass(frozen=True)
class ChangeEffect:
    """The effect of log speed, and of its square where there are changes enough, on one outcome."""

    fit: DayFit
    draws: Floats  # (DRAWS, 1 or 2)
    days: int  # days with usable changes
    centre_m_min: float

    def between(self, speeds: Floats, base: float) -> tuple[Floats, Floats]:
        """Return the outcome's change from `base` to `speeds` [m/min], (n,), and resampled (DRAWS, n)."""
        terms = _terms(speeds, np.full_like(speeds, base), self.centre_m_min)[:, : len(self.fit.coefficients)]
        return terms @ self.fit.coefficients, self.draws @ terms.T


def _terms(after: Floats, before: Floats, centre: float) -> Floats:
    """Return the columns of a change of speed: the difference of its logarithm and of that squared."""
    new, old = np.log(after / centre), np.log(before / centre)
    return np.column_stack([new - old, new**2 - old**2])


def speed_changes(minutes: pd.DataFrame, every_s: int) -> pd.DataFrame:
    """Return a row for every change of the gravity belt speed with known windows before and after it.

    Columns: `time` (UTC, the window after it begins), `day`, `run`, `speed_before_m_min`,
    `speed_after_m_min`, cake solids and capture as `_before_pct`, `_after_pct` and `_change_pct` (points),
    `is_independent` (True when the other inputs held still) and `moved` (those that did not, as text).
    """
    settled = settled_minutes(minutes)
    if settled.empty:
        return pd.DataFrame(columns=list(_COLUMNS))
    codes, keys = pd.factorize(pd.MultiIndex.from_arrays([settled["run"].astype(str), settled["step"]]))
    setting = pd.Series(codes, index=settled.index)
    time = settled.index.to_series()
    window = pd.Timedelta(minutes=WINDOW_MIN)
    opening = time < time.groupby(setting).transform("min") + window
    closing = time > time.groupby(setting).transform("max") - window
    first = average_over(settled[opening], setting[opening], every_s)
    last = average_over(settled[closing], setting[closing], every_s)
    before, after = _follow_on(list(keys), first, last)
    return describe_changes(last.loc[before].reset_index(drop=True), first.loc[after].reset_index(drop=True))


def _follow_on(keys: list[tuple[str, int]], first: pd.DataFrame, last: pd.DataFrame) -> tuple[list[int], list[int]]:
    """Return the codes of settings followed by the next one of the same run, and of those that followed."""
    number = {key: code for code, key in enumerate(keys)}
    held = np.minimum(first["minutes"], last["minutes"]) >= LEAST_WINDOW_MIN
    begun, ended = first["start_utc"], last["end_utc"]
    pairs = [(code, number[run, step + 1]) for (run, step), code in number.items() if (run, step + 1) in number]
    gap = pd.Timedelta(minutes=LONGEST_GAP_MIN)
    kept = [(old, new) for old, new in pairs if held[old] and held[new] and begun[new] - ended[old] <= gap]
    return [old for old, _ in kept], [new for _, new in kept]


def changes_between_grabs(blocks: pd.DataFrame) -> pd.DataFrame:
    """Return the changes of speed between consecutive grabs of a run, columns as `speed_changes`."""
    return describe_changes(*pairs_of_grabs(blocks))


def describe_changes(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Return the changes of speed from each row of `before` to the same row of `after`, as `speed_changes` does."""
    changed = ((after[SPEED] / before[SPEED]).map(np.log).abs() >= LEAST_CHANGE).to_numpy()
    before, after = before[changed].reset_index(drop=True), after[changed].reset_index(drop=True)
    moves = pd.DataFrame(
        {name: (after[name] / before[name]).map(np.log).abs() > most for name, most in _STILL.items()},
        index=before.index,
    )
    moved = [", ".join(name for name in moves.columns if row[name]) for _, row in moves.iterrows()]
    return pd.DataFrame(
        {
            "time": after["start_utc"],
            "day": after["day"],
            "run": after["run"],
            "speed_before_m_min": before[SPEED],
            "speed_after_m_min": after[SPEED],
            "cake_solids_before_pct": before["cake_solids_pct"],
            "cake_solids_after_pct": after["cake_solids_pct"],
            "cake_solids_change_pct": after["cake_solids_pct"] - before["cake_solids_pct"],
            "capture_before_pct": before["capture_pct"],
            "capture_after_pct": after["capture_pct"],
            "capture_change_pct": after["capture_pct"] - before["capture_pct"],
            "is_independent": [not names for names in moved],
            "moved": moved,
        }
    )


def effect_on_cake(changes: pd.DataFrame, days: list[str], weights: Floats, centre: float) -> ChangeEffect | None:
    """Return the effect of the speed on cake solids [points], None with under four independent changes."""
    return _effect(changes, changes["cake_solids_change_pct"], days, weights, centre)


def effect_on_log_loss(changes: pd.DataFrame, days: list[str], weights: Floats, centre: float) -> ChangeEffect | None:
    """Return the effect of the speed on log lost solids, None with under four independent changes."""
    before, after = 100.0 - changes["capture_before_pct"], 100.0 - changes["capture_after_pct"]
    ratio = (after / before).where((after > 0.0) & (before > 0.0))
    return _effect(changes, ratio.map(np.log), days, weights, centre)


def _effect(
    changes: pd.DataFrame, difference: pd.Series, days: list[str], weights: Floats, centre: float
) -> ChangeEffect | None:
    day = pd.Index(days).get_indexer(pd.Index(changes["day"].astype(str)))
    usable = changes["is_independent"].astype(bool).to_numpy() & difference.notna().to_numpy() & (day >= 0)
    if usable.sum() < LEAST_CHANGES or len(np.unique(day[usable])) < 3:
        return None
    terms = _terms(
        changes["speed_after_m_min"].to_numpy(dtype=float)[usable],
        changes["speed_before_m_min"].to_numpy(dtype=float)[usable],
        centre,
    )
    if usable.sum() < CURVE_NEEDS:
        terms = terms[:, :1]
    fit = fit_by_day(terms, difference.to_numpy(dtype=float)[usable], day[usable], weights.shape[1])
    return ChangeEffect(fit, fit.resampled(weights), len(np.unique(day[usable])), centre)
