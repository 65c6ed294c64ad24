"""What the tuning room hands on: the response curve, the decision and the step-test sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from trendkit.tuning.step_result import StepTest
from trendkit.tuning.what_if import LoadingRule

Decision = Literal["window", "step_outwards", "flat", "disagree", "insufficient"]


@dataclass(frozen=True)
class Recommended:
    """The best gravity belt speed with its 95 % bounds, widened to within 1 % of the least cost.

    `best_low` and `best_high` are the 95 % limits of the best speed itself, not widened.
    """

    gravity_belt_speed_m_min: float
    low: float
    high: float
    belt_speed_ratio: float | None
    best_low: float
    best_high: float


@dataclass(frozen=True)
class Gain:
    """What the recommended speed is worth against the present one."""

    value: float
    low: float
    high: float
    unit: str  # "USD/y", or "points of cake solids"


@dataclass(frozen=True)
class Identifiability:
    """How much these data can say about the gravity belt speed."""

    speed_range_m_min: float
    free_speed_share: float  # share of the speed's variance the other inputs do not explain
    independent_changes: int
    days: int


@dataclass(frozen=True)
class Tuning:
    """The answer to "where should the gravity belt run", with everything the page shows.

    `curve`: one row per speed with `gravity_belt_speed_m_min` and `cake_solids_pct`, `capture_pct`,
    `cost_per_dry_t`, each with `_low` and `_high` (cost NaN without prices). `blocks`: the steady blocks the
    fit rests on. `changes`: what followed each speed change. `by_loading`: best speed over solids loading.
    `step_test`: the randomised sheet, a row per hold. `finished_test`: a filled sheet that was merged, None without.
    """

    decision: Decision
    reason: str
    recommended: Recommended | None
    curve: pd.DataFrame
    now: Mapping[str, float | None]  # present speed, ratio, cake, capture, cost at it
    gain: Gain | None
    identifiability: Identifiability
    step_test: pd.DataFrame
    blocks: pd.DataFrame = field(default_factory=pd.DataFrame)
    changes: pd.DataFrame = field(default_factory=pd.DataFrame)
    by_loading: pd.DataFrame = field(default_factory=pd.DataFrame)
    loading_rule: LoadingRule | None = None
    what_if: pd.DataFrame = field(default_factory=pd.DataFrame)  # the best speed under other terms
    finished_test: StepTest | None = None
    decided_by: Literal["cost", "dryness"] = "dryness"
    notes: tuple[str, ...] = ()
