"""Rows looked at all over a file, to see its ends, its order and its names without reading it whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from trendkit.exports import table, textfile
from trendkit.exports.layout import Layout
from trendkit.exports.moments import TimeForm, read_cell, take_apart
from trendkit.exports.sources import ParquetSource, Source, TextSource

_PLACES = 64
_PLACE_BYTES = 8 * 1024
_PLACE_ROWS = 32
_TAIL_ROWS = 100

Row = tuple[str, ...]


@dataclass(frozen=True)
class Samples:
    """Rows from the head, from places evenly spread, and from the tail of a file, in file order."""

    head: tuple[Row, ...] = field(repr=False)
    middle: tuple[tuple[Row, ...], ...] = field(repr=False)
    tail: tuple[Row, ...] = field(repr=False)
    seen_share: float = 1.0  # how much of the file the rows reach over; 1: the end was seen

    @property
    def sees_end(self) -> bool:
        """True when the last row is among them."""
        return self.seen_share == 1.0

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """All rows looked at."""
        return (*self.head, *(row for place in self.middle for row in place), *self.tail)

    @cached_property
    def moments(self) -> dict[tuple[str, tuple[int, ...]], list[int]]:
        """Times already read, by form and columns."""
        return {}

    def has(self, mark: str) -> bool:
        """Return whether any cell looked at holds a mark."""
        return any(mark in "\n".join(row) for row in self.rows)

    def cells(self, column: int) -> list[str]:
        """Return the filled cells of a column."""
        return [cell for row in self.rows if column < len(row) and (cell := row[column].strip())]


def take_samples(source: Source) -> Samples:
    """Return rows from all over a source (of a large packed file and of Parquet: from its head)."""
    if isinstance(source, ParquetSource):
        return Samples(source.first_rows, (), (), seen_share=min(len(source.first_rows) / source.rows, 1.0))
    file, head = source.file, source.table.rows
    if file.is_whole and file.head.count("\n") < table.LOOKED_AT:
        return Samples(head, (), ())
    middle = []
    if not file.packing and file.size_bytes > 2 * textfile.HEAD_BYTES:
        step = (file.size_bytes - textfile.HEAD_BYTES) // _PLACES
        for place in range(1, _PLACES):
            position = textfile.HEAD_BYTES + place * step
            middle.append(_split(textfile.lines_at(file, position, _PLACE_BYTES)[:_PLACE_ROWS], source))
    tail = textfile.tail_lines(file)
    return Samples(head, tuple(middle), _split(tail[-_TAIL_ROWS:], source), seen_share=file.seen_share)


def _split(lines: list[str], source: TextSource) -> tuple[Row, ...]:
    rows = (table.split_line(line, source.table.delimiter) for line in lines)
    return tuple(row for row in rows if len(row) == source.table.width)


def row_moment(row: Row, form: TimeForm, columns: tuple[int, ...]) -> int | None:
    """Return the time of a sampled row [us, in the form's clock], None when it cannot be read."""
    text = " ".join(row[column].strip() for column in columns if column < len(row))
    if form.kind == "text":
        moment = read_cell(text, form)
        return moment if isinstance(moment, int) else None
    if form.kind == "native":
        cell = take_apart(text.removesuffix("+00"))
        return None if cell is None else cell.local_us(None)
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        return None
    return round(number * form.unit_us) if form.kind == "epoch" else round((number - 25569) * 86_400) * 1_000_000


def moments_seen(samples: Samples, meaning: Layout) -> list[int]:
    """Return the times of the sampled rows of the first time column, in file order [us, in the file's clock]."""
    form, columns = (
        meaning.times[0],
        (meaning.long.time_columns if meaning.long else meaning.groups[0].time_columns),
    )
    key = (repr(form), tuple(columns))  # asked for its order, its ends and its clock in turn
    if key not in samples.moments:
        read = (row_moment(row, form, columns) for row in samples.rows)
        samples.moments[key] = [moment for moment in read if moment is not None]
    return samples.moments[key]
