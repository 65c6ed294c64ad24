"""Readings on their way into the archive: laid down by weeks as files are read, taken up again by tag and day.

Files may give their tags side by side, one after the other or newest first; staged on the disk they need neither
memory nor an order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.archive.readings import Ints, Readings, joined, one_per_time, without_empty
from trendkit.archive.weeks import edges_of, week_of
from trendkit.exports.block import Block

RECENT_TIMES = 64  # arrays of times held in memory


@dataclass(frozen=True)
class Piece:
    """Readings of one tag from one block; where its arrays begin in the staging file [bytes]."""

    source: int
    count: int
    first_us: int
    last_us: int
    times: int
    values: int | None
    quality: int | None
    codes: int | None
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Timeline:
    """The times of some pieces within a span, one after the other: made once for all tags that share them."""

    rows: tuple[slice, ...]  # of each piece
    by_piece: tuple[Ints, ...]
    time_us: Ints
    increases: bool


@dataclass
class Stage:
    """What was laid down of one week: the file, and its pieces by tag in the order they came."""

    path: Path
    pieces: dict[str, list[Piece]] = field(default_factory=dict)
    _recent: dict[int, Ints] = field(default_factory=dict)  # times by where they begin in the file
    _timelines: dict[tuple[int, ...], Timeline] = field(default_factory=dict)  # by span and where the times begin

    def readings(self, tag: str, source: int, first_us: int, past_us: int) -> Readings:
        """Return a source's readings of a tag from one time up to another, in order, one per time."""
        pieces = [
            piece
            for piece in self.pieces.get(tag, ())
            if piece.source == source and piece.first_us < past_us and piece.last_us >= first_us
        ]
        timeline = self._timeline(pieces, first_us, past_us)
        taken = [self._taken(*each) for each in zip(pieces, timeline.rows, timeline.by_piece, strict=True)]
        whole = without_empty(joined(taken, timeline.time_us))
        return whole if timeline.increases else one_per_time(whole)

    def _timeline(self, pieces: list[Piece], first_us: int, past_us: int) -> Timeline:
        """Return the times of some pieces within a span; tags that share them ask one after another."""
        key = (first_us, past_us, *(piece.times for piece in pieces))
        if key not in self._timelines:
            times = [self._times(piece) for piece in pieces]
            rows = [slice(*map(int, np.searchsorted(own, (first_us, past_us)))) for own in times]
            by_piece = tuple(own[within] for own, within in zip(times, rows, strict=True))
            time_us = by_piece[0] if len(by_piece) == 1 else np.concatenate([np.zeros(0, np.int64), *by_piece])
            increases = len(time_us) < 2 or int(np.diff(time_us).min()) > 0
            _hold(self._timelines, key, Timeline(tuple(rows), by_piece, time_us, increases))
        return self._timelines[key]

    def _taken(self, piece: Piece, rows: slice, times: Ints) -> Readings:
        """Return some rows of a piece as they were laid down, empty cells included."""
        count = rows.stop - rows.start

        def array(start: int | None, kind: type[Any]) -> npt.NDArray[Any] | None:
            return None if start is None else self._laid(start + rows.start * np.dtype(kind).itemsize, count, kind)

        values, quality = array(piece.values, np.float64), array(piece.quality, np.uint8)
        codes = array(piece.codes, np.int32)
        if codes is None:
            assert values is not None
            return Readings(times, values, quality)
        texts = np.array([*piece.words, None], dtype=object)[codes]
        return Readings(times, np.full(count, np.nan), quality, texts)

    def _times(self, piece: Piece) -> Ints:
        """Return the times of a piece."""
        if piece.times not in self._recent:
            _hold(self._recent, piece.times, self._laid(piece.times, piece.count, np.int64))
        return self._recent[piece.times]

    def _laid(self, start: int, count: int, kind: type[Any]) -> npt.NDArray[Any]:
        """Return an array from the file; it is not mapped, so that what was read takes no memory any more."""
        return np.fromfile(self.path, kind, count, offset=start)

    def sources(self) -> list[int]:
        """Return the sources with readings here, in the order they came."""
        return sorted({piece.source for own in self.pieces.values() for piece in own})


def _hold(recent: dict[Any, Any], key: Any, held: Any) -> None:
    """Hold something at hand; what was held first goes."""
    if len(recent) >= RECENT_TIMES:
        del recent[next(iter(recent))]
    recent[key] = held


class Staging:
    """All weeks being staged, by place (folder of a press, week)."""

    def __init__(self, folder: Path) -> None:
        """Stage below `folder`, which is made when it is needed."""
        self.folder = folder
        self.stages: dict[tuple[str, str], Stage] = {}

    def add(self, block: Block, source: int, home_of: Mapping[str, str]) -> None:
        """Lay down a block of a source (its number)."""
        if not len(block.time_us):
            return
        by_home: dict[str, list[str]] = {}
        for tag in [*block.values, *block.texts]:
            by_home.setdefault(home_of[tag], []).append(tag)
        for first, past in _weeks_within(block.time_us):
            week = week_of(int(block.time_us[first]))
            for home, tags in by_home.items():
                stage = self._stage(home, week)
                _lay_down(stage, block, slice(first, past), tags, source)

    def ended_before(self, moment_us: int | None) -> dict[tuple[str, str], Stage]:
        """Give out, and let go of, the weeks that end at or before a moment (None: all)."""
        ended = [place for place in sorted(self.stages) if moment_us is None or edges_of(place[1])[1] <= moment_us]
        return {place: self.stages.pop(place) for place in ended}

    def _stage(self, home: str, week: str) -> Stage:
        if (home, week) not in self.stages:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.stages[home, week] = Stage(self.folder / f"{home}-{week}")
        return self.stages[home, week]


def _weeks_within(time_us: npt.NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Yield first and past-the-last row of each week (UTC) in an ordered block."""
    first = 0
    while first < len(time_us):
        past = int(np.searchsorted(time_us, edges_of(week_of(int(time_us[first])))[1]))
        yield first, past
        first = past


def _lay_down(stage: Stage, block: Block, rows: slice, tags: list[str], source: int) -> None:
    time = np.ascontiguousarray(block.time_us[rows])
    ends = len(time), int(time[0]), int(time[-1])
    with stage.path.open("ab") as file:
        times = _put(file, time)
        for tag in tags:
            rated = block.quality.get(tag)
            quality = _put(file, rated[rows]) if rated is not None and rated[rows].any() else None
            values = codes = None
            words: tuple[str, ...] = ()
            if tag in block.values:
                values = _put(file, block.values[tag][rows])
            else:
                places, found = pd.factorize(block.texts[tag][rows], use_na_sentinel=True)
                codes, words = _put(file, places.astype(np.int32)), tuple(str(word) for word in found)
            piece = Piece(source, *ends, times, values, quality, codes, words)
            stage.pieces.setdefault(tag, []).append(piece)


def _put(file: BinaryIO, numbers: npt.NDArray[Any]) -> int:
    """Append an array and return where it begins, a multiple of eight."""
    start = file.tell()
    start += file.write(bytes(-start % 8))
    file.write(np.ascontiguousarray(numbers).data)  # says that the disk is full, as `tofile` does not
    return start
