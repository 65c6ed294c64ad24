"""The meters of a plant: tag names, units, noise, resolution and calibration error.

Comes in: true roles on the simulator's steps. Goes out: readings in each tag's own unit at the export's
times.
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
MeasuredBy = Literal["drive", "belt"]


@dataclass(frozen=True)
class Meter:
    """One tag: how a true value of its role becomes a reading, ``true * factor + offset`` in `unit`."""

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
    measured_by: MeasuredBy | None = None

    @property
    def resolution(self) -> float:
        """Smallest step of the reading, in `unit`."""
        return float(10.0**-self.decimals)


@dataclass(frozen=True)
class Readings:
    """Readings of one meter at the export's times: numbers in its unit, NaN where empty, or texts of a state."""

    meter: Meter
    numbers: Array  # empty for states
    texts: npt.NDArray[np.object_] | None = None


@dataclass(frozen=True)
class Make:
    """What is usual for the meter of a role: tag suffix, units and decimals (SI, US), errors."""

    suffix: str
    units: tuple[str, str]
    decimals: tuple[int, int]
    noise: float = 0.0
    noise_abs: float = 0.0
    calibration: float = 0.0
    calibration_abs: float = 0.0
    absolute: str = ""  # `calibration_abs` as the plant file states it

    @property
    def stated(self) -> str:
        """The lasting error's standard uncertainty as the plant file states it, "" where it does not."""
        return f"{100.0 * self.calibration:g} % of reading" if self.calibration else self.absolute


FLOW, SPEED, SOLIDS = ("m3/h", "gal/min"), ("m/min", "ft/min"), ("%TS", "%TS")
# US unit -> (factor, offset) from the SI unit of the role; exact definitions of gallon, pound, inch and foot
FROM_SI = {
    "gal/min": (1000.0 / 3.785411784 / 60.0, 0.0),
    "gal/h": (1.0 / 3.785411784, 0.0),
    "degF": (1.8, 32.0),
    "lb/h": (1.0 / 0.45359237, 0.0),
    "lb": (1.0 / 0.45359237, 0.0),
    "psi": (1.0 / 6.894757293, 0.0),
    "ft/min": (1.0 / 0.3048, 0.0),
    "lbf/in": (1.0 / 0.1751268352, 0.0),
    "in": (1.0 / 25.4, 0.0),
}
MAKES = {
    "feed_flow": Make("FEED_FLOW", FLOW, (2, 1), 0.006, 0.0, 0.007, 0.0),
    "feed_solids": Make("FEED_TS", SOLIDS, (3, 3), 0.012, 0.0, 0.012, 0.0),
    "feed_temperature": Make("FEED_TEMP", ("degC", "degF"), (1, 1), 0.0, 0.1, 0.0, 0.2),
    "filtrate_flow": Make("FILT_FLOW", FLOW, (2, 1), 0.008, 0.0, 0.007, 0.0),
    "filtrate_solids": Make("FILT_TSS", ("mg/L", "mg/L"), (0, 0), 0.03, 4.0, 0.03, 0.0),
    "filtrate_turbidity": Make("FILT_TURB", ("NTU", "NTU"), (0, 0), 0.03, 2.0),
    "cake_solids": Make("CAKE_TS", SOLIDS, (2, 2), 0.0, 0.15, 0.0, 0.25, "0.25 %TS"),
    "cake_rate": Make("CAKE_RATE", ("kg/h", "lb/h"), (0, 0), 0.015, 5.0, 0.008, 0.0),
    "cake_weight": Make("CAKE_TOTAL", ("kg", "lb"), (0, 0), 0.0, 0.0, 0.008, 0.0),
    "thickened_flow": Make("THK_FLOW", FLOW, (2, 1), 0.01, 0.0, 0.01),
    "thickened_solids": Make("THK_TS", SOLIDS, (2, 2), 0.012, 0.0, 0.015),
    "polymer_flow": Make("POLY_FLOW", ("L/h", "gal/h"), (0, 1), 0.006, 0.0, 0.008, 0.0),
    "polymer_strength": Make("POLY_STRENGTH", ("%", "%"), (4, 4), 0.006, 0.0, 0.02, 0.0),
    "dilution_water_flow": Make("DIL_WATER", FLOW, (2, 2), 0.01, 0.0, 0.01),
    "washwater_flow": Make("WASH_FLOW", FLOW, (2, 1), 0.008, 0.0, 0.008, 0.0),
    "washwater_pressure": Make("WASH_PRESS", ("kPa", "psi"), (0, 1), 0.004, 0.0, 0.0, 4.0),
    "gravity_belt_speed": Make("GRAV_SPEED", SPEED, (2, 2), 0.003, 0.0, 0.004),
    "gravity_belt_setpoint": Make("GRAV_SP", SPEED, (2, 2)),
    "pressure_belt_speed": Make("PRES_SPEED", SPEED, (3, 3), 0.003, 0.0, 0.004),
    "pressure_belt_setpoint": Make("PRES_SP", SPEED, (2, 2)),
    "gravity_drive_load": Make("GRAV_LOAD", ("%", "%"), (1, 1), 0.012),
    "pressure_drive_load": Make("PRES_LOAD", ("%", "%"), (1, 1), 0.012),
    "belt_tension": Make("TENSION", ("kN/m", "lbf/in"), (2, 1), 0.004, 0.0, 0.01),
    "gravity_zone_depth": Make("GRAV_LEVEL", ("mm", "in"), (1, 2), 0.0, 0.7, 0.0, 0.6),
    "feed_spreader_speed": Make("SPREADER", ("rpm", "rpm"), (1, 1), 0.002),
    "mixer_speed": Make("MIXER", ("rpm", "rpm"), (0, 0), 0.002),
    "power": Make("POWER", ("kW", "kW"), (2, 2), 0.01, 0.0, 0.005),
    "energy": Make("ENERGY", ("kWh", "kWh"), (1, 1), 0.0, 0.0, 0.005),
}
STATES = {"running": "RUNNING", "mode": "MODE", "belt_trip": "TRIP", "feed_source": "FEED_TANK"}
COUNTERS = ("cake_weight", "energy")
SPANS = {"feed_flow": 2.6, "filtrate_flow": 2.4, "polymer_flow": 3.0, "washwater_flow": 2.0}  # x usual reading


def _made(
    role: str, prefix: str, units: Units, usual: float | None = None, measured_by: MeasuredBy | None = None
) -> Meter:
    """Return the meter usual for a role; `usual` is its ordinary reading (SI), which sets its range."""
    make, is_us = MAKES[role], int(units == "us")
    unit = make.units[is_us]
    factor, offset = FROM_SI.get(unit, (1.0, 0.0))
    top = usual * SPANS[role] * factor if usual is not None and role in SPANS else None
    kind: Kind = "step" if role.endswith("setpoint") else "counter" if role in COUNTERS else "analog"
    return Meter(
        role=role,
        tag=f"{prefix}_{make.suffix}",
        unit=unit,
        kind=kind,
        factor=factor,
        offset=offset,
        decimals=make.decimals[is_us],
        noise=make.noise,
        noise_abs=make.noise_abs,
        calibration=make.calibration,
        calibration_abs=make.calibration_abs,
        range=(0.0, float(np.ceil(top / 10.0) * 10.0)) if top else None,
        uncertainty=make.stated,
        measured_by=measured_by if role.endswith("belt_speed") else None,
    )


def full_meters(
    prefix: str, units: Units, thickens: bool, usual: dict[str, float], measured_by: MeasuredBy = "drive"
) -> tuple[Meter, ...]:
    """Return every meter of a fully metered press, tags named `prefix`_..., in SI or US units.

    `usual` gives ordinary readings (SI) of the flows, from which instrument ranges follow.
    """
    roles = [role for role in MAKES if thickens or not role.startswith("thickened")]
    numbers = [_made(role, prefix, units, usual.get(role), measured_by) for role in roles]
    states = [Meter(role, f"{prefix}_{suffix}", "", "state") for role, suffix in STATES.items()]
    return tuple(meter for meter in (*numbers, *states) if thickens or meter.role != "mode")


def bare_meters(
    prefix: str, units: Units, polymer_full_l_h: float, gravity_full_m_min: float, pressure_full_m_min: float
) -> tuple[Meter, ...]:
    """Return the few meters of a bare press: feed flow, polymer pump speed in %, belt drives in Hz."""
    pump = Meter(
        "polymer_flow",
        f"{prefix}_POLY_PCT",
        "%",
        factor=100.0 / polymer_full_l_h,
        decimals=1,
        noise=0.003,
        calibration=0.02,
        scale=(("0 %", "0 L/h"), ("100 %", f"{polymer_full_l_h:g} L/h")),
        uncertainty="2 % of reading",
    )
    drives = (
        Meter(
            f"{belt}_belt_speed",
            f"{prefix}_{short}_DRIVE_HZ",
            "Hz",
            factor=60.0 / full,
            decimals=2,
            noise=0.002,
            calibration=0.005,
            scale=(("0 Hz", "0 m/min"), ("60 Hz", f"{full:g} m/min")),
            uncertainty="0.5 % of reading",
            measured_by="drive",
        )
        for belt, short, full in (("gravity", "GRAV", gravity_full_m_min), ("pressure", "PRES", pressure_full_m_min))
    )
    return (_made("feed_flow", prefix, units), pump, *drives)


def true_readings(meter: Meter, roles: dict[str, Array], steps: npt.NDArray[np.int64], step_s: float) -> Array:
    """Return what a perfect meter says at the given steps, in the role's SI unit (counters: running total)."""
    if meter.kind == "counter":
        rate = roles["cake_rate"] if meter.role == "cake_weight" else roles["power"]
        running: Array = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rate) * step_s / 3600.0)])
        return running[steps]
    place = "/drive" if meter.measured_by == "drive" else ""
    return roles[meter.role + place][steps]


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
    return np.round(np.maximum(reading, 0.0) * meter.factor + meter.offset, meter.decimals)


def state_texts(role: str, is_on: Array) -> npt.NDArray[np.object_]:
    """Return the texts of a state tag; `is_on` is 1.0 for on, thickening, or the second tank."""
    off, on = {"mode": ("dewatering", "thickening"), "feed_source": ("TANK1", "TANK2")}.get(role, ("0", "1"))
    return np.where(is_on > 0.5, on, off).astype(object)
