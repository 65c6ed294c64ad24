"""Every wrong call or input ends in one plain sentence, exit code 2, and nothing half-written."""

import gzip
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from typed import Outcome, type_command


def check_refused(outcome: Outcome, *words: str) -> None:
    """The command ended with code 2, printed nothing to read as a result, and named every one of `words`."""
    assert outcome.code == 2, outcome
    assert outcome.said == ""
    assert "Traceback" not in outcome.complained
    for word in words:
        assert word in outcome.complained, outcome.complained


@pytest.fixture
def spoilt(plant_folder: Path, tmp_path: Path) -> Path:
    """A copy of the plant that a test may damage."""
    copy = tmp_path / "plant"
    shutil.copytree(plant_folder, copy, ignore=shutil.ignore_patterns("truth"))
    return copy


def table_of(folder: Path, *more: str | Path) -> Outcome:
    out = folder / "out" / "figures.csv"
    outcome = type_command("table", "--plant", folder / "plant.toml", "--out", out, *(more or (folder / "exports",)))
    if outcome.code != 0:
        assert not list((folder / "out").rglob("*")) if (folder / "out").exists() else True
    return outcome


def first_export(folder: Path) -> Path:
    return sorted((folder / "exports").rglob("*.csv*"))[0]


def text_of(path: Path) -> str:
    raw = path.read_bytes()
    return (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode("utf-8")


def test_a_missing_file_is_named(spoilt: Path) -> None:
    check_refused(table_of(spoilt, spoilt / "exports" / "not_there.csv"), "not_there.csv", "To do")


def test_an_empty_export_is_named(spoilt: Path) -> None:
    empty = spoilt / "empty.csv"
    empty.write_text("")
    check_refused(table_of(spoilt, empty), "empty.csv", "empty")


def test_an_export_without_rows_is_named(spoilt: Path) -> None:
    bare = spoilt / "header_only.csv"
    bare.write_text(text_of(first_export(spoilt)).splitlines()[0] + "\n")
    check_refused(table_of(spoilt, bare), "header_only.csv")


def test_a_file_that_is_no_text_is_called_so(spoilt: Path) -> None:
    picture = spoilt / "trend.csv"
    picture.write_bytes(bytes(range(256)) * 40)
    check_refused(table_of(spoilt, picture), "trend.csv", "the file is no text", "export the readings as CSV")


def test_an_unknown_tag_is_named_with_the_closest_one(spoilt: Path) -> None:
    plant = spoilt / "plant.toml"
    text = plant.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("tag = "))
    name = line.split('"')[1]
    plant.write_text(text.replace(f'"{name}"', f'"{name}X"'), encoding="utf-8")
    number = next(i for i, each in enumerate(text.splitlines(), 1) if each.startswith("tag = "))
    check_refused(table_of(spoilt), "plant.toml", f"line {number}", f"{name}X", name, "To do")


def test_a_wrong_unit_in_the_plant_file_is_named_with_its_line(spoilt: Path) -> None:
    plant = spoilt / "plant.toml"
    lines = plant.read_text(encoding="utf-8").splitlines()
    number = next(i for i, line in enumerate(lines) if line == 'unit = "m3/h"')
    lines[number] = 'unit = "cubits/h"'
    plant.write_text("\n".join(lines), encoding="utf-8")
    check_refused(table_of(spoilt), "plant.toml", f"line {number + 1}", "cubits/h")


def test_a_month_without_data_is_named(spoilt: Path) -> None:
    out = spoilt / "review"
    outcome = type_command(
        "review", "--plant", spoilt / "plant.toml", "--month", "2019-05", "--out", out, spoilt / "exports"
    )
    check_refused(outcome, "no row falls in the period", "2019-05-01")
    assert not out.exists()


def test_a_bench_sheet_in_place_of_exports_is_named(spoilt: Path) -> None:
    sheet = next(spoilt.glob("lab*.csv"))
    check_refused(table_of(spoilt, sheet), sheet.name, "bench sheet")


def test_a_month_that_is_none_is_refused(plant_folder: Path, tmp_path: Path) -> None:
    outcome = type_command(
        "review",
        "--plant",
        plant_folder / "plant.toml",
        "--month",
        "2026-13",
        "--out",
        tmp_path / "r",
        plant_folder / "exports",
    )
    check_refused(outcome, "2026-13", "YYYY-MM")


def test_an_unknown_press_is_named_with_the_known_ones(plant_folder: Path, tmp_path: Path) -> None:
    outcome = type_command(
        "tune",
        "--plant",
        plant_folder / "plant.toml",
        "--press",
        "NINE",
        "--out",
        tmp_path / "t",
        plant_folder / "exports",
    )
    check_refused(outcome, "'NINE'", "BFP-1")


def test_a_missing_plant_file_is_named(tmp_path: Path) -> None:
    check_refused(type_command("plant", "check", tmp_path / "nowhere.toml"), "nowhere.toml")


def test_an_unknown_scenario_is_answered_with_the_list(tmp_path: Path) -> None:
    from trendkit.simulate import SCENARIOS

    out = tmp_path / "made"
    check_refused(
        type_command("simulate", "--out", out, "--days", "2", "--seed", "1", "--scenario", "none-such"),
        *SCENARIOS,
    )
    assert not out.exists()


def test_a_command_without_files_says_what_to_give(plant_folder: Path, tmp_path: Path) -> None:
    outcome = type_command("tune", "--plant", plant_folder / "plant.toml", "--out", tmp_path / "t")
    check_refused(outcome, "no file is named", "archive", "trendkit ingest")


def test_a_text_in_a_number_column_is_counted_and_the_rest_is_used(spoilt: Path) -> None:
    """One text among numbers is a fault of the data, not of the call: it is left out, counted and listed."""
    export = first_export(spoilt)
    lines = text_of(export).splitlines()
    cells = lines[2400].split(",")
    cells[1] = "No Data"
    lines[2400] = ",".join(cells)
    changed = spoilt / "exports" / "changed.csv"
    export.unlink()
    changed.write_text("\n".join(lines) + "\n", encoding="utf-8")
    outcome = type_command(
        "review", "--plant", spoilt / "plant.toml", "--from", "2026-02-03", "--to", "2026-02-10",
        "--out", spoilt / "review", spoilt / "exports", spoilt / "lab.csv",
    )  # fmt: skip
    assert outcome.code == 0, outcome.complained
    review = json.loads((spoilt / "review" / "review.json").read_text(encoding="utf-8"))
    texts = [row for row in review["data_quality"] if row["fault"] == "text_value"]
    assert [row["tag"] for row in texts] == [lines[0].split(",")[1]]
    assert texts[0]["start"].startswith("2026-02-03T22:59")  # the row 39 h 59 min after plant midnight


def test_a_plant_file_is_drafted_once_and_never_overwritten(plant_folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "plant.toml"
    words = ("plant", "new", plant_folder / "exports", "--out", out)
    outcome = type_command(*words)
    assert outcome.code == 0 and "tags have a proposed role" in outcome.said, outcome.complained
    again = type_command(*words)
    assert again.code == 2 and "there is a plant file of this name already" in again.complained
    refused = type_command("review", "--plant", out, "--month", "2026-02", "--out", tmp_path / "r")
    assert refused.code == 2 and "this is a guess that nobody has confirmed" in refused.complained
    assert not (tmp_path / "r").exists()


def test_a_draft_asks_for_the_order_of_dates_that_nothing_decides(tmp_path: Path) -> None:
    export = tmp_path / "export.csv"
    export.write_text("Time,BFP1_FEED_FLOW\n01/02/2026 00:00,20\n01/02/2026 00:01,21\n", encoding="utf-8")
    asked = type_command("plant", "new", export, "--out", tmp_path / "a.toml")
    assert asked.code == 2 and "day_first" in asked.complained and "--dates" in asked.complained
    told = type_command("plant", "new", export, "--out", tmp_path / "b.toml", "--dates", "day_first")
    assert told.code == 0, told.complained
    assert 'dates = "day_first"' in (tmp_path / "b.toml").read_text(encoding="utf-8")
    wrong = type_command("plant", "new", export, "--out", tmp_path / "c.toml", "--dates", "dmy")
    assert wrong.code == 2 and "day_first or month_first" in wrong.complained


def test_a_check_reads_bench_sheets_and_tickets_and_ingest_says_what_it_does_not_keep(spoilt: Path) -> None:
    """A result ten times too high is listed by the check; tickets that lie elsewhere would be read by no review."""
    plant, sheet, slips = spoilt / "plant.toml", spoilt / "lab.csv", spoilt / "exports" / "tickets_1.csv"
    lines = text_of(sheet).splitlines()
    row = next(number for number, line in enumerate(lines) if ",feed,TS," in line)
    cells = lines[row].split(",")
    lines[row] = ",".join([*cells[:4], str(float(cells[4]) * 10.0), *cells[5:]])
    sheet.write_text("\n".join(lines), encoding="utf-8")
    slips.write_text("time,press,wet_mass\n2026-01-02 10:00,BFP-1,11800\n", encoding="utf-8")
    plant.write_text(text_of(plant) + '\n[tickets]\nfiles = "tickets*.csv"\n', encoding="utf-8")
    checked = type_command("plant", "check", plant, spoilt / "exports", sheet)
    assert (
        checked.code == 0
        and f"line {row + 1}, bfp-1 feed TS: left out of the figures, a pumped feed of" in checked.said
    )
    assert "tickets_1.csv: 1 mass, 0 rows refused." in checked.said
    kept = type_command("ingest", "--plant", plant, spoilt / "exports", sheet)
    assert "left out of the figures; trendkit plant check lists them" in kept.said
    assert "tickets_1.csv: not kept in the archive; review reads it beside the plant file; put it into" in kept.said


def test_a_state_in_words_nobody_knows_is_refused_with_what_to_write(spoilt: Path) -> None:
    """A press whose state says MARCHE and ARRET would run without its signal: the check asks which of them means on."""
    plant = spoilt / "plant.toml"
    plant.write_text(text_of(plant).replace('on_values = ["1"]\n', ""), encoding="utf-8")
    for path in sorted((spoilt / "exports").glob("*.csv")):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table["BFP1_RUNNING"] = table["BFP1_RUNNING"].map({"1": "MARCHE", "0": "ARRET"})
        table["BFP1_MODE"] = "soutirage"
        table.to_csv(path, index=False)
    asked = type_command("plant", "check", plant, spoilt / "exports")
    assert asked.code == 2
    assert "the words of BFP1_RUNNING are not understood, so that it would be left out" in asked.complained
    assert "say which mean on, as in on_values" in asked.complained and "as in mode_words = {" in asked.complained
    told = text_of(plant).replace('tag = "BFP1_RUNNING"\n', 'tag = "BFP1_RUNNING"\non_values = ["MARCHE"]\n')
    told = told.replace('tag = "BFP1_MODE"\n', 'tag = "BFP1_MODE"\nmode_words = { dewatering = ["Soutirage"] }\n')
    plant.write_text(told, encoding="utf-8")
    assert type_command("plant", "check", plant, spoilt / "exports").code == 0


def test_a_month_the_archive_does_not_cover_is_answered_with_what_it_covers(spoilt: Path) -> None:
    plant = spoilt / "plant.toml"
    assert type_command("ingest", "--plant", plant, spoilt / "exports").code == 0
    asked = type_command("review", "--plant", plant, "--month", "2019-05", "--out", spoilt / "none")
    check_refused(asked, "no row falls in the period", "an archive with readings from 2026-", "2019-05-01 00:00")
