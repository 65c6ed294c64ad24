"""A made-up figure table with a known response to the gravity belt speed, for the tests of the tuning room.

The invented press obeys no physics beyond what is written here: cake solids are a parabola in the logarithm
of the speed about a best speed that grows with the load, and lost solids grow away from another one.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from trendkit.plant.model import Costs, Limit, Plant, Press
from trendkit.press.results import FigureTable

PRICES = Costs("USD", polymer_per_kg=4.1, haul_per_t=62.0, solids_return_per_t=95.0, press_hour=38.0)
TRANSIT_MIN = 6
WIDTH_M = 2.0


@dataclass(frozen=True)
class Truth:
    """The response the table was made with."""

    best_cake_speed_m_min: float = 8.0  # at a load of 300 kg/h/m
    cake_curvature: float = 12.0  # points lost per squared unit of log speed
    loss_curvature: float = 1.5

    def cake_solids_pct(self, speed, load):
        away = np.log(speed / (self.best_cake_speed_m_min * (load / 300.0) ** 0.5))
        return 21.0 - self.cake_curvature * away**2 - 2.0 * np.log(load / 300.0)

    def loss_pct(self, speed, load):
        away = np.log(speed / (0.9 * self.best_cake_speed_m_min * (load / 300.0) ** 0.5))
        return 4.0 * np.exp(self.loss_curvature * away**2 + 0.4 * np.log(load / 300.0))

    def cost_per_dry_t(self, speed, load, dose=6.0, prices=PRICES):
        kept = 1.0 - self.loss_pct(speed, load) / 100.0
        hours = 1.0 / (load * WIDTH_M / 1000.0)
        lines = dose * prices.polymer_per_kg + hours * prices.press_hour + prices.solids_return_per_t * (1.0 - kept)
        return lines / kept + prices.haul_per_t * 100.0 / self.cake_solids_pct(speed, load)


def made_up_plant(costs: Costs | None = PRICES, **targets: Limit) -> tuple[Plant, Press]:
    """Return a plant with one 2.0 m press and the given dewatering targets."""
    press = Press("BFP-1", "bfp-1", WIDTH_M, 4.2, 11.0, 2.0, targets={"dewatering": targets})
    return Plant("Invented", "America/Denver", (press,), Path("plant.toml"), "0" * 64, costs=costs), press


def _speeds(policy, rng, minutes, load, cake_so_far, spread):
    """Yield the speed of each minute; `cake_so_far` is filled while the run goes on."""
    level, until = 8.0, 0
    for minute in range(minutes):
        if minute >= until:
            until = minute + int(rng.integers(60, 150))
            free = np.exp(rng.uniform(-spread, spread))
            past = np.clip(np.mean(cake_so_far[-30:]) - 20.8, -1.5, 1.5) if cake_so_far else 0.0
            level = {
                "free": 8.0 * free,
                "follows_load": 8.0 * (load[minute] / 300.0) ** 0.7 * free**0.5,
                "feedback": 8.0 * np.exp(0.15 * past) * free**0.5,
                "fixed": 8.0,
                "locked": 8.0 * (load[minute] / 300.0) ** 0.7,
            }[policy]
        yield level


def _drift(rng, size, fades_min, spread):
    steps = rng.normal(0.0, spread * np.sqrt(1.0 - np.exp(-2.0 / fades_min)), size)
    keep = np.exp(-1.0 / fades_min)
    return lfilter([1.0], [1.0, -keep], np.r_[rng.normal(0.0, spread), steps[1:]])


def _one_run(day, policy, rng, truth, spread, minutes):
    start = pd.Timestamp("2026-02-02T15:00Z") + pd.Timedelta(days=day)
    time = pd.date_range(start, periods=minutes, freq="min", tz="UTC")
    load = 300.0 * np.exp(_drift(rng, minutes, 240.0, 0.15) + rng.normal(0, 0.05))
    solids = 3.0 * np.exp(_drift(rng, minutes, 300.0, 0.08) + rng.normal(0, 0.08))
    dose = 6.0 * np.exp(_drift(rng, minutes, 180.0, 0.05))
    quality = _drift(rng, minutes, 120.0, 0.4) + rng.normal(0.0, 0.5)
    cake, loss, speeds, so_far = np.full(minutes, np.nan), np.full(minutes, np.nan), np.empty(minutes), []
    for minute, speed in enumerate(_speeds(policy, rng, minutes, load, so_far, spread)):
        speeds[minute] = speed
        fed = minute - TRANSIT_MIN
        if fed >= 0:
            dryness = truth.cake_solids_pct(speeds[fed], load[fed]) + quality[fed]
            cake[minute] = dryness - 8.0 * np.log(dose[fed] / 6.0) ** 2 + 1.2 * np.log(solids[fed] / 3.0)
            loss[minute] = truth.loss_pct(speeds[fed], load[fed]) * np.exp(-0.2 * quality[fed])
            so_far.append(cake[minute])
    frame = pd.DataFrame(index=time)
    frame["run"] = f"bfp-1-{start:%Y%m%dT%H%MZ}"
    frame["phase"] = np.where(np.isnan(cake), "starting", "pressing")
    frame["feed_time"] = np.where(np.isnan(cake), pd.NaT, time - pd.Timedelta(minutes=TRANSIT_MIN))
    frame["solids_loading_kg_h_m"] = load * np.exp(rng.normal(0, 0.02, minutes))
    frame["feed_solids_pct"] = solids * np.exp(rng.normal(0, 0.02, minutes))
    frame["feed_flow_m3_h"] = load * WIDTH_M / (solids * 10.0)
    frame["polymer_dose_kg_t"] = dose
    frame["gravity_belt_speed_m_min"] = speeds * np.exp(rng.normal(0, 0.005, minutes))
    frame["pressure_belt_speed_m_min"] = 3.0 * np.exp(rng.normal(0, 0.005, minutes))
    frame["cake_solids_pct"] = cake + rng.normal(0, 0.4, minutes)
    frame["capture_pct"] = 100.0 - loss * np.exp(rng.normal(0, 0.08, minutes))
    return frame


_EMPTY = ("filtrate_tss_mg_l", "washwater_flow_m3_h", "belt_tension_kn_m", "gravity_belt_setpoint_m_min",
          "pressure_belt_setpoint_m_min", "power_kw", "washwater_m3_t", "energy_kwh_t")  # fmt: skip


def made_up_table(
    policy: str = "free",
    days: int = 30,
    seed: int = 1,
    spread: float = 0.35,
    truth: Truth | None = None,
    minutes: int = 480,
) -> FigureTable:
    """Return a table of `days` runs of `minutes` minutes, the gravity belt run by `policy`."""
    rng = np.random.default_rng(seed)
    runs = [_one_run(day, policy, rng, truth or Truth(), spread, minutes) for day in range(days)]
    whole = pd.date_range(runs[0].index[0], runs[-1].index[-1], freq="min", tz="UTC", name="time")
    frame = pd.concat(runs).reindex(whole)
    frame["phase"] = frame["phase"].fillna("stopped")
    frame["mode"] = np.where(frame["run"].notna(), "dewatering", None)
    frame["feed_time"] = pd.to_datetime(frame["feed_time"], utc=True)
    frame["hydraulic_loading_m3_h_m"] = frame["feed_flow_m3_h"] / WIDTH_M
    frame["feed_dry_solids_kg_h"] = frame["solids_loading_kg_h_m"] * WIDTH_M
    frame["dry_cake_kg_h"] = frame["feed_dry_solids_kg_h"] * frame["capture_pct"] / 100.0
    frame["belt_speed_ratio"] = frame["gravity_belt_speed_m_min"] / frame["pressure_belt_speed_m_min"]
    frame["cake_solids_meter_pct"] = frame["cake_solids_pct"]
    for column in _EMPTY:
        frame[column] = np.nan
    return FigureTable("bfp-1", 60, frame, pd.DataFrame())
