"""The grid of one press put together: tag bins to columns, fixed roles, shares of common meters, faults."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.exports.block import InputFile
from trendkit.findings import Finding
from trendkit.plant.model import Press, Tag
from trendkit.plant.roles import ROLES
from trendkit.series.channel import Channel
from trendkit.series.columns import (
    Column,
    Version,
    bins_with_a_change,
    is_switch,
    number_column,
    state_column,
    without_lines_across,
)
from trendkit.series.grid import Habit, PressGrid
from trendkit.series.meter_faults import Counter, Meter, meter_findings, skew_findings, stopped_counter_findings
from trendkit.series.recorded_faults import (
    Repeats,
    all_silent_findings,
    recorded_findings,
    repeated_findings,
    silent_bins,
)
from trendkit.series.segments import Bins, Bools, Floats
from trendkit.series.sharing import share_of
from trendkit.series.source_skew import find_source_skews
from trendkit.series.tracks import Track


@dataclass(frozen=True)
class Reading:
    """What all files together gave: channels and their bins by key, and the files as they are listed."""

    bins: Bins
    channels: Mapping[Hashable, Channel]
    tracks: Mapping[Hashable, Track]
    inputs: tuple[InputFile, ...]
    repeats: tuple[Repeats, ...] = ()
    origins: Mapping[str, str] = field(default_factory=dict)  # tag -> the files it came from, as a pattern


@dataclass
class Filled:
    """The columns of one press while they are put together; names as in the grid."""

    press: Press
    index: pd.DatetimeIndex
    columns: dict[str, npt.NDArray[np.float64] | npt.NDArray[np.object_]] = field(default_factory=dict)
    good_s: dict[str, npt.NDArray[np.float32]] = field(default_factory=dict)  # good seconds per column
    basis: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    habits: dict[str, Habit] = field(default_factory=dict)

    def put(
        self, column: str, rows: slice, values: npt.NDArray[np.object_] | Floats, good_s: npt.NDArray[np.float32]
    ) -> None:
        """Put values and their good seconds into rows of a column, which is created empty."""
        if column not in self.columns:
            empty = (
                np.full(len(self.index), None, object) if values.dtype == object else np.full(len(self.index), np.nan)
            )
            self.columns[column] = empty
            self.good_s[column] = np.zeros(len(self.index), np.float32)
        self.columns[column][rows] = values[rows]
        self.good_s[column][rows] = good_s[rows]

    @property
    def frame(self) -> pd.DataFrame:
        """The columns filled so far, not copied; texts stay objects, None where unknown."""
        return _framed(self.columns, self.index)

    def grid(self, every_s: int) -> PressGrid:
        """Return the finished grid."""
        findings = sorted(self.findings, key=lambda each: (each.start_utc, each.tag, each.fault))
        return PressGrid(
            self.press.slug,
            every_s,
            self.frame,
            _framed(self.good_s, self.index),
            self.basis,
            tuple(findings),
            tuple(dict.fromkeys(self.notes)),
            self.habits,
        )


def _framed(columns: Mapping[str, npt.NDArray[Any]], index: pd.DatetimeIndex) -> pd.DataFrame:
    """Return columns as a frame that shares their memory: a year of minutes is not held twice."""
    series = {name: pd.Series(each, index, each.dtype, copy=False) for name, each in columns.items()}
    return pd.DataFrame(series, index, copy=False)


def fill_columns(
    press: Press, columns: Sequence[Column], reading: Reading, shared: Collection[Hashable] = ()
) -> Filled:
    """Return the columns of a press in SI units: those of its tags, then the roles that are fixed.

    Tracks are let go of once their columns are filled, but for those `shared`, which other columns need, too.
    """
    bins = reading.bins
    times = pd.to_datetime(bins.start_us + bins.every_us * np.arange(bins.count), unit="us", utc=True)
    filled = Filled(press, pd.DatetimeIndex(times, name="time"))
    _note_faults(filled, columns, reading)
    changed = _starts_and_stops(columns, reading)
    for column in columns:
        for rows, version in column.stretches(bins):
            _fill(filled, rows, version, reading, changed)
            if version.key not in shared:
                reading.tracks[version.key].let_go_of_sums()
    _take_out_meter_faults(filled, columns, reading)
    _fill_fixed(filled, reading)
    return filled


def _take_out_meter_faults(filled: Filled, columns: Sequence[Column], reading: Reading) -> None:
    """Note the faults of meters and empty the bins in which they cannot be used."""
    meters = {
        column.tag.column: Meter(column.tag, reading.tracks[key], reading.channels[key].outside)
        for column in columns
        if column.tag.kind == "analog" and len(column.versions) == 1
        for key in (column.versions[0].key,)
    }
    counters = {
        column.tag.column: Counter(column.tag, reading.tracks[key], reading.channels[key].usual_increment)
        for column in columns
        if column.tag.kind == "counter" and len(column.versions) == 1
        for key in (column.versions[0].key,)
    }
    found = meter_findings(filled.press, meters, filled.columns, reading.bins)
    found += stopped_counter_findings(filled.press, counters, filled.columns, reading.bins)
    for column, rows, finding in found:
        filled.columns[column][rows] = np.nan
        filled.good_s[column][rows] = 0.0
        if finding.fault == "unit_suspect":  # readings out of range within it are explained
            filled.findings = [each for each in filled.findings if not _is_explained(each, finding)]
        filled.findings.append(finding)
    filled.findings.extend(_skewed_sources(filled, reading))


def _skewed_sources(filled: Filled, reading: Reading) -> list[Finding]:
    """Return a finding for each set of files whose clock differs from that of the others."""
    numbers = {
        name: np.asarray(column, float)
        for name, tag in filled.press.tags.items()
        if (column := filled.columns.get(tag.column)) is not None and column.dtype != object
    }
    source_of = {
        name: reading.origins[tag.tag] for name, tag in filled.press.tags.items() if tag.tag in reading.origins
    }
    spacing = max((each.spacing_s for each in filled.habits.values() if each.recorded == "sampled"), default=0.0)
    skews = find_source_skews(numbers, source_of, reading.bins.seconds, spacing)
    return skew_findings(filled.press, skews, reading.bins)


def _is_explained(outside: Finding, unit: Finding) -> bool:
    if outside.fault != "out_of_range" or outside.tag != unit.tag:
        return False
    return outside.start_utc < unit.end_utc and unit.start_utc < outside.end_utc


def _fill(filled: Filled, rows: slice, version: Version, reading: Reading, changed: Bools | None) -> None:
    tag, track, channel = version.tag, reading.tracks[version.key], reading.channels[version.key]
    if tag.kind == "analog" and changed is not None:
        track = without_lines_across(track, changed)
    if tag.kind == "state":
        values = state_column(tag, track, channel.words.texts if channel.words is not None else [])
    else:
        values = number_column(tag, track)
    filled.put(tag.column, rows, values, track.good_s)
    filled.basis[tag.column] = "counter" if tag.kind == "counter" else "metered"
    filled.habits[tag.column] = _habit(channel, track, rows)
    filled.notes.extend(_how_recorded(channel, track, rows))


def _starts_and_stops(columns: Sequence[Column], reading: Reading) -> Bools | None:
    for column in columns:
        if column.name == "running" and is_switch(column.tag):
            changed = np.zeros(reading.bins.count, bool)
            for rows, version in column.stretches(reading.bins):
                changed[rows] = bins_with_a_change(reading.tracks[version.key])[rows]
            return changed
    return None


def _fill_fixed(filled: Filled, reading: Reading) -> None:
    """Fill the roles that are not metered with their fixed value, dated changes respected."""
    press, count = filled.press, len(filled.index)
    starts = sorted({change.start_utc for change in press.changes})
    edges = [0, *(int(filled.index.searchsorted(start)) for start in starts), count]
    for first, last in pairwise(edges):
        if last <= first:
            continue
        for role, fixed in press.at(filled.index[first]).fixed.items():
            column = ROLES[role].column
            throughout = np.full(count, reading.bins.seconds, np.float32)
            filled.put(column, slice(first, last), np.full(count, fixed.value), throughout)
            filled.basis[column] = "assumed"


def share_meters(filled: Filled, press: Press, served: Sequence[Press], grids: Mapping[str, pd.DataFrame]) -> None:
    """Reduce the columns of meters that serve several presses to this press's share, in place."""
    for tag in press.tags.values():
        if tag.split is None or len(tag.split_among) < 2 or tag.column not in filled.columns:
            continue
        share = share_of(press, tag, served, grids)
        filled.columns[tag.column] = np.asarray(filled.columns[tag.column], float) * share
        filled.basis[tag.column] = "split"
        how = "the width of the presses that move" if tag.split == "by_running_width" else "their feed flows"
        filled.notes.append(f"{tag.tag} serves {len(tag.split_among)} presses; {tag.name} is split by {how}")


def _note_faults(filled: Filled, columns: Sequence[Column], reading: Reading) -> None:
    """Add what was wrong with the observations of every tag; one finding where all tags were silent together."""
    filled.findings.extend(repeated_findings(reading.repeats, columns, filled.press.slug))
    silences: dict[str, Bools] = {}
    kept: list[tuple[Tag, Track, Channel, slice]] = []
    for column in columns:
        for rows, version in column.stretches(reading.bins):
            channel, track = reading.channels[version.key], reading.tracks[version.key]
            if not channel.observations:
                filled.notes.append(f"{version.tag.tag} ({column.name}) has no value in the files")
                continue
            kept.append((version.tag, track, channel, rows))
            silent = silences.setdefault(column.name, np.zeros(reading.bins.count, bool))
            silent[rows] = silent_bins(track, channel)[rows]
    together = (
        np.mean(list(silences.values()), axis=0) >= 0.8 if len(silences) > 1 else np.zeros(reading.bins.count, bool)
    )
    filled.findings.extend(all_silent_findings(together, reading.bins, filled.press.slug))
    for tag, track, channel, rows in kept:
        slug = None if tag.split_among else filled.press.slug
        filled.findings.extend(recorded_findings(tag, track, channel, rows, slug, silences[tag.name] & ~together))


def _habit(channel: Channel, track: Track, rows: slice) -> Habit:
    recording = channel.recording
    recorded = "" if recording is None or channel.observations < 3 else recording.kind
    spacing = recording.spacing_s if recording is not None and recorded else np.nan
    doubted, silence = _uncertain_share(track, rows), track.longest_silence_s
    return Habit(channel.tag.tag, channel.tag.name, recorded, spacing, doubted, silence)


def _uncertain_share(track: Track, rows: slice) -> float:
    if track.uncertain_s is None:
        return 0.0
    good = float(track.good_s[rows].sum())
    return float(track.uncertain_s[rows].sum()) / good if good else 0.0


def _how_recorded(channel: Channel, track: Track, rows: slice) -> list[str]:
    """Return in plain words how a tag is recorded and read, and how much of it is marked uncertain."""
    tag, notes = channel.tag, []
    recording = channel.recording
    if recording is not None and channel.observations > 2 and tag.kind == "analog":
        if recording.kind == "changes":
            notes.append(f"{tag.tag} is recorded when it changes; each value is held until the next")
        elif recording.spacing_s > channel.max_hold_s:
            notes.append(
                f"{tag.tag} is sampled every {recording.spacing_s / 60:.0f} min, longer than max_hold "
                f"({channel.max_hold_s / 60:.0f} min): the time between is not bridged"
            )
    if channel.lists_moments:
        notes.append(f"{tag.tag} lists trips without their ends; each counts for the minute in which it came")
    doubtful = _uncertain_share(track, rows)
    if doubtful > 0.0:
        notes.append(f"{tag.tag}: {100 * doubtful:.2g} % of its time is marked uncertain, and used")
    if channel.words is not None and channel.words.unknown:
        words = ", ".join(f"{word!r} ({count})" for word, count in sorted(channel.words.unknown.items())[:5])
        notes.append(f"{tag.tag}: words that say neither state are left out: {words}")
    return notes
