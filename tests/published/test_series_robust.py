"""Robust spread and Hampel limits against scipy.stats.median_abs_deviation (scale "normal"), and where MAD is 0."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation

from trendkit.series.robust import NORMAL_MAD, hampel_limits, robust_spread

NUMBERS = st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=1, max_size=50)


@given(NUMBERS)
def test_the_spread_is_scipys_scaled_median_absolute_deviation(numbers: list[float]) -> None:
    assert robust_spread(np.array(numbers)) == pytest.approx(
        float(median_abs_deviation(numbers, scale="normal")), rel=1e-12, abs=1e-12
    )


@given(NUMBERS, st.floats(0.5, 10))
def test_hampels_limits_lie_that_many_spreads_from_the_median(numbers: list[float], width: float) -> None:
    low, high = hampel_limits(np.array(numbers), width)
    reach = width * float(median_abs_deviation(numbers, scale="normal"))
    assert (high - low) / 2 == pytest.approx(reach, rel=1e-9, abs=1e-9)
    assert (high + low) / 2 == pytest.approx(float(np.median(numbers)), rel=1e-9, abs=1e-9)


def test_the_factor_is_the_inverse_of_the_normal_upper_quartile() -> None:
    """1/0.6744897502 (the 75th percentile of the standard normal, published tables of the normal distribution)."""
    assert pytest.approx(1 / 0.6744897501960817, rel=1e-15) == NORMAL_MAD


def test_a_stuck_tag_has_the_spread_of_its_resolution_not_nothing() -> None:
    assert robust_spread(np.array([5.0] * 20 + [9.0]), floor=0.1) == 0.1
    assert hampel_limits(np.array([5.0] * 20 + [9.0]), 3.0, floor=0.1) == pytest.approx((4.7, 5.3))


def test_missing_values_are_left_out() -> None:
    numbers = np.array([1.0, np.nan, 2.0, 3.0, 4.0, 100.0])
    assert robust_spread(numbers) == pytest.approx(float(median_abs_deviation([1, 2, 3, 4, 100], scale="normal")))
    assert np.isnan(robust_spread(np.array([np.nan])))
