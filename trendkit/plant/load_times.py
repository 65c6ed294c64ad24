"""Zones, clock times and dated moments of the plant file: as written in, checked and in UTC out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo, available_timezones

import pandas as pd

from trendkit.plant.calendar import to_utc
from trendkit.plant.mistakes import Mistakes, nearest
from trendkit.plant.toml_lines import Path

_OFFSET = re.compile(r"[+-](0\d|1[0-4]):[0-5]\d")
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


def check_zone(path: Path, text: str, allow_offset: bool, mistakes: Mistakes) -> str | None:
    """Return a zone that exists, None (noted) otherwise; a fixed offset only where `allow_offset`."""
    if allow_offset and _OFFSET.fullmatch(text):
        return text
    try:
        ZoneInfo(text)
    except (ValueError, OSError, KeyError):
        near = nearest(text, available_timezones(), cutoff=0.7)
        hint = f"perhaps {near!r} is meant" if near else None
        kinds = 'a zone of the IANA list, as in "America/Denver"' + (
            ', or an offset, as in "-07:00"' if allow_offset else ""
        )
        mistakes.add(path, "this timezone is not known", repr(text), kinds, hint)
        return None
    return text


def check_clock(path: Path, text: str | None, mistakes: Mistakes) -> str:
    """Return a time of day "HH:MM"; "00:00" (noted) otherwise."""
    if text is None:
        mistakes.missing(path, 'a time of day, as in "07:00"')
    elif _CLOCK.fullmatch(text):
        return text
    else:
        mistakes.add(path, "this is no time of day", repr(text), '"HH:MM" from "00:00" to "23:59"')
    return "00:00"


@dataclass(frozen=True)
class PlantTime:
    """The plant's zone and where its day begins."""

    timezone: str
    day_starts_at: str

    def moment(self, path: Path, written: datetime | date | None, mistakes: Mistakes) -> pd.Timestamp | None:
        """Return a date (the start of that plant day) or a time, plant-local if without offset, in UTC."""
        if written is None:
            mistakes.missing(path, "a date or a time, as in 2026-03-16 or 2026-03-16T07:00:00")
            return None
        if not isinstance(written, datetime):
            hour, minute = self.day_starts_at.split(":")
            return to_utc(datetime.combine(written, time(int(hour), int(minute))), self.timezone)
        if written.tzinfo is not None:
            return pd.Timestamp(written).tz_convert("UTC")
        utc = to_utc(written, self.timezone)
        if utc.tz_convert(self.timezone).tz_localize(None) != pd.Timestamp(written):
            message = "this time never was: the clocks went forward over it"
            mistakes.add(path, message, written.isoformat(), f"a time that the clocks of {self.timezone} showed")
        return utc
