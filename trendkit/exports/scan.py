"""One pass over one file: batches of rows from DuckDB, their times, and the rows that cannot be used.

Files of some size are read quicker by declaring their numbers; the first cell that is none sends the rest of the
file through the careful way, in which every cell is read as text and converted once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from trendkit.errors import InputError, Problem
from trendkit.exports import names, textfile
from trendkit.exports.ahead import ReadAhead
from trendkit.exports.block import Block, ReadLog
from trendkit.exports.cells import Bools, CellReader, Ints, distinct, floats, holds_no_number
from trendkit.exports.clock import never_shown
from trendkit.exports.engine import ReadingError, is_reading_error, record_batches, unreadable
from trendkit.exports.export import Export
from trendkit.exports.moments import EARLIEST_US, LATEST_US, TimeForm, read_cell
from trendkit.exports.refusals import Refusals, Refused, lines_set_aside
from trendkit.exports.relation import Relation, backwards, by_time
from trendkit.exports.sources import Source, TextSource
from trendkit.exports.table import split_line
from trendkit.plant.model import Tag

FAST_FROM_BYTES = 16 * 1024 * 1024


KeyedBlock = tuple[Hashable, Block]
Counted = tuple[int, Iterable[KeyedBlock]]  # rows used up, and their blocks
BlocksOf = Callable[[Iterator[Any], int], Iterator[Counted]]  # (batches, place of their first row) -> blocks
Select = Callable[[Relation, tuple[int, ...]], list[str]]  # (relation, declared columns) -> what to select


class NotAllNumbersError(ReadingError):
    """A column declared as numbers holds something else."""


@dataclass
class HoursSeen:
    """Which hours of the day a file's times name, to notice a twelve-hour clock that lost its AM and PM."""

    counts: Ints = field(default_factory=lambda: np.zeros(24, np.int64))
    first_us: int = LATEST_US
    last_us: int = EARLIEST_US

    def see(self, local: Ints, has_time: Bools | None) -> None:
        """Take the times of a batch; once an hour beyond 12 was seen there is nothing more to know."""
        if self.counts[0] or self.counts[13:].any():
            return
        times = local if has_time is None else local[has_time]
        if len(times):
            self.counts += np.bincount(times // 3_600_000_000 % 24, minlength=24)
            self.first_us, self.last_us = min(self.first_us, int(times.min())), max(self.last_us, int(times.max()))

    def refuse_half_days(self, export: Export) -> None:
        """Raise an InputError when all hours from 1 to 12 were named over more than a day, and no other."""
        is_longer = self.last_us - self.first_us >= 24 * 3_600_000_000
        if is_longer and self.counts[1:13].all() and not self.counts[0] and not self.counts[13:].any():
            raise InputError(
                Problem(
                    "the hours run from 1 to 12 twice a day without AM or PM",
                    file=export.file,
                    found=f"no hour 0 and none above 12 from {export.start_utc} on",
                    expected="a 24-hour clock, or AM and PM",
                    hint="export the times as in 2026-03-14 19:00:00",
                )
            )


@dataclass
class Scan:
    """One pass over one file, for the tags asked for (`wanted`: the names as the caller spells them)."""

    export: Export
    wanted: Mapping[str, Tag]
    log: ReadLog
    database: Any
    folder: Path
    ahead: ReadAhead
    refusals: Refusals = field(default_factory=Refusals)
    by_key: dict[str, str] = field(init=False)
    cells: CellReader = field(init=False)
    hours: HoursSeen = field(default_factory=lambda: HoursSeen())
    refused_ahead: list[Refused] = field(default_factory=list)  # of a file read with others
    _header_time: str = field(init=False)
    _odd_times: dict[str, int | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Look up what every batch needs."""
        self.by_key = {names.key(name): name for name in self.wanted}
        self.cells = CellReader(self.export.file, self.export.decimal, self.export.quality, self.log)
        header = self.export.source.header
        self._header_time = " ".join(header[column] for column in self.export.time_columns).strip()

    def is_state(self, name: str) -> bool:
        """Return True for a tag whose cells are words."""
        return self.wanted[name].kind == "state"

    def rows(self, numbers: tuple[int, ...], select: Select, size: int, blocks_of: BlocksOf) -> Iterator[KeyedBlock]:
        """Yield the blocks of all rows, batches of about `size` rows, read in the quickest way the file allows.

        A way that fails hands over to the next where it stopped: columns in `numbers` declared so, all cells as texts,
        the same on a plain copy of the file.

        Raises
        ------
        InputError
            When even the plain copy cannot be read.
        """
        done = 0
        ways = self._ways(numbers)
        for source, declared in ways:
            relation = self._relation(source, declared)
            try:
                batches = self._batches(
                    select(relation, declared), relation, size, skip=done, is_declared=bool(declared)
                )
                for count, blocks in blocks_of(batches, done):
                    yield from blocks
                    done += count
            except Exception as cause:
                if not is_reading_error(cause):
                    raise
                if (source, declared) == ways[-1]:
                    raise InputError(unreadable(self.export.file, cause, done)) from cause
            else:
                self.log.rows += done
                return

    def _ways(self, numbers: tuple[int, ...]) -> list[tuple[Source, tuple[int, ...]]]:
        source = self.export.source
        ways: list[tuple[Source, tuple[int, ...]]] = [(source, ())]
        if not isinstance(source, TextSource) or source.file.needs_copy:
            return ways
        is_large = source.file.size_bytes >= FAST_FROM_BYTES // (8 if source.file.packing else 1)
        if numbers and is_large and self.export.order == "forward":
            ways.insert(0, (source, numbers))
        return [*ways, (source.copied(), ())]

    def _relation(self, source: Source, numbers: tuple[int, ...]) -> Relation:
        """Return a source's rows in the order they are to be read; the columns in `numbers` are declared so."""
        meaning = self.export.meaning
        relation = source.relation(self.folder, numbers, self.export.decimal, keeps_rejects=not numbers)
        if self.export.order == "backward":
            return backwards(relation)
        if self.export.order == "mixed" and meaning.long is None:
            return by_time(relation, meaning.groups[0].time, meaning.groups[0].time_columns)
        return relation

    def _batches(self, select: list[str], relation: Relation, size: int, skip: int, is_declared: bool) -> Iterator[Any]:
        """Yield record batches; the last row is left out when it was cut while the file was copied.

        Raises
        ------
        NotAllNumbersError
            When a column declared as numbers holds "nan" or "inf".
        """
        if relation.row:
            select = [*select, f"{relation.row} AS file_row"]
        before = None
        for batch in self._asked_for(", ".join(select), relation, size, skip):
            if is_declared:
                check_declared(batch)
            if before is not None:
                yield before
            before = batch
        if before is None:
            return
        if not relation.row and self._last_line_is_cut():
            before = before.slice(0, len(before) - 1)
            self.log.rows += 1
            self.refusals.counts["the last line is cut off"] += 1
        yield before

    def _asked_for(self, select: str, relation: Relation, size: int, skip: int) -> Iterable[Any]:
        """Return the batches of a query; those read ahead with other files where this is the first way."""
        ready = None if skip else self.ahead.taken(self.export, select, relation, size)
        if ready is not None:
            self.refused_ahead = ready.refused
            return ready.batches
        query = f"SELECT {select} FROM {relation.sql}" + (f" OFFSET {skip}" if skip else "")
        return record_batches(self.database.sql(query), size)

    def lines_set_aside(self) -> list[Refused]:
        """Return the lines the engine refused, and why."""
        own = [refused for each in lines_set_aside(self.database).values() for refused in each]
        return sorted(dict([*self.refused_ahead, *own]).items())

    def _last_line_is_cut(self) -> bool:
        source = self.export.source
        if not isinstance(source, TextSource) or source.is_workbook or source.file.ends_with_newline is not False:
            return False
        return looks_cut(source)

    def times(
        self, batch: Any, name: str, form: TimeForm, first: int, may_be_empty: bool = False
    ) -> tuple[Ints, Bools | None]:
        """Return the times of a batch and which rows have one (None: all); the others are refused.

        The batch holds the times in column `name` and the text of those DuckDB could not read in `name` + "x";
        `first` is the place of its first row in the file. With `may_be_empty` an empty cell is no mistake.
        """
        column = batch.column(name)
        local: Ints = column.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64, copy=False)
        has_time = np.ones(len(local), bool)
        if column.null_count:
            local = local.copy()
            rows = np.flatnonzero(column.is_null().to_numpy(zero_copy_only=False))
            words, codes = distinct(batch.column(name + "x").take(rows))
            read = [self._odd_time(word, form) for word in words]
            local[rows] = np.array([*(r if isinstance(r, int) else 0 for r in read), 0], np.int64)[codes]
            is_read = np.array([*(isinstance(r, int) for r in read), False])[codes]
            has_time[rows] = is_read
            whys = [
                *(r if isinstance(r, str) else "" for r in read),
                "" if may_be_empty else "the row has no time",
            ]
            for row, code in zip(rows[~is_read], codes[~is_read], strict=True):
                if code >= 0 and names.trimmed(words[code]) == self._header_time:
                    self.refusals.repeated_headers += 1
                elif whys[code]:
                    self._refuse(batch, int(row), first, whys[code])
        self._refuse_impossible(batch, local, has_time, form, first)
        if form.kind == "text":
            self.hours.see(local, has_time)
        return local, None if has_time.all() else has_time

    def has_impossible(self, local: Ints, form: TimeForm) -> bool:
        """Return True when some time is out of all reason or was never shown by the file's clock."""
        if local.min() < EARLIEST_US or local.max() > LATEST_US:
            return True
        return not form.is_absolute and never_shown(local, self.export.zone) is not None

    def _refuse_impossible(self, batch: Any, local: Ints, has_time: Bools, form: TimeForm, first: int) -> None:
        """Refuse rows whose time cannot be, and mark them in `has_time`."""
        if not has_time.any() or not self.has_impossible(local[has_time], form):
            return
        outside = has_time & ((local < EARLIEST_US) | (local > LATEST_US))
        kept = np.where(
            has_time & ~outside, local, local[has_time & ~outside].min() if (has_time & ~outside).any() else 0
        )
        skipped = None if form.is_absolute else never_shown(kept, self.export.zone)
        whys = ["the year is out of all reason", "the clock skips this time in spring"]
        for mask, why in zip([outside, skipped], whys, strict=True):
            if mask is not None:
                for row in np.flatnonzero(mask & has_time):
                    self._refuse(batch, int(row), first, why)
                has_time &= ~mask

    def _odd_time(self, text: str, form: TimeForm) -> int | str:
        if text not in self._odd_times:
            self._odd_times[text] = read_cell(text, form)
        return self._odd_times[text]

    def _refuse(self, batch: Any, row: int, first: int, why: str) -> None:
        moved = "file_row" in batch.schema.names
        place = batch.column("file_row")[row].as_py() - 1 if moved else first + row
        self.refusals.refuse(place, why)


def check_declared(batch: Any) -> None:
    """Raise `NotAllNumbersError` when a declared number column (named v...) holds a text DuckDB takes for a number."""
    for name, column in zip(batch.schema.names, batch.columns, strict=True):
        if name.startswith("v") and holds_no_number(column, floats(column)):
            raise NotAllNumbersError


def looks_cut(source: TextSource) -> bool:
    """Return True when the last line's last number has lost digits that the rows above it have."""
    lines = textfile.tail_lines(source.file)[-21:]
    rows = [split_line(line, source.table.delimiter) for line in lines]
    if not rows or len(rows[-1]) != source.table.width:
        return False  # refused for its width
    last = rows[-1][-1].strip()
    above = [row[-1].strip() for row in rows[:-1] if len(row) == source.table.width]
    digits = {len(cell.partition(".")[2]) for cell in above if cell}
    has_lost_digits = len(above) >= 5 and len(digits) == 1 and last != "" and len(last.partition(".")[2]) < min(digits)
    return last.endswith((".", ",", "-", "e", "E")) or has_lost_digits
