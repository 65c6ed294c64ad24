"""Plant time: periods, plant days, months and shifts, all resolved to UTC.

A plant day D runs from D at the plant's day start to D+1 at it, so it lasts 23 or 25 hours when the clock
changes (contract, section 2). Periods are closed at their start and open at their end.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.plant.model import Plant, Shift

YEARS = (1990, 2099)  # of exports that are read; a year outside is a slip of the pen


@dataclass(frozen=True)
class Period:
    """A span of time, closed at `start_utc`, open at `end_utc`, with the zone it is shown in."""

    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    timezone: str

    @property
    def hours(self) -> float:
        """Real hours in the period (a clock change shortens or lengthens a day)."""
        return (self.end_utc - self.start_utc).total_seconds() / 3600.0

    def local(self, moment: pd.Timestamp) -> pd.Timestamp:
        """Return a UTC moment as plant time."""
        return moment.tz_convert(self.timezone)


def _clock(text: str) -> time:
    hour, minute = text.split(":")
    return time(int(hour), int(minute))


def to_utc(local: datetime, timezone: str) -> pd.Timestamp:
    """Return a wall-clock moment of `timezone` as UTC; the earlier one when the clock shows it twice.

    Examples
    --------
    >>> to_utc(datetime(2026, 3, 8, 0, 0), "America/Denver")
    Timestamp('2026-03-08 07:00:00+0000', tz='UTC')
    """
    aware = local.replace(tzinfo=ZoneInfo(timezone), fold=0)
    return pd.Timestamp(aware.astimezone(ZoneInfo("UTC"))).tz_convert("UTC")


def day_start(plant: Plant, day: date) -> pd.Timestamp:
    """Return the UTC moment at which plant day `day` begins."""
    return to_utc(datetime.combine(day, _clock(plant.day_starts_at)), plant.timezone)


def day_period(plant: Plant, day: date) -> Period:
    """Return the plant day `day` as a period of 23, 24 or 25 hours."""
    return Period(day_start(plant, day), day_start(plant, day + timedelta(days=1)), plant.timezone)


def month_period(plant: Plant, month: str) -> Period:
    """Return the plant month ``YYYY-MM`` as a period.

    Raises
    ------
    InputError
        When the text is not a month, or its year cannot be meant.
    """
    if not re.fullmatch(r"[0-9]{4}-(0[1-9]|1[0-2])", month):
        raise InputError(
            Problem("this is not a month", place="--month", found=repr(month), expected="YYYY-MM, as in 2026-03")
        )
    _refuse_other_years(int(month[:4]), month, "--month")
    first = date(int(month[:4]), int(month[5:]), 1)
    following = date(first.year + (first.month == 12), first.month % 12 + 1, 1)
    return Period(day_start(plant, first), day_start(plant, following), plant.timezone)


def parse_day(text: str, option: str = "--day") -> date:
    """Return the date written as ``YYYY-MM-DD``; an InputError names the option otherwise."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise InputError(
            Problem("this is not a day", place=option, found=repr(text), expected="YYYY-MM-DD, as in 2026-03-14")
        ) from None
    _refuse_other_years(day.year, text, option)
    return day


def _refuse_other_years(year: int, text: str, option: str) -> None:
    if not YEARS[0] <= year <= YEARS[1]:
        expected = f"a year from {YEARS[0]} to {YEARS[1]}"
        raise InputError(Problem("the year cannot be meant", place=option, found=repr(text), expected=expected))


def parse_moment(plant: Plant, text: str, option: str) -> pd.Timestamp:
    """Return a date (the start of that plant day) or a time, plant-local or with offset, as UTC."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return day_start(plant, parse_day(text, option))
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            Problem(
                "this is neither a day nor a time",
                place=option,
                found=repr(text),
                expected="2026-03-14, 2026-03-14T07:00 or 2026-03-14T07:00-06:00",
            )
        ) from None
    _refuse_other_years(moment.year, text, option)
    if moment.tzinfo is not None:
        return pd.Timestamp(moment).tz_convert("UTC")
    return to_utc(moment, plant.timezone)


def period_between(plant: Plant, start: str, end: str) -> Period:
    """Return the period from ``--from`` up to, not including, ``--to``."""
    first, last = parse_moment(plant, start, "--from"), parse_moment(plant, end, "--to")
    if last <= first:
        raise InputError(
            Problem(
                "the period is empty",
                place="--from/--to",
                found=f"{start} to {end}",
                expected="--to after --from",
            )
        )
    return Period(first, last, plant.timezone)


def plant_days(plant: Plant, times: pd.DatetimeIndex) -> pd.Index:
    """Return the plant day (`datetime.date`) each UTC time belongs to, that of `day_period`; positions kept.

    Days are told apart by the moments they begin: the wall clock alone says nothing in an hour it skips or shows twice.
    """
    if not len(times):
        return pd.Index([], dtype=object, name="day")
    first, last = (moment.tz_convert(plant.timezone).date() for moment in (times.min(), times.max()))
    days = [first + timedelta(days=number) for number in range(-1, (last - first).days + 1)]
    starts = pd.DatetimeIndex([day_start(plant, day) for day in days])
    place = starts.searchsorted(times, side="right") - 1
    found: pd.Index = pd.Index(np.array(days, dtype=object)[place], name="day")
    return found


def is_excluded(plant: Plant, press: str, times: pd.DatetimeIndex) -> npt.NDArray[np.bool_]:
    """Return which UTC times the plant file leaves out of means for a press (slug); shape (times,)."""
    excluded: npt.NDArray[np.bool_] = np.zeros(len(times), dtype=bool)
    for span in plant.excludes:
        if span.press in (None, press):
            excluded |= np.asarray((times >= span.start_utc) & (times < span.end_utc))
    return excluded


def shift_names(shifts: tuple[Shift, ...], times: pd.DatetimeIndex, timezone: str) -> pd.Series:
    """Return the shift name in force at each UTC time, "" outside all shifts. Index: `times`."""
    local = times.tz_convert(timezone)
    minute = pd.Series(local.hour * 60 + local.minute, index=times)
    names = pd.Series("", index=times, dtype=object)
    for shift in shifts:
        first, last = (clock.hour * 60 + clock.minute for clock in (_clock(shift.start), _clock(shift.end)))
        inside = (minute >= first) & (minute < last) if first < last else (minute >= first) | (minute < last)
        names[inside & (names == "")] = shift.name
    return names
