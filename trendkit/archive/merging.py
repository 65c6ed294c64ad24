"""A week that was staged and what the archive has of it made into one new part, day by day."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from trendkit.archive.files import NEW, name_by_content
from trendkit.archive.manifest import Part, verified
from trendkit.archive.parts import PartReader, PartWriter
from trendkit.archive.readings import NOTHING, Outcome, Readings, merged
from trendkit.archive.staging import Stage
from trendkit.archive.weeks import DAY_US, edges_of, place_of

LISTED_CONFLICTS = 200  # of a file; all are counted


@dataclass
class Tally:
    """What became of the readings of one source so far."""

    new: int = 0
    known: int = 0
    conflicting: int = 0
    conflicts: list[str] = field(default_factory=list)

    def include(self, other: Tally) -> None:
        """Add what became of the same source's readings elsewhere."""
        self.new += other.new
        self.known += other.known
        self.conflicting += other.conflicting
        self.conflicts += other.conflicts[: LISTED_CONFLICTS - len(self.conflicts)]

    def add(self, tag: str, outcome: Outcome) -> None:
        """Count the outcome of some readings of a tag, and list its conflicts."""
        self.new += outcome.new
        self.known += outcome.known
        self.conflicting += len(outcome.conflicts_us)
        if outcome.found is not None and outcome.kept is not None:
            for row in range(min(len(outcome.conflicts_us), LISTED_CONFLICTS - len(self.conflicts))):
                when = pd.Timestamp(int(outcome.conflicts_us[row]), unit="us").strftime("%Y-%m-%d %H:%M:%S UTC")
                found, kept = _shown(outcome.found, row), _shown(outcome.kept, row)
                before = "the value before counts no more" if found == kept else f"{kept} stays"
                self.conflicts.append(f"{tag} at {when}: the file has {found}; {before}")


def _shown(readings: Readings, row: int) -> str:
    text = readings.texts[row] if readings.texts is not None else f"{readings.values[row]:g}"
    return f"{'no value' if text in (None, 'nan') else text}{('', ' (uncertain)', ' (bad)')[readings.rated()[row]]}"


def merge_week(
    folder: Path, place: tuple[str, str], stage: Stage, before: Part | None
) -> tuple[Part, dict[int, Tally]]:
    """Write the part of a place that holds what was there before and what was staged, and return its entry.

    Returned beside it is what became of the staged readings, by source; what was staged is removed.

    Raises
    ------
    InputError
        When the part that was there is damaged.
    """
    home, week = place
    fresh = folder / place_of(home, week) / ("part" + NEW)
    reader = None if before is None else PartReader(verified(folder, before.path, before.sha256))
    writer = PartWriter(fresh)
    tallies = {source: Tally() for source in stage.sources()}
    try:
        kept_days = _Days(reader)
        start, end = edges_of(week)
        for day in range(start, end, DAY_US):
            writer.add_day(_merged_day(kept_days.of(day), stage, day, tallies))
        writer.finish()
    except BaseException:
        writer.abandon()
        raise
    finally:
        if reader is not None:
            reader.close()
    path, sha256 = name_by_content(fresh, ".parquet")
    stage.path.unlink()
    groups = writer.groups
    part = Part(
        path.relative_to(folder).as_posix(),
        sha256,
        sum(group.count for group in groups),
        min((group.first_us for group in groups), default=start),
        max((group.last_us for group in groups), default=start),
        tuple(sorted({group.tag for group in groups})),
    )
    return part, tallies


def _merged_day(
    kept: Mapping[str, Readings], stage: Stage, day: int, tallies: Mapping[int, Tally]
) -> dict[str, Readings]:
    whole = dict(kept)
    for source in stage.sources():
        for tag in stage.pieces:
            fresh = stage.readings(tag, source, day, day + DAY_US)
            if len(fresh):
                whole[tag], outcome = merged(whole.get(tag, NOTHING), fresh)
                tallies[source].add(tag, outcome)
    return whole


class _Days:
    """The readings of a part day by day, one stretch in memory at a time."""

    def __init__(self, reader: PartReader | None) -> None:
        self._reader = reader
        self._stretches: Iterator[list[int]] = iter(()) if reader is None else reader.stretches()
        self._held: dict[str, Readings] = {}
        self._last_us = -1

    def of(self, day: int) -> dict[str, Readings]:
        """Return the readings of a day by tag; days are asked in order."""
        while self._reader is not None and self._last_us < day:
            places = next(self._stretches, None)
            if places is None:
                return {}
            groups = [self._reader.groups[place] for place in places]
            self._last_us = max(group.last_us for group in groups)
            tags = [group.tag for group in groups]
            self._held = dict(zip(tags, self._reader.read(places), strict=True))
        of_day = {tag: own.between(day, day + DAY_US) for tag, own in self._held.items()}
        return {tag: own for tag, own in of_day.items() if len(own)}
