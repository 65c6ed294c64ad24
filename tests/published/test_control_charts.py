"""Control charts against the worked examples and average run lengths their authors printed.

Sources stand beside every row of `spc_worked_examples.csv` and `arl_published.csv`. Run lengths are simulated
with trendkit's own charts (fixed seeds) and must meet the printed average within four standard errors.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trendkit.upsets.charts import cusum, ewma, ewma_limits, individuals_limits, western_electric

HERE = Path(__file__).parent
EXAMPLES = pd.read_csv(HERE / "spc_worked_examples.csv")
RUN_LENGTHS = pd.read_csv(HERE / "arl_published.csv")


def printed(example: str, statistic: str) -> pd.DataFrame:
    rows = EXAMPLES[(EXAMPLES["example"] == example) & (EXAMPLES["statistic"] == statistic)]
    assert len(rows), (example, statistic)
    return rows


def scalar(example: str, statistic: str) -> float:
    return float(printed(example, statistic)["published"].iloc[0])


def test_nist_individuals_chart_of_flow_rates() -> None:
    example = "nist_6.3.2.2_individuals"
    limits = individuals_limits(printed(example, "moving_range")["x"])
    assert limits.centre == pytest.approx(scalar(example, "mean"), abs=1e-9)
    assert limits.mean_moving_range == pytest.approx(scalar(example, "mean_moving_range"), abs=5e-5)
    assert limits.upper == pytest.approx(scalar(example, "ucl"), abs=1e-4)
    assert limits.lower == pytest.approx(scalar(example, "lcl"), abs=1e-4)


def test_nist_ewma_of_twenty_points_stays_in_control() -> None:
    rows = printed("nist_6.3.2.4_ewma", "ewma_lambda0.3_start50")
    averaged = ewma(rows["x"], 0.3, start=50.0)
    assert averaged == pytest.approx(rows["published"].to_numpy(), abs=0.005)
    low, high = ewma_limits(50.0, 2.0539, 0.3, 3.0)
    assert high == pytest.approx(scalar("nist_6.3.2.4_ewma", "ucl_asymptotic_L3_s2.0539"), abs=1e-4)
    assert low == pytest.approx(scalar("nist_6.3.2.4_ewma", "lcl_asymptotic_L3_s2.0539"), abs=1e-4)
    assert ((averaged < high) & (averaged > low)).all()


def test_nist_cusum_signals_at_the_fourteenth_group() -> None:
    example = "nist_6.3.2.3_cusum"
    high_rows, low_rows = (printed(example, f"S_{side}_target325_k0.3175") for side in ("hi", "lo"))
    sums = cusum(high_rows["x"], target=325.0, slack=0.3175)
    assert sums.high == pytest.approx(high_rows["published"].to_numpy(), abs=0.0051)
    assert sums.low == pytest.approx(low_rows["published"].to_numpy(), abs=0.0051)
    first = int(np.flatnonzero((sums.high > 4.1959) | (sums.low > 4.1959))[0]) + 1
    assert first == scalar(example, "first_signal_index_h4.1959")


def test_montgomery_cusum_places_the_change_after_observation_22() -> None:
    example = "montgomery_ex9.1_cusum"
    rows = printed(example, "C_plus_mu10_K0.5")
    sums = cusum(rows["x"], target=10.0, slack=0.5)
    known = rows["published"].notna().to_numpy()
    assert sums.high[known] == pytest.approx(rows["published"][known].to_numpy(), abs=0.005)
    first = int(np.flatnonzero(sums.high > 5.0)[0]) + 1
    assert first == scalar(example, "first_signal_index_H5")
    assert sums.steps_high[first - 1] == scalar(example, "N_plus_at_signal")
    assert first - sums.steps_high[first - 1] == 22  # value from memory


def test_ewma_of_the_montgomery_series_signals_with_the_cusum() -> None:
    # Consistency check: weight 0.1 and width 2.7 with exact limits; 10.6468 > 10.6187 by hand at number 29.
    x = printed("montgomery_ex9.1_cusum", "C_plus_mu10_K0.5")["x"].to_numpy()
    averaged = ewma(x, 0.1, start=10.0)
    uppers = [ewma_limits(10.0, 1.0, 0.1, 2.7, count)[1] for count in range(1, x.size + 1)]
    assert int(np.flatnonzero(averaged > uppers)[0]) + 1 == 29
    assert averaged[28] == pytest.approx(10.6468, abs=5e-5)


SERIES = 1000
STANDARD_ERRORS = 4.0


def simulated(arl: float, shift: float, seed: int) -> np.ndarray:
    """Return unit-variance observations long enough that hardly any of the series runs out (e**-9)."""
    length = int(9 * arl) + 30
    series = min(SERIES, max(250, 3_000_000 // length))
    return np.random.default_rng(seed).normal(shift, 1.0, size=(length, series))


def assert_average_run_length(fires: np.ndarray, arl: float) -> None:
    lengths = np.where(fires.any(axis=0), fires.argmax(axis=0) + 1, fires.shape[0])
    standard_error = lengths.std(ddof=1) / np.sqrt(lengths.size)
    assert abs(lengths.mean() - arl) < STANDARD_ERRORS * standard_error + 0.005 * arl


def designs(chart: str) -> list[pd.Series]:
    rows = RUN_LENGTHS[(RUN_LENGTHS["chart"] == chart) & (RUN_LENGTHS["published_arl"] < 600)]
    return [row for _, row in rows.iterrows()]


def values_of(design: str) -> list[float]:
    return [float(part.split("=")[1]) for part in design.split(";")]


def row_name(row: pd.Series) -> str:
    return f"{row['source']} {row['design']} shift {row['shift_sigma']}"


@pytest.mark.parametrize("row", designs("ewma_two_sided_fixed_limits"), ids=row_name)
def test_ewma_run_lengths(row: pd.Series) -> None:
    weight, width = values_of(row["design"])
    x = simulated(row["published_arl"], row["shift_sigma"], seed=1)
    low, high = ewma_limits(0.0, 1.0, weight, width)
    averaged = ewma(x, weight)
    assert_average_run_length((averaged > high) | (averaged < low), row["published_arl"])


@pytest.mark.parametrize("row", designs("cusum_two_sided"), ids=row_name)
def test_two_sided_cusum_run_lengths(row: pd.Series) -> None:
    slack, interval = values_of(row["design"])
    sums = cusum(simulated(row["published_arl"], row["shift_sigma"], seed=2), 0.0, slack)
    assert_average_run_length((sums.high > interval) | (sums.low > interval), row["published_arl"])


@pytest.mark.parametrize("row", designs("cusum_two_sided_headstart_h/2"), ids=row_name)
def test_cusum_run_lengths_with_a_head_start(row: pd.Series) -> None:
    slack, interval = values_of(row["design"])
    x = simulated(row["published_arl"], row["shift_sigma"], seed=3)
    sums = cusum(x, 0.0, slack, head_start=interval / 2)
    assert_average_run_length((sums.high > interval) | (sums.low > interval), row["published_arl"])


@pytest.mark.parametrize("row", designs("cusum_one_sided"), ids=row_name)
def test_one_sided_cusum_run_lengths(row: pd.Series) -> None:
    slack, interval = values_of(row["design"])
    sums = cusum(simulated(row["published_arl"], row["shift_sigma"], seed=4), 0.0, slack)
    assert_average_run_length(sums.high > interval, row["published_arl"])


@pytest.mark.parametrize("row", designs("shewhart_runs_rules"), ids=row_name)
def test_western_electric_run_lengths_in_control(row: pd.Series) -> None:
    rules = row["design"].removeprefix("rules=")
    chosen = [int(rule) - 1 for rule in rules.split("+")]
    fires = western_electric(simulated(row["published_arl"], 0.0, seed=5), 0.0, 1.0)
    assert_average_run_length(fires[..., chosen].any(axis=-1), row["published_arl"])


def test_a_point_exactly_on_a_limit_does_not_signal_and_a_gap_breaks_a_run() -> None:
    assert not western_electric([3.0, 0.0], 0.0, 1.0).any()
    eight = [0.5] * 8
    assert western_electric(eight, 0.0, 1.0)[-1, 3]
    assert not western_electric([*eight[:4], float("nan"), *eight[:4]], 0.0, 1.0)[:, 3].any()
