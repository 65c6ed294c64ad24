"""What would change the answer: the best speed again at other prices, doses, pressure belt speeds and loadings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.curve import Curve, regression_curve
from trendkit.tuning.outcome import LOADING, SPEED
from trendkit.tuning.response import Response
from trendkit.tuning.worth import Worth

Floats = npt.NDArray[np.float64]
WorthAt = Callable[[Mapping[str, float]], Worth]  # what is not typical -> the worth of speeds then

DOSE, PRESSURE = "polymer_dose_kg_t", "pressure_belt_speed_m_min"
LOADING_QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9)
OUTCOMES = ("cake_solids_pct", "capture_pct", "cost_per_dry_t")
COLUMNS = (SPEED, "low", "high", "belt_speed_ratio", *OUTCOMES)


@dataclass(frozen=True)
class LoadingRule:
    """The best speed as a rule: `speed_m_min` at `loading_kg_h_m`, and its share more for a tenth more loading."""

    speed_m_min: float
    loading_kg_h_m: float
    share_per_tenth: float


def best_row(curve: Curve, worth: Worth, pressure_m_min: float) -> dict[str, float | None]:
    """Return the best of a curve as one row: `COLUMNS`."""
    low, high = curve.bounds()
    best, speed = curve.best, curve.best_speed
    return {
        SPEED: speed,
        "low": low,
        "high": high,
        "belt_speed_ratio": speed / pressure_m_min if pressure_m_min > 0.0 else None,
        "cake_solids_pct": float(curve.cake[best]),
        "capture_pct": float(curve.capture[best]),
        "cost_per_dry_t": float(worth.cost_per_dry_t(curve.cake, curve.capture)[best]),
    }


def best_by_loading(response: Response, minutes: pd.DataFrame, worth_at: WorthAt, speeds: Floats) -> pd.DataFrame:
    """Return the best speed over solids loading: the loadings of the period's quantiles, a row each.

    Columns: `solids_loading_kg_h_m`, then `COLUMNS`. Empty when the loading is not known.
    """
    rows = []
    known = minutes[LOADING].dropna()
    for loading in known.quantile(list(LOADING_QUANTILES)) if LOADING in response.cake.design.inputs else ():
        changed = {LOADING: float(loading)}
        worth = worth_at(changed)
        rows.append(
            {
                **changed,
                **best_row(regression_curve(response, worth, speeds, **changed), worth, response.typical[PRESSURE]),
            }
        )
    return pd.DataFrame(rows, columns=[LOADING, *COLUMNS])


def rule_over_loading(by_loading: pd.DataFrame) -> LoadingRule | None:
    """Return the straight line of log speed over log loading through the table, None with under three loadings."""
    if len(by_loading) < 3 or np.ptp(by_loading[LOADING].to_numpy()) == 0.0:
        return None
    logs = np.log(by_loading[[LOADING, SPEED]].to_numpy(dtype=float))
    slope, level = np.polyfit(logs[:, 0], logs[:, 1], 1)
    middle = float(by_loading[LOADING].median())
    return LoadingRule(float(np.exp(level) * middle**slope), middle, float(1.1**slope - 1.0))


def what_if(response: Response, worth_at: WorthAt, speeds: Floats) -> pd.DataFrame:
    """Return the best speed under other terms, a row each: `term`, then `COLUMNS`.

    Prices by a quarter where cost decides; dose and pressure belt by a tenth where the response knows them. Terms:
    `haul_dearer`, `haul_cheaper`, `return_dearer`, `return_cheaper`, `dose_more`, `dose_less`, `pressure_faster`,
    `pressure_slower`.
    """
    base, typical = worth_at({}), response.typical
    terms: list[tuple[str, Worth, dict[str, float]]] = []
    if base.decided_by == "cost":
        terms += [
            ("haul_dearer", replace(base, haul_per_t=1.25 * base.haul_per_t), {}),
            ("haul_cheaper", replace(base, haul_per_t=0.75 * base.haul_per_t), {}),
            ("return_dearer", replace(base, return_per_t=1.25 * base.return_per_t), {}),
            ("return_cheaper", replace(base, return_per_t=0.75 * base.return_per_t), {}),
        ]
    for column, names in ((DOSE, ("dose_more", "dose_less")), (PRESSURE, ("pressure_faster", "pressure_slower"))):
        if column in response.cake.design.inputs:
            for name, factor in zip(names, (1.1, 0.9), strict=True):
                changed = {column: factor * typical[column]}
                terms.append((name, worth_at(changed), changed))
    rows = []
    for name, worth, changed in terms:
        curve = regression_curve(response, worth, speeds, **changed)
        rows.append({"term": name, **best_row(curve, worth, changed.get(PRESSURE, typical[PRESSURE]))})
    return pd.DataFrame(rows, columns=["term", *COLUMNS])
