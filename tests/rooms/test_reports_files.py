"""Files of the reports room: whole or not at all, null never NaN, the same bytes for the same content."""

from __future__ import annotations

import io
import json
import math
import zipfile
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
import reports_sample as sample

from trendkit.errors import InputError
from trendkit.plant.display import display
from trendkit.press.results import FigureTable
from trendkit.reports import files as files_room
from trendkit.reports import (
    json_text,
    require_suffix,
    upset_rows,
    write_index,
    write_review,
    write_table,
    write_troubleshoot,
    write_tune,
    write_upsets,
)
from trendkit.reports.files import write_whole
from trendkit.reports.workbook_sheet import safe_text

EVERY_PAGE = {
    "command",
    "trendkit_version",
    "press",
    "period",
    "inputs",
    "data_quality",
    "excluded",
    "cautions",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The three commands' files for the sample month, made once."""
    place = tmp_path_factory.mktemp("pages")
    plant, table = sample.plant(), sample.table()
    write_review(place, sample.context(plant), sample.review(), table, sample.upsets())
    write_troubleshoot(place, sample.day_context(plant), sample.account(), table, sample.upsets()[1:2])
    write_tune(place, sample.context(plant), sample.tuning(), table)
    return place


def _read(path: Path) -> dict[str, object]:
    def refuse(word: str) -> float:
        raise AssertionError(f"{path.name} holds {word}")

    found = json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
    assert isinstance(found, dict)
    return found


# --- JSON -----------------------------------------------------------------------------------------------


def test_what_is_not_known_is_null_and_times_are_utc_with_z() -> None:
    text = json_text(
        {
            "nan": math.nan,
            "infinite": np.float64("inf"),
            "no_time": pd.NaT,
            "missing": pd.NA,
            "time": pd.Timestamp("2026-03-08T03:30:00-06:00"),
            "day": date(2026, 3, 8),
            "count": np.int64(3),
            "is_known": np.bool_(True),
            "number": 1.23456789,
            "array": np.array([1.0, np.nan]),
        },
        indent=None,
    )
    assert json.loads(text) == {
        "nan": None,
        "infinite": None,
        "no_time": None,
        "missing": None,
        "time": "2026-03-08T09:30:00Z",
        "day": "2026-03-08",
        "count": 3,
        "is_known": True,
        "number": 1.23457,
        "array": [1.0, None],
    }


def test_a_type_without_a_json_form_is_refused() -> None:
    with pytest.raises(TypeError, match="no JSON form"):
        json_text({"set": {1}})


@pytest.mark.parametrize("command", ["review", "troubleshoot", "tune"])
def test_every_page_has_its_json_with_the_common_keys(folder: Path, command: str) -> None:
    document = _read(folder / f"{command}.json")
    assert set(document) >= EVERY_PAGE
    assert document["command"] == command and document["press"] == "bfp-1"
    assert (folder / f"{command}.html").is_file()
    period = document["period"]
    assert isinstance(period, dict)
    assert period["timezone"] == "America/Denver" and period["start"].endswith("Z")
    assert document["cautions"]


def test_review_json_holds_every_figure_with_all_its_fields(folder: Path) -> None:
    document = _read(folder / "review.json")
    figures = document["figures"]
    assert isinstance(figures, dict)
    fields = {"value", "low", "high", "unit", "n", "method", "previous", "target", "meets_target", "reason"}
    assert all(set(figure) == fields for figure in figures.values())
    assert figures["energy_kwh"]["value"] is None and figures["energy_kwh"]["reason"]
    assert figures["polymer_dose_kg_t"]["target"] == {"min": None, "max": 9.0}
    assert figures["polymer_dose_kg_t"]["meets_target"] is False
    assert figures["hydraulic_loading_m3_h_m"]["meets_target"] is None
    assert set(document) >= {"by_mode", "by_day", "by_shift", "upsets"}
    assert document["period"]["start"] == "2026-03-01T07:00:00Z"  # type: ignore[index]
    assert document["period"]["end"] == "2026-04-01T06:00:00Z"  # type: ignore[index]


def test_troubleshoot_json_holds_the_contract_keys(folder: Path) -> None:
    document = _read(folder / "troubleshoot.json")
    assert document["verdict"] == "bad"
    assert set(document["changes"][0]) == {"figure", "value", "usual", "usual_low", "usual_high", "z"}  # type: ignore[index]
    assert set(document["timeline"][0]) >= {"time", "role", "direction", "size"}  # type: ignore[index]
    assert set(document["contributions"][0]) == {"factor", "points", "low", "high"}  # type: ignore[index]
    assert set(document["causes"][0]) == {"cause", "weight", "because", "check"}  # type: ignore[index]
    assert set(document) >= {"compared_with", "checks"}


def test_tune_json_holds_the_contract_keys_and_null_when_nothing_is_recommended(folder: Path, tmp_path: Path) -> None:
    document = _read(folder / "tune.json")
    assert set(document["recommended"]) >= {  # type: ignore[call-overload]
        "gravity_belt_speed_m_min",
        "low",
        "high",
        "belt_speed_ratio",
    }
    assert set(document["curve"][0]) == {  # type: ignore[index]
        f"{name}{end}" for name in ("cake_solids_pct", "capture_pct", "cost_per_dry_t") for end in ("", "_low", "_high")
    } | {"gravity_belt_speed_m_min"}
    write_tune(tmp_path, sample.context(), sample.tuning_insufficient(), sample.table())
    bare = _read(tmp_path / "tune.json")
    assert bare["decision"] == "insufficient" and bare["recommended"] is None and bare["gain"] is None
    assert bare["curve"] == []


# --- tables and ledger ------------------------------------------------------------------------------------


def _write_table(path: Path, tables: list[FigureTable]) -> None:
    heads = [replace(table, frame=table.frame.iloc[:0]) for table in tables]
    write_table(path, iter(tables), heads, sample.plant())


def test_the_table_is_the_same_in_parquet_and_csv(tmp_path: Path) -> None:
    table = _first_days()
    _write_table(tmp_path / "f.parquet", [table])
    _write_table(tmp_path / "f.csv", [table])
    exact = pd.read_parquet(tmp_path / "f.parquet")
    text = pd.read_csv(tmp_path / "f.csv")
    first = ["time", "feed_time", "press", "run", "phase", "mode", "capture_method"]
    assert list(exact.columns)[:7] == first and list(text.columns) == list(exact.columns)
    assert str(exact["time"].dt.tz) == "UTC" and text["time"][0] == "2026-03-01T07:00:00Z"
    assert (pd.to_datetime(text["time"]) == exact["time"]).all()
    for name in ("capture_pct", "solids_loading_kg_h_m_rolling"):
        assert text[name].isna().sum() == exact[name].isna().sum() > 0
        pd.testing.assert_series_equal(text[name], exact[name], rtol=1e-7)
    assert "nan" not in (tmp_path / "f.csv").read_text().lower()


def _first_days(days: int = 2) -> FigureTable:
    table = sample.table()
    return replace(table, frame=table.frame.iloc[: days * 1440])


def test_two_presses_stand_under_one_another(tmp_path: Path) -> None:
    table = _first_days(1)
    other = replace(table, press="bfp-2", frame=table.frame.drop(columns="belt_tension_kn_m"))
    _write_table(tmp_path / "f.parquet", [table, other])
    both = pd.read_parquet(tmp_path / "f.parquet")
    assert both["press"].tolist() == ["bfp-1"] * 1440 + ["bfp-2"] * 1440
    assert both.loc[both["press"] == "bfp-2", "belt_tension_kn_m"].isna().all()


def test_lists_of_the_ledger_are_json_text_in_csv_and_lists_in_parquet_and_json(tmp_path: Path) -> None:
    for name in ("u.csv", "u.parquet", "u.json"):
        write_upsets(tmp_path / name, sample.upsets())
    text = pd.read_csv(tmp_path / "u.csv", keep_default_na=False)
    exact = pd.read_parquet(tmp_path / "u.parquet")
    listed = json.loads((tmp_path / "u.json").read_text())
    assert isinstance(listed, list) and len(listed) == len(text) == len(exact) == 3
    assert json.loads(text["causes"][1])[0]["cause"] == listed[1]["causes"][0]["cause"] == "polymer_loss"
    assert json.loads(text["kinds"][1]) == list(exact["kinds"][1]) == ["wet_cake", "low_capture", "dose_off"]
    assert text["lost_dry_solids_kg"][0] == "" and listed[0]["lost_dry_solids_kg"] is None
    assert text["start"][1] == listed[1]["start"] == "2026-03-18T16:12:00Z"
    assert list(text.columns)[:15] == list(upset_rows(sample.upsets())[0])[:15]


def test_a_ledger_without_upsets_keeps_its_columns(tmp_path: Path) -> None:
    for name in ("u.csv", "u.parquet"):
        write_upsets(tmp_path / name, [])
    assert list(pd.read_csv(tmp_path / "u.csv").columns) == list(pd.read_parquet(tmp_path / "u.parquet").columns)
    assert "severity" in pd.read_csv(tmp_path / "u.csv").columns


def test_an_unknown_kind_of_file_is_refused_before_any_work() -> None:
    with pytest.raises(InputError, match=r"--out.*'\.xls'.*\.csv or \.json"):
        require_suffix(Path("u.xls"), (".csv", ".json"))


# --- whole or not at all ----------------------------------------------------------------------------------


def test_a_failing_write_leaves_the_folder_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_whole(tmp_path, {"a.txt": b"old"})

    def fail(path: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    written = Path.write_bytes
    monkeypatch.setattr(
        Path, "write_bytes", lambda path, content: (fail if "b.txt" in path.name else written)(path, content)
    )
    with pytest.raises(OSError, match="No space"):
        write_whole(tmp_path, {"a.txt": b"new", "b.txt": b"new"})
    assert [each.name for each in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_bytes() == b"old"


def test_a_page_that_cannot_be_drawn_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files_room, "pa_parquet", None)
    with pytest.raises(AttributeError):
        write_review(tmp_path / "out", sample.context(), sample.review(), sample.table(), sample.upsets())
    assert not (tmp_path / "out").exists()


# --- the workbook -----------------------------------------------------------------------------------------


def test_the_workbook_has_plant_units_native_dates_and_no_formula(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "figures.xlsx")
    assert book.sheetnames == [
        "Figures", "Capture", "Costs", "Days", "Shifts", "Runs", "Upsets", "Samples", "Readings", "Inputs", "Notes",
    ]  # fmt: skip
    rows = {row[0]: row for row in book["Figures"].iter_rows(min_row=2, values_only=True)}
    dose, unit = display(9.4, "polymer_dose_kg_t", "us")
    assert rows["Polymer dose"][2] == pytest.approx(dose) and rows["Polymer dose"][5] == unit == "lb/ton"
    assert rows["Polymer dose"][8] == pytest.approx(18.0) and rows["Polymer dose"][9] == "no"
    assert rows["Energy used"][2] is None and "meter" in rows["Energy used"][12]
    assert book["Days"]["A2"].value == datetime(2026, 3, 2)
    started = book["Upsets"]["B3"]
    assert started.value == datetime(2026, 3, 18, 10, 12) and started.is_date
    for sheet in book:
        assert not any(cell.data_type == "f" for row in sheet.iter_rows() for cell in row)


def test_every_sheet_keeps_its_heading_in_sight_filters_and_prints_across_one_page(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "figures.xlsx")
    for sheet in book:
        assert sheet.freeze_panes == "B2" and all(cell.font.bold for cell in sheet[1]), sheet.title
        assert sheet.auto_filter.ref == sheet.dimensions and sheet.print_title_rows == "$1:$1", sheet.title
        assert sheet.page_setup.orientation == "landscape" and sheet.page_setup.fitToHeight == 0, sheet.title


def test_numbers_are_shown_with_the_digits_their_size_needs(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "figures.xlsx")
    rows = {row[0].value: row for row in book["Figures"].iter_rows(min_row=2)}
    assert rows["Sludge fed"][2].number_format == "#,##0" and rows["Capture"][2].number_format == "0.0"
    assert rows["Belt speed ratio"][2].number_format == "0.00"
    assert {cell.number_format for cell in book["Days"]["G"][1:]} == {"0.0"}  # capture of every day alike


def test_the_workbook_holds_costs_samples_and_inputs_as_the_page_does(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "figures.xlsx")
    costs = {row[0]: row for row in book["Costs"].iter_rows(min_row=2, values_only=True)}
    assert costs["Haul"][1] == 36_900 and costs["Power"][3] == "no price or no meter"
    samples = list(book["Samples"].iter_rows(min_row=2, values_only=True))
    assert samples[0][0] == datetime(2026, 3, 2, 10, 10) and len(samples) == len(sample.lab())
    assert [row[6] for row in samples if row[6]] == ["dewatered cake of 3 % cannot be"]
    assert not any(str(row[5] or "").startswith("=") for row in samples)  # the hostile note is text
    assert [row[0] for row in book["Inputs"].iter_rows(min_row=2, values_only=True)] == ["press_march.csv", "lab.csv"]


def test_texts_that_look_like_formulas_are_neutralised(folder: Path) -> None:
    assert [safe_text(text) for text in ("=1", "+1", "-1", "@a", "1", "")] == [
        "'=1",
        "'+1",
        "'-1",
        "'@a",
        "1",
        "",
    ]
    book = openpyxl.load_workbook(folder / "figures.xlsx")
    notes = [row[0] for row in book["Notes"].iter_rows(min_row=2, values_only=True)]
    assert any("HYPERLINK" in note for note in notes)
    # the trial of 19:00 to 21:30 UTC, in Denver's summer time like every other time of the workbook
    assert any("2026-03-10 13:00 to 2026-03-10 15:30, supplier trial" in note for note in notes)
    assert not any(note.startswith(("=", "+", "-", "@")) for note in notes)


def test_the_table_workbook_shows_plant_time_and_drops_empty_columns(tmp_path: Path) -> None:
    _write_table(tmp_path / "f.xlsx", [_first_days(2)])
    sheet = openpyxl.load_workbook(tmp_path / "f.xlsx")["Figures"]
    heads = [cell.value for cell in sheet[1]]
    assert heads[0] == "Time, plant time" and "Feed flow, gpm" in heads
    assert sheet["A2"].value == datetime(2026, 3, 1, 0, 0) and sheet.max_row == 2881


def test_only_columns_of_moments_are_headed_plant_time(tmp_path: Path) -> None:
    table = _first_days(1)
    frame = table.frame.assign(downtime_min=3.0)  # a free tag
    _write_table(tmp_path / "f.xlsx", [replace(table, frame=frame)])
    heads = [cell.value for cell in openpyxl.load_workbook(tmp_path / "f.xlsx")["Figures"][1]]
    assert [head for head in heads if head.endswith(", plant time")] == ["Time, plant time", "Feed time, plant time"]
    assert any("owntime" in head for head in heads)


def test_no_wall_clock_gets_into_the_files(folder: Path) -> None:
    with zipfile.ZipFile(io.BytesIO((folder / "figures.xlsx").read_bytes())) as book:
        assert {entry.date_time for entry in book.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert str(datetime.now().year) not in book.read("docProps/core.xml").decode()


def test_the_same_results_give_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    plant = sample.plant()
    write_review(tmp_path, sample.context(plant), sample.review(), sample.table(), sample.upsets())
    write_tune(tmp_path, sample.context(plant), sample.tuning(), sample.table())
    for name in ("review.html", "review.json", "figures.parquet", "figures.xlsx", "upsets.csv", "tune.html"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes(), name


# --- the index --------------------------------------------------------------------------------------------


def test_the_index_links_each_press_with_its_answer(tmp_path: Path) -> None:
    plant = sample.plant()
    other = replace(plant.presses[0], name="BFP-2 <b>", slug="bfp-2")
    answers = [(plant.presses[0], "It did well."), (other, "It did <i>not</i>.")]
    page = write_index(tmp_path, plant, "review", answers).read_text()
    assert 'href="bfp-1/review.html"' in page and 'href="bfp-2/review.html"' in page
    assert "It did well." in page and "<b>" not in page and "&lt;i&gt;" in page


def test_the_index_sets_reviews_side_by_side(tmp_path: Path) -> None:
    plant = sample.plant()
    other = replace(plant.presses[0], name="BFP-2", slug="bfp-2")
    for press in (plant.presses[0], other):
        write_review(tmp_path / press.slug, sample.context(plant), sample.review(), sample.table(), sample.upsets())
    answers = [(plant.presses[0], "It did well."), (other, "So did this.")]
    page = write_index(tmp_path, plant, "review", answers).read_text(encoding="utf-8").replace("\u00a0", " ")
    row = page[page.index('<th scope="row" class="short">BFP-2') :]
    row = row[: row.index("</tr>")]
    assert "95.9" in row and "18.8" in row and "▲" in row and row.rstrip().endswith('<td class="number">3</td>')
    assert "The presses side by side" not in write_index(tmp_path, plant, "tune", answers).read_text(encoding="utf-8")
