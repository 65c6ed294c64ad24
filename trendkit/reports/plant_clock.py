"""Plant time for drawing and for reading: one steady offset on every axis, true wall-clock time in every
text.

A browser or a drawing library shifts local times to its own zone. So times are moved to plant time here and
drawn on a UTC scale, where nothing moves them again. When the plant's clock changes inside the period, the
axis keeps standard time throughout, so that no hour is drawn twice, and the page says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.calendar import Period, day_start
from trendkit.plant.model import Plant

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
CHANGE_STEP = "15min"
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True)
class PlantClock:
    """How moments of one period are drawn: `offset` is added to UTC; `changes` are clock changes inside
    (UTC).
    """

    period: Period
    offset: pd.Timedelta
    changes: tuple[pd.Timestamp, ...]

    def drawn_ms(self, times: pd.DatetimeIndex) -> npt.NDArray[np.int64]:
        """Return UTC times as milliseconds on the drawn axis, increasing as the times do."""
        moved = times.tz_convert("UTC").tz_localize(None) + self.offset
        return moved.to_numpy().astype("datetime64[ms]").astype(np.int64)

    def drawn(self, moment: pd.Timestamp) -> int:
        """Return one UTC moment as milliseconds on the drawn axis."""
        return int((moment.timestamp() + self.offset.total_seconds()) * 1000)

    @property
    def zone(self) -> str:
        """The zone as the axis names it: "plant time, America/Denver (UTC-07:00)"."""
        hours = self.offset.total_seconds() / 3600.0
        sign, whole = ("−" if hours < 0 else "+"), abs(hours)
        shown = f"UTC{sign}{int(whole):02d}:{round(whole % 1 * 60):02d}"
        kind = "standard time throughout" if self.changes else "plant time"
        return f"{kind}, {self.period.timezone} ({shown})"

    def day_text(self, moment: pd.Timestamp) -> str:
        """Return the calendar day of a UTC moment in plant time, as "18 Mar 2026"."""
        return day_text(self.period.local(moment).date())

    def time_text(self, moment: pd.Timestamp | None, with_day: bool = True) -> str:
        """Return a UTC moment as wall-clock plant time; the zone's letters are added when the clock changes
        that day.
        """
        if moment is None or pd.isna(moment):
            return "–"
        local = self.period.local(moment)
        text = f"{local.day} {MONTHS[local.month - 1]} {local:%H:%M}" if with_day else f"{local:%H:%M}"
        is_change_day = any(self.period.local(change).date() == local.date() for change in self.changes)
        return f"{text} {local:%Z}" if is_change_day else text


def day_text(day: date, with_year: bool = True) -> str:
    """Return a date as "18 Mar 2026" whatever the machine's language.

    Examples
    --------
    >>> day_text(date(2026, 3, 18))
    '18 Mar 2026'
    """
    text = f"{day.day} {MONTHS[day.month - 1]}"
    return f"{text} {day.year}" if with_year else text


def clock_of(period: Period) -> PlantClock:
    """Return the clock of a period: its only offset, or the smaller one (standard time) when it changes
    inside.
    """
    # clocks change on a quarter of an hour of UTC, wherever a period begins
    quarters = pd.date_range(period.start_utc.floor(CHANGE_STEP), period.end_utc, freq=CHANGE_STEP, inclusive="left")
    moments = quarters.union([period.start_utc])
    moments = moments[moments >= period.start_utc]
    offsets = moments.tz_convert(period.timezone).tz_localize(None) - moments.tz_localize(None)
    changed = np.flatnonzero(offsets[1:] != offsets[:-1]) + 1
    return PlantClock(period, pd.Timedelta(offsets.min()), tuple(moments[changed]))


def period_text(plant: Plant, period: Period) -> str:
    """Return a period as a person names it: a month, a day, or its first and last plant day.

    Whole plant days are named by their dates, inclusive; anything else by its times.
    """
    first = period.local(period.start_utc)
    starts_a_day = day_start(plant, first.date()) == period.start_utc
    after = period.local(period.end_utc).date()
    ends_a_day = day_start(plant, after) == period.end_utc
    if not (starts_a_day and ends_a_day):
        end = period.local(period.end_utc)
        return f"{day_text(first.date())} {first:%H:%M} to {day_text(end.date())} {end:%H:%M}"
    last_day = (pd.Timestamp(after) - pd.Timedelta(days=1)).date()
    if last_day == first.date():
        return f"{WEEKDAYS[last_day.weekday()]} {day_text(last_day)}"
    is_month = first.day == 1 and after.day == 1 and (last_day.year, last_day.month) == (first.year, first.month)
    if is_month:
        return f"{_MONTH_NAMES[first.month - 1]} {first.year}"
    return f"{day_text(first.date())} to {day_text(last_day)}"


def opening_words(when: str) -> str:
    """Return a period's text as the beginning of a sentence.

    Examples
    --------
    >>> [opening_words(when) for when in ("March 2026", "Wed 18 Mar 2026", "2 Mar 2026 to 8 Mar 2026")]
    ['In March 2026', 'On Wed 18 Mar 2026', 'From 2 Mar 2026 to 8 Mar 2026']
    """
    if " to " in when:
        return f"From {when}"
    return f"On {when}" if when.startswith(WEEKDAYS) else f"In {when}"


_MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
