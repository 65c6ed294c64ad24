"""Phases, runs, modes and sludge time on grids that can be followed by hand."""

import numpy as np
import pandas as pd
import pytest
from press_grid import START, grid, plant_of, press_of

from trendkit.plant.model import Change
from trendkit.press import compute_figures


def figures_of(roles: pd.DataFrame, lab: pd.DataFrame | None = None, **press_settings: object) -> pd.DataFrame:
    press = press_of(**press_settings)
    return compute_figures(roles, {}, lab, press, plant_of(press), 60).frame


def test_sludge_time_is_conditioning_plus_both_belts() -> None:
    """Consistency check: 0.525 m3 at 31.5 m3/h is 60 s, 3 m at 6 m/min 30 s, 12 m at 3 m/min 240 s: 330 s."""
    frame = figures_of(grid())
    steady = frame[frame["phase"] == "pressing"].iloc[30:-1]
    middle = steady.index + pd.Timedelta(seconds=30)
    assert ((middle - pd.DatetimeIndex(steady["feed_time"])).total_seconds() == 330.0).all()


def test_sludge_time_follows_the_speed_history() -> None:
    """Half an hour after the pressure belt slows to half, the sludge needs 240 s more."""
    roles = grid()
    roles.loc[START + pd.Timedelta(hours=3) :, "pressure_belt_speed_m_min"] = 1.5
    frame = figures_of(roles)
    later = START + pd.Timedelta(hours=3, minutes=30)
    assert (later + pd.Timedelta(seconds=30) - frame.loc[later, "feed_time"]).total_seconds() == 570.0


def test_starting_lasts_one_sludge_time_after_the_feed_began() -> None:
    phase = figures_of(grid(feed_from_h=0.5))["phase"]
    assert (phase.iloc[:30] == "starting").all()  # belts turn, no feed yet: before a run's first feed
    assert (phase.iloc[30:35] == "starting").all()
    assert (phase.iloc[36:420] == "pressing").all()


def test_washing_begins_when_the_feed_stopped() -> None:
    phase = figures_of(grid(feed_to_h=7.0))["phase"]
    assert (phase.iloc[420:480] == "washing").all()


@pytest.mark.parametrize(("minutes", "phase"), [(2, "pressing"), (3, "pressing"), (4, "washing")])
def test_a_dip_of_up_to_three_minutes_keeps_its_phase(minutes: int, phase: str) -> None:
    roles = grid()
    roles.iloc[200 : 200 + minutes, roles.columns.get_loc("feed_flow_m3_h")] = 0.0
    frame = figures_of(roles)
    assert set(frame["phase"].iloc[200 : 200 + minutes]) == {phase}


def stopped(roles: pd.DataFrame, first: int, minutes: int) -> pd.DataFrame:
    roles.iloc[first : first + minutes] = 0.0
    return roles


def test_a_stop_of_29_minutes_does_not_end_a_run() -> None:
    frame = figures_of(stopped(grid(), 200, 29))
    assert list(frame["run"].dropna().unique()) == ["bfp-1-20260302T0600Z"]
    assert (frame["phase"].iloc[200:229] == "stopped").all()


def test_a_stop_of_30_minutes_ends_the_run() -> None:
    frame = figures_of(stopped(grid(), 200, 30))
    assert list(frame["run"].dropna().unique()) == ["bfp-1-20260302T0600Z", "bfp-1-20260302T0950Z"]
    assert frame["run"].iloc[200:230].isna().all()


def test_thickening_shows_in_a_standing_pressure_belt_and_has_no_cake_figures() -> None:
    roles = grid(pressure_belt_speed_m_min=0.0)
    frame = figures_of(roles)
    assert set(frame["mode"].dropna()) == {"thickening"}
    for column in ("cake_solids_pct", "dry_cake_kg_h", "cake_thickness_mm", "belt_speed_ratio"):
        assert frame[column].isna().all()
    assert frame["hydraulic_loading_m3_h_m"].iloc[100] == 15.0


def test_the_mode_signal_wins_over_the_belts() -> None:
    frame = figures_of(grid().assign(mode="thickening"))
    assert set(frame["mode"].dropna()) == {"thickening"}


def test_nothing_from_an_earlier_run_enters_a_later_one() -> None:
    """Sludge left on the belts over a standstill of 30 min is not counted as fed in the new run."""
    frame = figures_of(stopped(grid(), 200, 30))
    second = frame[frame["run"] == "bfp-1-20260302T0950Z"]
    assert second["capture_pct"].iloc[:5].isna().all()
    assert second["capture_pct_rolling"].iloc[:9].isna().all()
    assert second["capture_pct_rolling"].iloc[11] == pytest.approx(second["capture_pct_rolling"].iloc[60])


def test_a_dated_setting_counts_from_its_day_on() -> None:
    change = Change(START + pd.Timedelta(hours=4), "narrower seals", {"belt_width_m": 1.5})
    loading = figures_of(grid(), changes=(change,))["hydraulic_loading_m3_h_m"]
    assert loading.iloc[239] == 15.0
    assert loading.iloc[240] == 20.0


def test_an_unsorted_grid_is_refused() -> None:
    roles = grid().iloc[::-1]
    with pytest.raises(ValueError, match="steps of 60 s"):
        figures_of(roles)


def test_the_grid_is_left_as_it_was() -> None:
    roles = grid()
    before = roles.copy()
    figures_of(roles)
    pd.testing.assert_frame_equal(roles, before)


def test_an_unknown_feed_stays_unknown() -> None:
    roles = grid()
    roles["feed_solids_pct"] = np.nan
    frame = figures_of(roles)
    for column in ("solids_loading_kg_h_m", "polymer_dose_kg_t", "capture_pct", "dry_cake_kg_h"):
        assert frame[column].isna().all()
