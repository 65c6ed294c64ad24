"""Questions that only the whole file can answer, asked in one pass each and only where the sampled rows are silent."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

from trendkit.exports.clock import Turn
from trendkit.exports.engine import connection
from trendkit.exports.layout import Layout
from trendkit.exports.moments import TimeForm
from trendkit.exports.relation import Relation
from trendkit.exports.sources import Source


def distinct_texts(source: Source, columns: Sequence[int]) -> list[str]:
    """Return every distinct text in some columns, in order of name, without the empty one."""
    found: set[str] = set()
    with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
        relation = source.relation(Path(folder))
        for column in columns:
            query = f"SELECT DISTINCT {relation.text(column)} FROM {relation.sql}"
            found |= {row[0] for row in database.execute(query).fetchall() if row[0] and row[0].strip()}
    return sorted(found)


def distinct_dates(source: Source, columns: Sequence[int]) -> list[str]:
    """Return every distinct date written in a time column, as text, in the order of the file."""
    with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
        relation = source.relation(Path(folder))
        date = f"regexp_extract(trim({relation.time_text(columns)}), '^[0-9]{{1,4}}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,4}}')"
        numbered = f"SELECT {date} AS d, row_number() OVER () AS n FROM {relation.sql}"
        query = f"SELECT d FROM ({numbered}) GROUP BY d ORDER BY min(n)"
        return [row[0] for row in database.execute(query).fetchall() if row[0]]


def times_never_shown(source: Source, form: TimeForm, columns: Sequence[int], turn: Turn) -> int:
    """Return how many distinct times of a file lie in the hour a clock change skips (at most 10)."""
    with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
        relation: Relation = source.relation(Path(folder))
        time = relation.time(form, columns)
        inside = f"t >= {turn.first_local_us} AND t < {turn.last_local_us}"
        query = f"SELECT DISTINCT t FROM (SELECT {time} AS t FROM {relation.sql}) WHERE {inside} LIMIT 10"
        return len(database.execute(query).fetchall())


def first_and_last(source: Source, meaning: Layout) -> tuple[int, int] | None:
    """Return the first and last time of a file [us, in its own clock], None when no time can be read."""
    with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
        relation = source.relation(Path(folder))
        long = meaning.long
        timed = [(long.time, long.time_columns)] if long else [(g.time, g.time_columns) for g in meaning.groups]
        ends = []
        for form, columns in timed:
            query = f"SELECT min(t), max(t) FROM (SELECT {relation.time(form, columns)} AS t FROM {relation.sql})"
            ends.append(database.execute(query).fetchone())
    known = [end for end in ends if end is not None and end[0] is not None]
    return (min(end[0] for end in known), max(end[1] for end in known)) if known else None
