"""Small simulated presses shared by the tests of the simulator: lived through once, then only looked at."""

from __future__ import annotations

from datetime import date
from functools import lru_cache

import numpy as np

from trendkit.simulate.from_scenario import live_scenario
from trendkit.simulate.machine import Machine, Settings, Sludge, Station
from trendkit.simulate.plant import Lived
from trendkit.simulate.scenarios import SCENARIOS
from trendkit.simulate.stretch import Stretch, sludge_density_kg_m3

MONDAY = date(2026, 2, 2)
STATION = Station(Machine("BFP-1", "bfp-1", 2.0), Sludge(), Settings(20.0, 6.0, 2.6, 6.0))


@lru_cache(maxsize=4)  # a month of one takes 0.3 GB
def lived_press(scenario: str, days: int = 7, seed: int = 3) -> Lived:
    return live_scenario(SCENARIOS[scenario], seed, MONDAY, days)


def stretch_of(station: Station = STATION, size: int = 1, dose_kg_t: float | None = None, **other: object) -> Stretch:
    """Return stretches at the station's usual settings, single fields replaced by numbers or arrays."""
    settings, machine = station.settings, station.machine
    fields: dict[str, object] = {
        "feed_flow_m3_h": settings.feed_flow_m3_h,
        "feed_solids": station.sludge.feed_solids_pct / 100.0,
        "polymer_strength": settings.strength_pct / 100.0,
        "dilution_m3_h": settings.dilution_m3_h,
        "gravity_belt_m_min": settings.gravity_belt_m_min,
        "pressure_belt_m_min": settings.pressure_belt_m_min,
        "tension_kn_m": machine.tension_kn_m,
        "fouling": 0.4,
        "temperature_degc": 31.0,
        "quality": 1.0,
        "optimum_factor": 1.0,
        "resistance_factor": 1.0,
        "is_thickening": 0.0,
    } | other
    size = max([size, *(np.size(value) for value in fields.values())])
    arrays = {name: np.broadcast_to(np.asarray(value, float), (size,)).copy() for name, value in fields.items()}
    solids = arrays["feed_flow_m3_h"] * sludge_density_kg_m3(arrays["feed_solids"]) * arrays["feed_solids"]
    dose = settings.dose_kg_t if dose_kg_t is None else dose_kg_t
    arrays.setdefault("polymer_flow_l_h", dose * solids / 1000.0 / arrays["polymer_strength"])
    arrays.setdefault("gravity_s", 60.0 * machine.gravity_zone_length_m / arrays["gravity_belt_m_min"])
    return Stretch(**arrays)
