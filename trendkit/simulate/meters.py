"""The meters of a plant: tag names, units, noise, resolution and calibration error, as people buy and tag them.

Comes in: true roles on the simulator's steps. Goes out: readings in each tag's own unit at the export's times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from trendkit.simulate.drivers import Streams
from trendkit.simulate.randomness import Array, wandering

Kind = Literal["analog", "step", "counter", "state"]
Units = Literal["si", "us"]


@dataclass(frozen=True)
class Meter:
    """One tag: how a true value of its role becomes a reading. ``reading = true * factor + offset`` in `unit`."""

    role: str
    tag: str
    unit: str
    kind: Kind = "analog"
    factor: float = 1.0
    offset: float = 0.0
    decimals: int = 2
    noise: float = 0.0  # standard deviation of one reading, relative
    noise_abs: float = 0.0  # the same, absolute, in the role's SI unit
    calibration: float = 0.0  # standard deviation of the lasting relative error
    calibration_abs: float = 0.0
    range: tuple[float, float] | None = None  # in `unit`
    scale: tuple[tuple[str, str], ...] = ()
    uncertainty: str = ""  # as the plant file states it
    measured_by: str = ""

    @property
    def resolution(self) -> float:
        """Smallest step of the reading, in `unit`."""
        return float(10.0**-self.decimals)


@dataclass(frozen=True)
class Readings:
    """Readings of one meter at the export's times: numbers with NaN where empty, or texts for states."""

    meter: Meter
    values: Array | None
    texts: npt.NDArray[np.object_] | None = None


# role: suffix, SI unit, US unit, US factor, US offset, decimals (SI, US), noise, noise_abs, calibration, calibration_abs
_KINDS: dict[str, tuple[str, str, str, float, float, int, int, float, float, float, float]] = {
    "feed_flow": ("FEED_FLOW", "m3/h", "gal/min", 4.402867539, 0.0, 2, 1, 0.006, 0.0, 0.007, 0.0),
    "feed_solids": ("FEED_TS", "%TS", "%TS", 1.0, 0.0, 3, 3, 0.012, 0.0, 0.012, 0.0),
    "feed_temperature": ("FEED_TEMP", "degC", "degF", 1.8, 32.0, 1, 1, 0.0, 0.1, 0.0, 0.2),
    "filtrate_flow": ("FILT_FLOW", "m3/h", "gal/min", 4.402867539, 0.0, 2, 1, 0.008, 0.0, 0.007, 0.0),
    "filtrate_solids": ("FILT_TSS", "mg/L", "mg/L", 1.0, 0.0, 0, 0, 0.03, 4.0, 0.03, 0.0),
    "filtrate_turbidity": ("FILT_TURB", "NTU", "NTU", 1.0, 0.0, 0, 0, 0.03, 2.0, 0.0, 0.0),
    "cake_solids": ("CAKE_TS", "%TS", "%TS", 1.0, 0.0, 2, 2, 0.0, 0.15, 0.0, 0.25),
    "cake_rate": ("CAKE_RATE", "kg/h", "lb/h", 2.204622622, 0.0, 0, 0, 0.015, 5.0, 0.008, 0.0),
    "cake_weight": ("CAKE_TOTAL", "kg", "lb", 2.204622622, 0.0, 0, 0, 0.0, 0.0, 0.008, 0.0),
    "thickened_flow": ("THK_FLOW", "m3/h", "gal/min", 4.402867539, 0.0, 2, 1, 0.01, 0.0, 0.01, 0.0),
    "thickened_solids": ("THK_TS", "%TS", "%TS", 1.0, 0.0, 2, 2, 0.012, 0.0, 0.015, 0.0),
    "polymer_flow": ("POLY_FLOW", "L/h", "gal/h", 0.264172052, 0.0, 0, 1, 0.006, 0.0, 0.008, 0.0),
    "polymer_strength": ("POLY_STRENGTH", "%", "%", 1.0, 0.0, 4, 4, 0.006, 0.0, 0.02, 0.0),
    "dilution_water_flow": ("DIL_WATER", "m3/h", "gal/min", 4.402867539, 0.0, 2, 2, 0.01, 0.0, 0.01, 0.0),
    "washwater_flow": ("WASH_FLOW", "m3/h", "gal/min", 4.402867539, 0.0, 2, 1, 0.008, 0.0, 0.008, 0.0),
    "washwater_pressure": ("WASH_PRESS", "kPa", "psi", 0.1450377377, 0.0, 0, 1, 0.004, 0.0, 0.0, 4.0),
    "gravity_belt_speed": ("GRAV_SPEED", "m/min", "ft/min", 3.280839895, 0.0, 2, 2, 0.003, 0.0, 0.004, 0.0),
    "gravity_belt_setpoint": ("GRAV_SP", "m/min", "ft/min", 3.280839895, 0.0, 2, 2, 0.0, 0.0, 0.0, 0.0),
    "pressure_belt_speed": ("PRES_SPEED", "m/min", "ft/min", 3.280839895, 0.0, 3, 3, 0.003, 0.0, 0.004, 0.0),
    "pressure_belt_setpoint": ("PRES_SP", "m/min", "ft/min", 3.280839895, 0.0, 2, 2, 0.0, 0.0, 0.0, 0.0),
    "gravity_drive_load": ("GRAV_LOAD", "%", "%", 1.0, 0.0, 1, 1, 0.012, 0.0, 0.0, 0.0),
    "pressure_drive_load": ("PRES_LOAD", "%", "%", 1.0, 0.0, 1, 1, 0.012, 0.0, 0.0, 0.0),
    "belt_tension": ("TENSION", "kN/m", "lbf/in", 5.710147163, 0.0, 2, 1, 0.004, 0.0, 0.01, 0.0),
    "gravity_zone_depth": ("GRAV_LEVEL", "mm", "in", 0.03937007874, 0.0, 1, 2, 0.0, 0.7, 0.0, 0.6),
    "feed_spreader_speed": ("SPREADER", "rpm", "rpm", 1.0, 0.0, 1, 1, 0.002, 0.0, 0.0, 0.0),
    "mixer_speed": ("MIXER", "rpm", "rpm", 1.0, 0.0, 0, 0, 0.002, 0.0, 0.0, 0.0),
    "power": ("POWER", "kW", "kW", 1.0, 0.0, 2, 2, 0.01, 0.0, 0.005, 0.0),
    "energy": ("ENERGY", "kWh", "kWh", 1.0, 0.0, 1, 1, 0.0, 0.0, 0.005, 0.0),
}  # fmt: skip
_STATES = {"running": "RUNNING", "mode": "MODE", "belt_trip": "TRIP", "feed_source": "FEED_TANK"}
STATED = {
    "feed_flow": "1 % of reading",
    "feed_solids": "1.5 % of reading",
    "filtrate_flow": "1 % of reading",
    "filtrate_solids": "4 % of reading",
    "cake_solids": "0.3 %TS",
    "cake_rate": "1 % of reading",
    "cake_weight": "1 % of reading",
    "polymer_flow": "1 % of reading",
    "polymer_strength": "2 % of reading",
    "washwater_flow": "1 % of reading",
}
_SPANS_SI = {  # instrument range as a multiple of an ordinary reading, in the SI unit of the role
    "feed_flow": 2.6,
    "filtrate_flow": 2.4,
    "polymer_flow": 3.0,
    "washwater_flow": 2.0,
}


def full_meters(prefix: str, units: Units, thickens: bool, usual: dict[str, float]) -> tuple[Meter, ...]:
    """Return every meter of a fully metered press, tags named `prefix`_..., in SI or US units.

    `usual` gives ordinary readings (SI) of the flows, from which instrument ranges follow.
    """
    meters = []
    for role, row in _KINDS.items():
        if role.startswith("thickened") and not thickens:
            continue
        meters.append(_meter(role, row, prefix, units, usual.get(role)))
    meters += [Meter(role, f"{prefix}_{suffix}", "", "state") for role, suffix in _STATES.items()]
    return tuple(meter for meter in meters if thickens or meter.role != "mode")


def _meter(role: str, row: tuple, prefix: str, units: Units, usual: float | None) -> Meter:
    suffix, si_unit, us_unit, factor, offset, si_decimals, us_decimals, *errors = row
    noise, noise_abs, calibration, calibration_abs = errors
    is_us = units == "us"
    top = usual * _SPANS_SI[role] * (factor if is_us else 1.0) if usual and role in _SPANS_SI else None
    kind: Kind = (
        "step" if role.endswith("setpoint") else "counter" if role in ("cake_weight", "energy") else "analog"
    )
    return Meter(
        role=role,
        tag=f"{prefix}_{suffix}",
        unit=us_unit if is_us else si_unit,
        kind=kind,
        factor=factor if is_us else 1.0,
        offset=offset if is_us else 0.0,
        decimals=us_decimals if is_us else si_decimals,
        noise=noise,
        noise_abs=noise_abs,
        calibration=calibration,
        calibration_abs=calibration_abs,
        range=(0.0, float(np.ceil(top / 10.0) * 10.0)) if top else None,
        uncertainty=STATED.get(role, ""),
        measured_by="drive" if role.endswith("belt_speed") else "",
    )


def bare_meters(
    prefix: str, units: Units, polymer_full_l_h: float, gravity_full_m_min: float, pressure_full_m_min: float
) -> tuple[Meter, ...]:
    """Return the few meters of a bare press: feed flow, polymer pump speed in %, belt drives in Hz."""
    feed = _meter("feed_flow", _KINDS["feed_flow"], prefix, units, None)
    pump = Meter(
        "polymer_flow",
        f"{prefix}_POLY_PCT",
        "%",
        factor=100.0 / polymer_full_l_h,
        decimals=1,
        noise=0.003,
        calibration=0.02,
        scale=(("0 %", "0 L/h"), ("100 %", f"{polymer_full_l_h:g} L/h")),
        uncertainty="3 % of reading",
    )
    drives = []
    for belt, short, full in (
        ("gravity", "GRAV", gravity_full_m_min),
        ("pressure", "PRES", pressure_full_m_min),
    ):
        drives.append(
            Meter(
                f"{belt}_belt_speed",
                f"{prefix}_{short}_DRIVE_HZ",
                "Hz",
                factor=60.0 / full,
                decimals=2,
                noise=0.002,
                calibration=0.005,
                scale=(("0 Hz", "0 m/min"), ("60 Hz", f"{full:g} m/min")),
                measured_by="drive",
            )
        )
    return (feed, pump, *drives)


def true_readings(meter: Meter, roles: dict[str, Array], steps: Array, step_s: float) -> Array:
    """Return what a perfect meter would say at the given steps, in the role's SI unit (counters: running total)."""
    if meter.kind == "counter":
        rate = roles["cake_rate"] if meter.role == "cake_weight" else roles["power"]
        running = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rate) * step_s / 3600.0)])
        result: Array = running[steps.astype(int)]
        return result
    return roles[meter.role][steps.astype(int)]


def read_meter(meter: Meter, true_si: Array, every_s: float, streams: Streams) -> Array:
    """Return readings in the tag's unit: calibration error, noise with some memory, resolution, no negatives."""
    lasting = streams(f"calibration {meter.role}")
    gain = 1.0 + meter.calibration * float(lasting.standard_normal())
    shift = meter.calibration_abs * float(lasting.standard_normal())
    if meter.kind in ("step", "counter"):
        return np.round(true_si * gain * meter.factor + meter.offset, meter.decimals)
    rng = streams(f"noise {meter.role}")
    white = rng.standard_normal(len(true_si))
    slow = wandering(rng, len(true_si), every_s, 900.0)
    error = (0.85 * white + 0.5 * slow) * (meter.noise * np.abs(true_si) + meter.noise_abs)
    is_on = np.abs(true_si) > 1e-9
    reading = true_si * gain + np.where(is_on, shift + error, 0.0)
    result: Array = np.round(np.maximum(reading, 0.0) * meter.factor + meter.offset, meter.decimals)
    return result


def state_texts(
    meter: Meter, roles: dict[str, Array], mode: Array, source: Array, steps: Array
) -> npt.NDArray:
    """Return the texts of a state tag at the given steps."""
    here = steps.astype(int)
    if meter.role == "mode":
        return np.where(mode[here] > 1.5, "thickening", "dewatering").astype(object)
    if meter.role == "feed_source":
        return np.where(source[here] > 1.5, "TANK2", "TANK1").astype(object)
    return np.where(roles[meter.role][here] > 0.5, "1", "0").astype(object)
