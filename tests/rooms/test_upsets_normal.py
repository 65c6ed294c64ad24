"""What is normal, and when something is not: small series whose answer is known by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trendkit.upsets.charts import cusum, ewma, lag_one_correlation
from trendkit.upsets.normal import (
    Habit,
    Normal,
    RobustLine,
    calm_moves,
    fit_robust_line,
    moves,
    recent_normal,
    trailing_mean,
    wide_spread,
)
from trendkit.upsets.spans import find_moves, find_sampled_spans, find_spans
from trendkit.upsets.watched import BY_NAME, KIND_ORDER, WATCHED

CAKE, FEED = BY_NAME["cake_solids"], BY_NAME["feed_solids"]
BLOCK_S = 300


def wandering(rng: np.random.Generator, size: int, keep: float, spread: float) -> np.ndarray:
    path = np.empty(size)
    level = 0.0
    for position in range(size):
        level = keep * level + rng.normal(0.0, spread * np.sqrt(1 - keep**2))
        path[position] = level
    return path


def history(seed: int, runs: int = 12, blocks: int = 96, keep: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    values = np.concatenate([21.0 + wandering(rng, blocks, keep, 0.2) for _ in range(runs)])
    return values, np.repeat(np.arange(runs), blocks)


def normal_cake(seed: int = 1, keep: float = 0.0):
    values, pieces = history(seed, keep=keep)
    return recent_normal(values, np.empty((values.size, 0)), pieces, BLOCK_S, floor=0.1)


def spans_of(left: np.ndarray, keep: float = 0.0, **kwargs):
    level = np.full(left.size, 21.0)
    return find_spans(level + left, level, normal_cake(keep=keep), CAKE, None, BLOCK_S, **kwargs)


def test_level_and_spread_of_plain_noise() -> None:
    normal = normal_cake()
    assert normal.line.level(np.empty((1, 0)))[0] == pytest.approx(21.0, abs=0.05)
    assert normal.spread == pytest.approx(0.2, rel=0.35)  # widened for twelve runs
    assert normal.correlation < 0.15


def test_spread_of_few_runs_is_wider_than_of_many() -> None:
    values, pieces = history(2)
    none = np.empty((values.size, 0))
    few = recent_normal(values[:192], none[:192], pieces[:192], BLOCK_S, 0.05)
    assert few.spread > 2.5 * recent_normal(values, none, pieces, BLOCK_S, 0.05).spread


def test_an_upset_in_the_history_hardly_moves_the_level() -> None:
    values, pieces = history(3)
    spoilt = values.copy()
    spoilt[100:140] -= 6.0
    none = np.empty((values.size, 0))
    clean, dirty = (recent_normal(each, none, pieces, BLOCK_S, 0.05) for each in (values, spoilt))
    assert dirty.line.intercept == pytest.approx(clean.line.intercept, abs=0.03)
    assert dirty.spread < 1.3 * clean.spread


def test_the_level_follows_what_it_depends_on_and_stops_at_three_spreads() -> None:
    rng = np.random.default_rng(4)
    feed = rng.normal(3.0, 0.2, 900)
    cake = 21.0 - 4.0 * (feed - 3.0) + rng.normal(0.0, 0.1, 900)
    line = fit_robust_line(cake, feed[:, None])
    assert line.level(np.array([[3.2]]))[0] == pytest.approx(20.2, abs=0.1)
    assert line.level(np.array([[9.0]]))[0] == pytest.approx(
        line.level(np.array([[3.0 + 3 * line.widths[0]]]))[0], abs=0.2
    )
    assert line.level(np.array([[np.nan]]))[0] == pytest.approx(21.0, abs=0.1)  # unknown counts as usual


@settings(max_examples=25, deadline=None)
@given(st.floats(0.01, 1000.0), st.floats(-50.0, 50.0))
def test_a_change_of_unit_changes_nothing_but_the_unit(factor: float, shift: float) -> None:
    rng = np.random.default_rng(5)
    x = rng.normal(size=(300, 2))
    y = x @ np.array([1.0, -0.5]) + rng.standard_t(3, 300)
    one = fit_robust_line(y, x).level(x[:5])
    other = fit_robust_line(factor * y + shift, x).level(x[:5])
    assert other == pytest.approx(factor * one + shift, rel=1e-5, abs=1e-5 * factor)


def test_trailing_mean_stays_inside_its_run() -> None:
    values = np.array([1.0, 2.0, 3.0, 10.0, 20.0, 30.0])
    pieces = np.array([0, 0, 0, 1, 1, 1])
    assert trailing_mean(values, pieces, 2, 0, 1).tolist() == [1.0, 1.5, 2.5, 10.0, 15.0, 25.0]
    assert np.isnan(trailing_mean(values, pieces, 2, 1, 1)[[0, 3]]).all()


def test_moves_are_zero_on_a_level_and_the_step_on_a_step() -> None:
    left = np.repeat([0.0, 3.0], 24)
    pieces = np.zeros(48, dtype=np.int64)
    moved = moves(left, pieces, BLOCK_S)
    assert moved[20] == 0.0
    assert moved[25] == pytest.approx(3.0)


def test_where_a_run_was_is_remembered_through_an_excursion() -> None:
    left = np.repeat([0.0, 3.0, 0.0], 24)
    calm = np.where((np.arange(72) >= 24) & (np.arange(72) < 48), np.nan, left)
    own, moved = calm_moves(left, calm, BLOCK_S)
    assert own[60] == 0.0 and moved[50] == pytest.approx(0.0)


def test_settings_turned_now_and_then_have_a_wide_spread() -> None:
    quiet = np.random.default_rng(6).normal(0.0, 0.1, 1000)
    turned = quiet.copy()
    turned[::20] += 3.0
    assert wide_spread(quiet, 0.98) == pytest.approx(0.1, rel=0.15)
    assert wide_spread(turned, 0.98) > 1.0


def test_a_step_is_noticed_within_ten_minutes_and_closed_when_it_is_over() -> None:
    left = np.random.default_rng(7).normal(0.0, 0.2, 96)
    left[40:64] -= 2.0
    (span,) = spans_of(left)
    assert (span.side, span.channel) == (-1, "move")
    assert 40 <= span.detected <= 41
    assert abs(span.last - 64) <= 1


def test_a_short_dip_back_does_not_close_a_span() -> None:
    left = np.full(96, 0.0)
    left[40:70] = -2.0
    left[55] = 0.0
    (span,) = spans_of(left)
    assert span.last == 70


def test_polymer_paced_from_one_usual_dose_to_another_is_no_move_while_a_feed_that_swings_so_is() -> None:
    line = RobustLine(100.0, np.empty(0), np.empty(0), np.empty(0))
    normal = Normal(line, spread=10.0, move_spread=4.0, early_move_spread=4.0, ewma_spread=0.4, correlation=0.0)
    level = np.full(60, 100.0)
    paced = np.where(np.arange(60) < 24, 90.0, 112.0)  # from one spread below its normal to 1.2 above: a new grab
    beyond = np.where(np.arange(60) < 24, 90.0, 125.0)  # 2.5 spreads above
    for name in ("polymer_dose", "polymer_flow"):
        assert find_moves(paced, level, normal, BY_NAME[name], BLOCK_S) == []
        (move,) = find_moves(beyond, level, normal, BY_NAME[name], BLOCK_S)
        assert (move.first, move.side) == (24, 1)
    assert [move.first for move in find_moves(paced, level, normal, FEED, BLOCK_S)] == [24]


def test_the_end_of_an_excursion_is_no_new_one() -> None:
    left = np.random.default_rng(8).normal(0.0, 0.2, 96)
    left[30:50] -= 3.0
    assert [span.side for span in spans_of(left)] == [-1]


def test_a_slow_ramp_counts() -> None:
    left = np.random.default_rng(9).normal(0.0, 0.2, 96) - np.clip((np.arange(96) - 30) / 40, 0, 1) * 2.0
    spans = spans_of(left)
    assert spans and spans[0].side == -1
    assert spans[0].detected < 55  # before two thirds of it


@pytest.mark.parametrize("keep", [0.0, 0.8, 0.95])
def test_noise_makes_hardly_any_span_however_correlated(keep: float) -> None:
    rng = np.random.default_rng(10)
    normal = normal_cake(keep=keep)
    level = np.full(96, 21.0)
    found = sum(
        len(find_spans(level + wandering(rng, 96, keep, 0.2), level, normal, CAKE, None, BLOCK_S)) for _ in range(100)
    )
    assert found <= 3  # of a hundred runs


def test_weeks_of_quiet_do_not_make_a_crews_habit_an_event() -> None:
    rng = np.random.default_rng(8)
    values = 20.0 + rng.normal(0.0, 0.05, 96 * 10)
    pieces, none = np.repeat(np.arange(10), 96), np.empty((960, 0))
    quiet = recent_normal(values, none, pieces, BLOCK_S, 0.05)
    granted = recent_normal(values, none, pieces, BLOCK_S, 0.05, Habit(always=0.9))
    assert quiet.move_spread < 0.2 and granted.move_spread == 0.9
    assert granted.spread == quiet.spread


def test_what_moves_while_a_run_is_set_up_says_little_of_its_later_hours() -> None:
    # Ten runs of eight hours; polymer is paced anew an hour into each, to a level that the day's grab decides.
    rng = np.random.default_rng(9)
    values, pieces, is_early = (np.empty(0) for _ in range(3))
    before = 70.0
    for run in range(10):
        after = 70.0 * (1.15 if run % 2 else 0.9)
        values = np.concatenate([values, np.where(np.arange(96) < 12, before, after) + rng.normal(0.0, 0.4, 96)])
        pieces = np.concatenate([pieces, np.full(96, run)])
        is_early = np.concatenate([is_early, np.arange(96) < 30])
        before = after
    none, early = np.empty((960, 0)), is_early.astype(bool)
    normal = recent_normal(values, none, pieces.astype(np.int64), BLOCK_S, 0.5, is_early=early)
    whole = recent_normal(values, none, pieces.astype(np.int64), BLOCK_S, 0.5)
    assert normal.move_spread < 0.2 * whole.move_spread
    assert normal.early_move_spread > 2.0 * normal.move_spread
    paced = BY_NAME["polymer_flow"]
    level = np.full(96, 70.0)
    first_hours = np.arange(96) < 30
    at_one_hour, at_five = np.where(np.arange(96) < 12, 62.0, 82.0), np.where(np.arange(96) < 60, 70.0, 95.0)
    assert find_moves(at_one_hour, level, normal, paced, BLOCK_S, first_hours) == []
    assert [move.first for move in find_moves(at_five, level, normal, paced, BLOCK_S, first_hours)] == [60]
    assert find_moves(at_five, level, whole, paced, BLOCK_S) == []


def test_a_constant_shift_from_the_first_block_is_out_of_the_recent_normal() -> None:
    (span,) = spans_of(np.full(96, -2.5))
    assert (span.first, span.channel) == (0, "level")


def test_small_but_sure_changes_are_no_signs() -> None:
    assert spans_of(np.repeat([0.0, -0.5], 48)) == []  # half a point of cake is nothing, however certain


def test_gaps_are_bridged_neither_as_signs_nor_as_ends() -> None:
    left = np.full(96, 0.0)
    left[40:70] = -2.0
    left[50:54] = np.nan
    (span,) = spans_of(left)
    assert span.last == 70


def test_each_grab_is_judged_once_and_by_a_whole_severity_step() -> None:
    level = np.full(30, 21.0)
    grabs = np.repeat([21.1, 18.9, 20.5], 10)
    (span,) = find_sampled_spans(grabs, level, normal_cake(), CAKE)
    assert (span.first, span.last, span.side) == (10, 20, -1)


def test_severity_steps_are_the_contracts() -> None:
    steps = {watched.kind: watched.steps for watched in WATCHED if watched.kind is not None}
    assert steps == {
        "wet_cake": (1.0, 2.0, 4.0),
        "low_capture": (1.5, 4.0, 8.0),
        "overload": (5.0, 15.0, 30.0),
        "dose_off": (15.0, 30.0, 60.0),
        "feed_swing": (15.0, 30.0, 50.0),
        "belt_speed_off": (8.0, 15.0, 30.0),
        "washwater_low": (15.0, 30.0, 60.0),
        "tension_low": (10.0, 20.0, 40.0),
        "ponding": (20.0, 40.0, 80.0),
    }
    assert set(steps) | {"belt_trip", "press_stop"} == set(KIND_ORDER)
    assert [FEED.severity(change, 1) for change in (14.9, 15.0, 30.0, 50.0)] == [0, 1, 2, 3]
    assert CAKE.severity(9.0, +1) == 0  # a drier cake is no wet cake


def test_a_missing_observation_leaves_the_charts_as_they_were() -> None:
    gap = float("nan")
    assert ewma([1.0, gap, 1.0], 0.5)[[0, 2]].tolist() == [0.5, 0.75]
    assert np.isnan(ewma([1.0, gap, 1.0], 0.5)[1])
    assert cusum([2.0, gap, 2.0], 0.0, 0.5).high[2] == 3.0


def test_correlation_of_a_wandering_series_is_found() -> None:
    path = wandering(np.random.default_rng(12), 4000, 0.9, 1.0)
    assert lag_one_correlation(path) == pytest.approx(0.9, abs=0.03)


def test_what_answers_to_a_turn_within_a_run_as_it_always_did_is_no_move() -> None:
    # Crews feed more of what dewaters well: over all runs cake and feed rise together, within a run they do not.
    rng = np.random.default_rng(5)
    runs, size = 24, 96
    pieces = np.repeat(np.arange(runs), size).astype(np.int64)
    kind = np.repeat(rng.normal(0.0, 1.0, runs), size)
    turned = np.where(np.arange(size) < 72, 0.0, 1.0)
    feed = 20.0 + kind + np.tile(turned, runs)
    cake = 21.0 + 1.2 * kind - 0.5 * np.tile(turned, runs) + wandering(rng, runs * size, 0.6, 0.12)
    normal = recent_normal(cake, feed[:, None], pieces, BLOCK_S, 0.02)
    further = np.where(np.arange(size) < 48, 0.0, 2.5)
    regressors = (20.0 + further)[:, None]
    wetter = 21.0 - 0.5 * further + wandering(rng, size, 0.6, 0.12)
    level, answered = normal.line.level(regressors), normal.answered(regressors)
    assert answered[-1] - answered[0] == pytest.approx(-1.25, abs=0.25)
    assert find_spans(wetter, level, normal, CAKE, None, BLOCK_S)
    assert find_moves(wetter, level, normal, CAKE, BLOCK_S) and not find_moves(wetter, answered, normal, CAKE, BLOCK_S)
    wetter[48:] -= 3.0  # and more than it ever answered
    assert [move.first for move in find_moves(wetter, answered, normal, CAKE, BLOCK_S)] == [48]
