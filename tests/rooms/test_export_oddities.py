"""The seventy oddities of real exports, and where each is proved.

`CASES` lists them with the tests that show what is made of each; the tests below take those that need more than a
file: how readings are weighed, bridged, counted and set against a clock. Facts of common practice unless a source is
named at the test.
"""

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from exports_files import a_tag, take_all, written

from trendkit.exports import open_exports
from trendkit.plant.model import Change, Plant, Press, Source, Tag
from trendkit.series import PressGrid, account_for_tags, build_grids

ROOMS = Path(__file__).parent
CASES: dict[int, tuple[str, tuple[str, ...]]] = {
    1: ("byte-order mark", ("test_byte_order_mark_is_stripped_from_the_first_header_1",)),
    2: ("UTF-16", ("test_utf16_is_decoded_and_noted_2",)),
    3: ("Windows-1252 in the header", ("test_windows_1252_header_is_read_with_a_note_3",)),
    4: ("semicolons and decimal commas", ("test_semicolons_and_decimal_commas_are_told_together_4",)),
    5: ("thousands points", ("test_thousands_points_with_decimal_comma_5",)),
    6: ("1.234 can be two numbers", ("test_a_mark_that_could_be_thousands_or_decimals_is_asked_about_6",)),
    7: ("grouped thousands in quotes", ("test_grouped_thousands_in_quotes_7_and_quoted_numbers_8",)),
    8: ("quoted numbers", ("test_grouped_thousands_in_quotes_7_and_quoted_numbers_8",)),
    9: ("odd spaces, minus, notations, units in cells", (
        "test_odd_spaces_and_minus_are_read_other_notations_are_texts_9",
        "test_a_constant_unit_behind_the_numbers_is_taken_off_and_said_9",
    )),
    10: ("lines above the header", ("test_lines_above_the_header_are_listed_10",)),
    11: ("a row of units", ("test_a_row_of_units_is_kept_as_units_11", "test_a_row_of_units_is_said_11")),
    12: ("two header rows", ("test_of_two_header_rows_the_one_with_the_tags_counts_12",)),
    13: ("the header again inside", ("test_header_lines_repeated_inside_are_counted_not_refused_13",)),
    14: ("footers", ("test_footers_are_refused_with_their_lines_14",)),
    15: ("a delimiter at the end of rows", ("test_a_trailing_delimiter_shifts_nothing_15",)),
    16: ("ragged rows", ("test_ragged_rows_are_refused_by_line_and_the_others_kept_16",)),
    17: ("a file cut in mid-line", ("test_a_line_cut_while_copying_is_dropped_with_a_note_17",)),
    18: ("NUL bytes", ("test_rows_of_nul_bytes_are_refused_and_counted_18",)),
    19: ("mixed line ends", ("test_mixed_line_ends_are_taken_19",)),
    20: ("padded names", ("test_names_are_matched_without_padding_and_case_20",)),
    21: ("two columns of one name", ("test_two_different_columns_of_one_name_are_asked_about_21",)),
    22: ("an empty file, a header alone", ("test_an_empty_file_is_said_22", "test_a_header_alone_is_said_22")),
    23: ("packed, torn, wrongly named files", (
        "test_a_workbook_named_csv_is_said_23",
        "test_packed_files_are_read_whatever_they_are_called_23",
        "test_a_torn_gzip_file_is_said_23",
    )),
    24: ("wide or long", ("test_a_long_file_is_told_from_a_wide_one_24",)),
    25: ("pairs of time and value columns", ("test_pairs_of_time_and_value_columns_are_recognised_25",)),
    26: ("texts among numbers", ("test_texts_among_numbers_are_bad_and_counted_26",)),
    27: ("a late text", ("test_a_text_after_thirty_thousand_rows_is_no_surprise_27",)),
    28: ("a late decimal", ("test_a_decimal_after_thirty_thousand_whole_numbers_is_not_rounded_28",)),
    29: ("words for missing, infinities", ("test_missing_words_and_infinities_are_texts_for_numbers_29",)),
    30: ("results below or above a limit", ("test_censored_results_and_texts_are_kept_and_flagged_30",)),
    31: ("quality columns", ("test_quality_columns_are_told_by_their_values_31",)),
    32: ("a value marked bad", ("test_a_bad_value_is_kept_beside_its_quality_32", "test_bad_values_are_left_out_and_shown_32")),
    33: ("a stale value marked uncertain", ("test_a_stale_value_marked_uncertain_is_used_shown_and_called_stuck_33",)),
    34: ("stuck at a limit, codes for no value", ("test_a_code_for_no_value_and_a_reading_at_its_end_are_told_34",)),
    35: ("switches in words", ("test_states_keep_their_words_35", "test_words_of_a_switch_are_counted_and_unknown_ones_told_35")),
    36: ("a counter too big to be", ("test_a_huge_totalizer_is_a_number_36", "test_a_count_no_press_can_reach_is_no_amount_36")),
    37: ("roll-over or reset", ("test_a_counter_rolls_over_at_its_modulus_and_is_reset_anywhere_else_37",)),
    38: ("a 32-bit counter that stops", ("test_a_counter_that_outgrew_its_number_format_is_told_38",)),
    39: ("an amount where nothing was read", ("test_an_hour_without_readings_has_no_amount_not_zero_39",)),
    40: ("holding a value over an outage", ("test_a_value_is_held_no_longer_than_max_hold_40",)),
    41: ("different units in two files", ("test_different_units_for_one_tag_in_two_files_are_refused_41",)),
    42: ("a tag renamed in mid-month", ("test_a_renamed_tag_goes_on_under_its_new_name_42", "test_a_renamed_tag_without_a_dated_change_shows_as_a_gap_42")),
    43: ("dates that can be read two ways", ("test_days_up_to_twelve_alone_are_asked_about_43",)),
    44: ("day first proved", ("test_a_day_above_twelve_anywhere_decides_44",)),
    45: ("two-digit years", ("test_two_digit_years_are_refused_45",)),
    46: ("24:00", ("test_midnight_as_24_is_the_next_day_46",)),
    47: ("twelve-hour clocks", ("test_twelve_hour_clock_47", "test_a_twelve_hour_clock_without_am_and_pm_is_noticed_47")),
    48: ("fractions of seconds", ("test_fractions_of_seconds_may_come_and_go_48",)),
    49: ("names of months", ("test_month_names_of_common_languages_49", "test_an_unknown_month_name_is_refused_by_line_49")),
    50: ("spreadsheet days", ("test_spreadsheet_days_are_turned_to_the_second_50",)),
    51: ("epoch counts", ("test_epoch_counts_are_told_by_their_size_51",)),
    52: ("the repeated hour in order", ("test_the_repeated_hour_is_told_by_order_52",)),
    53: ("the repeated hour sorted", ("test_a_sorted_repeated_hour_is_kept_marked_and_counted_once_53",)),
    54: ("few rows in the repeated hour", ("test_few_rows_in_the_repeated_hour_are_marked_54",)),
    55: ("times in the skipped hour", (
        "test_times_in_the_skipped_hour_show_a_clock_without_daylight_saving_55",
        "test_a_lone_time_in_the_skipped_hour_is_an_error_row_55",
    )),
    56: ("days of 23 and 25 hours", ("test_a_clock_change_day_has_its_real_hours_56",)),
    57: ("mixed offsets", ("test_offsets_in_the_text_are_kept_also_mixed_57",)),
    58: ("zone letters", ("test_zone_letters_of_the_plant_are_known_58",)),
    59: ("times with and without offset", ("test_a_time_without_offset_among_others_with_one_is_refused_59",)),
    60: ("times of any resolution", ("test_parquet_times_of_any_resolution_agree_60",)),
    61: ("doubled times", ("test_of_rows_with_one_time_the_last_good_value_counts_61",)),
    62: ("newest first", ("test_a_newest_first_file_is_turned_round_62",)),
    63: ("late rows", ("test_late_rows_are_put_in_order_and_counted_63",)),
    64: ("rows without a time", ("test_rows_without_a_readable_time_are_refused_by_line_64",)),
    65: ("records of changes", ("test_a_record_of_changes_is_weighed_by_time_and_its_longest_silence_told_65",)),
    66: ("a straight line through a stop", ("test_no_line_is_drawn_through_a_stop_66",)),
    67: ("clocks of two controllers", ("test_the_skew_of_a_second_clock_is_suggested_and_nothing_shifted_67",)),
    68: ("a clock set back", ("test_a_clock_set_back_is_told_68",)),
    69: ("different rates", ("test_tags_of_different_rates_meet_in_the_same_bins_69",)),
    70: ("partial days and overlapping months", ("test_rows_at_the_seam_of_two_files_count_once_and_days_show_their_share_70", "test_a_state_recorded_at_changes_goes_on_over_the_seam_of_two_files_70")),
}  # fmt: skip


@pytest.mark.parametrize("case", range(1, 71), ids=lambda case: f"{case}-{CASES[case][0].replace(' ', '-')}")
def test_every_case_has_its_tests(case: int) -> None:
    written_tests = {
        node.name
        for path in ROOMS.glob("test_export*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef)
    }
    named = CASES[case][1]
    assert named and set(named) <= written_tests


# --- a press and its readings ---------------------------------------------------------------------------------

FEED = Tag("feed_flow", "FEED", "feed_flow_m3_h", "m3/h", "m3/h", "analog", range=(0.0, 100.0))
RUN = Tag("running", "RUN", "running", "", "", "state")
START = pd.Timestamp("2026-03-02", tz="UTC")


def plant_of(*tags: Tag, **more: object) -> Plant:
    sources = more.pop("sources", ())
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags={tag.name: tag for tag in tags}, **more)  # type: ignore[arg-type]
    return Plant("Test works", "UTC", (press,), Path("plant.toml"), "0", sources=sources)  # type: ignore[arg-type]


def grid_of(plant: Plant, *paths: Path, every_s: int = 60) -> PressGrid:
    grids, _ = build_grids(open_exports(paths, plant), plant, plant.presses, None, None, every_s)
    return grids["bfp-1"]


def stamps(minutes: np.ndarray | list[float], start: pd.Timestamp = START) -> list[str]:
    moments = start + pd.to_timedelta(np.asarray(minutes, float), unit="min")
    return [moment.strftime("%Y-%m-%d %H:%M:%S") for moment in moments]


def wide(folder: Path, times: list[str], name: str = "export.csv", **columns: object) -> Path:
    frame = pd.DataFrame({"Time": times, **columns})
    return written(folder, frame.to_csv(index=False), name)


def a_day(noise: float = 0.02) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the minutes of a day, whether the press moves (08:00 to 16:00) and a feed of 20 m3/h that wavers."""
    minutes = np.arange(1440)
    moving = (minutes >= 480) & (minutes < 960)
    random = np.random.default_rng(5)
    return minutes, moving, np.where(moving, 20.0 * (1 + noise * random.normal(size=1440)), 0.0).round(3)


def faults(grid: PressGrid, fault: str) -> list[tuple[str, str]]:
    return [(each.tag, each.evidence) for each in grid.findings if each.fault == fault]


# --- files ------------------------------------------------------------------------------------------------------


def test_a_row_of_units_is_said_11(tmp_path):
    taken = take_all(plant_of(FEED), written(tmp_path, "Time,FEED,CAKE\n,m3/h,%\n2026-03-02 00:00,1.5,20\n"))
    assert "a row of units stands under the header" in taken.notes and taken.log.refused == 0


# --- values -----------------------------------------------------------------------------------------------------


def test_bad_values_are_left_out_and_shown_32(tmp_path):
    minutes = np.arange(60)
    quality = np.where((minutes >= 20) & (minutes < 40), 0, 192)
    path = wide(tmp_path, stamps(minutes), FEED=np.where(quality == 0, 90.0, 20.0), **{"FEED.Quality": quality})
    grid = grid_of(plant_of(FEED), path)
    assert grid.roles["feed_flow_m3_h"].max() == 20.0
    assert faults(grid, "bad_quality") == [("FEED", "20 readings of 90 m3/h marked bad")]
    (tag,) = account_for_tags(
        grid, plant_of(FEED).presses[0], plant_of(FEED), START, START + pd.Timedelta(hours=1)
    ).tags
    assert tag.faults[0].fault == "bad_quality" and tag.share_good == pytest.approx(40 / 60, abs=0.03)


def test_a_stale_value_marked_uncertain_is_used_shown_and_called_stuck_33(tmp_path):
    minutes, moving, feed = a_day()
    feed[600:780] = feed[600]
    quality = np.where((minutes >= 600) & (minutes < 780), 68, 192)
    path = wide(tmp_path, stamps(minutes), FEED=feed, RUN=moving.astype(int), **{"FEED.Quality": quality})
    grid = grid_of(plant_of(FEED, RUN), path)
    assert any(note.startswith("FEED: ") and "marked uncertain, and used" in note for note in grid.notes)
    assert grid.habits["feed_flow_m3_h"].uncertain_share > 0.1
    ((tag, evidence),) = faults(grid, "frozen")
    assert tag == "FEED" and "otherwise it changes in" in evidence


def test_a_code_for_no_value_and_a_reading_at_its_end_are_told_34(tmp_path):
    minutes, moving, feed = a_day()
    feed[500:520] = -9999
    feed[600:780] = 100.0
    path = wide(tmp_path, stamps(minutes), FEED=feed, RUN=moving.astype(int))
    grid = grid_of(plant_of(FEED, RUN), path)
    assert faults(grid, "out_of_range") == [("FEED", "20 readings of -9999 m3/h, instrument range 0 to 100 m3/h")]
    ((_, evidence),) = faults(grid, "frozen")
    assert evidence.startswith("stood at 100 m3/h for 179 minutes of a moving press")
    assert (grid.roles["feed_flow_m3_h"] > 25.0).sum() <= 2  # the minutes in which it went there and back


def test_words_of_a_switch_are_counted_and_unknown_ones_told_35(tmp_path):
    words = ["OFF"] * 10 + ["ON"] * 30 + ["maybe"] * 5 + ["Run"] * 10 + ["Stop"] * 5
    grid = grid_of(plant_of(FEED, RUN), wide(tmp_path, stamps(np.arange(60)), FEED=20.0, RUN=words))
    assert "RUN: words that say neither state are left out: 'maybe' (5)" in grid.notes
    assert grid.roles["running"].sum() == 40 and grid.roles["running"].isna().sum() == 5


ENERGY = Tag("energy", "KWH", "energy_kwh", "kWh", "kWh", "counter")


def counted(folder: Path, readings: np.ndarray, tag: Tag = ENERGY) -> PressGrid:
    minutes = np.arange(len(readings))
    columns = {"FEED": 20.0, "RUN": 1, "KWH": [f"{reading:.0f}" for reading in readings]}
    return grid_of(plant_of(FEED, RUN, tag), wide(folder, stamps(minutes), **columns))


def test_a_count_no_press_can_reach_is_no_amount_36(tmp_path):
    readings = np.arange(200, dtype=float)
    readings[100] = 1e20
    grid = counted(tmp_path, readings)
    assert grid.roles["energy_kwh"].max() < 2.0
    assert [tag for tag, _ in faults(grid, "counter_reset")] == ["KWH"]


@pytest.mark.parametrize("modulus", [1e4, 1e6, 2.0**16, 2.0**32])
def test_a_counter_rolls_over_at_its_modulus_and_is_reset_anywhere_else_37(tmp_path, modulus):
    """A roll-over is believed where the drop fits a modulus and the amount was possible (rule: RFC 1902, 7.1.6)."""
    rolled = counted(tmp_path, (modulus - 100 + np.arange(200)) % modulus)
    assert rolled.roles["energy_kwh"].sum() == pytest.approx(199, abs=1.1) and faults(rolled, "counter_reset") == []
    readings = modulus / 2 + np.arange(200)
    readings[100:] -= readings[100]
    reset = counted(tmp_path, readings)
    assert reset.roles["energy_kwh"].sum() == pytest.approx(198, abs=1.6)
    ((_, evidence),) = faults(reset, "counter_reset")
    assert evidence.endswith("went on elsewhere; no roll-over fits")


def test_a_counter_that_outgrew_its_number_format_is_told_38(tmp_path):
    """Adding 1 to a 32-bit float of 16 777 216 changes nothing (IEEE 754, binary32)."""
    readings = np.minimum(16_777_116 + np.arange(400), 16_777_216)
    assert np.float32(16_777_216) + np.float32(1) == np.float32(16_777_216)
    grid = counted(tmp_path, readings)
    assert faults(grid, "frozen") == [
        (
            "KWH",
            "stands at 16777216 to the end, 299 minutes of a moving press; a 32-bit number of that size loses steps "
            "below 1",
        )
    ]
    assert grid.roles["energy_kwh"].iloc[150:].isna().all()
    assert faults(counted(tmp_path, np.minimum(10_000 + np.arange(400), 10_100)), "frozen") == []


def test_an_hour_without_readings_has_no_amount_not_zero_39(tmp_path):
    minutes = np.concatenate((np.arange(60), np.arange(150, 240)))
    path = wide(tmp_path, stamps(minutes), FEED=20.0, KWH=minutes * 2.0)
    amounts = grid_of(plant_of(FEED, ENERGY), path).roles["energy_kwh"]
    assert amounts.iloc[62:148].isna().all() and amounts.iloc[10] == pytest.approx(2.0)


def test_a_value_is_held_no_longer_than_max_hold_40(tmp_path):
    minutes = np.concatenate((np.arange(60), np.arange(600, 660)))
    feed = 20.0 + 0.1 * np.random.default_rng(1).normal(size=120)
    grid = grid_of(plant_of(FEED), wide(tmp_path, stamps(minutes), FEED=feed))
    assert grid.roles["feed_flow_m3_h"].iloc[62:598].isna().all()
    ((tag, evidence),) = faults(grid, "gap")
    assert (tag, evidence) == ("FEED", "no value was recorded")


def renamed(folder: Path) -> Path:
    minutes = np.arange(240)
    feed = (20.0 + 0.1 * np.random.default_rng(1).normal(size=240)).round(3)
    old, new = np.where(minutes < 120, feed, np.nan), np.where(minutes >= 120, feed, np.nan)
    return wide(folder, stamps(minutes), FEED=old, FEED_NEW=new)


def test_a_renamed_tag_goes_on_under_its_new_name_42(tmp_path):
    new = Tag("feed_flow", "FEED_NEW", "feed_flow_m3_h", "m3/h", "m3/h", "analog")
    change = Change(START + pd.Timedelta(hours=2), "tag renamed", {"tags": {"feed_flow": new}})
    grid = grid_of(plant_of(FEED, changes=(change,)), renamed(tmp_path))
    assert grid.roles["feed_flow_m3_h"].notna().all() and faults(grid, "gap") == []


def test_a_renamed_tag_without_a_dated_change_shows_as_a_gap_42(tmp_path):
    grid = grid_of(
        plant_of(FEED, a_tag("other")), written(tmp_path, renamed(tmp_path).read_text().replace("FEED_NEW", "other"))
    )
    assert [tag for tag, _ in faults(grid, "gap")] == ["other", "FEED"]


# --- time -------------------------------------------------------------------------------------------------------


def test_a_record_of_changes_is_weighed_by_time_and_its_longest_silence_told_65(tmp_path):
    """10, 0, 10, 0 at minutes 0, 50, 55 and 58: held until the next change the hour's mean is 8.83, not 5.

    By hand: (50 x 10 + 5 x 0 + 3 x 10 + 2 x 0) / 60. And 0 until minute 59, then 100: 100 / 60.
    """
    step = Tag("gravity_belt_setpoint", "SP", "gravity_belt_setpoint_m_min", "m/min", "m/min", "step")
    rows = "".join(f"{time},SP,{value}\n" for time, value in zip(stamps([0, 50, 55, 58]), (10, 0, 10, 0), strict=True))
    ends = f"{stamps([0])[0]},FEED,20\n{stamps([59.99])[0]},FEED,20\n"
    grid = grid_of(plant_of(FEED, step), written(tmp_path, "Time,Tag,Value\n" + rows + ends), every_s=3600)
    assert grid.roles["gravity_belt_setpoint_m_min"].iloc[0] == pytest.approx(530 / 60, abs=0.01)
    assert grid.habits["gravity_belt_setpoint_m_min"].longest_silence_s == 3000.0
    rows = "".join(f"{time},SP,{value}\n" for time, value in zip(stamps([0, 59]), (0, 100), strict=True))
    grid = grid_of(plant_of(FEED, step), written(tmp_path, "Time,Tag,Value\n" + rows + ends), every_s=3600)
    assert grid.roles["gravity_belt_setpoint_m_min"].iloc[0] == pytest.approx(100 / 60, abs=0.05)


def test_no_line_is_drawn_through_a_stop_66(tmp_path):
    """A flow read every five minutes: after the stop at minute 62 nothing of the line down to zero is used."""
    minutes = np.arange(0, 180, 5)
    running = np.arange(180) < 62
    rows = "".join(f"{time},RUN,{int(on)}\n" for time, on in zip(stamps(np.arange(180)), running, strict=True))
    rows += "".join(
        f"{time},FEED,{20 + 0.1 * (n % 3) if minute < 62 else 0}\n"
        for n, (minute, time) in enumerate(zip(minutes, stamps(minutes), strict=True))
    )
    flow = grid_of(plant_of(FEED, RUN), written(tmp_path, "Time,Tag,Value\n" + rows)).roles["feed_flow_m3_h"]
    assert flow.iloc[61] > 19.0 and flow.iloc[63:65].isna().all() and flow.iloc[66] == 0.0


def two_clocks(folder: Path, late_s: float) -> list[Path]:
    """Write a week of one press from two controllers; the stamps of the second are `late_s` behind the truth."""
    minutes = np.arange(7 * 1440)
    random = np.random.default_rng(3)
    starts = {day: 480 + int(random.integers(-20, 20)) for day in range(7)}
    day, of_day = minutes // 1440, minutes % 1440
    begins = np.array([starts[each] for each in range(7)])[day]
    moving = (of_day >= begins) & (of_day < begins + 420)
    feeding = (of_day >= begins + 4) & (of_day < begins + 405)

    def noisy(level: float, when: np.ndarray) -> np.ndarray:
        return np.where(when, level * (1 + 0.01 * random.normal(size=len(minutes))), 0.0).round(3)

    first = wide(
        folder, stamps(minutes), "belts.csv", RUN=moving.astype(int), GRAV=noisy(8, moving), FEED=noisy(20, feeding)
    )
    shifted = stamps(minutes + late_s / 60.0)
    second = wide(folder, shifted, "polymer.csv", PRES=noisy(3, moving), POLY=noisy(900, feeding), KW=noisy(12, moving))
    return [first, second]


TWO_CLOCKS = (
    FEED,
    RUN,
    Tag("gravity_belt_speed", "GRAV", "gravity_belt_speed_m_min", "m/min", "m/min", "analog"),
    Tag("pressure_belt_speed", "PRES", "pressure_belt_speed_m_min", "m/min", "m/min", "analog"),
    Tag("polymer_flow", "POLY", "polymer_flow_l_h", "L/h", "L/h", "analog"),
    Tag("power", "KW", "power_kw", "kW", "kW", "analog"),
)


@pytest.mark.parametrize("late_s", [-600.0, -95.0, 90.0, 3600.0])
def test_the_skew_of_a_second_clock_is_suggested_and_nothing_shifted_67(tmp_path, late_s):
    grid = grid_of(plant_of(*TWO_CLOCKS), *two_clocks(tmp_path, late_s))
    (skew,) = [each for each in grid.findings if each.fault == "clock_shift" and each.role is None]
    assert skew.tag == "all tags of polymer.csv"
    suggested = float(skew.effect.split('shift_clock = "')[1].removesuffix('s"'))
    assert suggested == pytest.approx(-late_s, abs=35)  # half of the minute between samples, and a little
    assert f"{'after' if late_s > 0 else 'before'} those of belts.csv" in skew.evidence
    pressure = grid.roles["pressure_belt_speed_m_min"]
    first = pressure.index[(pressure > 1.5).argmax()]
    begun = grid.roles.index[(grid.roles["running"] == 1).argmax()]
    assert (first - begun).total_seconds() == pytest.approx(late_s, abs=61)  # read as recorded
    told = plant_of(*TWO_CLOCKS, sources=(Source("polymer.csv", shift_clock_s=suggested),))
    mended = grid_of(told, tmp_path / "belts.csv", tmp_path / "polymer.csv")
    assert [each for each in mended.findings if each.fault == "clock_shift"] == []


def test_clocks_that_agree_give_no_suggestion_67(tmp_path):
    grid = grid_of(plant_of(*TWO_CLOCKS), *two_clocks(tmp_path, 0.0))
    assert [each for each in grid.findings if each.fault == "clock_shift"] == []


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_a_clock_set_back_is_told_68(tmp_path, layout):
    times = stamps([*range(60), *range(50, 120)])
    head = "Time,FEED\n" if layout == "wide" else "Time,Tag,Value\n"
    rows = "".join(f"{time},{'' if layout == 'wide' else 'FEED,'}{n}\n" for n, time in enumerate(times))
    taken = take_all(plant_of(FEED), written(tmp_path, head + rows))
    assert (
        "the clock was set back by 600 s after 2026-03-02 00:59:00 UTC: times in between come twice, the last good "
        "reading counts, and totals over that moment are uncertain by as much"
    ) in taken.notes
    assert taken.log.duplicates["FEED"].readings == 10 and taken.values("FEED")[50] == 60.0


def test_rows_that_only_came_late_set_no_clock_back_68(tmp_path):
    times = stamps([*range(10), *range(20, 30), *range(10, 20), *range(30, 60)])
    taken = take_all(plant_of(FEED), written(tmp_path, "Time,FEED\n" + "".join(f"{time},1\n" for time in times)))
    assert "were put in order" in taken.notes and "set back" not in taken.notes


def test_tags_of_different_rates_meet_in_the_same_bins_69(tmp_path):
    """A second's ramp and a reading every ten minutes of the same quantity have the same five-minute means."""
    seconds = np.arange(0, 7200)
    fast = wide(tmp_path, stamps(seconds / 60.0), "fast.csv", FEED=(seconds / 120.0).round(4))
    slow_minutes = np.arange(0, 121, 10)
    slow = wide(tmp_path, stamps(slow_minutes), "slow.csv", FILT=slow_minutes / 2.0)
    filtrate = Tag("filtrate_flow", "FILT", "filtrate_flow_m3_h", "m3/h", "m3/h", "analog")
    grid = grid_of(plant_of(FEED, filtrate), fast, slow, every_s=300)
    inner = grid.roles.iloc[:-2]
    assert np.allclose(inner["feed_flow_m3_h"], inner["filtrate_flow_m3_h"], atol=0.01)


def test_a_state_recorded_at_changes_goes_on_over_the_seam_of_two_files_70(tmp_path):
    """The second file begins with the last change of the first: what follows is the second file's to say."""
    minutes, _, feed = a_day()
    paths = []
    for name, low, high, changes in (
        ("a", 0, 700, [(0, 0), (480, 1)]),
        ("b", 480, 1440, [(480, 1), (600, 0), (620, 1), (960, 0)]),
    ):
        rows = "".join(
            f"{time},FEED,{value}\n" for time, value in zip(stamps(minutes[low:high]), feed[low:high], strict=True)
        )
        rows += "".join(f"{stamps([minute])[0]},RUN,{state}\n" for minute, state in changes)
        paths.append(written(tmp_path, "Time,Tag,Value\n" + rows, f"{name}.csv"))
    running = grid_of(plant_of(FEED, RUN), *paths).roles["running"]
    assert running.sum() == 460 and running.iloc[610] == 0 and running.iloc[1000] == 0


def test_rows_at_the_seam_of_two_files_count_once_and_days_show_their_share_70(tmp_path):
    minutes = np.arange(360, 2880)
    feed = (20.0 + 0.1 * np.random.default_rng(1).normal(size=len(minutes))).round(3)
    times = stamps(minutes)
    first = wide(tmp_path, times[:1081], "march_1.csv", FEED=feed[:1081])
    second = wide(tmp_path, times[1080:], "march_2.csv", FEED=feed[1080:])
    plant = plant_of(FEED)
    grid = grid_of(plant, first, second)
    whole = grid_of(plant, wide(tmp_path, times, "whole.csv", FEED=feed))
    pd.testing.assert_series_equal(grid.roles["feed_flow_m3_h"], whole.roles["feed_flow_m3_h"])
    assert faults(grid, "duplicate") == [("FEED", "1 reading at times already read")]
    days = account_for_tags(grid, plant.presses[0], plant, START, START + pd.Timedelta(days=2)).days
    assert [(day.day.isoformat(), round(day.share_good, 3)) for day in days] == [
        ("2026-03-02", 0.75),
        ("2026-03-03", 1.0),
    ]


# --- event lists -------------------------------------------------------------------------------------------------

TRIP = Tag("belt_trip", "TRIP", "belt_trip", "", "", "state")


def trips(folder: Path, *events: tuple[float, str]) -> PressGrid:
    minutes, moving, feed = a_day()
    export = wide(folder, stamps(minutes), FEED=feed, RUN=moving.astype(int))
    rows = "".join(f"{stamps([minute])[0]},TRIP,{message}\n" for minute, message in events)
    return grid_of(plant_of(FEED, RUN, TRIP), export, written(folder, "Time,Tag,Message\n" + rows, "events.csv"))


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        ("TRIP", "RETURN TO NORMAL"),
        ("Belt 1 off track - ALARM", "Belt 1 off track - cleared"),
        ("ALM", "RTN"),
        ("1", "0"),
    ],
)
def test_an_event_list_tells_when_a_trip_began_and_ended(tmp_path, begin, end):
    grid = trips(tmp_path, (600.5, begin), (612, end), (700, begin), (701, end))
    tripped = grid.roles.index[grid.roles["belt_trip"] == 1.0]
    assert [moment.hour * 60 + moment.minute for moment in tripped] == [*range(600, 612), 700]


def test_an_event_list_without_ends_counts_each_trip_for_its_minute(tmp_path):
    grid = trips(tmp_path, (600, "TRIP"), (700, "TRIP"))
    assert grid.roles["belt_trip"].sum() == 2
    assert "TRIP lists trips without their ends; each counts for the minute in which it came" in grid.notes
