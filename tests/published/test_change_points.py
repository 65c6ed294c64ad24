"""The change finder against the Nile's flow at Aswan and against series that do not change."""

import numpy as np
import pytest

from trendkit.upsets.changes import change_points, find_knee
from trendkit.upsets.charts import sigma_from_differences


def test_nile_flow_changes_after_observation_28_and_nowhere_else() -> None:
    # The first Aswan dam: last observation of the first regime is number 28, the year 1898
    # (Zeileis, Kleiber, Krämer and Hornik, Testing and dating of structural changes in practice, 2003).
    from statsmodels.datasets import nile

    flow = nile.load_pandas().data["volume"].to_numpy(dtype=float)
    assert change_points(flow) == [28]
    # Means of both regimes as printed for this series (value from memory).
    assert flow[:28].mean() == pytest.approx(1097.75, abs=0.005)
    assert flow[28:].mean() == pytest.approx(849.97, abs=0.005)


def test_series_without_a_change_give_none_but_by_rare_chance() -> None:
    rng = np.random.default_rng(11)
    false_alarms = sum(bool(change_points(rng.normal(size=100))) for _ in range(300))
    assert false_alarms <= 12  # consistency check: 4 % of pure noise series
    assert change_points(np.full(50, 7.0)) == []


def test_noise_from_differences_ignores_the_step_itself() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(scale=0.5, size=4000)
    stepped = noise + np.repeat([0.0, 40.0], 2000)
    assert sigma_from_differences(stepped) == pytest.approx(0.5, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_a_step_and_a_ramp_are_told_apart_and_placed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    noise = rng.normal(scale=0.3, size=60)
    step = find_knee(noise + np.where(np.arange(60) >= 35, 3.0, 0.0))
    ramp = find_knee(noise + np.maximum(np.arange(60) - 25, 0) * 0.15)
    assert step is not None and step.shape == "step" and abs(step.position - 35) <= 1
    assert ramp is not None and ramp.shape == "ramp" and abs(ramp.position - 25) <= 7
    assert ramp.size == pytest.approx(0.15 * 35, rel=0.25)
