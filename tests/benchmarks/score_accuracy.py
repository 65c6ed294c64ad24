"""How near minutes, phases and month totals come to the truth where meters err with mean zero, and with grabs alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
from played import Played
from score_figures import score_figures

STEADY_MIN = 60  # of unbroken pressing before a minute counts as steady: a rolling window long
TOTALS = (
    "feed_volume_m3",
    "feed_dry_solids_t",
    "dry_cake_t",
    "wet_cake_t",
    "polymer_kg",
    "washwater_m3",
    "energy_kwh",
)
# column -> (unit of the error, most for the median, most for the 95th percentile); None: no measure
WITH_METERS = {
    "capture_pct_rolling": ("points", 0.5, 1.5),
    "polymer_dose_kg_t_rolling": ("%", None, 2.0),
    "solids_loading_kg_h_m_rolling": ("%", None, 1.5),
    "hydraulic_loading_m3_h_m_rolling": ("%", None, 1.5),
    "cake_thickness_mm_rolling": ("%", None, 5.0),
}
WITH_GRABS = {"capture_pct_rolling": ("points", 1.5, 4.0)}
FILLED, PHASES, TOTAL_PCT = 0.98, 0.98, 1.0


def score_accuracy(played: Played) -> pd.DataFrame:
    """Return one row per press and measure: `measure`, `median` and `p95` of the error, `share` where it is one."""
    totals = score_figures(played)
    rows = []
    for series in played.reading.presses:
        truth = played.series[played.series["press"] == series.press.slug]
        frame = series.table.frame.reindex(truth.index)
        pressing = (frame["phase"] == "pressing") & (truth["phase"] == "pressing")
        steady = pressing & (pressing.rolling(STEADY_MIN).sum() == STEADY_MIN)
        rows.append(("phases agree", np.nan, np.nan, float((frame["phase"] == truth["phase"]).mean())))
        for column, (unit, _, _) in WITH_METERS.items():
            wanted, found = truth.loc[steady, column].astype(float), frame.loc[steady, column].astype(float)
            error = (found - wanted).abs() if unit == "points" else 100.0 * ((found - wanted) / wanted).abs()
            filled = float(frame.loc[pressing, column.removesuffix("_rolling")].notna().mean())
            rows.append((column, float(error.median()), float(error.quantile(0.95)), filled))
    for row in totals[totals["figure"].isin(TOTALS) & totals["is_had"].astype(bool)].itertuples():
        error = abs(100.0 * row.error / row.truth)
        rows.append((row.figure, error, error, np.nan))
    return pd.DataFrame(rows, columns=["measure", "median", "p95", "share"])


def accuracy_lines(scores: list[pd.DataFrame], is_bare: bool) -> list[str]:
    """Return each measure over all plants beside what it must be: medians over plants, totals their 95th percentile."""
    rows = pd.concat(scores, ignore_index=True)
    bounds = WITH_GRABS if is_bare else WITH_METERS
    lines = []
    for name, group in rows.groupby("measure", sort=False):
        if name == "phases agree":
            share = group["share"].mean()
            lines.append(f"  {name:34s} {share:.4f} (at least {PHASES}: {_met(share >= PHASES)})")
        elif name in TOTALS:
            worst = group["p95"].quantile(0.95)
            lines.append(
                f"  {name:34s} |error| median {group['median'].median():.2f} %, 95th percentile {worst:.2f} % "
                + ("" if is_bare else f"(within {TOTAL_PCT:g} %: {_met(worst <= TOTAL_PCT)})")
            )
        elif name in bounds:
            unit, middle, most = bounds[name]
            median, high, filled = group["median"].median(), group["p95"].median(), group["share"].median()
            wanted = f"{middle:g} and {most:g}" if middle else f"{most:g}"
            is_met = high <= most and (middle is None or median <= middle)
            lines.append(
                f"  {name:34s} |error| median {median:.3f}, 95th percentile {high:.3f} {unit} "
                f"(within {wanted}: {_met(is_met)}); filled {filled:.4f} (at least {FILLED}: {_met(filled >= FILLED)})"
            )
    return lines


def _met(is_met: bool) -> str:
    return "met" if is_met else "not met"
