"""One recording (the rows of a time column, or of one tag of a long file) put into UTC and into order, batch by batch.

A batch waits until the next one shows that nothing earlier follows; rows that end inside the repeated hour of
autumn wait until the hour is whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from trendkit.exports.block import BAD, GOOD, UNCERTAIN, Block, ReadLog, Repeated
from trendkit.exports.cells import Bytes, Ints
from trendkit.exports.clock import ClockTally, Zone, cut_before_repeat, to_utc

ROWS_BEFORE_A_STEP = 5  # that run on steadily, before a clock was set back and after
LARGEST_STEP_US = 6 * 3_600_000_000  # a greater way back is another piece of the record


def take(block: Block, rows: Ints | slice | np.ndarray) -> Block:
    """Return some rows of a block, in the order asked."""
    return Block(
        block.time_us[rows],
        {tag: values[rows] for tag, values in block.values.items()},
        {tag: quality[rows] for tag, quality in block.quality.items()},
        {tag: texts[rows] for tag, texts in block.texts.items()},
    )


def together(first: Block, second: Block) -> Block:
    """Return two blocks of the same tags as one."""
    first_count, second_count = len(first.time_us), len(second.time_us)

    def quality_of(block: Block, tag: str, count: int) -> Bytes:
        return block.quality.get(tag, np.full(count, GOOD, np.uint8))

    rated = [*first.quality, *(tag for tag in second.quality if tag not in first.quality)]
    return Block(
        np.concatenate([first.time_us, second.time_us]),
        {tag: np.concatenate([values, second.values[tag]]) for tag, values in first.values.items()},
        {
            tag: np.concatenate([quality_of(first, tag, first_count), quality_of(second, tag, second_count)])
            for tag in rated
        },
        {tag: np.concatenate([texts, second.texts[tag]]) for tag, texts in first.texts.items()},
    )


@dataclass
class Tally:
    """What putting rows in order met in one file, for the notes."""

    clock: ClockTally = field(default_factory=ClockTally)
    moved: int = 0  # rows that came after a later one
    late: int = 0  # rows that came too late to be put in their place
    steps_back: dict[int, int] = field(default_factory=dict)  # last time before a clock was set back, by how much [us]


@dataclass
class Strand:
    """The rows of one recording on their way into UTC and order."""

    zone: Zone
    is_absolute: bool  # times are UTC already
    shift_us: int
    log: ReadLog
    tally: Tally
    _in_repeat: Block | None = None  # wall clock, waiting for the repeated hour to be whole
    _waiting: Block | None = None  # UTC, waiting for what follows
    _done_us: int | None = None  # last time given out

    def push(self, block: Block) -> Iterator[Block]:
        """Take the next rows of the file (times in its own clock) and give out what is settled."""
        if not len(block.time_us):
            return
        if self.is_absolute:
            yield from self._ordered(self._shifted(block))
            return
        if self._in_repeat is not None:
            block = together(self._in_repeat, block)
            self._in_repeat = None
        settled = cut_before_repeat(block.time_us, self.zone)
        if settled < len(block.time_us):
            self._in_repeat = take(block, slice(settled, None))
            block = take(block, slice(0, settled))
        yield from self._ordered(self._in_utc(block))

    def finish(self) -> Iterator[Block]:
        """Give out the rest."""
        if self._in_repeat is not None:
            yield from self._ordered(self._in_utc(self._in_repeat))
            self._in_repeat = None
        if self._waiting is not None:
            yield self._waiting
            self._waiting = None

    def _shifted(self, block: Block) -> Block:
        if not self.shift_us:
            return block
        return Block(block.time_us + self.shift_us, block.values, block.quality, block.texts)

    def _in_utc(self, block: Block) -> Block:
        rows = to_utc(block.time_us, self.zone, self.tally.clock)
        moved = Block(rows.utc_us, block.values, block.quality, block.texts)
        if rows.is_doubtful is not None:
            names = [*block.values, *block.texts]
            fresh = np.full(len(rows.utc_us), GOOD, np.uint8)
            doubted = {
                name: np.where(
                    rows.is_doubtful,
                    np.maximum(block.quality.get(name, fresh), UNCERTAIN),
                    block.quality.get(name, fresh),
                )
                for name in names
            }
            moved = Block(rows.utc_us, block.values, doubted, block.texts)
        if rows.exists is not None:
            moved = take(moved, rows.exists)
        return self._shifted(moved)

    def _ordered(self, block: Block) -> Iterator[Block]:
        """Give out rows in order of time with one row per time; keep the newest batch back."""
        if not len(block.time_us):
            return
        step = np.diff(block.time_us)
        is_clean = not len(step) or int(step.min()) > 0
        before = self._waiting
        if is_clean and (before is None or block.time_us[0] > before.time_us[-1]):
            if before is not None:
                yield from self._given(before)
            self._waiting = block
            return
        self.tally.moved += int((step < 0).sum())
        if before is not None:
            self.tally.moved += int(block.time_us[0] < before.time_us[-1])
        whole = block if before is None else together(before, block)
        self.tally.steps_back.update(steps_back(whole.time_us))
        order = np.argsort(whole.time_us, kind="stable")
        whole = one_row_per_time(take(whole, order), self.log)
        keep = max(len(whole.time_us) - len(block.time_us), 0)
        if keep:
            yield from self._given(take(whole, slice(0, keep)))
        self._waiting = take(whole, slice(keep, None))

    def _given(self, block: Block) -> Iterator[Block]:
        if self._done_us is not None and block.time_us[0] <= self._done_us:
            self.tally.late += int((block.time_us <= self._done_us).sum())
        self._done_us = max(int(block.time_us[-1]), self._done_us or int(block.time_us[-1]))
        yield block


def steps_back(time_us: Ints) -> dict[int, int]:
    """Return where a clock was set back and by how much: last time before -> amount, both [us].

    The times repeat at their usual spacing until they pass where they were; rows that merely came late jump ahead
    again instead.

    Examples
    --------
    >>> minute = 60_000_000
    >>> times = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 3, 4, 5, 6, 7, 8, 9, 10, 11]) * minute
    >>> [(at // minute, by // minute) for at, by in steps_back(times).items()]
    [(9, 7)]
    """
    step = np.diff(time_us)
    forward = step[step > 0]
    if not len(forward):
        return {}
    spacing = int(np.median(forward))
    found = {}
    for place in np.flatnonzero(step < -spacing).tolist():
        last, by = int(time_us[place]), int(time_us[place] - time_us[place + 1]) + spacing
        passed = np.flatnonzero(time_us[place + 1 :] > last)
        if by > LARGEST_STEP_US or not len(passed):
            continue
        again = step[place + 1 : place + 1 + int(passed[0])]
        before = step[max(place - ROWS_BEFORE_A_STEP, 0) : place]
        is_steady = len(again) >= ROWS_BEFORE_A_STEP and (again > 0).all() and int(again.max()) <= 3 * spacing
        if is_steady and len(before) == ROWS_BEFORE_A_STEP and (before > 0).all():
            found[last] = by
    return found


def one_row_per_time(block: Block, log: ReadLog) -> Block:
    """Return an ordered block with one row per time: of each tag the last good value, else the last one.

    Rows with a time already read are counted per tag in `log.duplicates`.
    """
    is_new = np.append(True, np.diff(block.time_us) > 0)
    if is_new.all():
        return block
    group = np.cumsum(is_new) - 1
    is_double = ~is_new | np.append(~is_new[1:], False)
    rows = np.flatnonzero(is_double)
    values, quality, texts = {}, {}, {}
    for tag in [*block.values, *block.texts]:
        column = block.values.get(tag, block.texts.get(tag))
        assert column is not None
        rated = block.quality.get(tag)
        picked, repeats = _picked(column, rated, rows, group, np.flatnonzero(is_new))
        if repeats.any():
            times = block.time_us[is_new][repeats > 0]
            repeated = Repeated(int(repeats.sum()), int(times[0]), int(times[-1]))
            log.duplicates[tag] = repeated.joined(log.duplicates.get(tag))
        if tag in block.values:
            values[tag] = block.values[tag][picked]
        else:
            texts[tag] = block.texts[tag][picked]
        if rated is not None:
            quality[tag] = rated[picked]
    return Block(block.time_us[is_new], values, quality, texts)


def _picked(column: np.ndarray, rated: Bytes | None, rows: Ints, group: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Return for each time the row whose value of a tag counts, and how many more observations it has."""
    cells = column[rows]
    is_empty = np.array([cell is None for cell in cells]) if cells.dtype == object else np.isnan(cells)
    quality = np.full(len(rows), GOOD, np.uint8) if rated is None else rated[rows]
    worth = np.select([is_empty & (quality != BAD), quality == BAD, quality == UNCERTAIN], [0, 1, 2], 3)
    order = np.lexsort((rows, worth, group[rows]))
    is_last = np.append(np.diff(group[rows][order]) > 0, True)
    chosen = rows[order][is_last]
    picked = first.copy()
    picked[group[chosen]] = chosen
    observed = np.bincount(group[rows][worth > 0], minlength=len(first))
    return picked, np.maximum(observed - 1, 0)
