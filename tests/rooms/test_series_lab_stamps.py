"""Results all stamped at one clock time while the press stood are receipts, not samples; a fixed round is neither."""

import numpy as np
import pandas as pd
from press_grid import plant_of, press_of

from trendkit.series import PressGrid, mark_receipts

DAYS = pd.date_range("2026-03-02", periods=8, freq="D", tz="America/Denver")
PRESS = press_of()


def grid(from_hour, to_hour):
    times = pd.date_range(DAYS[0], DAYS[-1] + pd.Timedelta(days=1), freq="10min", inclusive="left").tz_convert("UTC")
    hour = times.tz_convert("America/Denver").hour
    roles = pd.DataFrame({"feed_flow_m3_h": np.where((hour >= from_hour) & (hour < to_hour), 30.0, 0.0)}, index=times)
    return PressGrid(PRESS.slug, 600, roles, 600.0 * roles.notna(), {}, ())


def sheet(*clocks):
    days = DAYS.tz_localize(None)
    moments = [day + pd.Timedelta(hours=clocks[number % len(clocks)]) for number, day in enumerate(days)]
    return pd.DataFrame(
        {"sampled_at": pd.DatetimeIndex(moments).tz_localize("America/Denver").tz_convert("UTC"), "press": PRESS.slug, "point": "cake",
         "analysis": "TS", "value": 21.0, "is_suspect": False, "why": ""}
    )  # fmt: skip


def test_eight_o_clock_before_the_run_is_the_time_of_receipt():
    marked, found = mark_receipts(grid(10, 18), sheet(8), PRESS, plant_of(PRESS))
    assert marked["is_suspect"].all() and "08:00" in marked["why"].iloc[0]
    assert [each.fault for each in found] == ["clock_shift"]
    assert "most likely in the run before" in found[0].effect


def test_a_round_at_eight_with_the_press_fed_is_left_alone():
    marked, found = mark_receipts(grid(6, 18), sheet(8), PRESS, plant_of(PRESS))
    assert not marked["is_suspect"].any() and found == ()


def test_samples_at_many_times_are_left_alone():
    marked, found = mark_receipts(grid(10, 18), sheet(11, 12, 13, 14), PRESS, plant_of(PRESS))
    assert not marked["is_suspect"].any() and found == ()
