"""The step test: a randomised sheet of gravity belt speeds to hold, with what to sample and when to stop.

Every day of the test runs each level once, in random order (randomised complete blocks), so that a day's
sludge favours no level. The order depends on the press alone: the same press gets the same sheet.
"""

from __future__ import annotations

import math
from zlib import crc32

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.model import Press

Floats = npt.NDArray[np.float64]

SPEED = "gravity_belt_speed_m_min"
SETTLE_MIN = 20.0  # 15 to 20 min from a belt-speed change to a fair sample, value from memory
SAMPLING_MIN = 30.0
LEVELS = 4
DAYS = 5
NARROWEST = 0.3  # the levels span at least this share of the usual speed
STEP_BEYOND = 0.15  # and go at most this share beyond the speeds that were run

CAUTIONS = (
    "Only authorised staff change settings; local codes and the plant's own procedures come first.",
    "Guards stay on, and nobody reaches into a moving press; lock out before any work on belts or rollers.",
    "Spilled polymer is slippery; sludge gives off gas, so keep the room aired and the gas alarm in service.",
    "Change the gravity belt speed alone; leave feed, polymer, washwater, pressure belt and tension.",
    "Go from one speed to the next in small steps, inside the nameplate limits, and watch the belt at each.",
    "Stop the hold and go back to the usual speed on any stop sign; write down the time and what was seen.",
)
_BLANK = ("started_at", "ended_at", "cake_solids_pct", "filtrate_tss_mg_l", "feed_solids_pct", "seen")


def plan_step_test(minutes: pd.DataFrame, blocks: pd.DataFrame, press: Press) -> pd.DataFrame:
    """Return the sheet: a row per hold, in the order to be run.

    Columns: `step`, `test_day`, `gravity_belt_speed_m_min`, `settle_min`, `hold_min` (settling and sampling),
    `samples`, `stop_if`, and blank ones to fill in. Empty when no speed of this press is known.
    """
    ran = (blocks if len(blocks) else minutes)[SPEED].dropna()
    if ran.empty:
        return pd.DataFrame(
            columns=["step", "test_day", SPEED, "settle_min", "hold_min", "samples", "stop_if", *_BLANK]
        )
    levels = levels_to_hold(ran.to_numpy(dtype=float))
    settle = settling_minutes(minutes)
    generator = np.random.default_rng(crc32(press.slug.encode()))
    order = np.concatenate([generator.permutation(levels) for _ in range(DAYS)])
    first, middle, last = settle, settle + SAMPLING_MIN / 2.0, settle + SAMPLING_MIN
    samples = f"cake TS, filtrate TSS and feed TS at {first:.0f}, {middle:.0f} and {last:.0f} min after the change"
    sheet = pd.DataFrame(
        {
            "step": np.arange(1, len(order) + 1),
            "test_day": np.repeat(np.arange(1, DAYS + 1), len(levels)),
            SPEED: order,
            "settle_min": settle,
            "hold_min": settle + SAMPLING_MIN,
            "samples": samples,
            "stop_if": stop_signs(press),
        }
    )
    for column in _BLANK:
        sheet[column] = None
    return sheet


def settling_minutes(minutes: pd.DataFrame) -> float:
    """Return how long to wait from a change of speed to a fair sample [min]: 20 min, more for slow sludge if known."""
    transit = float(minutes["transit_min"].median())
    return _round_up(SETTLE_MIN if np.isnan(transit) else max(SETTLE_MIN, transit + 10.0))


def levels_to_hold(ran: Floats) -> Floats:
    """Return the speeds to test [m/min], evenly spaced, rounded to 0.1.

    They span the 5th to the 95th percentile of `ran`; a narrower history is widened to 30 % of the usual
    speed, at most 15 % beyond what was run.
    """
    low, usual, high = (float(value) for value in np.quantile(ran, [0.05, 0.5, 0.95]))
    short = max(NARROWEST * usual - (high - low), 0.0) / 2.0
    low, high = max(low - short, low * (1.0 - STEP_BEYOND)), min(high + short, high * (1.0 + STEP_BEYOND))
    return np.unique(np.round(np.linspace(low, high, LEVELS), 1))


def stop_signs(press: Press) -> str:
    """Return the signs on which a hold is broken off, the plant's own targets among them."""
    targets = press.targets.get("dewatering", {})
    signs = []
    for column, words in (("capture_pct", "capture"), ("cake_solids_pct", "cake solids")):
        limit = targets.get(column)
        if limit is not None and limit.low is not None:
            signs.append(f"{words} under {limit.low:g} % in two samples running")
    signs += [
        "sludge spills over the side seals or squeezes out of the wedge",
        "free water stands before the wedge",
    ]
    signs += ["a belt wanders to its trip", "feed, polymer or washwater changes or fails"]
    return "; ".join(signs)


def _round_up(minutes: float, to: float = 5.0) -> float:
    return math.ceil(minutes / to) * to


def step_test_csv(sheet: pd.DataFrame, units: str = "si") -> str:
    """Return the sheet as CSV text, the cautions as lines that begin with "#" above it.

    Speeds are in m/min; where people read US units the same speed follows in ft/min.
    """
    lines = "".join(f"# {caution}\n" for caution in CAUTIONS)
    if units == "us":
        after = list(sheet.columns).index(SPEED) + 1
        sheet = sheet.copy()
        sheet.insert(after, "gravity_belt_speed_ft_min", (sheet[SPEED] / 0.3048).round(1))
    return lines + sheet.to_csv(index=False, lineterminator="\n")
