"""The form in which observations leave this room: blocks of rows in file order, times in UTC."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from trendkit.plant.model import Tag

GOOD, UNCERTAIN, BAD = 0, 1, 2


@dataclass(frozen=True)
class Block:
    """Rows of one or more tags that share their times, in the order of the file.

    `time_us` is int64 microseconds since 1970 UTC, shape (n,). `values` holds float64 (n,) in the export's
    own unit, NaN where the cell is empty or no number. `quality` holds uint8 (n,) of GOOD, UNCERTAIN, BAD
    for tags that carry a quality; a tag absent from it is GOOD wherever it has a value. `texts` holds object
    arrays (n,) of the cell's text (None where empty) for state tags only.
    A cell that is empty (no observation) and a cell that is a text in a number column differ: the first has
    quality GOOD and NaN, the second quality BAD and NaN, so that a held value ends there.
    """

    time_us: npt.NDArray[np.int64]
    values: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)
    quality: Mapping[str, npt.NDArray[np.uint8]] = field(default_factory=dict)
    texts: Mapping[str, npt.NDArray[np.object_]] = field(default_factory=dict)


class Repeated(NamedTuple):
    """How many readings of a tag came at a time already read, and the first and last such time [us since 1970 UTC]."""

    readings: int
    first_us: int
    last_us: int

    def joined(self, other: Repeated | None) -> Repeated:
        """Return these and others as one."""
        if other is None:
            return self
        return Repeated(
            self.readings + other.readings, min(self.first_us, other.first_us), max(self.last_us, other.last_us)
        )


@dataclass
class ReadLog:
    """What reading one file counted; filled while its blocks are read."""

    rows: int = 0
    refused: int = 0
    refusals: list[tuple[int, str]] = field(default_factory=list)  # (line number, why), the first 200
    texts: dict[str, dict[str, int]] = field(default_factory=dict)  # number tag -> text -> count
    duplicates: dict[str, Repeated] = field(default_factory=dict)  # by tag
    notes: list[str] = field(default_factory=list)  # how the file was read, in plain words
    other_tags: set[str] = field(default_factory=set)  # tags of a long file that were not asked for


@dataclass(frozen=True)
class InputFile:
    """One input as the pages and JSON list it.

    `refusals` are the first rows that could not be used: line number and why. `texts` counts, per number tag, the texts
    found in place of a number.
    """

    path: Path
    file: str  # the name shown
    checksum: Callable[[], str] = field(compare=False, repr=False)  # a large file's takes a while: only when asked
    rows: int
    refused: int
    notes: tuple[str, ...] = ()
    refusals: tuple[tuple[int, str], ...] = ()
    texts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    tag_keys: frozenset[str] = frozenset()  # by `names.key`; empty for a bench sheet

    @property
    def sha256(self) -> str:
        """Checksum of the file as it lies on disk."""
        return self.checksum()


class StoredExport(Protocol):
    """Observations kept in another form than an export's, read by the same function (`read_blocks`)."""

    @property
    def file(self) -> str:
        """What it is called on pages and in messages."""

    @property
    def layout(self) -> Literal["wide", "long"]:
        """Like an export's: "long" where a state that never changed may be absent."""

    @property
    def tags(self) -> tuple[str, ...]:
        """The tags with an observation, spelled as the plant file does."""

    @property
    def start_utc(self) -> pd.Timestamp | None:
        """The first observation."""

    @property
    def end_utc(self) -> pd.Timestamp | None:
        """The last observation."""

    def blocks(
        self,
        wanted: Mapping[str, Tag],
        log: ReadLog,
        start_utc: pd.Timestamp | None = None,
        end_utc: pd.Timestamp | None = None,
    ) -> Iterator[Block]:
        """Yield the observations of the wanted tags from `start_utc` up to `end_utc`, in order of time."""

    def input_file(self, log: ReadLog) -> InputFile:
        """Return how it is listed among the inputs."""
