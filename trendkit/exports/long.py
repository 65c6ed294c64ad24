"""Long exports, batch by batch: rows come apart by tag, in the file's own clock and order.

Where every time lists the same tags in the same order, which is how sampled tags are usually exported, the rows
are a table already and all tags come as one block.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from trendkit.exports import names
from trendkit.exports.block import Block
from trendkit.exports.cells import (
    Bytes,
    Floats,
    Ints,
    distinct,
    floats,
    is_none,
    joined,
    state_texts,
    without_empty,
)
from trendkit.exports.engine import enum_type, literal
from trendkit.exports.layout import LongColumns
from trendkit.exports.relation import Relation
from trendkit.exports.scan import Counted, KeyedBlock, Scan

ROWS = 500_000  # of a batch
EVERY_TAG = ""  # key of blocks that hold all tags of the file

Codes = npt.NDArray[np.int16]


@dataclass(frozen=True)
class Spellings:
    """The tags asked for, in order, and how the file spells them."""

    order: tuple[str, ...]
    code_of: Mapping[str, int]  # spelling -> place in `order`

    def codes(self, batch: Any, by_key: Mapping[str, str], other_tags: set[str]) -> Codes:
        """Return for each row of a batch the place of its tag in `order`, -1 for any other tag, which is noted."""
        known = np.array([*self.code_of.values(), -1], np.int16)
        column = batch.column("g")
        if hasattr(column, "indices"):
            codes: Codes = known[column.indices.fill_null(len(known) - 1).to_numpy(zero_copy_only=False)]
        else:
            codes = np.full(len(batch), -1, np.int16)
        others = batch.column("gx")
        if others.null_count < len(others):
            words, rows = distinct(others)
            asked = [by_key.get(names.key(word)) for word in words]
            other_tags.update(word for word, name in zip(words, asked, strict=True) if name is None and word.strip())
            places = np.array([*(-1 if name is None else self.order.index(name) for name in asked), -1], np.int16)
            codes = np.where(rows >= 0, places[rows], codes)
        return codes


def long_blocks(scan: Scan, long: LongColumns) -> Iterator[KeyedBlock]:
    """Yield the rows of a long file, each block with its tag, or with `EVERY_TAG`."""
    spelled = _spellings(scan, long)

    def select(relation: Relation, declared: tuple[int, ...]) -> list[str]:
        return _select(scan, long, relation, spelled, declared)

    def blocks_of(batches: Iterator[Any], first: int) -> Iterator[Counted]:
        return _batch_blocks(scan, long, spelled, batches, first)

    yield from scan.rows((long.value_column,), select, ROWS, blocks_of)


def _spellings(scan: Scan, long: LongColumns) -> Spellings:
    order = tuple(scan.wanted)
    spelled = {name: place for place, name in enumerate(order)}
    for text in dict.fromkeys(scan.export.source.column(long.tag_column)):
        name = scan.by_key.get(names.key(text))
        if name is not None:
            spelled.setdefault(text, order.index(name))
    return Spellings(order, spelled)


def _select(
    scan: Scan, long: LongColumns, relation: Relation, spelled: Spellings, numbers: tuple[int, ...]
) -> list[str]:
    time, text = relation.time(long.time, long.time_columns), relation.time_text(long.time_columns)
    tag = relation.text(long.tag_column)
    code = f"TRY_CAST({tag} AS {enum_type(spelled.code_of)})"
    select = [
        f"{time} AS t",
        f"CASE WHEN ({time}) IS NULL THEN {text} END AS tx",
        f"{code} AS g",
        f"CASE WHEN {code} IS NULL THEN {tag} END AS gx",
    ]
    states = [literal(each) for each, place in spelled.code_of.items() if scan.is_state(spelled.order[place])]
    is_state = f"{tag} IN ({', '.join(states)})" if states else "FALSE"
    if numbers:
        select.append(f"{relation.columns[long.value_column]} AS v")
    else:
        value = relation.number(long.value_column, scan.export.decimal, scan.export.guards_underscores)
        column = long.value_column
        is_odd = relation.odd_cell(column, value) if relation.may_be_odd(column) else "FALSE"
        odd = f"CASE WHEN NOT {is_state} AND {is_odd} THEN {relation.text(column)} END"
        select += [f"{value} AS v", f"{odd} AS x"]
    if states:
        select.append(f"CASE WHEN {is_state} THEN {relation.text(long.value_column)} END AS s")
    if long.quality_column is not None:
        select.append(f"{relation.text(long.quality_column)} AS q")
    return select


def _batch_blocks(
    scan: Scan, long: LongColumns, spelled: Spellings, batches: Iterator[Any], first: int
) -> Iterator[Counted]:
    """Yield for each batch the rows it used and their blocks; an unfinished time waits for the next batch."""
    import pyarrow as pa

    rest = None
    for fresh in batches:
        batch = fresh if rest is None or not len(rest) else pa.concat_batches([rest, fresh])
        codes = spelled.codes(batch, scan.by_key, scan.log.other_tags)
        width = _tags_per_time(scan, long, batch, codes)
        if width:
            used = len(batch) // width * width
            rest = batch.slice(used)
            yield used, _as_table(scan, spelled, batch.slice(0, used), codes[:used], width)
            first += used
        else:
            rest = None
            yield len(batch), _by_tag(scan, long, spelled, batch, codes, first)
            first += len(batch)
    if rest is not None and len(rest):
        yield (
            len(rest),
            _by_tag(scan, long, spelled, rest, spelled.codes(rest, scan.by_key, scan.log.other_tags), first),
        )


def _tags_per_time(scan: Scan, long: LongColumns, batch: Any, codes: Codes) -> int:
    """Return how many rows each time has when all times list the same tags in the same order, else 0."""
    if batch.column("t").null_count or "file_row" in batch.schema.names:
        return 0
    times: Ints = batch.column("t").to_numpy(zero_copy_only=False)
    width = int(np.argmax(times != times[0])) if len(times) else 0
    used = len(times) // width * width if width else 0
    if width < 2 or used < 2 * width or len(set(codes[:width])) != width:
        return 0
    by_time, by_code = times[:used].reshape(-1, width), codes[:used].reshape(-1, width)
    if (by_code != by_code[0]).any() or (by_time[:, 0] != by_time[:, -1]).any():
        return 0
    if not (by_time == by_time[:, :1]).all() or scan.has_impossible(by_time[:, 0], long.time):
        return 0
    if long.time.kind == "text":
        scan.hours.see(by_time[:, 0], None)
    return width


def _as_table(scan: Scan, spelled: Spellings, batch: Any, codes: Codes, width: int) -> Iterator[KeyedBlock]:
    """Yield the one block of a batch in which every time lists the same tags in the same order."""
    times = batch.column("t").to_numpy(zero_copy_only=False)[::width]
    numbers = floats(batch.column("v")).reshape(-1, width)
    rated = scan.cells.qualities(batch.column("q")) if "q" in batch.schema.names else None
    values, qualities, texts = {}, {}, {}
    for place in range(width):
        if codes[place] < 0:
            continue
        name = spelled.order[codes[place]]
        own = None if rated is None else rated[place::width]
        rows = np.arange(place, len(batch), width)
        cells, found, own = _tag_cells(scan, name, batch, rows, numbers[:, place], own)
        if found is None:
            values[name] = cells
        else:
            texts[name] = found
        if own is not None:
            qualities[name] = own
    yield EVERY_TAG, Block(times, values, qualities, texts)


def _tag_cells(
    scan: Scan, name: str, batch: Any, rows: Ints, numbers: Floats, rated: Bytes | None
) -> tuple[Floats, npt.NDArray[np.object_] | None, Bytes | None]:
    """Return the numbers, or the texts of a state, of one tag's rows, and their quality."""
    if scan.is_state(name) and "s" in batch.schema.names:
        texts = state_texts(batch.column("s").take(rows))
        return numbers, texts, without_empty(rated, is_none(texts))
    numbers = np.ascontiguousarray(numbers)
    if "x" in batch.schema.names and batch.column("x").null_count < len(batch):
        texts = batch.column("x").take(rows)
        odd_rows = np.flatnonzero(texts.is_valid().to_numpy(zero_copy_only=False))
        if len(odd_rows):
            numbers, odd = scan.cells.numbers(name, numbers, odd_rows, texts.take(odd_rows))
            rated = joined(rated, odd)
    return numbers, None, None if rated is None else without_empty(rated, np.isnan(numbers))


def _by_tag(
    scan: Scan, long: LongColumns, spelled: Spellings, batch: Any, codes: Codes, first: int
) -> Iterator[KeyedBlock]:
    """Yield one block per tag: rows are sorted by tag and stay in file order within it."""
    local, has_time = scan.times(batch, "t", long.time, first)
    if has_time is not None:
        codes = np.where(has_time, codes, -1)
    order = np.argsort(codes, kind="stable")
    counts = np.bincount(codes + 1, minlength=len(spelled.order) + 1)
    ends = np.cumsum(counts)
    numbers = floats(batch.column("v"))
    rated = scan.cells.qualities(batch.column("q")) if "q" in batch.schema.names else None
    for place in np.flatnonzero(counts[1:]):
        name = spelled.order[place]
        rows = order[ends[place] : ends[place + 1]]
        own = None if rated is None else rated[rows]
        cells, texts, own = _tag_cells(scan, name, batch, rows, numbers[rows], own)
        quality = {} if own is None else {name: own}
        if texts is None:
            yield name, Block(local[rows], {name: cells}, quality, {})
        else:
            yield name, Block(local[rows], {}, quality, {name: texts})
