"""Bins of one tag: hand-worked means, and the same bins however the record is cut up or ordered."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trendkit.exports.block import BAD, GOOD, UNCERTAIN, Block
from trendkit.plant.model import Tag
from trendkit.series.accumulate import Accumulator
from trendkit.series.segments import Bins
from trendkit.series.tracks import StateTrack, Track

MINUTE = 60_000_000
START = 1_772_000_000_000_000 // MINUTE * MINUTE


def tag(name: str = "level", kind: str = "analog", **more: object) -> Tag:
    return Tag(name, "T", f"{name}_x", "", "", kind, **more)  # type: ignore[arg-type]


def at(*seconds: float) -> np.ndarray:
    return START + np.round(np.array(seconds) * 1e6).astype(np.int64)


def bins_of(blocks: list[Block], of: Tag, minutes: int = 10, max_hold_s: float = 600.0, widens: bool = False) -> Track:
    accumulator = Accumulator([("key", of)], Bins(START, MINUTE, minutes), max_hold_s, widens)
    for block in blocks:
        accumulator.add(block)
    return accumulator.finish()["key"]


def block(time_us: np.ndarray, values: list[float] | np.ndarray, quality: list[int] | None = None) -> Block:
    codes = {} if quality is None else {"T": np.array(quality, np.uint8)}
    return Block(time_us, {"T": np.asarray(values, float)}, codes)


def mean(track: Track) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return track.sloped / track.good_s


def texts(time_us: np.ndarray, words: list[str | None]) -> Block:
    return Block(time_us, {}, {}, {"T": np.array(words, object)})


NOISE = np.random.default_rng(3).normal(size=600)


def test_a_ramp_sampled_every_second_has_its_middle_as_mean() -> None:
    seconds = np.arange(0, 301)
    track = bins_of([block(at(*seconds), seconds.astype(float))], tag(), 5)
    assert mean(track) == pytest.approx([30, 90, 150, 210, 270])
    assert track.good_s == pytest.approx(60)
    assert track.lowest.tolist() == [0, 60, 120, 180, 240]
    assert track.highest.tolist() == [59, 119, 179, 239, 299]


def test_samples_between_the_edges_of_the_bins_share_out_the_line_between_them() -> None:
    """One line through samples at :20 and :40 of each minute: the mean of a minute is its middle."""
    seconds = np.arange(20, 620, 20)
    track = bins_of([block(at(*seconds), 2.0 * seconds + NOISE[: len(seconds)] * 0)], tag(), 10)
    assert mean(track)[1:-1] == pytest.approx(2.0 * (np.arange(1, 9) * 60 + 30))


def test_a_record_of_changes_holds_each_value_until_the_next() -> None:
    """Values 10, 0, 10, 0 at 0, 50, 55, 58 min: held mean over the hour 8.83 (arithmetic: (50+3)/60 x 10)."""
    accumulator = Accumulator([("key", tag())], Bins(START, 60 * MINUTE, 1), 600.0)
    accumulator.add(block(at(0, 3000, 3300, 3480, 3600), [10, 0, 10, 0, 5]))
    track = accumulator.finish()["key"]
    assert mean(track) == pytest.approx([530 / 60])


def test_a_silence_up_to_max_hold_is_bridged_and_a_longer_one_is_not() -> None:
    seconds = np.r_[0:600:60, 1140:1800:60, 2400:3000:60].astype(float)
    values = 5.0 + NOISE[: len(seconds)]
    track = bins_of([block(at(*seconds), values)], tag(), 50)
    assert (track.good_s[:30] == 60).all()  # 540 s to 1140 s: 10 min
    assert (track.good_s[30:40] == 0).all()  # 1740 s to 2400 s: 11 min, of which one usual step counts
    assert (track.good_s[40:] == 60).all()


def test_after_a_long_silence_begins_the_last_value_counts_for_one_usual_step() -> None:
    seconds = np.r_[0:300:10, 1500:1800:10].astype(float)
    track = bins_of([block(at(*seconds), 5.0 + NOISE[: len(seconds)])], tag(), 30)
    assert track.good_s[4] == pytest.approx(60)
    assert (track.good_s[5:25] == 0).all()
    assert track.good_s[25:30] == pytest.approx(60)


def test_a_bad_sample_ends_what_was_held_and_nothing_is_drawn_across_it() -> None:
    seconds = np.arange(0, 300, 10)
    values = np.full(30, 7.0) + NOISE[:30] * 1e-9
    quality = np.full(30, GOOD)
    quality[9:15] = BAD  # 90 s to 140 s
    track = bins_of([block(at(*seconds), values, quality.tolist())], tag(), 5)
    assert track.good_s.tolist() == [60, 30, 30, 60, 60]
    assert mean(track) == pytest.approx(7.0)


@pytest.mark.parametrize("batch", [7, 30, 300])
def test_bad_and_uncertain_samples_give_the_same_bins_in_batches_of_any_size(batch: int) -> None:
    seconds, quality = np.arange(0, 300), np.full(300, GOOD)
    quality[80:95], quality[150:170] = BAD, UNCERTAIN
    whole = bins_of([block(at(*seconds), NOISE[:300], quality.tolist())], tag(), 5)
    parts = [slice(first, first + batch) for first in range(0, 300, batch)]
    blocks = [block(at(*seconds[part]), NOISE[:300][part], quality[part].tolist()) for part in parts]
    track = bins_of(blocks, tag(), 5)
    assert track.sloped == pytest.approx(whole.sloped)
    assert track.good_s == pytest.approx(whole.good_s)
    assert track.uncertain_s == pytest.approx(whole.uncertain_s)
    assert track.lowest.tolist() == whole.lowest.tolist() and track.highest.tolist() == whole.highest.tolist()


def test_uncertain_samples_are_used_and_their_time_is_counted() -> None:
    seconds = np.arange(0, 121, 10)
    quality = [UNCERTAIN if second in (20, 30) else GOOD for second in seconds]
    track = bins_of([block(at(*seconds), 1.0 + NOISE[:13], quality)], tag(), 2)
    assert track.uncertain_s is not None
    assert track.uncertain_s.tolist() == [20, 0]
    assert track.good_s.tolist() == [60, 60]


def test_readings_outside_the_instrument_range_are_left_out_and_counted() -> None:
    values = 50.0 + NOISE[:61]
    values[10:13] = 999.0
    accumulator = Accumulator([("key", tag(range=(0.0, 100.0)))], Bins(START, MINUTE, 1), 600.0)
    accumulator.add(block(at(*range(61)), values))
    track = accumulator.finish()["key"]
    spans = accumulator.channels["key"].faults["out_of_range"].merged(0)
    assert spans.count.tolist() == [3]
    assert spans.highest.tolist() == [999.0]
    assert track.good_s.tolist() == [57]
    assert track.highest[0] < 100.0


def test_a_transmitters_small_excess_beyond_its_range_is_a_measurement() -> None:
    values = NOISE[:61] * 0.3
    track = bins_of([block(at(*range(61)), values)], tag(range=(0.0, 100.0)), 1)
    assert track.good_s.tolist() == [60]


def test_the_same_time_twice_keeps_the_last_good_value() -> None:
    seconds = np.repeat(np.arange(0, 61, 10), 2)
    values = np.ravel(np.column_stack((np.zeros(7), np.full(7, 4.0))))
    quality = [GOOD] * 13 + [BAD]
    track = bins_of([block(at(*seconds), values, quality)], tag(), 1)
    assert mean(track) == pytest.approx([(4.0 * 50 + 2.0 * 10) / 60])
    assert (track.lowest.tolist(), track.highest.tolist()) == ([4.0], [4.0])


def test_an_overlapping_second_file_adds_nothing_and_is_counted() -> None:
    first, second = np.arange(0, 301), np.arange(240, 601)
    accumulator = Accumulator([("key", tag())], Bins(START, MINUTE, 10), 600.0)
    accumulator.add(block(at(*first), np.sin(first) + 5))
    accumulator.add(block(at(*second), np.sin(second) + 5))
    track = accumulator.finish()["key"]
    once = bins_of([block(at(*range(601)), np.sin(np.arange(601)) + 5)], tag(), 10)
    assert mean(track) == pytest.approx(mean(once))
    assert track.good_s == pytest.approx(60)
    assert accumulator.channels["key"].faults["duplicate"].merged(0).count.sum() == 61


def test_a_second_file_fills_the_gap_of_the_first() -> None:
    first = np.r_[0:120, 1200:1500]
    accumulator = Accumulator([("key", tag())], Bins(START, MINUTE, 25), 600.0)
    accumulator.add(block(at(*first), np.sin(first) + 5))
    accumulator.add(block(at(*range(60, 1260)), np.sin(np.arange(60, 1260)) + 5))
    assert accumulator.finish()["key"].good_s == pytest.approx(60)


def test_a_longest_held_state_and_a_trip_however_short() -> None:
    words = texts(at(0, 70, 130, 131), ["ON", "OFF", "ON", "OFF"])
    running = bins_of([words, texts(at(600), ["OFF"])], tag("running", "state"), 5)
    assert (running.sloped / running.good_s) == pytest.approx([1, 1 / 6, 1 / 60, 0, 0])
    assert running.good_s == pytest.approx(60)


def test_a_worded_state_counts_the_time_spent_in_each_word() -> None:
    words = texts(at(0, 90, 200), ["Digester 1", "Digester 2", "Digester 1"])
    track = bins_of([words, texts(at(300), ["Digester 2"])], tag("feed_source", "state"), 5)
    assert isinstance(track, StateTrack)
    assert track.seconds[0].tolist() == [60, 30, 0, 40, 60]
    assert track.seconds[1].tolist() == [0, 30, 60, 20, 0]


def test_an_unknown_word_ends_the_state_before_it() -> None:
    track = bins_of([texts(at(0, 60, 120, 300), ["RUN", "No Data", "RUN", "RUN"])], tag("running", "state"), 5)
    assert track.good_s.tolist() == [60, 0, 60, 60, 60]


def test_a_counter_gives_what_was_counted_and_rolls_over() -> None:
    seconds = np.arange(0, 601, 10)
    counted = 0.5 * seconds
    readings = (999_900 + counted) % 1_000_000
    track = bins_of([block(at(*seconds), readings)], tag("energy", "counter", counter_rolls_at=1e6), 10)
    assert track.sloped == pytest.approx(30.0)
    assert track.good_s == pytest.approx(60)


def test_a_counter_reset_leaves_a_hole_and_is_noted() -> None:
    seconds = np.arange(0, 601, 10)
    readings = 5000 + 0.5 * seconds
    readings[31:] -= readings[31]
    accumulator = Accumulator([("key", tag("energy", "counter"))], Bins(START, MINUTE, 10), 600.0)
    accumulator.add(block(at(*seconds), readings))
    track = accumulator.finish()["key"]
    assert track.good_s.tolist() == [60, 60, 60, 60, 60, 50, 60, 60, 60, 60]
    assert track.sloped.sum() == pytest.approx(295.0)
    assert len(accumulator.channels["key"].faults["counter_reset"].merged(0)) == 1


def test_a_coarse_counter_gives_a_steady_rate() -> None:
    """0.33 m3/min counted in whole m3: the minutes between two ticks share the cubic metre."""
    seconds = np.arange(0, 3601, 10)
    track = bins_of([block(at(*seconds), np.floor(seconds / 180.0))], tag("feed_flow", "counter"), 60)
    assert track.sloped[5:50] == pytest.approx(1 / 3)
    assert track.sloped.sum() == pytest.approx(20.0)


def test_rows_before_the_window_say_what_was_held_when_it_began() -> None:
    track = bins_of([texts(at(-90_000, 150), ["ON", "OFF"]), texts(at(300), ["ON"])], tag("running", "state"), 5)
    assert track.good_s == pytest.approx(60)
    assert (track.sloped / 60) == pytest.approx([1, 1, 0.5, 0, 0])


def test_bins_that_widen_hold_the_whole_record() -> None:
    seconds = np.arange(0, 86_400, 30)
    values = np.sin(seconds / 1000.0)
    fixed = bins_of([block(at(*seconds), values)], tag(), 1440)
    accumulator = Accumulator([("key", tag())], Bins(START, MINUTE, 1), 600.0, widens=True)
    for part in np.array_split(np.arange(len(seconds)), 9)[::-1]:
        accumulator.add(block(at(*seconds[part]), values[part]))
    grown = accumulator.finish()["key"]
    grown.rebin(fixed.bins)
    assert grown.sloped == pytest.approx(fixed.sloped)
    assert grown.good_s == pytest.approx(fixed.good_s)


def brute_mean(
    seconds: np.ndarray, values: np.ndarray, minute: int, max_hold_s: float, spacing: float
) -> tuple[float, float]:
    """Mean and good time of one minute by fine summation, straight from the definition."""
    moments = minute * 60 + (np.arange(60_000) + 0.5) / 1000.0
    before = np.searchsorted(seconds, moments, "right") - 1
    known = (before >= 0) & (before < len(seconds) - 1)
    i = np.clip(before, 0, len(seconds) - 2)
    step = seconds[i + 1] - seconds[i]
    line = values[i] + (values[i + 1] - values[i]) * (moments - seconds[i]) / step
    is_close = step <= max_hold_s
    known &= is_close | (moments - seconds[i] < spacing)
    signal = np.where(is_close, line, values[i])
    return (signal[known].mean() if known.any() else np.nan), known.sum() / 1000.0


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    cuts=st.lists(st.integers(1, 199), max_size=6),
    offset=st.floats(0, 9.9),
    order=st.sampled_from(["forward", "newest first"]),
)
def test_bins_agree_with_the_definition_however_the_record_is_cut(
    seed: int, cuts: list[int], offset: float, order: str
) -> None:
    random = np.random.default_rng(seed)
    seconds = np.round(np.arange(200) * 10.0 + offset + random.uniform(-2, 2, 200), 3)
    kept = np.sort(random.choice(200, 190, replace=False))
    kept = kept[(kept < 60) | (kept > 75)]
    seconds, values = seconds[kept], random.normal(20, 3, len(kept))
    pieces = [part for part in np.split(np.arange(len(seconds)), sorted(set(cuts))) if len(part)]
    if order == "newest first":
        pieces = pieces[::-1]
    track = bins_of([block(at(*seconds[part]), values[part]) for part in pieces], tag(), 33, max_hold_s=90.0)
    spacing = float(np.median(np.diff(seconds)))
    for minute in (0, 3, 9, 10, 11, 12, 25, 31):
        expected, good = brute_mean(seconds, values, minute, 90.0, spacing)
        assert track.good_s[minute] == pytest.approx(good, abs=0.7)  # the habit is learned on the first rows
        if good > 20 and minute != 12:
            assert mean(track)[minute] == pytest.approx(expected, abs=0.05)
