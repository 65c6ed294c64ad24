"""What a speed is worth: cost per dry tonne leaving in cake where prices are known, else dryness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.model import Costs, Limit, Press
from trendkit.press.amounts import ratio

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Worth:
    """Prices at work: `per_fed_t` is spent per dry tonne fed at any speed (polymer, hours, water, power)."""

    decided_by: Literal["cost", "dryness"]
    currency: str
    per_fed_t: float
    haul_per_t: float
    return_per_t: float
    cake_limit: Limit
    capture_limit: Limit
    missing_prices: tuple[str, ...]

    def cost_per_dry_t(self, cake_solids_pct: Floats, capture_pct: Floats) -> Floats:
        """Return the cost per dry tonne leaving in cake, NaN throughout when cost does not decide.

        Per dry tonne fed: `per_fed_t` and treating again what is lost; divided by what is kept; plus hauling
        the wet tonnes of one dry tonne (mass balance).
        """
        if self.decided_by != "cost":
            return np.full(np.broadcast(cake_solids_pct, capture_pct).shape, np.nan)
        kept = np.clip(capture_pct, 1.0, None) / 100.0
        spent = (self.per_fed_t + self.return_per_t * (1.0 - kept)) / kept
        return spent + self.haul_per_t * 100.0 / np.clip(cake_solids_pct, 1.0, None)

    def burden(self, cake_solids_pct: Floats, capture_pct: Floats) -> Floats:
        """Return what the best speed makes least: the cost, or wet tonnes per dry tonne for dryness."""
        if self.decided_by == "cost":
            return self.cost_per_dry_t(cake_solids_pct, capture_pct)
        return np.asarray(100.0 / np.clip(cake_solids_pct, 1.0, None), dtype=np.float64)

    def shortfall(self, cake_solids_pct: Floats, capture_pct: Floats) -> Floats:
        """Return by how many points cake solids and capture miss their targets together, 0 where met."""
        short = np.zeros(np.broadcast(cake_solids_pct, capture_pct).shape)
        for limit, value in ((self.cake_limit, cake_solids_pct), (self.capture_limit, capture_pct)):
            if limit.low is not None:
                short = short + np.nan_to_num(np.maximum(limit.low - value, 0.0))
        return short

    def allowed(self, cake_solids_pct: Floats, capture_pct: Floats) -> npt.NDArray[np.bool_]:
        """Return which speeds (last axis) may be chosen: those that meet the targets.

        When none does, cost chooses among all; dryness only among those that miss the targets least.
        """
        short = self.shortfall(cake_solids_pct, capture_pct)
        least = short.min(axis=-1, keepdims=True)
        meets: npt.NDArray[np.bool_] = short <= least + 1e-9
        return meets | (least > 0.0) if self.decided_by == "cost" else meets


def weigh(
    press: Press,
    costs: Costs | None,
    typical: Mapping[str, float],
    amounts: Mapping[str, float],
    is_capture_known: bool = True,
) -> Worth:
    """Return the worth of a press's speeds at typical conditions.

    `typical` gives `polymer_dose_kg_t` and `solids_loading_kg_h_m`; `amounts` gives `energy_kwh_t` and
    `washwater_m3_t` per dry tonne fed, NaN where unknown. Cost decides only when polymer, haul and
    solids_return are all priced and dose, loading and capture are known.
    """
    targets = press.targets.get("dewatering", {})
    cake_limit, capture_limit = targets.get("cake_solids_pct", Limit()), targets.get("capture_pct", Limit())
    prices = costs or Costs("")
    deciding = {
        "polymer": prices.polymer_per_kg,
        "haul": prices.haul_per_t,
        "solids_return": prices.solids_return_per_t,
    }
    missing = tuple(name for name, price in deciding.items() if price is None)
    dose, loading = typical["polymer_dose_kg_t"], typical["solids_loading_kg_h_m"]
    if missing or not (is_capture_known and np.isfinite(dose) and np.isfinite(loading)):
        return Worth("dryness", prices.currency, np.nan, np.nan, np.nan, cake_limit, capture_limit, missing)
    lines = [
        dose * (prices.polymer_per_kg or 0.0),
        (prices.press_hour or 0.0) * 1000.0 / (loading * press.belt_width_m),
        (prices.power_per_kwh or 0.0) * np.nan_to_num(amounts.get("energy_kwh_t", np.nan)),
        (prices.water_per_m3 or 0.0) * np.nan_to_num(amounts.get("washwater_m3_t", np.nan)),
    ]
    return Worth(
        "cost",
        prices.currency,
        float(sum(lines)),
        float(prices.haul_per_t or 0.0),
        float(prices.solids_return_per_t or 0.0),
        cake_limit,
        capture_limit,
        missing,
    )


def amounts_per_fed_t(frame: pd.DataFrame) -> dict[str, float]:
    """Return energy [kWh] and washwater [m3] per dry tonne fed, NaN where unknown: over the rows that know both."""
    fed = frame["feed_dry_solids_kg_h"]

    def per_fed_t(amount: pd.Series) -> float:
        both = fed.notna() & amount.notna()
        return float(ratio(float(amount[both].sum()), float(fed[both].sum()) / 1000.0))

    return {
        "energy_kwh_t": per_fed_t(frame["power_kw"]),
        "washwater_m3_t": per_fed_t(frame["washwater_flow_m3_h"]),
    }
