"""Bench sheets: layouts, units, names, and results that cannot be."""

from dataclasses import replace

import pandas as pd
import pytest
from exports_files import a_plant, written

from trendkit.errors import InputError
from trendkit.exports import read_lab
from trendkit.plant.model import Lab, LabColumn, Source

PLANT = a_plant("FLOW")
HEADER = "sampled_at,press,point,analysis,value,unit,note\n"


def a_sheet(tmp_path, *rows, plant=PLANT, header=HEADER):
    return read_lab(written(tmp_path, header + "".join(row + "\n" for row in rows), "lab.csv"), plant)


def test_results_come_in_utc_and_the_units_of_their_analysis(tmp_path):
    sheet = a_sheet(
        tmp_path,
        "2026-02-01 08:00,BFP-1,feed,TS,2.4,%,",
        "2026-02-01 08:00,bfp-1,feed,TS,25,g/L,",
        "2026-02-01 08:00,BFP 1,filtrate,TSS,0.04,%,",
        "2026-02-01 08:00,bfp1,Filtrate,tss,0.4,g/L,grey",
        "2026-02-01 08:00,BFP-1,cake,VS,71,%,",
    )
    assert list(sheet.frame["value"]) == pytest.approx([2.4, 2.5, 400.0, 400.0, 71.0])
    assert set(sheet.frame["press"]) == {"bfp-1"} and str(sheet.frame["sampled_at"].dt.tz) == "UTC"
    assert sheet.frame["sampled_at"][0] == pd.Timestamp("2026-02-01 15:00", tz="UTC")
    assert list(sheet.frame["line"]) == [2, 3, 4, 5, 6] and sheet.frame["note"][3] == "grey"


def test_rows_that_cannot_be_placed_are_refused_with_line_and_reason(tmp_path):
    sheet = a_sheet(
        tmp_path,
        "2026-02-01 08:00,BFP-1,feed,TS,2.4,%,",
        "2026-02-01 08:00,BFP-9,feed,TS,2.4,%,",
        "soon,BFP-1,feed,TS,2.4,%,",
        "2026-02-01 08:00,BFP-1,lagoon,TS,2.4,%,",
        "2026-02-01 08:00,BFP-1,feed,pH,7,,",
        "2026-02-01 08:00,BFP-1,feed,TS,2.4,gpm,",
        "",
    )
    assert len(sheet.frame) == 1 and sheet.input.refused == 5 and sheet.input.rows == 6
    notes = "\n".join(sheet.input.notes)
    assert "line 3 was refused: there is no press 'BFP-9' (the plant has BFP-1)" in notes
    assert "line 4 was refused: the time cannot be read ('soon')" in notes
    assert "line 5 was refused: there is no sampling point 'lagoon'" in notes
    assert "line 6 was refused: there is no analysis 'pH' (known are TS, TSS, TDS, VS)" in notes
    assert "line 7 was refused: the unit 'gpm' does not fit TS" in notes


def test_censored_results_and_texts_are_kept_and_flagged_30(tmp_path):
    rows = [f"2026-02-01 08:0{n},BFP-1,filtrate,TSS,{cell},mg/L," for n, cell in enumerate(["<2", ">100", "ND", ""])]
    sheet = a_sheet(tmp_path, *rows)
    assert sheet.frame["value"].isna().all() and sheet.frame["is_suspect"].all()
    assert list(sheet.frame["note"]) == ["<2", ">100", "ND", ""]
    assert list(sheet.frame["why"]) == [
        "below the limit of the method",
        "above the limit of the method",
        "the result is no number",
        "no result is written",
    ]
    assert [finding.fault for finding in sheet.findings] == ["text_value"] * 4


def test_a_cake_too_wet_to_be_one_is_flagged_not_deleted(tmp_path):
    sheet = a_sheet(tmp_path, "2026-02-01 08:00,BFP-1,cake,TS,3,%,")
    assert sheet.frame["value"][0] == 3.0 and sheet.frame["is_suspect"][0]
    assert sheet.frame["why"][0] == "a dewatered cake of 3 % cannot be (below 6 %)"
    assert sheet.findings[0].fault == "out_of_range" and sheet.findings[0].evidence.startswith("line 2:")


def test_a_slipped_decimal_mark_is_flagged_against_the_sheet_s_median(tmp_path):
    rows = [
        f"2026-02-{day:02d} 08:00,BFP-1,feed,TS,{value},%,"
        for day, value in enumerate([2.1, 2.4, 2.2, 2.6, 2.3, 0.25], 1)
    ]
    sheet = a_sheet(tmp_path, *rows)
    assert list(sheet.frame["is_suspect"]) == [False] * 5 + [True]
    assert sheet.frame["why"][5] == (
        "9 times below the sheet's median of 2.25: a decimal mark or unit slipped, perhaps 2.5 is meant"
    )
    assert sheet.findings[0].fault == "unit_suspect"


def sampled(*days):
    """Rows of feed, cake and filtrate of one sample a day."""
    kinds = ("feed,TS,{},%", "cake,TS,{},%", "filtrate,TSS,{},mg/L")
    return [
        f"2026-02-{day:02d} 08:00,BFP-1,{kind.format(value)},"
        for day, values in enumerate(days, 1)
        for kind, value in zip(kinds, values, strict=True)
    ]


USUAL = [(2.5, 21.0, 700), (2.6, 21.5, 650), (2.4, 20.5, 720), (2.5, 21.2, 690), (2.6, 20.8, 710)]


def test_a_cake_ten_times_too_dry_is_flagged_with_what_is_meant(tmp_path):
    sheet = a_sheet(tmp_path, *sampled(*USUAL, (2.5, 212, 700)))
    (why,) = sheet.frame.loc[sheet.frame["is_suspect"], "why"]
    assert why == "a dewatered cake of 212 % cannot be (above 60 %); perhaps 21.2 % is meant"


@pytest.mark.parametrize(
    ("last", "meant"), [((21.1, 2.45, 700), ("2.45", "21.1")), ((2.5, 705, 21.1), ("21.1", "705"))]
)
def test_two_points_exchanged_are_flagged_with_what_is_meant(tmp_path, last, meant):
    sheet = a_sheet(tmp_path, *sampled(*USUAL, last))
    suspects = sheet.frame[sheet.frame["is_suspect"]]
    assert len(suspects) == 2
    for why, value in zip(suspects["why"], meant, strict=True):
        assert "exchanged with" in why and f"perhaps {value} is meant" in why


def test_widely_spread_filtrate_is_not_called_slipped(tmp_path):
    rows = [
        f"2026-02-{day:02d} 08:00,BFP-1,filtrate,TSS,{v},mg/L,"
        for day, v in enumerate([100, 900, 250, 2500, 400, 4000], 1)
    ]
    assert not a_sheet(tmp_path, *rows).frame["is_suspect"].any()


def test_filtrate_above_its_feed_is_flagged(tmp_path):
    sheet = a_sheet(
        tmp_path, "2026-02-01 08:00,BFP-1,feed,TS,2.4,%,", "2026-02-01 09:00,BFP-1,filtrate,TSS,30000,mg/L,"
    )
    assert sheet.frame["why"][1] == "filtrate of 30000 mg/L above its feed of 24000 mg/L cannot be"


def test_of_two_rows_for_one_sample_the_later_counts(tmp_path):
    sheet = a_sheet(tmp_path, "2026-02-01 08:00,BFP-1,feed,TS,2.4,%,", "2026-02-01 08:00,BFP-1,feed,TS,2.5,%,")
    assert list(sheet.frame["is_suspect"]) == [True, False] and sheet.findings[0].fault == "duplicate"


def test_a_percent_sign_in_the_cell_is_the_unit_where_none_stands_beside_it_and_contradicts_another(tmp_path):
    sheet = a_sheet(
        tmp_path,
        "2026-02-01 08:00,BFP-1,feed,TS,2.4 %,%TS,",
        "2026-02-01 09:00,BFP-1,filtrate,TSS,0.09 %,,",
        "2026-02-01 10:00,BFP-1,filtrate,TSS,0.09 %,mg/L,",
    )
    assert list(sheet.frame["value"])[:2] == pytest.approx([2.4, 900.0])
    last = sheet.frame.iloc[2]
    assert pd.isna(last["value"]) and last["is_suspect"] and last["note"] == "0.09 %"
    assert last["why"] == "the result is in %, its unit says mg/L"
    assert not any("without a unit" in note for note in sheet.input.notes)


def test_results_without_a_unit_are_read_in_the_usual_one_and_said(tmp_path):
    sheet = a_sheet(tmp_path, "2026-02-01 08:00,BFP-1,feed,TS,2.4,,")
    assert sheet.frame["value"][0] == 2.4 and sheet.input.notes == ("results of TS without a unit are read in %",)


def test_semicolons_decimal_commas_and_day_first(tmp_path):
    text = HEADER.replace(",", ";") + "13.02.2026 08:00;BFP-1;feed;TS;2,4;%;\n01.02.2026 08:00;BFP-1;cake;TS;21,5;%;\n"
    frame = read_lab(written(tmp_path, text, "lab.csv"), PLANT).frame
    assert list(frame["value"]) == [21.5, 2.4] and frame["sampled_at"][0] == pd.Timestamp("2026-02-01 15:00", tz="UTC")


def test_ambiguous_dates_are_asked_about_unless_the_plant_file_says(tmp_path):
    row = "01/02/2026 08:00,BFP-1,feed,TS,2.4,%,"
    with pytest.raises(InputError, match=r"lab\.csv: the dates can be read day first or month first"):
        a_sheet(tmp_path, row)
    plant = a_plant("FLOW", sources=(Source("lab*.csv", dates="day_first"),))
    assert a_sheet(tmp_path, row, plant=plant).frame["sampled_at"][0] == pd.Timestamp("2026-02-01 15:00", tz="UTC")


def test_the_sheet_has_its_own_zone(tmp_path):
    plant = a_plant("FLOW", lab=Lab(timezone="UTC"))
    sheet = a_sheet(tmp_path, "2026-02-01 08:00,BFP-1,feed,TS,2.4,%,", plant=plant)
    assert sheet.frame["sampled_at"][0] == pd.Timestamp("2026-02-01 08:00", tz="UTC")


def test_a_sample_of_the_hour_shown_twice_counts_from_its_first_showing_and_that_is_said(tmp_path):
    sheet = a_sheet(tmp_path, "2026-11-01 01:30,BFP-1,feed,TS,2.4,%,", "2026-11-01 02:30,BFP-1,feed,TS,2.4,%,")
    assert list(sheet.frame["sampled_at"].dt.strftime("%H:%M")) == ["07:30", "09:30"]
    assert "1 row of the hour shown twice on 2026-11-01 counted as of its first showing" in sheet.input.notes


def test_a_date_and_a_clock_column_are_joined(tmp_path):
    rows = ["2026-02-01,8:00,BFP-1,feed,TS,2.4,%,", "2026-02-01,13:30,BFP-1,feed,TS,2.5,%,"]
    frame = a_sheet(tmp_path, *rows, header="Date,Time,press,point,analysis,value,unit,note\n").frame
    assert list(frame["sampled_at"].dt.strftime("%H:%M")) == ["15:00", "20:30"]


def test_dates_without_a_clock_time_are_said_to_count_from_midnight(tmp_path):
    sheet = a_sheet(tmp_path, "2026-02-01,BFP-1,feed,TS,2.4,%,")
    assert sheet.frame["sampled_at"][0] == pd.Timestamp("2026-02-01 07:00", tz="UTC")
    assert sheet.input.notes == ("1 results have a date without a clock time and count from midnight",)


def test_a_note_may_run_over_lines(tmp_path):
    sheet = a_sheet(
        tmp_path,
        '2026-02-01 08:00,BFP-1,feed,TS,2.4,%,"two\nlines, and a comma"',
        "2026-02-01 09:00,BFP-1,feed,TS,2.5,%,",
    )
    assert list(sheet.frame["line"]) == [2, 4] and sheet.frame["note"][0] == "two\nlines, and a comma"


WIDE = Lab(
    layout="wide",
    time_header="Date",
    press="bfp-1",
    columns=(LabColumn("Feed TS %", "feed", "TS", "%"), LabColumn("Filtrate", "filtrate", "TSS", "mg/L")),
)


@pytest.mark.parametrize("name", ["lab.csv", "lab.xlsx"])
def test_a_wide_sheet_gives_a_row_per_result(tmp_path, name):
    frame = pd.DataFrame(
        {
            "Date": ["2026-02-01 08:00", "2026-02-02 08:00"],
            "Feed TS %": [2.4, None],
            "Filtrate": [400, "<50"],
            "Remarks": ["", "calm"],
        }
    )
    path = tmp_path / name
    if name.endswith("xlsx"):
        frame.assign(Date=pd.to_datetime(frame["Date"])).to_excel(path, index=False)
    else:
        frame.to_csv(path, index=False)
    found = read_lab(path, a_plant("FLOW", lab=WIDE)).frame
    assert list(zip(found["point"], found["line"], strict=True)) == [("feed", 2), ("filtrate", 2), ("filtrate", 3)]
    assert list(found["value"][:2]) == [2.4, 400.0] and found["note"][2] == "<50 calm" and found["is_suspect"][2]


def test_a_wide_sheet_without_a_named_column_is_said(tmp_path):
    with pytest.raises(InputError) as caught:
        a_sheet(tmp_path, "2026-02-01 08:00,2.4", header="Date,Feed TS %\n", plant=a_plant("FLOW", lab=WIDE))
    assert str(caught.value) == (
        "lab.csv, line 1: the bench sheet lacks the column 'Filtrate'; found Date, Feed TS %. To do: correct "
        "the headers under [lab] in the plant file."
    )


def test_a_wide_sheet_that_names_a_column_twice_is_refused(tmp_path):
    """Which of two results is meant, nobody can tell; the last was taken."""
    header = "Date,Feed TS %,Filtrate,Feed TS %\n"
    with pytest.raises(InputError, match="line 1: two columns of the bench sheet are called 'Feed TS %'"):
        a_sheet(tmp_path, "2026-02-01 08:00,2.4,400,3.1", header=header, plant=a_plant("FLOW", lab=WIDE))


def test_a_wide_sheet_of_several_presses_names_them_in_a_column(tmp_path):
    lab = replace(WIDE, press=None, press_header="Anlage")
    header = "Laborbuch 2026\nDate,Anlage,Feed TS %,Filtrate\n"
    rows = ("2026-02-01 08:00,BFP-1,2.4,400", "2026-02-01 08:00,BFP-7,2.5,")
    sheet = a_sheet(tmp_path, *rows, header=header, plant=a_plant("FLOW", lab=lab))
    assert list(sheet.frame["press"]) == ["bfp-1", "bfp-1"]
    assert sheet.input.refusals == ((4, "there is no press 'BFP-7' (the plant has BFP-1)"),)


def test_the_sheets_of_a_workbook_that_are_not_read_are_named(tmp_path):
    path = tmp_path / "lab.xlsx"
    rows = pd.DataFrame({"Date": ["2026-02-01 08:00"], "Feed TS %": [2.4], "Filtrate": [400]})
    with pd.ExcelWriter(path) as book:
        rows.to_excel(book, sheet_name="Bench", index=False)
        rows.to_excel(book, sheet_name="Trucks", index=False)
    notes = read_lab(path, a_plant("FLOW", lab=WIDE)).input.notes
    assert any("first filled sheet of the workbook, 'Bench'; not read: 'Trucks'" in note for note in notes)


def test_an_export_is_no_bench_sheet(tmp_path):
    with pytest.raises(
        InputError, match=r"lab.csv, line 1: this is no bench sheet: the header is not there; found Time, FLOW"
    ):
        a_sheet(tmp_path, "2026-02-01 08:00,1.5", header="Time,FLOW\n")


def test_a_sheet_of_which_nothing_can_be_used_is_said(tmp_path):
    with pytest.raises(InputError) as caught:
        a_sheet(tmp_path, "2026-02-01 08:00,BFP-9,feed,TS,2.4,%,")
    assert str(caught.value).startswith(
        "lab.csv, line 2: no row of the bench sheet can be used: there is no press 'BFP-9' (the plant has BFP-1)"
    )


@pytest.mark.parametrize("content", ["", HEADER])
def test_an_empty_sheet_is_said(tmp_path, content):
    with pytest.raises(InputError, match=r"lab\.csv: the bench sheet (is empty|has a header and no result)"):
        read_lab(written(tmp_path, content, "lab.csv"), PLANT)


def test_a_result_of_another_kind_is_said_to_be_in_the_wrong_place_not_to_be_a_slip(tmp_path):
    """A feed result of 2.75 % under filtrate, and a filtrate of 781 mg/L under feed, hours apart."""
    rows = [f"2026-02-{day:02d} 08:00,BFP-1,feed,TS,2.{70 + day},%," for day in range(1, 10)]
    rows += [f"2026-02-{day:02d} 08:00,BFP-1,filtrate,TSS,{900 + day},mg/L," for day in range(1, 10)]
    rows += ["2026-02-11 08:00,BFP-1,filtrate,TSS,2.75,mg/L,", "2026-02-12 15:00,BFP-1,feed,TS,781,%,"]
    sheet = a_sheet(tmp_path, *rows)
    why = [row.why for row in sheet.frame.itertuples() if row.is_suspect]
    assert why[0].endswith("; it fits feed TS: perhaps it is written in the wrong place")
    assert why[1].endswith("; it fits filtrate TSS: perhaps it is written in the wrong place")
