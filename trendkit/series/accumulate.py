"""Blocks of observations in, time-weighted bins per tag out: one pass, no sort of a file, memory by bins.

`Accumulator` takes every block of every file and passes each column to the channel of its tag
(`trendkit.series.channel`), which feeds a track (`trendkit.series.tracks`). Readings keep their unit.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping

import numpy as np
import numpy.typing as npt

from trendkit.exports.block import Block
from trendkit.plant.model import Tag
from trendkit.series.channel import Channel
from trendkit.series.readings import order_rows
from trendkit.series.segments import Bins, Floats
from trendkit.series.states import StateWords
from trendkit.series.tracks import Track


class Accumulator:
    """All tags of a reading: feed it blocks with `add`, then ask for the bins with `finish`."""

    def __init__(
        self, tags: Iterable[tuple[Hashable, Tag]], bins: Bins, max_hold_s: float, widens: bool = False
    ) -> None:
        """Take pairs of a channel's key and its tag; a tag of the export may have several channels.

        With `widens` the bins grow to hold every row; otherwise rows outside only say what was held at the
        ends.
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
        first, last = int(rows.timeline.time_us[0]), int(rows.timeline.time_us[-1])
        self.first_us = first if self.first_us is None else min(self.first_us, first)
        self.last_us = last if self.last_us is None else max(self.last_us, last)
        inside = np.searchsorted(rows.timeline.time_us, [self.bins.start_us, self.bins.end_us])
        self.rows_inside += int(inside[1] - inside[0])
        if last == self.last_us and len(rows.timeline.time_us) > 1:
            self._row_step_us = (last - first) // (len(rows.timeline.time_us) - 1)
        for name in {*block.values, *block.texts}:
            for channel in self._of_tag.get(name, ()):
                values, quality = _column(
                    channel, block.values.get(name), block.texts.get(name), block.quality.get(name)
                )
                channel.add(rows, values, quality)

    def _widen(self, first_us: int, last_us: int) -> None:
        every_us = self.bins.every_us
        begun = self.bins if self.bins.count else Bins(first_us // every_us * every_us, every_us, 1)
        bins = begun.covering(first_us, last_us)
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
