"""Before and after: no effect where there is none, the known one where there is, like feed held against like feed."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trendkit.tuning import day_shift
from trendkit.tuning.compare import FEED, matched, shift_of
from trendkit.tuning.day_shift import DayRecord, shift_of_days

DAYS = np.arange(40.0)
AFTER = DAYS >= 20


def scattered(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.5, 40)


def test_a_step_without_scatter_is_found_exactly() -> None:
    load = np.linspace(-0.2, 0.2, 40)[::-1, None] * np.where(DAYS % 2, 1.0, 0.5)[:, None]
    shift = shift_of_days(DayRecord(20.0 + 1.5 * AFTER - 3.0 * load[:, 0], AFTER, DAYS, load))
    assert shift is not None
    assert shift.value == pytest.approx(1.5, abs=1e-6)
    assert shift.p_value < 1e-6


def test_without_drift_the_shift_is_students_two_sample_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against scipy's t test on independent samples: the same difference, limits and p-value."""
    monkeypatch.setattr(day_shift, "_splits", lambda: [(0.0, 1.0)])
    outcome = scattered(3)
    shift = shift_of_days(DayRecord(outcome, AFTER, DAYS, np.empty((40, 0))))
    reference = stats.ttest_ind(outcome[20:], outcome[:20])
    limits = reference.confidence_interval(0.95)
    assert shift is not None
    assert shift.p_value == pytest.approx(reference.pvalue, rel=1e-6)
    assert (shift.low, shift.high) == pytest.approx((limits.low, limits.high), rel=1e-6)


def test_with_drift_the_shift_is_generalised_least_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against statsmodels' GLS with the covariance of one split, 60 % drift fading in 3 days."""
    from statsmodels.api import GLS

    monkeypatch.setattr(day_shift, "_splits", lambda: [(0.6, 3.0)])
    outcome, load = scattered(4), scattered(5)[:, None]
    covariance = 0.4 * np.eye(40) + 0.6 * np.exp(-np.abs(DAYS[:, None] - DAYS) / 3.0)
    reference = GLS(outcome, np.column_stack([np.ones(40), AFTER, load]), sigma=covariance).fit()
    shift = shift_of_days(DayRecord(outcome, AFTER, DAYS, load))
    assert shift is not None
    assert (shift.value, shift.sigma) == pytest.approx((reference.params[1], reference.bse[1]), rel=1e-6)
    assert (shift.low, shift.high) == pytest.approx(tuple(reference.conf_int()[1]), rel=1e-6)


def test_days_that_resemble_their_neighbours_are_not_taken_for_a_change() -> None:
    """Forty series that drift (each day keeps 70 % of the one before) and never shift: Student's test is misled."""
    misled, found = 0, 0
    for seed in range(40):
        noise = pd.Series(np.random.default_rng(seed).normal(size=80))
        drifting = noise.ewm(alpha=0.3, adjust=False).mean().to_numpy()[40:]
        misled += stats.ttest_ind(drifting[20:], drifting[:20]).pvalue < 0.05
        shift = shift_of_days(DayRecord(drifting, AFTER, DAYS, np.empty((40, 0))))
        found += shift is not None and shift.p_value < 0.05
    assert misled >= 12
    assert found <= 5


def test_all_press_days_on_record_say_how_much_days_remember() -> None:
    """Three weeks hardly tell drift from noise; half a year does: limits wider where days drift, else narrower."""
    remembered = {0.0: [], 0.85: []}
    for seed in range(12):
        for kept, ratios in remembered.items():
            noise = pd.Series(np.random.default_rng(seed).normal(size=220))
            outcome = noise.ewm(alpha=1.0 - kept, adjust=False).mean().to_numpy()[40:]
            day, is_after = np.arange(180.0), np.arange(180) >= 90
            near = slice(80, 100)
            record = DayRecord(outcome, is_after, day, np.empty((180, 0)))
            compared = DayRecord(outcome[near], is_after[near], day[near], np.empty((20, 0)))
            alone, known = shift_of_days(compared), shift_of_days(compared, record)
            assert alone is not None
            assert known is not None
            ratios.append((known.high - known.low) / (alone.high - alone.low))
    assert np.median(remembered[0.0]) < 1.0
    assert np.median(remembered[0.85]) > 1.0


def test_too_few_days_give_no_shift() -> None:
    assert shift_of_days(DayRecord(np.arange(5.0), np.arange(5) >= 3, np.arange(5.0), np.empty((5, 0)))) is None


def days_of(loads_before: list[float], loads_after: list[float]) -> pd.DataFrame:
    loads = np.array([*loads_before, *loads_after])
    is_after = np.arange(len(loads)) >= len(loads_before)
    numbers = np.arange(len(loads), dtype=float)
    return pd.DataFrame({FEED[0]: loads / 30.0, FEED[1]: loads, "is_after": is_after, "number": numbers})


def test_days_count_only_where_the_other_side_has_like_feed() -> None:
    """300 and 320 lie within 10 % of each other, 400 within 10 % of nothing on the other side."""
    days = matched(days_of([300.0, 400.0, 305.0], [320.0, 310.0, 250.0]))
    assert days["is_matched"].tolist() == [True, False, True, True, True, False]


def test_what_the_feed_did_is_not_credited_to_the_change() -> None:
    """Cake falls with the load alone, and the load is 4 % lower after: raw it looks drier, adjusted nothing is left."""
    generator = np.random.default_rng(11)
    loads = generator.normal(300.0, 10.0, 40) * np.where(AFTER, 0.96, 1.0)
    days = matched(days_of(loads[:20].tolist(), loads[20:].tolist()))
    days[FEED[0]] *= np.exp(generator.normal(0.0, 0.02, 40))
    days["cake_solids_pct"] = 22.0 - 20.0 * np.log(loads / 300.0) + generator.normal(0.0, 0.1, 40)
    raw = days.loc[AFTER, "cake_solids_pct"].mean() - days.loc[~AFTER, "cake_solids_pct"].mean()
    shift = shift_of(days, "cake_solids_pct")
    assert raw > 0.5
    assert shift is not None
    assert shift.low < 0.0 < shift.high
    assert abs(shift.value) < 0.2


def test_before_anything_is_seen_days_remember_or_do_not_at_even_odds() -> None:
    weights = day_shift._weights(np.zeros(len(day_shift._splits())))
    assert weights[0] == pytest.approx(0.5)
    assert weights.sum() == pytest.approx(1.0)
    assert np.ptp(weights[1:]) == pytest.approx(0.0, abs=1e-12)
