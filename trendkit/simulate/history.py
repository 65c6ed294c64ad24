"""One press through time: parcels of feed carried along, pressed, and put back on the wall clock without loss.

Comes in: drivers on a regular grid. Goes out: `History`, wall-clock arrays of shape (n,) in SI units,
noise-free. Each step's feed is one parcel. What it meets on its way decides where its solids and water go;
running totals over pumped volume then say how much of each leaves the press in every step, so the balances
close exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trendkit.simulate.balance import Flows, press_sludge
from trendkit.simulate.conditioning import belt_fouling, wash_effect
from trendkit.simulate.drivers import Acting, Drivers, Feed, Streams, acting
from trendkit.simulate.machine import WATER_DENSITY_KG_M3, Sludge, Station
from trendkit.simulate.operation import THICKENING, Grid
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import Stretch, sludge_density_kg_m3
from trendkit.simulate.transport import Travel, travel

Steps = npt.NDArray[np.int64]
WASH_SOLIDS_MG_L = 8.0  # washwater is plant effluent
LONGEST_DRAINAGE_S = 3600.0

# Where each share of a parcel leaves the press: share of the gravity zone, share of the pressure zone.
PLACES = {
    "gravity_solids": (0.5, 0.0),
    "gravity_water": (0.5, 0.0),
    "pressate_solids": (1.0, 0.5),
    "pressate_water": (1.0, 0.5),
    "wash_solids": (1.0, 1.0),
    "film_solids": (1.0, 0.0),  # of thickening: the pressure belt stands, the gravity belt is washed as it returns
    "wash_water": (1.0, 1.0),
    "cake_solids": (1.0, 1.0),
    "cake_water": (1.0, 1.0),
    "cake_fed": (1.0, 1.0),  # feed solids of what is discharged now
    "cake_kept": (1.0, 1.0),  # their part that is in the cake
    "thickened_solids": (1.0, 0.0),
    "thickened_water": (1.0, 0.0),
    "thickened_fed": (1.0, 0.0),
    "thickened_kept": (1.0, 0.0),
}


@dataclass(frozen=True)
class History:
    """What truly happened at one press, per step of the grid; rates in the units of the names."""

    grid: Grid
    drivers: Drivers
    acting: Acting
    travel: Travel
    fouling: Array
    amounts_kg: dict[str, Array]  # by the names of PLACES: kg that left the press in the step
    entered_kg: dict[str, float]  # solids and water, whole simulation, wash apart
    inside_kg: dict[str, float]  # what is still in the press at the end
    probe_depth_mm: Array
    layer_solids: Array  # mass fraction at the end of the gravity zone, NaN when nothing leaves it
    floc: Array

    def rate_kg_h(self, name: str) -> Array:
        """Return one of the amounts as a rate [kg/h]."""
        return self.amounts_kg[name] * (3600.0 / self.grid.step_s)

    @property
    def filtrate_solids_kg_h(self) -> Array:
        """Solids in the collected filtrate, wash joined [kg/h]."""
        wash_in = self.acting.washwater_m3_h * WASH_SOLIDS_MG_L / 1000.0
        parts = ("gravity_solids", "pressate_solids", "wash_solids", "film_solids")
        result: Array = sum((self.rate_kg_h(name) for name in parts), start=wash_in)
        return result

    @property
    def filtrate_water_kg_h(self) -> Array:
        """Water in the collected filtrate, wash joined [kg/h]."""
        wash_in = self.acting.washwater_m3_h * WATER_DENSITY_KG_M3
        parts = ("gravity_water", "pressate_water", "wash_water")
        result: Array = sum((self.rate_kg_h(name) for name in parts), start=wash_in)
        return result


def run_press(grid: Grid, drivers: Drivers, station: Station, streams: Streams) -> History:
    """Return the history of one press under the drivers."""
    machine = station.machine
    now = acting(grid, drivers, station, streams)
    wash = wash_effect(now.washwater_m3_h, now.washwater_kpa, machine.washwater_m3_h, machine.washwater_kpa)
    fouling = belt_fouling(
        is_pressing=(now.feed_flow_m3_h > 0.0).astype(np.float64),
        is_moving=drivers.timeline.is_moving,
        dose_ratio=dose_ratio(now, drivers.feed, station.sludge),
        wash=wash,
        extra_per_h=drivers.extra_fouling_per_h,
        step_s=grid.step_s,
    )
    pumped = now.feed_flow_m3_h + now.polymer_flow_l_h / 1000.0 + now.dilution_m3_h
    way = travel(grid.step_s, pumped, now.gravity_belt_m_min, now.pressure_belt_m_min, machine)
    parcels = np.flatnonzero(now.feed_flow_m3_h > 0.0)
    flows = press_sludge(_met_by(parcels, grid, drivers, now, fouling, way), station)
    return _on_the_wall_clock(grid, drivers, now, way, fouling, parcels, flows)


def dose_ratio(now: Acting, feed: Feed, sludge: Sludge) -> Array:
    """Return the dose as a multiple of the optimum at each step, 0 without feed."""
    solids = now.feed_flow_m3_h * sludge_density_kg_m3(feed.solids) * feed.solids
    active = now.polymer_flow_l_h * now.polymer_strength
    dose = np.divide(1000.0 * active, solids, out=np.zeros_like(solids), where=solids > 0.0)
    return dose / (sludge.optimum_dose_kg_t * feed.optimum_factor)


def _met_by(parcels: Steps, grid: Grid, drivers: Drivers, now: Acting, fouling: Array, way: Travel) -> Stretch:
    """Return what each parcel meets in the tank, the gravity zone and the pressure zone.

    A parcel still on its way at the end meets what acts when it is fed; it leaves nothing on the record.
    """
    into_gravity, into_pressure, out = way.onward(grid.middle_of(parcels))

    def met(series: Array, second: Array) -> Array:
        has_come = np.isfinite(second)
        step = np.minimum(np.where(has_come, second, 0.0) // grid.step_s, grid.n - 1).astype(np.int64)
        return series[np.where(has_come, step, parcels)]

    has_drained = np.isfinite(into_pressure)
    drained_s = np.where(has_drained, into_pressure, 60.0) - np.where(has_drained, into_gravity, 0.0)
    pressing = np.where(np.isfinite(out), (into_pressure + out) / 2.0, into_pressure)
    feed = drivers.feed
    return Stretch(
        feed_flow_m3_h=now.feed_flow_m3_h[parcels],
        feed_solids=feed.solids[parcels],
        polymer_flow_l_h=now.polymer_flow_l_h[parcels],
        polymer_strength=now.polymer_strength[parcels],
        dilution_m3_h=now.dilution_m3_h[parcels],
        gravity_belt_m_min=np.maximum(met(now.gravity_belt_m_min, into_gravity), 0.3),
        gravity_s=np.clip(drained_s, 1.0, LONGEST_DRAINAGE_S),
        pressure_belt_m_min=met(now.pressure_belt_m_min, pressing),
        tension_kn_m=met(now.tension_kn_m, pressing),
        fouling=met(fouling, into_pressure),
        temperature_degc=feed.temperature_degc[parcels],
        quality=feed.quality[parcels],
        optimum_factor=feed.optimum_factor[parcels],
        resistance_factor=feed.resistance_factor[parcels],
        is_thickening=(met(drivers.timeline.mode, into_gravity) == float(THICKENING)).astype(np.float64),
    )


def _parcel_amounts_kg(flows: Flows, hours: float) -> dict[str, Array]:
    """Return the kilograms of each parcel by what they leave as."""
    thickened, pressed = flows.is_thickened, 1.0 - flows.is_thickened
    kept = flows.capture * flows.feed_solids_in
    rates = {
        "gravity_solids": flows.gravity_solids,
        "gravity_water": flows.gravity_water,
        "pressate_solids": flows.pressate_solids,
        "pressate_water": flows.pressate_water,
        "wash_solids": pressed * flows.wash_solids,
        "film_solids": thickened * flows.wash_solids,
        "wash_water": flows.wash_water,
        "cake_solids": pressed * flows.product_solids,
        "cake_water": pressed * flows.product_water,
        "cake_fed": pressed * flows.feed_solids_in,
        "cake_kept": pressed * kept,
        "thickened_solids": thickened * flows.product_solids,
        "thickened_water": thickened * flows.product_water,
        "thickened_fed": thickened * flows.feed_solids_in,
        "thickened_kept": thickened * kept,
    }
    return {name: rate * hours for name, rate in rates.items()}


def _on_the_wall_clock(
    grid: Grid, drivers: Drivers, now: Acting, way: Travel, fouling: Array, parcels: Steps, flows: Flows
) -> History:
    """Return the history with what left the press in each step, read off running totals over pumped volume."""
    hours = grid.step_s / 3600.0
    passed = {place: way.volume_at(grid.edges, *place) for place in {*PLACES.values()}}
    left: dict[str, Array] = {}
    inside = {"solids": 0.0, "water": 0.0}
    for name, kilograms in _parcel_amounts_kg(flows, hours).items():
        per_step = np.zeros(grid.n)
        per_step[parcels] = kilograms
        running = np.concatenate([[0.0], np.cumsum(per_step)])
        by_now = np.interp(passed[PLACES[name]], way.pumped_m3, running)
        left[name] = np.diff(by_now)
        kind = name.rpartition("_")[2]
        if kind in inside:
            inside[kind] += float(running[-1] - by_now[-1])

    def seen(values: Array, place: tuple[float, float], sign_of_life: str) -> Array:
        """Return a property of the parcel found at `place` in each step, NaN where no sludge passes."""
        middle = way.volume_at(grid.middles, *place)
        step = np.clip(np.searchsorted(way.pumped_m3, middle) - 1, 0, grid.n - 1)
        per_step = np.full(grid.n, np.nan)
        per_step[parcels] = values
        return np.where(left[sign_of_life] > 0.0, per_step[step], np.nan)

    return History(
        grid=grid,
        drivers=drivers,
        acting=now,
        travel=way,
        fouling=fouling,
        amounts_kg=left,
        entered_kg={
            "solids": float(flows.solids_in.sum() * hours),
            "water": float(flows.water_in.sum() * hours),
        },
        inside_kg=inside,
        probe_depth_mm=np.nan_to_num(seen(flows.probe_depth_mm, (0.5, 0.0), "gravity_water")),
        layer_solids=seen(flows.layer_solids, (1.0, 0.0), "gravity_water"),
        floc=seen(flows.floc, (0.5, 0.0), "gravity_water"),
    )
