"""DuckDB as this room uses it: bounded memory, UTC, file order kept, and every name and text quoted in one place.

It is loaded with the first file read: what comes from an archive does without.
"""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from trendkit.errors import Problem, has_no_room

MEMORY_LIMIT = "400MB"
THREADS = 2
# Rows scanned ahead while a batch is weighed; the engine's own 1 MB, less than a batch, has it wait for us.
AHEAD = "64MB"


class ReadingError(Exception):
    """A file does not hold what DuckDB was told it holds."""


def is_reading_error(cause: Exception) -> bool:
    """Return True for an error of the content read, which another way of reading may get over; a full disk is none."""
    import duckdb
    import pyarrow as pa

    return not has_no_room(cause) and isinstance(cause, (ReadingError, duckdb.Error, pa.ArrowException, OSError))


def unreadable(file: str, cause: Exception, rows: int) -> Problem:
    """Return the problem of a file that no way of reading gets through, after `rows` rows."""
    return Problem(
        "the rows of the file cannot be read",
        file=file,
        place=f"after row {rows}",
        found=str(cause).splitlines()[0],
        expected="one row a line, cells between delimiters",
        hint="export it again; a quotation mark that is never closed is the usual cause",
    )


@contextmanager
def connection() -> Iterator[Any]:
    """Give a private in-memory DuckDB that spills to the system's temporary folder and leaves nothing there."""
    import duckdb

    with tempfile.TemporaryDirectory(prefix="trendkit-") as spill:
        database = duckdb.connect()
        try:
            database.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
            database.execute(f"SET threads = {THREADS}")
            database.execute(f"SET streaming_buffer_size = '{AHEAD}'")
            database.execute(f"SET temp_directory = {literal(spill)}")
            database.execute("SET TimeZone = 'UTC'")
            database.execute("SET preserve_insertion_order = true")
            database.execute("SET enable_progress_bar = false")
            database.execute("SET autoinstall_known_extensions = false")  # nothing is ever fetched
            database.execute("SET autoload_known_extensions = false")
            database.execute("SET python_enable_replacements = false")
            database.execute("SET lock_configuration = true")
            yield database
        except duckdb.Error as cause:
            if has_no_room(cause):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), spill) from cause
            raise
        finally:
            database.close()


def record_batches(relation: Any, size: int) -> Iterable[Any]:
    """Return a query's rows as Arrow record batches of at most `size` rows, made as they are asked for."""
    # the name since DuckDB 1.5; the older one is deprecated since
    read = getattr(relation, "to_arrow_reader", None) or relation.fetch_arrow_reader
    batches: Iterable[Any] = read(size)
    return batches


def has_table(database: Any, name: str) -> bool:
    """Return True when a connection has a table or view of this name."""
    import duckdb

    try:
        database.execute(f"SELECT 1 FROM {identifier(name)} LIMIT 1")
    except duckdb.CatalogException:
        return False
    return True


def identifier(name: str) -> str:
    """Return a column name as SQL, whatever it holds.

    Examples
    --------
    >>> identifier('flow "A"; drop')
    '"flow ""A""; drop"'
    """
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return a text as an SQL string, whatever it holds.

    Examples
    --------
    >>> literal("it's")
    "'it''s'"
    """
    return "'" + text.replace("'", "''") + "'"


def enum_type(words: Iterable[str]) -> str:
    """Return the SQL type whose values are these distinct words, in their order."""
    return "ENUM(" + ", ".join(literal(word) for word in words) + ")"
