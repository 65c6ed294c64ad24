"""A made-up figure table for the tests of the upsets room: cause and effect, noise, upsets on demand.

The invented press obeys no more physics than is written in `_effects`; it shares no code with the package.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.plant.model import Costs, Limit, Plant, Press
from trendkit.press.results import FigureTable

WIDTH_M = 2.0
TRANSIT_MIN = 8
GRAVITY_MIN = 4
PRICES = Costs("USD", polymer_per_kg=4.0, haul_per_t=60.0, solids_return_per_t=95.0, press_hour=40.0)

ROLE_COLUMNS = [
    "feed_flow_m3_h",
    "feed_solids_pct",
    "feed_temperature_degc",
    "filtrate_flow_m3_h",
    "filtrate_solids_mg_l",
    "filtrate_turbidity_ntu",
    "cake_solids_meter_pct",
    "cake_rate_kg_h",
    "cake_weight_kg",
    "thickened_flow_m3_h",
    "thickened_solids_meter_pct",
    "polymer_flow_l_h",
    "polymer_strength_pct",
    "polymer_neat_flow_l_h",
    "dilution_water_flow_m3_h",
    "washwater_flow_m3_h",
    "washwater_pressure_kpa",
    "washwater_solids_mg_l",
    "gravity_belt_speed_m_min",
    "gravity_belt_setpoint_m_min",
    "pressure_belt_speed_m_min",
    "pressure_belt_setpoint_m_min",
    "gravity_drive_load_pct",
    "pressure_drive_load_pct",
    "belt_tension_kn_m",
    "gravity_zone_depth_mm",
    "feed_spreader_speed_rpm",
    "mixer_speed_rpm",
    "power_kw",
    "energy_kwh",
    "running",
    "belt_trip",
]
FIGURE_COLUMNS = [
    "hydraulic_loading_m3_h_m",
    "feed_dry_solids_kg_h",
    "solids_loading_kg_h_m",
    "polymer_dose_kg_t",
    "capture_pct",
    "cake_solids_pct",
    "thickened_solids_pct",
    "filtrate_tss_mg_l",
    "dry_cake_kg_h",
    "wet_cake_kg_h",
    "belt_speed_ratio",
    "gravity_drain_time_s",
    "belt_solids_kg_m2",
    "cake_thickness_mm",
    "wedge_contact_pct",
    "tank_upflow_m_h",
    "washwater_m3_t",
    "energy_kwh_t",
]


@dataclass(frozen=True)
class Trouble:
    """A change of one input: a factor reached at once (`ramp_min` 0) or over `ramp_min` minutes."""

    what: str  # an input of `_inputs`, or "washwater" (flow and pressure)
    start: str  # UTC
    minutes: int
    factor: float
    ramp_min: int = 0


@dataclass(frozen=True)
class Made:
    table: FigureTable
    plant: Plant
    press: Press
    truth: pd.DataFrame = field(repr=False)  # without instrument noise


def made_up_plant(**targets: Limit) -> tuple[Plant, Press]:
    press = Press("BFP-1", "bfp-1", WIDTH_M, 4.2, 11.0, 2.0, targets={"dewatering": targets})
    return Plant("Invented", "America/Denver", (press,), Path("plant.toml"), "0" * 64, costs=PRICES), press


def _wander(rng: np.random.Generator, size: int, memory_min: float, spread: float) -> np.ndarray:
    keep = np.exp(-1.0 / memory_min)
    shocks = rng.normal(0.0, spread * np.sqrt(1.0 - keep**2), size)
    path = np.empty(size)
    level = rng.normal(0.0, spread)
    for position in range(size):
        level = keep * level + shocks[position]
        path[position] = level
    return path


def _inputs(rng: np.random.Generator, index: pd.DatetimeIndex) -> pd.DataFrame:
    n = len(index)
    hour = index.hour + index.minute / 60.0
    feed_solids = 2.9 * (1.0 + 0.03 * np.sin(2 * np.pi * (hour - 15.0) / 24.0) + _wander(rng, n, 120.0, 0.03))
    return pd.DataFrame(
        {
            "feed_flow": 20.0 * (1.0 + _wander(rng, n, 90.0, 0.02)),
            "feed_solids": feed_solids,
            "polymer_flow": 1.0,  # factors on flow pacing until `_effects`
            "polymer_strength": 0.25,
            "dilution": 1.6,
            "washwater_flow": 11.0,
            "washwater_pressure": 620.0,
            "gravity_speed": 8.0,
            "pressure_speed": 3.2,
            "tension": 6.3,
            "sludge": 1.0,
            "fouling": 1.0,
        },
        index=index,
    )


def _troubled(inputs: pd.DataFrame, troubles: tuple[Trouble, ...]) -> pd.DataFrame:
    inputs = inputs.copy()
    for trouble in troubles:
        start = pd.Timestamp(trouble.start, tz="UTC")
        minutes = (inputs.index - start).total_seconds().to_numpy() / 60.0
        inside = (minutes >= 0) & (minutes < trouble.minutes)
        share = np.clip(minutes / trouble.ramp_min, 0, 1) if trouble.ramp_min else np.ones(len(inputs))
        factor = np.where(inside, 1.0 + (trouble.factor - 1.0) * share, 1.0)
        both = ["washwater_flow", "washwater_pressure"]
        for name in both if trouble.what == "washwater" else [trouble.what]:
            inputs[name] *= factor
    return inputs


def _effects(inputs: pd.DataFrame) -> pd.DataFrame:
    """Return what the made-up press does with its inputs, minute by minute, without noise."""
    out = inputs.copy()
    out["polymer_flow"] = inputs["polymer_flow"] * 65.0 * inputs["feed_flow"]
    solids = inputs["feed_flow"] * inputs["feed_solids"] * 10.0  # kg/h
    out["dose"] = out["polymer_flow"] * inputs["polymer_strength"] * 10.0 / solids
    ratio = out["dose"] / 5.6 * (0.55 + 0.45 * np.sqrt(inputs["dilution"] / 1.6)) * inputs["sludge"]
    floc = np.exp(-((np.log(np.minimum(ratio, 1.0)) / 0.7) ** 2))
    wash = (inputs["washwater_flow"] / 11.0) * np.sqrt(inputs["washwater_pressure"] / 620.0)
    fouling = inputs["fouling"] - 1.0 + 1.5 * (1.0 - np.minimum(wash, 1.0))
    out["depth"] = 35.0 * (inputs["feed_flow"] / 20.0) * (8.0 / inputs["gravity_speed"])
    out["depth"] *= (1.0 + 1.2 * (1.0 - floc)) * (1.0 + 0.5 * fouling)
    speed_off = np.log(inputs["gravity_speed"] / 8.0)
    loss = 4.0 + 40.0 * (1.0 - floc) + 1.5 * fouling + 6.0 * speed_off**2
    loss += 4.0 * np.maximum(inputs["feed_flow"] / 20.0 - 1.05, 0.0)
    cake = 21.0 - 14.0 * (1.0 - floc) - 2.0 * fouling - 5.0 * speed_off**2 - 3.5 * (solids / 580.0 - 1.0)
    cake += 8.0 * np.log(inputs["tension"] / 6.3) - 4.0 * np.log(inputs["pressure_speed"] / 3.2)
    out["loss"], out["cake"], out["solids"] = loss, cake, solids
    return out


def _calendar(days: int, first: str, hours: float) -> pd.DataFrame:
    """Return the running minutes:
    12 min starting, then pressing, then 20 min washing, on weekdays from 14:00Z.
    """
    parts = []
    for day in pd.bdate_range(first, periods=days):
        start = day.tz_localize("UTC") + pd.Timedelta(hours=14)
        minutes = int(hours * 60)
        index = pd.date_range(start, periods=12 + minutes + 20, freq="1min", name="time")
        phase = ["starting"] * 12 + ["pressing"] * minutes + ["washing"] * 20
        parts.append(pd.DataFrame({"phase": phase, "run": f"bfp-1-{start:%Y%m%dT%H%MZ}"}, index=index))
    ran = pd.concat(parts)
    index = pd.date_range(ran.index[0].floor("D"), ran.index[-1].ceil("D"), freq="1min", name="time", inclusive="left")
    calendar = ran.reindex(index)
    calendar["phase"] = calendar["phase"].fillna("stopped")
    calendar["run"] = calendar["run"].astype(object).where(calendar["run"].notna(), None)
    return calendar


def made_up_table(
    days: int = 12,
    seed: int = 1,
    troubles: tuple[Trouble, ...] = (),
    hours: float = 8.0,
    first: str = "2026-02-23",
    without: tuple[str, ...] = (),
    **targets: Limit,
) -> Made:
    """Return a figure table of weekday runs with the given troubles; columns in `without` are not metered."""
    rng = np.random.default_rng(seed)
    calendar = _calendar(days, first, hours)
    index = calendar.index
    truth = _effects(_troubled(_inputs(rng, index), troubles))
    noisy = {name: rng.normal(1.0, 0.01, len(index)) for name in truth}
    frame = pd.DataFrame(np.nan, index=index, columns=[*ROLE_COLUMNS, *FIGURE_COLUMNS], dtype=float)
    fed = calendar["phase"].isin(["starting", "pressing"])
    pressing = calendar["phase"] == "pressing"
    moving = calendar["phase"] != "stopped"
    roles = {
        "feed_flow_m3_h": ("feed_flow", fed),
        "feed_solids_pct": ("feed_solids", fed),
        "polymer_flow_l_h": ("polymer_flow", fed),
        "polymer_strength_pct": ("polymer_strength", fed),
        "dilution_water_flow_m3_h": ("dilution", fed),
        "washwater_flow_m3_h": ("washwater_flow", moving),
        "washwater_pressure_kpa": ("washwater_pressure", moving),
        "gravity_belt_speed_m_min": ("gravity_speed", moving),
        "pressure_belt_speed_m_min": ("pressure_speed", moving),
        "belt_tension_kn_m": ("tension", moving),
        "gravity_zone_depth_mm": ("depth", fed),
    }
    for column, (name, when) in roles.items():
        frame[column] = (truth[name] * noisy[name]).where(when)
    frame["gravity_zone_depth_mm"] = frame["gravity_zone_depth_mm"].shift(2)
    frame["running"] = moving.astype(float)
    frame["belt_trip"] = 0.0
    loss = (truth["loss"] + rng.normal(0, 0.15, len(index))).where(pressing)
    frame["filtrate_tss_mg_l"] = (truth["loss"] * 120.0 * noisy["loss"]).shift(GRAVITY_MIN).where(pressing)
    frame["filtrate_solids_mg_l"] = frame["filtrate_tss_mg_l"]
    frame["capture_pct"] = (100.0 - loss.shift(TRANSIT_MIN)).where(pressing)
    frame["cake_solids_pct"] = (truth["cake"].shift(TRANSIT_MIN) + rng.normal(0, 0.15, len(index))).where(pressing)
    frame["cake_solids_meter_pct"] = frame["cake_solids_pct"]
    frame["feed_dry_solids_kg_h"] = frame["feed_flow_m3_h"] * frame["feed_solids_pct"] * 10.0
    frame["hydraulic_loading_m3_h_m"] = frame["feed_flow_m3_h"] / WIDTH_M
    frame["solids_loading_kg_h_m"] = frame["feed_dry_solids_kg_h"] / WIDTH_M
    active = frame["polymer_flow_l_h"] * frame["polymer_strength_pct"] / 100.0
    frame["polymer_dose_kg_t"] = 1000.0 * active / frame["feed_dry_solids_kg_h"]
    frame["dry_cake_kg_h"] = frame["feed_dry_solids_kg_h"].shift(TRANSIT_MIN) * frame["capture_pct"] / 100.0
    frame["wet_cake_kg_h"] = frame["dry_cake_kg_h"] / frame["cake_solids_pct"] * 100.0
    frame[list(without)] = np.nan
    lead = pd.DataFrame(
        {
            "feed_time": index.to_series() - pd.Timedelta(minutes=TRANSIT_MIN),
            "run": calendar["run"],
            "phase": calendar["phase"],
            "mode": pd.Series("dewatering", index=index, dtype=object).where(calendar["run"].notna(), None),
            "feed_source": None,
            "capture_method": "filtrate_metered",
        },
        index=index,
    )
    plant, press = made_up_plant(**targets)
    table = FigureTable("bfp-1", 60, pd.concat([lead, frame], axis=1), pd.DataFrame())
    return Made(table, plant, press, truth)
