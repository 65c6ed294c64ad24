"""Instrument faults put into readings: every fault name of the contract, with what it does to the figures.

Comes in: readings in tag units. Goes out: spoilt readings and a list of what was done to which tag and when.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from trendkit.simulate.meters import Readings
from trendkit.simulate.randomness import Array

SPOILABLE = ["feed_flow", "feed_solids", "filtrate_flow", "filtrate_solids", "filtrate_turbidity", "cake_solids", "cake_rate", "polymer_flow", "polymer_strength", "dilution_water_flow", "washwater_flow", "washwater_pressure", "gravity_zone_depth", "belt_tension", "power"]
SLOW = ("feed_solids", "filtrate_solids", "cake_solids")  # what bench grabs can show to have moved
WITH_SECOND_UNIT = ("feed_flow", "filtrate_flow", "washwater_flow")
FAULTS = ["gap", "frozen", "spike", "out_of_range", "offset", "drift", "clock_shift", "duplicate", "text_value", "counter_reset", "unit_suspect", "bad_quality"]
TEXTS = ("I/O Timeout", "Bad Input", "No Data", "Comm Fail")
EFFECTS = {
    "gap": "no readings; held for at most ten minutes, then no value",
    "bad_quality": "readings marked bad; left out",
    "frozen": "the reading stands still while the press does not",
    "spike": "single readings far off",
    "out_of_range": "readings outside the instrument's range",
    "offset": "readings off by a constant share",
    "drift": "readings off by a growing share",
    "clock_shift": "readings stamped late",
    "duplicate": "rows exported twice",
    "text_value": "texts instead of numbers",
    "counter_reset": "the counter starts again from zero",
    "unit_suspect": "readings in another unit",
}


@dataclass(frozen=True)
class InstrumentFault:
    """One fault of one tag, in seconds from the start; `size` is relative, in minutes, or a factor."""

    tag: str
    role: str
    fault: str
    start_s: float
    end_s: float
    size: float = 0.0


@dataclass
class Spoilt:
    """Readings of one press at shared times, with what the faults did to single cells and rows."""

    seconds: Array
    readings: dict[str, Readings]  # by tag
    texts: dict[str, dict[int, str]] = field(default_factory=dict)  # tag -> row -> text in place of a number
    bad: dict[str, npt.NDArray[np.bool_]] = field(default_factory=dict)  # tag -> rows of bad quality
    repeated: list[tuple[int, int]] = field(default_factory=list)  # stretches of rows exported twice


def draw_faults(
    tags: dict[str, str],
    per_week: float,
    total_s: float,
    has_quality: bool,
    is_pressing: Array,
    rng: np.random.Generator,
) -> tuple[InstrumentFault, ...]:
    """Return faults on the tags (tag -> role), dealt in rounds over the fault names; starts lie in pressing hours."""
    count = int(rng.poisson(per_week * total_s / 604800.0))
    names = [fault for fault in FAULTS if has_quality or fault != "bad_quality"]
    deck: list[str] = []
    faults: list[InstrumentFault] = []
    pressing = np.flatnonzero(is_pressing)
    for _ in range(count):
        if not deck:
            deck = [str(name) for name in rng.permutation(np.array(names, dtype=object))]
        fault = deck.pop()
        start = float(pressing[int(rng.integers(len(pressing)))]) if len(pressing) else 0.0
        lasts, size = _extent(fault, rng)
        usable = [tag for tag, role in tags.items() if role in _roles_for(fault)]
        pick = int(rng.integers(max(len(usable), 1)))
        if not usable:
            continue
        tag = "*" if fault == "duplicate" else usable[pick]
        end = min(start + lasts, total_s)
        taken = [
            other
            for other in faults
            if other.tag in (tag, "*") and other.start_s < end and start < other.end_s
        ]
        if not taken:
            faults.append(InstrumentFault(tag, tags.get(tag, ""), fault, start, end, size))
    return tuple(sorted(faults, key=lambda fault: fault.start_s))


def _roles_for(fault: str) -> tuple[str, ...] | list[str]:
    special = {
        "offset": SLOW,
        "drift": SLOW,
        "counter_reset": ("cake_weight", "energy"),
        "unit_suspect": WITH_SECOND_UNIT,
        "duplicate": ("feed_flow",),
    }
    return special.get(fault, SPOILABLE)


def _extent(fault: str, rng: np.random.Generator) -> tuple[float, float]:
    """Return how long a fault lasts [s] and its size."""
    hours = {
        "gap": (0.5, 4.0),
        "bad_quality": (0.3, 3.0),
        "frozen": (1.5, 8.0),
        "spike": (0.02, 0.02),
        "out_of_range": (0.2, 2.0),
        "offset": (60.0, 150.0),
        "drift": (120.0, 260.0),
        "clock_shift": (70.0, 160.0),
        "duplicate": (0.3, 2.0),
        "text_value": (0.1, 1.0),
        "counter_reset": (0.02, 0.02),
        "unit_suspect": (6.0, 40.0),
    }[fault]
    sign = 1.0 if rng.random() < 0.5 else -1.0
    size = {
        "spike": float(rng.uniform(2.5, 6.0)),
        "offset": sign * float(rng.uniform(0.14, 0.28)),
        "drift": sign * float(rng.uniform(0.18, 0.35)),
        "clock_shift": float(rng.integers(12, 40)),
    }.get(fault, 0.0)
    return float(rng.uniform(*hours)) * 3600.0, size


def spoil(
    clean: Spoilt, faults: tuple[InstrumentFault, ...], every_s: float, rng: np.random.Generator
) -> Spoilt:
    """Return the readings with the faults in them."""
    for fault in faults:
        rows = (clean.seconds >= fault.start_s) & (clean.seconds < fault.end_s)
        if fault.fault == "duplicate":
            here = np.flatnonzero(rows)
            if len(here):
                clean.repeated.append((int(here[0]), int(here[-1]) + 1))
            continue
        values = clean.readings[fault.tag].values
        assert values is not None
        clean.readings[fault.tag] = Readings(
            clean.readings[fault.tag].meter, _spoilt_values(clean, fault, values.copy(), rows, every_s, rng)
        )
    return clean


def _spoilt_values(
    clean: Spoilt,
    fault: InstrumentFault,
    values: Array,
    rows: npt.NDArray[np.bool_],
    every_s: float,
    rng: np.random.Generator,
) -> Array:
    meter = clean.readings[fault.tag].meter
    first = int(np.argmax(rows)) if rows.any() else 0
    if fault.fault == "gap":
        values[rows] = np.nan
    elif fault.fault == "frozen":
        values[rows] = values[first]
    elif fault.fault == "spike":
        values[first] = values[first] * fault.size
    elif fault.fault == "out_of_range":
        values[rows] = (meter.range[1] * 1.6) if meter.range else 9999.0
    elif fault.fault == "offset":
        values[rows] = values[rows] * (1.0 + fault.size)
    elif fault.fault == "drift":
        along = (clean.seconds[rows] - fault.start_s) / (fault.end_s - fault.start_s)
        values[rows] = values[rows] * (1.0 + fault.size * along)
    elif fault.fault == "clock_shift":
        late = round(fault.size * 60.0 / every_s)
        shifted = np.concatenate([np.full(late, values[0]), values[: len(values) - late]])
        values[rows] = shifted[rows]
    elif fault.fault == "counter_reset":
        values[first:] = values[first:] - values[first]
    elif fault.fault == "unit_suspect":
        values[rows] = values[rows] * (0.2271247 if meter.unit == "gal/min" else 4.402867539)
    elif fault.fault == "text_value":
        word = TEXTS[int(rng.integers(len(TEXTS)))]
        clean.texts.setdefault(fault.tag, {}).update(dict.fromkeys(np.flatnonzero(rows).tolist(), word))
    elif fault.fault == "bad_quality":
        bad = clean.bad.setdefault(fault.tag, np.zeros(len(values), dtype=bool))
        bad |= rows
        values[rows] = 0.0
    return np.round(values, meter.decimals)
