"""Cross-products by day: resampling and leaving out days must equal doing it the long way round."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trendkit.tuning.regression import day_weights, fit_by_day
from trendkit.tuning.serial import Memory, arrange_by_day, covariance_root, estimate_memory, whiten


def rows(seed: int = 0, days: int = 6, per_day: int = 7, columns: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(days), per_day)
    design = np.column_stack([np.ones(len(day)), rng.normal(size=(len(day), columns - 1))])
    return design, design @ np.arange(1.0, columns + 1.0) + rng.normal(size=len(day)), day


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 3), min_size=6, max_size=6).filter(lambda counts: sum(n > 0 for n in counts) >= 2))
def test_a_resample_equals_a_fit_on_the_days_repeated_that_often(counts: list[int]) -> None:
    design, outcome, day = rows()
    repeated = np.repeat(np.arange(len(day)), np.array(counts)[day])
    expected = np.linalg.lstsq(design[repeated], outcome[repeated], rcond=None)[0]
    found = fit_by_day(design, outcome, day, 6).resampled(np.array([counts], dtype=float))[0]
    assert found == pytest.approx(expected, abs=1e-6)


def test_holding_equals_more_rows_whose_outcome_is_nought() -> None:
    design, outcome, day = rows()
    held = np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 5.0]])
    fit = fit_by_day(design, outcome, day, 6, held, bends=1)
    for stiffness in (1.0, 9.0):
        more = np.vstack([design, held * np.array([[1.0], [np.sqrt(stiffness)]])])
        expected = np.linalg.lstsq(more, np.r_[outcome, 0.0, 0.0], rcond=None)[0]
        assert fit.outside(fit.inside(np.array(stiffness))) == pytest.approx(expected)


def test_what_holding_flattens_scatters_as_the_pull_of_what_was_drawn() -> None:
    """Consistency check: the draws' covariance is that of (X'X + P)^-1 P b for b drawn with covariance P^-1."""
    design, outcome, day = rows()
    held = np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 5.0]])
    fit = fit_by_day(design, outcome, day, 6, held, bends=1)
    drawn = fit.flattened(np.full(40_000, 4.0), 0.5, np.random.default_rng(3))
    penalty = held.T @ np.diag([1.0, 4.0]) @ held
    whole = np.linalg.inv(design.T @ design + penalty)
    assert np.cov(drawn.T) == pytest.approx(0.25 * whole @ penalty @ whole, rel=0.05, abs=2e-5)


def test_dependent_columns_are_refused() -> None:
    design, outcome, day = rows()
    with pytest.raises(np.linalg.LinAlgError):
        fit_by_day(np.column_stack([design, design[:, 1] * 2.0]), outcome, day, 6)


def test_resamples_are_the_same_every_time_and_draw_as_many_days_as_there_are() -> None:
    assert (day_weights(9, 50, 1) == day_weights(9, 50, 1)).all()
    assert (day_weights(9, 50, 1).sum(axis=1) == 9).all()


def test_whitening_makes_the_stated_covariance_the_identity() -> None:
    hours = np.array([0.0, 0.5, 2.0, 1.0, 0.0, 0.25])
    by_day = arrange_by_day(np.array([0, 0, 0, 0, 1, 1]), hours)
    memory = Memory(0.3, 0.5, 1.5)
    root = covariance_root(by_day, memory)
    covariance = (root @ root.transpose(0, 2, 1))[0]
    clock = by_day.hours[0]
    expected = 0.3 + 0.5 * np.exp(-np.abs(clock[:, None] - clock[None, :]) / 1.5) + 0.2 * np.eye(4)
    assert covariance == pytest.approx(expected)
    whitened, _ = whiten(np.eye(6), by_day, memory)
    whole = np.linalg.inv(whitened.T @ whitened)
    order = by_day.position[0]
    assert whole[np.ix_(order, order)] == pytest.approx(expected)
    assert whole[0, 4] == pytest.approx(0.0)  # days share nothing


def test_the_memory_of_made_up_scatter_is_found_again() -> None:
    rng = np.random.default_rng(8)
    days, per_day = 40, 24
    hours = np.tile(np.arange(per_day) / 3.0, days) + np.repeat(np.arange(days) * 24.0, per_day)
    day = np.repeat(np.arange(days), per_day)
    root = covariance_root(arrange_by_day(day, hours), Memory(0.4, 0.4, 1.5))
    outcome = (root @ rng.normal(size=(days, per_day, 1)))[:, :, 0].ravel()
    found = estimate_memory(np.ones((len(day), 1)), outcome, day, hours)
    assert found.day_share == pytest.approx(0.4, abs=0.2)
    assert found.drift_share == pytest.approx(0.4, abs=0.15)
    assert found.drift_hours == pytest.approx(1.5, abs=0.9)
