"""From a scenario and a seed to a press lived through, and to what is on record of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from trendkit.simulate.disturbances import CAUSES, draw_events
from trendkit.simulate.family import draw_household
from trendkit.simulate.faults import draw_faults
from trendkit.simulate.meters import Meter, Units, bare_meters, full_meters
from trendkit.simulate.operation import make_grid
from trendkit.simulate.plant import Lived, begin_life, lived
from trendkit.simulate.randomness import stream
from trendkit.simulate.record import Recorded, record, streams_of
from trendkit.simulate.scenarios import Scenario
from trendkit.simulate.shapes import ExportShape

TIMEZONE = "America/Denver"


def live_scenario(scenario: Scenario, seed: int, first_day: date, days: int, number: int = 1) -> Lived:
    """Return press `number` of a scenario's plant, lived through with its events."""
    household = draw_household(scenario, seed, number)
    streams = streams_of(seed, household.station.machine.slug)
    life = begin_life(household, make_grid(first_day, days, TIMEZONE), first_day, days, scenario.variation, streams)
    events = draw_events(
        life.timeline.runs,
        scenario.upsets_per_run,
        scenario.look_alikes_per_run,
        scenario.share_overlapping,
        scenario.causes or CAUSES,
        scenario.severities,
        streams("events"),
    )
    return lived(life, events)


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
