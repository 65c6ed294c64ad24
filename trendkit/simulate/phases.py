"""True phases, runs and feed times by the contract's definitions, on the simulator's own steps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from trendkit.simulate.history import History
from trendkit.simulate.machine import Machine
from trendkit.simulate.operation import THICKENING
from trendkit.simulate.randomness import Array

STOPPED, STARTING, PRESSING, WASHING = 0, 1, 2, 3
PHASE_NAMES = np.array(["stopped", "starting", "pressing", "washing"], dtype=object)
DIP_S = 180.0
RUN_ENDS_AFTER_S = 1800.0

Codes = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Operated:
    """Per step, shape (n,): phase code, run number (-1 outside runs), feed time of what is discharged [s, NaN]."""

    phase: Codes
    run: Codes
    fed_s: Array
    is_thickening: npt.NDArray[np.bool_]


def stretches(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, past last) of every unbroken stretch of True.

    Examples
    --------
    >>> stretches(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    padded = np.concatenate([[False], mask, [False]])
    turns = np.flatnonzero(padded[1:] != padded[:-1])
    return list(zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True))


def _runs(is_moving: npt.NDArray[np.bool_], mode: Array, step_s: float) -> Codes:
    run = np.full(len(is_moving), -1, dtype=np.int64)
    number, last_end, last_mode = -1, -(10**9), 0.0
    for first, end in stretches(is_moving):
        # A mode change inside an unbroken stretch of moving begins a new run there.
        cuts = [first, *(first + 1 + np.flatnonzero(np.diff(mode[first:end]) != 0.0)).tolist(), end]
        for begin, stop in pairwise(cuts):
            stood_s = (begin - last_end) * step_s
            if stood_s >= RUN_ENDS_AFTER_S or mode[begin] != last_mode:
                number += 1
            else:
                run[last_end:begin] = number
            run[begin:stop] = number
            last_end, last_mode = stop, float(mode[begin])
    return run


def operated(history: History, machine: Machine) -> Operated:
    """Return phase, run and feed time of every step."""
    grid, line = history.grid, history.drivers.timeline
    is_moving = line.is_moving > 0.5
    is_fed = is_moving & (history.acting.feed_flow_m3_h > machine.feed_on_above_m3_h)
    for first, end in stretches(~is_fed):
        if first > 0 and end < grid.n and (end - first) * grid.step_s <= DIP_S:
            is_fed[first:end] = True
    run = _runs(is_moving, line.mode, grid.step_s)
    is_thickening = line.mode == float(THICKENING)
    way = history.travel
    pressed = way.fed_at(way.volume_at(grid.middles, 1.0, 1.0))
    drained = way.fed_at(way.volume_at(grid.middles, 1.0, 0.0))
    fed = np.where(is_thickening, drained, pressed)

    phase = np.where(is_moving, STARTING, STOPPED).astype(np.int64)
    for first, end in stretches(is_fed):
        # A new run, or belts that stood still, begin the feeding anew.
        cuts = [first, *(first + 1 + np.flatnonzero(np.diff(run[first:end]) != 0)).tolist(), end]
        for begin, stop in pairwise(cuts):
            inside = slice(begin, stop)
            through = np.nan_to_num(fed[inside], nan=-1.0) >= begin * grid.step_s
            phase[inside] = np.where(is_moving[inside], np.where(through, PRESSING, STARTING), STOPPED)
    _mark_idle(phase, is_moving & ~is_fed, is_fed, run, grid.step_s)
    comes_off = history.amounts_kg["cake_solids"] + history.amounts_kg["thickened_solids"] > 0.0
    return Operated(phase, run, np.where(comes_off, fed, np.nan), is_thickening)


def _mark_idle(
    phase: Codes, is_idle: npt.NDArray[np.bool_], is_fed: npt.NDArray[np.bool_], run: Codes, step_s: float
) -> None:
    """Mark belts that move without feed: washing once the run has been fed, starting before; dips keep theirs."""
    for first, end in stretches(is_idle):
        same_run = np.flatnonzero(run[: first + 1] == run[first])
        was_fed = bool(is_fed[same_run[0] : first].any()) if len(same_run) else False
        if not was_fed:
            phase[first:end] = STARTING
        elif (end - first) * step_s > DIP_S:
            phase[first:end] = WASHING
        elif is_fed[first - 1]:
            phase[first:end] = phase[first - 1]
        else:
            phase[first:end] = STARTING if end < len(run) and is_fed[end] else WASHING
