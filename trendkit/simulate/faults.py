"""Instrument faults put into readings: every fault name of the contract, with what it does to the figures.

Comes in: readings in tag units. Goes out: spoilt readings and a list of what was done to which tag and when.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from trendkit.simulate.meters import Readings
from trendkit.simulate.randomness import Array

SPOILABLE = (
    "feed_flow",
    "feed_solids",
    "filtrate_flow",
    "filtrate_solids",
    "filtrate_turbidity",
    "cake_solids",
    "cake_rate",
    "polymer_flow",
    "polymer_strength",
    "dilution_water_flow",
    "washwater_flow",
    "washwater_pressure",
    "gravity_zone_depth",
    "belt_tension",
    "power",
)
CHECKED_BY_BENCH = ("feed_solids", "filtrate_solids", "cake_solids")
WITH_SECOND_UNIT = ("feed_flow", "filtrate_flow", "washwater_flow")
COUNTERS = ("cake_weight", "energy")
ROLES_FOR = {
    "offset": CHECKED_BY_BENCH,
    "drift": CHECKED_BY_BENCH,
    "counter_reset": COUNTERS,
    "unit_suspect": WITH_SECOND_UNIT,
    "duplicate": ("feed_flow",),  # rows are repeated, with all their tags
}
# fault -> hours it lasts, and the range of its size (share, minutes, factor); the sign of shares is drawn
EXTENT: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "gap": ((0.5, 4.0), (0.0, 0.0)),
    "bad_quality": ((0.3, 3.0), (0.0, 0.0)),
    "frozen": ((1.5, 6.0), (0.0, 0.0)),
    "spike": ((0.02, 0.02), (2.5, 6.0)),
    "out_of_range": ((0.2, 2.0), (0.0, 0.0)),
    "offset": ((60.0, 150.0), (0.14, 0.28)),
    "drift": ((120.0, 260.0), (0.18, 0.35)),
    "clock_shift": ((70.0, 160.0), (12.0, 40.0)),
    "duplicate": ((0.3, 2.0), (0.0, 0.0)),
    "text_value": ((0.1, 1.0), (0.0, 0.0)),
    "counter_reset": ((0.02, 0.02), (0.0, 0.0)),
    "unit_suspect": ((6.0, 40.0), (0.0, 0.0)),
}
FAULTS = tuple(EXTENT)
SEEN_PRESSING_S = 5400.0  # a fault begins where this much of it falls into pressing
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
    has_quality: bool,
    is_pressing: npt.NDArray[np.bool_],
    rng: np.random.Generator,
) -> tuple[InstrumentFault, ...]:
    """Return faults on the tags (tag -> role), dealt in rounds over the fault names.

    `is_pressing` has an element a second; every fault begins in pressing, with enough of it left to show.
    """
    total_s = float(len(is_pressing))
    names = [fault for fault in FAULTS if has_quality or fault != "bad_quality"]
    deck: list[str] = []
    faults: list[InstrumentFault] = []
    pressing = np.flatnonzero(is_pressing & np.roll(is_pressing, -round(SEEN_PRESSING_S)))
    for _ in range(int(rng.poisson(per_week * total_s / 604800.0))):
        if not deck:
            deck = [str(name) for name in rng.permutation(np.array(names, dtype=object))]
        name = deck.pop()
        start = float(pressing[int(rng.integers(len(pressing)))]) if len(pressing) else 0.0
        lasts, size = _extent(name, rng)
        usable = [tag for tag, role in tags.items() if role in ROLES_FOR.get(name, SPOILABLE)]
        pick = int(rng.integers(max(len(usable), 1)))
        if not usable:
            continue
        tag = "*" if name == "duplicate" else usable[pick]
        fault = InstrumentFault(tag, tags.get(tag, ""), name, start, min(start + lasts, total_s), size)
        if not any(_meet(fault, other) for other in faults):
            faults.append(fault)
    return tuple(sorted(faults, key=lambda fault: fault.start_s))


def _meet(one: InstrumentFault, other: InstrumentFault) -> bool:
    """Return True when two faults of one tag overlap in time; rows repeated ("*") repeat whatever is in them."""
    return one.tag == other.tag and one.start_s < other.end_s and other.start_s < one.end_s


def _extent(fault: str, rng: np.random.Generator) -> tuple[float, float]:
    """Return how long a fault lasts [s] and its size."""
    hours, sizes = EXTENT[fault]
    sign = 1.0 if rng.random() < 0.5 or fault not in ("offset", "drift") else -1.0
    return float(rng.uniform(*hours)) * 3600.0, sign * float(rng.uniform(*sizes))


def spoil(clean: Spoilt, faults: tuple[InstrumentFault, ...], every_s: float, rng: np.random.Generator) -> Spoilt:
    """Return the readings with the faults in them."""
    for fault in faults:
        rows = np.flatnonzero((clean.seconds >= fault.start_s) & (clean.seconds < fault.end_s))
        if not len(rows):
            continue
        if fault.fault == "duplicate":
            clean.repeated.append((int(rows[0]), int(rows[-1]) + 1))
            continue
        readings = clean.readings[fault.tag]
        if fault.fault == "text_value":
            word = TEXTS[int(rng.integers(len(TEXTS)))]
            clean.texts.setdefault(fault.tag, {}).update(dict.fromkeys(rows.tolist(), word))
        elif fault.fault == "bad_quality":
            bad = clean.bad.setdefault(fault.tag, np.zeros(len(clean.seconds), dtype=bool))
            bad[rows] = True
        numbers = _spoilt_numbers(fault, readings, rows, every_s)
        clean.readings[fault.tag] = Readings(readings.meter, np.round(numbers, readings.meter.decimals))
    return clean


def _spoilt_numbers(fault: InstrumentFault, readings: Readings, rows: npt.NDArray[np.int64], every_s: float) -> Array:
    """Return the numbers of a tag with one fault in the given rows."""
    meter, numbers = readings.meter, readings.numbers.copy()
    first, here = int(rows[0]), readings.numbers[rows]
    if fault.fault == "spike":
        numbers[first] *= fault.size
    elif fault.fault == "counter_reset":
        numbers[first:] -= numbers[first]
    elif fault.fault in ("gap", "bad_quality", "frozen", "out_of_range"):
        above = meter.range[1] * 1.6 if meter.range else 9999.0
        numbers[rows] = {"gap": np.nan, "bad_quality": 0.0, "frozen": here[0], "out_of_range": above}[fault.fault]
    elif fault.fault == "offset":
        numbers[rows] = here * (1.0 + fault.size)
    elif fault.fault == "drift":
        numbers[rows] = here * (1.0 + fault.size * np.linspace(0.0, 1.0, len(rows)))
    elif fault.fault == "clock_shift":
        late = round(fault.size * 60.0 / every_s)
        numbers[rows] = readings.numbers[np.maximum(rows - late, 0)]
    elif fault.fault == "unit_suspect":
        numbers[rows] = here * (0.2271247 if meter.unit == "gal/min" else 4.402867539)
    return numbers
