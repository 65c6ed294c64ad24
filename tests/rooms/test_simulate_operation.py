"""How the invented plant lives: feed that wanders, crews with habits, shifts, stops, events dealt over the runs."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from simulated import MONDAY, lived_press

from trendkit.simulate.disturbances import CAUSES, LOOK_ALIKES, RAMPING, draw_events
from trendkit.simulate.drivers import draw_feed
from trendkit.simulate.family import draw_household
from trendkit.simulate.machine import Sludge
from trendkit.simulate.operation import Routine, make_grid, plan_runs, timeline_of
from trendkit.simulate.record import streams_of
from trendkit.simulate.scenarios import SCENARIOS

DAYS = 56
GRID = make_grid(MONDAY, DAYS, "America/Denver")
STREAMS = streams_of(3, "bfp-1")
RUNS = plan_runs(GRID, MONDAY, DAYS, Routine(), STREAMS("runs"))
STEPS_A_DAY = round(86400.0 / GRID.step_s)


def log_solids(runs):
    return np.log(draw_feed(GRID, timeline_of(GRID, runs), Sludge(), 1.0, STREAMS).solids)


def pressing(scenario, days=21, seed=1):
    table = lived_press(scenario, days, seed).table
    return table[(table["phase"] == "pressing") & (table["mode"] == "dewatering")]


def correlation(table, one, other):
    return np.corrcoef(table[one], table[other])[0, 1]


# --- feed -----------------------------------------------------------------------------------------------


def test_feed_solids_remember_minutes_well_and_a_week_not_at_all():
    solids = log_solids(())
    kept = [np.corrcoef(solids[:-lag], solids[lag:])[0, 1] for lag in (6, 360, STEPS_A_DAY, 10 * STEPS_A_DAY)]
    assert kept[0] > 0.98 > kept[1] > 0.75 > kept[2] > kept[3]
    assert abs(kept[3]) < 0.4


def test_feed_solids_swing_between_day_and_night():
    solids = pd.Series(log_solids(()))
    within = (solids - solids.groupby(np.arange(GRID.n) // STEPS_A_DAY).transform("mean")).to_numpy()
    hours = GRID.local_hours()
    afternoon, night = within[(hours > 12) & (hours < 18)].mean(), within[hours < 6].mean()
    assert 0.01 < afternoon - night < 0.06


def test_a_tank_drawn_down_lets_the_feed_drift_within_a_run_either_way_and_not_between_runs():
    drift = log_solids(RUNS) - log_solids(())
    seconds = GRID.seconds
    pressed = np.any([(seconds > run.start_s - GRID.step_s) & (seconds <= run.end_s) for run in RUNS], axis=0)
    assert np.abs(drift[~pressed]).max() < 1e-9
    change = np.array([drift[int(run.end_s // GRID.step_s)] - drift[int(run.start_s // GRID.step_s)] for run in RUNS])
    assert change.min() < -0.03 and change.max() > 0.03
    assert 0.04 < change.std() < 0.15


def test_two_tanks_take_turns_every_few_days():
    source = draw_feed(GRID, timeline_of(GRID, RUNS), Sludge(), 1.0, STREAMS).source
    turns = np.flatnonzero(np.diff(source)) + 1
    assert set(source) == {1.0, 2.0}
    assert set(np.diff(turns)) <= {days * STEPS_A_DAY for days in (2, 3, 4, 5)}


def test_polymer_is_made_down_in_batches_of_slightly_unlike_strength():
    feed = draw_feed(GRID, timeline_of(GRID, RUNS), Sludge(), 1.0, STREAMS)
    batches = np.unique(feed.strength_factor)
    hours = timeline_of(GRID, RUNS).is_feeding.sum() * GRID.step_s / 3600.0
    assert 2.0 < hours / len(batches) < 5.0
    assert 0.01 < batches.std() < 0.03
    # The crew paces the pump by the strength it believes in, so that the dose moves with the batch.
    table = pressing("clean")
    assert correlation(table, "polymer_strength_pct", "polymer_dose_kg_t") > 0.1


# --- crew -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_confounded_crew_turns_belts_after_the_load_and_dose_after_the_cake(seed):
    table, quiet = pressing("confounded", seed=seed), pressing("interior", seed=seed)
    for speed in ("gravity_belt_speed_m_min", "pressure_belt_speed_m_min"):
        assert correlation(table, speed, "solids_loading_kg_h_m") > 0.3
    # More polymer goes with wetter cake because it is given for wetter cake: read naively, polymer harms.
    assert correlation(table, "polymer_dose_kg_t", "cake_solids_pct") < -0.3
    assert correlation(quiet, "polymer_dose_kg_t", "cake_solids_pct") > -0.3
    assert abs(correlation(quiet, "gravity_belt_speed_m_min", "solids_loading_kg_h_m")) < 0.3


# --- shifts and stops -----------------------------------------------------------------------------------


def test_a_run_starts_with_wet_belts_and_ends_with_a_wash_down():
    table = lived_press("clean").table
    for _, run in table.groupby("run"):
        washing = (run["phase"] == "washing").sum()
        before_feed = (run["feed_flow_m3_h"] == 0.0).to_numpy().argmin()
        assert 4 <= before_feed <= 6 and 24 <= washing <= 26
        assert (run["washwater_flow_m3_h"] > 0.0).all()


def test_shifts_are_worked_on_weekdays_and_thickening_on_two_evenings():
    runs = lived_press("thickening", 14).history.drivers.timeline.runs
    grid = lived_press("thickening", 14).history.grid
    begins = [(run.mode, grid.moment(run.start_s).tz_convert("America/Denver")) for run in runs]
    assert {moment.weekday() for mode, moment in begins if mode == 1} == {0, 1, 2, 3, 4}
    assert {moment.weekday() for mode, moment in begins if mode == 2} == {1, 3}
    assert all(moment.hour >= 18 for mode, moment in begins if mode == 2)


# --- events dealt ---------------------------------------------------------------------------------------


def dealt(name):
    kind = SCENARIOS[name]
    return draw_events(
        RUNS, kind.upsets_per_run, kind.look_alikes_per_run, kind.share_overlapping, CAUSES, kind.severities,
        STREAMS("events"),
    )  # fmt: skip


def test_a_family_deals_every_cause_every_severity_and_both_steps_and_ramps():
    events = [event for _ in range(8) for event in dealt("upsets")]
    assert {event.cause for event in events} == set(CAUSES)
    assert {event.severity for event in events} == {1, 2, 3}
    ramps = [event for event in events if event.ramp_s > 0.0]
    assert {event.cause for event in ramps} <= set(RAMPING)
    assert 0.02 < len(ramps) / len(events) < 0.6
    assert {event.severity for event in dealt("severe")} == {3} and {event.severity for event in dealt("mild")} == {1}


def test_the_overlapping_scenario_deals_pairs_of_unlike_causes_that_overlap():
    events = dealt("overlapping")
    pairs = [(one, other) for one, other in pairwise(events) if other.start_s < one.end_s]
    assert len(pairs) > 0.6 * len(events) / 2.0
    assert all(one.cause != other.cause for one, other in pairs)


def test_the_look_alikes_are_all_dealt_and_none_is_an_upset():
    events = dealt("look-alikes")
    assert {event.cause for event in events} == set(LOOK_ALIKES)
    assert all(event.is_look_alike for event in events)


def test_meter_faults_leave_the_truth_as_it_was():
    faulty, clean = lived_press("faults", 7, 3), lived_press("clean", 7, 3)
    pd.testing.assert_frame_equal(faulty.table, clean.table)
    assert faulty.upsets.empty


@pytest.mark.parametrize("habit", ["untouched", "step-test", "interior"])
def test_the_same_seed_is_the_same_press_whatever_the_crews_habit(habit):
    one, other = draw_household(SCENARIOS[habit], 5, 1), draw_household(SCENARIOS["clean"], 5, 1)
    assert one.station.machine == other.station.machine
