"""Where the rows of an export come from: a text file, a workbook (read as the text it would export) or Parquet.

A source knows its header, its first rows and how DuckDB reaches all of them.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from trendkit.errors import InputError, Problem
from trendkit.exports.engine import connection, identifier, literal
from trendkit.exports.moments import TimeForm
from trendkit.exports.numbers import DecimalMark
from trendkit.exports.relation import ColumnType, Relation, csv_relation, parquet_relation
from trendkit.exports.size_limits import require_readable_size
from trendkit.exports.table import TextTable
from trendkit.exports.textfile import COPY_NAME, TextFile, plain_copy

_GLOB_CHARACTERS = frozenset("*?[]{}")


def has_pattern(path: Path) -> bool:
    """Return True for a path DuckDB takes for a pattern."""
    return bool(_GLOB_CHARACTERS & set(str(path)))


def plain_path(path: Path, folder: Path) -> Path:
    """Return a path DuckDB does not take for a pattern: the file's own, or a link to it in `folder`."""
    if not has_pattern(path):
        return path
    link = folder / f"plain{len(list(folder.iterdir()))}"
    try:
        link.symlink_to(path.resolve())
    except OSError:
        shutil.copyfile(path, link)
    return link


@dataclass(frozen=True)
class TextSource:
    """A text file and the layout of its rows; `is_workbook` when it stands in for a sheet of the workbook `name`."""

    file: TextFile
    table: TextTable
    is_workbook: bool = False
    name: str = ""

    @property
    def header(self) -> tuple[str, ...]:
        """Names of the columns, "" without one."""
        return self.table.header

    @property
    def units(self) -> tuple[str, ...]:
        """Units stated under the header, "" without one."""
        return self.table.units

    def column(self, index: int) -> list[str]:
        """Return the first filled cells of a column."""
        return self.table.column(index)

    def native_time(self, index: int) -> TimeForm | None:
        """Return None: a text file types nothing."""
        return None

    def copied(self) -> TextSource:
        """Return the source as one that is read from a plain copy."""
        return replace(self, file=replace(self.file, needs_copy=True))

    def relation(
        self,
        folder: Path,
        numbers: tuple[int, ...] = (),
        decimal: DecimalMark = ".",
        keeps_rejects: bool = True,
    ) -> Relation:
        """Return the rows as a relation; `folder` takes the plain copy some files need."""
        name = self.name or self.file.path.name
        if self.file.needs_copy:
            copy = folder / COPY_NAME
            if not copy.exists():
                require_readable_size(self.file.path, self.file.packing, name, has_lines=False)
                plain_copy(self.file, folder)
            require_readable_size(copy, "", name)
            return csv_relation(copy, "", self.table, numbers, decimal, keeps_rejects)
        require_readable_size(self.file.path, self.file.packing, name)
        path = plain_path(self.file.path, folder)
        return csv_relation(path, self.file.packing, self.table, numbers, decimal, keeps_rejects)


@dataclass(frozen=True)
class ParquetSource:
    """A Parquet file with the names and types it declares."""

    path: Path
    header: tuple[str, ...]
    types: tuple[ColumnType, ...]
    zoned: tuple[bool, ...]  # a time column that names UTC
    rows: int
    first_rows: tuple[tuple[str, ...], ...] = field(repr=False)

    @property
    def units(self) -> tuple[str, ...]:
        """Units, which Parquet does not state: "" for each column."""
        return ("",) * len(self.header)

    def column(self, index: int) -> list[str]:
        """Return the first filled cells of a column, as texts."""
        return [row[index] for row in self.first_rows if row[index]]

    def native_time(self, index: int) -> TimeForm | None:
        """Return the form of a column typed as times, else None."""
        if self.types[index] != "time":
            return None
        return TimeForm("native", order="year_first", is_absolute=self.zoned[index])

    def relation(
        self,
        folder: Path,
        numbers: tuple[int, ...] = (),
        decimal: DecimalMark = ".",
        keeps_rejects: bool = True,
    ) -> Relation:
        """Return the rows as a relation; the columns have their own types."""
        return parquet_relation(plain_path(self.path, folder), self.header, self.types)


Source = TextSource | ParquetSource


def look_at_parquet(path: Path) -> ParquetSource:
    """Return a Parquet file's columns and first rows.

    Raises
    ------
    InputError
        When it is no whole Parquet file or holds no row.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        metadata = pq.ParquetFile(path)
    except (pa.ArrowInvalid, OSError) as cause:
        raise InputError(
            Problem(
                "this is no whole Parquet file",
                file=path.name,
                found=str(cause).splitlines()[0],
                hint="write it again",
            )
        ) from cause
    schema = metadata.schema_arrow
    rows = metadata.metadata.num_rows
    if rows == 0:
        raise InputError(Problem("the file has columns and no row", file=path.name, expected="rows with a time each"))
    header = tuple(str(name) for name in schema.names)
    types = tuple(_column_type(field_type) for field_type in schema.types)
    zoned = tuple(pa.types.is_timestamp(each) and each.tz is not None for each in schema.types)
    return ParquetSource(path, header, types, zoned, rows, _first_rows(path, header))


def _column_type(arrow_type: Any) -> ColumnType:
    import pyarrow as pa

    if pa.types.is_dictionary(arrow_type):
        return _column_type(arrow_type.value_type)
    if pa.types.is_timestamp(arrow_type) or pa.types.is_date(arrow_type):
        return "time"
    if pa.types.is_boolean(arrow_type):
        return "boolean"
    if pa.types.is_integer(arrow_type) or pa.types.is_floating(arrow_type) or pa.types.is_decimal(arrow_type):
        return "number"
    return "text"


def _first_rows(path: Path, header: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    import tempfile

    with connection() as database, tempfile.TemporaryDirectory(prefix="trendkit-") as folder:
        columns = ", ".join(f"CAST({identifier(name)} AS VARCHAR)" for name in header)
        file = literal(str(plain_path(path, Path(folder))))
        rows = database.execute(f"SELECT {columns} FROM read_parquet({file}) LIMIT 400").fetchall()
    return tuple(tuple("" if cell is None else str(cell) for cell in row) for row in rows)


def spoken_kind(
    kind: Literal["empty", "workbook", "old_workbook", "parquet", "gzip", "zstd", "pdf", "text"],
) -> str:
    """Return a kind of file in plain words."""
    return {
        "workbook": "an Excel workbook",
        "old_workbook": "an old Excel workbook (.xls)",
        "pdf": "a PDF",
        "parquet": "a Parquet file",
        "gzip": "a gzip file",
        "zstd": "a zstd file",
    }.get(kind, "a text file")
