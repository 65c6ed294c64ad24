"""One export, told in full before a row of it is used: what it is, which tags, whose clock, how it writes things."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Literal

import pandas as pd

from trendkit.exports.clock import Zone
from trendkit.exports.layout import Layout
from trendkit.exports.numbers import DecimalMark
from trendkit.exports.sources import Source
from trendkit.plant.model import QualityScheme

FileOrder = Literal["forward", "backward", "mixed"]


@dataclass(frozen=True)
class Export:
    """A file of tag readings and how it is read.

    `tags` are the names in it, spelled as the plant file does where it knows them. A long file is not searched
    whole for its names unless a tag of the plant would otherwise be missing. `start_utc` and `end_utc` are the
    first and last time seen at its ends, None where the ends cannot be seen.
    """

    path: Path
    file: str
    layout: Literal["wide", "long"]
    tags: tuple[str, ...]
    time_format: str
    timezone: str
    notes: tuple[str, ...]
    start_utc: pd.Timestamp | None = None
    end_utc: pd.Timestamp | None = None
    units: Mapping[str, str] = field(default_factory=dict)  # stated in the file, by tag
    source: Source = field(kw_only=True, repr=False)
    meaning: Layout = field(kw_only=True, repr=False)
    zone: Zone = field(kw_only=True, repr=False)
    shift_clock_s: float = field(kw_only=True, repr=False, default=0.0)
    decimal: DecimalMark = field(kw_only=True, repr=False, default=".")
    guards_underscores: bool = field(kw_only=True, repr=False, default=True)
    quality: QualityScheme | None = field(kw_only=True, repr=False, default=None)
    order: FileOrder = field(kw_only=True, repr=False, default="forward")

    @property
    def time_columns(self) -> tuple[int, ...]:
        """The first time column, or the date and clock columns."""
        return self.meaning.long.time_columns if self.meaning.long else self.meaning.groups[0].time_columns

    def summary(self) -> str:
        """Return in one line what the file is and how it is read.

        Times are shown in UTC.
        """
        ends = [end.strftime("%Y-%m-%d %H:%M") for end in (self.start_utc, self.end_utc) if end is not None]
        span = f", {' to '.join(ends)} UTC" if ends else ""
        how = f"{self.layout}, {len(self.tags)} tags{span}; times: {self.time_format}; clock: {self.timezone}"
        return "; ".join([f"{self.file}: {how}", *self.notes])

    @cached_property
    def sha256(self) -> str:
        """Checksum of the file as it lies on disk."""
        return checksum(self.path)


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
