"""Exports read: blocks of observations in UTC, in order of time within each recording, and an account of the file."""

from __future__ import annotations

import tempfile
from collections.abc import Hashable, Iterator, Mapping
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.ahead import ReadAhead
from trendkit.exports.block import Block, InputFile, ReadLog, StoredExport
from trendkit.exports.export import Export
from trendkit.exports.long import EVERY_TAG, long_blocks
from trendkit.exports.scan import Scan
from trendkit.exports.sources import TextSource
from trendkit.exports.strand import Strand, Tally, take
from trendkit.exports.textfile import COPY_NAME
from trendkit.exports.wide import wide_blocks
from trendkit.plant.display import counted
from trendkit.plant.model import Plant, Tag

__all__ = ["Export", "input_file", "read_blocks"]


def read_blocks(
    export: Export | StoredExport,
    plant: Plant,
    wanted: Mapping[str, Tag],
    log: ReadLog,
    start_utc: pd.Timestamp | None = None,
    end_utc: pd.Timestamp | None = None,
    ahead: ReadAhead | None = None,
) -> Iterator[Block]:
    """Yield the observations of the wanted tags (name in the export -> tag) from `start_utc` up to `end_utc`.

    Wide files give blocks of many tags with common times, long files blocks of one tag each. Within a recording
    blocks follow in order of time, with one row per time: of rows with the same time the last good one counts.
    Readings stay in the export's own unit. `log` counts rows and refusals of the whole file, whatever the period;
    it is complete when the last block was taken. Memory is bounded by the size of a batch. With `ahead`, in which
    the export has its place, small files are read several at once.

    Raises
    ------
    InputError
        When a quality value contradicts how the quality column was told.
    """
    if not isinstance(export, Export):
        yield from export.blocks(wanted, log, start_utc, end_utc)
        return
    first = None if start_utc is None else _microseconds(start_utc)
    last = None if end_utc is None else _microseconds(end_utc)
    tally = Tally()
    with (
        ReadAhead() if ahead is None else nullcontext(ahead) as shared,
        shared.connection() as database,
        tempfile.TemporaryDirectory(prefix="trendkit-") as folder,
    ):
        scan = Scan(export, wanted, log, database, Path(folder), shared)
        strands = _Strands(export, log, tally)
        for key, block in _file_blocks(scan):
            yield from _within(strands.push(key, block), first, last)
        yield from _within(strands.finish(), first, last)
        copy = Path(folder) / COPY_NAME
        _refuse_changed(export)
        scan.hours.refuse_half_days(export)
        scan.refusals.settle(log, export.source, copy if copy.exists() else None, scan.lines_set_aside())
    log.notes += [*scan.cells.notes(), *_order_notes(tally, export), *_content_notes(log)]


def _refuse_changed(export: Export) -> None:
    """Raise an InputError when the file was written to while it was read: its last row may be half a row."""
    if isinstance(export.source, TextSource) and export.source.file.has_changed():
        raise InputError(
            Problem(
                "the file was changed while it was read",
                file=export.file,
                expected="a file nobody writes to in the meantime",
                hint="wait until it is written, or read a copy of it",
            )
        )


def _file_blocks(scan: Scan) -> Iterator[tuple[Hashable, Block]]:
    long = scan.export.meaning.long
    return wide_blocks(scan) if long is None else long_blocks(scan, long)


class _Strands:
    """The recordings of one file, each put into UTC and order on its own."""

    def __init__(self, export: Export, log: ReadLog, tally: Tally) -> None:
        self._export, self._log, self._tally = export, log, tally
        self._by_key: dict[Hashable, Strand] = {}
        self._forms = export.meaning.times

    def push(self, key: Hashable, block: Block) -> Iterator[Block]:
        """Take the next block of a recording and give out what is settled."""
        if key not in self._by_key:
            if EVERY_TAG in (
                key,
                *self._by_key,
            ):  # blocks of all tags and of single ones must not overtake each other
                yield from self.finish()
            form = self._forms[key if isinstance(key, int) else 0]
            shift_us = round(self._export.shift_clock_s * 1e6)
            self._by_key[key] = Strand(self._export.zone, form.is_absolute, shift_us, self._log, self._tally)
        yield from self._by_key[key].push(block)

    def finish(self) -> Iterator[Block]:
        """Give out the rest of all recordings."""
        for strand in self._by_key.values():
            yield from strand.finish()
        self._by_key.clear()


def input_file(export: Export | StoredExport, log: ReadLog) -> InputFile:
    """Return how pages and JSON list a file that was read."""
    if not isinstance(export, Export):
        return export.input_file(log)
    return InputFile(
        export.path,
        export.file,
        lambda: export.sha256,
        log.rows,
        log.refused,
        (*export.notes, *log.notes),
        tuple(log.refusals),
        dict(log.texts),
        frozenset(names.key(tag) for tag in export.tags),
    )


def _microseconds(moment: pd.Timestamp) -> int:
    return int(moment.as_unit("us").asm8.astype("int64"))


def _within(blocks: Iterator[Block], first: int | None, last: int | None) -> Iterator[Block]:
    for block in blocks:
        time = block.time_us
        if not len(time):
            continue
        low = 0 if first is None else int(np.searchsorted(time, first))
        high = len(time) if last is None else int(np.searchsorted(time, last))
        if low == 0 and high == len(time):
            yield block
        elif low < high:
            yield take(block, slice(low, high))


def _order_notes(tally: Tally, export: Export) -> list[str]:
    notes = []
    if tally.moved and export.order == "forward":
        notes.append(f"{tally.moved} rows came after a later one and were put in order")
    for last_us, by_us in sorted(tally.steps_back.items()):
        when = pd.Timestamp(last_us, unit="us").strftime("%Y-%m-%d %H:%M:%S UTC")
        notes.append(
            f"the clock was set back by {by_us / 1e6:g} s after {when}: times in between come twice, the last good "
            "reading counts, and totals over that moment are uncertain by as much"
        )
    if tally.late:
        notes.append(f"{tally.late} rows came long after their time")
    clock = tally.clock
    if clock.resolved:
        notes.append(f"{clock.resolved} rows of the hour shown twice in autumn were told apart by their order")
    if clock.unresolved:
        days = ", ".join(sorted(clock.unresolved_days))
        notes.append(
            f"{clock.unresolved} rows of the hour shown twice on {days} cannot be told apart: read as its first "
            "showing and marked uncertain"
        )
    return notes


def _content_notes(log: ReadLog) -> list[str]:
    notes = []
    for tag, texts in log.texts.items():
        listed = ", ".join(
            f"{text!r} {count} times" for text, count in sorted(texts.items(), key=lambda item: -item[1])[:5]
        )
        notes.append(f"{tag} holds texts among its numbers, which count as bad: {listed}")
    if log.duplicates:
        total = sum(repeated.readings for repeated in log.duplicates.values())
        notes.append(
            f"{counted(total, 'reading')} of {counted(len(log.duplicates), 'tag')} came at a time already read; "
            "the last good one counts"
        )
    return notes
