"""Recommended gravity belt speeds against the best: error, regret, coverage, and the right refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from played import Played

from trendkit.tuning import tune

NARROW = 0.30  # the speed's error counts where the 1 % cost interval is under this share of the swept range


def score_tuning(played: Played) -> pd.DataFrame:
    """Return one row per press: the decision, the speeds, the regret."""
    rows = []
    for series in played.reading.presses:
        truth = played.tuning[series.press.slug]
        answer = tune(series.table, series.press, played.plant)
        curve = pd.DataFrame(truth["curve"])
        speed, cost = curve["gravity_belt_speed_m_min"].to_numpy(), curve["cost_per_dry_t"].to_numpy()
        swept = truth["exercised_m_min"][1] - truth["exercised_m_min"][0]
        best = truth["best_gravity_belt_speed_m_min"]
        row = {
            "seed": played.seed,
            "decision": answer.decision,
            "best": best,
            "interval_share": (truth["high"] - truth["low"]) / max(swept, 1e-9),
            "is_inside": truth["is_inside_exercised"],
            "free_share": answer.identifiability.free_speed_share,
            "changes": answer.identifiability.independent_changes,
        }
        if answer.recommended is not None:
            advised = answer.recommended
            at = float(np.clip(advised.gravity_belt_speed_m_min, speed[0], speed[-1]))
            row |= {
                "advised": advised.gravity_belt_speed_m_min,
                "error_share": abs(advised.gravity_belt_speed_m_min - best) / max(swept, 1e-9),
                "regret_pct": 100.0 * (np.interp(at, speed, cost) / np.interp(best, speed, cost) - 1.0),
                "is_covered": advised.low - 1e-9 <= best <= advised.high + 1e-9,
                "is_best_covered": advised.best_low - 1e-9 <= best <= advised.best_high + 1e-9,
                "best_width_share": (advised.best_high - advised.best_low) / max(swept, 1e-9),
                "width_share": (advised.high - advised.low) / max(swept, 1e-9),
            }
        rows.append(row)
    return pd.DataFrame(rows)


def tuning_lines(scores: list[pd.DataFrame]) -> list[str]:
    """Return the score over all plants, line by line."""
    rows = pd.concat(scores, ignore_index=True)
    lines = [f"decisions: {rows['decision'].value_counts().to_dict()} of {len(rows)}"]
    if "advised" not in rows or rows["advised"].notna().sum() == 0:
        return lines
    advised = rows[rows["advised"].notna()]
    narrow = advised[advised["interval_share"] < NARROW]
    share = narrow["error_share"]
    lines += [
        f"speed error where the 1 % interval is under {NARROW:.0%} of the range: median {100 * share.median():.1f} %"
        f" of the swept range (n {len(narrow)})",
        f"speed error, all: median {100 * advised['error_share'].median():.1f} % of the swept range",
        f"regret: median {advised['regret_pct'].median():.2f} %, 90th percentile {advised['regret_pct'].quantile(0.9):.2f} %",
        f"limits of the best speed hold it: {advised['is_best_covered'].astype(float).mean():.3f} of {len(advised)}"
        f" (median width {100 * advised['best_width_share'].median():.0f} % of the range)",
        f"widened to what costs at most 1 % more: {advised['is_covered'].astype(float).mean():.3f}"
        f" (median width {100 * advised['width_share'].median():.0f} % of the range)",
    ]
    return lines
