"""How far every column moved from where its run was, over stretches of one length, in spreads of earlier runs.

Comes in: a judged mode and its record. Goes out: `Changes`, one after the other: per length, and per stretch of runs
that share the earlier runs they are held against. Only earlier blocks say what is usual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trendkit.upsets.evidence import Record
from trendkit.upsets.judging import CLEARLY_OUT, EARLY_H, HISTORY_H, JudgedMode
from trendkit.upsets.normal import TAIL_WIDTH
from trendkit.upsets.spans import NOT_A_RETURN, in_unit
from trendkit.upsets.watched import BY_NAME

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int64]

BEFORE_S, GAP_S, LEAST_BEFORE_S = 5400.0, 300.0, 1200.0
LEAST_RUNS = 6
ANEW_H = 24.0  # pressing hours after which what is usual is worked out anew
LARGEST = 12.0  # spreads
IN_HISTORY = 4.0  # spreads beyond which an earlier change says nothing more about what goes with what
LOGS = ("filtrate_solids", "filtrate_turbidity")  # of one size in percent, whichever way
TAIL = 0.98


@dataclass(frozen=True)
class Changes:
    """Changes over stretches of `length` blocks, that begin with the sludge fed at `blocks`."""

    length: int
    blocks: Codes
    names: tuple[str, ...]
    tested: tuple[str, ...]  # the first of `names`: what a meter reads; the rest are figures made of them
    spreads: Floats  # (blocks, names), 0 where it is not known or only led back to the normal level
    correlation: Floats  # of the tested, over earlier runs


@dataclass(frozen=True)
class _Laid:
    """Columns on the clock of the feed, (blocks, names)."""

    names: tuple[str, ...]
    tested: int
    values: Floats
    left: Floats  # beyond the usual level
    calm: Floats  # without the spans of its signs
    usual: Floats  # without those clearly out
    begins: Codes  # of the piece of a run, per block
    ends: Codes
    runs: Codes
    is_early: Bools
    block_s: int


def changes_of(mode: JudgedMode, record: Record, lengths: Sequence[int]) -> Iterator[Changes]:
    """Return the changes over stretches of each length, by length and time; none before enough runs are known."""
    laid = _laid(mode, record)
    if laid.tested < 3:
        return
    per_hour = 3600.0 / laid.block_s
    firsts = np.unique(laid.begins)
    for length in lengths:
        moved, level = _contrasts(laid, laid.values, laid.calm, length), _means(laid, laid.left, length)
        earlier = _contrasts(laid, laid.usual, laid.usual, length)
        whole = np.arange(laid.runs.size) + length <= laid.ends
        at = 0
        while at < firsts.size:
            until = int(np.searchsorted(firsts, firsts[at] + ANEW_H * per_hour))
            end = int(firsts[until]) if until < firsts.size else laid.runs.size
            before = np.arange(max(0, int(firsts[at]) - round(HISTORY_H * per_hour)), int(firsts[at]))
            before = before[whole[before]]
            blocks = np.arange(int(firsts[at]), end)
            blocks = blocks[whole[blocks]]
            if np.unique(laid.runs[before]).size >= LEAST_RUNS and blocks.size:
                yield _held_against(laid, moved[blocks], level[blocks], earlier[before], blocks, before, length)
            at = until


def _held_against(
    laid: _Laid, moved: Floats, level: Floats, earlier: Floats, blocks: Codes, before: Codes, length: int
) -> Changes:
    runs = np.unique(laid.runs[before]).size
    wider = 1.0 + 1.5 / (runs - 1)
    late, early = (_spread(earlier[laid.is_early[before] == first]) * wider for first in (False, True))
    late = np.fmax(late, _floors(laid, before))
    early = np.fmax(late, early)

    def spreads(changes: Floats, at: Codes) -> Floats:
        return np.asarray(changes / np.where(laid.is_early[at, None], early, late), dtype=float)

    is_return = np.sign(moved) * level < NOT_A_RETURN * np.abs(moved)
    seen = np.where(is_return, 0.0, np.nan_to_num(spreads(moved, blocks)))
    usual = np.clip(np.nan_to_num(spreads(earlier, before)[:, : laid.tested]), -IN_HISTORY, IN_HISTORY)
    size = np.sqrt(np.mean(usual**2, axis=0)) + 1e-6
    return Changes(
        length,
        blocks,
        laid.names,
        laid.names[: laid.tested],
        np.clip(seen, -LARGEST, LARGEST),
        usual.T @ usual / len(usual) / np.outer(size, size),
    )


def _spread(changes: Floats) -> Floats:
    """Return, per column, a spread that honours the tail: the larger of the root mean square and the tail's."""
    if not changes.size:
        return np.full(changes.shape[1], np.nan)
    known = np.maximum(np.sum(~np.isnan(changes), axis=0), 1)
    filled = np.abs(np.nan_to_num(changes))
    # What is not known lies at the bottom as zeros: the quantile is counted from the top.
    ordered = np.sort(filled, axis=0)
    place = len(filled) - 1 - np.round((1.0 - TAIL) * (known - 1)).astype(np.int64)
    tail = ordered[place, np.arange(filled.shape[1])] / TAIL_WIDTH[TAIL]
    return np.asarray(np.maximum(np.sqrt(np.sum(filled**2, axis=0) / known), tail), dtype=float)


def _laid(mode: JudgedMode, record: Record) -> _Laid:
    """Return the columns that meters make, on the clock of the feed: first those read, then the figures of them."""
    metered = [name for name, column in mode.columns.items() if not column.is_sampled and not BY_NAME[name].is_check]
    tested = [name for name in metered if BY_NAME[name].role == name]
    names = (*tested, *(name for name in metered if name not in tested))
    firsts = np.flatnonzero(np.diff(record.pieces, prepend=-1))
    lengths = np.diff([*firsts, record.pieces.size])
    blocks = mode.judged.blocks
    columns = [_column(mode, record, name, firsts) for name in names]
    nothing = [(np.empty((len(blocks), 0)),) * 4]
    values, left, calm, usual = (np.column_stack(each) for each in zip(*(columns or nothing), strict=True))
    _, runs = np.unique(blocks["run"].to_numpy(dtype=str), return_inverse=True)
    times = record.fed["feed"]
    begun = np.full(runs.max(initial=-1) + 1, np.iinfo(np.int64).max)
    np.minimum.at(begun, runs, times)
    return _Laid(
        names,
        len(tested),
        values,
        left,
        calm,
        usual,
        np.repeat(firsts, lengths),
        np.repeat(firsts + lengths, lengths),
        runs,
        times - begun[runs] < EARLY_H * 3.6e12,
        mode.judged.block_s,
    )


def _floors(laid: _Laid, before: Codes) -> Floats:
    """Return the least spreads granted: a twelfth of the least change worth a sign, and what crews do to a column."""
    values = np.abs(laid.values[before])
    known = np.maximum(np.sum(~np.isnan(values), axis=0), 1)
    typical = np.nansum(values, axis=0) / known
    floors = []
    for name, level in zip(laid.names, typical, strict=True):
        watched = BY_NAME[name]
        least = watched.least if name in LOGS else in_unit(watched, watched.least, level)
        floors.append(max(least / 12.0, watched.habit / 100.0 * level, 1e-9))
    return np.array(floors)


def _column(mode: JudgedMode, record: Record, name: str, firsts: Codes) -> tuple[Floats, Floats, Floats, Floats]:
    place = record.names.index(name)
    values, usual = record.means[:, place], record.usual[:, place]
    if name in LOGS:
        values, usual = (100.0 * np.log(np.where(each > 0.0, each, np.nan)) for each in (values, usual))
    calm, history = values.copy(), values.copy()
    index = mode.judged.blocks.index
    for sign in mode.columns[name].signs:
        out = slice(*index.searchsorted([sign.onset, sign.end]))
        calm[out] = np.nan
        if sign.severity >= 2 or sign.z >= CLEARLY_OUT:
            history[out] = np.nan
    place_at = BY_NAME[name].place
    if place_at == "feed":
        return values, values - usual, calm, history
    when = _when_discharged(record.fed[place_at], record.fed["feed"], firsts)
    known = when >= 0
    return tuple(np.where(known, each[when], np.nan) for each in (values, values - usual, calm, history))  # type: ignore[return-value]


def _when_discharged(fed: Codes, times: Codes, firsts: Codes) -> Codes:
    """Return, per block, the first block of its run that speaks of the sludge fed then; -1 when none does."""
    found = np.full(times.size, -1, dtype=np.int64)
    for first, end in zip(firsts, [*firsts[1:], times.size], strict=True):
        at = first + np.searchsorted(np.maximum.accumulate(fed[first:end]), times[first:end])
        found[first:end] = np.where(at < end, at, -1)
    return found


def _sums(values: Floats) -> tuple[Floats, Codes]:
    known = ~np.isnan(values)
    nothing = np.zeros((1, values.shape[1]))
    sums = np.vstack([nothing, np.cumsum(np.where(known, values, 0.0), axis=0)])
    return sums, np.vstack([nothing.astype(np.int64), np.cumsum(known, axis=0)])


def _mean(values: Floats, first: Codes, end: Codes, least: int) -> Floats:
    sums, counts = _sums(values)
    number = counts[end] - counts[first]
    return np.where(number >= least, (sums[end] - sums[first]) / np.maximum(number, 1), np.nan)


def _means(laid: _Laid, values: Floats, length: int) -> Floats:
    """Return the means of the stretches that begin at each block, within its piece of a run."""
    here = np.arange(laid.runs.size)
    return _mean(values, here, np.minimum(here + length, laid.ends), max(1, length // 3))


def _contrasts(laid: _Laid, values: Floats, calm: Floats, length: int) -> Floats:
    """Return the means of the stretches less where the run was just before."""
    here = np.arange(laid.runs.size)
    gap, width, least = (max(1, round(seconds / laid.block_s)) for seconds in (GAP_S, BEFORE_S, LEAST_BEFORE_S))
    end = np.maximum(here - gap, laid.begins)
    first = np.maximum(end - width, laid.begins)
    return _means(laid, values, length) - _mean(calm, first, end, least)
