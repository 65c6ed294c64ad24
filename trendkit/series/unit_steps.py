"""Readings in another unit for a while: a step by a known unit factor while all else holds still."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.series.robust import robust_spread
from trendkit.series.segments import Bools, Floats, Ints, stretches_of

# Factors between units in which meters of one kind are set up, by the SI unit of the column.
FACTORS: Mapping[str, Mapping[str, float]] = {
    "m3/h": {
        "gal/min and m3/h": 4.402868,
        "L/s and m3/h": 3.6,
        "L/s and gal/min": 15.85032,
        "ft3 and m3": 35.31467,
        "ft3 and gal": 7.480519,
        "gal and L": 3.785412,
        "per minute and per hour": 60.0,
    },
    "L/h": {
        "gal and L": 3.785412,
        "gal/min and m3/h": 4.402868,
        "per minute and per hour": 60.0,
        "L and m3": 1000.0,
    },
    "percent": {"% and g/L": 10.0, "a fraction and %": 100.0, "% and mg/L": 10_000.0},
    "mg/L": {"g/L and mg/L": 1000.0, "% and mg/L": 10_000.0},
    "kg/h": {
        "lb and kg": 2.204623,
        "t and kg": 1000.0,
        "per minute and per hour": 60.0,
        "ton and kg": 907.1847,
    },
    "kPa": {"psi and kPa": 6.894757, "bar and psi": 14.50377, "bar and kPa": 100.0, "kPa and MPa": 1000.0},
    "m/min": {"ft and m": 3.280840, "per second and per minute": 60.0},
    "mm": {"in and mm": 25.4, "cm and mm": 10.0},
    "kN/m": {"lbf/in and kN/m": 5.710147, "N and kN": 1000.0},
    "kW": {"W and kW": 1000.0},
}
WINDOW = 30  # bins of a moving press on either side
CLOSE = 0.03  # of the factor
CLOSE_ALONE = 0.015  # where fewer than two other meters can vouch
STEADY = 0.15  # spread of each side, relative
ALIVE = 0.2  # the least spread of either side, of the other's: a stuck or cut-off reading is no other unit
NEAR_USUAL = 0.2  # how near the level off by a factor must come to the usual one times that factor, relative
SHARP = 0.35  # how near to the whole step the single greatest change must come, relative
STILL = 0.2  # relative change of the others
VOUCHING = 0.7  # share of the others that must hold still
OFF = 0.005  # of the usual reading: the meter shows nothing


@dataclass(frozen=True)
class UnitStep:
    """Bins `first` up to `past` in which readings were `ratio` times those around, as two units would be."""

    first: int
    past: int
    ratio: float
    units: str


Levels = dict[str, tuple[Ints, Floats]]  # places of the bins at work, logarithms of their readings


def find_unit_steps(
    columns: Mapping[str, Floats], units: Mapping[str, str], is_moving: Bools
) -> dict[str, list[UnitStep]]:
    """Return per column the stretches that look like another unit.

    `columns` holds readings per bin (NaN where unknown), `units` the SI unit of each column.
    """
    levels: Levels = {}
    for name, values in columns.items():
        at_work = np.where(is_moving & np.isfinite(values), np.abs(values), 0.0)
        usual = np.quantile(at_work[is_moving], 0.9)
        places = np.flatnonzero(at_work > OFF * usual)
        if len(places) > 4 * WINDOW:
            levels[name] = places, np.log(at_work[places])
    found = {}
    for name in levels:
        factors = FACTORS.get(units[name], {})
        if factors and _steps_at_all(levels[name][1], min(factors.values())):
            steps = _steps_of(name, factors, levels)
            if steps:
                found[name] = _stretches(steps, levels[name])
    return found


def _steps_at_all(logs: Floats, least_factor: float) -> bool:
    """Return True when the level ever changes by the least factor from one window to the next but one."""
    windows = logs[: len(logs) // WINDOW * WINDOW].reshape(-1, WINDOW)
    level = np.median(windows, axis=1)
    return bool((np.abs(level[2:] - level[:-2]) > 0.8 * np.log(least_factor)).any())


def _medians_around(logs: Floats) -> tuple[Floats, Floats]:
    """Return for every place the median of the window before it and of the window from it on."""
    rolled = pd.Series(logs).rolling(WINDOW).median().to_numpy()
    before = np.concatenate(([np.nan], rolled[:-1]))
    after = np.concatenate((rolled[WINDOW - 1 :], np.full(WINDOW - 1, np.nan)))
    return before, after


def _steps_of(name: str, factors: Mapping[str, float], levels: Levels) -> list[tuple[int, float, str]]:
    """Return where one column steps by a unit factor (place among its own), log ratio and units."""
    places, logs = levels[name]
    before, after = _medians_around(logs)
    change = np.nan_to_num(after - before)
    others = [level for other, level in levels.items() if other != name]
    close = CLOSE if len(others) >= 2 else CLOSE_ALONE
    distance = np.abs(np.abs(change)[:, None] - np.log(np.array(list(factors.values())))[None, :])
    nearest = np.argmin(distance, axis=1)
    found = []
    for first, past in stretches_of(distance.min(axis=1) < close):
        place = _sharpest(logs, max(first, 1), past + 1)
        ratio = float(np.median(change[first:past]))
        if place >= len(logs) - WINDOW or not _is_clean_step(logs, place, ratio):
            continue
        if _others_hold_still(int(places[place]), others):
            found.append((place, ratio, list(factors)[int(nearest[(first + past) // 2])]))
    return found


def _is_clean_step(logs: Floats, place: int, ratio: float) -> bool:
    """Return True when one single change makes the step and both sides of it are steady."""
    sides = logs[max(place - WINDOW, 0) : place], logs[place : place + WINDOW]
    is_sharp = abs(float(logs[place] - logs[place - 1]) - ratio) < SHARP * abs(ratio)
    before, after = robust_spread(sides[0]), robust_spread(sides[1])
    return is_sharp and max(before, after) < STEADY and min(before, after) >= ALIVE * max(before, after)


def _others_hold_still(bin_place: int, others: list[tuple[Ints, Floats]]) -> bool:
    votes = []
    for places, logs in others:
        at = int(np.searchsorted(places, bin_place))
        if WINDOW <= at <= len(places) - WINDOW:
            shift = np.median(logs[at : at + WINDOW]) - np.median(logs[at - WINDOW : at])
            votes.append(abs(float(shift)) < STILL)
    return not votes or float(np.mean(votes)) >= VOUCHING


def _stretches(steps: list[tuple[int, float, str]], level: tuple[Ints, Floats]) -> list[UnitStep]:
    """Return the stretch on the far side of each step: that whose level is off the tag's usual one by the factor.

    It reaches, forwards or backwards from the step, to where the readings are nearer to the usual level again.
    """
    places, logs = level
    usual = float(np.median(logs))
    found: list[UnitStep] = []
    covered = 0
    for place, change, units in steps:
        if place < covered:
            continue
        before = float(np.median(logs[max(place - WINDOW, 0) : place]))
        is_after = abs(before + change - usual) > abs(before - usual)
        ratio = change if is_after else -change
        if abs((before + change if is_after else before) - usual - ratio) > NEAR_USUAL:
            continue
        if is_after:
            first, past = place, place + _reach(logs[place:], usual, ratio)
        else:
            first, past = place - _reach(logs[:place][::-1], usual, ratio), place
        end = int(places[past]) if past < len(places) else int(places[-1]) + 1
        found.append(UnitStep(int(places[first]), end, float(np.exp(ratio)), units))
        covered = past + 1
    return found


def _reach(logs: Floats, usual: float, ratio: float) -> int:
    """Return how many readings from the first on stay off by the factor; the last one before a lasting return."""
    smooth = pd.Series(logs).rolling(WINDOW // 2, min_periods=1).median().to_numpy()
    is_back = np.abs(smooth - usual) < np.abs(smooth - usual - ratio)
    is_back[: WINDOW // 2] = False
    lasting = np.convolve(is_back.astype(int), np.ones(WINDOW // 2, int), "valid") == WINDOW // 2
    if not lasting.any():
        return len(logs)
    back = int(np.argmax(lasting))
    return _sharpest(logs, max(back - WINDOW // 2, 1), back + 1)


def _sharpest(logs: Floats, first: int, past: int) -> int:
    """Return the place of the greatest single change among some."""
    return first + int(np.argmax(np.abs(np.diff(logs[first - 1 : past]))))
