"""Where the gravity belt truly should run: the noise-free response at given conditions, and its cheapest speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.simulate.balance import Flows, press_sludge
from trendkit.simulate.machine import Prices, Station, Targets
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import Stretch, sludge_density_kg_m3

USUAL_FOULING = 0.4  # clean resistances, after the first hours of a run
WITHIN = 1.01  # speeds that cost at most this much of the least are as good


@dataclass(frozen=True)
class Conditions:
    """The steady conditions a response is asked for."""

    feed_flow_m3_h: float
    feed_solids_pct: float
    dose_kg_t: float
    pressure_belt_m_min: float
    strength_pct: float
    dilution_m3_h: float
    tension_kn_m: float
    temperature_degc: float
    washwater_m3_h: float
    power_kw: float
    fouling: float = USUAL_FOULING
    quality: float = 1.0
    optimum_factor: float = 1.0
    resistance_factor: float = 1.0


def usual_conditions(station: Station) -> Conditions:
    """Return the conditions the crew aims at."""
    settings, machine = station.settings, station.machine
    return Conditions(
        feed_flow_m3_h=settings.feed_flow_m3_h,
        feed_solids_pct=station.sludge.feed_solids_pct,
        dose_kg_t=settings.dose_kg_t,
        pressure_belt_m_min=settings.pressure_belt_m_min,
        strength_pct=settings.strength_pct,
        dilution_m3_h=settings.dilution_m3_h,
        tension_kn_m=machine.tension_kn_m,
        temperature_degc=station.sludge.temperature_degc,
        washwater_m3_h=machine.washwater_m3_h,
        power_kw=machine.auxiliaries_kw + 0.8 * machine.drives_kw,
    )


def steady_flows(at: Conditions, speeds_m_min: Array, station: Station) -> Flows:
    """Return the flows of the press at each gravity belt speed, everything else held."""

    def same(value: float) -> Array:
        return np.full(len(speeds_m_min), value)

    solids = at.feed_solids_pct / 100.0
    fed = at.feed_flow_m3_h * float(sludge_density_kg_m3(np.array([solids]))[0]) * solids
    stretch = Stretch(
        feed_flow_m3_h=same(at.feed_flow_m3_h),
        feed_solids=same(solids),
        polymer_flow_l_h=same(at.dose_kg_t * fed / 1000.0 / (at.strength_pct / 100.0)),
        polymer_strength=same(at.strength_pct / 100.0),
        dilution_m3_h=same(at.dilution_m3_h),
        gravity_belt_m_min=speeds_m_min,
        gravity_s=60.0 * station.machine.gravity_zone_length_m / speeds_m_min,
        pressure_belt_m_min=same(at.pressure_belt_m_min),
        tension_kn_m=same(at.tension_kn_m),
        fouling=same(at.fouling),
        temperature_degc=same(at.temperature_degc),
        quality=same(at.quality),
        optimum_factor=same(at.optimum_factor),
        resistance_factor=same(at.resistance_factor),
        is_thickening=same(0.0),
    )
    return press_sludge(stretch, station)


def response_curve(at: Conditions, speeds_m_min: Array, station: Station, prices: Prices) -> pd.DataFrame:
    """Return cake solids, capture and cost per dry tonne leaving in cake at each speed."""
    flows = steady_flows(at, speeds_m_min, station)
    lost_t = flows.feed_solids_in * (1.0 - flows.capture) / 1000.0
    hourly = (
        flows.feed_solids_in * at.dose_kg_t / 1000.0 * prices.polymer_per_kg
        + (flows.product_solids + flows.product_water) / 1000.0 * prices.haul_per_t
        + at.power_kw * prices.power_per_kwh
        + at.washwater_m3_h * prices.water_per_m3
        + lost_t * prices.solids_return_per_t
        + prices.press_hour
    )
    return pd.DataFrame(
        {
            "gravity_belt_speed_m_min": speeds_m_min,
            "cake_solids_pct": 100.0 * flows.product,
            "capture_pct": 100.0 * flows.capture,
            "cost_per_dry_t": hourly / (flows.product_solids / 1000.0),
        }
    )


@dataclass(frozen=True)
class Best:
    """The cheapest speed within the targets, and the interval around it that costs under 1 % more."""

    speed_m_min: float
    low_m_min: float
    high_m_min: float
    is_inside: bool  # False when the best lies at an end of the speeds looked at
    are_targets_met: bool


def best_speed(curve: pd.DataFrame, targets: Targets) -> Best:
    """Return the cheapest speed of a curve that meets the targets; without any such, the cheapest of all."""
    meets = (curve["cake_solids_pct"] >= targets.cake_solids_pct) & (curve["capture_pct"] >= targets.capture_pct)
    allowed = curve[meets] if meets.any() else curve
    least = int(allowed["cost_per_dry_t"].to_numpy().argmin())
    cheap = (allowed["cost_per_dry_t"] <= allowed["cost_per_dry_t"].min() * WITHIN).to_numpy()
    first = last = least
    while first > 0 and cheap[first - 1]:
        first -= 1
    while last < len(allowed) - 1 and cheap[last + 1]:
        last += 1
    speeds = allowed["gravity_belt_speed_m_min"].to_numpy()
    position = int(np.flatnonzero(curve.index == allowed.index[least])[0])
    return Best(
        speed_m_min=float(speeds[least]),
        low_m_min=float(speeds[first]),
        high_m_min=float(speeds[last]),
        is_inside=0 < position < len(curve) - 1,
        are_targets_met=bool(meets.any()),
    )
