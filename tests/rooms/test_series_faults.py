"""Faults of meters, each planted in readings whose every number is known, and what must not be taken for one."""

import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trendkit.exports.block import Block
from trendkit.plant.model import Press, Tag
from trendkit.series.accumulate import Accumulator
from trendkit.series.clock_skew import find_clock_shifts
from trendkit.series.grid import PressGrid
from trendkit.series.lab_check import check_against_lab, compare_with_lab, departures_among, find_departures
from trendkit.series.segments import Bins
from trendkit.series.standstill import find_standstills
from trendkit.series.tracks import Track
from trendkit.series.unit_steps import find_unit_steps

MINUTE = 60_000_000
START = pd.Timestamp("2026-03-02", tz="UTC")
DAYS = 6
MINUTES = np.arange(DAYS * 1440)
OF_DAY = MINUTES % 1440
MOVING = (OF_DAY >= 420) & (OF_DAY < 960)  # 07:00 to 16:00
RANDOM = np.random.default_rng(11)
SEEDED = RANDOM.bit_generator.state
BINS = Bins(int(START.timestamp()) * 1_000_000, MINUTE, len(MINUTES))


@pytest.fixture(autouse=True)
def _same_noise_in_any_order_of_tests() -> None:
    RANDOM.bit_generator.state = SEEDED


def working(level: float, noise: float = 0.02, rest: float = 0.0) -> np.ndarray:
    return np.where(MOVING, level * (1 + noise * RANDOM.normal(size=len(MINUTES))), rest)


def track_of(readings: np.ndarray, kind: str = "analog", name: str = "x") -> tuple[Track, Any]:
    tag = Tag(name, "T", f"{name}_y", "", "", kind)  # type: ignore[arg-type]
    accumulator = Accumulator([("k", tag)], BINS, 600.0)
    accumulator.add(Block(BINS.start_us + MINUTES * MINUTE, {"T": np.asarray(readings, float)}))
    return accumulator.finish()["k"], accumulator.channels["k"]


def means(track: Track) -> np.ndarray:
    return np.divide(track.sloped, track.good_s, out=np.full(len(MINUTES), np.nan), where=track.good_s > 30)


def standstills(readings: np.ndarray, name: str = "feed_solids") -> list[Any]:
    track, _ = track_of(readings)
    return find_standstills(name, track, means(track), MOVING)


# --- frozen ----------------------------------------------------------------------------------------------


def test_a_meter_that_stands_still_for_an_hour_of_pressing_is_frozen() -> None:
    readings = working(3.0)
    at = 2 * 1440 + 600
    readings[at : at + 60] = readings[at]
    (still,) = standstills(readings)
    assert at <= still.first <= at + 1
    assert still.past == pytest.approx(at + 60, abs=1)
    assert still.usual_share > 0.95


def test_rest_at_zero_or_at_the_resting_level_is_not_frozen() -> None:
    assert standstills(working(3.0)) == []
    assert standstills(working(3.0, rest=2.9)) == []
    stopped = working(3.0)
    stopped[1440 + 500 : 1440 + 700] = 0.0
    assert standstills(stopped) == []


def test_a_constant_setting_is_not_frozen() -> None:
    steps = np.repeat(RANDOM.uniform(8, 12, DAYS * 2), 720)
    assert standstills(np.where(MOVING, steps, 0.0), "gravity_belt_speed") == []
    assert standstills(np.full(len(MINUTES), 0.25), "polymer_strength") == []


def test_a_coarse_reading_that_often_repeats_is_judged_by_its_own_habit() -> None:
    coarse = np.where(MOVING, np.round(working(3.0, noise=0.01), 1), 0.0)
    assert standstills(coarse) == []
    at = 1440 + 450
    coarse[at : at + 300] = coarse[at]
    assert len(standstills(coarse)) == 1


# --- spikes and codes ------------------------------------------------------------------------------------


def test_a_lone_reading_far_off_is_left_out_and_its_neighbours_joined() -> None:
    readings = working(100.0)
    readings[2000] = 420.0
    track, channel = track_of(readings)
    assert channel.faults["spike"].merged(0).count.tolist() == [1]
    assert means(track)[2000] == pytest.approx(100.0, rel=0.1)


def test_a_step_of_the_sludge_or_a_start_is_no_spike() -> None:
    readings = working(100.0)
    readings[2500:] *= 1.4
    readings[2300] = 0.0
    _, channel = track_of(readings)
    assert "spike" not in channel.faults


def test_a_pumped_flow_that_leaps_for_one_reading_is_a_spike_though_another_mode_runs_higher() -> None:
    readings = working(80.0, noise=0.01)
    readings[MOVING & (MINUTES >= 3 * 1440) & (MINUTES < 4 * 1440)] *= 2.0  # a day of thickening at 160
    spiked = np.flatnonzero(MOVING)[200]
    readings[spiked] = 192.0
    track, channel = track_of(readings, name="feed_flow")
    assert channel.faults["spike"].merged(0).start_us.tolist() == [BINS.start_us + spiked * MINUTE]
    assert means(track)[spiked] == pytest.approx(80.0, rel=0.05)


def test_a_lone_high_reading_of_what_the_press_throws_out_is_the_press_s_own() -> None:
    readings = working(5000.0, noise=0.01)
    readings[MOVING & (MINUTES >= 3 * 1440) & (MINUTES < 4 * 1440)] *= 2.0
    readings[np.flatnonzero(MOVING)[200]] = 12000.0
    assert "spike" not in track_of(readings, name="cake_rate")[1].faults


def test_the_first_flush_of_a_run_is_no_spike() -> None:
    readings = working(600.0, rest=8.0)
    readings[np.flatnonzero(MOVING)[5]] = 1900.0  # five minutes after the start
    assert "spike" not in track_of(readings, name="filtrate_solids")[1].faults


def test_a_pump_tried_for_a_minute_is_no_spike() -> None:
    readings = working(80.0)
    readings[300] = 80.0
    assert "spike" not in track_of(readings, name="feed_flow")[1].faults


def test_a_meter_that_reads_so_low_that_it_cannot_resolve_its_noise_is_not_frozen() -> None:
    readings = np.round(working(1.6, noise=0.03), 1)
    low = np.flatnonzero(MOVING)[100:200]
    readings[low] = np.round(0.2 * (1 + 0.03 * RANDOM.normal(size=len(low))), 1)
    assert standstills(readings, "dilution_water_flow") == []


def test_a_code_for_no_value_is_out_of_range_even_without_a_range() -> None:
    readings = working(100.0)
    readings[2000:2040] = -999.0
    track, channel = track_of(readings)
    assert channel.faults["out_of_range"].merged(0).count.tolist() == [40]
    assert np.nanmin(means(track)) >= 0.0


# --- another unit ----------------------------------------------------------------------------------------


def columns(**changed: np.ndarray) -> dict[str, np.ndarray]:
    usual = {"feed": working(40.0), "filtrate": working(55.0), "wash": working(9.0), "power": working(14.0)}
    return usual | changed


UNITS = {"feed": "m3/h", "filtrate": "m3/h", "wash": "m3/h", "power": "kW"}


def test_a_flow_in_the_other_unit_for_a_day_is_found_from_step_to_step() -> None:
    feed = working(40.0)
    feed[2 * 1440 + 600 : 3 * 1440 + 700] *= 4.402868
    found = find_unit_steps(columns(feed=feed), UNITS, MOVING)
    (step,) = found["feed"]
    assert list(found) == ["feed"]
    assert (step.first, step.past) == (2 * 1440 + 600, 3 * 1440 + 700)
    assert step.ratio == pytest.approx(4.403, rel=0.03)
    assert step.units == "gal/min and m3/h"


def test_the_way_back_is_not_taken_for_the_fault() -> None:
    """In the other unit from the very start: the first day is off, not the five after it."""
    feed = working(40.0)
    feed[: 1440 + 600] *= 0.2271247
    (step,) = find_unit_steps(columns(feed=feed), UNITS, MOVING)["feed"]
    assert step.past == 1440 + 600
    assert step.ratio == pytest.approx(0.227, rel=0.03)


def test_a_step_that_others_share_or_that_fits_no_unit_is_none() -> None:
    half = np.where(MINUTES < 3 * 1440 + 600, 1.0, 1 / 3.6)
    all_down = {name: values * half for name, values in columns().items()}
    assert find_unit_steps(all_down, UNITS, MOVING) == {}
    assert find_unit_steps(columns(feed=working(40.0) * np.where(half < 1, 0.5, 1.0)), UNITS, MOVING) == {}


def test_a_stuck_reading_at_an_unlucky_height_is_no_other_unit() -> None:
    wash = working(9.0)
    wash[2 * 1440 + 600 : 2 * 1440 + 760] = 9.0 * 3.785412
    assert find_unit_steps(columns(wash=wash), UNITS, MOVING) == {}


# --- clocks ----------------------------------------------------------------------------------------------


def test_a_tag_that_follows_every_start_and_stop_late_has_a_shifted_clock() -> None:
    flow = working(40.0)
    late = flow.copy()
    rows = (MINUTES >= 2 * 1440) & (MINUTES < 4 * 1440)
    late[rows] = flow[np.flatnonzero(rows) - 25]
    (shift,) = find_clock_shifts(late, MOVING, 60.0)
    assert shift.late_s == pytest.approx(25 * 60, abs=60)
    assert shift.edges == 4
    assert find_clock_shifts(flow, MOVING, 60.0) == []


def test_a_tag_that_shows_no_rest_says_nothing_of_its_clock() -> None:
    assert find_clock_shifts(working(3.0, rest=3.0), MOVING, 60.0) == []


# --- against the bench -----------------------------------------------------------------------------------

PRESS = Press(
    "BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0,
    tags={"feed_solids": Tag("feed_solids", "FEED_TS", "feed_solids_pct", "%TS", "percent", "analog")},
)  # fmt: skip


def grabs(true_solids: np.ndarray, noise: float = 0.02) -> pd.DataFrame:
    places = np.flatnonzero(MOVING & (OF_DAY % 180 == 90))
    return pd.DataFrame(
        {
            "sampled_at": START + pd.to_timedelta(places, unit="min"),
            "press": "bfp-1",
            "point": "feed",
            "analysis": "TS",
            "value": true_solids[places] * (1 + noise * RANDOM.normal(size=len(places))),
            "is_suspect": False,
        }
    )


def grid(meter: np.ndarray) -> PressGrid:
    index = pd.DatetimeIndex(START + pd.to_timedelta(MINUTES, unit="min"), name="time")
    roles = pd.DataFrame({"feed_solids_pct": meter}, index=index)
    return PressGrid("bfp-1", 60, roles, roles * 0 + 60.0, {"feed_solids_pct": "metered"})


def test_an_agreeing_meter_gives_no_finding_whatever_the_sludge_does() -> None:
    sludge = 3.0 + 0.8 * np.sin(MINUTES / 2000.0)
    assert compare_with_lab(grid(sludge), grabs(sludge), PRESS) == ()


def test_a_meter_that_reads_high_for_two_days_has_an_offset_there_and_is_left_out() -> None:
    sludge = 3.0 + 0.8 * np.sin(MINUTES / 2000.0)
    off = (MINUTES >= 2 * 1440) & (MINUTES < 4 * 1440)
    checked = check_against_lab(grid(sludge * np.where(off, 1.25, 1.0)), grabs(sludge), PRESS)
    (finding,) = checked.findings
    assert (finding.fault, finding.role) == ("offset", "feed_solids")
    assert abs(finding.start_utc - (START + pd.Timedelta(days=2))) < pd.Timedelta(hours=10)
    assert abs(finding.end_utc - (START + pd.Timedelta(days=4))) < pd.Timedelta(hours=10)
    assert "25 % above" in finding.evidence or "24 % above" in finding.evidence or "26 % above" in finding.evidence
    assert checked.roles["feed_solids_pct"].loc[finding.start_utc : finding.end_utc].iloc[:-1].isna().all()
    assert checked.roles["feed_solids_pct"].notna().sum() > 3.3 * 1440
    left_out = int(checked.roles["feed_solids_pct"].isna().sum())
    assert finding.effect.startswith(f"left out of {left_out} minutes")


def test_one_wild_grab_condemns_no_meter() -> None:
    sludge = np.full(len(MINUTES), 3.0)
    bench = grabs(sludge)
    bench.loc[7, "value"] = 6.0
    assert compare_with_lab(grid(sludge), bench, PRESS) == ()


def test_a_meter_off_throughout_is_named_and_kept() -> None:
    sludge = np.full(len(MINUTES), 3.0)
    checked = check_against_lab(grid(sludge * 1.3), grabs(sludge), PRESS)
    assert [each.fault for each in checked.findings] == ["offset"]
    assert "put on the scale of the grabs" in checked.findings[0].effect
    assert checked.roles["feed_solids_pct"].notna().all()


def test_a_growing_difference_is_a_drift() -> None:
    hours = np.arange(24) * 6.0
    rest = np.where(hours > 60, 0.3 * (hours - 60) / (hours[-1] - 60), 0.0)
    _, found = find_departures(hours, rest + 0.01 * np.cos(np.arange(24) * 2.1))
    assert found[0].kind == "drift"
    assert found[0].size == pytest.approx(0.3, abs=0.05)


def test_the_surest_stretch_is_that_of_least_squares_over_every_stretch() -> None:
    """Consistency check: every stretch fitted on its own by numpy's least squares."""
    hours = np.cumsum(RANDOM.exponential(6.0, 30))
    rest = 0.04 * RANDOM.normal(size=30) + np.where((hours > hours[9]) & (hours <= hours[20]), 0.25, 0.0)
    spread = 0.04
    surest = {"offset": 0.0, "drift": 0.0}
    for first in range(30):
        for past in range(first + 4, min(first + 22, 30) + 1):
            here = hours[first:past]
            ramp = (here - here[0]) / (here[-1] - here[0])
            for kind, column, fewest, least in (("offset", np.ones(len(here)), 4, 0.08), ("drift", ramp, 6, 0.12)):
                size = np.linalg.lstsq(column[:, None], rest[first:past], rcond=None)[0][0]
                if len(here) >= fewest and abs(size) >= least:
                    surest[kind] = max(surest[kind], abs(size) * np.sqrt(column @ column) / spread)
    found = departures_among(hours, rest, spread)
    for kind, most in surest.items():
        assert max(each.standard_errors for each in found if each.kind == kind) == pytest.approx(most, rel=1e-9)


def test_grabs_of_one_moment_are_no_drift() -> None:
    found = departures_among(np.zeros(12), np.full(12, 0.5), 0.04)
    assert {each.kind for each in found} == {"offset"}


def test_without_grabs_nothing_is_said() -> None:
    assert check_against_lab(grid(working(3.0)), None, PRESS).findings == ()


def test_bins_of_an_hour_say_nothing_of_a_clock_off_by_minutes() -> None:
    on = np.arange(48) % 12 < 6
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert find_clock_shifts(np.where(on, 20.0, 0.0), on, 3600.0) == []
