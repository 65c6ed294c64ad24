"""Workbooks read as the text they would export: one sheet, its cells as texts, dates and numbers unrounded."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Any

from trendkit.errors import InputError, Problem
from trendkit.exports.workbook_limits import require_workbook_size


@lru_cache(maxsize=1)
def _folder() -> tempfile.TemporaryDirectory[str]:
    """The folder of this process that holds sheets as text; removed with the process."""
    return tempfile.TemporaryDirectory(prefix="trendkit-sheets-")


def sheet_as_text(path: Path) -> Path:
    """Return a CSV file with the rows of a workbook's first filled sheet.

    Raises
    ------
    InputError
        When the workbook cannot be opened, or no sheet holds rows.
    """
    return _sheet_of(path)[0]


def sheet_note(path: Path) -> str:
    """Return which sheet of a workbook was read and which others it has, as a note on the file."""
    _, name, others = _sheet_of(path)
    unread = f"; not read: {', '.join(map(repr, others))} (save a sheet as a file of its own)" if others else ""
    return f"read from the first filled sheet of the workbook, {name!r}{unread}"


def _sheet_of(path: Path) -> tuple[Path, str, tuple[str, ...]]:
    """Return the first filled sheet as text, its name and the names of the others."""
    stat = path.stat()
    return _written(path.resolve(), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=256)
def _written(path: Path, _changed_ns: int, _size: int) -> tuple[Path, str, tuple[str, ...]]:
    rows, name, others = _rows(path)
    target = Path(_folder().name) / f"sheet{len(list(Path(_folder().name).iterdir()))}.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([_text(cell) for cell in row] for row in rows)
    return target, name, others


def _rows(path: Path) -> tuple[Iterator[list[Any]], str, tuple[str, ...]]:
    import python_calamine

    try:
        require_workbook_size(path)
        workbook = python_calamine.CalamineWorkbook.from_path(str(path))
        for name in workbook.sheet_names:
            sheet = workbook.get_sheet_by_name(name)
            if sheet.height > 1:
                above = sheet.start[0] if sheet.start else 0  # empty rows at the top, so that line numbers stay right
                rows: Iterator[list[Any]] = sheet.iter_rows()
                others = tuple(each for each in workbook.sheet_names if each != name)
                return chain(([] for _ in range(above)), rows), name, others
    except (InputError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as cause:  # calamine raises its own kinds, and one beside Exception when it gives up
        raise InputError(
            Problem(
                "the workbook cannot be opened",
                file=path.name,
                found=str(cause),
                hint="save it again, or export as CSV",
            )
        ) from cause
    raise InputError(Problem("no sheet of the workbook holds rows", file=path.name, expected="a header and rows"))


def _text(cell: Any) -> str:
    """Return a cell as text; times to the nearest millisecond, as a spreadsheet's days carry no more."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    if isinstance(cell, datetime):
        exact = cell + timedelta(microseconds=500)
        return exact.replace(microsecond=exact.microsecond // 1000 * 1000).isoformat(sep=" ")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, time):
        return cell.isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return " ".join(str(cell).split("\n"))
