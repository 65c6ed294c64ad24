"""Where readings are kept: a folder for each press and each month of UTC in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

import pandas as pd

from trendkit.exports import names
from trendkit.plant.model import Plant, Tag

OBSERVATIONS = "observations"
SHARED = "_shared"  # in place of a press: meters that serve several, and tags the plant file does not know
DAY_US = 86_400_000_000


def folder_of(plant: Plant) -> Path:
    """Return the plant's archive folder; a relative one lies beside the plant file."""
    return plant.archive if plant.archive.is_absolute() else plant.path.parent / plant.archive


def place_of(home: str, month: str) -> str:
    """Return the folder of a press's month below the archive folder.

    Examples
    --------
    >>> place_of("bfp-1", "2026-03")
    'observations/press=bfp-1/month=2026-03'
    """
    return f"{OBSERVATIONS}/press={home}/month={month}"


def month_of(time_us: int) -> str:
    """Return the month of UTC in which a time [us since 1970] lies.

    Examples
    --------
    >>> month_of(1_772_323_200_000_000), month_of(1_772_323_199_999_999)
    ('2026-03', '2026-02')
    """
    return _month_of_day(time_us // DAY_US)


@lru_cache(maxsize=4096)
def _month_of_day(day: int) -> str:
    return pd.Timestamp(day * DAY_US, unit="us").strftime("%Y-%m")


@lru_cache(maxsize=4096)
def edges_of(month: str) -> tuple[int, int]:
    """Return where a month of UTC begins and where the next one does [us since 1970]."""
    start = pd.Timestamp(f"{month}-01")
    return microseconds(start), microseconds(start + pd.DateOffset(months=1))


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
