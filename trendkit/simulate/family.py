"""The press, sludge and crew behind a seed: every seed of a scenario is another plant of the same kind."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trendkit.simulate.best_speed import best_speed, response_curve, usual_conditions
from trendkit.simulate.crew import Crew
from trendkit.simulate.machine import Machine, Prices, Settings, Sludge, Station, Targets
from trendkit.simulate.operation import Routine
from trendkit.simulate.randomness import stream
from trendkit.simulate.scenarios import Scenario

WIDTHS_M = (1.0, 1.5, 2.0, 2.5)
WEDGES = (
    ((0.0, 25.0), (1.2, 4.0)),  # straight
    ((0.0, 25.0), (0.3, 13.0), (0.6, 8.0), (1.2, 5.0)),  # curved: presses over most of its length
)
SPEEDS_LOOKED_AT = np.geomspace(1.8, 30.0, 160)


@dataclass(frozen=True)
class Household:
    """One press with its crew: everything a simulation of it needs besides time and events."""

    station: Station
    crew: Crew
    routine: Routine
    prices: Prices
    targets: Targets


def draw_household(scenario: Scenario, seed: int, number: int) -> Household:
    """Return press `number` (from 1) of a scenario's plant under a seed."""
    slug = f"bfp-{number}"
    rng = stream(seed, slug, "station")
    lot = {name: float(rng.random()) for name in _DRAWN}
    width = float(WIDTHS_M[int(lot["width"] * len(WIDTHS_M))])
    machine = _machine(scenario, slug, width, lot)
    sludge = _sludge(scenario, lot)
    per_metre = 9.2 + 1.8 * lot["load"]
    per_metre *= 2.9 / sludge.feed_solids_pct
    settings = Settings(
        feed_flow_m3_h=round(per_metre * width, 1),
        gravity_belt_m_min=6.0,
        pressure_belt_m_min=round(2.3 + 0.6 * lot["pressure"], 2),
        dose_kg_t=round(sludge.optimum_dose_kg_t * scenario.dose_over_optimum, 2),
        dilution_m3_h=round(0.8 * width, 2),
        thickening_feed_m3_h=round(1.35 * per_metre * width, 1) if scenario.thickens else 0.0,
    )
    crew = Crew(speed_habit=scenario.speed_habit, speed_spread=scenario.speed_spread)
    routine = Routine(
        start_hour=6.0 + round(2.0 * lot["start"], 2),
        hours=8.0 + 3.0 * lot["hours"],
        thickening_weekdays=(1, 3) if scenario.thickens else (),
    )
    return _placed(Household(Station(machine, sludge, settings), crew, routine, Prices(), Targets()), scenario, lot)


_DRAWN = [
    "width",
    "load",
    "pressure",
    "start",
    "hours",
    "solids",
    "dose",
    "steep",
    "resistance",
    "compress",
    "equilibrium",
    "beta",
    "coefficient",
    "creep",
    "yield",
    "loss",
    "belt",
    "seal",
    "water",
    "rewet",
    "film",
    "wedge",
    "tank",
    "tension",
    "place",
    "wash",
]


def _between(low: float, high: float, lot: float) -> float:
    return low + (high - low) * lot


def _machine(scenario: Scenario, slug: str, width: float, lot: dict[str, float]) -> Machine:
    machine = Machine(
        name=slug.upper(),
        slug=slug,
        belt_width_m=width,
        gravity_zone_length_m=round(_between(3.4, 4.4, lot["tank"]), 1),
        wedge_gaps=WEDGES[int(lot["wedge"] * len(WEDGES))],
        conditioning_volume_m3=round(0.6 * width, 2),
        conditioning_tank_area_m2=round(0.45 * width, 2),
        feed_on_above_m3_h=width,
        seal_height_mm=_between(20.0, 27.0, lot["seal"]),
        gravity_belt_resistance_1_m=_between(2.2e8, 3.6e8, lot["belt"]),
        free_water_rate_kg_m2_s=_between(0.06, 0.09, lot["water"]),
        rewet_kg_m2=_between(0.05, 0.10, lot["rewet"]),
        film_solids_kg_m2=_between(0.002, 0.005, lot["film"]),
        washwater_m3_h=round(_between(4.8, 6.2, lot["wash"]) * width, 1),
        tension_kn_m=round(_between(5.6, 6.9, lot["tension"]), 2),
        drives_kw=2.7 * width,
        auxiliaries_kw=4.5 * width,
    )
    if scenario.optimum == "flat":
        machine = replace(
            machine,
            seal_height_mm=90.0,
            gravity_belt_resistance_1_m=8e7,
            free_water_rate_kg_m2_s=2.5,
            film_solids_kg_m2=0.0008,
        )
    return machine


def _sludge(scenario: Scenario, lot: dict[str, float]) -> Sludge:
    sludge = Sludge(
        feed_solids_pct=round(_between(2.6, 3.3, lot["solids"]), 2),
        optimum_dose_kg_t=round(_between(4.8, 6.6, lot["dose"]), 2),
        dose_width=_between(0.95, 1.15, lot["steep"]),
        cake_resistance_m_kg=_between(4.0e8, 7.0e8, lot["resistance"]),
        compressibility=_between(0.6, 1.0, lot["compress"]),
        equilibrium_solids=_between(0.292, 0.308, lot["equilibrium"]),
        pressure_power=_between(0.11, 0.15, lot["beta"]),
        consolidation_m2_s=1.0e-8,
        creep_s=_between(20.0, 34.0, lot["creep"]),
        yield_solids=_between(0.058, 0.064, lot["yield"]),
        base_loss=_between(0.014, 0.022, lot["loss"]),
    )
    if scenario.optimum == "flat":
        sludge = replace(sludge, cake_resistance_m_kg=2.5e8, compressibility=0.3, self_weight_power=0.05)
    return sludge


def _with_cake_of(cake_pct: float, household: Household) -> Station:
    """Return the station with the consolidation coefficient that makes its driest cake `cake_pct`.

    Bisected on the logarithm of the coefficient; at the end of its range the cake is what it is.
    """
    low, high = np.log(2e-9), np.log(4e-8)
    station = household.station
    for _ in range(24):
        middle = (low + high) / 2.0
        sludge = replace(station.sludge, consolidation_m2_s=float(np.exp(middle)))
        tried = replace(station, sludge=sludge)
        curve = response_curve(usual_conditions(tried), SPEEDS_LOOKED_AT, tried, household.prices)
        low, high = (middle, high) if curve["cake_solids_pct"].max() < cake_pct else (low, middle)
    return tried


def _placed(household: Household, scenario: Scenario, lot: dict[str, float]) -> Household:
    """Return the household with the crew's usual gravity speed put where the scenario wants the best speed."""
    station = _with_cake_of(_between(20.4, 23.6, lot["coefficient"]), household)
    curve = response_curve(usual_conditions(station), SPEEDS_LOOKED_AT, station, household.prices)
    best = best_speed(curve, Targets(cake_solids_pct=0.0, capture_pct=0.0)).speed_m_min
    there = curve.iloc[int(np.abs(SPEEDS_LOOKED_AT - best).argmin())]
    targets = Targets(
        cake_solids_pct=float(np.floor(there["cake_solids_pct"] - 2.2)),
        capture_pct=float(np.floor(there["capture_pct"] - 2.2)),
    )
    spread = float(np.exp(scenario.speed_spread))
    usual = {
        "inside": best * _between(0.88, 1.16, lot["place"]),
        "flat": 6.5,
        "beyond_fast": best / spread / _between(1.2, 1.4, lot["place"]),
        "beyond_slow": best * spread * _between(1.2, 1.4, lot["place"]),
    }[scenario.optimum]
    settings = replace(
        station.settings,
        gravity_belt_m_min=round(usual, 2),
        thickening_belt_m_min=round(1.7 * best, 2),
        thickening_dose_kg_t=round(0.85 * station.settings.dose_kg_t, 2),
    )
    return replace(household, station=replace(station, settings=settings), targets=targets)
