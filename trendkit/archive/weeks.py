"""Where readings are kept: a folder for each press and each week of UTC in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

import pandas as pd

from trendkit.archive.elsewhere import copies_of
from trendkit.exports import names
from trendkit.plant.model import Plant, Tag

OBSERVATIONS = "observations"
SHARED = "_shared"  # in place of a press: meters that serve several, and tags the plant file does not know
DAY_US = 86_400_000_000
_WEEKDAY_OF_1970_01_01 = 3  # Thursday, counted from Monday


def folder_of(plant: Plant) -> Path:
    """Return the plant's archive folder; a relative one lies beside the plant file.

    Of an archive at an address it is the folder of copies (`trendkit.archive.elsewhere`).
    """
    if plant.archive_url is not None:
        return copies_of(plant.archive_url)
    return plant.archive if plant.archive.is_absolute() else plant.path.parent / plant.archive


def place_of(home: str, week: str) -> str:
    """Return the folder of a press's week below the archive folder.

    Examples
    --------
    >>> place_of("bfp-1", "2026-03-16")
    'observations/press=bfp-1/week=2026-03-16'
    """
    return f"{OBSERVATIONS}/press={home}/week={week}"


def week_of(time_us: int) -> str:
    """Return the Monday with which the week of UTC begins in which a time [us since 1970] lies.

    Examples
    --------
    >>> week_of(1_772_409_600_000_000), week_of(1_772_409_599_999_999)
    ('2026-03-02', '2026-02-23')
    """
    return _week_of_day(time_us // DAY_US)


@lru_cache(maxsize=4096)
def _week_of_day(day: int) -> str:
    monday = day - (day + _WEEKDAY_OF_1970_01_01) % 7
    return pd.Timestamp(monday * DAY_US, unit="us").strftime("%Y-%m-%d")


@lru_cache(maxsize=4096)
def edges_of(week: str) -> tuple[int, int]:
    """Return where a week of UTC begins and where the next one does [us since 1970]."""
    start = microseconds(pd.Timestamp(week))
    return start, start + 7 * DAY_US


def microseconds(moment: pd.Timestamp) -> int:
    """Return a moment as microseconds since 1970 UTC."""
    return int(moment.as_unit("us").asm8.astype("int64"))


def homes_of(plant: Plant) -> dict[str, str]:
    """Return for each tag of the plant file (by its key) the press it belongs to, `SHARED` for common meters."""
    homes: dict[str, str] = {}
    for press in plant.presses:
        for tag in tags_of([press.tags, *(change.settings.get("tags", {}) for change in press.changes)]):
            key = names.key(tag.tag)
            mine = press.slug if not tag.split_among else SHARED
            homes[key] = mine if homes.get(key, mine) == mine else SHARED
    return homes


def tags_of(tables: Iterable[object]) -> list[Tag]:
    """Return the tags in some tables of roles and tags."""
    return [tag for table in tables if isinstance(table, Mapping) for tag in table.values() if isinstance(tag, Tag)]
