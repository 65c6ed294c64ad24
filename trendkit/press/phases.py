"""Phases, modes and runs of a press, by the definitions of the contract, section 3.

Comes in: the role columns of one press on a regular UTC grid. Goes out: per bin whether the belts move, whether
sludge is fed, the mode, the run and the phase.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Press
from trendkit.plant.roles import ROLES
from trendkit.press.rows import Mask, carried_forward, fill_spells, has_role, role_values, setting, spells
from trendkit.press.transit import HOLD_S, Transit, follow_sludge
from trendkit.press.uncertainty import Array, Codes

BELT_MOVES_ABOVE_M_MIN = 0.2
DIP_S = 180.0  # feed off for longer than this, belts moving, is washing
RUN_ENDS_AFTER_S = 1800.0
THICKENING_SHOWS_AFTER_S = 600.0
DEWATERING, THICKENING, UNKNOWN = 0, 1, -1


@dataclass(frozen=True)
class Operation:
    """What the press was doing, bin by bin.

    `run_code`: number of the run, -1 outside runs. `run_names`: name per run code. `run_start_s`: first edge of
    each run in seconds from the grid's first edge. `mode`: 0 dewatering, 1 thickening (meaningful inside runs).
    `phase`: text, None where neither belts, run signal nor feed are known.
    """

    is_moving: Mask
    is_feeding: Mask
    mode: Codes
    run_code: Codes
    run_names: tuple[str, ...]
    run_start_s: Array
    phase: NDArray[np.object_]
    transit: Transit

    @property
    def run_starts(self) -> Codes:
        """The first row of every run."""
        return _first_rows(self.run_code)

    def over(self, rows: slice, every_s: float) -> Operation:
        """Return the operation of some rows that cut no run; runs and clocks count from the first of them."""
        codes = self.run_code[rows]
        inside = codes[codes >= 0]
        runs = slice(int(inside[0]), int(inside[-1]) + 1) if len(inside) else slice(0, 0)
        return Operation(
            self.is_moving[rows],
            self.is_feeding[rows],
            self.mode[rows],
            np.where(codes >= 0, codes - runs.start, -1),
            self.run_names[runs],
            self.run_start_s[runs] - rows.start * every_s,
            self.phase[rows],
            self.transit.over(rows, every_s),
        )


def moving(roles: pd.DataFrame, every_s: float) -> tuple[Mask, Mask]:
    """Return where the press moves, and where that is known at all.

    `running` on, or without that signal a belt above 0.2 m/min. A press with neither moves while it is fed.
    """
    speeds = [
        role_values(roles, f"{belt}_belt_speed")
        for belt in ("gravity", "pressure")
        if has_role(roles, f"{belt}_belt_speed")
    ]
    signal = role_values(roles, "running")
    belts = np.full(len(roles), np.nan)
    if speeds:
        above = np.stack([np.where(np.isnan(speed), np.nan, speed > BELT_MOVES_ABOVE_M_MIN) for speed in speeds])
        belts = np.fmax.reduce(above)
    state = np.where(np.isnan(signal), belts, signal >= 0.5)
    state = carried_forward(state, int(HOLD_S // every_s))
    return np.nan_to_num(state) >= 0.5, ~np.isnan(state)


def feeding(roles: pd.DataFrame, press: Press, is_moving: Mask) -> Mask:
    """Return where sludge is fed: feed above `feed_on_above`; a gap in the meter keeps the state before it."""
    times = pd.DatetimeIndex(roles.index)
    feed = role_values(roles, "feed_flow")
    state = np.where(np.isnan(feed), np.nan, feed > setting(press, times, "feed_on_above_m3_h"))
    state = np.where(np.isnan(state) & ~is_moving, 0.0, state)
    return np.nan_to_num(carried_forward(state, len(state))) >= 0.5


def bridged(is_feeding: Mask, every_s: float) -> Mask:
    """Return the feed state with dips of up to 3 min between feeding filled in."""
    starts, stops = spells(~is_feeding)
    short = (stops - starts) * every_s <= DIP_S
    inner = (starts > 0) & (stops < len(is_feeding))
    return is_feeding | fill_spells(starts[short & inner], stops[short & inner], len(is_feeding))


def _active(is_moving: Mask, every_s: float) -> Mask:
    """Return where the press is between starts and stops, standstills of under 30 min included."""
    starts, stops = spells(~is_moving)
    short = ((stops - starts) * every_s < RUN_ENDS_AFTER_S) & (starts > 0) & (stops < len(is_moving))
    return is_moving | fill_spells(starts[short], stops[short], len(is_moving))


def modes(roles: pd.DataFrame, is_moving: Mask, is_fed: Mask, active: Mask, every_s: float) -> Codes:
    """Return the mode of every bin between start and stop, -1 elsewhere.

    The `mode` signal; without it, thickening is feed on and gravity belt moving with the pressure belt under
    0.2 m/min for 10 min. Bins that cannot tell take the mode before them, or of the first feed after the start.
    """
    mode = np.full(len(roles), np.nan)
    column = ROLES["mode"].column
    if column in roles and roles[column].notna().any():
        mode[(roles[column] == "dewatering").to_numpy()] = DEWATERING
        mode[(roles[column] == "thickening").to_numpy()] = THICKENING
        mode[~is_moving] = np.nan
    elif has_role(roles, "pressure_belt_speed"):
        gravity, pressure = (
            role_values(roles, "gravity_belt_speed"),
            role_values(roles, "pressure_belt_speed"),
        )
        gravity_only = is_moving & is_fed & (pressure < BELT_MOVES_ABOVE_M_MIN) & ~(gravity <= BELT_MOVES_ABOVE_M_MIN)
        starts, stops = spells(gravity_only)
        long = (stops - starts) * every_s >= THICKENING_SHOWS_AFTER_S
        mode[is_moving & is_fed & ~gravity_only] = DEWATERING
        mode[fill_spells(starts[long], stops[long], len(mode))] = THICKENING
    result = np.full(len(mode), UNKNOWN, dtype=np.int64)
    for first, last in zip(*spells(active), strict=True):
        known = pd.Series(mode[first:last]).ffill().bfill().fillna(DEWATERING)
        result[first:last] = known.to_numpy(dtype=np.int64)
    return result


def _runs(mode: Codes, is_moving: Mask) -> Codes:
    """Return the number of the run of every bin, -1 outside: a new one at each start and mode change."""
    edge = np.concatenate(([True], mode[1:] != mode[:-1]))
    block = np.cumsum(edge) - 1
    usable = np.zeros(block[-1] + 1, dtype=bool) if len(block) else np.zeros(0, dtype=bool)
    usable[block[is_moving & (mode != UNKNOWN)]] = True
    number = np.cumsum(usable) - 1
    codes = np.where(usable[block] & (mode != UNKNOWN), number[block], -1)
    if not usable.any():
        return codes
    rows = np.flatnonzero(is_moving & (codes >= 0))
    count = int(codes.max()) + 1
    first, last = np.full(count, len(codes)), np.full(count, -1)
    np.minimum.at(first, codes[rows], rows)
    np.maximum.at(last, codes[rows], rows)
    position = np.arange(len(codes))
    inside = (codes >= 0) & (position >= first[codes]) & (position <= last[codes])
    return np.where(inside, codes, -1)


def _washing(is_moving: Mask, is_fed: Mask, run_code: Codes, every_s: float) -> tuple[Mask, Mask]:
    """Return where belts move with the feed off for over 3 min, and for less."""
    idle = is_moving & ~is_fed & (run_code >= 0)
    long, short = np.zeros(len(idle), dtype=bool), np.zeros(len(idle), dtype=bool)
    starts, stops = spells(idle)
    is_long = (stops - starts) * every_s > DIP_S
    long = fill_spells(starts[is_long], stops[is_long], len(idle))
    short = fill_spells(starts[~is_long], stops[~is_long], len(idle))
    return long, short


def _fed_since(is_fed: Mask, run_code: Codes) -> Codes:
    """Return the first row of the unbroken feeding each bin belongs to, within its run; -1 where not fed."""
    inside = is_fed & (run_code >= 0)
    before = np.concatenate(([-2], run_code[:-1]))
    fed_before = np.concatenate(([False], inside[:-1]))
    begins = inside & (~fed_before | (run_code != before))
    since = np.maximum.accumulate(np.where(begins, np.arange(len(is_fed)), -1))
    return np.where(inside, since, -1)


def phases(is_moving: Mask, is_fed: Mask, run_code: Codes, fed_middle_s: Array, every_s: float) -> NDArray[np.object_]:
    """Return the phase of every bin: stopped, starting, pressing or washing.

    `fed_middle_s`: when the sludge discharged in the middle of the bin was fed, seconds from the first edge; NaN
    counts as before the feed began. `is_fed` has dips of up to 3 min filled in.
    """
    since = _fed_since(is_fed, run_code)
    has_come_through = np.nan_to_num(fed_middle_s, nan=-np.inf) >= since * every_s
    result = np.full(len(is_moving), "stopped", dtype=object)
    fed = is_moving & (since >= 0)
    result[is_moving] = "starting"
    result[fed & has_come_through] = "pressing"
    ever_fed = _ever_fed(is_fed & is_moving, run_code)
    long, short = _washing(is_moving, is_fed, run_code, every_s)
    result[long & ever_fed] = "washing"
    for first, last in zip(*spells(short & ever_fed), strict=True):
        fed_next = last < len(is_fed) and fed[last] and run_code[last] == run_code[first]
        same_run = first > 0 and run_code[first - 1] == run_code[first]
        if same_run and fed[first - 1]:
            result[first:last] = result[first - 1]
        elif not fed_next:
            result[first:last] = "washing"
    return result


def _ever_fed(is_fed: Mask, run_code: Codes) -> Mask:
    """Return where the bin's run has been fed before or in the bin."""
    inside = run_code >= 0
    count = int(run_code.max(initial=-1)) + 1
    first = np.full(count, len(run_code))
    rows = np.flatnonzero(is_fed & inside)
    np.minimum.at(first, run_code[rows], rows)
    result = np.zeros(len(run_code), dtype=bool)
    result[inside] = np.arange(len(run_code))[inside] >= first[run_code[inside]]
    return result


def observe_operation(roles: pd.DataFrame, press: Press, every_s: float) -> Operation:
    """Return what the press was doing in every bin of a regular grid (index: bin start, UTC, closed left)."""
    is_moving, is_known = moving(roles, every_s)
    if not is_known.any():
        is_moving = feeding(roles, press, np.ones(len(roles), dtype=bool))
        is_known = is_moving | ~np.isnan(role_values(roles, "feed_flow"))
    is_feeding = feeding(roles, press, is_moving)
    is_fed = bridged(is_feeding, every_s)
    mode = modes(roles, is_moving, is_fed, _active(is_moving, every_s), every_s)
    run_code = _runs(mode, is_moving)
    transit = follow_sludge(roles, press, is_moving, is_feeding, mode == THICKENING, every_s)
    phase = phases(is_moving, is_fed, run_code, transit.fed_middle, every_s)
    phase[~is_known] = None
    starts = _first_rows(run_code)
    times = pd.DatetimeIndex(roles.index)
    names = tuple(f"{press.slug}-{times[row].strftime('%Y%m%dT%H%MZ')}" for row in starts)
    return Operation(
        is_moving=is_moving,
        is_feeding=is_feeding & is_moving,
        mode=mode,
        run_code=run_code,
        run_names=names,
        run_start_s=starts.astype(float) * float(every_s),
        phase=phase,
        transit=transit,
    )


def _first_rows(run_code: Codes) -> Codes:
    """Return the first row of every run."""
    codes, rows = np.unique(run_code, return_index=True)
    return rows[codes >= 0]
