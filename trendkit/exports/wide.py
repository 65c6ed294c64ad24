"""Wide exports, batch by batch: the tags of one time column come as one block, in the file's own clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from trendkit.exports import names
from trendkit.exports.block import Block
from trendkit.exports.cells import Floats, Ints, floats, is_none, joined, state_texts, without_empty
from trendkit.exports.layout import Group, WideTag
from trendkit.exports.relation import Relation
from trendkit.exports.scan import Counted, KeyedBlock, Scan
from trendkit.exports.strand import take

ROWS = 100_000  # of a batch


@dataclass(frozen=True)
class Asked:
    """The tags asked for that share one time column: their columns, and the names the caller knows them by."""

    number: int
    group: Group
    tags: tuple[tuple[WideTag, str], ...]


def wide_blocks(scan: Scan) -> Iterator[KeyedBlock]:
    """Yield the rows of a wide file, each block with the number of its time column."""
    asked = _asked(scan)
    if not asked:
        return

    odd_columns: list[int] = []

    def select(relation: Relation, declared: tuple[int, ...]) -> list[str]:
        odd_columns[:] = _odd_columns(scan, asked, relation)
        return _select(scan, asked, relation, declared)

    def blocks_of(batches: Iterator[Any], first: int) -> Iterator[Counted]:
        for batch in batches:
            yield len(batch), _blocks(scan, asked, batch, first, odd_columns)
            first += len(batch)

    yield from scan.rows(_numbers(scan, asked), select, ROWS, blocks_of)


def _asked(scan: Scan) -> list[Asked]:
    found = []
    for number, group in enumerate(scan.export.meaning.groups):
        pairs = [(tag, scan.by_key.get(names.key(tag.tag))) for tag in group.tags]
        tags = tuple((tag, name) for tag, name in pairs if name is not None)
        if tags:
            found.append(Asked(number, group, tags))
    return found


def _numbers(scan: Scan, asked: list[Asked]) -> tuple[int, ...]:
    """Return the columns that may be declared as numbers: none where tags have time columns of their own."""
    if len(scan.export.meaning.groups) > 1:
        return ()
    return tuple(tag.column for each in asked for tag, name in each.tags if not scan.is_state(name))


def _select(scan: Scan, asked: list[Asked], relation: Relation, numbers: tuple[int, ...]) -> list[str]:
    """Return what to select: times t, numbers v, states s, qualities q; all number cells xs of rows with an odd one."""
    select, odd = [], []
    for each in asked:
        time = relation.time(each.group.time, each.group.time_columns)
        text = relation.time_text(each.group.time_columns)
        select += [
            f"{time} AS t{each.number}",
            f"CASE WHEN ({time}) IS NULL THEN {text} END AS t{each.number}x",
        ]
        for tag, name in each.tags:
            if scan.is_state(name):
                select.append(f"{relation.text(tag.column)} AS s{tag.column}")
            elif tag.column in numbers:
                select.append(f"{relation.columns[tag.column]} AS v{tag.column}")
            else:
                value = relation.number(tag.column, scan.export.decimal, scan.export.guards_underscores)
                select.append(f"{value} AS v{tag.column}")
                if relation.may_be_odd(tag.column):
                    odd.append(relation.odd_cell(tag.column, value))
            if tag.quality_column is not None:
                select.append(f"{relation.text(tag.quality_column)} AS q{tag.column}")
    if odd:
        cells = ", ".join(relation.text(column) for column in _odd_columns(scan, asked, relation))
        select.append(f"CASE WHEN {' OR '.join(odd)} THEN [{cells}] END AS xs")
    return select


def _odd_columns(scan: Scan, asked: list[Asked], relation: Relation) -> list[int]:
    """Return the number columns whose cells can be texts, in the order in which xs lists them."""
    pairs = [(tag, name) for each in asked for tag, name in each.tags]
    return [tag.column for tag, name in pairs if not scan.is_state(name) and relation.may_be_odd(tag.column)]


@dataclass(frozen=True)
class OddCells:
    """The texts of the rows of a batch in which some number cell is odd, by column."""

    rows: Ints
    lists: Any  # Arrow, one list a row
    place_of: Mapping[int, int]  # column -> its place in the lists

    def of_column(self, column: int, values: Floats) -> tuple[Ints, Any] | None:
        """Return the places of a column's odd cells and their texts, None when it has none."""
        if not len(self.rows) or column not in self.place_of:
            return None
        import pyarrow.compute as pc

        is_odd = ~np.isfinite(values[self.rows])
        if not is_odd.any():
            return None
        return self.rows[is_odd], pc.list_element(self.lists, self.place_of[column]).filter(is_odd)


def _odd_cells(batch: Any, columns: list[int]) -> OddCells:
    if "xs" not in batch.schema.names or batch.column("xs").null_count == len(batch):
        return OddCells(np.zeros(0, np.int64), None, {})
    lists = batch.column("xs")
    rows = np.flatnonzero(lists.is_valid().to_numpy(zero_copy_only=False))
    return OddCells(rows, lists.take(rows), {column: place for place, column in enumerate(columns)})


def _blocks(scan: Scan, asked: list[Asked], batch: Any, first: int, odd_columns: list[int]) -> Iterator[KeyedBlock]:
    columns = dict(zip(batch.schema.names, batch.columns, strict=True))
    odd_cells = _odd_cells(batch, odd_columns)
    for each in asked:
        local, has_time = scan.times(batch, f"t{each.number}", each.group.time, first, may_be_empty=len(asked) > 1)
        values, qualities, texts = {}, {}, {}
        for tag, name in each.tags:
            quality_cells = columns.get(f"q{tag.column}")
            rated = None if quality_cells is None else scan.cells.qualities(quality_cells)
            if scan.is_state(name):
                texts[name] = state_texts(columns[f"s{tag.column}"])
            else:
                values[name] = floats(columns[f"v{tag.column}"])
                odd = odd_cells.of_column(tag.column, values[name])
                if odd is not None:
                    values[name], bad = scan.cells.numbers(name, values[name], *odd)
                    rated = joined(rated, bad)
            if rated is not None:
                is_empty = is_none(texts[name]) if name in texts else np.isnan(values[name])
                rated = without_empty(rated, is_empty)
            if rated is not None:
                qualities[name] = rated
        block = Block(local, values, qualities, texts)
        yield each.number, block if has_time is None else take(block, has_time)
