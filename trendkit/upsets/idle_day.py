"""The account of a day on which no cake was pressed: what can honestly be said of it.

Comes in: the figure table's frame up to that day, the upsets of the day. Goes out: a `DayAccount` that cannot tell,
and says why and what was seen instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import pandas as pd

from trendkit.plant.calendar import Period, plant_days
from trendkit.plant.model import Plant
from trendkit.upsets.day_words import checks_of_day, hours_words
from trendkit.upsets.results import Cause, DayAccount, Upset

KNOWN_SHARE = 0.5  # of the day; with less nobody knows whether the press was fed
STANDING_M_MIN = 0.2  # the contract: below it a belt does not move


def account_of_idle_day(
    day: date,
    frame: pd.DataFrame,
    period: Period,
    plant: Plant,
    own: Sequence[Upset],
    causes: tuple[Cause, ...],
    every_s: int,
) -> DayAccount:
    """Return the account of a day without a judged minute: no verdict, but why, and what the press did instead.

    `own` are the upsets of the day (a stop may reach into it), `causes` theirs.
    """
    rows = frame[(frame.index >= period.start_utc) & (frame.index < period.end_utc)]
    return DayAccount(
        day,
        "cannot_tell",
        f"These data cannot tell: {_why_nothing(rows, day)}.",
        None,
        None,
        None,
        None,
        causes=causes,
        checks=checks_of_day("cannot_tell", causes, None) if own else (),
        rests_on=tuple(_seen_instead(rows, every_s) + _last_pressed(frame, period, plant, every_s)),
    )


def _why_nothing(rows: pd.DataFrame, day: date) -> str:
    pressing = rows["phase"] == "pressing"
    if (pressing & (rows["mode"] == "thickening")).any():
        return f"the press only thickened on {day:%Y-%m-%d}, so there is no cake to judge"
    if pressing.any():
        return f"all that was pressed on {day:%Y-%m-%d} is left out by the plant file"
    if not len(rows):
        return f"there is no reading of {day:%Y-%m-%d}"
    is_standing = (rows["running"] == 0.0) | (rows["gravity_belt_speed_m_min"] < STANDING_M_MIN)
    known = float((rows["feed_flow_m3_h"].notna() | is_standing).mean())
    if known < KNOWN_SHARE:
        share = f"known for {100.0 * known:.0f} % of the day"
        return f"whether the press was fed on {day:%Y-%m-%d} is {share}, by its feed flow or by standing belts"
    return f"the press did not press on {day:%Y-%m-%d}"


def _seen_instead(rows: pd.DataFrame, every_s: int) -> list[str]:
    """Return what the press did without pressing, and its trips."""
    found = []
    moved = int(rows["phase"].isin(["starting", "washing"]).sum())
    if moved:
        found.append(f"The press moved for {hours_words(moved * every_s)} without pressing (starting or washing).")
    if "belt_trip" in rows and (rows["belt_trip"].to_numpy(dtype=float) >= 0.5).any():
        found.append("The belt trip was on that day: find out what tripped it before the next start.")
    return found


def _last_pressed(frame: pd.DataFrame, period: Period, plant: Plant, every_s: int) -> list[str]:
    """Return when cake was last pressed before the day, as far back as was read."""
    is_before = (frame.index < period.start_utc) & (frame["phase"] == "pressing") & (frame["mode"] == "dewatering")
    times = pd.DatetimeIndex(frame.index[is_before])
    if not len(times):
        return ["No cake was pressed in the days read before it either."]
    days = pd.Series(plant_days(plant, times))
    last = days.iloc[-1]
    seconds = int((days == last).sum()) * every_s
    pressed = f"Cake was last pressed on {last:%Y-%m-%d}, for {hours_words(seconds)}"
    return [f"{pressed}: ask for that day to see how it went."]
