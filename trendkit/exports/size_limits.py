"""How much a file may hold before it is read: what it unpacks to, and how long its lines are.

A packed file of a megabyte can unpack to a gigabyte, and the engine passes over a line longer than its buffer without
a word. Both are found here, in bounded memory, and said; shorter lines that are still too long (2 MB) the engine
refuses one by one.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from trendkit.errors import InputError, Problem
from trendkit.exports.textfile import Packing, open_bytes

MB = 1024 * 1024
MOST_LINE_BYTES = 8 * MB
MOST_UNPACKED_BYTES = 1024 * MB  # of any packed file, however small
MOST_UNPACKED_TIMES = 200  # a packed file may unpack to this many times its size where that is more; exports do to 50
MOST_SHEET_BYTES = 64 * MB  # a bench sheet is read whole
_WINDOW_BYTES = 64 * 1024


def require_readable_size(path: Path, packing: Packing, name: str, has_lines: bool = True) -> None:
    """Raise an InputError when a file unpacks to more than it may, or holds a line no row can be.

    With `has_lines` False its lines are not looked at: it will be copied with other line ends first.
    """
    state = path.stat()
    is_too_large, long_line = _looked_through(path, packing, has_lines, state.st_size, state.st_mtime_ns)
    if is_too_large:
        raise InputError(unpacks_to_too_much(name, state.st_size, allowed_bytes(state.st_size)))
    if long_line is not None:
        raise InputError(
            Problem(
                "a line of the file is too long for a row of readings",
                file=name,
                place=f"line {long_line}",
                found=f"more than {MOST_LINE_BYTES // MB} MB without a line end",
                expected="one row a line",
                hint="take the line out, or export again",
            )
        )


def allowed_bytes(packed_bytes: int) -> int:
    """Return how much a packed file of a size may unpack to [bytes].

    Examples
    --------
    >>> allowed_bytes(1000) // 1024**2, allowed_bytes(100 * 1024**2) // 1024**2
    (1024, 20000)
    """
    return max(MOST_UNPACKED_BYTES, MOST_UNPACKED_TIMES * packed_bytes)


def unpacks_to_too_much(name: str, packed_bytes: int, allowed: int) -> Problem:
    """Return the problem of a file that unpacks to more than it may."""
    return Problem(
        "the packed file unpacks to more than an export would",
        file=name,
        found=f"over {allowed // MB:,} MB from {max(packed_bytes // 1024, 1):,} kB",
        expected=f"at most {MOST_UNPACKED_TIMES} times its size, or {MOST_UNPACKED_BYTES // MB:,} MB if that is more",
        hint="ask whoever sent it what it is; a real export can be unpacked by hand and named unpacked",
    )


def too_large_a_sheet(name: str) -> Problem:
    """Return the problem of a bench sheet that is too large to be one."""
    return Problem(
        "the file is too large for a bench sheet",
        file=name,
        found=f"more than {MOST_SHEET_BYTES // MB} MB of text",
        expected="a row for each result of the bench",
        hint="if it holds tag readings, name it otherwise than [lab], [tickets] or [deliveries] files",
    )


@lru_cache(maxsize=4096)
def _looked_through(
    path: Path, packing: Packing, has_lines: bool, size: int, _changed_ns: int
) -> tuple[bool, int | None]:
    """Return whether a file unpacks to too much, and the number of its first line that is too long."""
    if not packing:
        start = _long_line_of_plain(path, size) if has_lines else None
        return False, None if start is None else _line_at(path, start)
    allowed, passed, line, unbroken = allowed_bytes(size), 0, 1, 0
    with open_bytes(path, packing) as (file, _):
        while piece := file.read(MB):
            passed += len(piece)
            if passed > allowed:
                return True, None
            if has_lines:
                if b"\n" not in piece:
                    unbroken += len(piece)
                else:
                    unbroken, line = len(piece) - piece.rfind(b"\n") - 1, line + piece.count(b"\n")
                if unbroken > MOST_LINE_BYTES:
                    return False, line
    return False, None


def _long_line_of_plain(path: Path, size: int) -> int | None:
    """Return where the first too long line of a plain file begins [bytes]; a few looks a file, not all of it."""
    with path.open("rb") as file:
        start = 0
        while start + MOST_LINE_BYTES < size:
            end = start + MOST_LINE_BYTES
            while end > start:
                begin = max(end - _WINDOW_BYTES, start)
                file.seek(begin)
                found = file.read(end - begin).rfind(b"\n")
                if found >= 0:
                    break
                end = begin
            else:
                return start
            start = begin + found + 1
    return None


def _line_at(path: Path, position: int) -> int:
    with path.open("rb") as file:
        line = 1
        while position > 0 and (piece := file.read(min(position, MB))):
            line += piece.count(b"\n")
            position -= len(piece)
    return line
