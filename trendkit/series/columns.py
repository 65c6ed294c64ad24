"""From a tag's bins, in the export's unit, to a column of the press's grid in SI units."""

from __future__ import annotations

from collections.abc import Hashable
from copy import copy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.model import Press, Tag
from trendkit.series.readings import bends_within_readings
from trendkit.series.segments import Bins, Bools, Floats
from trendkit.series.states import SWITCHES
from trendkit.series.tracks import StateTrack, Track

ENOUGH_GOOD = 0.5


@dataclass(frozen=True)
class Version:
    """A tag as it is set up from `start_us` on (None: always), and the key of its channel."""

    start_us: int | None
    tag: Tag
    key: Hashable


@dataclass(frozen=True)
class Column:
    """One column of a press: its role or free name and the versions of its tag, in time order."""

    name: str
    versions: tuple[Version, ...]

    @property
    def tag(self) -> Tag:
        """The tag as it is set up at the end."""
        return self.versions[-1].tag

    def stretches(self, bins: Bins) -> list[tuple[slice, Version]]:
        """Return the bins over which each version holds; a version counts from the bin in which it starts."""
        starts = [
            0
            if version.start_us is None
            else min(max((version.start_us - bins.start_us) // bins.every_us, 0), bins.count)
            for version in self.versions
        ]
        ends = [*starts[1:], bins.count]
        return [(slice(a, b), v) for a, b, v in zip(starts, ends, self.versions, strict=True) if b > a]


def channel_key(tag: Tag) -> Hashable:
    """Return what tells channels apart: the tag's name and all that is applied to its readings one by one."""
    scale = tag.scale if bends_within_readings(tag) else ()
    return (
        tag.tag,
        tag.kind,
        scale,
        tag.range,
        tag.counter_rolls_at,
        tag.on_values,
        tag.mode_words,
        tag.kind == "state" and tag.name,
    )


def columns_of(press: Press) -> list[Column]:
    """Return the columns of a press that come from tags, dated changes of a tag included."""
    names = dict.fromkeys([*press.tags, *(name for c in press.changes for name in c.settings.get("tags", {}))])
    return [
        Column(
            name,
            tuple(
                Version(None if start is None else to_us(start), tag, channel_key(tag))
                for start, tag in press.tag_spans(name)
            ),
        )
        for name in names
    ]


def to_us(moment: pd.Timestamp) -> int:
    """Return a moment as microseconds since 1970 UTC."""
    return int(moment.as_unit("us").asm8.astype(np.int64))


def from_us(time_us: int) -> pd.Timestamp:
    """Return microseconds since 1970 as a UTC moment."""
    return pd.Timestamp(time_us, unit="us", tz="UTC")


def to_si(tag: Tag, readings: Floats) -> Floats:
    """Return mean readings of a tag in the SI unit of its column; a bent scale was applied before."""
    if bends_within_readings(tag):
        return readings
    if tag.scale:
        (x0, y0), (x1, y1) = tag.scale
        return y0 + (readings - x0) * ((y1 - y0) / (x1 - x0))
    return tag.factor * readings + tag.offset


def number_column(tag: Tag, track: Track) -> Floats:
    """Return a tag's bins in the SI unit of its column, NaN where less than half of a bin is good.

    A counter gives the amount within the bin; a rate given as its counter the mean hourly rate.
    """
    good = track.good_s.astype(float)
    enough = good >= ENOUGH_GOOD * track.bins.seconds
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(enough, track.sloped / good, np.nan)
    if tag.kind != "counter":
        return to_si(tag, mean)
    if tag.is_counter_of_rate:
        return mean * 3600.0 * tag.factor
    return np.where(enough, track.sloped, np.nan) * tag.factor


def state_column(tag: Tag, track: Track, texts: list[str]) -> npt.NDArray[np.object_] | Floats:
    """Return the state held longest in each bin: 1.0, 0.0 or NaN for a switch, else text or None.

    A belt trip counts however short it was.
    """
    enough = track.good_s >= ENOUGH_GOOD * track.bins.seconds
    if isinstance(track, StateTrack):
        found = np.full(track.bins.count, None, object)
        if track.seconds:
            codes = sorted(track.seconds)
            longest = np.argmax(np.stack([track.seconds[code] for code in codes]), axis=0)
            words = np.array([texts[code] for code in codes], object)
            found[enough] = words[longest[enough]]
        return found
    if tag.name == "belt_trip":
        return np.where(track.sloped > 0.0, 1.0, np.where(enough, 0.0, np.nan))
    return np.where(enough, (track.sloped >= 0.5 * track.good_s).astype(float), np.nan)


def is_switch(tag: Tag) -> bool:
    """Return True for a state whose column is 1.0, 0.0 or NaN."""
    return tag.kind == "state" and (tag.name in SWITCHES or bool(tag.on_values))


def bins_with_a_change(running: Track) -> Bools:
    """Return the bins in which the press started or stopped, or at whose end it did."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(running.good_s > 0.0, running.sloped / running.good_s, np.nan)
    within = (share > 1e-6) & (share < 1.0 - 1e-6)
    flips = np.append(np.abs(np.diff(share)) > 0.5, False)
    changed: Bools = within | flips
    return changed


def without_lines_across(track: Track, changed: Bools) -> Track:
    """Return a track without what straight lines assumed across a start or a stop of one press.

    The last observation before the change is held up to its bin's end; from there to the next observation nothing is
    known. The track given stays as it is: a common meter serves presses that start at other times.
    """
    if not len(track.bend) or not changed.any():
        return track
    count = track.bins.count
    places = np.arange(count)
    last_seen = np.maximum.accumulate(np.where(track.has_observations, places, -1))
    next_seen = np.minimum.accumulate(np.where(track.has_observations, places, count)[::-1])[::-1]
    is_held, is_unknown = np.zeros(count + 1, np.int32), np.zeros(count + 1, np.int32)
    for place in np.flatnonzero(changed).tolist():
        following = int(next_seen[place + 1]) if place + 1 < count else count
        is_held[max(int(last_seen[place]), 0)] += 1
        is_held[place + 1] -= 1
        is_unknown[place + 1] += 1
        is_unknown[max(following, place + 1)] -= 1
    held = np.cumsum(is_held)[:-1] > 0
    unknown = np.cumsum(is_unknown)[:-1] > 0
    own = copy(track)
    own.sloped = np.where(unknown, 0.0, np.where(held, track.sloped - track.bend, track.sloped))
    own.bend = np.where(held, np.float32(0.0), track.bend)
    own.good_s = np.where(unknown, np.float32(0.0), track.good_s)
    return own
