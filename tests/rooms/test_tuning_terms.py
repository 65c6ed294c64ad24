"""The answer asked again: at other loads, at other prices, and how well the best speed itself is known."""

import numpy as np
import pandas as pd
import pytest
from tuning_table import Truth, made_up_plant, made_up_table

from trendkit.tuning import tune
from trendkit.tuning.decide import Contrast
from trendkit.tuning.what_if import COLUMNS, rule_over_loading

PLANT, PRESS = made_up_plant()


def test_the_rule_over_load_is_the_power_law_through_the_table() -> None:
    loads = np.array([200.0, 250.0, 300.0, 350.0, 400.0])
    table = pd.DataFrame({"solids_loading_kg_h_m": loads, "gravity_belt_speed_m_min": 8.0 * (loads / 300.0) ** 0.5})
    rule = rule_over_loading(table)
    assert rule is not None
    assert rule.speed_m_min == pytest.approx(8.0)
    assert rule.share_per_tenth == pytest.approx(1.1**0.5 - 1.0)
    assert rule_over_loading(table.head(2)) is None


def test_the_best_speed_grows_with_the_load_as_it_truly_does() -> None:
    """The made-up press is best at a speed that goes with the root of the load: 4.9 % more for a tenth more load."""
    answer = tune(made_up_table(days=40, spread=0.5, truth=Truth(cake_curvature=20.0)), PRESS, PLANT)
    assert answer.loading_rule is not None
    assert answer.loading_rule.share_per_tenth == pytest.approx(0.049, abs=0.02)


def test_other_terms_keep_the_columns_and_the_answer_at_the_same_terms() -> None:
    answer = tune(made_up_table(days=30), PRESS, PLANT)
    assert {"term", *COLUMNS} == set(answer.what_if.columns)
    assert {"haul_dearer", "return_cheaper"} <= set(answer.what_if["term"])
    dearer, cheaper = (
        answer.what_if.set_index("term").loc[each, "cost_per_dry_t"] for each in ("haul_dearer", "haul_cheaper")
    )
    assert dearer > cheaper


def test_the_best_speed_is_known_closer_than_the_band_that_is_recommended() -> None:
    best = tune(made_up_table(days=30), PRESS, PLANT).recommended
    assert best is not None
    assert best.low <= best.best_low < best.gravity_belt_speed_m_min < best.best_high <= best.high


@pytest.mark.parametrize(
    ("by_regression", "by_changes", "differs"),
    [(-0.219, -0.194, False), (-0.03, 0.03, True), (-0.10, -0.05, True), (-0.015, 0.004, False)],
)
def test_estimates_disagree_only_when_they_say_something_else(
    by_regression: float, by_changes: float, differs: bool
) -> None:
    assert Contrast(5.0, 8.0, by_regression, by_changes, sigma=0.003, days=60).differs is differs
