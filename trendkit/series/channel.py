"""One tag while its observations stream by: readings checked, habit learned, observations handed to its tracks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from trendkit.exports.block import BAD, UNCERTAIN
from trendkit.plant.model import Tag
from trendkit.plant.roles import ROLES
from trendkit.series.counters import Counting, learn_counting, ticks_only
from trendkit.series.readings import Rows, along_scale, bends_within_readings, reading_limits, without_repeats
from trendkit.series.recording import ENOUGH_OBSERVATIONS, Recording, recognise_recording
from trendkit.series.segments import Bins, Bools, Floats, Ints
from trendkit.series.signal import Holding, Observations
from trendkit.series.spans import SpanLog
from trendkit.series.states import StateWords
from trendkit.series.tracks import StateTrack, Track, merge_tracks
from trendkit.series.wild import Usual, find_wild, has_leaps, learn_usual

MOMENT_S = 60.0  # for which a trip counts whose end was not recorded
ChannelFault = Literal["bad_quality", "text_value", "out_of_range", "duplicate", "counter_reset", "spike"]


# What comes out of a press, or works on it: a layer that lets go shows as one reading far above the others.
THROWN_OUT = frozenset(
    {
        "filtrate_flow",
        "filtrate_solids",
        "filtrate_turbidity",
        "cake_solids",
        "cake_rate",
        "thickened_flow",
        "thickened_solids",
        "gravity_zone_depth",
        "gravity_drive_load",
        "pressure_drive_load",
        "power",
    }
)


def _fastest_rate(tag: Tag) -> float:
    """Return the fastest a counter can run [its unit/s] by what a press can hardly exceed, else inf."""
    rate_role = {"energy": "power", "cake_weight": "cake_rate"}.get(tag.name, tag.name)
    role = ROLES.get(rate_role)
    if role is None or role.sane_high is None or tag.factor <= 0.0:
        return np.inf
    return role.sane_high / 3600.0 / tag.factor


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
    outside: Track | None = None  # readings out of range, for what they may tell
    lists_moments: bool = False  # an event list of trips without their ends
    _inside_until_us: list[int] = field(default_factory=list)  # of each track: how far the one around it went
    _holding: Holding | None = None
    _waiting: Observations | None = None
    _usual: Usual | None = None

    def __post_init__(self) -> None:
        """Work out which readings are to be believed, in the unit the tracks hold."""
        low, high = reading_limits(self.tag)
        if bends_within_readings(self.tag) and np.isfinite(low):
            low, high = along_scale(self.tag.scale, np.array([low, high])).tolist()
        self._limits = (low, high)

    def add(self, rows: Rows, values: Floats, quality: npt.NDArray[np.uint8] | None) -> None:
        """Take the tag's column of a block (readings in the export's unit, in the block's order)."""
        if rows.order is not None:
            values = values[rows.order]
            quality = None if quality is None else quality[rows.order]
        observations = self._checked(rows, values, quality)
        if observations is None:
            return
        if rows.has_repeats:
            everything, observations = observations, without_repeats(observations)
            self._log_repeats(everything, observations)
        self.observations += len(observations.time_us)
        learned = observations if self._holding is not None else self._learn(observations, is_end=False)
        if learned is not None:
            self._into_tracks(learned)

    @property
    def usual_increment(self) -> float:
        """What a counter usually grows by from reading to reading, 0 when unknown."""
        counting = self._holding.counting if self._holding is not None else None
        return counting.usual_increment if counting is not None else 0.0

    def rebin(self, bins: Bins) -> None:
        """Widen the channel's tracks to other bins of the same raster."""
        self.bins = bins
        for track in (*self.tracks, *((self.outside,) if self.outside else ())):
            track.rebin(bins)

    def finish(self, record_end_us: int) -> Track:
        """Return the tag's bins; its last value is held on as far as its habit allows."""
        if self._waiting is not None:
            self._decide(self._waiting)
        if self.outside is not None:
            self.outside.close(int(self.outside.tail.time_us[0]) + 1 if self.outside.tail else 0)
        for level, track in enumerate(self.tracks):
            until_us = self._end_of_hold(track, record_end_us)
            # beyond what it lay inside of, the other track knows better what was held
            track.close(min(until_us, self._inside_until_us[level]) if level else until_us)
        return merge_tracks(self.tracks or [Track(self.bins, Holding("held", 0.0, 0.0))])

    def _log(self, fault: ChannelFault) -> SpanLog:
        return self.faults.setdefault(fault, SpanLog())

    def _checked(self, rows: Rows, values: Floats, quality: npt.NDArray[np.uint8] | None) -> Observations | None:
        """Return the observations of a column without its empty cells, marked where they cannot be used."""
        time_us = rows.timeline.time_us
        if not len(values):
            return None
        values, quality = _endless_as_texts(values, quality)
        some_empty = bool(np.isnan(values.min()))  # the least of numbers with a NaN among them is NaN
        is_empty = np.isnan(values) if some_empty else np.zeros(len(values), bool)
        is_bad: Bools | None = None
        is_uncertain: Bools | None = None
        if quality is not None and quality.any():
            is_bad = quality == BAD
            self._log("text_value").add(time_us, is_bad & is_empty, values)
            self._log("bad_quality").add(time_us, is_bad & ~is_empty, values)
            is_uncertain = (quality == UNCERTAIN) & ~is_empty
            is_uncertain = is_uncertain if is_uncertain.any() else None
        is_usable: Bools | None = None
        if is_bad is not None and is_bad.any():
            is_usable = ~is_bad
            values = np.where(is_bad, np.nan, values)
        if bends_within_readings(self.tag):
            values = along_scale(self.tag.scale, values)
        if not some_empty:
            timeline = None if rows.has_repeats else rows.timeline
            return Observations(time_us, values, is_usable, is_uncertain, timeline)
        keep = ~is_empty if is_bad is None else ~is_empty | is_bad
        return Observations(time_us, values, is_usable, is_uncertain).chosen(keep) if keep.any() else None

    def _log_repeats(self, everything: Observations, kept: Observations) -> None:
        repeats = np.append(False, np.diff(everything.time_us) == 0)
        if len(kept.time_us) < len(everything.time_us):
            self._log("duplicate").add(everything.time_us, repeats, everything.values)

    def _learn(self, observations: Observations, is_end: bool) -> Observations | None:
        """Learn the tag's habit from its first observations; None while they wait for more."""
        if self._waiting is not None and not is_end:
            waiting = self._waiting
            if observations.time_us[0] > waiting.time_us[-1]:
                observations = waiting.followed_by(observations)
            elif observations.time_us[-1] < waiting.time_us[0]:
                observations = observations.followed_by(waiting)
            else:  # rows among those that wait: decide on what there is
                self._decide(waiting)
                return observations
        usable = slice(None) if observations.is_usable is None else observations.is_usable
        time_us, values = observations.time_us[usable], observations.values[usable]
        if len(time_us) < ENOUGH_OBSERVATIONS and not is_end:
            self._waiting = observations
            return None
        self._waiting = None
        self.recording = recognise_recording(time_us, values, self.tag.kind in ("state", "step"))
        self._holding = self._choose_holding(time_us, values)
        return observations

    def _decide(self, waiting: Observations) -> None:
        """Learn the tag's habit from the few observations there are, and take them."""
        learned = self._learn(waiting, is_end=True)
        assert learned is not None
        self._into_tracks(learned)

    def _choose_holding(self, time_us: Ints, values: Floats) -> Holding:
        assert self.recording is not None
        is_sampled, spacing = self.recording.kind == "sampled", self.recording.spacing_s
        longest = max(self.max_hold_s, 1.5 * spacing) if is_sampled else np.inf
        if self.tag.name == "belt_trip" and not is_sampled and len(values) and bool((values == 1.0).all()):
            self.lists_moments = True
            return Holding("held", MOMENT_S, MOMENT_S)
        if self.tag.kind == "counter":
            counting = Counting(_fastest_rate(self.tag), rolls_at=self.tag.counter_rolls_at)
            return Holding("counted", longest, 0.0, learn_counting(counting, time_us, values))
        if self.tag.kind == "analog" and is_sampled:
            return Holding("sloped", self.max_hold_s, spacing)
        return Holding("held", longest, spacing if is_sampled else np.inf)

    def _end_of_hold(self, track: Track, record_end_us: int) -> int:
        """Return until when the last value counts [us]: for a step of the clock, or to the record's end.

        A number recorded at changes is not believed for longer than its longest silence so far.
        """
        if self.recording is None or track.tail is None:
            return record_end_us
        last = int(track.tail.time_us[0])
        if self.recording.kind == "sampled":
            if self.tag.kind == "counter":
                return last
            return last + round(min(self.recording.spacing_s, track.holding.longest_s) * 1e6)
        if self.lists_moments:
            return last + round(MOMENT_S * 1e6)
        if self.tag.kind in ("state", "step"):
            return record_end_us
        return min(record_end_us, last + round(max(self.max_hold_s, track.longest_silence_s) * 1e6))

    def _without_wild_observations(self, observations: Observations) -> Observations:
        """Return the observations with those out of range unusable and without lone spikes; both are noted.

        A spike counts as never recorded: the observations around it are joined.
        """
        if observations.is_usable is None and self._is_all_tame(observations.values):
            return observations
        usable = observations.is_usable
        places = np.arange(len(observations.time_us)) if usable is None else np.flatnonzero(usable)
        time_us, values = observations.time_us[places], observations.values[places]
        low, high = self._limits
        within = values if np.isinf(low) else values[(values >= low) & (values <= high)]
        self._usual = learn_usual(within, self._usual)
        usual = self._usual if self.tag.kind == "analog" else None
        wild = find_wild(time_us, values, usual, self._limits, self._leaps_are_wild)
        if wild is None:
            return observations
        if wild.is_outside.any():
            self._log("out_of_range").add(time_us, wild.is_outside, values)
            self._keep_outside(observations.chosen(places[wild.is_outside]))
            observations = observations.spoilt(places[wild.is_outside])
        if not wild.is_spike.any():
            return observations
        self._log("spike").add(time_us, wild.is_spike, values)
        keep = np.ones(len(observations.time_us), bool)
        keep[places[wild.is_spike]] = False
        return observations.chosen(keep)

    @property
    def _leaps_are_wild(self) -> bool:
        """Whether no single reading can leap up and back: what a press throws out can, what it is given cannot."""
        return self.tag.kind == "analog" and self.tag.name not in THROWN_OUT

    def _is_all_tame(self, values: Floats) -> bool:
        """Return True when all readings lie well within the usual, which needs no closer look."""
        if self._usual is None:
            return False
        least, greatest = self._usual.limits
        low, high = max(least, self._limits[0]), min(greatest, self._limits[1])
        if float(values.min()) < low or float(values.max()) > high:
            return False
        return not (self._leaps_are_wild and has_leaps(values, self._usual))

    def _keep_outside(self, outside: Observations) -> None:
        """Keep readings out of range in a track of their own, to see later whether they came in another unit."""
        if self.outside is None:
            assert self._holding is not None and self.recording is not None
            spacing = self.recording.spacing_s
            self.outside = Track(self.bins, Holding("held", 1.5 * spacing, spacing))
        track = self.outside
        if track.tail is None or outside.time_us[0] > track.tail.time_us[0]:
            track.add(outside)

    def _into_tracks(self, observations: Observations) -> None:
        """Take observations whose tag's habit is known."""
        assert self._holding is not None
        counting = self._holding.counting
        if self.tag.kind in ("analog", "step"):
            observations = self._without_wild_observations(observations)
        elif counting is not None:
            self._log_resets(observations, counting)
            if self.recording is not None and counting.usual_tick_s > 1.5 * self.recording.spacing_s:
                observations = observations.chosen(
                    ticks_only(observations.time_us, observations.values, counting.usual_tick_s)
                )
        self._distribute(observations)

    def _distribute(self, observations: Observations) -> None:
        """Add observations to the first track they continue; what lies inside the time it covers goes to the next."""
        assert self._holding is not None
        left = [(observations, 0)]  # pieces, and until when the track they lie inside of was recorded
        for level in range(len(self.tracks) + 1):
            if level == len(self.tracks):
                self.tracks.append((StateTrack if self._is_worded else Track)(self.bins, self._holding))
                self._inside_until_us.append(0)
            track, inside = self.tracks[level], []
            for piece, until_us in left:
                self._inside_until_us[level] = max(self._inside_until_us[level], until_us)
                recorded_until_us = int(track.tail.time_us[0]) if track.tail is not None else 0
                before, within, after = track.takes(piece)
                for part in (before, after):
                    if part is not None:
                        track.add(part)
                if within is not None:
                    inside.append((within, recorded_until_us))
                    if level == 0:
                        self._log("duplicate").add(within.time_us, np.ones(len(within.time_us), bool), within.values)
            if not inside:
                return
            left = inside

    @property
    def _is_worded(self) -> bool:
        return self.words is not None and not self.words.is_switch

    def _log_resets(self, observations: Observations, counting: Counting) -> None:
        """Note the readings a counter cannot have reached by counting, from the batch before this one on."""
        usable = slice(None) if observations.is_usable is None else observations.is_usable
        time_us, values = observations.time_us[usable], observations.values[usable]
        tail = self.tracks[0].tail if self.tracks else None
        if tail is not None and tail.is_usable is None and len(time_us) and tail.time_us[0] < time_us[0]:
            time_us, values = np.append(tail.time_us, time_us), np.append(tail.values, values)
        if len(time_us) > 1:
            _, is_possible = counting.increments(values, np.diff(time_us) * 1e-6)
            if not is_possible.all():
                self._log("counter_reset").add(time_us, np.append(~is_possible, False), values)


def _endless_as_texts(
    values: Floats, quality: npt.NDArray[np.uint8] | None
) -> tuple[Floats, npt.NDArray[np.uint8] | None]:
    """Return infinities as what they are in a text file, cells that hold no number; anything else as it came."""
    with np.errstate(invalid="ignore", over="ignore"):
        if np.isfinite(values.sum()):  # one pass over numbers that are all numbers, as nearly all are
            return values, quality
    is_endless = np.isinf(values)
    if not is_endless.any():
        return values, quality
    rated = np.zeros(len(values), np.uint8) if quality is None else quality.copy()
    rated[is_endless] = BAD
    return np.where(is_endless, np.nan, values), rated
