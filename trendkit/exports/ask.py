"""Questions that only the whole file can answer, asked in one pass each and only where the sampled rows are silent."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from trendkit.errors import InputError
from trendkit.exports.clock import Turn
from trendkit.exports.engine import connection, is_reading_error, unreadable
from trendkit.exports.layout import Layout
from trendkit.exports.moments import TimeForm
from trendkit.exports.relation import Relation
from trendkit.exports.sources import Source, TextSource


def _answers(source: Source, question: Callable[[Relation], str]) -> list[Any]:
    """Return the rows of one query on a source's relation; of its plain copy, where the file cannot be read as it is.

    Raises
    ------
    InputError
        When even the plain copy cannot be read.
    """
    sources = [source, source.copied()] if isinstance(source, TextSource) else [source]
    for each in sources:
        with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
            try:
                rows: list[Any] = database.execute(question(each.relation(Path(folder)))).fetchall()
                return rows
            except Exception as cause:
                if not is_reading_error(cause):
                    raise
                failed = cause
    name = source.file.path.name if isinstance(source, TextSource) else source.path.name
    raise InputError(unreadable(name, failed, 0)) from failed


def distinct_texts(source: Source, columns: Sequence[int]) -> list[str]:
    """Return every distinct text in some columns, in order of name, without the empty one."""
    found: set[str] = set()
    for column in columns:

        def question(rows: Relation, column: int = column) -> str:
            return f"SELECT DISTINCT {rows.text(column)} FROM {rows.sql}"

        found |= {row[0] for row in _answers(source, question) if row[0] and row[0].strip()}
    return sorted(found)


def distinct_dates(source: Source, columns: Sequence[int]) -> list[str]:
    """Return every distinct date written in a time column, as text, in the order of the file."""

    def question(rows: Relation) -> str:
        text = f"trim({rows.time_text(columns)})"
        date = f"regexp_extract({text}, '^[0-9]{{1,4}}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,4}}')"
        numbered = f"SELECT {date} AS d, row_number() OVER () AS n FROM {rows.sql}"
        return f"SELECT d FROM ({numbered}) GROUP BY d ORDER BY min(n)"

    return [row[0] for row in _answers(source, question) if row[0]]


def times_never_shown(source: Source, form: TimeForm, columns: Sequence[int], turn: Turn) -> int:
    """Return how many distinct times of a file lie in the hour a clock change skips (at most 10)."""
    inside = f"t >= {turn.first_local_us} AND t < {turn.last_local_us}"

    def question(rows: Relation) -> str:
        return (
            f"SELECT DISTINCT t FROM (SELECT {rows.time(form, columns)} AS t FROM {rows.sql}) WHERE {inside} LIMIT 10"
        )

    return len(_answers(source, question))


def first_and_last(source: Source, meaning: Layout) -> tuple[int, int] | None:
    """Return the first and last time of a file [us, in its own clock], None when no time can be read."""
    long = meaning.long
    timed = [(long.time, long.time_columns)] if long else [(g.time, g.time_columns) for g in meaning.groups]
    ends = []
    for form, columns in timed:

        def question(rows: Relation, form: TimeForm = form, columns: tuple[int, ...] = columns) -> str:
            return f"SELECT min(t), max(t) FROM (SELECT {rows.time(form, columns)} AS t FROM {rows.sql})"

        ends += _answers(source, question)
    known = [end for end in ends if end[0] is not None]
    return (min(end[0] for end in known), max(end[1] for end in known)) if known else None
