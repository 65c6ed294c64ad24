"""Wall-clock times of an export turned into UTC, with the two hours a year at which that is not plain.

In autumn an hour is shown twice: the order of the rows tells which is which, and where it cannot the rows are
marked. In spring an hour is skipped: rows in it show a clock that ignores daylight saving.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Turn:
    """One change of a zone's offset from UTC; all in microseconds."""

    utc_us: int
    before_us: int  # offset from UTC until then
    after_us: int

    @property
    def first_local_us(self) -> int:
        """Start of the wall-clock span shown twice (autumn) or never (spring)."""
        return self.utc_us + min(self.before_us, self.after_us)

    @property
    def last_local_us(self) -> int:
        """End (exclusive) of that span."""
        return self.utc_us + max(self.before_us, self.after_us)

    @property
    def repeats(self) -> bool:
        """True when the clock is put back and shows the span twice."""
        return self.after_us < self.before_us


@dataclass(frozen=True)
class Zone:
    """A zone by its name, or a fixed offset such as "-07:00"."""

    name: str

    @property
    def is_fixed(self) -> bool:
        """True for a clock that is never changed."""
        return fixed_offset_us(self.name) is not None

    def offset_us(self, utc_us: int) -> int:
        """Return the offset from UTC [us] in force at a moment."""
        fixed = fixed_offset_us(self.name)
        return fixed if fixed is not None else _offset_us(self.name, utc_us)

    def turns(self, first_us: int, last_us: int) -> tuple[Turn, ...]:
        """Return the zone's changes within a span [us], a day wider on both sides."""
        if self.is_fixed:
            return ()
        first_year = (_EPOCH + timedelta(microseconds=first_us - _DAY_US)).year
        last_year = (_EPOCH + timedelta(microseconds=last_us + _DAY_US)).year
        found = [turn for year in range(first_year, last_year + 1) for turn in _turns_of_year(self.name, year)]
        return tuple(t for t in found if first_us - 2 * _DAY_US <= t.utc_us <= last_us + 2 * _DAY_US)


@lru_cache(maxsize=256)
def fixed_offset_us(name: str) -> int | None:
    """Return the offset [us] of "UTC", "Z", "-07:00" or "+0530", None for a zone with a name."""
    if name in ("UTC", "Z", "GMT"):
        return 0
    match = re.fullmatch(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d\d)?", name)
    if match is None:
        return None
    offset = (int(match[2]) * 60 + int(match[3] or 0)) * 60_000_000
    return -offset if match[1] == "-" else offset


def fixed_name(offset_us: int) -> str:
    """Return a fixed offset as people write it.

    Examples
    --------
    >>> fixed_name(-7 * 3600 * 1_000_000)
    '-07:00'
    """
    minutes = abs(offset_us) // 60_000_000
    return f"{'-' if offset_us < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def is_zone(name: str) -> bool:
    """Return True for a known zone name or a fixed offset."""
    if fixed_offset_us(name) is not None:
        return True
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return False
    return True


def zone_letters(name: str, year: int) -> tuple[tuple[str, int], ...]:
    """Return the letters a zone's clock goes by and their minutes east of UTC: (("MST", -420), ("MDT", -360))."""
    if fixed_offset_us(name) is not None:
        return ()
    zone = ZoneInfo(name)
    moments = [datetime(year, month, 1, tzinfo=UTC).astimezone(zone) for month in (1, 7)]
    pairs = {(m.tzname() or "", int((m.utcoffset() or timedelta()).total_seconds() // 60)) for m in moments}
    return tuple(sorted(pair for pair in pairs if pair[0].isalpha()))


def _offset_us(name: str, utc_us: int) -> int:
    moment = (_EPOCH + timedelta(microseconds=utc_us)).astimezone(ZoneInfo(name))
    return int((moment.utcoffset() or timedelta()).total_seconds()) * 1_000_000


@lru_cache(maxsize=512)
def _turns_of_year(name: str, year: int) -> tuple[Turn, ...]:
    """Return a year's changes: days on which the offset differs are searched to the second by halving."""
    start = int((datetime(year, 1, 1, tzinfo=UTC) - _EPOCH).total_seconds())
    end = int((datetime(year + 1, 1, 1, tzinfo=UTC) - _EPOCH).total_seconds())
    turns = []
    for day in range(start, end, 86_400):
        low, high = day, min(day + 86_400, end)
        before, after = _offset_us(name, low * 1_000_000), _offset_us(name, high * 1_000_000)
        if before == after:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if _offset_us(name, middle * 1_000_000) == before else (low, middle)
        turns.append(Turn(high * 1_000_000, before, after))
    return tuple(turns)


@dataclass
class ClockTally:
    """What reading the clock met, for the notes."""

    resolved: int = 0  # rows of the repeated hour told apart by their order
    unresolved: int = 0  # rows of the repeated hour that order cannot tell apart
    unresolved_days: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class UtcRows:
    """Rows in UTC: their times, which of them exist at all, and which are only probably right."""

    utc_us: Ints
    exists: Bools | None  # None: all
    is_doubtful: Bools | None  # None: none


def to_utc(local_us: Ints, zone: Zone, tally: ClockTally) -> UtcRows:
    """Return the rows of one recording, in the order they were written, in UTC.

    `local_us` is the wall clock [us]. Rows of an hour that was never shown do not exist. The repeated hour must be
    whole in one call: see `cut_before_repeat`.
    """
    if not len(local_us):
        return UtcRows(local_us, None, None)
    low, high = int(local_us.min()), int(local_us.max())
    turns = zone.turns(low, high)
    if not any(low < turn.last_local_us and high >= turn.first_local_us for turn in turns):
        middle = zone.offset_us(low - zone.offset_us(low))
        return UtcRows(local_us - middle, None, None)
    offset = np.full(len(local_us), turns[0].before_us, np.int64)
    exists: Bools | None = None
    doubtful: Bools | None = None
    for turn in turns:
        offset[local_us >= turn.last_local_us] = turn.after_us
        inside = (local_us >= turn.first_local_us) & (local_us < turn.last_local_us)
        if not inside.any():
            continue
        if turn.repeats:
            offset[inside], unsure = _repeated_hour(local_us, inside, turn, tally)
            if unsure is not None:
                doubtful = unsure if doubtful is None else doubtful | unsure
        else:
            exists = ~inside if exists is None else exists & ~inside
    return UtcRows(local_us - offset, exists, doubtful)


def _repeated_hour(local_us: Ints, inside: Bools, turn: Turn, tally: ClockTally) -> tuple[Ints, Bools | None]:
    """Return the offsets of the rows inside a repeated hour, and the mask of those that order cannot settle."""
    at = np.flatnonzero(inside)
    shown = local_us[at]
    step = np.diff(shown)
    offsets = np.full(len(at), turn.before_us, np.int64)
    back = int(np.argmin(step)) if len(step) else 0
    if len(step) and step[back] < 0:
        offsets[back + 1 :] = turn.after_us
        tally.resolved += len(at)
        return offsets, None
    if _comes_after(local_us, at, turn):
        offsets[:] = turn.after_us
        tally.resolved += len(at)
        return offsets, None
    if _comes_before(local_us, at, turn) and not (len(step) and (step == 0).any()):
        tally.resolved += len(at)
        return offsets, None
    tally.unresolved += len(at)
    tally.unresolved_days.add((_EPOCH + timedelta(microseconds=turn.first_local_us)).strftime("%Y-%m-%d"))
    unsure = np.zeros(len(local_us), bool)
    unsure[at] = True
    return offsets, unsure


def _usual_step(local_us: Ints) -> float:
    step = np.abs(np.diff(local_us[:10_000]))
    step = step[step > 0]
    return float(np.median(step)) if len(step) else float(_HOUR_US)


def _comes_after(local_us: Ints, at: Ints, turn: Turn) -> bool:
    """True when the rows run on into the time after the hour but start out of nothing: the second showing."""
    usual = _usual_step(local_us)
    has_before = at[0] > 0 and turn.first_local_us - local_us[at[0] - 1] <= 10 * usual
    runs_on = at[-1] + 1 < len(local_us) and 0 <= local_us[at[-1] + 1] - local_us[at[-1]] <= 10 * usual
    return runs_on and not has_before


def _comes_before(local_us: Ints, at: Ints, turn: Turn) -> bool:
    """True when the rows follow straight on the time before the hour and then stop: the first showing."""
    usual = _usual_step(local_us)
    follows = at[0] > 0 and 0 <= local_us[at[0]] - local_us[at[0] - 1] <= 10 * usual
    runs_on = at[-1] + 1 < len(local_us) and 0 <= local_us[at[-1] + 1] - local_us[at[-1]] <= 10 * usual
    return follows and not runs_on


def never_shown(local_us: Ints, zone: Zone) -> Bools | None:
    """Return which wall-clock times lie in an hour the zone's clock skips, None when none does."""
    if not len(local_us) or zone.is_fixed:
        return None
    found: Bools | None = None
    for turn in zone.turns(int(local_us.min()), int(local_us.max())):
        if not turn.repeats:
            inside = (local_us >= turn.first_local_us) & (local_us < turn.last_local_us)
            if inside.any():
                found = inside if found is None else found | inside
    return found


def cut_before_repeat(local_us: Ints, zone: Zone) -> int:
    """Return how many leading rows can be turned to UTC now; the rest ends inside a repeated hour and must wait."""
    if not len(local_us) or zone.is_fixed:
        return len(local_us)
    last = int(local_us[-1])
    for turn in zone.turns(last, last):
        margin = _HOUR_US // 4  # rows just before and after the hour tell which showing it is
        if turn.repeats and turn.first_local_us - margin <= last < turn.last_local_us + margin:
            outside = np.flatnonzero(
                (local_us < turn.first_local_us - margin) | (local_us >= turn.last_local_us + margin)
            )
            return int(outside[-1]) + 1 if len(outside) else 0
    return len(local_us)
