"""Frozen readings: a meter that stands still while the press moves, judged by that tag's own habit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.series.segments import Bools, Floats, stretches_of
from trendkit.series.tracks import Track

SHORTEST_S = 1200.0
# Standing still for so long happens once in a million by chance; three times that, as changes come in bursts.
CHANCE = 1e-6
BURSTS = 3.0
# Readings of flow, solids and load cannot stand still for a working day, whatever the record's habit.
NEVER_STILL = frozenset(
    {
        "feed_flow",
        "feed_solids",
        "filtrate_flow",
        "filtrate_solids",
        "filtrate_turbidity",
        "cake_solids",
        "cake_rate",
        "thickened_flow",
        "thickened_solids",
        "power",
        "gravity_drive_load",
        "pressure_drive_load",
    }
)
WORKING_DAY_S = 8 * 3600.0
NEAR_ZERO = 0.25  # of the usual reading: at rest, or so low that the meter does not resolve how it moves
STILL_AT_REST = 0.1  # share of resting bins in which such a meter changes at most
SCANS_PER_READING = 60.0  # a controller adds up many times between two recorded readings
LIKE_REST = 0.01  # of the usual reading, from what the meter shows when the press stands


@dataclass(frozen=True)
class Standstill:
    """Bins `first` up to `past` where a meter stood at `value`, `moving_bins` of them with a moving press."""

    first: int
    past: int
    value: float
    moving_bins: int
    usual_share: float  # of moving bins, else, in which the reading changes


def bins_that_change(track: Track) -> Bools:
    """Return the bins in which the reading moved, or differed from the bin before."""
    seen = np.flatnonzero(track.has_observations)
    changes = np.zeros(track.bins.count, bool)
    if len(seen):
        low, high = track.lowest[seen], track.highest[seen]
        moved = low != high
        moved[1:] |= low[1:] != high[:-1]
        moved[0] = True
        changes[seen] = moved
    return changes


def find_standstills(name: str, track: Track, readings: Floats, is_moving: Bools) -> list[Standstill]:
    """Return the stretches in which a meter was frozen.

    `readings` are the bins' means, NaN where unknown; `is_moving` says in which bins the press moved. A stretch
    at rest (near zero, or at what the meter shows when the press stands) is never frozen.
    """
    known = ~np.isnan(readings)
    at_work = known & is_moving
    if at_work.sum() * track.bins.seconds < SHORTEST_S:
        return []
    changes = bins_that_change(track)
    near_zero, rest_low, rest_high = _levels_at_rest(readings, at_work, known & ~is_moving, changes)
    still = known & ~changes
    moving_so_far = np.concatenate(([0], np.cumsum(at_work)))
    changes_so_far = int((changes & at_work).sum())
    found = []
    for first, past in stretches_of(still):
        moving = int(moving_so_far[past] - moving_so_far[first])
        value = float(readings[first])
        if moving * track.bins.seconds < SHORTEST_S or abs(value) <= near_zero or rest_low <= value <= rest_high:
            continue
        elsewhere = int(moving_so_far[-1]) - moving
        share = changes_so_far / elsewhere if elsewhere else 0.0
        if moving < _bins_needed(name, share, elsewhere, track.bins.seconds):
            continue
        begins = first + int(np.argmax(is_moving[first:past]))
        found.append(Standstill(begins, past, float(readings[begins]), moving, share))
    return found


def _bins_needed(name: str, share: float, elsewhere: int, seconds: float) -> float:
    """Return how many moving bins a frozen meter stands still, by how often it changes otherwise."""
    working_day = WORKING_DAY_S / seconds
    if share <= 0.0 or elsewhere < working_day / 8.0:
        return working_day if name in NEVER_STILL else float(np.inf)
    by_chance = float(np.log(CHANCE) / np.log1p(-min(share, 0.999)))
    needed = max(BURSTS * by_chance, SHORTEST_S / seconds)
    return min(needed, working_day) if name in NEVER_STILL else needed


def _levels_at_rest(readings: Floats, at_work: Bools, resting: Bools, changes: Bools) -> tuple[float, float, float]:
    """Return below which reading a meter is at rest, and what it shows while the press stands, less and plus.

    A meter that changes all the time, also while the press stands, has no resting level (NaN).
    """
    usual = float(np.quantile(np.abs(readings[at_work]), 0.9))
    is_still_at_rest = resting.sum() >= 30 and float(changes[resting].mean()) < STILL_AT_REST
    shown = float(np.median(readings[resting])) if is_still_at_rest else np.nan
    return NEAR_ZERO * usual, shown - LIKE_REST * usual, shown + LIKE_REST * usual


@dataclass(frozen=True)
class StoppedCount:
    """A counter that from bin `first` on stands at `level`, `moving_bins` of them with a moving press."""

    first: int
    level: float
    moving_bins: int
    least_step: float


def find_stopped_count(track: Track, usual_increment: float, amounts: Floats, is_moving: Bools) -> StoppedCount | None:
    """Return where a counter outgrew its number format and stands still to the end, None when it did not.

    A 32-bit float holds whole numbers up to 2**24 = 16 777 216; beyond, a step of less than half the distance between
    two such numbers is lost (IEEE 754, binary32: 24 bits of significand).
    """
    counted = np.flatnonzero(np.nan_to_num(amounts) > 0.0)
    if not len(counted) or not np.isfinite(track.highest).any():
        return None
    first = int(counted[-1]) + 1
    level = float(np.nanmax(track.highest))
    least_step = 2.0 ** (np.floor(np.log2(max(level, 1.0))) - 23)
    moving = int((is_moving[first:] & np.isfinite(amounts[first:])).sum()) if len(is_moving) else 0
    has_outgrown = level >= 2.0**24 * (1.0 - 1e-9) and usual_increment <= SCANS_PER_READING * least_step
    if not has_outgrown or moving * track.bins.seconds < SHORTEST_S:
        return None
    return StoppedCount(first, level, moving, 0.5 * least_step)
