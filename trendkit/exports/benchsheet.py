"""How a bench sheet is known by its header, so that it is never taken for an export, nor an export for it."""

from __future__ import annotations

from collections.abc import Sequence

from trendkit.exports import names

COLUMNS = ("sampled_at", "press", "point", "analysis", "value", "unit", "note")

_ALSO_CALLED = {
    "sampled_at": (
        "sampled_at",
        "sampled",
        "sample_time",
        "sampling_time",
        "date",
        "time",
        "datetime",
        "timestamp",
    ),
    "press": ("press", "machine", "line"),
    "point": ("point", "sample_point", "sampling_point", "location"),
    "analysis": ("analysis", "test", "parameter", "determination"),
    "value": ("value", "result"),
    "unit": ("unit", "units"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks"),
}


def column_places(header: Sequence[str]) -> dict[str, int]:
    """Return where the columns of a long bench sheet stand, by their contract name; absent ones are left out."""
    words = [names.word(name) for name in header]
    places = {}
    for column, spellings in _ALSO_CALLED.items():
        for spelling in spellings:
            if spelling in words:
                places[column] = words.index(spelling)
                break
    return places


def is_bench_sheet(header: Sequence[str]) -> bool:
    """Return True for the header of a long bench sheet: samples with a point and an analysis.

    Examples
    --------
    >>> is_bench_sheet(["sampled_at", "press", "point", "analysis", "value", "unit", "note"])
    True
    >>> is_bench_sheet(["Time", "Tag", "Value"])
    False
    """
    places = column_places(header)
    return all(column in places for column in ("point", "analysis", "value"))
