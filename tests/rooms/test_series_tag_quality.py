"""Readings judged tag by tag, on an hour that can be followed by hand."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trendkit.findings import Finding
from trendkit.plant.model import Plant, Press, Tag
from trendkit.series import PressGrid, account_for_tags
from trendkit.series.grid import Habit

START = pd.Timestamp("2026-03-02T12:00Z")
INDEX = pd.date_range(START, periods=60, freq="min", name="time")
END = START + pd.Timedelta(hours=1)


def minute(number: int) -> pd.Timestamp:
    return START + pd.Timedelta(minutes=number)


def finding(tag: str, fault: str, first: int, past: int, count: int = 1) -> Finding:
    return Finding("bfp-1", tag, None, fault, minute(first), minute(past), "", count=count)  # type: ignore[arg-type]


def plant_of(press: Press) -> Plant:
    return Plant("Test works", "America/Denver", (press,), Path("plant.toml"), "0")


def account(*findings: Finding, feed: np.ndarray | None = None):  # type: ignore[no-untyped-def]
    tags = {
        "feed_flow": Tag("feed_flow", "FEED", "feed_flow_m3_h", "m3/h", "m3/h", "analog"),
        "running": Tag("running", "RUN", "running", "", "", "state"),
    }
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags=tags)
    values = np.full(60, 20.0) if feed is None else feed
    roles = pd.DataFrame({"feed_flow_m3_h": values, "running": [1.0] * 30 + [0.0] * 30}, index=INDEX)
    good_s = pd.DataFrame({"feed_flow_m3_h": 60.0 * np.isfinite(values), "running": 60.0}, index=INDEX)
    habits = {"feed_flow_m3_h": Habit("FEED", "feed_flow", "sampled", 60.0, 0.25)}
    grid = PressGrid("bfp-1", 60, roles, good_s, {}, findings, habits=habits)
    return account_for_tags(grid, press, plant_of(press), START, END)


def test_clean_readings_are_good_throughout() -> None:
    told = account()
    feed, running = told.tags
    assert (feed.share_good, feed.share_good_moving, feed.lowest, feed.highest) == (1.0, 1.0, 20.0, 20.0)
    assert feed.faults == () and feed.gaps == 0 and told.moving_hours == 0.5
    assert np.isnan(running.lowest) and feed.habit is not None and feed.habit.uncertain_share == 0.25


def test_a_fault_counts_its_span_and_the_moving_minutes_it_cost() -> None:
    """Stuck from minute 20 to 40: 20 minutes, of which the press moved in 10."""
    feed = np.full(60, 20.0)
    feed[20:40] = np.nan
    told = account(finding("FEED", "frozen", 20, 40), feed=feed)
    (tally,) = told.tags[0].faults
    assert (tally.fault, tally.count, tally.minutes, tally.lost_minutes) == ("frozen", 1, 20.0, 10.0)
    assert told.tags[0].share_good == pytest.approx(40 / 60)
    assert told.tags[0].share_good_moving == pytest.approx(20 / 30)


def test_a_silence_of_all_tags_is_a_gap_of_each() -> None:
    feed = np.full(60, 20.0)
    feed[5:10] = np.nan
    feed[30:50] = np.nan
    told = account(finding("all tags", "gap", 5, 10), finding("FEED", "gap", 30, 50), feed=feed)
    gaps = [(tag.gaps, tag.gap_minutes, tag.longest_gap_minutes) for tag in told.tags]
    assert gaps == [(2, 25.0, 20.0), (0, 0.0, 0.0)]  # the switch was known all the same


def test_doubled_times_cost_nothing_and_are_counted_in_readings() -> None:
    (tally,) = account(finding("FEED", "duplicate", 0, 60, count=7)).tags[0].faults
    assert (tally.count, tally.minutes, tally.lost_minutes) == (7, 0.0, 0.0)


def test_a_period_beyond_the_readings_counts_as_without_them() -> None:
    told = account_for_tags_over(END + pd.Timedelta(hours=1))
    assert told.tags[0].share_good == 0.5


def account_for_tags_over(end: pd.Timestamp):  # type: ignore[no-untyped-def]
    tags = {"feed_flow": Tag("feed_flow", "FEED", "feed_flow_m3_h", "m3/h", "m3/h", "analog")}
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags=tags)
    roles = pd.DataFrame({"feed_flow_m3_h": np.full(60, 20.0)}, index=INDEX)
    return account_for_tags(PressGrid("bfp-1", 60, roles, roles * 3.0, {}), press, plant_of(press), START, end)


def test_days_are_the_plant_s_and_the_one_the_period_cuts_counts_with_its_part() -> None:
    """05:00 UTC to 09:00 UTC in Denver: two hours of the first of March, two of the second, the last hour silent."""
    start = pd.Timestamp("2026-03-02T05:00Z")
    index = pd.date_range(start, periods=180, freq="min", name="time")
    tags = {"feed_flow": Tag("feed_flow", "FEED", "feed_flow_m3_h", "m3/h", "m3/h", "analog")}
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags=tags)
    roles = pd.DataFrame({"feed_flow_m3_h": np.full(180, 20.0)}, index=index)
    grid = PressGrid("bfp-1", 60, roles, roles * 3.0, {})
    days = account_for_tags(grid, press, plant_of(press), start, start + pd.Timedelta(hours=4)).days
    assert [(each.day.day, each.hours, each.share_good, each.worst_tag) for each in days] == [
        (1, 2.0, 1.0, "FEED"),
        (2, 2.0, 0.5, "FEED"),
    ]
