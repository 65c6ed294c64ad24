"""Steady blocks and speed changes: what is compared with what, and what is left out."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tuning_table import TRANSIT_MIN, made_up_plant, made_up_table

from trendkit.plant.model import Exclude
from trendkit.tuning.blocks import (
    INPUTS,
    SETTLING_MIN,
    SPEEDS,
    average_over,
    sludge_minutes,
    speed_steps,
    steady_blocks,
)
from trendkit.tuning.changes import speed_changes

PLANT, PRESS = made_up_plant()


def speed_series(values: list[float]) -> pd.Series:
    return pd.Series(values, index=pd.date_range("2026-03-02T15:00Z", periods=len(values), freq="min"))


def test_a_step_of_the_speed_is_found_in_the_minute_it_begins() -> None:
    steps = speed_steps(speed_series([8.0] * 30 + [7.0] * 30), 60)
    assert np.flatnonzero(steps).tolist() == [30]


def test_meter_noise_alone_is_no_step() -> None:
    rng = np.random.default_rng(3)
    noisy = 8.0 * np.exp(rng.normal(0.0, 0.01, 2000))
    assert speed_steps(speed_series(list(noisy)), 60).sum() <= 2


def test_a_step_as_small_as_three_percent_is_seen_through_half_a_percent_of_noise() -> None:
    rng = np.random.default_rng(4)
    noisy = np.r_[np.full(60, 8.0), np.full(60, 8.25)] * np.exp(rng.normal(0.0, 0.005, 120))
    found = np.flatnonzero(speed_steps(speed_series(list(noisy)), 60))
    assert len(found) == 1 and abs(found[0] - 60) <= 1


def test_what_leaves_the_press_is_set_beside_what_went_into_it() -> None:
    table = made_up_table(days=1)
    table.frame["feed_solids_pct"] = np.arange(len(table.frame), dtype=float)
    minutes = sludge_minutes(table, PRESS, PLANT)
    position = table.frame.index.get_indexer(minutes.index)
    assert (minutes["feed_solids_pct"].to_numpy() == position - TRANSIT_MIN).all()


def test_only_pressing_in_dewatering_is_judged_and_excluded_spans_are_not() -> None:
    table = made_up_table(days=2)
    day = table.frame.index[table.frame["phase"] == "pressing"][0]
    span = Exclude(day, day + pd.Timedelta(hours=2), "bfp-1", "supplier trial")
    minutes = sludge_minutes(table, PRESS, replace(PLANT, excludes=(span,)))
    assert minutes.index.min() == span.end_utc
    other = replace(PLANT, excludes=(replace(span, press="bfp-2"),))
    assert sludge_minutes(table, PRESS, other).index.min() == day
    table.frame["mode"] = "thickening"
    assert sludge_minutes(table, PRESS, PLANT).empty


def test_no_block_holds_a_speed_change_or_starts_before_it_has_settled() -> None:
    table = made_up_table(days=3)
    minutes = sludge_minutes(table, PRESS, PLANT)
    blocks = steady_blocks(minutes, 60)
    assert len(blocks) > 30
    steps = table.frame.index[speed_steps(table.frame["gravity_belt_speed_m_min"], 60)]
    for block in blocks.itertuples():
        assert not ((steps >= block.start_utc) & (steps < block.end_utc)).any()
        earlier = steps[steps < block.start_utc]
        same_run = earlier[earlier > block.start_utc - pd.Timedelta(hours=8)]
        if len(same_run):
            assert block.start_utc - same_run[-1] >= pd.Timedelta(minutes=SETTLING_MIN)


def test_a_block_lasts_a_quarter_of_an_hour_at_most() -> None:
    minutes = sludge_minutes(made_up_table(days=2), PRESS, PLANT)
    assert (steady_blocks(minutes, 60)["minutes"] <= 15.0).all()


def test_block_means_are_ratios_of_sums() -> None:
    """Consistency check: of 400 kg fed 285 and 90 are kept; at 20 and 25 % they make 1425 and 360 kg wet."""
    minutes = pd.DataFrame(
        {
            "solids_loading_kg_h_m": [300.0, 100.0],
            "cake_solids_pct": [20.0, 25.0],
            "capture_pct": [95.0, 90.0],
            "polymer_dose_kg_t": [6.0, 8.0],
            "day": ["a", "a"],
            "run": ["r", "r"],
            "hours_into_run": [1.0, 1.1],
        },
        index=pd.date_range("2026-03-02T15:00Z", periods=2, freq="min"),
    )
    for column in {*INPUTS, *SPEEDS, "filtrate_tss_mg_l"} - {*minutes.columns}:
        minutes[column] = 1.0
    block = average_over(minutes, pd.Series([0, 0], index=minutes.index), 60).iloc[0]
    assert block["cake_solids_pct"] == pytest.approx(100.0 * 375.0 / (1425.0 + 360.0))
    assert block["capture_pct"] == pytest.approx(100.0 * 375.0 / 400.0)
    assert block["polymer_dose_kg_t"] == pytest.approx((300.0 * 6.0 + 100.0 * 8.0) / 400.0)
    assert block["end_utc"] - block["start_utc"] == pd.Timedelta(minutes=2)


def test_a_minute_without_feed_solids_weighs_like_the_others_of_its_block() -> None:
    """Not its flow of 30 against a loading of 300: 95 and 90 % come to 92.5."""
    minutes = sludge_minutes(made_up_table(days=1), PRESS, PLANT).iloc[:2].copy()
    minutes["solids_loading_kg_h_m"], minutes["capture_pct"] = [300.0, np.nan], [95.0, 90.0]
    block = average_over(minutes, pd.Series([0, 0], index=minutes.index), 60).iloc[0]
    assert block["capture_pct"] == pytest.approx(92.5)


def test_a_change_is_independent_only_while_the_other_inputs_held_still() -> None:
    table = made_up_table(days=1)
    frame = table.frame
    frame["gravity_belt_speed_m_min"] = np.where(np.arange(len(frame)) < 200, 8.0, 7.0)
    for column in ("feed_flow_m3_h", "feed_solids_pct", "polymer_dose_kg_t", "pressure_belt_speed_m_min"):
        frame[column] = 5.0
    alone = speed_changes(sludge_minutes(table, PRESS, PLANT), 60)
    assert len(alone) == 1
    assert alone.loc[0, "is_independent"] and alone.loc[0, "moved"] == ""
    assert alone.loc[0, "speed_before_m_min"] == pytest.approx(8.0)
    assert alone.loc[0, "speed_after_m_min"] == pytest.approx(7.0)
    frame["polymer_dose_kg_t"] = np.where(np.arange(len(frame)) < 200, 5.0, 6.0)
    together = speed_changes(sludge_minutes(table, PRESS, PLANT), 60)
    assert not together.loc[0, "is_independent"]
    assert together.loc[0, "moved"] == "polymer_dose_kg_t"


def test_a_period_without_pressing_gives_no_blocks_and_no_changes() -> None:
    table = made_up_table(days=1)
    table.frame["phase"] = "stopped"
    minutes = sludge_minutes(table, PRESS, PLANT)
    assert minutes.empty
    assert steady_blocks(minutes, 60).empty
    assert speed_changes(minutes, 60).empty
