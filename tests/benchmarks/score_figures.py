"""Period figures against the truth: error, and whether the 95 % limits hold it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from played import Played

from trendkit.plant import Period
from trendkit.press import review_period


def true_figures(truth: pd.DataFrame, width_m: float) -> dict[str, float]:
    """Return the true period figures of dewatering runs from true minutes, by the contract's definitions."""
    dewatering = truth[truth["mode"] == "dewatering"]
    pressing = dewatering[dewatering["phase"] == "pressing"]
    hour = 1.0 / 60.0
    fed_out = (
        pressing["dry_cake_kg_h"] / pressing["capture_pct"]
    )  # fed of what is discharged, up to the polymer in cake
    solids = pressing["feed_dry_solids_kg_h"].sum()
    active = (pressing["polymer_flow_l_h"] * pressing["polymer_strength_pct"]).sum() / 100.0
    all_fed = dewatering["feed_dry_solids_kg_h"].sum()
    return {
        "feed_volume_m3": dewatering["feed_flow_m3_h"].sum() * hour,
        "feed_dry_solids_t": all_fed * hour / 1000.0,
        "dry_cake_t": dewatering["dry_cake_kg_h"].sum() * hour / 1000.0,
        "wet_cake_t": dewatering["wet_cake_kg_h"].sum() * hour / 1000.0,
        "polymer_kg": (dewatering["polymer_flow_l_h"] * dewatering["polymer_strength_pct"]).sum() / 100.0 * hour,
        "washwater_m3": dewatering["washwater_flow_m3_h"].sum() * hour,
        "energy_kwh": dewatering["power_kw"].sum() * hour,
        "capture_pct": float(np.average(pressing["capture_pct"], weights=fed_out)),
        "cake_solids_pct": 100.0 * pressing["dry_cake_kg_h"].sum() / pressing["wet_cake_kg_h"].sum(),
        "polymer_dose_kg_t": 1000.0 * active / solids,
        "solids_loading_kg_h_m": solids * hour / (width_m * len(pressing) * hour),
        "hydraulic_loading_m3_h_m": pressing["feed_flow_m3_h"].mean() / width_m,
        "press_hours": (dewatering["feed_flow_m3_h"] > width_m).sum() * hour,
        "run_hours": (dewatering["phase"] != "stopped").sum() * hour,
    }


def score_figures(played: Played) -> pd.DataFrame:
    """Return one row per press and figure: value, limits, truth, whether the limits hold it."""
    span = played.reading.span
    period = Period(span.start_utc, span.end_utc, played.plant.timezone)
    rows = []
    for series in played.reading.presses:
        figures = review_period(series.table, series.press, played.plant, period).figures
        truth = true_figures(played.series[played.series["press"] == series.press.slug], series.press.belt_width_m)
        for name, true in truth.items():
            figure = figures.get(name)
            if figure is None or figure.value is None:
                rows.append({"seed": played.seed, "figure": name, "truth": true, "is_had": False})
                continue
            has_limits = figure.low is not None and figure.high is not None
            rows.append(
                {
                    "seed": played.seed,
                    "figure": name,
                    "truth": true,
                    "is_had": True,
                    "error": figure.value - true,
                    "width": figure.high - figure.low if has_limits else np.nan,
                    "is_covered": figure.low <= true <= figure.high if has_limits else np.nan,
                    "method": figure.method,
                }
            )
    return pd.DataFrame(rows)


def figure_lines(scores: list[pd.DataFrame]) -> list[str]:
    """Return error and coverage by figure over all plants."""
    rows = pd.concat(scores, ignore_index=True)
    lines = ["figure: median error (% of truth; points for percentages), coverage of the 95 % limits"]
    for name, group in rows.groupby("figure", sort=False):
        had = group[group["is_had"]]
        is_percent = name.endswith("_pct")
        error = had["error"] if is_percent else 100.0 * had["error"] / had["truth"]
        covered = had["is_covered"].dropna().astype(float)
        half = had["width"] / 2.0 if is_percent else 50.0 * had["width"] / had["truth"]
        lines.append(
            f"  {name:26s} had {len(had)}/{len(group)}  bias {error.median():+.3f}  |error| {error.abs().median():.3f}"
            f"  half width {half.median():.3f}  covered {covered.mean():.3f} of {len(covered)}"
        )
    return lines
