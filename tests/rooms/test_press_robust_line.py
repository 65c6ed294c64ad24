"""The robust regression against that of statsmodels (RLM with Huber's norm), and what it is for."""

import numpy as np
import pytest
from statsmodels.robust.robust_linear_model import RLM

from trendkit.press.robust_line import fit_robustly


def points(seed: int, count: int, wild: int) -> tuple[np.ndarray, np.ndarray]:
    """Return readings with an offset of 20 and a gain of 1.3, a twentieth of scatter, some of them wild."""
    chance = np.random.default_rng(seed)
    reading = chance.uniform(50.0, 400.0, count)
    value = 20.0 + 1.3 * reading * (1.0 + 0.05 * chance.standard_normal(count))
    value[:wild] *= chance.uniform(1.5, 4.0, wild)
    return np.column_stack((np.ones(count), reading)), value


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("count", "wild"), [(5, 0), (12, 1), (40, 6), (300, 40)])
def test_it_is_the_estimate_of_the_reference_library(seed: int, count: int, wild: int) -> None:
    columns, value = points(seed, count, wild)
    ours, theirs = fit_robustly(columns, value), RLM(value, columns).fit(tol=1e-12, maxiter=200)
    assert ours.coefficients == pytest.approx(theirs.params, rel=2e-5)
    assert ours.scale == pytest.approx(theirs.scale, rel=2e-5)
    assert ours.covariance == pytest.approx(theirs.bcov_scaled, rel=2e-4)


def test_one_level_likewise() -> None:
    value = points(9, 30, 4)[1]
    ours, theirs = fit_robustly(np.ones((30, 1)), value), RLM(value, np.ones(30)).fit(tol=1e-12, maxiter=200)
    assert ours.coefficients == pytest.approx(theirs.params, rel=2e-5)
    assert ours.covariance == pytest.approx(theirs.bcov_scaled, rel=2e-4)


def test_a_wild_point_moves_least_squares_and_not_this() -> None:
    columns, value = points(3, 40, 0)
    middle = np.array([1.0, 225.0])
    calm = middle @ fit_robustly(columns, value).coefficients
    value[0] *= 50.0
    assert middle @ np.linalg.lstsq(columns, value, rcond=None)[0] > 1.3 * calm
    assert middle @ fit_robustly(columns, value).coefficients == pytest.approx(calm, rel=0.02)


def test_points_on_the_line_have_no_scatter() -> None:
    columns, _ = points(0, 12, 0)
    fit = fit_robustly(columns, columns @ [20.0, 1.3])
    assert fit.coefficients == pytest.approx([20.0, 1.3])
    assert fit.scale == pytest.approx(0.0, abs=1e-10) and np.abs(fit.covariance).max() < 1e-15
