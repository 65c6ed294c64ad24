"""One tag's observations turned into bins as they stream by: sums per bin, with the last observation carried over.

A track takes observations in time order, a batch at a time, and can be continued at either end (files come
newest first, too). Rows that fall inside the time a track already covers go to another track of the same tag;
at the end each bin takes the track with the most good time, so that nothing is counted twice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from trendkit.series.segments import (
    Bins,
    Bools,
    Cuts,
    Floats,
    Timeline,
    extremes_between,
    integrate_clean,
    integrate_trusted,
)
from trendkit.series.signal import Holding, Observations, segments_of


class Track:
    """Sums per bin of one tag over one unbroken stretch of rows; see the module's first lines.

    Arrays have one entry per bin: `sloped` is the integral [value x s] of the signal, `bend` what straight
    lines added over held values, `good_s` the trusted and `uncertain_s` the trusted but uncertain time [s],
    `lowest` and `highest` the extremes of the usable observations (NaN without one).
    """

    def __init__(self, bins: Bins, holding: Holding) -> None:
        """Begin an empty track."""
        self.bins = bins
        self.holding = holding
        self.sloped = np.zeros(bins.count)
        self.bend = np.zeros(bins.count if holding.shape == "sloped" else 0, np.float32)
        self.good_s = np.zeros(bins.count, np.float32)
        self.uncertain_s: npt.NDArray[np.float32] | None = None
        self.lowest = np.full(bins.count, np.nan, np.float32)
        self.highest = np.full(bins.count, np.nan, np.float32)
        self.head: Observations | None = None
        self.tail: Observations | None = None
        self.longest_silence_s = 0.0

    @property
    def has_observations(self) -> Bools:
        """Return True in bins with a usable observation."""
        return ~np.isnan(self.lowest)

    def takes(self, observations: Observations) -> tuple[Observations | None, Observations | None, Observations | None]:
        """Return the parts of some observations that lie before, inside and after the time covered so far."""
        if self.head is None or self.tail is None:
            return None, None, observations
        time = observations.time_us
        first, last = self.head.time_us[0], self.tail.time_us[0]
        if time[0] > last:
            return None, None, observations
        if time[-1] < first:
            return observations, None, None
        low, high = np.searchsorted(time, first, "left"), np.searchsorted(time, last, "right")
        parts = (slice(0, low), slice(low, high), slice(high, None))
        before, inside, after = (observations.chosen(part) for part in parts)
        return tuple(part if len(part.time_us) else None for part in (before, inside, after))  # type: ignore[return-value]

    def add(self, observations: Observations) -> None:
        """Continue the track with observations that all lie before or after it."""
        first, last = observations.chosen(slice(0, 1)), observations.chosen(slice(-1, None))
        if self.head is None or self.tail is None:
            self.head, self.tail = first, last
        elif first.time_us[0] > self.tail.time_us[0]:
            observations, self.tail = self._after_tail(observations), last
        else:
            self._integrate(last.followed_by(self.head))
            self.head = first
        self._integrate(observations)

    def _after_tail(self, observations: Observations) -> Observations:
        """Return observations with the last one before them put in front."""
        assert self.tail is not None
        timeline = observations.timeline
        is_plain = all(each.is_usable is None and each.is_uncertain is None for each in (self.tail, observations))
        if timeline is None or timeline.bins is not self.bins or not is_plain:
            return self.tail.followed_by(observations)
        times, cuts = timeline.after(int(self.tail.time_us[0]))
        joined = Timeline(times, self.bins, {None: (times, cuts)})
        return Observations(times, np.concatenate((self.tail.values, observations.values)), timeline=joined)

    def close(self, until_us: int) -> None:
        """Hold the last observation on until a moment."""
        if self.tail is None:
            return
        until_us = max(until_us, int(self.tail.time_us[0]) + 1)
        end = Observations(np.array([until_us]), np.array([np.nan]), np.array([False]))
        if self.holding.shape == "counted":  # nothing more was counted
            end = replace(self.tail, time_us=end.time_us)
        self._integrate(self.tail.followed_by(end), replace(self.holding, longest_s=np.inf))

    def rebin(self, bins: Bins) -> None:
        """Widen or narrow the track to other bins of the same raster."""
        for name in ("sloped", "bend", "good_s"):
            if len(getattr(self, name)):
                setattr(self, name, _refitted(getattr(self, name), self.bins, bins, 0))
        for name in ("lowest", "highest"):
            setattr(self, name, _refitted(getattr(self, name), self.bins, bins, np.nan))
        if self.uncertain_s is not None:
            self.uncertain_s = _refitted(self.uncertain_s, self.bins, bins, 0)
        self.bins = bins

    def take(self, other: Track, better: Bools) -> None:
        """Replace the bins where `better` by those of another track."""
        for name in ("sloped", "bend", "good_s", "lowest", "highest"):
            mine = getattr(self, name)
            if len(mine):
                mine[better] = getattr(other, name)[better]
        if other.uncertain_s is not None or self.uncertain_s is not None:
            nothing = np.zeros(self.bins.count, np.float32)
            mine = nothing if self.uncertain_s is None else self.uncertain_s
            self.uncertain_s = np.where(better, nothing if other.uncertain_s is None else other.uncertain_s, mine)

    def let_go_of_sums(self) -> None:
        """Let go of what columns are made from, two thirds of the room; what tells of faults stays."""
        self.sloped, self.bend, self.good_s = np.zeros(0), np.zeros(0, np.float32), np.zeros(0, np.float32)

    def _integrate(self, observations: Observations, holding: Holding | None = None) -> None:
        holding = holding or self.holding
        cuts = observations.cuts(self.bins)
        if cuts is None:
            return
        self.longest_silence_s = max(self.longest_silence_s, cuts.longest_s)
        is_clean = observations.is_usable is None and cuts.longest_s <= holding.longest_s and holding.shape != "counted"
        where = cuts.bins
        if is_clean:
            sloped, held = integrate_clean(observations.values, cuts)
            good, lows, highs = cuts.length_s, observations.values, observations.values
        else:
            runs = segments_of(observations, cuts.step_s, holding)
            flat = np.zeros(len(cuts.step_s))
            sloped = integrate_trusted(runs.values, runs.slopes, runs.trusted_s, cuts)
            held = sloped
            if holding.shape == "sloped":
                held = integrate_trusted(runs.values, flat, runs.trusted_s, cuts)
            good = integrate_trusted(np.ones(len(runs.values)), flat, runs.trusted_s, cuts)
            usable = (
                np.ones(len(observations.values), bool) if observations.is_usable is None else observations.is_usable
            )
            lows, highs = np.where(usable, observations.values, np.inf), np.where(usable, observations.values, -np.inf)
        if holding.shape == "held":
            sloped = held
        self.sloped[where] += sloped
        if len(self.bend):
            self.bend[where] += sloped - held
        self.good_s[where] += good
        self._note_extremes(lows, highs, cuts)
        if observations.is_uncertain is not None:
            self._note_uncertain(observations, cuts, holding)

    def _note_extremes(self, lows: Floats, highs: Floats, cuts: Cuts) -> None:
        where = cuts.bins
        least, greatest = extremes_between(lows, cuts.at, True), extremes_between(highs, cuts.at, False)
        least[np.isinf(least)] = np.nan
        greatest[np.isinf(greatest)] = np.nan
        self.lowest[where] = np.fmin(self.lowest[where], least)
        self.highest[where] = np.fmax(self.highest[where], greatest)

    def _note_uncertain(self, observations: Observations, cuts: Cuts, holding: Holding) -> None:
        if self.uncertain_s is None:
            self.uncertain_s = np.zeros(self.bins.count, np.float32)
        runs = segments_of(observations, cuts.step_s, holding)
        doubtful = np.asarray(observations.is_uncertain, float)
        self.uncertain_s[cuts.bins] += integrate_trusted(doubtful, np.zeros(len(cuts.step_s)), runs.trusted_s, cuts)


class StateTrack(Track):
    """A track of a text state: `seconds` holds, per code, how long each bin spent in that state."""

    def __init__(self, bins: Bins, holding: Holding) -> None:
        """Begin an empty track."""
        super().__init__(bins, holding)
        self.seconds: dict[int, npt.NDArray[np.float32]] = {}

    def rebin(self, bins: Bins) -> None:
        """Widen or narrow the track to other bins of the same raster."""
        self.seconds = {code: _refitted(spent, self.bins, bins, 0) for code, spent in self.seconds.items()}
        super().rebin(bins)

    def take(self, other: Track, better: Bools) -> None:
        """Replace the bins where `better` by those of another track."""
        super().take(other, better)
        assert isinstance(other, StateTrack)
        nothing = np.zeros(self.bins.count, np.float32)
        for code in {*self.seconds, *other.seconds}:
            mine = self.seconds.setdefault(code, nothing.copy())
            mine[better] = other.seconds.get(code, nothing)[better]

    def _integrate(self, observations: Observations, holding: Holding | None = None) -> None:
        cuts = observations.cuts(self.bins)
        if cuts is None:
            return
        runs = segments_of(observations, cuts.step_s, holding or self.holding)
        flat = np.zeros(len(cuts.step_s))
        self.longest_silence_s = max(self.longest_silence_s, cuts.longest_s)
        for code in np.unique(observations.values[~np.isnan(observations.values)]).astype(int):
            is_state = (observations.values == code).astype(float)
            spent = integrate_trusted(is_state, flat, runs.trusted_s, cuts)
            self.seconds.setdefault(code, np.zeros(self.bins.count, np.float32))[cuts.bins] += spent
        self.good_s[cuts.bins] += integrate_trusted(np.ones(len(runs.values)), flat, runs.trusted_s, cuts)


def _refitted(numbers: npt.NDArray[Any], old: Bins, new: Bins, empty: float) -> npt.NDArray[Any]:
    """Return one number per new bin: those of the old bins in their places, `empty` elsewhere."""
    # zeros take no room before they are written to
    fitted = np.full(new.count, empty, numbers.dtype) if empty else np.zeros(new.count, numbers.dtype)
    shift = (old.start_us - new.start_us) // new.every_us
    first, last = max(shift, 0), min(shift + old.count, new.count)
    if last > first:
        fitted[first:last] = numbers[first - shift : last - shift]
    return fitted


def merge_tracks(tracks: list[Track]) -> Track:
    """Return one track: each bin from the one with the most good time there, the later one if equal."""
    merged = tracks[0]
    for other in tracks[1:]:
        better = (other.good_s > 0.0) & (other.good_s >= merged.good_s)
        merged.take(other, better)
    return merged
