"""Weeks weighed before, kept beside the archive: a night's run weighs the week that grew and not the month again.

Readings are weighed into bins in order of time. What is known at the end of a week that is over (sums of every bin,
the habit of every tag, its last reading) decides, with the weeks after it, everything that follows. It is kept once
the readings before it are many, and taken up again while those weeks, the period and the plant file are the same.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from trendkit.archive import ArchivedWeek
from trendkit.archive.kept import keep, recall
from trendkit.series.accumulate import Accumulator
from trendkit.series.packing import packed, unpack_into

_MOST = 8  # of an archive; the ones unused for longest go first
# Below this many readings a bin, weighing again costs no more than reading back what was weighed.
WORTH_KEEPING = 5.0


@dataclass(frozen=True)
class WeighedWeeks:
    """What reading one period of an archive may leave for the next time.

    `weeks` are those that bear on the period, in the order in which they are read; `key` says what else decides the
    bins: period, raster, presses, plant file and version.
    """

    folder: Path
    key: str
    weeks: Sequence[ArchivedWeek]

    @property
    def past(self) -> int:
        """How many of the weeks in front lie before the newest, which may still grow."""
        newest = max((week.part.week for week in self.weeks), default="")
        return next((place for place, week in enumerate(self.weeks) if week.part.week == newest), 0)

    def take_up(self, accumulator: Accumulator) -> int:
        """Bring a fresh accumulator to what was weighed before; return how many of the weeks that were."""
        for count in range(self.past, 0, -1):
            content = recall(self._path(count))
            if content is not None:
                unpack_into(accumulator, content)
                return count
        return 0

    def leave(self, accumulator: Accumulator) -> None:
        """Keep what is known when all weeks that are over have been weighed, where that is worth it."""
        if accumulator.first_us is None or accumulator.last_us is None:
            return
        observations = sum(channel.observations for channel in accumulator.channels.values())
        bins = (accumulator.last_us - accumulator.first_us) // accumulator.bins.every_us + 1
        if observations >= WORTH_KEEPING * bins * len(accumulator.channels):
            keep(self._path(self.past), packed(accumulator), _MOST)

    def _path(self, count: int) -> Path:
        parts = [[week.part.path, week.part.sha256] for week in self.weeks[:count]]
        sign = hashlib.sha256(json.dumps([self.key, parts]).encode()).hexdigest()[:24]
        return self.folder / f"{sign}.weighed"
