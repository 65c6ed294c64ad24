"""Many small files read one after another: one connection for all, one query for those of like form.

Making a connection and planning a query take longer than reading a file of a few rows. Each file keeps its own batches,
its own refused lines and its own messages; whatever goes wrong with the query of several, each file is read alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from trendkit.errors import InputError
from trendkit.exports.block import StoredExport
from trendkit.exports.engine import connection, is_reading_error, literal, record_batches
from trendkit.exports.export import Export
from trendkit.exports.refusals import Refused, forget_lines_set_aside, lines_set_aside
from trendkit.exports.relation import Relation
from trendkit.exports.sources import TextSource, has_pattern

SMALL_BYTES = 256 * 1024  # a file that is read with others
TOGETHER = 64  # files of one query


@dataclass(frozen=True)
class Ready:
    """What a query of several files gave for one of them."""

    select: str
    batches: list[Any]
    refused: list[Refused]


class ReadAhead:
    """Exports about to be read in this order, each to its end before the next."""

    def __init__(self, exports: Sequence[Export | StoredExport] = ()) -> None:
        """Without exports every file is read alone."""
        self._exports = exports
        self._places = {id(export): place for place, export in enumerate(exports)}
        self._ready: dict[int, Ready] = {}
        self._tried: set[int] = set()  # a file is read ahead once, whatever becomes of it
        self._open = ExitStack()
        self._database: Any = None

    def __enter__(self) -> ReadAhead:
        """Open nothing yet: files of other kinds need no connection."""
        return self

    def __exit__(self, *cause: Any) -> None:
        """Close the connection."""
        self._open.__exit__(*cause)

    @contextmanager
    def connection(self) -> Iterator[Any]:
        """Give the connection all share; what files before had set aside is forgotten."""
        if self._database is None:
            self._database = self._open.enter_context(connection())
        else:
            forget_lines_set_aside(self._database)
        yield self._database

    def taken(self, export: Export, select: str, relation: Relation, size: int) -> Ready | None:
        """Return an export's rows if they were read with those of like files; None when it is to be read alone."""
        form = _form(export)
        if form is None or relation.sql != f"{_start(export)}{form}":
            return None
        if id(export) in self._places and id(export) not in self._tried:
            self._read_with_others(export, select, form, size)
        ready = self._ready.pop(id(export), None)
        return ready if ready is not None and ready.select == select else None

    def _read_with_others(self, export: Export, select: str, form: str, size: int) -> None:
        place = self._places[id(export)]
        for passed in [own for own in self._ready if self._places[own] < place]:  # never asked for
            del self._ready[passed]
        group = {_path(each): id(each) for each in [export, *self._like(export, form)]}
        self._tried |= {id(export), *group.values()}
        if len(group) < 2:
            return
        files = ", ".join(literal(path) for path in group)
        query = f"SELECT {select}, filename FROM read_csv([{files}], filename = true, {form}"
        with suppress(_Alone):
            batches = _by_file(self._database, query, size)
            refused = lines_set_aside(self._database)
            if not {*batches, *refused} - {*group}:
                for path, own in group.items():
                    self._ready[own] = Ready(select, batches.get(path, []), refused.get(path, []))
        forget_lines_set_aside(self._database)

    def _like(self, export: Export, form: str) -> list[Export]:
        """Return the exports of like form among the next ones."""
        place = self._places[id(export)]
        coming = [each for each in self._exports[place + 1 : place + TOGETHER] if isinstance(each, Export)]
        return [each for each in coming if id(each) not in self._tried and _form(each) == form]


class _Alone(Exception):  # noqa: N818 no error: the files are read one by one
    """Several files could not be read in one query."""


def _path(export: Export) -> str:
    return str(export.source.file.path) if isinstance(export.source, TextSource) else ""


def _start(export: Export) -> str:
    return f"read_csv({literal(_path(export))}, "


def _form(export: Export) -> str | None:
    """Return how DuckDB is told to read a small text file, without its name; None for any other file."""
    source = export.source
    if not isinstance(source, TextSource) or source.is_workbook or source.file.needs_copy or source.file.packing:
        return None
    if source.file.size_bytes > SMALL_BYTES or export.order != "forward" or has_pattern(source.file.path):
        return None
    if not source.file.is_whole or _has_open_quote(source.file.head):
        return None
    try:
        sql = source.relation(Path(), (), export.decimal).sql  # no copy, no link: nothing is put into the folder
    except (InputError, OSError):  # said when it is its turn
        return None
    return sql.removeprefix(_start(export))


def _has_open_quote(text: str) -> bool:
    """Return True for a text with a quotation mark not closed on its line: among other files none would miss it."""
    return '"' in text and any(line.count('"') % 2 for line in text.split("\n"))


def _by_file(database: Any, query: str, size: int) -> dict[str, list[Any]]:
    """Return the batches of a query by the file their rows come from.

    Raises
    ------
    _Alone
        When the files cannot be read together.
    """
    found: dict[str, list[Any]] = {}
    try:
        for batch in record_batches(database.sql(query), size):
            names = batch.column(batch.num_columns - 1).dictionary_encode()
            codes = names.indices.to_numpy(zero_copy_only=False)
            starts = [0, *(np.flatnonzero(np.diff(codes)) + 1).tolist()] if len(codes) else []
            rows = batch.select(range(batch.num_columns - 1))
            for first, past in zip(starts, [*starts[1:], len(codes)], strict=True):
                found.setdefault(names.dictionary[codes[first]].as_py(), []).append(rows.slice(first, past - first))
    except Exception as cause:
        if not is_reading_error(cause):
            raise
        raise _Alone from cause
    return found
