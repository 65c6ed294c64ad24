"""A press whose numbers can be followed by hand, and a grid on which it runs steadily."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trendkit.plant.model import Filtrate, Plant, Press, Tag, Uncertainty

START = pd.Timestamp("2026-03-02T06:00:00Z")
STEADY = {
    "feed_flow_m3_h": 30.0,
    "feed_solids_pct": 2.5,
    "polymer_flow_l_h": 1500.0,
    "polymer_strength_pct": 0.25,
    "washwater_flow_m3_h": 12.0,
    "filtrate_flow_m3_h": 40.0,
    "filtrate_solids_mg_l": 900.0,
    "cake_solids_meter_pct": 20.0,
    "gravity_belt_speed_m_min": 6.0,
    "pressure_belt_speed_m_min": 3.0,
    "power_kw": 15.0,
}


def tag(role: str, relative: float = 0.02) -> Tag:
    return Tag(role, role.upper(), role, "", "", "analog", uncertainty=Uncertainty(relative))


def press_of(**changes: Any) -> Press:
    """W12's press: 2 m wide, gravity zone 3 m, pressure zone 12 m, 0.5 m3 of conditioning."""
    settings: dict[str, Any] = {
        "name": "BFP-1",
        "slug": "bfp-1",
        "belt_width_m": 2.0,
        "gravity_zone_length_m": 3.0,
        "pressure_zone_length_m": 12.0,
        "conditioning_volume_m3": 0.525,
        "feed_on_above_m3_h": 2.0,
        "feed_density_kg_m3": 1010.0,
        "cake_density_kg_m3": 950.0,
        "filtrate": Filtrate("with_wash", "with_wash", "joins"),
    }
    return Press(**(settings | changes))


def plant_of(press: Press, **changes: Any) -> Plant:
    settings: dict[str, Any] = {
        "name": "Test works",
        "timezone": "America/Denver",
        "presses": (press,),
        "path": Path("plant.toml"),
        "sha256": "",
    }
    return Plant(**(settings | changes))


def grid(hours: float = 8.0, feed_from_h: float = 0.5, feed_to_h: float = 7.0, **values: Any) -> pd.DataFrame:
    """A grid of minutes: belts turn throughout, feed (and its polymer) between the two hours."""
    times = pd.date_range(START, periods=round(hours * 60), freq="min", name="time")
    roles = pd.DataFrame({name: np.full(len(times), value) for name, value in (STEADY | values).items()}, index=times)
    hour = np.arange(len(times)) / 60.0
    is_fed = (hour >= feed_from_h) & (hour < feed_to_h)
    for name in ("feed_flow_m3_h", "polymer_flow_l_h"):
        roles.loc[~is_fed, name] = 0.0
    return roles


def grabs(*rows: tuple[float, str, str, float]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"sampled_at": START + pd.Timedelta(hours=hour), "press": "bfp-1", "point": point, "analysis": analysis,
             "value": value, "note": "", "is_suspect": False, "why": "", "line": 1}
            for hour, point, analysis, value in rows
        ]
    )  # fmt: skip
