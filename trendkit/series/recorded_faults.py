"""Faults that the record itself shows: gaps, bad quality, texts, out of range, repeats, counter resets."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trendkit.exports.block import Repeated
from trendkit.findings import Fault, Finding
from trendkit.plant.display import counted
from trendkit.plant.model import Tag
from trendkit.series.channel import Channel, ChannelFault
from trendkit.series.columns import ENOUGH_GOOD, Column, from_us
from trendkit.series.segments import Bins, Bools, Ints, stretches_of
from trendkit.series.spans import Spans
from trendkit.series.tracks import Track

# Faulty stretches this close are told as one.
JOINED_WITHIN_US = {"duplicate": 86_400_000_000, "spike": 86_400_000_000}
USUAL_JOIN_US = 1_800_000_000
ALL_TAGS = "all tags"


@dataclass(frozen=True)
class Repeats:
    """Readings of one file at times it had already given, by tag."""

    file: str
    of_tag: Mapping[str, Repeated]


def repeated_findings(repeats: Sequence[Repeats], columns: Sequence[Column], press: str) -> list[Finding]:
    """Return one finding per file and tag with readings given twice; one for all tags where most have them."""
    mine = {column.tag.tag: column.name for column in columns}
    found = []
    for each in repeats:
        of_tag = {tag: repeated for tag, repeated in each.of_tag.items() if tag in mine}
        if len(of_tag) > 1 and len(of_tag) >= 0.8 * len(mine):
            of_tag = {ALL_TAGS: _of_all(of_tag.values())}
        for tag, (count, first_us, last_us) in of_tag.items():
            times = from_us(first_us), from_us(last_us + 1_000_000)
            text = f"{counted(count, 'reading')} of {each.file} came at a time already read"
            found.append(Finding(press, tag, mine.get(tag), "duplicate", *times, "counted once", text, count))
    return found


def _of_all(repeats: Collection[Repeated]) -> Repeated:
    """Return the repeats of rows that hold several tags."""
    readings, firsts, lasts = zip(*repeats, strict=True)
    return Repeated(max(readings), min(firsts), max(lasts))


def lost_bins(track: Track) -> Bools:
    """Return the bins with too little good time for a value."""
    lost: Bools = track.good_s < ENOUGH_GOOD * track.bins.seconds
    return lost


def _faulty_bins(channel: Channel, bins: Bins) -> Bools:
    """Return the bins touched by observations that were recorded but cannot be used."""
    touched = np.zeros(bins.count, bool)
    for fault in ("bad_quality", "text_value", "out_of_range", "counter_reset"):
        if fault in channel.faults:
            spans = channel.faults[fault].merged(0)
            for start, end in zip(*_bin_ends(spans, bins), strict=True):
                touched[start:end] = True
    return touched


def _bin_ends(spans: Spans, bins: Bins) -> tuple[Ints, Ints]:
    """Return the first and past-the-last bin each span touches, within the bins there are."""
    start = (spans.start_us - bins.start_us) // bins.every_us
    end = (np.maximum(spans.end_us, spans.start_us + 1) - 1 - bins.start_us) // bins.every_us + 1
    return np.clip(start, 0, bins.count), np.clip(end, 0, bins.count)


def silent_bins(track: Track, channel: Channel) -> Bools:
    """Return the bins within silences longer than `max_hold` that no recorded fault explains."""
    silent = lost_bins(track) & ~_faulty_bins(channel, track.bins)
    shortest = max(channel.max_hold_s / track.bins.seconds, 2.0)
    for first, past in stretches_of(silent):
        if past - first < shortest:
            silent[first:past] = False
    return silent


def lost_minutes(track: Track, first: int, past: int) -> float:
    """Return how many minutes of a stretch of bins have no value."""
    return float(lost_bins(track)[first:past].sum() * track.bins.seconds / 60.0)


def _left_out(minutes: float, name: str) -> str:
    return f"left out of {minutes:.0f} minutes of {name}" if minutes >= 0.5 else f"no minute of {name} is lost"


def all_silent_findings(together: Bools, bins: Bins, press: str) -> list[Finding]:
    """Return one gap per stretch in which nearly all tags of a press were silent together."""
    return [
        Finding(
            press,
            ALL_TAGS,
            None,
            "gap",
            from_us(bins.start_us + first * bins.every_us),
            from_us(bins.start_us + past * bins.every_us),
            f"{(past - first) * bins.seconds / 60.0:.0f} minutes without any figure",
            "no tag of the press was recorded",
            past - first,
        )
        for first, past in stretches_of(together)
    ]


def recorded_findings(
    tag: Tag, track: Track, channel: Channel, rows: slice, press: str | None, silent: Bools
) -> list[Finding]:
    """Return what the record of one tag shows within some bins: its gaps and its faulty observations."""
    bins = track.bins
    found = [
        Finding(
            press,
            tag.tag,
            tag.name,
            "gap",
            from_us(bins.start_us + first * bins.every_us),
            from_us(bins.start_us + past * bins.every_us),
            _left_out(lost_minutes(track, first, past), tag.name),
            "no value was recorded",
            0,
        )
        for first, past in stretches_of(silent)
        if rows.start <= first < rows.stop
    ]
    for fault, log in channel.faults.items():
        spans = log.merged(JOINED_WITHIN_US.get(fault, USUAL_JOIN_US))
        first_bin, past_bin = _bin_ends(spans, bins)
        for place in range(len(spans)):
            if max(first_bin[place], rows.start) < min(past_bin[place], rows.stop):
                minutes = lost_minutes(track, int(first_bin[place]), int(past_bin[place]))
                found.append(_observed_finding(tag, fault, spans, place, press, minutes))
    return found


def _observed_finding(
    tag: Tag, fault: ChannelFault, spans: Spans, place: int, press: str | None, minutes: float
) -> Finding:
    count, low, high = int(spans.count[place]), float(spans.lowest[place]), float(spans.highest[place])
    readings = "1 reading" if count == 1 else f"{count} readings"  # a sample is a grab
    read = "" if np.isnan(low) else f" of {low:g}" if low == high else f" from {low:g} to {high:g}"
    unit = f" {tag.unit}" if tag.unit and read else ""
    evidence = {
        "bad_quality": f"{readings}{read}{unit} marked bad",
        "text_value": f"{readings} with a text where a number belongs",
        "out_of_range": f"{readings}{read}{unit}, instrument range {_range_text(tag)}",
        "duplicate": f"{readings} at times already read",
        "counter_reset": f"the counter stood at {high:g}{unit} and went on elsewhere; no roll-over fits",
        "spike": f"{readings}{read}{unit}, far from the readings around",
    }[fault]
    effect = _left_out(minutes, tag.name)
    if fault == "duplicate":
        effect = f"counted once in {tag.name}"
    elif fault == "counter_reset":
        effect = f"what passed in between is unknown; {effect}"
    start, end = (
        from_us(int(spans.start_us[place])),
        from_us(int(max(spans.end_us[place], spans.start_us[place] + 1))),
    )
    return Finding(press, tag.tag, tag.name, _as_fault(fault), start, end, effect, evidence, count)


def _range_text(tag: Tag) -> str:
    if tag.range is None:
        return "not given, but no press can show that"
    return f"{tag.range[0]:g} to {tag.range[1]:g} {tag.unit}".strip()


def _as_fault(fault: ChannelFault) -> Fault:
    return fault
