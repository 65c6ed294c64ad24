"""One file of readings: Parquet, whole days of all tags after one another, each day's readings by tag and time.

As many days come together as make two million readings; a week of readings by the minute is one stretch. Each
tag's readings of a stretch are a row group of their own, so that tags and days are read alone. The footer tells
which row groups share their times, so that these are decoded once.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from trendkit.archive.readings import Ints, Objects, Readings, joined
from trendkit.exports.block import GOOD

STRETCH_READINGS = 2_000_000
_FOOTER = b"trendkit"


@dataclass(frozen=True)
class Group:
    """One row group: a tag's readings in one stretch of days; `timeline` is the same where times are shared."""

    stretch: int
    tag: str
    timeline: int
    first_us: int
    last_us: int
    count: int
    has_quality: bool
    has_words: bool


def _schema() -> Any:
    import pyarrow as pa

    words = pa.dictionary(pa.int32(), pa.string())
    return pa.schema(
        [
            pa.field("tag", words, nullable=False),
            pa.field("time", pa.timestamp("us", "UTC"), nullable=False),
            pa.field("value", pa.float64()),
            pa.field("quality", pa.uint8(), nullable=False),
            pa.field("text", pa.string()),
        ]
    )


class PartWriter:
    """Writes a part day by day; the same readings give the same bytes."""

    def __init__(self, path: Path) -> None:
        """Begin a file."""
        import pyarrow.parquet as pq

        path.parent.mkdir(parents=True, exist_ok=True)
        self.groups: list[Group] = []
        self._waiting: dict[str, list[Readings]] = {}
        self._count = 0
        self._stretch = 0
        self._schema = _schema()
        self._file = pq.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            store_schema=False,
            write_statistics=["time"],
            use_dictionary=["tag", "value", "text"],  # readings are rounded: few values differ
            column_encoding={"time": "DELTA_BINARY_PACKED"},
        )

    def add_day(self, readings: dict[str, Readings]) -> None:
        """Take the readings of the next day, by tag."""
        for tag, own in readings.items():
            if len(own):
                self._waiting.setdefault(tag, []).append(own)
                self._count += len(own)
        if self._count >= STRETCH_READINGS:
            self._write_waiting()

    def finish(self) -> None:
        """Write what waits and the footer."""
        self._write_waiting()
        footer = json.dumps({"groups": [astuple(group) for group in self.groups]})
        self._file.add_key_value_metadata({_FOOTER: footer.encode()})
        self._file.close()

    def abandon(self) -> None:
        """Close the file unfinished."""
        self._file.close()

    def _write_waiting(self) -> None:
        if self._waiting:
            self.groups += self._write_stretch(self._stretch, self._waiting)
            self._waiting, self._count, self._stretch = {}, 0, self._stretch + 1

    def _write_stretch(self, stretch: int, waiting: dict[str, list[Readings]]) -> list[Group]:
        timelines: list[Ints] = []
        columns: list[_Columns] = []  # of each timeline
        groups = []
        for tag in sorted(waiting):
            readings = joined(waiting.pop(tag))
            timeline = _place_among(timelines, readings.time_us)
            if timeline == len(columns):
                columns.append(_columns(readings.time_us, self._schema))
            self._file.write_table(self._table(tag, readings, columns[timeline]), row_group_size=len(readings))
            ends = int(readings.time_us[0]), int(readings.time_us[-1])
            has_quality = readings.quality is not None and bool(readings.quality.any())
            kind = (has_quality, readings.texts is not None)
            groups.append(Group(stretch, tag, timeline, *ends, len(readings), *kind))
        return groups

    def _table(self, tag: str, readings: Readings, shared: _Columns) -> Any:
        import pyarrow as pa

        is_empty = np.isnan(readings.values)
        columns = [
            pa.DictionaryArray.from_arrays(shared.places, [tag]),
            shared.time,
            pa.array(readings.values, mask=is_empty if is_empty.any() else None),
            shared.good if readings.quality is None else pa.array(readings.quality),
            shared.no_text if readings.texts is None else pa.array(readings.texts, pa.string()),
        ]
        return pa.table(columns, schema=self._schema)


@dataclass(frozen=True)
class _Columns:
    """What tags with the same times have in common, as Arrow has it."""

    places: Any  # of the one tag among the names
    time: Any
    good: Any
    no_text: Any


def _columns(time_us: Ints, schema: Any) -> _Columns:
    import pyarrow as pa

    count = len(time_us)
    return _Columns(
        places=pa.array(np.zeros(count, np.int32)),
        time=pa.array(time_us.view("datetime64[us]")).cast(schema.field("time").type),
        good=pa.array(np.full(count, GOOD, np.uint8)),
        no_text=pa.nulls(count, pa.string()),
    )


def _place_among(timelines: list[Ints], time_us: Ints) -> int:
    """Return the place of some times among the distinct ones so far, where they are put if they are not there."""
    for place, known in enumerate(timelines):
        if known is time_us:
            return place
        if len(known) == len(time_us) and known[-1] == time_us[-1] and np.array_equal(known, time_us):
            return place
    timelines.append(time_us)
    return len(timelines) - 1


class PartReader:
    """Reads a part, stretch by stretch."""

    def __init__(self, path: Path) -> None:
        """Open a file that was verified."""
        import pyarrow.parquet as pq

        self._file = pq.ParquetFile(path, memory_map=True)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """What the row groups hold, in their order."""
        footer = json.loads(self._file.metadata.metadata[_FOOTER])
        return tuple(Group(*each) for each in footer["groups"])

    def stretches(self) -> Iterator[list[int]]:
        """Yield the row groups of each stretch."""
        for _, places in groupby(range(len(self.groups)), key=lambda place: self.groups[place].stretch):
            yield list(places)

    def read(self, places: Sequence[int]) -> list[Readings]:
        """Return the readings of some row groups of one stretch, times that are shared as one array."""
        timelines: dict[int, Ints] = {}
        found = []
        for place in places:
            group = self.groups[place]
            extra = ["time"] * (group.timeline not in timelines)
            extra += ["quality"] * group.has_quality + ["text"] * group.has_words
            table = self._file.read_row_group(place, columns=["value", *extra], use_threads=False)
            if group.timeline not in timelines:
                timelines[group.timeline] = _numbers(table, "time").view(np.int64)
            found.append(
                Readings(
                    timelines[group.timeline],
                    _numbers(table, "value"),
                    _numbers(table, "quality") if group.has_quality else None,
                    _words(table) if group.has_words else None,
                )
            )
        return found

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def _numbers(table: Any, name: str) -> Any:
    return table.column(name).combine_chunks().to_numpy(zero_copy_only=False)


def _words(table: Any) -> Objects:
    encoded = table.column("text").combine_chunks().dictionary_encode()
    words = np.array([*encoded.dictionary.to_pylist(), None], dtype=object)
    texts: Objects = words[encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)]
    return texts
