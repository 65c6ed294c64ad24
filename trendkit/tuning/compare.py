"""Did a change help: a figure's press days before it against those after it, the feed's differences taken out.

Press days of one side count only where the other side has days of like feed; what is left of the difference in
feed is taken out by regression, and limits allow for days that resemble their neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import ceil
from typing import Literal

import numpy as np
import pandas as pd

from trendkit.plant.calendar import Period
from trendkit.plant.model import Plant, Press
from trendkit.press import Figure, FigureTable, figures_by_day, period_figures
from trendkit.press.cost import COST_ITEMS
from trendkit.tuning.day_shift import DayRecord, Shift, shift_of_days
from trendkit.tuning.results import Gain

Verdict = Literal["better", "worse", "no_difference", "cannot_tell"]
FEED = ("hydraulic_loading_m3_h_m", "solids_loading_kg_h_m")  # together they hold feed flow and feed solids
ADJUSTED = ("cake_solids_pct", "capture_pct", "cost_per_dry_t", "polymer_dose_kg_t", "washwater_m3_t",
            "energy_kwh_t", "belt_speed_ratio")  # fmt: skip
BETTER = {"cake_solids_pct": 1, "capture_pct": 1, "cost_per_dry_t": -1, "polymer_dose_kg_t": -1,
          "washwater_m3_t": -1, "energy_kwh_t": -1}  # fmt: skip
LIKE = 0.10  # days are alike when each loading differs by at most this share
LEAST_DAYS = 4  # matched press days on a side
SURE = 0.05
SHOWN_AT = 1.96 + 0.84  # standard errors that are shown at 95 % four times in five
WORTH_SHOWING = {"cake_solids_pct": 0.5, "capture_pct": 0.5}  # points
_MOSTLY = 0.8  # a cost line measured on this share of the days is part of every day's cost


@dataclass(frozen=True)
class Effect:
    """One figure before and after, the raw and the adjusted difference (after minus before) in the figure's unit."""

    before: float | None
    after: float | None
    raw_difference: float | None
    adjusted_difference: float | None = None
    low: float | None = None
    high: float | None = None
    p_value: float | None = None
    days_before: int = 0  # matched press days it rests on
    days_after: int = 0
    reason: str | None = None  # why there is no adjusted difference

    @property
    def is_shown(self) -> bool:
        """True when the difference is beyond chance at 95 %."""
        return self.p_value is not None and self.p_value < SURE


@dataclass(frozen=True)
class Power:
    """What this scatter lets one see: the least difference shown four times in five, and the days for `wanted`."""

    figure: str
    least_shown: float
    wanted: float
    more_press_days: int  # over both periods together; 0 when these days do


@dataclass(frozen=True)
class Comparison:
    """The answer to "did the change help", with everything the page shows.

    `days`: one row per press day with `day`, `is_after`, `is_matched` and the figures. `same_solids_days`: press
    days a week each period would need for the solids of both at its own pace. `cost_per_year`: the adjusted cost
    difference over a year's dry cake, negative when it saves.
    """

    before: Period
    after: Period
    verdict: Verdict
    reason: str
    decided_by: str  # figure
    effects: Mapping[str, Effect]
    press_days_per_week: Mapping[str, float | None]
    same_solids_days_per_week: Mapping[str, float | None]
    cost_per_year: Gain | None
    power: tuple[Power, ...]
    days: pd.DataFrame
    notes: tuple[str, ...] = ()


def compare(table: FigureTable, press: Press, plant: Plant, before: Period, after: Period) -> Comparison:
    """Return what changed from one period to the other on a press, by its figure table, which must hold both.

    Whatever else the table holds before, between and after them says how much press days resemble their neighbours.
    The verdict is `cannot_tell` when too few press days of like feed are left; nothing is raised.
    """
    days = matched(press_days(table, press, plant, before, after))
    around = _days_around(table, press, plant, before, after)
    record = days if around.empty else pd.concat([days, around], ignore_index=True)
    figures: list[Mapping[str, Figure]] = [
        period_figures(_during(table, period), press, plant, period) for period in (before, after)
    ]
    shifts = {name: shift_of(days, name, record) for name in (*ADJUSTED, *FEED)}
    effects = {name: _effect(name, figures, shifts[name], days) for name in shifts}
    decided_by = "cost_per_dry_t" if _is_cost_whole(plant, effects) else "cake_solids_pct"
    verdict, reason = _judge(decided_by, effects[decided_by], days)
    return Comparison(
        before,
        after,
        verdict,
        reason,
        decided_by,
        effects,
        {name: _per_week(found, period) for name, found, period in _sides(figures, before, after)},
        _days_for_same_solids(figures, before, after),
        _cost_per_year(effects["cost_per_dry_t"], figures, before, after, plant),
        tuple(_power(name, shift, days) for name, shift in shifts.items() if name in WORTH_SHOWING and shift),
        days,
        _notes(days, len(record)),
    )


def press_days(table: FigureTable, press: Press, plant: Plant, before: Period, after: Period | None) -> pd.DataFrame:
    """Return one row per dewatering press day of either period: `day`, `is_after`, `number` [d], figures (SI)."""
    parts = []
    for period, is_after in ((before, False), (after, True)):
        if period is not None:
            rows = figures_by_day(_during(table, period), press, plant)
            parts.append(rows[(rows["mode"] == "dewatering") & (rows["press_days"] > 0)].assign(is_after=is_after))
    days = pd.concat(parts, ignore_index=True)
    days["number"] = np.array([float(day.toordinal()) for day in days["day"]], dtype=float)
    figures = [name for name in days.columns if name in ADJUSTED or name in FEED]
    days = days.astype(dict.fromkeys(figures, float) | {"is_after": bool})
    if "cost_per_dry_t" not in days:  # a table without a press day has no such column
        days["cost_per_dry_t"] = np.nan
    days["cost_per_dry_t"] = days["cost_per_dry_t"].where(_is_costed_alike(days, plant))
    return days


def _during(table: FigureTable, period: Period) -> FigureTable:
    """Return the table with the rows of a period alone; its streams are then made for them, not for all."""
    first, last = table.frame.index.searchsorted([period.start_utc, period.end_utc])
    return replace(table, frame=table.frame.iloc[first:last])


def _days_around(table: FigureTable, press: Press, plant: Plant, before: Period, after: Period) -> pd.DataFrame:
    """Return the press days of the table outside both periods; those up to the change count as before it."""
    times = pd.DatetimeIndex(table.frame.index)
    ends = [
        (times[0], before.start_utc, False),
        (before.end_utc, after.start_utc, False),
        (after.end_utc, times[-1] + pd.Timedelta(seconds=table.every_s), True),
    ]
    parts = []
    for start, end, is_after in ends:
        if start < end:
            outside = Period(start, end, before.timezone)
            parts.append(press_days(table, press, plant, outside, None).assign(is_after=is_after, is_matched=False))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _is_costed_alike(days: pd.DataFrame, plant: Plant) -> pd.Series:
    """Return whether each day's cost holds every line that the days usually have: a lost meter is no saving."""
    same = pd.Series(True, index=days.index)
    for item in COST_ITEMS.values():
        is_priced = plant.costs is not None and getattr(plant.costs, item.price_field) is not None
        if is_priced and days[item.amount].notna().mean() > _MOSTLY:
            same &= days[item.amount].notna()
    return same


def matched(days: pd.DataFrame) -> pd.DataFrame:
    """Return the days with `is_matched`: True where the other side has a day with both loadings within 10 %."""
    is_after = days["is_after"].to_numpy(dtype=bool)
    feed = np.log(days[list(_feed_known(days))].where(lambda each: each > 0.0).to_numpy(dtype=float))
    near = (np.abs(feed[:, None, :] - feed[None, :, :]) <= np.log1p(LIKE)).all(axis=2)
    return days.assign(is_matched=(near & (is_after[:, None] != is_after[None, :])).any(axis=1))


def _feed_known(days: pd.DataFrame) -> tuple[str, ...]:
    return tuple(name for name in FEED if days[name].notna().mean() > _MOSTLY) or FEED[:1]


def shift_of(days: pd.DataFrame, name: str, record: pd.DataFrame | None = None) -> Shift | None:
    """Return the shift of a figure over matched days; the loadings themselves are held still for the others.

    `record`: all press days known, `days` among them, from which is taken how much days resemble their neighbours.
    """
    rows = days[days["is_matched"]] if name not in FEED else days
    compared = _day_record(rows, name, _feed_known(days))
    if min(compared.is_after.sum(), (~compared.is_after).sum()) < LEAST_DAYS:
        return None
    return shift_of_days(compared, None if record is None else _day_record(record, name, _feed_known(days)))


def _day_record(days: pd.DataFrame, name: str, held_still: tuple[str, ...]) -> DayRecord:
    """Return the days on which a figure, and what is held still for it, are known."""
    held = list(held_still) if name not in FEED else []
    rows = days[days[name].notna() & days[held].gt(0.0).all(axis=1)]
    return DayRecord(
        rows[name].to_numpy(dtype=float),
        rows["is_after"].to_numpy(dtype=bool),
        rows["number"].to_numpy(dtype=float),
        np.log(rows[held].to_numpy(dtype=float)),
    )


def _effect(name: str, figures: list[Mapping[str, Figure]], shift: Shift | None, days: pd.DataFrame) -> Effect:
    old, new = (found[name].value for found in figures)
    raw = new - old if old is not None and new is not None else None
    used = days[days["is_matched"] & days[name].notna()]
    counts = int((~used["is_after"]).sum()), int(used["is_after"].sum())
    if shift is None:
        reason = _why_no_shift(name, figures, days, counts)
        return Effect(old, new, raw, days_before=counts[0], days_after=counts[1], reason=reason)
    return Effect(old, new, raw, shift.value, shift.low, shift.high, shift.p_value, *counts)


def _why_no_shift(name: str, figures: list[Mapping[str, Figure]], days: pd.DataFrame, counts: tuple[int, int]) -> str:
    for words, is_of_side in (("before", ~days["is_after"].astype(bool)), ("after", days["is_after"].astype(bool))):
        if not is_of_side.any():
            return f"there is no press day in the period {words}"
    unknown = next((found[name].reason for found in figures if found[name].reason), None)
    return unknown or (
        f"{counts[0]} press days before and {counts[1]} after have like feed and the figure known; at least "
        f"{LEAST_DAYS} each are needed"
    )


def _is_cost_whole(plant: Plant, effects: Mapping[str, Effect]) -> bool:
    prices = plant.costs
    deciding = (prices.polymer_per_kg, prices.haul_per_t, prices.solids_return_per_t) if prices else (None,)
    return None not in deciding and effects["cost_per_dry_t"].adjusted_difference is not None


def _judge(name: str, effect: Effect, days: pd.DataFrame) -> tuple[Verdict, str]:
    if effect.adjusted_difference is None or effect.p_value is None:
        return "cannot_tell", effect.reason or "the figure is not known on both sides"
    rests = f"{effect.days_before} press days before and {effect.days_after} after with like feed"
    if not effect.is_shown:
        return "no_difference", f"over {rests}, the difference is within what chance does (p {effect.p_value:.2f})"
    is_better = effect.adjusted_difference * BETTER[name] > 0.0
    chance = "under 0.001" if effect.p_value < 0.001 else f"{effect.p_value:.3f}"
    return (
        "better" if is_better else "worse",
        f"over {rests}, chance alone would do as much with a probability of {chance}",
    )


def _sides(
    figures: list[Mapping[str, Figure]], before: Period, after: Period
) -> tuple[tuple[str, Mapping[str, Figure], Period], ...]:
    return (("before", figures[0], before), ("after", figures[1], after))


def _per_week(found: Mapping[str, Figure], period: Period) -> float | None:
    count = found["press_days"].value
    return None if count is None else count / (period.hours / 168.0)


def _days_for_same_solids(
    figures: list[Mapping[str, Figure]], before: Period, after: Period
) -> dict[str, float | None]:
    """Return press days a week at each period's pace for the weekly dry solids of both periods together."""
    fed = [found["feed_dry_solids_t"].value for found in figures]
    count = [found["press_days"].value for found in figures]
    if None in fed or not all(fed) or not all(count):
        return {"before": None, "after": None}
    weekly = sum(each or 0.0 for each in fed) / ((before.hours + after.hours) / 168.0)
    pace = [(each or 0.0) / (days or 1.0) for each, days in zip(fed, count, strict=True)]
    return {"before": weekly / pace[0], "after": weekly / pace[1]}


def _cost_per_year(
    effect: Effect, figures: list[Mapping[str, Figure]], before: Period, after: Period, plant: Plant
) -> Gain | None:
    cake = [found["dry_cake_t"].value for found in figures]
    if effect.adjusted_difference is None or effect.low is None or effect.high is None or None in cake:
        return None
    a_year = sum(each or 0.0 for each in cake) / (before.hours + after.hours) * 24.0 * 365.25
    currency = plant.costs.currency if plant.costs else ""
    return Gain(effect.adjusted_difference * a_year, effect.low * a_year, effect.high * a_year, f"{currency}/y")


def _power(name: str, shift: Shift, days: pd.DataFrame) -> Power:
    """Return what the scatter lets one see; the standard error falls with the root of the press days."""
    wanted, count = WORTH_SHOWING[name], int(days["is_matched"].sum())
    least = SHOWN_AT * shift.sigma
    return Power(name, least, wanted, max(ceil(count * ((least / wanted) ** 2 - 1.0)), 0))


def _notes(days: pd.DataFrame, on_record: int) -> tuple[str, ...]:
    left_out = int((~days["is_matched"]).sum())
    held = "hydraulic and solids loading" if len(_feed_known(days)) > 1 else "hydraulic loading"
    return (
        "Both periods are compared by press days; sludge that resembles the day before is allowed for in the limits, "
        f"by as much as the {on_record} press days on record show.",
        f"Held still: {held}. What the change does by letting more or less on the belt is not counted; the loadings "
        "themselves are compared as they were.",
        f"{left_out} of {len(days)} press days had no day of like feed (each loading within "
        f"{100 * LIKE:.0f} %) on the other side and were left out.",
        "A before-and-after comparison cannot tell the change from anything else that changed on the same day.",
    )
