"""The answer on made-up presses whose best speed is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tuning_table import PRICES, Truth, made_up_plant, made_up_table

from trendkit.plant.model import Costs, Limit, Tag, Uncertainty
from trendkit.tuning import tune
from trendkit.tuning.advice import dry_t_per_year, present_setting, scale_error_of
from trendkit.tuning.curve import Curve
from trendkit.tuning.decide import compare_estimates, decide
from trendkit.tuning.results import Tuning
from trendkit.tuning.worth import amounts_per_fed_t

PLANT, PRESS = made_up_plant()
SPEED = "gravity_belt_speed_m_min"


def true_best(tuning: Tuning, truth: Truth | None = None) -> float:
    speeds = tuning.curve[SPEED].to_numpy()
    load = tuning.by_loading["solids_loading_kg_h_m"].iloc[2]
    return float(speeds[np.argmin((truth or Truth()).cost_per_dry_t(speeds, load))])


@pytest.mark.parametrize("policy", ["free", "follows_load", "feedback"])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_best_speed_is_found_however_the_crew_chose_its_speeds(policy: str, seed: int) -> None:
    tuning = tune(made_up_table(policy, seed=seed), PRESS, PLANT)
    assert tuning.decision == "window"
    assert tuning.decided_by == "cost"
    best, found = true_best(tuning), tuning.recommended
    assert found is not None
    span = np.ptp(tuning.curve[SPEED])
    assert abs(found.gravity_belt_speed_m_min - best) < 0.1 * span
    assert found.low <= best <= found.high
    assert found.belt_speed_ratio == pytest.approx(found.gravity_belt_speed_m_min / 3.0, rel=0.01)


def test_the_curve_holds_the_true_response_within_its_limits() -> None:
    tuning = tune(made_up_table("free", days=40, seed=3), PRESS, PLANT)
    load = tuning.by_loading["solids_loading_kg_h_m"].iloc[2]
    true_loss = Truth().loss_pct(tuning.curve[SPEED], load)
    inside = (100.0 - true_loss).between(tuning.curve["capture_pct_low"], tuning.curve["capture_pct_high"])
    assert inside.mean() > 0.6
    contract = {"cake_solids_pct", "capture_pct", "cost_per_dry_t"}
    assert contract | {f"{name}_{end}" for name in contract for end in ("low", "high")} <= set(tuning.curve.columns)


def test_no_speed_outside_what_was_run_is_ever_on_the_curve() -> None:
    table = made_up_table("free", seed=4)
    tuning = tune(table, PRESS, PLANT)
    ran = table.frame.loc[table.frame["phase"] == "pressing", SPEED]
    assert tuning.curve[SPEED].min() >= ran.min()
    assert tuning.curve[SPEED].max() <= ran.max()
    assert tuning.by_loading[SPEED].between(ran.min(), ran.max()).all()


def test_a_speed_that_was_never_changed_is_insufficient_and_says_by_how_much() -> None:
    tuning = tune(made_up_table("fixed"), PRESS, PLANT)
    assert tuning.decision == "insufficient"
    assert tuning.recommended is None and tuning.gain is None
    assert tuning.identifiability.speed_range_m_min < 0.2
    assert f"{tuning.identifiability.speed_range_m_min:.2f} m/min" in tuning.reason
    assert len(tuning.step_test) > 0
    assert tuning.now[SPEED] == pytest.approx(8.0, rel=0.01)


def test_a_speed_tied_to_the_load_is_insufficient() -> None:
    table = made_up_table("free", seed=6)
    table.frame[SPEED] = 8.0 * (table.frame["solids_loading_kg_h_m"] / 300.0) ** 0.6
    tuning = tune(table, PRESS, PLANT)
    assert tuning.decision == "insufficient"
    assert tuning.identifiability.free_speed_share < 0.1


def test_too_few_days_are_insufficient() -> None:
    tuning = tune(made_up_table("free", days=3), PRESS, PLANT)
    assert tuning.decision == "insufficient"
    assert "3 days" in tuning.reason


def test_a_response_without_shape_is_flat_and_still_gives_the_interval() -> None:
    tuning = tune(made_up_table("free", truth=Truth(cake_curvature=0.1, loss_curvature=0.02)), PRESS, PLANT)
    assert tuning.decision == "flat"
    assert tuning.recommended is not None
    assert tuning.recommended.high - tuning.recommended.low > 0.5 * np.ptp(tuning.curve[SPEED])


@pytest.mark.parametrize(("best", "way"), [(20.0, "faster"), (3.0, "slower")])
def test_a_best_speed_beyond_what_was_run_asks_for_a_step_outwards(best: float, way: str) -> None:
    truth = Truth(best_cake_speed_m_min=best, cake_curvature=4.0, loss_curvature=0.3)
    tuning = tune(made_up_table("free", truth=truth), PRESS, PLANT)
    assert tuning.decision == "step_outwards"
    assert way in tuning.reason
    edge = tuning.curve[SPEED].max() if way == "faster" else tuning.curve[SPEED].min()
    assert tuning.recommended is not None
    assert tuning.recommended.gravity_belt_speed_m_min == pytest.approx(edge)


def made_up_curve(slope_pct: float, scatter_pct: float, seed: int) -> Curve:
    """A burden that changes by `slope_pct` from the slowest to the fastest speed, known to `scatter_pct`."""
    speeds, rng = np.linspace(6.0, 10.0, 41), np.random.default_rng(seed)
    draws = slope_pct + scatter_pct * rng.normal(size=(400, 1))
    along = (speeds - 6.0) / 4.0
    burden, burden_draws = 400.0 * (1.0 + slope_pct / 100.0 * along), 400.0 * (1.0 + draws / 100.0 * along)
    nothing, none_drawn = np.zeros(41), np.zeros((400, 41))
    every, every_drawn = np.ones(41, dtype=bool), np.ones((400, 41), dtype=bool)
    return Curve(speeds, nothing, none_drawn, nothing, none_drawn, burden, burden_draws, every, every_drawn)


def test_estimates_that_differ_beyond_chance_stop_the_recommendation() -> None:
    by_regression, by_changes = made_up_curve(8.0, 1.0, 1), made_up_curve(-2.0, 1.0, 2)
    contrast = compare_estimates(by_regression, by_changes, 6.0, 10.0, 20)
    assert contrast.by_regression == pytest.approx(32.0 / 416.0)  # of the middle burden
    assert contrast.by_changes == pytest.approx(-8.0 / 416.0)
    assert contrast.sigma == pytest.approx(0.0136, rel=0.15)
    decision, reason = decide(by_regression, contrast)
    assert decision == "disagree"
    assert "+7.7 %" in reason and "-1.9 %" in reason and "step test" in reason


def test_estimates_that_differ_within_their_scatter_do_not() -> None:
    by_regression, by_changes = made_up_curve(8.0, 3.0, 1), made_up_curve(-2.0, 3.0, 2)
    decision, _ = decide(by_regression, compare_estimates(by_regression, by_changes, 6.0, 10.0, 20))
    assert decision == "step_outwards"


def test_a_few_days_of_changes_must_differ_more_to_count() -> None:
    by_regression, by_changes = made_up_curve(8.0, 1.5, 1), made_up_curve(-2.0, 1.5, 2)
    assert compare_estimates(by_regression, by_changes, 6.0, 10.0, 30).differs
    assert not compare_estimates(by_regression, by_changes, 6.0, 10.0, 3).differs


def test_without_all_three_prices_the_driest_cake_with_enough_capture_decides() -> None:
    plant, press = made_up_plant(Costs("USD", polymer_per_kg=4.1, haul_per_t=62.0), capture_pct=Limit(low=95.9))
    tuning = tune(made_up_table("free", seed=8), press, plant)
    assert tuning.decided_by == "dryness"
    assert tuning.curve["cost_per_dry_t"].isna().all()
    assert tuning.recommended is not None
    captured = np.interp(tuning.recommended.gravity_belt_speed_m_min, tuning.curve[SPEED], tuning.curve["capture_pct"])
    assert captured >= 95.9 - 0.05
    assert tuning.gain is not None and tuning.gain.unit == "points of cake solids"
    assert any("solids_return" in note for note in tuning.notes)


def test_the_best_speed_rises_with_the_load_as_it_was_made_to() -> None:
    tuning = tune(made_up_table("free", days=40, seed=9), PRESS, PLANT)
    loads, speeds = tuning.by_loading["solids_loading_kg_h_m"], tuning.by_loading[SPEED]
    power = np.polyfit(np.log(loads), np.log(speeds), 1)[0]
    assert 0.2 < power < 0.9  # made with 0.5


def test_the_same_table_gives_the_same_answer_twice() -> None:
    table = made_up_table("free", days=10)
    first, second = tune(table, PRESS, PLANT), tune(table, PRESS, PLANT)
    assert first.recommended == second.recommended
    pd.testing.assert_frame_equal(first.curve, second.curve)


def test_lost_solids_count_only_where_capture_is_known() -> None:
    table = made_up_table("free", seed=10)
    table.frame["capture_pct"] = np.nan
    tuning = tune(replace(table), PRESS, PLANT)
    assert tuning.decided_by == "dryness"
    assert tuning.curve["capture_pct"].isna().all()
    assert tuning.recommended is not None


def test_the_gain_is_what_the_prices_say_between_the_two_speeds() -> None:
    tuning = tune(made_up_table("free", seed=11), PRESS, PLANT)
    assert tuning.gain is not None and tuning.recommended is not None
    assert tuning.gain.low <= tuning.gain.value <= tuning.gain.high
    assert tuning.gain.unit == f"{PRICES.currency}/y"
    assert tuning.gain.value >= 0.0


def test_a_dose_that_follows_from_the_feed_solids_is_no_second_input() -> None:
    table = made_up_table("free", seed=13)
    table.frame["polymer_dose_kg_t"] = 18.0 / table.frame["feed_solids_pct"]
    tuning = tune(table, PRESS, PLANT)
    assert tuning.decision in ("window", "flat")
    taken_out = next(note for note in tuning.notes if note.startswith("Taken out"))
    assert "feed_solids_pct" in taken_out and "polymer_dose" not in taken_out


@pytest.mark.parametrize("days", [5, 7])
def test_a_week_of_pressing_gives_an_answer_with_wide_limits_and_no_failure(days: int) -> None:
    tuning = tune(made_up_table("free", days=days, seed=14), PRESS, PLANT)
    assert tuning.decision != "insufficient"
    assert np.isfinite(tuning.curve.drop(columns=SPEED)).all(axis=None)


def test_inputs_that_never_move_are_no_hindrance() -> None:
    table = made_up_table("free", seed=15)
    for column in ("feed_flow_m3_h", "feed_solids_pct", "solids_loading_kg_h_m", "polymer_dose_kg_t"):
        table.frame[column] = table.frame[column].median()
    tuning = tune(table, PRESS, PLANT)
    assert tuning.decision in ("window", "flat")
    assert tuning.by_loading.empty


def test_a_pressure_belt_that_reads_zero_has_no_ratio() -> None:
    minutes = pd.DataFrame({"day": ["a"], SPEED: [8.0], "pressure_belt_speed_m_min": [0.0]})
    now = present_setting(minutes.assign(cake_solids_pct=20.0, capture_pct=95.0))
    assert (now[SPEED], now["belt_speed_ratio"]) == (8.0, None)


def test_the_speed_meters_errors_add_in_quadrature() -> None:
    """By hand: 3 % of the reading and 0.32 of 8 m/min, which is 4 %, are 5 % together (`Uncertainty`)."""
    meter = Tag("gravity_belt_speed", "G", SPEED, "m/min", "m/min", "analog", uncertainty=Uncertainty(0.03, 0.32))
    assert scale_error_of(replace(PRESS, tags={"gravity_belt_speed": meter}), 8.0) == pytest.approx(0.05)


def test_energy_per_tonne_is_of_the_minutes_that_know_both() -> None:
    known = pd.DataFrame({"feed_dry_solids_kg_h": [1000.0] * 4, "washwater_flow_m3_h": [5.0, 5.0, 5.0, np.nan]})
    amounts = amounts_per_fed_t(known.assign(power_kw=[10.0, 10.0, np.nan, np.nan]))
    assert amounts == pytest.approx({"energy_kwh_t": 10.0, "washwater_m3_t": 5.0})


def test_a_silent_meter_makes_no_smaller_plant() -> None:
    table = made_up_table("free", seed=3, days=6)
    whole = dry_t_per_year(table)
    silent = table.frame["dry_cake_kg_h"].where(table.frame.index < table.frame.index[len(table.frame) // 2])
    assert dry_t_per_year(replace(table, frame=table.frame.assign(dry_cake_kg_h=silent))) == pytest.approx(
        whole, rel=0.1
    )
