"""What the work of a period asks of the press: days a week at the present and at the best loading, trips, starts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trendkit.plant.roles import ROLES
from trendkit.press.phases import BELT_MOVES_ABOVE_M_MIN
from trendkit.press.rows import Mask, spells
from trendkit.press.sums import Sums

BEST_SHARE = 0.9  # of the days' loadings, below which the best lies: the best a press has shown again and again
JUST_BEFORE_S = 300.0
LEAST_DAYS = 5  # of pressing, for a best loading to be told from a lucky day


@dataclass(frozen=True, kw_only=True)
class Workload:
    """Hours, trips and starts of a period's dewatering, and the press days a week its solids need.

    `days_per_week_now` and `days_per_week_best` are for the same weekly dry solids at the same hours a day, at the
    mean loading and at the loading of the best tenth of the days not known to miss the targets set for cake solids and
    capture; None with the `reason`.
    """

    weekly_dry_solids_t: float | None = None
    hours_per_press_day: float | None = None
    loading_now_kg_h_m: float | None = None
    loading_best_kg_h_m: float | None = None
    days_per_week_now: float | None = None
    days_per_week_best: float | None = None
    gravity_belt_hours: float
    pressure_belt_hours: float
    trips: int | None
    starts: int  # of the belts; a run that goes on from before the period is none
    starts_per_run_hour: float | None
    reason: str = ""


def workload_of(sums: Sums, inside: Mask, by_day: pd.DataFrame, hours: float) -> Workload:
    """Return the workload of the rows inside; `by_day` has a row per day, `hours` is the period's length.

    Press hours a week needed: ``H = weekly solids / (loading x width)``.
    Source: Metcalf & Eddy, Wastewater Engineering, belt filter press sizing (value from memory).
    """
    of_mode = inside & sums.is_mode("dewatering")
    known = _turned(sums, of_mode)
    days = by_day[by_day["mode"] == "dewatering"] if len(by_day) else by_day
    pressed = days[days["press_days"] > 0] if len(days) else days
    now = _mean_loading(sums, of_mode)
    if not now > 0.0 or pressed.empty:
        return replace(known, reason="the dry solids fed are not known")
    width = _mean_width(sums, of_mode)
    press_hours = float(days["press_hours"].sum())
    per_day = press_hours / len(pressed)
    weekly = now * width * press_hours / 1000.0 / (hours / 168.0)  # hours without feed solids at the others' loading
    best, reason = _best_loading(pressed, sums)

    def needed(loading: float | None) -> float | None:
        return weekly * 1000.0 / (loading * width * per_day) if loading else None

    return replace(
        known,
        weekly_dry_solids_t=weekly,
        hours_per_press_day=per_day,
        loading_now_kg_h_m=now,
        loading_best_kg_h_m=best,
        days_per_week_now=needed(now),
        days_per_week_best=needed(best),
        reason=reason,
    )


def _turned(sums: Sums, of_mode: Mask) -> Workload:
    """Return how long each belt turned, how often the belts were started and how often they tripped."""
    hours = sums.every_s / 3600.0
    belts = [
        float((of_mode & (np.nan_to_num(speed.value) > BELT_MOVES_ABOVE_M_MIN)).sum()) * hours
        for speed in (sums.streams.gravity_m_min, sums.streams.pressure_m_min)
    ]
    begins, _ = spells(sums.operation.is_moving)
    starts = int(of_mode[begins].sum())
    run_hours = float((of_mode & sums.operation.is_moving).sum()) * hours
    return Workload(
        gravity_belt_hours=belts[0],
        pressure_belt_hours=belts[1],
        trips=_trips(sums, of_mode),
        starts=starts,
        starts_per_run_hour=starts / run_hours if run_hours > 0.0 else None,
    )


def _mean_loading(sums: Sums, of_mode: Mask) -> float:
    """Return the dry solids fed per hour and metre of width over the feeding time in which they are known."""
    loading = sums.quotients["solids_loading_kg_h_m"]
    known = of_mode & sums.operation.is_feeding & ~np.isnan(loading.above.value) & ~np.isnan(loading.below.value)
    return float(loading.above.value[known].sum() / loading.below.value[known].sum()) if known.any() else 0.0


def _mean_width(sums: Sums, of_mode: Mask) -> float:
    width = sums.quotients["solids_loading_kg_h_m"].below.value
    return float(np.nanmean(width[of_mode & sums.operation.is_feeding]))


def _best_loading(pressed: pd.DataFrame, sums: Sums) -> tuple[float | None, str]:
    """Return the loading of the best tenth of days on target, or why none can be told."""
    targets = sums.press.targets.get("dewatering", {})
    good = pressed
    for name in ("cake_solids_pct", "capture_pct"):
        least = targets[name].low if name in targets else None
        if least is not None:
            good = good[~(good[name] < least)]
    loadings = good["solids_loading_kg_h_m"].dropna()
    if len(loadings) < LEAST_DAYS:
        return None, f"{len(loadings)} days on target: at least {LEAST_DAYS} are needed to tell the best loading"
    return float(loadings.quantile(BEST_SHARE)), ""


def _trips(sums: Sums, of_mode: Mask) -> int | None:
    """Return how often the belt tripped, None without that signal."""
    column = ROLES["belt_trip"].column
    frame = sums.table.frame
    if column not in frame or frame[column].isna().all():
        return None
    is_tripped = pd.Series(frame[column]).reindex(sums.times).fillna(0.0).astype(float).to_numpy() >= 0.5
    begins, _ = spells(is_tripped)
    # a trip stops the belts: it counts when the press was in a run then or just before
    just_before = round(JUST_BEFORE_S / sums.every_s)
    return int(sum(of_mode[max(begin - just_before, 0) : begin + 1].any() for begin in begins))
