"""What meters, bench and plant file make of a lived press.

Comes in: a press lived through, its meters and faults. Goes out: `Recorded`, readings with their faults, the
bench sheet, and what the plant file says of the press.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trendkit.simulate import bench
from trendkit.simulate.faults import InstrumentFault, Spoilt, draw_faults, spoil
from trendkit.simulate.meters import (
    Meter,
    Readings,
    Units,
    bare_meters,
    full_meters,
    read_meter,
    state_texts,
    true_readings,
)
from trendkit.simulate.operation import THICKENING
from trendkit.simulate.plant import Lived
from trendkit.simulate.plant_file import PressText
from trendkit.simulate.randomness import stream
from trendkit.simulate.scenarios import Scenario
from trendkit.simulate.shapes import ExportShape
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


def streams_of(seed: int, slug: str) -> Callable[[str], np.random.Generator]:
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


def scenario_meters(press: Lived, scenario: Scenario, units: Units, seed: int) -> tuple[Meter, ...]:
    """Return the meters of a scenario's press; whether belts or their drives are measured is drawn."""
    station = press.household.station
    settings, machine = station.settings, station.machine
    prefix = machine.slug.upper().replace("-", "")
    active = settings.feed_flow_m3_h * station.sludge.feed_solids_pct * 10.0 * settings.dose_kg_t / 1000.0
    polymer_l_h = active / (settings.strength_pct / 100.0)
    if scenario.depth == "bare":
        fastest = max(settings.gravity_belt_m_min * 2.6, settings.thickening_belt_m_min * 1.2 * scenario.thickens)
        return bare_meters(prefix, units, round(polymer_l_h * 2.6, -1), round(fastest, 1), 8.0)
    most_feed = max(settings.feed_flow_m3_h, settings.thickening_feed_m3_h)
    usual = {
        "feed_flow": most_feed,
        "filtrate_flow": most_feed + machine.washwater_m3_h,
        "polymer_flow": polymer_l_h,
        "washwater_flow": machine.washwater_m3_h,
    }
    by_belt = stream(seed, machine.slug, "belt sensors").random() < 0.5
    return full_meters(prefix, units, scenario.thickens, usual, "belt" if by_belt else "drive")


def record_scenario(
    press: Lived, scenario: Scenario, seed: int, every_s: float, shape: ExportShape, units: Units
) -> Recorded:
    """Return a scenario's press as recorded."""
    machine = press.household.station.machine
    meters = scenario_meters(press, scenario, units, seed)
    if scenario.is_calibrated:
        meters = tuple(replace(meter, calibration=0.0, calibration_abs=0.0) for meter in meters)
    tags = {meter.tag: meter.role for meter in meters if meter.kind != "state"}
    pressing = np.repeat((press.table["phase"] == "pressing").to_numpy(), 60)
    rng = stream(seed, machine.slug, "faults")
    faults = draw_faults(tags, scenario.faults_per_week, bool(shape.quality), pressing, rng)
    is_bare = scenario.depth == "bare"
    strength = f"{press.household.station.settings.strength_pct:g} %" if is_bare else ""
    grabs = 3 if is_bare else 2
    return record(press, meters, faults, seed, every_s, grabs, scenario.faults_per_week > 0.0, strength)
