"""The roles a tag can play on a press: trade name, table column, SI unit, usual kind and sanity range.

This table is the only place that ties a role to its column; every room reads it. The sanity ranges are
bounds a belt filter press can hardly leave (common practice), never verdicts on a particular press.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["analog", "step", "counter", "state"]


@dataclass(frozen=True)
class Role:
    """One role: its column in every table, the SI unit of that column and what is usual for it."""

    name: str
    column: str
    unit: str  # pint unit of the column; "" for a state
    kind: Kind
    sane_low: float | None = None  # in `unit`
    sane_high: float | None = None
    relative_uncertainty: float = 0.0  # standard uncertainty assumed when the plant file gives none
    absolute_uncertainty: float = 0.0  # in `unit`


_TABLE: tuple[Role, ...] = (
    Role("feed_flow", "feed_flow_m3_h", "m3/h", "analog", 0, 200, 0.02),
    Role("feed_solids", "feed_solids_pct", "percent", "analog", 0, 15, 0.04),
    Role("feed_temperature", "feed_temperature_degc", "degC", "analog", 0, 70, 0, 0.5),
    Role("feed_source", "feed_source", "", "state"),
    Role("filtrate_flow", "filtrate_flow_m3_h", "m3/h", "analog", 0, 400, 0.02),
    Role("filtrate_solids", "filtrate_solids_mg_l", "mg/L", "analog", 0, 40_000, 0.08),
    Role("filtrate_turbidity", "filtrate_turbidity_ntu", "NTU", "analog", 0, 20_000, 0.08),
    Role("cake_solids", "cake_solids_meter_pct", "percent", "analog", 4, 60, 0, 0.5),
    Role("cake_rate", "cake_rate_kg_h", "kg/h", "analog", 0, 30_000, 0.02),
    Role("cake_weight", "cake_weight_kg", "kg", "counter", 0, None, 0.02),
    Role("thickened_flow", "thickened_flow_m3_h", "m3/h", "analog", 0, 100, 0.02),
    Role("thickened_solids", "thickened_solids_meter_pct", "percent", "analog", 0, 20, 0.04),
    Role("polymer_flow", "polymer_flow_l_h", "L/h", "analog", 0, 20_000, 0.02),
    Role("polymer_strength", "polymer_strength_pct", "percent", "analog", 0, 5, 0.05),
    Role("polymer_neat_flow", "polymer_neat_flow_l_h", "L/h", "analog", 0, 500, 0.03),
    Role("dilution_water_flow", "dilution_water_flow_m3_h", "m3/h", "analog", 0, 40, 0.02),
    Role("washwater_flow", "washwater_flow_m3_h", "m3/h", "analog", 0, 100, 0.02),
    Role("washwater_pressure", "washwater_pressure_kpa", "kPa", "analog", 0, 2_000, 0, 10),
    Role("washwater_solids", "washwater_solids_mg_l", "mg/L", "analog", 0, 1_000, 0.15),
    Role("gravity_belt_speed", "gravity_belt_speed_m_min", "m/min", "analog", 0, 60, 0.01),
    Role("gravity_belt_setpoint", "gravity_belt_setpoint_m_min", "m/min", "step", 0, 60, 0.01),
    Role("pressure_belt_speed", "pressure_belt_speed_m_min", "m/min", "analog", 0, 20, 0.01),
    Role("pressure_belt_setpoint", "pressure_belt_setpoint_m_min", "m/min", "step", 0, 20, 0.01),
    Role("gravity_drive_load", "gravity_drive_load_pct", "percent", "analog", 0, 300, 0.03),
    Role("pressure_drive_load", "pressure_drive_load_pct", "percent", "analog", 0, 300, 0.03),
    Role("belt_tension", "belt_tension_kn_m", "kN/m", "analog", 0, 15, 0.03),
    Role("gravity_zone_depth", "gravity_zone_depth_mm", "mm", "analog", 0, 500, 0, 3),
    Role("feed_spreader_speed", "feed_spreader_speed_rpm", "rpm", "analog", 0, 500, 0.02),
    Role("mixer_speed", "mixer_speed_rpm", "rpm", "analog", 0, 3_000, 0.02),
    Role("power", "power_kw", "kW", "analog", 0, 500, 0.02),
    Role("energy", "energy_kwh", "kWh", "counter", 0, None, 0.02),
    Role("running", "running", "", "state"),
    Role("mode", "mode", "", "state"),
    Role("belt_trip", "belt_trip", "", "state"),
)

ROLES: dict[str, Role] = {role.name: role for role in _TABLE}

LAB_POINTS = ("feed", "filtrate", "cake", "thickened", "polymer", "washwater", "wash_return")
LAB_UNITS = {"TS": "percent", "TSS": "mg/L", "TDS": "mg/L", "VS": "percent"}
MODES = ("dewatering", "thickening")


@dataclass(frozen=True)
class Target:
    """One figure a limit can be set on: its name in the plant file, its column, unit and sanity range."""

    name: str
    column: str
    unit: str  # pint unit of the column
    sane_low: float
    sane_high: float
    modes: tuple[str, ...] = MODES


_DEWATERING = ("dewatering",)
_TARGETS: tuple[Target, ...] = (
    Target("cake_solids", "cake_solids_pct", "percent", 4, 60, _DEWATERING),
    Target("thickened_solids", "thickened_solids_pct", "percent", 0.5, 20, ("thickening",)),
    Target("capture", "capture_pct", "percent", 30, 100),
    Target("filtrate_tss", "filtrate_tss_mg_l", "mg/L", 0, 40_000),
    Target("polymer_dose", "polymer_dose_kg_t", "kg/t", 0, 60),
    Target("solids_loading", "solids_loading_kg_h_m", "kg/h/m", 5, 3_000),
    Target("hydraulic_loading", "hydraulic_loading_m3_h_m", "m3/h/m", 0.2, 100),
    Target("belt_speed_ratio", "belt_speed_ratio", "", 0.1, 20, _DEWATERING),
    Target("gravity_drain_time", "gravity_drain_time_s", "s", 1, 1_200),
    Target("belt_solids", "belt_solids_kg_m2", "kg/m2", 0.01, 50),
    Target("cake_thickness", "cake_thickness_mm", "mm", 0.5, 100, _DEWATERING),
    Target("wedge_contact", "wedge_contact_pct", "percent", 0, 100, _DEWATERING),
    Target("tank_upflow", "tank_upflow_m_h", "m/h", 0, 1_000),
    Target("washwater_per_solids", "washwater_m3_t", "m3/t", 0, 1_000),
    Target("energy_per_solids", "energy_kwh_t", "kWh/t", 0, 5_000),
)
_TARGET_ROLES = (
    "feed_flow",
    "feed_solids",
    "filtrate_solids",
    "polymer_flow",
    "dilution_water_flow",
    "washwater_flow",
    "washwater_pressure",
    "gravity_belt_speed",
    "pressure_belt_speed",
    "belt_tension",
    "gravity_zone_depth",
)
TARGETS: dict[str, Target] = {target.name: target for target in _TARGETS} | {
    name: Target(name, role.column, role.unit, role.sane_low or 0.0, role.sane_high or 1e9)
    for name, role in ((name, ROLES[name]) for name in _TARGET_ROLES)
}
