"""The time axis all drawings share: ticks at plant days or hours, drawn in plant time on a UTC scale."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import pandas as pd

from trendkit.plant.calendar import to_utc
from trendkit.reports.drawing import WIDTH, altair
from trendkit.reports.plant_clock import MONTHS, PlantClock, day_text

_DAY_MS = 86_400_000
_LETTER = 8.0  # px: wider than digits and all but a few letters at 11 px


def ticks(clock: PlantClock) -> tuple[list[tuple[int, str]], bool]:
    """Return the axis's ticks as (drawn milliseconds, label), and True when the labels belong mid-day, not
    at ticks.
    """
    period = clock.period
    if period.hours <= 50:
        return _hour_ticks(clock), False
    first, last = period.local(period.start_utc).date(), period.local(period.end_utc).date()
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    starts = [(clock.drawn(_midnight(day, period.timezone)), day) for day in days]
    inside = [(at, day) for at, day in starts if clock.drawn(period.start_utc) <= at < clock.drawn(period.end_utc)]
    if len(inside) <= 12:
        return [(at, day_text(day, with_year=False)) for at, day in inside], True
    if len(inside) <= 45:
        return [(at, _day_or_month(day, number)) for number, (at, day) in enumerate(inside)], True
    weekly = [(at, day_text(day, with_year=False)) for at, day in inside if day.weekday() == 0]
    if len(weekly) <= 14:
        return weekly, False
    return [(at, f"{MONTHS[day.month - 1]} {day.year}") for at, day in inside if day.day == 1][
        :: 1 + len(weekly) // 60
    ], False


def _midnight(day: date, timezone: str) -> pd.Timestamp:
    return to_utc(pd.Timestamp(day).to_pydatetime(), timezone)


def _day_or_month(day: date, number: int) -> str:
    return f"{day.day} {MONTHS[day.month - 1]}" if day.day == 1 and number else str(day.day)


def _hour_ticks(clock: PlantClock) -> list[tuple[int, str]]:
    every = 2 if clock.period.hours <= 26 else 4
    step = every * 3_600_000
    first, last = clock.drawn(clock.period.start_utc), clock.drawn(clock.period.end_utc)
    places = range(-(-first // step) * step, last + 1, step)
    return [(at, f"{at // 3_600_000 % 24:02d}:00") for at in places]


def _have_room(labels: Sequence[str]) -> bool:
    """Return whether labels spread evenly over an axis cannot touch: the renderer takes long to see for itself."""
    longest = max((len(text) for text in labels), default=0)
    return len(labels) * longest * _LETTER < WIDTH


def time_x(clock: PlantClock, has_labels: bool = True) -> Callable[[str], Any]:
    """Return a function from a field name to the shared time encoding of a drawing."""
    alt = altair()
    places, is_mid_day = ticks(clock)
    first, last = clock.drawn(clock.period.start_utc), clock.drawn(clock.period.end_utc)
    labels = {str(at): text for at, text in places}
    axis = alt.Axis(
        values=[at for at, _ in places],
        labelExpr=f"({json.dumps(labels)})[toString(time(datum.value))]",
        labelOffset=WIDTH * _DAY_MS / 2 / max(last - first, 1) if is_mid_day else 0,
        labelOverlap=not _have_room([text for _, text in places]),
        labelFlush=False,
        labels=has_labels,
        title=clock.zone if has_labels else None,
        titleAnchor="start",
        titleColor="#595959",
        titleFontSize=10,
        grid=True,
    )
    scale = alt.Scale(type="utc", domain=[first, last], nice=False)
    return lambda field: alt.X(f"{field}:T", scale=scale, axis=axis)
