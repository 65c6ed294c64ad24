"""What meters, bench and plant file make of a lived press.

Comes in: a press lived through, its meters and faults. Goes out: `Recorded`, readings with their faults, the
bench sheet, and what the plant file says of the press.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.simulate import bench
from trendkit.simulate.drivers import Streams
from trendkit.simulate.faults import InstrumentFault, Spoilt, spoil
from trendkit.simulate.meters import (
    Meter,
    Readings,
    read_meter,
    state_texts,
    true_readings,
)
from trendkit.simulate.operation import THICKENING
from trendkit.simulate.plant import Lived
from trendkit.simulate.plant_file import PressText
from trendkit.simulate.randomness import stream
from trendkit.simulate.stretch import sludge_density_kg_m3
from trendkit.simulate.truth_table import step_roles


@dataclass(frozen=True)
class Recorded:
    """One press as its meters, its bench and its plant file tell it."""

    lived: Lived
    spoilt: Spoilt
    faults: tuple[InstrumentFault, ...]
    sheet: pd.DataFrame
    text: PressText


def streams_of(seed: int, slug: str) -> Streams:
    """Return the streams of one press: concern -> a fresh generator, the same every time it is asked for."""
    return lambda concern: stream(seed, slug, concern)


def record(
    press: Lived,
    meters: tuple[Meter, ...],
    faults: tuple[InstrumentFault, ...],
    seed: int,
    every_s: float,
    grabs_per_run: int,
    has_slips: bool,
    fixed_strength: str = "",
) -> Recorded:
    """Return what is on record of a lived press; readings every `every_s` seconds."""
    history, machine = press.history, press.household.station.machine
    streams = streams_of(seed, machine.slug)
    roles = step_roles(history, machine)
    roles["filtrate_turbidity"] = roles["filtrate_solids"] * press.turbidity_per_mg_l
    seconds = np.arange(0.0, history.grid.n * history.grid.step_s, every_s)
    steps = (seconds // history.grid.step_s).astype(np.int64)
    states = {
        "running": roles["running"],
        "belt_trip": roles["belt_trip"],
        "mode": (history.drivers.timeline.mode == float(THICKENING)).astype(np.float64),
        "feed_source": history.drivers.feed.source - 1.0,
    }
    readings = {}
    for meter in meters:
        if meter.kind == "state":
            readings[meter.tag] = Readings(meter, np.empty(0), state_texts(meter.role, states[meter.role][steps]))
        else:
            true = np.nan_to_num(true_readings(meter, roles, steps, history.grid.step_s))
            readings[meter.tag] = Readings(meter, read_meter(meter, true, every_s, streams))
    spoilt = spoil(Spoilt(seconds, readings), faults, every_s, streams("fault noise"))
    sheet = bench.bench_sheet(history, machine.name, roles, grabs_per_run, has_slips, streams)
    return Recorded(press, spoilt, faults, sheet, _press_text(press, meters, fixed_strength))


def _press_text(press: Lived, meters: tuple[Meter, ...], fixed_strength: str) -> PressText:
    usual = np.array([press.household.station.sludge.feed_solids_pct / 100.0])
    density = round(float(sludge_density_kg_m3(usual)[0]))
    has_filtrate = any(meter.role == "filtrate_flow" for meter in meters)
    return PressText(press.household, meters, density, fixed_strength, has_filtrate)
