"""Times of exports: their order, zones, clock changes and odd notations.

The numbers in brackets count the cases of the project's list of export oddities, F3.
"""

import gzip
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from exports_files import a_plant, take_all, written
from hypothesis import given
from hypothesis import strategies as st

from trendkit.errors import InputError
from trendkit.exports import open_export, textfile
from trendkit.exports.clock import ClockTally, Zone, to_utc
from trendkit.exports.moments import take_apart
from trendkit.plant.model import Source

PLANT = a_plant("FLOW", timezone="UTC")
DENVER = a_plant("FLOW", timezone="America/Denver")


def rows(times, header="Time,FLOW"):
    return header + "\n" + "".join(f"{time},{number}.5\n" for number, time in enumerate(times))


def refusal(plant, *paths):
    with pytest.raises(InputError) as caught:
        take_all(plant, *paths)
    return str(caught.value)


def test_days_up_to_twelve_alone_are_asked_about_43(tmp_path):
    message = refusal(PLANT, written(tmp_path, rows(["01/02/2026 00:00", "01/02/2026 00:01"])))
    assert message == (
        "export.csv: the dates can be read day first or month first, and nothing decides which; found "
        "'01/02/2026 00:00'; expected a day above the 12th in this file or in another one given with it. To do: give "
        'a file of later days along with it, or add dates = "day_first" (or "month_first") to a [[source]] of the '
        "plant file."
    )


def test_another_file_of_the_set_decides_43(tmp_path):
    first = written(tmp_path, rows(["01/02/2026 00:00"]), "a.csv")
    second = written(tmp_path, rows(["13/02/2026 00:00"]), "b.csv")
    taken = take_all(PLANT, first, second)
    assert taken.times("FLOW") == ["2026-02-01T00:00:00", "2026-02-13T00:00:00"]
    assert "dates are read day first, as the other files prove" in taken.notes


def test_the_plant_file_decides_43(tmp_path):
    plant = a_plant("FLOW", timezone="UTC", sources=(Source("*.csv", dates="month_first"),))
    assert take_all(plant, written(tmp_path, rows(["01/02/2026 00:00"]))).times("FLOW") == ["2026-01-02T00:00:00"]


def test_rows_that_run_on_at_midnight_decide_43(tmp_path):
    hours = pd.date_range("2026-02-01", periods=96, freq="h").strftime("%d/%m/%Y %H:%M")
    taken = take_all(PLANT, written(tmp_path, rows(hours)))
    assert taken.times("FLOW")[0] == "2026-02-01T00:00:00" and taken.times("FLOW")[-1] == "2026-02-04T23:00:00"


def test_a_day_above_twelve_anywhere_decides_44(tmp_path):
    days = [f"{day:02d}/02/2026 00:00" for day in range(1, 14)]
    taken = take_all(PLANT, written(tmp_path, rows(days)))
    assert taken.times("FLOW")[-1] == "2026-02-13T00:00:00"
    assert "dates are read day first, as its dates prove" in taken.notes


def test_months_first_is_proved_the_same_way_44(tmp_path):
    assert (
        take_all(PLANT, written(tmp_path, rows(["2/1/2026 0:00", "2/13/2026 0:00"]))).times("FLOW")[0]
        == "2026-02-01T00:00:00"
    )


def test_contradicting_dates_are_refused_44(tmp_path):
    message = refusal(PLANT, written(tmp_path, rows(["13/02/2026 00:00", "02/14/2026 00:00"])))
    assert message.startswith("export.csv: some dates can only be day first and others only month first")


@pytest.mark.parametrize("time", ["24-01-02 00:00", "01/02/24 00:00", "02-Jan-24 00:00"])
def test_two_digit_years_are_refused_45(tmp_path, time):
    message = refusal(PLANT, written(tmp_path, rows([time])))
    assert message == (
        f"export.csv: the years have two digits, which could be days as well; found '{time}'; expected years of four "
        "digits. To do: export the times as in 2026-03-14 07:00:00."
    )


def test_midnight_as_24_is_the_next_day_46(tmp_path):
    taken = take_all(PLANT, written(tmp_path, rows(["2026-02-01 23:59", "2026-02-01 24:00", "2026-02-02 00:01"])))
    assert taken.times("FLOW") == ["2026-02-01T23:59:00", "2026-02-02T00:00:00", "2026-02-02T00:01:00"]


@pytest.mark.parametrize("noon", ["2/13/2026 12:30 PM", "2/13/2026 12:30 pm", "2/13/2026 12:30:00 p.m."])
def test_twelve_hour_clock_47(tmp_path, noon):
    taken = take_all(
        PLANT, written(tmp_path, rows([noon.replace("12:30", "12:15").replace("P", "A").replace("p", "a"), noon]))
    )
    assert taken.times("FLOW") == ["2026-02-13T00:15:00", "2026-02-13T12:30:00"]


def test_a_twelve_hour_clock_without_am_and_pm_is_noticed_47(tmp_path):
    hours = [
        f"2026-02-{day:02d} {hour:02d}:{minute:02d}"
        for day in (1, 2)
        for _ in "ap"
        for hour in (12, *range(1, 12))
        for minute in (0, 30)
    ]
    message = refusal(PLANT, written(tmp_path, rows(hours)))
    assert message.startswith("export.csv: the hours run from 1 to 12 twice a day without AM or PM")


def test_fractions_of_seconds_may_come_and_go_48(tmp_path):
    cells = ["2026-02-01 00:00:00", "2026-02-01 00:00:00.5", "2026-02-01 00:00:01.1234567", "2026-02-01 00:00:02"]
    taken = take_all(PLANT, written(tmp_path, rows(cells)))
    assert [time.microsecond for time in taken.series["FLOW"].index] == [0, 500000, 123456, 0]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("03-Mar-2026 10:00", "2026-03-03T10:00:00"),
        ("3. Mrz 2026 10:00", "2026-03-03T10:00:00"),
        ("3 mai 2026 10:00", "2026-05-03T10:00:00"),
        ("3-dic-2026 10:00", "2026-12-03T10:00:00"),
        ("3 September 2026 10:00", "2026-09-03T10:00:00"),
        ('"Mar 3, 2026 10:00"', "2026-03-03T10:00:00"),
    ],
)
def test_month_names_of_common_languages_49(tmp_path, cell, expected):
    assert take_all(PLANT, written(tmp_path, rows([cell]))).times("FLOW") == [expected]


def test_an_unknown_month_name_is_refused_by_line_49(tmp_path):
    taken = take_all(PLANT, written(tmp_path, rows(["03-Mar-2026 10:00", "03-Xyz-2026 10:00"])))
    assert taken.log.refusals == [(3, "the time cannot be read")]


def test_spreadsheet_days_are_turned_to_the_second_50(tmp_path):
    taken = take_all(PLANT, written(tmp_path, rows(["45292.00069", "45292.001388889"])))
    assert taken.times("FLOW") == ["2024-01-01T00:01:00", "2024-01-01T00:02:00"]
    assert taken.exports[0].time_format == "spreadsheet days since 1899-12-30"


@pytest.mark.parametrize("power", [0, 3, 6, 9])
def test_epoch_counts_are_told_by_their_size_51(tmp_path, power):
    seconds = 1769904000  # 2026-02-01 00:00 UTC
    taken = take_all(DENVER, written(tmp_path, rows([seconds * 10**power, (seconds + 60) * 10**power])))
    assert taken.times("FLOW") == ["2026-02-01T00:00:00", "2026-02-01T00:01:00"]


def local_minutes(start, count, step=1, zone="America/Denver"):
    moment = datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    return [
        (moment + timedelta(minutes=step * n)).astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")
        for n in range(count)
    ]


@pytest.mark.parametrize("step", [1, 5, 15, 30])
def test_the_repeated_hour_is_told_by_order_52(tmp_path, step):
    count = 6 * 60 // step
    taken = take_all(DENVER, written(tmp_path, rows(local_minutes("2026-11-01T00:00", count, step))))
    expected = pd.date_range("2026-11-01 06:00", periods=count, freq=f"{step}min", tz="UTC")
    assert list(taken.series["FLOW"].index) == list(expected)
    assert "were told apart by their order" in taken.notes and set(taken.quality["FLOW"]) == {"good"}


def test_the_repeated_hour_is_told_by_order_newest_first_52(tmp_path):
    cells = local_minutes("2026-11-01T00:00", 360)[::-1]
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert list(taken.series["FLOW"].index) == list(
        pd.date_range("2026-11-01 06:00", periods=360, freq="min", tz="UTC")
    )
    assert taken.values("FLOW")[0] == 359.5


def test_the_repeated_hour_is_told_per_tag_of_a_long_file_52(tmp_path):
    plant = a_plant("FLOW", "CAKE")
    cells = local_minutes("2026-11-01T00:00", 240)
    text = (
        "Time,Tag,Value\n"
        + "".join(f"{t},FLOW,{n}\n" for n, t in enumerate(cells))
        + "".join(f"{t},CAKE,{n}\n" for n, t in enumerate(cells))
    )
    taken = take_all(plant, written(tmp_path, text))
    for tag in ("FLOW", "CAKE"):
        assert list(taken.series[tag].index) == list(
            pd.date_range("2026-11-01 06:00", periods=240, freq="min", tz="UTC")
        )


def test_a_sorted_repeated_hour_is_kept_marked_and_counted_once_53(tmp_path):
    taken = take_all(DENVER, written(tmp_path, rows(sorted(local_minutes("2026-11-01T00:00", 240)))))
    hour = taken.series["FLOW"].loc["2026-11-01 07:00":"2026-11-01 07:59"]
    assert len(hour) == 60 and taken.quality["FLOW"].count("uncertain") == 60
    assert taken.log.duplicates["FLOW"].readings == 60
    assert "120 rows of the hour shown twice on 2026-11-01 cannot be told apart" in taken.notes


def test_few_rows_in_the_repeated_hour_are_marked_54(tmp_path):
    cells = ["2026-10-31 20:00", "2026-11-01 01:10", "2026-11-01 01:40", "2026-11-01 08:00"]
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert taken.quality["FLOW"] == ["good", "uncertain", "uncertain", "good"]
    assert taken.times("FLOW")[1] == "2026-11-01T07:10:00"


def test_a_file_that_starts_in_the_second_showing_is_told_by_what_follows_54(tmp_path):
    cells = local_minutes("2026-11-01T00:00", 300)[150:]
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert taken.times("FLOW")[0] == "2026-11-01T08:30:00"


def test_times_in_the_skipped_hour_show_a_clock_without_daylight_saving_55(tmp_path):
    clock = pd.date_range("2026-03-08 00:00", periods=360, freq="min").strftime("%Y-%m-%d %H:%M")
    after = pd.date_range("2026-04-01 00:00", periods=10, freq="min").strftime("%Y-%m-%d %H:%M")
    taken = take_all(DENVER, written(tmp_path, rows(clock), "a.csv"), written(tmp_path, rows(after), "b.csv"))
    assert taken.exports[0].timezone == "-07:00" and taken.exports[1].timezone == "-07:00"
    assert list(taken.series["FLOW"].index[:360]) == list(
        pd.date_range("2026-03-08 07:00", periods=360, freq="min", tz="UTC")
    )
    assert "show an hour that America/Denver skips, so the clock ignores daylight saving: read at -07:00" in taken.notes


@pytest.mark.parametrize("layout", ["wide", "long", "packed", "turned"])
def test_the_skipped_hour_is_looked_for_wherever_it_lies_55(tmp_path, monkeypatch, layout):
    monkeypatch.setattr(textfile, "HEAD_BYTES", 20_000)
    monkeypatch.setattr(textfile, "WHOLE_BYTES", 200_000)
    times = pd.date_range("2026-02-20", "2026-03-20", freq="min").strftime("%Y-%m-%d %H:%M")
    lines = [
        f"{time},FLOW,{number}\n" if layout == "long" else f"{time},{number}\n" for number, time in enumerate(times)
    ]
    text = ("Time,Tag,Value\n" if layout == "long" else "Time,FLOW\n") + "".join(
        lines[::-1] if layout == "turned" else lines
    )
    path = written(tmp_path, gzip.compress(text.encode()) if layout == "packed" else text)
    taken = take_all(DENVER, path)
    assert taken.exports[0].timezone == "-07:00"
    steps = taken.series["FLOW"].index.diff()[1:]
    assert (steps == pd.Timedelta(minutes=1)).all() and len(steps) == len(times) - 1


def test_a_summary_says_how_a_file_is_read(tmp_path):
    export = open_export(written(tmp_path, rows(["13/02/2026 00:00", "14/02/2026 00:00"])), DENVER)
    assert export.summary() == (
        "export.csv: wide, 1 tags, 2026-02-13 07:00 to 2026-02-14 07:00 UTC; times: text such as '13/02/2026 00:00', day "
        "first; clock: America/Denver; dates are read day first, as its dates prove"
    )


def test_a_lone_time_in_the_skipped_hour_is_an_error_row_55(tmp_path):
    cells = local_minutes("2026-03-08T00:00", 240)
    cells.insert(120, "2026-03-08 02:30")
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert taken.exports[0].timezone == "America/Denver"
    assert len(taken.series["FLOW"]) == 240 and taken.log.refused == 1
    assert "1 row was refused: the clock skips this time in spring" in taken.notes
    assert taken.log.refusals == [(122, "the clock skips this time in spring")]


def test_a_clock_change_day_has_its_real_hours_56(tmp_path):
    day = take_all(DENVER, written(tmp_path, rows(local_minutes("2026-03-08T00:00", 23 * 60)))).series["FLOW"]
    assert (day.index[-1] - day.index[0]) == pd.Timedelta(hours=23) - pd.Timedelta(minutes=1)


def test_offsets_in_the_text_are_kept_also_mixed_57(tmp_path):
    cells = ["2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00", "2026-10-25T02:45:00Z"]
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert taken.times("FLOW") == ["2026-10-25T00:30:00", "2026-10-25T01:30:00", "2026-10-25T02:45:00"]
    assert taken.exports[0].timezone == "as each time says"


def test_zone_letters_of_the_plant_are_known_58(tmp_path):
    cells = ["2026-11-01 01:30:00 MDT", "2026-11-01 01:30:00 MST", "2026-11-01 02:30:00 UTC", "2026-11-01 01:30:00 EST"]
    taken = take_all(DENVER, written(tmp_path, rows(cells)))
    assert taken.times("FLOW") == ["2026-11-01T02:30:00", "2026-11-01T07:30:00", "2026-11-01T08:30:00"]
    assert taken.log.refusals == [(5, "the zone EST is not one of the plant's")]


def test_a_time_without_offset_among_others_with_one_is_refused_59(tmp_path):
    taken = take_all(DENVER, written(tmp_path, rows(["2026-02-01T00:00:00-07:00", "2026-02-01T00:01:00"])))
    assert taken.log.refusals == [(3, "the time lacks the offset from UTC other rows have")]


def test_a_newest_first_file_is_turned_round_62(tmp_path):
    cells = list(pd.date_range("2026-02-01", periods=50, freq="min").strftime("%Y-%m-%d %H:%M"))[::-1]
    taken = take_all(PLANT, written(tmp_path, rows(cells)))
    assert taken.series["FLOW"].index.is_monotonic_increasing and taken.values("FLOW")[0] == 49.5
    assert "the file runs newest first and was turned round" in taken.notes


def test_lines_of_refused_rows_are_right_in_a_file_turned_round_62(tmp_path):
    cells = list(pd.date_range("2026-02-01", periods=50, freq="min").strftime("%Y-%m-%d %H:%M"))[::-1]
    cells[7] = "soon"
    assert take_all(PLANT, written(tmp_path, rows(cells))).log.refusals == [(9, "the time cannot be read")]


def test_late_rows_are_put_in_order_and_counted_63(tmp_path):
    cells = list(pd.date_range("2026-02-01", periods=50, freq="min").strftime("%Y-%m-%d %H:%M"))
    cells[10], cells[13] = cells[13], cells[10]
    taken = take_all(PLANT, written(tmp_path, rows(cells)))
    assert taken.series["FLOW"].index.is_monotonic_increasing and taken.values("FLOW")[10] == 13.5
    assert "2 rows came after a later one and were put in order" in taken.notes


def test_files_pasted_in_the_wrong_order_are_sorted_63(tmp_path):
    march, february = (
        pd.date_range(day, periods=5000, freq="min").strftime("%Y-%m-%d %H:%M") for day in ("2026-03-10", "2026-02-01")
    )
    taken = take_all(PLANT, written(tmp_path, rows([*march, *february])))
    assert taken.series["FLOW"].index.is_monotonic_increasing and len(taken.series["FLOW"]) == 10_000


def test_rows_without_a_readable_time_are_refused_by_line_64(tmp_path):
    cells = ["2026-02-01 00:00", "", "NaT", "2026-02-30 00:00", "1926-02-01 00:00", "2026-02-01 00:05"]
    taken = take_all(PLANT, written(tmp_path, rows(cells)))
    assert taken.log.refusals == [
        (3, "the row has no time"),
        (4, "the time cannot be read"),
        (5, "there is no such date"),
        (6, "the year is out of all reason"),
    ]
    assert taken.log.refused == 4 and taken.log.rows == 6 and len(taken.series["FLOW"]) == 2


def test_blank_lines_do_not_shift_line_numbers_64(tmp_path):
    text = rows(["2026-02-01 00:00"]) + "\n\n2026-02-01 00:01,1.5\n\nlater,2.5\n"
    assert take_all(PLANT, written(tmp_path, text)).log.refusals == [(7, "the time cannot be read")]


def test_only_the_first_two_hundred_refusals_are_listed_all_are_counted_64(tmp_path):
    cells = ["2026-02-01 00:00"] * 300 + ["soon"] * 250
    log = take_all(PLANT, written(tmp_path, rows(cells))).log
    assert log.refused == 250 and len(log.refusals) == 200 and log.refusals[0] == (302, "the time cannot be read")


def test_dates_and_clock_times_in_two_columns_are_joined(tmp_path):
    text = "Date,Time,FLOW\n13/02/2026,00:00:05,1.5\n13/02/2026,1:00:05 PM,2.5\n"
    assert take_all(PLANT, written(tmp_path, text)).times("FLOW") == ["2026-02-13T00:00:05", "2026-02-13T13:00:05"]


def test_of_two_time_columns_side_by_side_utc_counts(tmp_path):
    text = "Local time,Time (UTC),FLOW\n2026-02-01 00:00,2026-02-01 07:00,1.5\n"
    taken = take_all(DENVER, written(tmp_path, text))
    assert taken.times("FLOW") == ["2026-02-01T07:00:00"] and "as UTC" in taken.notes


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        (Source("north_*.csv", timezone="UTC"), "2026-07-01T00:00:00"),
        (Source("north_*.csv", timezone="-07:00"), "2026-07-01T07:00:00"),
        (Source("north_*.csv", shift_clock_s=-90.0), "2026-07-01T05:58:30"),
        (Source("south_*.csv", timezone="UTC"), "2026-07-01T06:00:00"),
    ],
)
def test_each_source_has_its_zone_and_clock(tmp_path, source, expected):
    plant = a_plant("FLOW", sources=(source,))
    assert take_all(plant, written(tmp_path, rows(["2026-07-01 00:00"]), "north_1.csv")).times("FLOW") == [expected]


def test_the_time_cells_of_half_a_year_of_files_are_taken_apart_once():
    cells = [f"2026-03-02 00:00:00.{number:05d}" for number in range(30_000)]
    take_apart.cache_clear()
    for cell in (*cells, *cells):
        take_apart(cell)
    assert take_apart.cache_info().misses == len(cells)


def test_the_ends_of_a_file_are_known_before_it_is_read(tmp_path):
    cells = pd.date_range("2026-02-01", periods=90_000, freq="s").strftime("%Y-%m-%d %H:%M:%S")
    export = open_export(written(tmp_path, rows(cells)), DENVER)
    assert export.start_utc == pd.Timestamp("2026-02-01 07:00", tz="UTC")
    assert export.end_utc == pd.Timestamp("2026-02-02 07:59:59", tz="UTC")


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)),
    st.sampled_from(["America/Denver", "Europe/Berlin", "Australia/Adelaide", "Asia/Kolkata"]),
)
def test_local_times_go_to_utc_as_the_zone_data_say(moment, name):
    aware = moment.replace(tzinfo=ZoneInfo(name), fold=0)
    back = aware.astimezone(UTC).astimezone(ZoneInfo(name)).replace(tzinfo=None)
    local = int((moment - datetime(1970, 1, 1)) / timedelta(microseconds=1))
    found = to_utc(np.array([local], np.int64), Zone(name), ClockTally())
    if back != moment:  # never shown
        assert found.exists is not None and not found.exists[0]
    else:
        assert found.utc_us[0] == int(aware.astimezone(UTC).timestamp()) * 1_000_000 + moment.microsecond


@given(
    st.integers(1, 40), st.integers(0, 180), st.integers(2, 600), st.sampled_from(["America/Denver", "Europe/Berlin"])
)
def test_dense_rows_over_a_clock_change_keep_their_spacing(step, start, count, name):
    first = datetime(
        2026, 11 if "Denver" in name else 10, 1 if "Denver" in name else 25, tzinfo=ZoneInfo(name)
    ).astimezone(UTC)
    moments = [first + timedelta(minutes=start + step * n) for n in range(count)]
    local = [m.astimezone(ZoneInfo(name)).replace(tzinfo=None) for m in moments]
    if start > 50 or count * step < 200:
        return  # the hour must be entered from before and left
    as_us = np.array([int((m - datetime(1970, 1, 1)) / timedelta(microseconds=1)) for m in local], np.int64)
    found = to_utc(as_us, Zone(name), ClockTally())
    assert list(found.utc_us) == [int(m.timestamp()) * 1_000_000 for m in moments]
