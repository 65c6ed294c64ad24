"""Recommended gravity belt speeds against the best: error, regret, coverage, and the right refusals.

Plants played through files (`score_tuning`) or read by perfect clerks (`score_unfiled`, a third of the time).
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from played import Played
from unfiled import unfiled

from trendkit.tuning import Tuning, tune

NARROW = 0.30  # the speed's error counts where the 1 % cost interval is under this share of the swept range


def score_tuning(played: Played) -> pd.DataFrame:
    """Return one row per press: the decision, the speeds, the regret."""
    rows = []
    for series in played.reading.presses:
        truth = played.tuning[series.press.slug]
        rows.append(_scored(played.seed, tune(series.table, series.press, played.plant), truth))
    return pd.DataFrame(rows)


def score_unfiled(scenario: str, days: int, seed: int) -> pd.DataFrame:
    """Return the same of press 1 of a plant without files."""
    made = unfiled(scenario, seed, days)
    return pd.DataFrame([_scored(seed, tune(made.table, made.press, made.plant), made.tuning)])


def over_unfiled(scenario: str, days: int, seeds: Iterable[int], workers: int) -> list[pd.DataFrame]:
    """Return the score of each seed's plant without files, in the order of the seeds."""
    work = partial(score_unfiled, scenario, days)
    if workers == 1:
        return [work(seed) for seed in seeds]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, seeds))


def true_best_speed(truth: dict[str, Any]) -> float:
    """Return the true best speed between the speeds of the truth's curve, by the parabola through three.

    Steps of the curve are a sixtieth of the speeds exercised: as much as the limits are wide where much is known.
    """
    curve = pd.DataFrame(truth["curve"])
    speed, cost = curve["gravity_belt_speed_m_min"].to_numpy(), curve["cost_per_dry_t"].to_numpy()
    best = int(np.abs(speed - truth["best_gravity_belt_speed_m_min"]).argmin())
    if not 0 < best < len(speed) - 1 or cost[best] > min(cost[best - 1], cost[best + 1]):
        return float(truth["best_gravity_belt_speed_m_min"])  # an end, or a target that is only just met
    left, middle, right = cost[best - 1 : best + 2]
    return float(speed[best] + 0.5 * (left - right) / (left - 2.0 * middle + right) * (speed[1] - speed[0]))


def _scored(seed: int, answer: Tuning, truth: dict[str, Any]) -> dict[str, Any]:
    curve = pd.DataFrame(truth["curve"])
    speed, cost = curve["gravity_belt_speed_m_min"].to_numpy(), curve["cost_per_dry_t"].to_numpy()
    swept = max(truth["exercised_m_min"][1] - truth["exercised_m_min"][0], 1e-9)
    best = true_best_speed(truth)
    row = {
        "seed": seed,
        "decision": answer.decision,
        "best": best,
        "interval_share": (truth["high"] - truth["low"]) / swept,
        "is_inside": truth["is_inside_exercised"],
        "free_share": answer.identifiability.free_speed_share,
        "changes": answer.identifiability.independent_changes,
    }
    if answer.recommended is None:
        return row
    advised = answer.recommended
    at = float(np.clip(advised.gravity_belt_speed_m_min, speed[0], speed[-1]))
    return row | {
        "advised": advised.gravity_belt_speed_m_min,
        "off_share": (advised.gravity_belt_speed_m_min - best) / swept,
        "error_share": abs(advised.gravity_belt_speed_m_min - best) / swept,
        "regret_pct": 100.0 * (np.interp(at, speed, cost) / np.interp(best, speed, cost) - 1.0),
        "is_covered": advised.low - 1e-9 <= best <= advised.high + 1e-9,
        "is_best_covered": advised.best_low - 1e-9 <= best <= advised.best_high + 1e-9,
        "best_width_share": (advised.best_high - advised.best_low) / swept,
        "width_share": (advised.high - advised.low) / swept,
    }


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
