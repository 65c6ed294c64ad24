"""Blocks of observations in, time-weighted bins per tag out: one pass, no sort of a file, memory by bins.

`Accumulator` takes every block of every file. Each tag has a channel that checks its readings (range, quality,
text), learns how it is recorded and feeds its track (`trendkit.series.tracks`). Readings stay in the export's unit.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from trendkit.exports.block import BAD, UNCERTAIN, Block
from trendkit.plant.model import Tag
from trendkit.plant.roles import ROLES
from trendkit.series.counters import Counting, learn_counting, ticks_only
from trendkit.series.recording import ENOUGH_OBSERVATIONS, Recording, recognise_recording
from trendkit.series.segments import Bins, Cuts, Floats, Ints, cut_at_edges
from trendkit.series.spans import SpanLog
from trendkit.series.states import StateWords
from trendkit.series.tracks import Bools, Holding, Samples, StateTrack, Track, merge_tracks

# A 4-20 mA transmitter can send this far beyond its range, as shares of the span (3.8 to 20.5 mA is still a
# measurement by the recommendation NAMUR NE 43; values from memory).
BELOW_RANGE = 0.0125
ABOVE_RANGE = 0.03125

ChannelFault = Literal["bad_quality", "text_value", "out_of_range", "duplicate", "counter_reset", "spike"]


@dataclass(frozen=True)
class Rows:
    """The times of one block in order, and where the bin edges fall among them; shared by its tags."""

    time_us: Ints
    order: Ints | None  # how the block's rows were put in order; None when they were
    has_repeats: bool
    cuts: Cuts | None


def order_rows(time_us: Ints, bins: Bins) -> Rows:
    """Return the times of a block in order."""
    step = np.diff(time_us)
    if not len(step) or int(step.min()) > 0:
        return Rows(time_us, None, False, cut_at_edges(time_us, bins))
    order = np.argsort(time_us, kind="stable")
    in_order = time_us[order]
    has_repeats = bool((np.diff(in_order) == 0).any())
    cuts = None if has_repeats else cut_at_edges(in_order, bins)
    return Rows(in_order, order, has_repeats, cuts)


def _without_repeats(samples: Samples) -> Samples:
    """Return the samples with one per time, the last usable one."""
    count = len(samples.time_us)
    usable = np.ones(count, bool) if samples.is_usable is None else samples.is_usable
    order = np.lexsort((np.arange(count), usable, samples.time_us))
    is_last = np.append(np.diff(samples.time_us[order]) > 0, True)
    return samples.chosen(order[is_last])


def reading_limits(tag: Tag) -> tuple[float, float]:
    """Return the readings outside which a tag cannot be believed, in its own unit; infinite without a range."""
    if tag.range is None or tag.kind in ("counter", "state"):
        return -np.inf, np.inf
    low, high = tag.range
    return low - BELOW_RANGE * (high - low), high + ABOVE_RANGE * (high - low)


def _fastest_rate(tag: Tag) -> float:
    """Return the fastest a counter can run [its unit/s], from what a press can hardly exceed; inf if unknown."""
    rate_role = {"energy": "power", "cake_weight": "cake_rate"}.get(tag.name, tag.name)
    role = ROLES.get(rate_role)
    if role is None or role.sane_high is None or tag.factor <= 0.0:
        return np.inf
    return role.sane_high / 3600.0 / tag.factor


def bends_within_readings(tag: Tag) -> bool:
    """Return True when a tag's scale has a bend, so that it must be applied before averaging."""
    return len(tag.scale) > 2


def along_scale(scale: tuple[tuple[float, float], ...], readings: Floats) -> Floats:
    """Return readings put through the straight lines of a scale; the end lines are continued outwards."""
    x, y = np.array([point[0] for point in scale]), np.array([point[1] for point in scale])
    line = np.clip(np.searchsorted(x, readings, "right") - 1, 0, len(x) - 2)
    slope = np.diff(y) / np.diff(x)
    scaled: Floats = y[line] + slope[line] * (readings - x[line])
    return scaled


@dataclass
class Channel:
    """Everything known of one tag while its observations stream by."""

    tag: Tag
    bins: Bins
    max_hold_s: float
    words: StateWords | None = None
    recording: Recording | None = None
    tracks: list[Track] = field(default_factory=list)
    faults: dict[ChannelFault, SpanLog] = field(default_factory=dict)
    observations: int = 0
    last_us: int | None = None
    _holding: Holding | None = None
    _waiting: Samples | None = None

    def add(self, rows: Rows, values: Floats, quality: npt.NDArray[np.uint8] | None) -> None:
        """Take the tag's column of a block (readings in the export's unit, in the block's order)."""
        if rows.order is not None:
            values = values[rows.order]
            quality = None if quality is None else quality[rows.order]
        samples, cuts = self._checked(rows, values, quality)
        if samples is None:
            return
        if rows.has_repeats:
            everything = samples
            samples, cuts = _without_repeats(everything), None
            self._log_repeats(everything, samples)
        self.observations += len(samples.time_us)
        learned = (samples, cuts) if self._holding is not None else self._learn(samples, cuts, is_end=False)
        if learned is not None:
            self._into_tracks(*learned)

    def rebin(self, bins: Bins) -> None:
        """Widen the channel's tracks to other bins of the same raster."""
        self.bins = bins
        for track in self.tracks:
            track.rebin(bins)

    def finish(self, record_end_us: int) -> Track:
        """Return the tag's bins; the last value is held on as far as its habit allows, at most to the record's end."""
        if self._waiting is not None:
            self._decide(self._waiting)
        for track in self.tracks:
            track.close(self._end_of_hold(track, record_end_us))
        return merge_tracks(self.tracks or [Track(self.bins, Holding("held", 0.0, 0.0))])

    def _log(self, fault: ChannelFault) -> SpanLog:
        return self.faults.setdefault(fault, SpanLog())

    def _checked(
        self, rows: Rows, values: Floats, quality: npt.NDArray[np.uint8] | None
    ) -> tuple[Samples | None, Cuts | None]:
        """Return the observations of a column without its empty cells, marked where they cannot be used."""
        time_us = rows.time_us
        is_empty = np.isnan(values)
        some_empty = bool(is_empty.any())
        is_bad: Bools | None = None
        is_uncertain: Bools | None = None
        if quality is not None and quality.any():
            is_bad = quality == BAD
            self._log("text_value").add(time_us, is_bad & is_empty, values)
            self._log("bad_quality").add(time_us, is_bad & ~is_empty, values)
            is_uncertain = (quality == UNCERTAIN) & ~is_empty
            is_uncertain = is_uncertain if is_uncertain.any() else None
        low, high = reading_limits(self.tag)
        if np.isfinite(low) and len(values):
            is_outside = (values < low) | (values > high)
            if is_outside.any():
                self._log("out_of_range").add(time_us, is_outside, values)
                is_bad = is_outside if is_bad is None else is_bad | is_outside
        is_usable: Bools | None = None
        if is_bad is not None and is_bad.any():
            is_usable = ~is_bad
            values = np.where(is_bad, np.nan, values)
        if bends_within_readings(self.tag):
            values = along_scale(self.tag.scale, values)
        if not some_empty:
            return (
                (Samples(time_us, values, is_usable, is_uncertain), rows.cuts)
                if len(values)
                else (None, None)
            )
        keep = ~is_empty if is_bad is None else ~is_empty | is_bad
        if not keep.any():
            return None, None
        is_usable = None if is_usable is None else is_usable[keep]
        is_uncertain = None if is_uncertain is None else is_uncertain[keep]
        kept = Samples(time_us[keep], values[keep], is_usable, is_uncertain)
        return kept, None if rows.has_repeats else cut_at_edges(kept.time_us, self.bins)

    def _log_repeats(self, everything: Samples, kept: Samples) -> None:
        repeats = np.append(False, np.diff(everything.time_us) == 0)
        if len(kept.time_us) < len(everything.time_us):
            self._log("duplicate").add(everything.time_us, repeats, everything.values)

    def _learn(self, samples: Samples, cuts: Cuts | None, is_end: bool) -> tuple[Samples, Cuts | None] | None:
        """Learn the tag's habit from its first observations; None while they wait for more."""
        if self._waiting is not None and not is_end:
            waiting = self._waiting
            if samples.time_us[0] > waiting.time_us[-1]:
                samples, cuts = waiting.followed_by(samples), None
            elif samples.time_us[-1] < waiting.time_us[0]:
                samples, cuts = samples.followed_by(waiting), None
            else:  # rows among those that wait: decide on what there is
                self._decide(waiting)
                return samples, cuts
        usable = slice(None) if samples.is_usable is None else samples.is_usable
        time_us, values = samples.time_us[usable], samples.values[usable]
        if len(time_us) < ENOUGH_OBSERVATIONS and not is_end:
            self._waiting = samples
            return None
        self._waiting = None
        self.recording = recognise_recording(time_us, values)
        self._holding = self._choose_holding(time_us, values)
        return samples, cuts or cut_at_edges(samples.time_us, self.bins)

    def _decide(self, waiting: Samples) -> None:
        """Learn the tag's habit from the few observations there are, and take them."""
        learned = self._learn(waiting, None, is_end=True)
        assert learned is not None
        self._into_tracks(*learned)

    def _choose_holding(self, time_us: Ints, values: Floats) -> Holding:
        assert self.recording is not None
        is_sampled, spacing = self.recording.kind == "sampled", self.recording.spacing_s
        longest = max(self.max_hold_s, 1.5 * spacing) if is_sampled else np.inf
        if self.tag.kind == "counter":
            counting = Counting(_fastest_rate(self.tag), rolls_at=self.tag.counter_rolls_at)
            return Holding("counted", longest, 0.0, learn_counting(counting, time_us, values))
        if self.tag.kind == "analog" and is_sampled:
            return Holding("sloped", self.max_hold_s, spacing)
        return Holding("held", longest, spacing if is_sampled else np.inf)

    def _end_of_hold(self, track: Track, record_end_us: int) -> int:
        """Return until when the last value of the record counts [us]: a step of the clock, or to the record's end.

        A number recorded at changes is not believed for longer than its longest silence so far.
        """
        if self.recording is None or track.tail is None:
            return record_end_us
        last = int(track.tail.time_us[0])
        if self.recording.kind == "sampled":
            return last + round(min(self.recording.spacing_s, track.holding.longest_s) * 1e6)
        if self.tag.kind in ("state", "step"):
            return record_end_us
        return min(record_end_us, last + round(max(self.max_hold_s, track.longest_silence_s) * 1e6))

    def _into_tracks(self, samples: Samples, cuts: Cuts | None) -> None:
        assert self._holding is not None
        counting = self._holding.counting
        if counting is not None:
            self._log_resets(samples, self._holding)
            if self.recording is not None and counting.usual_tick_s > 1.5 * self.recording.spacing_s:
                keep = ticks_only(samples.time_us, samples.values, counting.usual_tick_s)
                samples, cuts = samples.chosen(keep), None
        self.last_us = max(int(samples.time_us[-1]), self.last_us or 0)
        left: list[tuple[Samples, Cuts | None]] = [(samples, cuts)]
        for level in range(len(self.tracks) + 1):
            if level == len(self.tracks):
                self.tracks.append((StateTrack if self._is_worded else Track)(self.bins, self._holding))
            track, inside = self.tracks[level], []
            for piece, piece_cuts in left:
                before, within, after = track.takes(piece)
                for part in (before, after):
                    if part is not None:
                        same = len(part.time_us) == len(piece.time_us) and piece_cuts is not None
                        track.add(part, piece_cuts if same else cut_at_edges(part.time_us, self.bins))
                if within is not None:
                    inside.append((within, cut_at_edges(within.time_us, self.bins)))
            if not inside:
                return
            if level == 0:
                for piece, _ in inside:
                    self._log("duplicate").add(piece.time_us, np.ones(len(piece.time_us), bool), piece.values)
            left = inside

    @property
    def _is_worded(self) -> bool:
        return self.words is not None and not self.words.is_switch

    def _log_resets(self, samples: Samples, holding: Holding) -> None:
        """Note readings at which the counter cannot have got by counting, the last of the batch before included."""
        assert holding.counting is not None
        usable = slice(None) if samples.is_usable is None else samples.is_usable
        time_us, values = samples.time_us[usable], samples.values[usable]
        tail = self.tracks[0].tail if self.tracks else None
        if tail is not None and tail.is_usable is None and len(time_us) and tail.time_us[0] < time_us[0]:
            time_us, values = np.append(tail.time_us, time_us), np.append(tail.values, values)
        if len(time_us) > 1:
            _, is_possible = holding.counting.increments(values, np.diff(time_us) * 1e-6)
            if not is_possible.all():
                self._log("counter_reset").add(time_us, np.append(False, ~is_possible), values)


class Accumulator:
    """All tags of a reading: feed it blocks with `add`, then ask for the bins with `finish`."""

    def __init__(
        self, tags: Iterable[tuple[Hashable, Tag]], bins: Bins, max_hold_s: float, widens: bool = False
    ) -> None:
        """Take pairs of a channel's key and its tag; a tag of the export may have several channels.

        With `widens` the bins grow to hold every row; otherwise rows outside only say what was held at the ends.
        """
        self.bins = bins
        self.widens = widens
        self.max_hold_s = max_hold_s
        self.channels: dict[Hashable, Channel] = {}
        self._of_tag: dict[str, list[Channel]] = {}
        for key, tag in tags:
            words = StateWords(tag) if tag.kind == "state" else None
            channel = Channel(tag, bins, max_hold_s, words)
            self.channels[key] = channel
            self._of_tag.setdefault(tag.tag, []).append(channel)
        self.first_us: int | None = None
        self.last_us: int | None = None
        self.rows_inside = 0
        self._row_step_us = 0

    def add(self, block: Block) -> None:
        """Take one block."""
        if not len(block.time_us):
            return
        if self.widens:
            self._widen(int(block.time_us.min()), int(block.time_us.max()))
        rows = order_rows(block.time_us, self.bins)
        first, last = int(rows.time_us[0]), int(rows.time_us[-1])
        self.first_us = first if self.first_us is None else min(self.first_us, first)
        self.last_us = last if self.last_us is None else max(self.last_us, last)
        inside = np.searchsorted(rows.time_us, [self.bins.start_us, self.bins.end_us])
        self.rows_inside += int(inside[1] - inside[0])
        if last == self.last_us and len(rows.time_us) > 1:
            self._row_step_us = (last - first) // (len(rows.time_us) - 1)
        for name in {*block.values, *block.texts}:
            for channel in self._of_tag.get(name, ()):
                values, quality = _column(
                    channel, block.values.get(name), block.texts.get(name), block.quality.get(name)
                )
                channel.add(rows, values, quality)

    def _widen(self, first_us: int, last_us: int) -> None:
        bins = self.bins.covering(first_us, last_us)
        if bins is not self.bins:
            self.bins = bins
            for channel in self.channels.values():
                channel.rebin(bins)

    def finish(self) -> Mapping[Hashable, Track]:
        """Return the bins of every channel by its key."""
        row_step_us = min(self._row_step_us, round(self.max_hold_s * 1e6))
        end = self.bins.end_us if self.last_us is None else self.last_us + row_step_us
        return {key: channel.finish(end) for key, channel in self.channels.items()}


def _column(
    channel: Channel,
    values: Floats | None,
    texts: npt.NDArray[np.object_] | None,
    quality: npt.NDArray[np.uint8] | None,
) -> tuple[Floats, npt.NDArray[np.uint8] | None]:
    """Return a channel's numbers: readings, or the codes of its states (unknown words become bad)."""
    if channel.words is None:
        if values is not None:
            return values, quality
        assert texts is not None
        raise TypeError(f"tag {channel.tag.tag!r} is a number, its block holds text")
    return channel.words.codes(values, texts, quality)
