"""The true figure table, minute by minute, with the columns of the contract's `table`.

Comes in: a press's `History`. Goes out: a frame whose UTC index "time" labels each minute at its start,
closed left; roles are true values without instrument noise, figures ratios of sums over the minute.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trendkit.plant.roles import ROLES
from trendkit.simulate.history import WASH_SOLIDS_MG_L, History
from trendkit.simulate.machine import SOLIDS_DENSITY_KG_M3, WATER_DENSITY_KG_M3, Machine
from trendkit.simulate.operation import THICKENING
from trendkit.simulate.phases import PHASE_NAMES, PRESSING, Operated, operated
from trendkit.simulate.pressure_zone import wedge_contact
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import sludge_density_kg_m3

CAKE_DENSITY_KG_M3 = 1060.0
ROLLING_MIN, ROLLING_AT_LEAST_MIN = 60, 5
SOURCE_NAMES = np.array(["", "tank 1", "tank 2"], dtype=object)

# figure -> (numerator, denominator, factor); None where it is a mean rate
_RATIOS: dict[str, tuple[str, str | None, float]] = {
    "hydraulic_loading_m3_h_m": ("feed_m3_h", "width", 1.0),
    "feed_dry_solids_kg_h": ("fed_kg_h", None, 1.0),
    "solids_loading_kg_h_m": ("fed_kg_h", "width", 1.0),
    "polymer_dose_kg_t": ("active_kg_h", "fed_kg_h", 1000.0),
    "capture_pct": ("kept_kg_h", "discharged_fed_kg_h", 100.0),
    "cake_solids_pct": ("cake_dry_kg_h", "cake_wet_kg_h", 100.0),
    "thickened_solids_pct": ("thickened_dry_kg_h", "thickened_wet_kg_h", 100.0),
    "filtrate_tss_mg_l": ("filtrate_solids_kg_h", "filtrate_m3_h", 1000.0),
    "dry_cake_kg_h": ("cake_dry_kg_h", None, 1.0),
    "wet_cake_kg_h": ("cake_wet_kg_h", None, 1.0),
    "belt_speed_ratio": ("gravity_m_min", "pressure_m_min", 1.0),
    "belt_solids_kg_m2": ("fed_kg_h", "gravity_area_m2_h", 1.0),
    "cake_thickness_mm": ("cake_wet_kg_h", "pressure_area_m2_h", 1000.0 / CAKE_DENSITY_KG_M3),
    "tank_upflow_m_h": ("feed_m3_h", "tank_area", 1.0),
    "washwater_m3_t": ("wash_m3_h", "fed_kg_h", 1000.0),
    "energy_kwh_t": ("power_kw", "fed_kg_h", 1000.0),
}
FIGURES = (
    *list(_RATIOS)[:11],
    "gravity_drain_time_s",
    *list(_RATIOS)[11:13],
    "wedge_contact_pct",
    *list(_RATIOS)[13:],
)
WITH_LIMITS = (
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
)


def by_minute(values: Array, step_s: float) -> Array:
    """Return the mean of each minute of a series on steps of `step_s` seconds."""
    result: Array = values.reshape(-1, round(60.0 / step_s)).mean(axis=1)
    return result


def step_roles(history: History, machine: Machine) -> dict[str, Array]:
    """Return the true numeric roles on the simulator's steps, by role name, in the unit of the role's column."""
    now, drivers, line = history.acting, history.drivers, history.drivers.timeline
    moving, feeding = line.is_moving, (now.feed_flow_m3_h > 0.0).astype(float)
    delay = round(machine.cake_delay_s / history.grid.step_s)
    cake_dry, cake_water = history.rate_kg_h("cake_solids"), history.rate_kg_h("cake_water")
    wet = _later(cake_dry + cake_water, delay)
    thick_dry, thick_water = history.rate_kg_h("thickened_solids"), history.rate_kg_h("thickened_water")
    filtrate = filtrate_m3_h(history)
    gravity_load = moving * (24.0 + 0.35 * history.probe_depth_mm) * (1.0 - 1.5 * (1.0 - drivers.gravity_slip))
    on_belt = np.divide(cake_dry, now.pressure_belt_m_min * 60.0 * machine.belt_width_m + 1e-9)
    pressure_load = moving * (30.0 + 2.5 * now.tension_kn_m + 6.0 * on_belt)
    pressure_load = pressure_load * (1.0 - 1.5 * (1.0 - drivers.pressure_slip)) * (line.mode != float(THICKENING))
    power = moving * (machine.auxiliaries_kw + machine.drives_kw * (gravity_load + pressure_load) / 100.0)
    return {
        "feed_flow": now.feed_flow_m3_h,
        "feed_solids": drivers.feed.solids * 100.0,
        "feed_temperature": drivers.feed.temperature_degc,
        "filtrate_flow": filtrate,
        "filtrate_solids": _ratio(history.filtrate_solids_kg_h, filtrate) * 1000.0,
        "cake_solids": _ratio(_later(cake_dry, delay), wet) * 100.0,
        "cake_rate": wet,
        "thickened_flow": thick_dry / SOLIDS_DENSITY_KG_M3 + thick_water / WATER_DENSITY_KG_M3,
        "thickened_solids": _ratio(thick_dry, thick_dry + thick_water) * 100.0,
        "polymer_flow": now.polymer_flow_l_h,
        "polymer_strength": now.polymer_strength * 100.0,
        "dilution_water_flow": now.dilution_m3_h,
        "washwater_flow": now.washwater_m3_h,
        "washwater_pressure": now.washwater_kpa,
        "washwater_solids": np.full(history.grid.n, WASH_SOLIDS_MG_L),
        "gravity_belt_speed": now.gravity_belt_m_min,
        "gravity_belt_setpoint": drivers.gravity_setpoint_m_min,
        "pressure_belt_speed": now.pressure_belt_m_min,
        "pressure_belt_setpoint": drivers.pressure_setpoint_m_min,
        "gravity_drive_load": gravity_load,
        "pressure_drive_load": pressure_load,
        "belt_tension": now.tension_kn_m,
        "gravity_zone_depth": history.probe_depth_mm,
        "feed_spreader_speed": 60.0 * feeding,
        "mixer_speed": 900.0 * feeding,
        "power": power,
        "gravity_belt_speed/drive": now.gravity_drive_m_min,
        "pressure_belt_speed/drive": now.pressure_drive_m_min,
        "running": moving,
        "belt_trip": line.is_tripped,
    }


def filtrate_m3_h(history: History) -> Array:
    """Return the collected filtrate, wash joined [m3/h]."""
    result: Array = (
        history.filtrate_solids_kg_h / SOLIDS_DENSITY_KG_M3 + history.filtrate_water_kg_h / WATER_DENSITY_KG_M3
    )
    return np.maximum(result, 0.0)


def _later(values: Array, steps: int) -> Array:
    moved: Array = np.concatenate([np.zeros(steps), values[: len(values) - steps]])
    return moved


def _ratio(part: Array, whole: Array) -> Array:
    result: Array = np.full(len(part), np.nan)
    np.divide(part, whole, out=result, where=whole > 1e-9)
    return result


def _sums(history: History, machine: Machine, roles: dict[str, Array]) -> dict[str, Array]:
    """Return the minute means of everything the figures are ratios of."""
    now, drivers, width = history.acting, history.drivers, machine.belt_width_m
    fed = now.feed_flow_m3_h * sludge_density_kg_m3(drivers.feed.solids) * drivers.feed.solids
    rate = history.rate_kg_h
    steps = {
        "feed_m3_h": now.feed_flow_m3_h,
        "fed_kg_h": fed,
        "active_kg_h": now.polymer_flow_l_h * now.polymer_strength,
        "kept_kg_h": rate("cake_kept") + rate("thickened_kept"),
        "discharged_fed_kg_h": rate("cake_fed") + rate("thickened_fed"),
        "cake_dry_kg_h": rate("cake_solids"),
        "cake_wet_kg_h": rate("cake_solids") + rate("cake_water"),
        "thickened_dry_kg_h": rate("thickened_solids"),
        "thickened_wet_kg_h": rate("thickened_solids") + rate("thickened_water"),
        "filtrate_solids_kg_h": history.filtrate_solids_kg_h,
        "filtrate_m3_h": filtrate_m3_h(history),
        "gravity_m_min": now.gravity_belt_m_min,
        "pressure_m_min": now.pressure_belt_m_min,
        "gravity_area_m2_h": now.gravity_belt_m_min * 60.0 * width,
        "pressure_area_m2_h": now.pressure_belt_m_min * 60.0 * width,
        "wash_m3_h": now.washwater_m3_h,
        "power_kw": roles["power"],
        "width": np.full(history.grid.n, width),
        "tank_area": np.full(history.grid.n, machine.conditioning_tank_area_m2),
    }
    return {name: by_minute(values, history.grid.step_s) for name, values in steps.items()}


def minute_table(history: History, machine: Machine, turbidity_per_mg_l: Array) -> pd.DataFrame:
    """Return the true table of one press; `turbidity_per_mg_l` is NTU per mg/L on the simulator's steps."""
    roles = step_roles(history, machine)
    roles["filtrate_turbidity"] = roles["filtrate_solids"] * turbidity_per_mg_l
    state = operated(history, machine)
    sums = _sums(history, machine, roles)
    index = pd.date_range(history.grid.start_utc, periods=len(sums["fed_kg_h"]), freq="min", name="time")
    lead = _lead(history, state, machine, index)
    columns: dict[str, Array] = {}
    for name, role in ROLES.items():
        columns[role.column] = _role_minutes(name, roles, history, len(index))
    figures = _figures(sums, machine, lead["mode"].to_numpy())
    rolling = _rolling(sums, lead)
    columns |= figures | rolling
    for name in WITH_LIMITS:
        columns |= {f"{name}_low": figures[name], f"{name}_high": figures[name]}
    frame = pd.concat([lead, pd.DataFrame(columns, index=index)], axis=1)
    frame["feed_source"] = SOURCE_NAMES[_last_of_minute(history.drivers.feed.source, history.grid.step_s).astype(int)]
    return frame.loc[:, ~frame.columns.duplicated()]


def _last_of_minute(values: Array, step_s: float) -> Array:
    return values.reshape(-1, round(60.0 / step_s))[:, -1]


def _role_minutes(name: str, roles: dict[str, Array], history: History, n: int) -> Array:
    step_s = history.grid.step_s
    if name == "energy":
        return by_minute(roles["power"], step_s) / 60.0
    if name == "cake_weight":
        return by_minute(roles["cake_rate"], step_s) / 60.0
    if name not in roles:
        return np.full(n, np.nan)
    values = roles[name]
    if not np.isnan(values).any():
        return by_minute(values, step_s)
    present = by_minute(np.isfinite(values).astype(float), step_s)
    total = by_minute(np.nan_to_num(values), step_s)
    return np.where(present >= 0.5, total / np.maximum(present, 1e-9), np.nan)


def _lead(history: History, state: Operated, machine: Machine, index: pd.DatetimeIndex) -> pd.DataFrame:
    per_minute = round(60.0 / history.grid.step_s)
    held = state.phase.reshape(-1, per_minute)
    counts = np.stack([(held == code).sum(axis=1) for code in range(len(PHASE_NAMES))], axis=1)
    # A minute that moves for half of its time counts as moving.
    phase = PHASE_NAMES[(counts - 0.5 * (np.arange(len(PHASE_NAMES)) == 0)).argmax(axis=1)]
    run = np.sort(state.run.reshape(-1, per_minute), axis=1)[:, per_minute // 2]
    numbers, first = np.unique(run, return_index=True)
    begins = {number: f"{machine.slug}-{index[row]:%Y%m%dT%H%MZ}" for number, row in zip(numbers, first, strict=True)}
    names = [None if number < 0 else begins[number] for number in run]
    thick = state.is_thickening.reshape(-1, per_minute)[:, per_minute // 2]
    mode = np.where(thick, "thickening", "dewatering").astype(object)
    mode[run < 0] = None
    seconds = history.grid.seconds.reshape(-1, per_minute).mean(axis=1) + history.grid.step_s / 2.0
    way = history.travel
    place = np.where(thick, way.volume_at(seconds, 1.0, 0.0), way.volume_at(seconds, 1.0, 1.0))
    comes_off = np.isfinite(state.fed_s).reshape(-1, per_minute).max(axis=1)
    fed = np.where(comes_off, way.fed_at(place), np.nan)
    feed_time = history.grid.start_utc + pd.to_timedelta(pd.Series(fed, index=index), unit="s")
    return pd.DataFrame(
        {
            "feed_time": feed_time.dt.round("s"),
            "press": machine.slug,
            "run": _texts(names, index),
            "phase": phase,
            "mode": _texts(mode.tolist(), index),
            "capture_method": _texts(["truth" if comes else None for comes in comes_off.tolist()], index),
        },
        index=index,
    )


def _texts(texts: list[str | None], index: pd.DatetimeIndex) -> pd.Series[Any]:
    column = pd.Series(index=index, dtype=object)
    column[:] = texts
    return column


def _figures(sums: dict[str, Array], machine: Machine, mode: Array) -> dict[str, Array]:
    ones = np.ones(len(sums["fed_kg_h"]))
    by_name = {
        name: _ratio(sums[part], sums[whole] if whole else ones) * factor
        for name, (part, whole, factor) in _RATIOS.items()
    }
    by_name["gravity_drain_time_s"] = _ratio(60.0 * machine.gravity_zone_length_m * ones, sums["gravity_m_min"])
    by_name["belt_speed_ratio"] = np.where(sums["pressure_m_min"] > 0.2, by_name["belt_speed_ratio"], np.nan)
    thickness = by_name["cake_thickness_mm"]
    by_name["wedge_contact_pct"] = np.where(
        np.isfinite(thickness), 100.0 * wedge_contact(machine.wedge_gaps, np.nan_to_num(thickness)), np.nan
    )
    nothing_comes_off = sums["cake_wet_kg_h"] <= 0.0
    for name in ("cake_thickness_mm", "wedge_contact_pct"):
        by_name[name] = np.where(nothing_comes_off, np.nan, by_name[name])
    return {name: by_name[name] for name in FIGURES}


def _rolling(sums: dict[str, Array], lead: pd.DataFrame) -> dict[str, Array]:
    """Return the trailing hour of each ratio or rate over the pressing minutes of the same run."""
    pressing = (lead["phase"] == PHASE_NAMES[PRESSING]).to_numpy() & lead["run"].notna().to_numpy()
    run = lead["run"].where(pressing)
    first = pd.Series(np.arange(len(lead)), index=lead.index).groupby(run).transform("min").to_numpy()
    here = np.arange(len(lead))
    begin = np.maximum(here - ROLLING_MIN + 1, np.nan_to_num(first, nan=0.0)).astype(int)

    def trailing(values: Array) -> Array:
        running = np.concatenate([[0.0], np.cumsum(np.where(pressing, np.nan_to_num(values), 0.0))])
        total: Array = running[here + 1] - running[begin]
        return total

    counts = trailing(np.ones(len(lead)))
    usable = pressing & (counts >= ROLLING_AT_LEAST_MIN)
    result = {}
    for name, (part, whole, factor) in _RATIOS.items():
        below = trailing(sums[whole]) if whole else counts
        result[f"{name}_rolling"] = np.where(usable, _ratio(trailing(sums[part]), below) * factor, np.nan)
    return result
