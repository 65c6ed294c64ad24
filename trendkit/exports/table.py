"""The rows and columns inside a text file: delimiter, header, units row, what stands above and below the rows.

Comes in: the first lines. Goes out: `TextTable`, by which DuckDB reads the whole file; nothing is decided here on
what the columns mean.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile

from trendkit.errors import InputError, Problem
from trendkit.exports import moments, names
from trendkit.exports.textfile import TextFile

DELIMITERS = (",", ";", "\t", "|")
LOOKED_AT = 400  # lines
_COLUMN_ROWS = 120  # enough to tell what a column holds; no type is ever taken from them

_UNIT_WORDS = frozenset(
    [
        "gpm",
        "gal/min",
        "gal/h",
        "gph",
        "mgd",
        "m3/h",
        "m³/h",
        "l/h",
        "l/min",
        "l/s",
        "m3",
        "m³",
        "gal",
        "%",
        "%ts",
        "%ds",
        "pct",
        "percent",
        "mg/l",
        "g/l",
        "kg/m3",
        "ntu",
        "fnu",
        "kg/h",
        "lb/h",
        "t/h",
        "kg",
        "lb",
        "t",
        "kpa",
        "psi",
        "psig",
        "bar",
        "mbar",
        "kn/m",
        "lbf/in",
        "pli",
        "m/min",
        "ft/min",
        "fpm",
        "m/s",
        "mm",
        "in",
        "inch",
        "cm",
        "m",
        "ft",
        "rpm",
        "hz",
        "°c",
        "°f",
        "degc",
        "degf",
        "c",
        "f",
        "kw",
        "hp",
        "kwh",
        "a",
        "amp",
        "v",
        "ma",
        "s",
        "sec",
        "min",
        "h",
        "-",
        "--",
        "unit",
        "units",
        "einheit",
        "bool",
        "state",
        "on/off",
        "1/0",
    ]
)


@dataclass(frozen=True)
class TextTable:
    """How the rows of a text file are laid out. Columns are counted from 0, lines from 1."""

    delimiter: str
    header: tuple[str, ...]  # trimmed names, one per column; "" for a column without a name
    units: tuple[str, ...]  # per column, "" where none is stated
    first_data_line: int
    skipped: tuple[tuple[int, str], ...]  # lines above the rows that are neither header nor units
    rows: tuple[tuple[str, ...], ...]  # the first rows, as texts

    @property
    def width(self) -> int:
        """Number of columns of a data row."""
        return len(self.header)

    def column(self, index: int) -> list[str]:
        """Return the cells of one column in the first rows, without the empty ones."""
        rows = self.rows[:_COLUMN_ROWS]
        return [row[index].strip() for row in rows if index < len(row) and row[index].strip()]


def split_line(line: str, delimiter: str) -> tuple[str, ...]:
    """Return the cells of one line; one beyond what a quoted cell may hold is cut at its delimiters alone."""
    try:
        return tuple(next(csv.reader([line], delimiter=delimiter), []))
    except csv.Error:
        return tuple(line.split(delimiter))


def _is_moment(cell: str) -> bool:
    return moments.take_apart(cell) is not None


def _is_time_like(cell: str) -> bool:
    return _is_moment(cell) or moments.number_form([cell]) is not None


def read_table(file: TextFile, known: Mapping[str, str]) -> TextTable:
    """Return the layout of a text file's rows; `known` holds the plant's tag names by their key.

    Raises
    ------
    InputError
        When no line reads as a row with a time, or there is a header and no row.
    """
    lines = file.head.split("\n")[:LOOKED_AT]
    if lines and not file.ends_with_newline and file.is_whole and len(lines) > 2:
        lines = lines[:-1]  # a last line without its end may be cut
    best: tuple[tuple[int, int], str, list[tuple[str, ...]]] | None = None
    for delimiter in DELIMITERS:
        split = [split_line(line, delimiter) if line.strip() else () for line in lines]
        score = _score(split)
        if best is None or score > best[0]:
            best = (score, delimiter, split)
    assert best is not None
    (timed, _), delimiter, split = best
    if timed == 0:
        raise InputError(_no_rows(file, split))
    return _laid_out(file, delimiter, split, lines, known)


def _score(split: Sequence[tuple[str, ...]]) -> tuple[int, int]:
    """Return how many rows of the usual width hold a time, and that width."""
    widths = Counter(len(row) for row in split if len(row) > 1)
    if not widths:
        return 0, 0
    width = widths.most_common(1)[0][0]
    rows = [row for row in split if len(row) == width]
    timed = sum(any(_is_time_like(cell) for cell in row if cell.strip()) for row in rows)
    return timed, width


def _no_rows(file: TextFile, split: Sequence[tuple[str, ...]]) -> Problem:
    filled = [row for row in split if any(cell.strip() for cell in row)]
    names_found = ", ".join(repr(names.trimmed(cell)) for cell in filled[0][:6]) if filled else "nothing"
    if len(filled) <= 1:
        return Problem(
            "the file has a header and no row",
            file=file.path.name,
            found=names_found,
            expected="rows with a time each",
            hint="export the period again, or leave the file out",
        )
    return Problem(
        "no column of the file holds times",
        file=file.path.name,
        place=f"line {next(i for i, row in enumerate(split, 1) if row)}",
        found=f"columns {names_found}",
        expected="a column of times, such as 2026-03-01 00:00:00",
        hint="export with the time of each row, or leave the file out",
    )


def _laid_out(
    file: TextFile, delimiter: str, split: Sequence[tuple[str, ...]], lines: Sequence[str], known: Mapping[str, str]
) -> TextTable:
    widths = Counter(len(row) for row in split if any(_is_time_like(cell) for cell in row))
    width = widths.most_common(1)[0][0]
    time_columns = _time_columns(split, width)
    first = next((i for i, row in enumerate(split) if _is_data_row(row, width, time_columns)), None)
    if first is None:  # cells that look like times, and no column of them
        raise InputError(_no_rows(file, split))
    above = [i for i in range(first) if split[i] and any(cell.strip() for cell in split[i])]
    header_at, units_at = _header_lines(split, above, width, known)
    header = [names.trimmed(cell) for cell in split[header_at]] if header_at is not None else []
    header = (header + [""] * width)[:width] if len(header) <= width or not any(header[width:]) else header
    units = [_bare_unit(cell) for cell in split[units_at]] if units_at is not None else []
    used = {header_at, units_at}
    rows = [row for row in split[first:] if len(row) == width]
    return TextTable(
        delimiter,
        tuple(header[:width]),
        tuple((units + [""] * width)[:width]),
        first + 1,
        tuple((i + 1, lines[i].strip()) for i in above if i not in used),
        tuple(rows),
    )


def _bare_unit(cell: str) -> str:
    return names.trimmed(cell).strip("[]()").strip()


def _time_columns(split: Sequence[tuple[str, ...]], width: int) -> set[int]:
    """Return the columns in which most rows of the usual width hold a time (texts before bare numbers)."""
    rows = [row for row in split if len(row) == width]
    for test in (_is_moment, moments.is_clock_only, _is_time_like):
        shares = {}
        for column in range(width):
            filled = [row[column] for row in rows if row[column].strip()]
            shares[column] = sum(test(cell) for cell in filled) / max(len(filled), 1)
        found = {column for column, share in shares.items() if share > 0.0 and share >= 0.5 * max(shares.values())}
        if found:
            return found
    return set()


def _is_data_row(row: tuple[str, ...], width: int, time_columns: set[int]) -> bool:
    return len(row) == width and any(column < width and _is_time_like(row[column]) for column in time_columns)


def _is_unit(cell: str) -> bool:
    bare = _bare_unit(cell).casefold()
    return bare == "" or bare in _UNIT_WORDS or bare.replace(" ", "") in _UNIT_WORDS


def _header_lines(
    split: Sequence[tuple[str, ...]], above: Sequence[int], width: int, known: Mapping[str, str]
) -> tuple[int | None, int | None]:
    """Return the lines (from 0) of the header and of the units row among those above the first row."""
    near = list(takewhile(lambda i: len(split[i]) >= width - 1, reversed(above)))
    candidates = [i for i in near if not _is_preamble(split[i])]
    if not candidates:
        return None, None
    units_at = None
    if len(candidates) > 1 and all(_is_unit(cell) for cell in split[candidates[0]][1:]):
        units_at = candidates[0]
        candidates = candidates[1:]
    matches = {i: sum(names.canonical(cell, known) in known.values() for cell in split[i]) for i in candidates}
    most = max(matches.values())
    header_at = max(i for i in candidates if matches[i] == most) if most else min(candidates)
    return header_at, units_at


def _is_preamble(row: tuple[str, ...]) -> bool:
    filled = sum(bool(cell.strip()) for cell in row)
    return filled < 2 or filled < 0.4 * len(row)
