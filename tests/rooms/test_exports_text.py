"""Text files as plants have them: encodings, delimiters, headers, footers, torn and doubled rows.

The numbers in brackets count the cases of the project's list of export oddities, F1.
"""

import gzip
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest
from exports_files import a_plant, take_all, written

from trendkit.errors import InputError
from trendkit.exports import open_export

PLANT = a_plant("FLOW", "CAKE")
ROWS = "Time,FLOW,CAKE\n2026-02-01 00:00,1.5,20\n2026-02-01 00:01,2.5,21\n"
# Denver is seven hours behind UTC in winter
TIMES = ["2026-02-01T07:00:00", "2026-02-01T07:01:00"]


def refusal(path: Path, plant=PLANT) -> str:
    with pytest.raises(InputError) as caught:
        take_all(plant, path)
    return str(caught.value)


def test_a_plain_wide_file_gives_times_in_utc_and_numbers(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.values("CAKE") == [20.0, 21.0]
    assert taken.times("FLOW") == TIMES
    assert taken.inputs[0].rows == 2 and taken.inputs[0].refused == 0 and taken.notes == ""


def test_byte_order_mark_is_stripped_from_the_first_header_1(tmp_path):
    export = open_export(written(tmp_path, "\ufeffFLOW,Time\n1.5,2026-02-01 00:00\n"), PLANT)
    assert export.tags == ("FLOW",)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le"])
def test_utf16_is_decoded_and_noted_2(tmp_path, encoding):
    taken = take_all(PLANT, written(tmp_path, ROWS.replace(",", "\t").encode(encoding)))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.times("CAKE") == TIMES
    assert "read as UTF-16 text" in taken.notes and "NUL" not in taken.notes


def test_windows_1252_header_is_read_with_a_note_3(tmp_path):
    plant = a_plant("TEMP °C", "CAKE")
    taken = take_all(plant, written(tmp_path, ROWS.replace("FLOW", "TEMP °C").encode("cp1252")))
    assert taken.values("TEMP °C") == [1.5, 2.5]
    assert "read as Windows-1252 text" in taken.notes


def test_semicolons_and_decimal_commas_are_told_together_4(tmp_path):
    taken = take_all(
        PLANT, written(tmp_path, "Time;FLOW;CAKE\n01.02.2026 00:00;1,5;20\n13.02.2026 00:01;-2,25;21,75\n")
    )
    assert taken.values("FLOW") == [1.5, -2.25] and taken.values("CAKE") == [20.0, 21.75]
    assert "decimal comma" in taken.notes


def test_thousands_points_with_decimal_comma_5(tmp_path):
    taken = take_all(
        PLANT, written(tmp_path, "Time;FLOW;CAKE\n2026-02-01 00:00;1.234,5;20\n2026-02-01 00:01;1.234;0,5\n")
    )
    assert taken.values("FLOW") == [1234.5, 1234.0]


def test_a_mark_that_could_be_thousands_or_decimals_is_asked_about_6(tmp_path):
    message = refusal(written(tmp_path, "Time;FLOW\n2026-02-01 00:00;1.234\n2026-02-01 00:01;2.345\n"))
    assert message == (
        "export.csv: a number can be read with a decimal mark or with a thousands mark, and nothing decides which; "
        "found '1.234'; expected some number that only one way can be read, such as 0.5 or 12,5. "
        'To do: add decimal_mark = "." (or ",") to a [[source]] of the plant file.'
    )


def test_the_rest_of_the_file_settles_the_mark_6(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "Time;FLOW\n2026-02-01 00:00;1.234\n2026-02-01 00:01;0.5\n"))
    assert taken.values("FLOW") == [1.234, 0.5]


def test_grouped_thousands_in_quotes_7_and_quoted_numbers_8(tmp_path):
    taken = take_all(
        PLANT, written(tmp_path, 'Time,FLOW,CAKE\n2026-02-01 00:00,"1,234.5","20"\n2026-02-01 00:01,"12,345.0","21"\n')
    )
    assert taken.values("FLOW") == [1234.5, 12345.0] and taken.values("CAKE") == [20.0, 21.0]


def test_odd_spaces_and_minus_are_read_other_notations_are_texts_9(tmp_path):
    cells = ["\u00a01.5\u00a0", "\u22123.2", "1_000", "0x1F", "\u0661\u0662"]
    rows = "".join(f"2026-02-01 00:0{minute},{cell}\n" for minute, cell in enumerate(cells))
    taken = take_all(PLANT, written(tmp_path, "Time,FLOW\n" + rows))
    assert taken.values("FLOW") == [1.5, -3.2, None, None, None]
    assert taken.quality["FLOW"] == ["good", "good", "bad", "bad", "bad"]
    assert taken.log.texts == {"FLOW": {"1_000": 1, "0x1F": 1, "\u0661\u0662": 1}}


def test_a_constant_unit_behind_the_numbers_is_taken_off_and_said_9(tmp_path):
    taken = take_all(
        PLANT, written(tmp_path, "Time,FLOW\n2026-02-01 00:00,5 gpm\n2026-02-01 00:01,6 gpm\n2026-02-01 00:02,7 L/s\n")
    )
    assert taken.values("FLOW") == [5.0, 6.0, None]
    assert "the cells of FLOW carry the unit 'gpm', which was taken off" in taken.notes
    assert taken.log.texts == {"FLOW": {"7 L/s": 1}}


def test_lines_above_the_header_are_listed_10(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "Historian report\nPlant,Works\n\n" + ROWS))
    assert taken.values("FLOW") == [1.5, 2.5]
    assert "2 lines above the rows were left out (line 1: 'Historian report'; line 2: 'Plant,Works')" in taken.notes


def test_a_row_of_units_is_kept_as_units_11(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS.replace("CAKE\n", "CAKE\n,gpm,%\n")))
    assert taken.values("CAKE") == [20.0, 21.0]
    assert taken.exports[0].units == {"FLOW": "gpm", "CAKE": "%"}


@pytest.mark.parametrize(
    "lines", ["Time,FLOW,CAKE\n,Feed to press,Cake solids\n", "When,Feed to press,Cake solids\nTime,FLOW,CAKE\n"]
)
def test_of_two_header_rows_the_one_with_the_tags_counts_12(tmp_path, lines):
    taken = take_all(PLANT, written(tmp_path, ROWS.replace("Time,FLOW,CAKE\n", lines)))
    assert taken.values("FLOW") == [1.5, 2.5]
    assert "left out" in taken.notes


def test_header_lines_repeated_inside_are_counted_not_refused_13(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS + "Time,FLOW,CAKE\n2026-02-01 00:02,3.5,22\n"))
    assert taken.values("FLOW") == [1.5, 2.5, 3.5]
    assert taken.log.refused == 0 and "1 repeated header lines were left out" in taken.notes


def test_footers_are_refused_with_their_lines_14(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS + "Total,4.0,41\n\n2 rows\n"))
    assert taken.values("FLOW") == [1.5, 2.5]
    assert taken.log.refused == 2
    assert taken.log.refusals == [(4, "the time cannot be read"), (6, "the row has fewer cells than the header")]


def test_a_trailing_delimiter_shifts_nothing_15(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "Time,FLOW,CAKE\n2026-02-01 00:00,1.5,20,\n2026-02-01 00:01,2.5,21,\n"))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.values("CAKE") == [20.0, 21.0]


def test_ragged_rows_are_refused_by_line_and_the_others_kept_16(tmp_path):
    taken = take_all(
        PLANT, written(tmp_path, ROWS + "2026-02-01 00:02,3,22,9,9\n2026-02-01 00:03,4\n2026-02-01 00:04,5,24\n")
    )
    assert taken.values("FLOW") == [1.5, 2.5, 5.0]
    assert taken.log.refusals == [
        (4, "the row has more cells than the header"),
        (5, "the row has fewer cells than the header"),
    ]
    assert taken.inputs[0].rows == 5 and taken.inputs[0].refused == 2


@pytest.mark.parametrize("torn", ["2026-02-01 00:02,3.5", "2026-02-01 00:02,3.5,2.", "2026-02-01 0"])
def test_a_line_cut_while_copying_is_dropped_with_a_note_17(tmp_path, torn):
    rows = ROWS.replace("20\n", "20.25\n").replace("21\n", "21.50\n")
    taken = take_all(PLANT, written(tmp_path, rows + torn))
    assert taken.values("FLOW") == [1.5, 2.5]
    assert taken.log.refused == 1 and "refused" in taken.notes


def test_a_whole_last_line_without_its_end_is_kept_17(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS.removesuffix("\n")))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.log.refused == 0


def test_rows_of_nul_bytes_are_refused_and_counted_18(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS.encode() + b"\x00" * 30 + b"\n2026-02-01 00:02,3.5,22\n"))
    assert taken.values("FLOW") == [1.5, 2.5, 3.5]
    assert taken.log.refused == 1 and taken.log.refusals[0][0] == 4
    assert "30 NUL bytes" in taken.notes


def test_mixed_line_ends_are_taken_19(tmp_path):
    mixed = ROWS.replace("CAKE\n", "CAKE\r\n").replace("20\n", "20\r") + "2026-02-01 00:02,3.5,22\n"
    assert take_all(PLANT, written(tmp_path, mixed)).values("FLOW") == [1.5, 2.5, 3.5]


def test_names_are_matched_without_padding_and_case_20(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "Time , flow, Cake \n2026-02-01 00:00 , 1.5 , 20\n"))
    assert taken.values("FLOW") == [1.5] and taken.values("CAKE") == [20.0]
    assert taken.exports[0].tags == ("FLOW", "CAKE")


def test_two_different_columns_of_one_name_are_asked_about_21(tmp_path):
    message = refusal(written(tmp_path, "Time,FLOW,FLOW\n2026-02-01 00:00,1.5,9\n"))
    assert message == (
        "export.csv, columns 2 and 3: two columns are called 'FLOW' and differ; expected one column per tag. "
        "To do: rename or remove one of them."
    )


def test_two_equal_columns_of_one_name_are_one_21(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "Time,FLOW,FLOW\n2026-02-01 00:00,1.5,1.5\n"))
    assert taken.values("FLOW") == [1.5] and "two equal columns" in taken.notes


def test_an_empty_file_is_said_22(tmp_path):
    assert refusal(written(tmp_path, "")) == (
        "export.csv: the file is empty; found 0 bytes; expected a header and rows. To do: export it again."
    )


def test_a_header_alone_is_said_22(tmp_path):
    assert refusal(written(tmp_path, "Time,FLOW,CAKE\n")) == (
        "export.csv: the file has a header and no row; found 'Time', 'FLOW', 'CAKE'; expected rows with a time each. "
        "To do: export the period again, or leave the file out."
    )


def test_a_workbook_named_csv_is_said_23(tmp_path):
    book = tmp_path / "book.xlsx"
    pd.DataFrame({"Time": ["2026-02-01 00:00"], "FLOW": [1.5]}).to_excel(book, index=False)
    book.rename(tmp_path / "export.csv")
    assert refusal(tmp_path / "export.csv") == (
        "export.csv: this is an Excel workbook, not the text its name says; expected an export as CSV, Parquet or "
        "workbook. To do: name it .xlsx, or export as CSV."
    )


@pytest.mark.parametrize("packing", ["gzip", "zstd"])
def test_packed_files_are_read_whatever_they_are_called_23(tmp_path, packing):
    packed = gzip.compress(ROWS.encode()) if packing == "gzip" else pa.compress(ROWS.encode(), "zstd", asbytes=True)
    taken = take_all(PLANT, written(tmp_path, packed, "export.csv"))
    assert taken.values("FLOW") == [1.5, 2.5]


def test_a_gzip_file_damaged_inside_is_said_23(tmp_path):
    """A block of a type that DEFLATE does not have (RFC 1951, 3.2.3) is an error of the unpacker's own kind."""
    packed = bytearray(gzip.compress(ROWS.encode() * 1000))
    packed[10] = 0xFF  # the first byte behind the header (RFC 1952, 2.3)
    assert "the packed file cannot be unpacked" in refusal(written(tmp_path, bytes(packed), "export.csv.gz"))


def test_a_torn_gzip_file_is_said_23(tmp_path):
    path = written(tmp_path, gzip.compress(ROWS.encode() * 1000)[:-20], "export.csv.gz")
    assert "the packed file cannot be unpacked" in refusal(path)


def test_a_long_file_is_told_from_a_wide_one_24(tmp_path):
    first = "Time,Tag,Value\n2026-02-01 00:00,FLOW,1.5\n2026-02-01 00:00,CAKE,20\n"
    rows = first + "2026-02-01 00:01,FLOW,2.5\n2026-02-01 00:01,OTHER,9\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.exports[0].layout == "long"
    assert taken.values("FLOW") == [1.5, 2.5] and taken.values("CAKE") == [20.0]
    assert set(taken.exports[0].tags) == {"FLOW", "CAKE", "OTHER"}


def test_a_long_file_without_a_header_is_read_by_its_tags_24(tmp_path):
    taken = take_all(PLANT, written(tmp_path, "2026-02-01 00:00,FLOW,1.5\n2026-02-01 00:00,CAKE,20\n"))
    assert taken.values("FLOW") == [1.5] and taken.values("CAKE") == [20.0]


def test_pairs_of_time_and_value_columns_are_recognised_25(tmp_path):
    rows = "Time1,FLOW,Time2,CAKE\n2026-02-01 00:00,1.5,2026-02-01 00:00:30,20\n2026-02-01 00:01,2.5,,\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.values("CAKE") == [20.0]
    assert taken.times("CAKE") == ["2026-02-01T07:00:30"] and taken.log.refused == 0


def test_pairs_named_by_their_time_columns_are_recognised_25(tmp_path):
    rows = "FLOW Time,Value,CAKE Time,Value\n2026-02-01 00:00,1.5,2026-02-01 00:00:30,20\n"
    taken = take_all(PLANT, written(tmp_path, rows))
    assert taken.values("FLOW") == [1.5] and taken.values("CAKE") == [20.0]


def test_one_file_per_tag_takes_the_name_of_the_file(tmp_path):
    first = written(tmp_path, "Time,Value\n2026-02-01 00:00,1.5\n", "FLOW_2026-02.csv")
    second = written(tmp_path, "Time,Value\n2026-02-01 00:00,20\n", "CAKE.csv")
    taken = take_all(PLANT, first, second)
    assert taken.values("FLOW") == [1.5] and taken.values("CAKE") == [20.0]


def test_units_in_brackets_behind_the_names_are_split_off(tmp_path):
    taken = take_all(PLANT, written(tmp_path, ROWS.replace("FLOW", "FLOW (gpm)").replace("CAKE", "CAKE [%]")))
    assert taken.values("FLOW") == [1.5, 2.5] and taken.exports[0].units == {"FLOW": "gpm", "CAKE": "%"}


def test_different_units_for_one_tag_in_two_files_are_refused_41(tmp_path):
    first = written(tmp_path, ROWS.replace("FLOW", "FLOW (gpm)"), "a.csv")
    second = written(tmp_path, ROWS.replace("FLOW", "FLOW (m3/h)"), "b.csv")
    with pytest.raises(
        InputError, match=r"b.csv: the unit of FLOW differs from that in a.csv; found m3/h; expected gpm"
    ):
        take_all(PLANT, first, second)


def test_no_column_of_times_is_said(tmp_path):
    message = refusal(written(tmp_path, "FLOW,CAKE\n1.5,20\n2.5,21\n"))
    assert message.startswith("export.csv, line 1: no column of the file holds times; found columns 'FLOW', 'CAKE'")


def test_a_bench_sheet_is_no_export(tmp_path):
    sheet = "sampled_at,press,point,analysis,value,unit,note\n2026-02-01 08:00,BFP-1,cake,TS,20,%,\n"
    assert refusal(written(tmp_path, sheet)).startswith(
        "export.csv: this is a bench sheet, not an export of tags; found columns sampled_at, press, point"
    )


def test_a_missing_file_is_said_and_all_problems_come_at_once(tmp_path):
    with pytest.raises(InputError) as caught:
        take_all(PLANT, tmp_path / "none.csv", written(tmp_path, ""))
    assert len(caught.value.problems) == 2
    assert "there is no such file" in str(caught.value) and "the file is empty" in str(caught.value)


def test_a_workbook_is_read_like_the_text_it_would_export(tmp_path):
    book = tmp_path / "export.xlsx"
    times = pd.to_datetime(["2026-02-01 00:00", "2026-02-01 00:01"])
    pd.DataFrame({"Time": times, "FLOW": [1.5, 2.5], "CAKE": [20, "Bad"]}).to_excel(book, index=False)
    taken = take_all(PLANT, book)
    assert taken.values("FLOW") == [1.5, 2.5] and taken.times("FLOW") == TIMES
    assert taken.log.texts == {"CAKE": {"Bad": 1}} and "workbook" in taken.notes


@pytest.mark.parametrize("name", ["north_[1].csv", "50%*.csv", "it's.csv", "a{b}.csv"])
def test_file_names_are_no_patterns_and_no_sql(tmp_path, name):
    written(tmp_path, ROWS.replace("1.5", "99"), "north_1.csv")
    assert take_all(PLANT, written(tmp_path, ROWS, name)).values("FLOW") == [1.5, 2.5]


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_tag_names_are_hostile_input(tmp_path, layout):
    name = "a'; DROP TABLE x; --\\"
    plant = a_plant(name, "CAKE")
    rows = f'Time,"{name}",CAKE\n2026-02-01 00:00,1.5,20\n'
    if layout == "long":
        rows = f'Time,Tag,Value\n2026-02-01 00:00,"{name}",1.5\n2026-02-01 00:00,CAKE,20\n'
    assert take_all(plant, written(tmp_path, rows)).values(name) == [1.5]
