"""A moment found in a large file in order of time by halving, so that a few kilobytes answer what it holds there."""

from __future__ import annotations

from trendkit.exports import table, textfile
from trendkit.exports.moments import TimeForm
from trendkit.exports.sampling import row_moment
from trendkit.exports.sources import Source, TextSource

_PIECE = 16 * 1024


def times_between(source: Source, form: TimeForm, columns: tuple[int, ...], first_us: int, last_us: int) -> int | None:
    """Return how many different times lie from `first_us` up to `last_us`, as far as one look into the file shows.

    The file is wide and in order of time; times are in its own clock [us]. None when it cannot be entered in the
    middle.
    """
    if not isinstance(source, TextSource) or source.file.packing or source.file.size_bytes < 4 * textfile.HEAD_BYTES:
        return None
    low, high = 0, source.file.size_bytes
    while high - low > _PIECE:
        middle = (low + high) // 2
        moment = _first_moment(source, middle, form, columns)
        if moment is None:
            return None
        low, high = (middle, high) if moment < first_us else (low, middle)
    lines = textfile.lines_at(source.file, low, 2 * _PIECE)
    seen = {_moment(line, source, form, columns) for line in lines}
    return sum(moment is not None and first_us <= moment < last_us for moment in seen)


def _first_moment(source: TextSource, position: int, form: TimeForm, columns: tuple[int, ...]) -> int | None:
    for line in textfile.lines_at(source.file, position, _PIECE):
        moment = _moment(line, source, form, columns)
        if moment is not None:
            return moment
    return None


def _moment(line: str, source: TextSource, form: TimeForm, columns: tuple[int, ...]) -> int | None:
    return row_moment(table.split_line(line, source.table.delimiter), form, columns)
