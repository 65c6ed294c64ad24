"""An export as an SQL relation: how DuckDB is told to read it, and the expressions for its times, numbers and texts.

Columns of text files are called c0, c1, ... and declared, never inferred: a type taken from a sample rounds late
decimals and refuses late texts. Tag names enter SQL only as quoted words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from trendkit.exports.engine import identifier, literal
from trendkit.exports.moments import TimeForm
from trendkit.exports.numbers import DecimalMark
from trendkit.exports.table import TextTable
from trendkit.exports.textfile import Packing

ColumnType = Literal["text", "number", "boolean", "time"]


@dataclass(frozen=True)
class Relation:
    """A FROM clause and its columns: their SQL names and what they hold."""

    sql: str
    columns: tuple[str, ...]
    types: tuple[ColumnType, ...]
    row: str | None = None  # the column with each row's place in the file, from 1, when the rows were moved

    def number(self, index: int, decimal: DecimalMark, guards_underscores: bool = True) -> str:
        """Return the SQL of a column's number, NULL where a text cell is none by itself.

        DuckDB takes ``1_000`` for a number, as Python does; with `guards_underscores` it is left to be a text.
        """
        column = self.columns[index]
        if self.types[index] == "boolean":
            return f"CAST(CAST({column} AS TINYINT) AS DOUBLE)"
        if self.types[index] == "number":
            return f"CAST({column} AS DOUBLE)"
        if self.types[index] == "time":
            return "CAST(NULL AS DOUBLE)"
        marks = ([".", "_"] if decimal == "," else ["_"]) if guards_underscores else ["."] if decimal == "," else []
        plain = f"replace({column}, ',', '.')" if decimal == "," else column
        value = f"TRY_CAST({plain} AS DOUBLE)"
        if not marks:
            return value
        is_other = " OR ".join(f"contains({column}, {literal(mark)})" for mark in marks)
        return f"CASE WHEN {is_other} THEN NULL ELSE {value} END"

    def odd_cell(self, index: int, number: str) -> str:
        """Return the SQL condition for a cell that holds something of which `number` (its SQL) makes no number."""
        return f"({self.columns[index]} IS NOT NULL AND ({number} IS NULL OR NOT isfinite({number})))"

    def may_be_odd(self, index: int) -> bool:
        """Return True for a column whose cells can be texts where numbers are wanted."""
        return self.types[index] in ("text", "time")

    def text(self, index: int) -> str:
        """Return the SQL of a column as text."""
        return self.columns[index] if self.types[index] == "text" else f"CAST({self.columns[index]} AS VARCHAR)"

    def time_text(self, indices: Sequence[int]) -> str:
        """Return the SQL of a time as text, date and clock columns joined."""
        return " || ' ' || ".join(self.text(index) for index in indices)

    def time(self, form: TimeForm, indices: Sequence[int]) -> str:
        """Return the SQL of a time [us since 1970, in the form's own clock], NULL where it cannot be read quickly."""
        if form.kind == "native":
            return f"epoch_us(CAST({self.columns[indices[0]]} AS TIMESTAMP))"
        text = self.time_text(indices)
        if form.kind == "epoch":
            return f"TRY_CAST(round(TRY_CAST({text} AS DOUBLE) * {form.unit_us!r}) AS BIGINT)"
        if form.kind == "serial":
            days = f"TRY_CAST(replace({text}, ',', '.') AS DOUBLE)"
            return f"TRY_CAST(round(({days} - 25569) * 86400) AS BIGINT) * 1000000"
        if not form.formats:
            return "CAST(NULL AS BIGINT)"
        formats = ", ".join(literal(shape) for shape in form.formats)
        return f"epoch_us(try_strptime({text}, {f'[{formats}]' if len(form.formats) > 1 else formats}))"


def csv_relation(
    path: Path,
    packing: Packing,
    table: TextTable,
    numbers: Sequence[int] = (),
    decimal: DecimalMark = ".",
    keeps_rejects: bool = True,
) -> Relation:
    """Return a text file as a relation of texts.

    The columns in `numbers` are declared as numbers instead: quicker, but the first cell that is none stops the
    reading. With `keeps_rejects` rows of another width are set aside in DuckDB's ``reject_errors`` with their line.
    """
    columns = tuple(f"c{index}" for index in range(table.width))
    declared = ", ".join(f"{column}: '{'DOUBLE' if i in numbers else 'VARCHAR'}'" for i, column in enumerate(columns))
    options = [
        f"columns = {{{declared}}}",
        "auto_detect = false",
        "header = false",
        f"skip = {table.first_data_line - 1}",
        f"delim = {literal(table.delimiter)}",
        "quote = '\"'",
        "escape = '\"'",
        f"compression = '{packing or 'none'}'",
    ]
    if keeps_rejects:
        options.append("store_rejects = true")
    if numbers and decimal == ",":
        options.append("decimal_separator = ','")
    types: tuple[ColumnType, ...] = tuple("number" if i in numbers else "text" for i in range(len(columns)))
    return Relation(f"read_csv({literal(str(path))}, {', '.join(options)})", columns, types)


def parquet_relation(path: Path, names: Sequence[str], types: Sequence[ColumnType]) -> Relation:
    """Return a Parquet file as a relation with its own types."""
    return Relation(f"read_parquet({literal(str(path))})", tuple(identifier(name) for name in names), tuple(types))


def backwards(relation: Relation) -> Relation:
    """Return the relation with its rows in the opposite order of the file."""
    return _ordered(relation, "file_row DESC")


def by_time(relation: Relation, form: TimeForm, indices: Sequence[int]) -> Relation:
    """Return the relation with its rows in order of their time; rows without one come last."""
    return _ordered(relation, f"{relation.time(form, indices)} NULLS LAST, file_row")


def _ordered(relation: Relation, order: str) -> Relation:
    inner = f"(SELECT *, row_number() OVER () AS file_row FROM {relation.sql})"
    return Relation(f"(SELECT * FROM {inner} ORDER BY {order})", relation.columns, relation.types, "file_row")
