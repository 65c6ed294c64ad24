"""Plant days, months and shifts follow the plant's clocks, changes of them included."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from plant_file import changed, write

from trendkit.errors import InputError
from trendkit.plant import (
    Plant,
    Shift,
    day_period,
    load_plant,
    month_period,
    parse_day,
    parse_moment,
    period_between,
    plant_days,
    shift_names,
    to_utc,
)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    folder: Path = tmp_path_factory.mktemp("plant")
    return load_plant(write(folder, changed(('day_starts_at = "07:00"', 'day_starts_at = "00:00"'))))


@pytest.fixture(scope="module")
def seven_o_clock(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    return load_plant(write(tmp_path_factory.mktemp("seven"), changed()))


def test_a_plant_day_has_23_hours_in_spring_and_25_in_autumn(plant: Plant) -> None:
    hours = [day_period(plant, day).hours for day in (date(2026, 3, 7), date(2026, 3, 8), date(2026, 11, 1))]
    assert hours == [24.0, 23.0, 25.0]


def test_a_day_that_starts_at_seven_is_short_when_the_clocks_change_in_it(seven_o_clock: Plant) -> None:
    assert day_period(seven_o_clock, date(2026, 3, 7)).hours == 23.0
    assert day_period(seven_o_clock, date(2026, 3, 8)).hours == 24.0


def test_a_month_runs_from_its_first_plant_day_to_the_next_months(plant: Plant) -> None:
    month = month_period(plant, "2026-03")
    assert month.start_utc == pd.Timestamp("2026-03-01 07:00", tz="UTC")
    assert month.end_utc == pd.Timestamp("2026-04-01 06:00", tz="UTC")
    assert month_period(plant, "2026-12").end_utc == pd.Timestamp("2027-01-01 07:00", tz="UTC")


def test_the_hour_shown_twice_in_autumn_is_the_earlier_one() -> None:
    assert to_utc(datetime(2026, 11, 1, 1, 30), "America/Denver") == pd.Timestamp("2026-11-01 07:30", tz="UTC")


def test_minutes_before_the_days_start_belong_to_the_day_before(seven_o_clock: Plant) -> None:
    times = pd.DatetimeIndex(["2026-03-10 12:59", "2026-03-10 13:00"], tz="UTC")
    assert plant_days(seven_o_clock, times).tolist() == [date(2026, 3, 9), date(2026, 3, 10)]


def test_a_night_shift_runs_past_midnight() -> None:
    shifts = (Shift("day", "07:00", "19:00"), Shift("night", "19:00", "07:00"))
    times = pd.DatetimeIndex(["2026-03-10 14:00", "2026-03-11 03:00", "2026-03-11 12:59"], tz="UTC")
    assert shift_names(shifts, times, "America/Denver").tolist() == ["day", "night", "night"]


def test_minutes_outside_all_shifts_have_no_shift() -> None:
    times = pd.DatetimeIndex(["2026-03-11 03:00"], tz="UTC")
    assert shift_names((Shift("day", "07:00", "19:00"),), times, "America/Denver").tolist() == [""]


def test_a_bare_date_is_the_start_of_that_plant_day(seven_o_clock: Plant) -> None:
    assert parse_moment(seven_o_clock, "2026-03-10", "--from") == pd.Timestamp("2026-03-10 13:00", tz="UTC")


def test_times_are_plant_local_unless_they_carry_an_offset(plant: Plant) -> None:
    assert parse_moment(plant, "2026-03-10T08:00", "--from") == pd.Timestamp("2026-03-10 14:00", tz="UTC")
    assert parse_moment(plant, "2026-03-10T08:00+00:00", "--from") == pd.Timestamp("2026-03-10 08:00", tz="UTC")


@pytest.mark.parametrize("text", ["2026-13", "March", "2026-3", "2026-00"])
def test_what_is_no_month_is_refused(plant: Plant, text: str) -> None:
    with pytest.raises(InputError, match=r"this is not a month.*YYYY-MM"):
        month_period(plant, text)


def test_what_is_no_day_is_refused() -> None:
    with pytest.raises(InputError, match="--day: this is not a day; found '2026-02-30'"):
        parse_day("2026-02-30")


def test_an_empty_period_is_refused(plant: Plant) -> None:
    with pytest.raises(InputError, match="the period is empty"):
        period_between(plant, "2026-03-10", "2026-03-10")
    with pytest.raises(InputError, match="neither a day nor a time"):
        period_between(plant, "yesterday", "2026-03-10")


@pytest.mark.parametrize(
    ("starts_at", "changes_on"),
    [("02:30", date(2026, 3, 8)), ("01:30", date(2026, 11, 1)), ("00:00", date(2026, 11, 1))],
)
def test_every_moment_belongs_to_the_day_whose_period_holds_it(plant: Plant, starts_at: str, changes_on: date) -> None:
    """Also where the day begins in the hour that a clock change skips or shows twice."""
    of = replace(plant, day_starts_at=starts_at)
    for day in (changes_on - timedelta(days=1), changes_on, changes_on + timedelta(days=1)):
        period = day_period(of, day)
        times = pd.date_range(period.start_utc, period.end_utc, freq="5min", inclusive="left")
        assert set(plant_days(of, times)) == {day}


@pytest.mark.parametrize("month", ["9999-12", "0000-01", "1989-12"])
def test_a_month_of_no_exports_time_is_refused_in_a_sentence(plant: Plant, month: str) -> None:
    with pytest.raises(InputError, match=f"--month: the year cannot be meant; found '{month}'"):
        month_period(plant, month)


def test_a_day_of_no_exports_time_is_refused_in_a_sentence(plant: Plant) -> None:
    for read in (lambda: parse_day("9999-12-31"), lambda: parse_moment(plant, "0001-01-01T00:00", "--from")):
        with pytest.raises(InputError, match="the year cannot be meant"):
            read()
