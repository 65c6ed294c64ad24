"""The rows of an export, batch by batch in file order, as blocks in the file's own clock.

Wide files of some size are read twice as fast by declaring their numbers; the first cell that is none sends the
rest of the file through the careful way, in which every cell is read as text and converted once.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from trendkit.exports import names, textfile
from trendkit.exports.block import Block, ReadLog
from trendkit.exports.cells import (
    CellReader,
    Ints,
    distinct,
    floats,
    holds_no_number,
    joined,
    state_texts,
    without_empty,
)
from trendkit.exports.engine import enum_type, literal
from trendkit.exports.export import Export
from trendkit.exports.layout import Group, LongColumns, WideTag
from trendkit.exports.moments import EARLIEST_US, LATEST_US, TimeForm, read_cell
from trendkit.exports.refusals import Refusals
from trendkit.exports.relation import Relation, backwards, by_time
from trendkit.exports.sources import TextSource
from trendkit.plant.model import Tag

WIDE_ROWS = 100_000  # rows of a batch
LONG_ROWS = 1_000_000
FAST_FROM_BYTES = 16 * 1024 * 1024


class _NotAllNumbers(Exception):
    """A column declared as numbers holds something else."""


@dataclass
class Scan:
    """One pass over one file."""

    export: Export
    wanted: Mapping[str, Tag]  # the names asked for, as the caller spells them
    log: ReadLog
    database: Any
    folder: Path
    refusals: Refusals = field(default_factory=Refusals)

    def __post_init__(self) -> None:
        self.by_key = {names.key(name): name for name in self.wanted}
        self.cells = CellReader(self.export.file, self.export.decimal, self.export.quality, self.log)
        self._odd_times: dict[str, int | str] = {}
        self._header_time = self._header_cell()

    def blocks(self) -> Iterator[tuple[Hashable, Block]]:
        """Yield the rows of the wanted tags, each block with the key of the recording it belongs to."""
        if self.export.meaning.long is not None:
            yield from self._long(self.export.meaning.long)
        else:
            yield from self._wide()

    def _header_cell(self) -> str:
        long = self.export.meaning.long
        columns = long.time_columns if long else self.export.meaning.groups[0].time_columns
        return " ".join(self.export.source.header[column] for column in columns).strip()

    # --- batches ------------------------------------------------------------------------------------

    def _relation(self, numbers: tuple[int, ...] = ()) -> Relation:
        relation = self.export.source.relation(
            self.folder, numbers, self.export.decimal, keeps_rejects=not numbers
        )
        if self.export.order == "backward":
            return backwards(relation)
        if self.export.order == "mixed" and self.export.meaning.long is None:
            group = self.export.meaning.groups[0]
            return by_time(relation, group.time, group.time_columns)
        return relation

    def _batches(self, select: list[str], relation: Relation, rows: int, skip: int = 0) -> Iterator[Any]:
        """Yield record batches; the last row is left out when it was cut while the file was copied."""
        if relation.row:
            select = [*select, f"{relation.row} AS file_row"]
        query = f"SELECT {', '.join(select)} FROM {relation.sql}" + (f" OFFSET {skip}" if skip else "")
        reader = self.database.sql(query).to_arrow_reader(rows)
        is_cut = not relation.row and self._last_line_is_cut()
        before = None
        for batch in reader:
            if before is not None:
                yield before
            before = batch
        if before is not None:
            if is_cut and len(before):
                before = before.slice(0, len(before) - 1)
                self.log.rows += 1
                self.refusals.counts["the last line is cut off"] += 1
            yield before

    def _last_line_is_cut(self) -> bool:
        source = self.export.source
        if (
            not isinstance(source, TextSource)
            or source.is_workbook
            or source.file.ends_with_newline is not False
        ):
            return False
        return looks_cut(source)

    def _places(self, batch: Any, first: int) -> Ints | None:
        if "file_row" not in batch.schema.names:
            return None
        places: Ints = batch.column("file_row").to_numpy(zero_copy_only=False) - 1
        return places

    def _times(
        self, batch: Any, name: str, form: TimeForm, first: int, may_be_empty: bool = False
    ) -> tuple[Ints, Any]:
        """Return the times of a batch and the mask of rows that have one (None: all)."""
        times = batch.column(name)
        texts = batch.column(name + "x")
        is_missing = times.is_null().to_numpy(zero_copy_only=False) if times.null_count else None
        local: Ints = times.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64, copy=False)
        if is_missing is not None:
            local = local.copy()
            words, codes = distinct(texts)
            read = [self._odd_time(word, form) for word in words]
            moments = np.array([*(r if isinstance(r, int) else 0 for r in read), 0], np.int64)
            is_read = np.array([*(isinstance(r, int) for r in read), False])
            rows = np.flatnonzero(is_missing)
            local[rows] = moments[codes[rows]]
            is_missing[rows] = ~is_read[codes[rows]]
            whys = [
                *("" if isinstance(r, int) else r for r in read),
                "" if may_be_empty else "the row has no time",
            ]
            self._refuse(np.flatnonzero(is_missing), codes, words, whys, batch, first)
        outside = (local < EARLIEST_US) | (local > LATEST_US)
        if outside.any():
            odd = outside if is_missing is None else outside & ~is_missing
            places = self._places(batch, first)
            for row in np.flatnonzero(odd):
                self.refusals.refuse(
                    int(row) + first if places is None else int(places[row]), "the year is out of all reason"
                )
            is_missing = odd if is_missing is None else is_missing | odd
        return local, None if is_missing is None or not is_missing.any() else ~is_missing

    def _odd_time(self, text: str, form: TimeForm) -> int | str:
        if text not in self._odd_times:
            self._odd_times[text] = read_cell(text, form)
        return self._odd_times[text]

    def _refuse(
        self, rows: Ints, codes: Ints, words: list[str], whys: list[str], batch: Any, first: int
    ) -> None:
        places = self._places(batch, first)
        for row in rows:
            why = whys[codes[row]]
            if codes[row] >= 0 and names.trimmed(words[codes[row]]) == self._header_time:
                self.refusals.repeated_headers += 1
            elif why:
                self.refusals.refuse(int(row) + first if places is None else int(places[row]), why)

    # --- wide ---------------------------------------------------------------------------------------

    def _wide(self) -> Iterator[tuple[Hashable, Block]]:
        groups = [(g, self._asked(g)) for g in self.export.meaning.groups]
        asked = [(number, group, tags) for number, (group, tags) in enumerate(groups) if tags]
        if not asked:
            return
        done = 0
        numbers = self._declared(asked)
        if numbers:
            try:
                for batch in self._batches(
                    self._select(asked, self._relation(numbers), numbers), self._relation(numbers), WIDE_ROWS
                ):
                    self._check_numbers(batch)
                    yield from self._wide_blocks(asked, batch, done)
                    done += len(batch)
                self.log.rows += done
                return
            except Exception as cause:
                if not _is_reading_error(cause):
                    raise
        relation = self._relation()
        for batch in self._batches(self._select(asked, relation, ()), relation, WIDE_ROWS, done):
            yield from self._wide_blocks(asked, batch, done)
            done += len(batch)
        self.log.rows += done

    def _asked(self, group: Group) -> list[tuple[WideTag, str]]:
        pairs = [(tag, self.by_key.get(names.key(tag.tag))) for tag in group.tags]
        return [(tag, name) for tag, name in pairs if name is not None]

    def _is_state(self, name: str) -> bool:
        return self.wanted[name].kind == "state"

    def _declared(self, asked: list[tuple[int, Group, list[tuple[WideTag, str]]]]) -> tuple[int, ...]:
        """Return the columns to declare as numbers: none unless the file is large and plain."""
        source = self.export.source
        is_plain = (
            isinstance(source, TextSource)
            and not source.file.needs_copy
            and len(self.export.meaning.groups) == 1
        )
        if not is_plain or not isinstance(source, TextSource) or self.export.order != "forward":
            return ()
        if source.file.size_bytes < FAST_FROM_BYTES // (8 if source.file.packing else 1):
            return ()
        return tuple(tag.column for _, _, tags in asked for tag, name in tags if not self._is_state(name))

    def _select(
        self,
        asked: list[tuple[int, Group, list[tuple[WideTag, str]]]],
        relation: Relation,
        numbers: tuple[int, ...],
    ) -> list[str]:
        select = []
        for number, group, tags in asked:
            time = relation.time(group.time, group.time_columns)
            text = relation.time_text(group.time_columns)
            select += [f"{time} AS t{number}", f"CASE WHEN ({time}) IS NULL THEN {text} END AS t{number}x"]
            for tag, name in tags:
                if self._is_state(name):
                    select.append(f"{relation.text(tag.column)} AS s{tag.column}")
                elif tag.column in numbers:
                    select.append(f"{relation.columns[tag.column]} AS v{tag.column}")
                else:
                    value, odd = relation.number(tag.column, self.export.decimal)
                    select += [f"{value} AS v{tag.column}", f"CAST({odd} AS VARCHAR) AS x{tag.column}"]
                if tag.quality_column is not None:
                    select.append(f"{relation.text(tag.quality_column)} AS q{tag.column}")
        return select

    def _check_numbers(self, batch: Any) -> None:
        for name, column in zip(batch.schema.names, batch.columns, strict=True):
            if name.startswith("v") and holds_no_number(column, floats(column)):
                raise _NotAllNumbers

    def _wide_blocks(
        self, asked: list[tuple[int, Group, list[tuple[WideTag, str]]]], batch: Any, first: int
    ) -> Iterator[tuple[Hashable, Block]]:
        columns = dict(zip(batch.schema.names, batch.columns, strict=True))
        for number, group, tags in asked:
            local, has_time = self._times(batch, f"t{number}", group.time, first, may_be_empty=len(asked) > 1)
            block = Block(local, {}, {}, {})
            values, qualities, texts = {}, {}, {}
            for tag, name in tags:
                rated = (
                    self.cells.qualities(columns[f"q{tag.column}"])
                    if tag.quality_column is not None
                    else None
                )
                if self._is_state(name):
                    texts[name] = state_texts(columns[f"s{tag.column}"])
                    is_empty = np.equal(texts[name], None)
                else:
                    values[name] = floats(columns[f"v{tag.column}"])
                    if f"x{tag.column}" in columns:
                        values[name], odd = self.cells.numbers(name, values[name], columns[f"x{tag.column}"])
                        rated = joined(rated, odd)
                    is_empty = np.isnan(values[name]) if rated is not None else np.zeros(0, bool)
                rated = without_empty(rated, is_empty)
                if rated is not None:
                    qualities[name] = rated
            block = Block(local, values, qualities, texts)
            if has_time is not None:
                from trendkit.exports.strand import take

                block = take(block, has_time)
            yield number, block

    # --- long ---------------------------------------------------------------------------------------

    def _long(self, long: LongColumns) -> Iterator[tuple[Hashable, Block]]:
        relation = self._relation()
        spelled = self._spellings(long)
        order = list(self.wanted)
        code_of = np.array([*(order.index(name) for name in spelled.values()), -1], np.int16)
        done = 0
        for batch in self._batches(self._long_select(long, relation, spelled), relation, LONG_ROWS):
            local, has_time = self._times(batch, "t", long.time, done)
            codes = self._codes(batch, code_of, order)
            if has_time is not None:
                codes[~has_time] = -1
            yield from self._split(batch, local, codes, order)
            done += len(batch)
        self.log.rows += done

    def _spellings(self, long: LongColumns) -> dict[str, str]:
        """Return spelling in the file -> name asked for; the name itself is always one."""
        spelled = {name: name for name in self.wanted}
        column = self.export.source.column(long.tag_column)
        for text in dict.fromkeys(column):
            name = self.by_key.get(names.key(text))
            if name is not None:
                spelled[text] = name
        return spelled

    def _long_select(self, long: LongColumns, relation: Relation, spelled: Mapping[str, str]) -> list[str]:
        time, text = relation.time(long.time, long.time_columns), relation.time_text(long.time_columns)
        tag = relation.text(long.tag_column)
        value, odd = relation.number(long.value_column, self.export.decimal)
        states = [literal(spelling) for spelling, name in spelled.items() if self._is_state(name)]
        is_state = f"{tag} IN ({', '.join(states)})" if states else "FALSE"
        select = [
            f"{time} AS t",
            f"CASE WHEN ({time}) IS NULL THEN {text} END AS tx",
            f"TRY_CAST({tag} AS {enum_type(spelled)}) AS g" if spelled else "NULL AS g",
            f"CASE WHEN TRY_CAST({tag} AS {enum_type(spelled)}) IS NULL THEN {tag} END AS gx"
            if spelled
            else f"{tag} AS gx",
            f"{value} AS v",
            f"CASE WHEN {is_state} THEN NULL ELSE CAST({odd} AS VARCHAR) END AS x",
        ]
        if states:
            select.append(f"CASE WHEN {is_state} THEN {relation.text(long.value_column)} END AS s")
        if long.quality_column is not None:
            select.append(f"{relation.text(long.quality_column)} AS q")
        return select

    def _codes(self, batch: Any, code_of: Ints, order: list[str]) -> Ints:
        """Return for each row the place of its tag among those asked for, -1 for any other."""
        column = batch.column("g")
        indices = column.indices.fill_null(len(code_of) - 1) if hasattr(column, "indices") else None
        codes: Ints
        if indices is None:
            codes = np.full(len(batch), -1, np.int16)
        else:
            codes = code_of[indices.to_numpy(zero_copy_only=False)]
        others = batch.column("gx")
        if others.null_count < len(others):
            words, rows = distinct(others)
            places = np.array([*(self._place(word, order) for word in words), -1], np.int16)
            codes = np.where(rows >= 0, places[rows], codes)
        return codes

    def _place(self, text: str, order: list[str]) -> int:
        name = self.by_key.get(names.key(text))
        return -1 if name is None else order.index(name)

    def _split(
        self, batch: Any, local: Ints, codes: Ints, order: list[str]
    ) -> Iterator[tuple[Hashable, Block]]:
        """Yield one block per tag: rows are sorted by tag, within a tag in file order."""
        by_tag = np.argsort(codes.astype(np.uint8) if len(order) < 255 else codes, kind="stable")
        counts = np.bincount(codes + 1, minlength=len(order) + 1)
        if len(order) < 255:  # as bytes, -1 is the greatest
            starts = np.concatenate([[0], np.cumsum(counts[1:])])
        else:
            starts = counts[0] + np.concatenate([[0], np.cumsum(counts[1:])])
        times, values = local[by_tag], floats(batch.column("v"))[by_tag]
        has_odd = batch.column("x").null_count < len(batch)
        has_states = "s" in batch.schema.names
        rated = self.cells.qualities(batch.column("q"))[by_tag] if "q" in batch.schema.names else None
        for place in np.flatnonzero(counts[1:]):
            name = order[place]
            part = slice(int(starts[place]), int(starts[place + 1]))
            own = None if rated is None else rated[part]
            if self._is_state(name) and has_states:
                texts = state_texts(batch.column("s").take(by_tag[part]))
                own = without_empty(own, np.equal(texts, None))
                yield name, Block(times[part], {}, {} if own is None else {name: own}, {name: texts})
                continue
            numbers = values[part]
            if has_odd:
                numbers, odd = self.cells.numbers(name, numbers, batch.column("x").take(by_tag[part]))
                own = joined(own, odd)
            own = without_empty(own, np.isnan(numbers)) if own is not None else None
            yield name, Block(times[part], {name: numbers}, {} if own is None else {name: own}, {})


def _is_reading_error(cause: Exception) -> bool:
    """Return True for what a declared number column raises on a cell that is none, or a row of another width."""
    import duckdb
    import pyarrow as pa

    return isinstance(cause, (_NotAllNumbers, duckdb.Error, pa.ArrowException, OSError))


def looks_cut(source: TextSource) -> bool:
    """Return True when the last line lacks its end and its last number has lost digits the rows above it have."""
    from trendkit.exports.table import split_line

    lines = textfile.tail_lines(source.file)[-21:]
    rows = [split_line(line, source.table.delimiter) for line in lines]
    rows = [row for row in rows if len(row) == source.table.width]
    if len(rows) < 2 or len(split_line(lines[-1], source.table.delimiter)) != source.table.width:
        return False
    last, above = rows[-1][-1].strip(), [row[-1].strip() for row in rows[:-1]]
    digits = {len(cell.partition(".")[2]) for cell in above if cell}
    return last.endswith((".", ",", "-", "e", "E")) or (
        len(above) >= 5
        and len(digits) == 1
        and last != ""
        and len(last.partition(".")[2]) < next(iter(digits))
    )
