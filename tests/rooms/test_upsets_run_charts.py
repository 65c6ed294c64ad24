"""Control charts over runs: which runs differ more than neighbours do. Consistency checks, worked by hand."""

from __future__ import annotations

import pandas as pd
import pytest

from trendkit.upsets import run_charts

STEADY = [20.0, 20.4, 20.0, 20.4, 20.0, 20.4, 20.0, 20.4, 20.0, 20.4, 20.0, 20.4]


def _runs(values: list[float | None], mode: str = "dewatering") -> pd.DataFrame:
    starts = pd.date_range("2026-03-01T14:00Z", periods=len(values), freq="D")
    names = [f"bfp-1-{start:%Y%m%dT%H%MZ}" for start in starts]
    return pd.DataFrame({"run": names, "mode": mode, "start_utc": starts, "cake_solids_pct": values})


def test_limits_are_three_deviations_judged_by_neighbouring_runs() -> None:
    (chart,) = run_charts(_runs(STEADY))
    assert chart.limits.centre == pytest.approx(20.2)
    assert chart.limits.upper == pytest.approx(20.2 + 3 * 0.4 / 1.128, abs=1e-6)  # every moving range is 0.4
    assert not chart.runs["is_beyond"].any() and not chart.runs["is_shifted"].any()


def test_a_bad_run_is_found_and_does_not_move_the_limits_of_the_others() -> None:
    steady, with_bad = run_charts(_runs(STEADY))[0], run_charts(_runs([*STEADY[:6], 15.0, *STEADY[6:]]))[0]
    assert with_bad.runs["is_beyond"].to_numpy().nonzero()[0].tolist() == [6]
    assert with_bad.limits.centre == pytest.approx(steady.limits.centre)
    assert with_bad.limits.mean_moving_range == pytest.approx(0.4)
    assert not with_bad.runs["is_shifted"].any()


def test_the_eighth_run_in_a_row_on_one_side_is_a_shift() -> None:
    low, high = [20.0, 20.1] * 4, [20.2, 20.3] * 4
    (chart,) = run_charts(_runs([*low, *high]))
    assert chart.runs["is_shifted"].to_numpy().nonzero()[0].tolist() == [7, 15]


def test_few_runs_runs_without_the_figure_and_thickening_are_not_judged() -> None:
    assert run_charts(_runs(STEADY[:9])) == ()
    assert run_charts(_runs([*STEADY[:9], None])) == ()
    assert run_charts(_runs(STEADY, mode="thickening")) == ()
    assert run_charts(_runs([20.0] * 12)) == () and run_charts(pd.DataFrame()) == ()
