"""Every cause does what its name says, look-alikes do nothing, and the ledger says what truly happened."""

import json
from datetime import date

import numpy as np
import pandas as pd
import pytest
from simulated import MONDAY, lived_press

from trendkit.simulate.disturbances import CAUSES, STOPS_MIN, Event
from trendkit.simulate.family import draw_household
from trendkit.simulate.ledger import COLUMNS, FIRST_ROLE, SIGNS
from trendkit.simulate.natural import natural_events, polymer_held, polymer_need_met
from trendkit.simulate.operation import make_grid
from trendkit.simulate.plant import begin_life, live, lived
from trendkit.simulate.record import streams_of
from trendkit.simulate.scenarios import SCENARIOS

CONTRACT_CAUSES = (
    "feed_thin", "feed_thick", "solids_overload", "hydraulic_overload", "sludge_change", "polymer_loss",
    "polymer_weak", "polymer_excess", "dilution_loss", "belt_blinding", "washwater_loss", "gravity_belt_fast",
    "gravity_belt_slow", "pressure_belt_fast", "pressure_belt_slow", "belt_slip", "belt_tracking",
    "tension_loss", "unknown",
)  # fmt: skip
HOURS = 3600.0


def day_with(*events, seed=4):
    household = draw_household(SCENARIOS["clean"], seed, 1)
    grid = make_grid(MONDAY, 1, "America/Denver")
    life = begin_life(household, grid, MONDAY, 1, 1.0, streams_of(seed, "bfp-1"))
    begin = life.timeline.runs[0].feed_on_s
    shifted = [
        Event(e.cause, begin + e.start_s, begin + e.end_s, e.ramp_s, e.severity, e.is_look_alike) for e in events
    ]
    return lived(life, shifted)


def event(cause, severity=3, start_h=2.0, hours=3.0, ramp_h=0.0, look_alike=False):
    return Event(cause, start_h * HOURS, (start_h + hours) * HOURS, ramp_h * HOURS, severity, look_alike)


def test_the_causes_are_those_of_the_contract():
    assert sorted(CAUSES) == sorted(CONTRACT_CAUSES)


@pytest.mark.parametrize("cause", CONTRACT_CAUSES)
def test_a_severe_event_is_on_the_ledger_with_its_cause_start_and_first_sign(cause):
    press = day_with(event(cause))
    assert list(press.upsets.columns[: len(COLUMNS)]) == list(COLUMNS)
    assert len(press.upsets) == 1
    row = press.upsets.iloc[0]
    assert row["cause"] == cause and row["severity"] == 3
    applied = press.history.grid.moment(press.history.drivers.timeline.runs[0].feed_on_s + 2.0 * HOURS)
    assert abs((row["start"] - applied).total_seconds()) <= 45 * 60.0
    assert row["start"] <= row["detected_at"] < row["end"]
    assert row["first_sign"] == FIRST_ROLE.get(cause, "belt_trip" if cause == "belt_tracking" else "running")


def test_a_quiet_plant_has_an_empty_ledger():
    press = lived_press("clean", 14)
    assert press.upsets.empty and set(press.other_events["why"]) <= {"natural"}


def clean_day(polymer_factor=1.0, hours=(3.0, 5.0), seed=4):
    """Return a day on which the polymer is multiplied for some hours, as if the crew had paced it so."""
    household = draw_household(SCENARIOS["clean"], seed, 1)
    grid = make_grid(MONDAY, 1, "America/Denver")
    life = begin_life(household, grid, MONDAY, 1, 1.0, streams_of(seed, "bfp-1"))
    calm = live(life, ())
    held = polymer_held(calm, household.station, (Event("polymer_loss", 0.0, grid.n * grid.step_s, 0.0, 1),))
    begin = life.timeline.runs[0].feed_on_s
    inside = (grid.seconds >= begin + hours[0] * HOURS) & (grid.seconds < begin + hours[1] * HOURS)
    return life, live(life, (), held * np.where(inside, polymer_factor, 1.0)), begin


@pytest.mark.parametrize(
    ("factor", "cause"), [(1.25, "polymer_excess"), (0.70, "polymer_loss"), (1.15, ""), (0.80, "")]
)
def test_polymer_off_as_after_a_mild_event_is_one_though_nobody_put_it_in(factor, cause):
    # A mild polymer_excess multiplies the polymer by 1.20, a mild polymer_loss by 0.74.
    life, history, begin = clean_day(factor)
    met = polymer_need_met(history, life.household.station)
    assert np.nanmedian(met) == pytest.approx(1.0, abs=0.01)  # the intended dose on this sludge, but for those hours
    found = natural_events(history, life.household.station)
    assert [event.cause for event in found] == ([cause] if cause else [])
    for event in found:
        assert event.start_s == pytest.approx(begin + 3.0 * HOURS, abs=600.0)
        assert event.end_s == pytest.approx(begin + 5.0 * HOURS, abs=600.0)


def test_a_few_minutes_of_too_much_polymer_are_no_natural_event():
    life, history, _ = clean_day(1.5, (3.0, 3.05))
    assert natural_events(history, life.household.station) == ()


def test_a_natural_event_is_listed_with_the_severity_of_what_it_did():
    others = pd.concat([lived_press("clean", 21, seed).other_events for seed in (1, 3)])
    assert set(others["what"]) <= {"polymer_excess", "polymer_loss"} and len(others) >= 1
    assert others["severity"].between(1, 3).all() and (others["end"] > others["start"]).all()


@pytest.mark.parametrize("name", ["planned feed reduction", "wash in mid-run", "polymer trial", "planned speed change"])
def test_look_alikes_are_listed_apart_and_reach_no_severity(name):
    press = day_with(event(name, severity=1, hours=0.4 if name == "wash in mid-run" else 2.0, look_alike=True))
    assert press.upsets.empty
    assert press.other_events.loc[press.other_events["why"] != "natural", "what"].tolist() == [name]
    quiet = day_with()
    both = ((press.table["phase"] == "pressing") & (quiet.table["phase"] == "pressing")).to_numpy()
    for sign in SIGNS:
        if sign.kind in ("wet_cake", "low_capture"):
            gap = sign.beyond(press.table[sign.column].to_numpy(), quiet.table[sign.column].to_numpy())
            settled = pd.Series(np.where(both, gap, np.nan)).rolling(15, min_periods=15).mean()
            assert settled.max() < sign.steps[0]


def test_a_ramp_starts_on_the_ledger_when_it_first_shows_and_before_it_is_complete():
    row = day_with(event("feed_thin", ramp_h=2.0)).upsets.iloc[0]
    assert row["applied_from"] < row["start"] < row["applied_from"] + pd.Timedelta(hours=1)


def test_two_overlapping_events_are_told_apart():
    press = day_with(event("tension_loss", hours=2.5), event("polymer_loss", severity=2, start_h=3.0, hours=2.5))
    ledger = press.upsets.set_index("cause")
    assert set(ledger.index) == {"tension_loss", "polymer_loss"}
    assert "tension_low" in json.loads(ledger.loc["tension_loss", "kinds"])
    assert "tension_low" not in json.loads(ledger.loc["polymer_loss", "kinds"])
    assert "dose_off" in json.loads(ledger.loc["polymer_loss", "kinds"])


@pytest.mark.parametrize("cause", CONTRACT_CAUSES)
def test_every_cause_comes_mild_moderate_and_severe(cause):
    hours = {1: 0.15, 2: 0.6, 3: 1.6} if cause in STOPS_MIN else dict.fromkeys((1, 2, 3), 3.0)
    found = [day_with(event(cause, size, hours=hours[size]), seed=6).upsets["severity"].tolist() for size in (1, 2, 3)]
    assert [len(severity) for severity in found] == [1, 1, 1]
    sizes = [severity[0] for severity in found]
    assert sizes[0] <= 2 and sizes[0] <= sizes[1] <= sizes[2] == 3


def test_a_plant_of_mild_upsets_has_mild_ones_of_nearly_every_cause():
    ledger = lived_press("mild", 28, 2).upsets
    assert ledger["severity"].eq(1).mean() > 0.6 and ledger["severity"].max() <= 2
    assert ledger.loc[ledger["severity"] == 1, "cause"].nunique() >= 6


def test_excess_polymer_blinds_over_hours_and_a_wash_clears_it():
    press = day_with(event("polymer_excess", hours=4.0))
    fouling, line = press.history.fouling, press.history.drivers.timeline
    run = line.runs[0]
    at = [fouling[int((run.feed_on_s + hours * HOURS) // 10.0)] for hours in (2.0, 3.0, 4.0)]
    assert at[0] < at[1] < at[2] and at[2] > 3.0 * at[0]
    assert fouling[int(run.end_s // 10.0) - 1] < 0.15 * fouling[int(run.feed_off_s // 10.0) - 1]


def test_undisturbed_minutes_are_the_same_with_and_without_an_event():
    with_it, without = day_with(event("polymer_weak")).table, day_with().table
    before = with_it.index < with_it.index[0] + pd.Timedelta(hours=7)
    pd.testing.assert_frame_equal(with_it[before], without[before])


def test_a_long_family_holds_every_cause():
    causes = set()
    for seed in (1, 2):
        causes |= set(lived_press("upsets", 28, seed).upsets["cause"])
    assert len(causes) >= 15


def test_a_step_in_the_feed_comes_off_the_press_exactly_one_sludge_time_later():
    with_it, without = day_with(event("feed_thick")), day_with()
    kept = [press.table["dry_cake_kg_h"] / press.table["capture_pct"] for press in (with_it, without)]
    first = (kept[0] / kept[1] > 1.25).idxmax()
    applied = with_it.upsets.iloc[0]["applied_from"]
    assert abs((with_it.table.loc[first, "feed_time"] - applied).total_seconds()) <= 90.0


def test_a_belt_trip_stops_feed_and_belts():
    press = day_with(event("belt_tracking", hours=0.5))
    stopped = press.table[press.table["belt_trip"] > 0.5]
    assert 29 <= len(stopped) <= 31
    assert (stopped[["gravity_belt_speed_m_min", "feed_flow_m3_h"]].iloc[1:-1] == 0.0).all(axis=None)


def test_clock_changes_keep_the_shift_at_its_local_hour():
    household = draw_household(SCENARIOS["clean"], 1, 1)
    grid = make_grid(date(2026, 3, 6), 4, "America/Denver")
    life = begin_life(household, grid, date(2026, 3, 6), 4, 1.0, streams_of(1, "bfp-1"))
    hours = [grid.moment(run.start_s).tz_convert("America/Denver").hour for run in life.timeline.runs]
    assert len(hours) == 2 and max(hours) - min(hours) <= 1
    assert grid.n * grid.step_s == 95 * 3600.0
