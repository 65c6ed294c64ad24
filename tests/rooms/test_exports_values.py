"""Values and qualities of exports: texts among numbers, states, sentinels, doubled rows; nothing lost uncounted.

The numbers in brackets count the cases of the project's list of export oddities, F2 and F3.
"""

import numpy as np
import pandas as pd
import pytest
from exports_files import a_plant, take_all, written

from trendkit.errors import InputError
from trendkit.exports import scan, textfile
from trendkit.exports.block import Repeated
from trendkit.plant.model import Source

PLANT = a_plant("FLOW", "CAKE", states=("RUN",))


def minutes(cells, header="Time,FLOW", start="2026-02-01 00:00"):
    times = pd.date_range(start, periods=len(cells), freq="min").strftime("%Y-%m-%d %H:%M")
    return header + "\n" + "".join(f"{time},{cell}\n" for time, cell in zip(times, cells, strict=True))


def us(local: str) -> int:
    return int(pd.Timestamp(local, tz="America/Denver").timestamp() * 1e6)


def test_texts_among_numbers_are_bad_and_counted_26(tmp_path):
    cells = ["1.5", "Bad", "No Data", "Shutdown", "I/O Timeout", "Bad", "2.5"]
    taken = take_all(PLANT, written(tmp_path, minutes(cells)))
    assert taken.values("FLOW") == [1.5, None, None, None, None, None, 2.5]
    assert taken.quality["FLOW"] == ["good", *["bad"] * 5, "good"]
    assert taken.log.texts == {"FLOW": {"Bad": 2, "No Data": 1, "Shutdown": 1, "I/O Timeout": 1}}
    assert "FLOW holds texts among its numbers, which count as bad: 'Bad' 2 times" in taken.notes
    assert taken.log.refused == 0


def test_an_empty_cell_is_no_observation_and_not_bad(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["1.5", "", " ", "2.5"])))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.log.texts == {}


def test_a_text_after_thirty_thousand_rows_is_no_surprise_27(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["1"] * 30_000 + ["Bad", "2.5"])))
    assert taken.values("FLOW")[-3:] == [1.0, None, 2.5] and taken.log.texts == {"FLOW": {"Bad": 1}}


def test_a_decimal_after_thirty_thousand_whole_numbers_is_not_rounded_28(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["1"] * 30_000 + ["1.5"])))
    assert taken.values("FLOW")[-1] == 1.5


@pytest.mark.parametrize("late", ["Bad", "inf", "nan"])
def test_the_quick_way_gives_up_at_the_first_text_and_loses_nothing_27(tmp_path, monkeypatch, late):
    monkeypatch.setattr(scan, "FAST_FROM_BYTES", 0)
    count = 250_000
    times = pd.date_range("2026-02-01", periods=count, freq="s").strftime("%Y-%m-%d %H:%M:%S")
    cells = [f"{number % 1000}.5" for number in range(count)]
    cells[210_000] = late
    text = "Time,FLOW,RUN\n" + "".join(f"{time},{cell},ON\n" for time, cell in zip(times, cells, strict=True))
    taken = take_all(PLANT, written(tmp_path, text))
    values = taken.series["FLOW"]
    assert len(values) == count and taken.log.rows == count
    assert np.isnan(values.iloc[210_000]) and values.iloc[209_999] == 999.5 and values.iloc[-1] == 999.5
    assert values.index.is_monotonic_increasing and values.index.is_unique
    assert taken.log.texts == {"FLOW": {late: 1}}


def test_a_broken_line_end_far_inside_sends_the_rest_through_a_plain_copy_19(tmp_path, monkeypatch):
    monkeypatch.setattr(textfile, "WHOLE_BYTES", 0)
    count = 300_000
    times = pd.date_range("2026-02-01", periods=count, freq="s").strftime("%Y-%m-%d %H:%M:%S")
    lines = [f"{time},{number % 1000}.5\n" for number, time in enumerate(times)]
    lines[290_000] = lines[290_000].replace("\n", "\r")
    taken = take_all(PLANT, written(tmp_path, "Time,FLOW\n" + "".join(lines)))
    assert len(taken.series["FLOW"]) == taken.log.rows == count and taken.log.refused == 0
    assert taken.series["FLOW"].index.is_unique and taken.series["FLOW"].iloc[290_001] == 1.5


def test_a_quotation_mark_never_closed_is_said(tmp_path):
    text = minutes(["1.5"] * 50).replace("00:07,", '00:07,"')
    taken = take_all(PLANT, written(tmp_path, text))
    assert taken.log.refused >= 1 and "a quotation mark is not closed" in taken.notes


@pytest.mark.parametrize("text", ["NA", "None", "NULL", "nan", "N/A", "Inf", "-inf", "1e999"])
def test_missing_words_and_infinities_are_texts_for_numbers_29(tmp_path, text):
    taken = take_all(PLANT, written(tmp_path, minutes(["1.5", text])))
    assert taken.values("FLOW") == [1.5, None] and taken.log.texts == {"FLOW": {text: 1}}


def test_such_words_stay_words_for_states_29(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["None", "NA", "", "ON"], "Time,RUN")))
    assert taken.values("RUN") == ["None", "NA", "ON"]


def test_censored_values_are_counted_as_texts_30(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["<2", "3", ">100", "ND"])))
    assert taken.log.texts == {"FLOW": {"<2": 1, ">100": 1, "ND": 1}}


LONG = "Time,Tag,Value,Quality\n"


@pytest.mark.parametrize(
    ("cells", "expected", "words"),
    [
        (["192", "0", "64", "195", "216"], ["good", "bad", "uncertain", "good", "good"], "OPC DA quality bytes"),
        (["1", "0", "1", "1", "1"], ["good", "bad", "good", "good", "good"], "a flag, 1 is good"),
        (["100", "0", "100", "100", "100"], ["good", "bad", "good", "good", "good"], "a share, 100 is good"),
        (
            ["Good", "Bad", "Uncertain", "good", "Bad - comm fail"],
            ["good", "bad", "uncertain", "good", "bad"],
            "words",
        ),
        (
            ["0", "2147483648", "1083113472", "-2147483648", "0x00300000"],
            ["good", "bad", "uncertain", "bad", "good"],
            "OPC UA status codes",
        ),
    ],
)
def test_quality_columns_are_told_by_their_values_31(tmp_path, cells, expected, words):
    rows = "".join(f"2026-02-01 00:0{minute},FLOW,{minute}.5,{cell}\n" for minute, cell in enumerate(cells))
    taken = take_all(PLANT, written(tmp_path, LONG + rows))
    assert taken.quality["FLOW"] == expected
    assert f"quality is read as {words}" in taken.notes


def test_a_quality_column_of_unknown_values_is_asked_about_31(tmp_path):
    with pytest.raises(InputError) as caught:
        take_all(PLANT, written(tmp_path, LONG + "2026-02-01 00:00,FLOW,1.5,blue\n2026-02-01 00:01,FLOW,1.5,7\n"))
    assert str(caught.value) == (
        "export.csv: the quality column does not say what its values mean; found '7', 'blue'; expected OPC DA bytes "
        "(192 good), OPC UA status codes (0 good), a flag of 0 and 1, or words such as Good and Bad. To do: add "
        'quality = "opc_da", "opc_ua", "one_is_good", "hundred_is_good" or "words" to a [[source]] of the plant file.'
    )


def test_a_column_of_nothing_but_zeros_is_asked_about_until_the_plant_file_says_31(tmp_path):
    path = written(tmp_path, LONG + "2026-02-01 00:00,FLOW,1.5,0\n")
    with pytest.raises(InputError, match="does not say what its values mean"):
        take_all(PLANT, path)
    plant = a_plant("FLOW", sources=(Source("*.csv", quality="opc_ua"),))
    assert take_all(plant, path).quality["FLOW"] == ["good"]


def test_a_late_value_that_contradicts_the_scheme_stops_the_reading_31(tmp_path):
    rows = [
        f"2026-02-{1 + minute // 1440:02d} {minute // 60 % 24:02d}:{minute % 60:02d},FLOW,1.5,1\n"
        for minute in range(9000)
    ]
    path = written(tmp_path, LONG + "".join(rows[:4500]) + "2026-02-04 03:00,FLOW,1.5,64\n" + "".join(rows[4501:]))
    with pytest.raises(InputError, match=r"does not say what its values mean; found '64'"):
        take_all(PLANT, path)


def test_wide_quality_columns_belong_to_the_tag_they_are_named_after_31(tmp_path):
    rows = "Time,FLOW,FLOW.Quality,CAKE,CAKE.Quality\n2026-02-01 00:00,1.5,192,20,0\n2026-02-01 00:01,2.5,64,21,192\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.quality == {"FLOW": ["good", "uncertain"], "CAKE": ["bad", "good"]}
    assert taken.exports[0].tags == ("FLOW", "CAKE")


def test_bare_quality_columns_belong_to_the_tag_before_them_31(tmp_path):
    rows = "Time,FLOW,Quality,CAKE,Quality\n2026-02-01 00:00,1.5,Good,20,Bad\n"
    assert take_all(PLANT, written(tmp_path, rows)).quality == {"FLOW": ["good"], "CAKE": ["bad"]}


def test_a_bad_value_is_kept_beside_its_quality_32(tmp_path):
    taken = take_all(PLANT, written(tmp_path, LONG + "2026-02-01 00:00,FLOW,77,0\n2026-02-01 00:01,FLOW,1.5,192\n"))
    assert taken.values("FLOW") == [77.0, 1.5] and taken.quality["FLOW"] == ["bad", "good"]


def test_states_keep_their_words_35(tmp_path):
    taken = take_all(PLANT, written(tmp_path, minutes(["ON", "Run", "True", "1", "1.0", "OFF"], "Time,RUN")))
    assert taken.values("RUN") == ["ON", "Run", "True", "1", "1", "OFF"]


def test_states_of_a_long_file_stand_among_numbers_35(tmp_path):
    rows = "Time,Tag,Value\n2026-02-01 00:00,RUN,ON\n2026-02-01 00:00,FLOW,1.5\n2026-02-01 00:05,RUN,OFF\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.values("RUN") == ["ON", "OFF"] and taken.values("FLOW") == [1.5] and taken.log.texts == {}


def test_an_event_list_gives_the_messages_of_a_state(tmp_path):
    first = "Time,Tag,Message\n2026-02-01 03:10:05,RUN,TRIP\n"
    rows = first + "2026-02-01 03:22:00,RUN,RETURN TO NORMAL\n2026-02-01 04:00,OTHER,x\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.values("RUN") == ["TRIP", "RETURN TO NORMAL"]


def test_a_huge_totalizer_is_a_number_36(tmp_path):
    assert take_all(PLANT, written(tmp_path, minutes(["99999999999999999999"]))).values("FLOW") == [1e20]


def test_of_rows_with_one_time_the_last_good_value_counts_61(tmp_path):
    cells = ["00:00,FLOW,1,192", "00:01,FLOW,2,192", "00:01,FLOW,3,192", "00:01,FLOW,4,0"]
    rows = "".join(f"2026-02-01 {cell}\n" for cell in cells)
    taken = take_all(PLANT, written(tmp_path, LONG + rows))
    assert taken.values("FLOW") == [1.0, 3.0] and taken.quality["FLOW"] == ["good", "good"]
    assert taken.log.duplicates == {"FLOW": Repeated(2, *[us("2026-02-01 00:01")] * 2)}
    assert "2 readings of 1 tag came at a time already read" in taken.notes


def test_doubled_wide_rows_are_settled_tag_by_tag_61(tmp_path):
    rows = (
        "Time,FLOW,CAKE\n2026-02-01 00:00,1,20\n2026-02-01 00:00,,21\n2026-02-01 00:00,3,Bad\n2026-02-01 00:01,4,22\n"
    )
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.values("FLOW") == [3.0, 4.0] and taken.values("CAKE") == [21.0, 22.0]
    at = [us("2026-02-01 00:00")] * 2  # the minute given three times, not all of the file
    assert taken.log.duplicates == {"FLOW": Repeated(1, *at), "CAKE": Repeated(2, *at)}


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_parquet_gives_the_same_as_text(tmp_path, layout):
    times = pd.date_range("2026-02-01", periods=3, freq="min")
    wide = pd.DataFrame({"Time": times, "FLOW": [1.5, None, 3], "CAKE": [20, 21, 22], "RUN": ["ON", "ON", "OFF"]})
    frame = wide
    if layout == "long":
        frame = wide.astype({"FLOW": object, "CAKE": object}).melt("Time", var_name="Tag", value_name="Value").dropna()
        frame["Value"] = frame["Value"].astype(str)
    frame.to_parquet(tmp_path / "export.parquet")
    wide.to_csv(tmp_path / "export.csv", index=False)
    from_parquet, from_text = take_all(PLANT, tmp_path / "export.parquet"), take_all(PLANT, tmp_path / "export.csv")
    for tag in ("FLOW", "CAKE", "RUN"):
        pd.testing.assert_series_equal(from_parquet.series[tag], from_text.series[tag])
    assert from_parquet.exports[0].layout == layout


def test_parquet_times_with_a_zone_are_taken_at_their_word(tmp_path):
    times = pd.date_range("2026-02-01", periods=2, freq="min", tz="Europe/Berlin")
    pd.DataFrame({"FLOW": [1.5, 2.5]}, index=times.rename("time")).to_parquet(tmp_path / "export.parquet")
    assert take_all(PLANT, tmp_path / "export.parquet").times("FLOW") == ["2026-01-31T23:00:00", "2026-01-31T23:01:00"]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_parquet_times_of_any_resolution_agree_60(tmp_path, unit):
    times = pd.DatetimeIndex(["2026-02-01 00:00", "2026-02-01 00:01"]).as_unit(unit)
    pd.DataFrame({"Time": times, "FLOW": [1.5, 2.5]}).to_parquet(tmp_path / "export.parquet")
    assert take_all(PLANT, tmp_path / "export.parquet").times("FLOW") == ["2026-02-01T07:00:00", "2026-02-01T07:01:00"]


def test_a_torn_parquet_file_and_an_empty_one_are_said(tmp_path):
    pd.DataFrame({"Time": [], "FLOW": []}).to_parquet(tmp_path / "empty.parquet")
    whole = tmp_path / "whole.parquet"
    pd.DataFrame({"Time": ["2026-02-01"], "FLOW": [1.0]}).to_parquet(whole)
    written(tmp_path, whole.read_bytes()[:-9], "torn.parquet")
    with pytest.raises(InputError) as caught:
        take_all(PLANT, tmp_path / "empty.parquet", tmp_path / "torn.parquet")
    assert "empty.parquet: the file has columns and no row" in str(caught.value)
    assert "torn.parquet: this is no whole Parquet file" in str(caught.value)


def test_many_other_tags_in_a_long_file_cost_nothing_but_time(tmp_path):
    rows = "".join(f"2026-02-01 00:{minute:02d},T{tag},{tag}\n" for minute in range(10) for tag in range(600))
    text = "Time,Tag,Value\n" + rows + "2026-02-01 00:09,flow ,1.5\n"
    taken = take_all(PLANT, written(tmp_path, text))
    assert taken.values("FLOW") == [1.5] and taken.log.rows == 6001
