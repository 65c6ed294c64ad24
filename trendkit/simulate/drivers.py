"""Everything that acts on a press from outside, step by step: feed, crew settings, water, belts.

Comes in: a timeline and the habits of a plant. Goes out: `Drivers`, arrays of shape (n,). Disturbances change
them before the press sees them; the press itself is in `history`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from trendkit.simulate.machine import Sludge, Station
from trendkit.simulate.operation import THICKENING, Grid, Timeline
from trendkit.simulate.randomness import Array, wandering

Streams = Callable[[str], np.random.Generator]


@dataclass(frozen=True)
class Feed:
    """The sludge as it comes, before any disturbance; arrays of shape (n,)."""

    solids: Array  # mass fraction
    temperature_degc: Array
    source: Array  # 1.0 or 2.0, the tank in use
    quality: Array  # factor on equilibrium dryness
    optimum_factor: Array
    resistance_factor: Array
    strength_factor: Array  # make-down batches against what the crew believes


@dataclass(frozen=True)
class Drivers:
    """What acts on the press; arrays of shape (n,), actual values unless named setpoint."""

    timeline: Timeline
    feed: Feed
    feed_setpoint_m3_h: Array
    gravity_setpoint_m_min: Array
    pressure_setpoint_m_min: Array
    active_g_m3: Array  # polymer the pump is paced to, active grams per m3 of feed
    feed_factor: Array  # disturbances: factors on the actual value, 1 undisturbed
    polymer_factor: Array
    strength_factor: Array
    dilution_factor: Array
    wash_flow_factor: Array
    wash_pressure_factor: Array
    gravity_factor: Array
    pressure_factor: Array
    gravity_slip: Array  # belt speed over drive speed
    pressure_slip: Array
    tension_factor: Array
    extra_fouling_per_h: Array


UNDISTURBED = (
    "feed_factor",
    "polymer_factor",
    "strength_factor",
    "dilution_factor",
    "wash_flow_factor",
    "wash_pressure_factor",
    "gravity_factor",
    "pressure_factor",
    "gravity_slip",
    "pressure_slip",
    "tension_factor",
)


def draw_feed(grid: Grid, timeline: Timeline, sludge: Sludge, spread: float, streams: Streams) -> Feed:
    """Return the undisturbed feed: day-to-day level, day and night swing, tank draw-down and short wander.

    `spread` scales the variation; 1 is an ordinary plant.
    """
    n, step = grid.n, grid.step_s
    rng = streams("feed solids")
    slow = wandering(rng, n, step, 2.5 * 86400.0)
    middle = wandering(rng, n, step, 2.5 * 3600.0)
    quick = wandering(rng, n, step, 300.0)
    swing = np.sin((grid.local_hours() - 9.0) / 24.0 * 2.0 * np.pi)
    drawn = _draw_down(grid, timeline, streams("tank draw"))
    variation = 0.055 * slow + 0.03 * middle + 0.008 * quick + 0.018 * swing + drawn
    source = _tank_in_use(grid, streams("tank in use"))
    solids = sludge.feed_solids_pct / 100.0 * np.exp(spread * (variation + np.where(source > 1.5, 0.02, -0.02)))
    weather = streams("temperature")
    temperature = sludge.temperature_degc + 1.2 * wandering(weather, n, step, 4.0 * 86400.0) + 0.3 * swing
    nature = streams("sludge nature")
    return Feed(
        solids=solids,
        temperature_degc=temperature,
        source=source,
        quality=np.exp(
            spread * (0.012 * wandering(nature, n, step, 3.0 * 86400.0) + 0.007 * wandering(nature, n, step, 5400.0))
        ),
        optimum_factor=np.exp(0.035 * spread * wandering(nature, n, step, 3.0 * 86400.0)),
        resistance_factor=np.exp(0.07 * spread * wandering(nature, n, step, 2.0 * 86400.0)),
        strength_factor=_batches(grid, timeline, streams("make-down")),
    )


def _draw_down(grid: Grid, timeline: Timeline, rng: np.random.Generator) -> Array:
    """Return the drift of feed solids within each run as its tank is drawn down (log of a factor)."""
    drift = np.zeros(grid.n)
    for run in timeline.runs:
        size, bend = rng.normal(0.0, 0.04), rng.normal(0.0, 0.015)
        inside = slice(int(run.start_s // grid.step_s), int(run.end_s // grid.step_s) + 1)
        along = np.linspace(-1.0, 1.0, len(drift[inside]))
        drift[inside] = size * along + bend * (along**2 - 1.0 / 3.0)
    return drift


def _tank_in_use(grid: Grid, rng: np.random.Generator) -> Array:
    """Return which of two tanks feeds the press: changes every few days, between runs."""
    source = np.ones(grid.n)
    second, tank = 0.0, 1.0
    while second < grid.n * grid.step_s:
        lasts = float(rng.integers(2, 6)) * 86400.0
        source[int(second // grid.step_s) : int((second + lasts) // grid.step_s)] = tank
        second, tank = second + lasts, 3.0 - tank
    return source


def _batches(grid: Grid, timeline: Timeline, rng: np.random.Generator) -> Array:
    """Return the strength of each make-down batch over the intended one; a batch lasts some pressing hours."""
    used = np.cumsum(timeline.is_feeding) * grid.step_s / 3600.0
    sizes = rng.normal(1.0, 0.02, int(used[-1] / 3.0) + 2)
    result: Array = sizes[(used / 3.5).astype(int)]
    return result


def draw_drivers(
    grid: Grid, timeline: Timeline, feed: Feed, setpoints: dict[str, Array], extra: dict[str, Array]
) -> Drivers:
    """Return the drivers for setpoints of the crew and the factors of the disturbances (absent: 1)."""
    ones = {name: extra.get(name, np.ones(grid.n)) for name in UNDISTURBED}
    planned = extra.get("gravity_setpoint_factor", 1.0)
    setpoints = setpoints | {"gravity_setpoint_m_min": setpoints["gravity_setpoint_m_min"] * planned}
    fouling = extra.get("extra_fouling_per_h", np.zeros(grid.n))
    return Drivers(timeline=timeline, feed=feed, extra_fouling_per_h=fouling, **setpoints, **ones)


def disturbed_feed(feed: Feed, extra: dict[str, Array]) -> Feed:
    """Return the feed with the factors of the disturbances on its solids and nature."""
    return replace(
        feed,
        solids=feed.solids * extra.get("solids_factor", 1.0),
        quality=feed.quality * extra.get("quality_factor", 1.0),
        optimum_factor=feed.optimum_factor * extra.get("optimum_factor", 1.0),
        resistance_factor=feed.resistance_factor * extra.get("resistance_factor", 1.0),
        temperature_degc=feed.temperature_degc + extra.get("temperature_shift", 0.0),
    )


@dataclass(frozen=True)
class Acting:
    """The actual values on wall-clock steps, shape (n,), that follow from the drivers."""

    feed_flow_m3_h: Array
    polymer_flow_l_h: Array
    polymer_strength: Array
    dilution_m3_h: Array
    washwater_m3_h: Array
    washwater_kpa: Array
    gravity_belt_m_min: Array
    pressure_belt_m_min: Array
    tension_kn_m: Array
    gravity_drive_m_min: Array  # what the drives turn; belts that slip lag behind
    pressure_drive_m_min: Array


def acting(grid: Grid, drivers: Drivers, station: Station, streams: Streams) -> Acting:
    """Return what pumps, sprays, drives and cylinders really do under the drivers."""
    machine, settings = station.machine, station.settings
    n, step, line = grid.n, grid.step_s, drivers.timeline
    moving, feeding = line.is_moving, line.is_feeding
    flow_noise = np.exp(0.006 * wandering(streams("feed pump"), n, step, 120.0))
    feed_flow = _approached(drivers.feed_setpoint_m3_h * drivers.feed_factor * feeding, step, 25.0) * flow_noise
    feed_flow = np.where((feeding > 0.5) & (moving > 0.5), feed_flow, 0.0)
    strength = settings.strength_pct / 100.0 * drivers.feed.strength_factor * drivers.strength_factor
    # The pump is paced to the feed flow at the intended strength; weak solution is not made up for.
    polymer = feed_flow * drivers.active_g_m3 / (settings.strength_pct / 100.0) / 1000.0
    polymer = polymer * drivers.polymer_factor * np.exp(0.005 * wandering(streams("polymer pump"), n, step, 180.0))
    washing = np.exp(0.006 * wandering(streams("wash pump"), n, step, 600.0)) * moving
    thickening = line.mode == float(THICKENING)
    gravity = drivers.gravity_setpoint_m_min * drivers.gravity_factor * moving
    pressure = drivers.pressure_setpoint_m_min * drivers.pressure_factor * moving
    pressure = np.where(thickening, 0.0, pressure)
    tension = machine.tension_kn_m * drivers.tension_factor
    return Acting(
        feed_flow_m3_h=feed_flow,
        polymer_flow_l_h=polymer,
        polymer_strength=strength,
        dilution_m3_h=settings.dilution_m3_h * drivers.dilution_factor * (feed_flow > 0.0),
        washwater_m3_h=machine.washwater_m3_h * drivers.wash_flow_factor * washing,
        washwater_kpa=machine.washwater_kpa * drivers.wash_pressure_factor * moving,
        gravity_belt_m_min=gravity * drivers.gravity_slip,
        pressure_belt_m_min=pressure * drivers.pressure_slip,
        tension_kn_m=tension * (1.0 + 0.004 * wandering(streams("tension"), n, step, 1800.0)),
        gravity_drive_m_min=gravity,
        pressure_drive_m_min=pressure,
    )


def _approached(target: Array, step_s: float, lag_s: float) -> Array:
    """Return a first-order approach to `target`; a pump that is switched off stops at once."""
    from scipy.signal import lfilter

    keep = float(np.exp(-step_s / lag_s))
    result: Array = np.asarray(lfilter([1.0 - keep], [1.0, -keep], target), dtype=np.float64)
    return result
