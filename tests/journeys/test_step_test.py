"""The step-test sheet on its way: written by `tune`, filled in, read back; a bad one refused in one sentence."""

import csv
import json
from pathlib import Path

import pytest
from typed import Outcome, type_command


def tuned(plant: Path, out: Path, sheet: Path | None = None) -> Outcome:
    words = ["tune", "--plant", plant / "plant.toml", "--out", out, plant / "exports", plant / "lab.csv"]
    return type_command(*words, *(["--step-test", sheet] if sheet else []))


@pytest.fixture(scope="session")
def blank(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tune")
    done = tuned(plant_folder, out)
    assert done.code == 0, done.complained
    return out / "step-test.csv"


def filled(blank: Path, path: Path, **cells: str) -> Path:
    """Write the sheet with its first two holds filled in, 4 February 2026 from 10:00 plant time."""
    lines = blank.read_text(encoding="utf-8").splitlines()
    cautions = [line for line in lines if line.startswith("#")]
    rows = list(csv.DictReader(lines[len(cautions) :]))
    for number, row in enumerate(rows[:2]):
        hour = 10 + number
        row |= {"started_at": f"2026-02-04 {hour}:00", "ended_at": f"2026-02-04 {hour}:55", "cake_solids_pct": "21.3"}
    rows[0] |= cells
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("\n".join(cautions) + "\n")
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_the_sheet_opens_with_cautions_and_names_stop_signs(blank: Path) -> None:
    text = blank.read_text(encoding="utf-8")
    assert text.startswith("# Only authorised staff change settings")
    assert "sludge spills over the side seals" in text


def test_a_filled_sheet_is_read_back_and_its_holds_accounted_for(
    plant_folder: Path, blank: Path, tmp_path: Path
) -> None:
    done = tuned(plant_folder, tmp_path / "out", filled(blank, tmp_path / "filled.csv"))
    assert done.code == 0, done.complained
    test = json.loads((tmp_path / "out" / "tune.json").read_text(encoding="utf-8"))["finished_step_test"]
    assert test["holds_used"] + len(test["left_out"]) == 2
    assert "What the step test showed" in (tmp_path / "out" / "tune.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"cake_solids_pct": "dry"}, "column 'cake_solids_pct': this is no number; found 'dry'"),
        ({"ended_at": "2026-02-04 09:00"}, "column 'ended_at': the hold does not end after it starts"),
    ],
)
def test_a_bad_sheet_is_one_sentence_with_line_and_column(
    plant_folder: Path, blank: Path, tmp_path: Path, cells: dict[str, str], said: str
) -> None:
    done = tuned(plant_folder, tmp_path / "out", filled(blank, tmp_path / "filled.csv", **cells))
    assert done.code == 2
    assert done.complained.startswith("filled.csv, line 8, ")
    assert said in done.complained
    assert done.complained.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_sheet_that_is_not_there_is_said(plant_folder: Path, tmp_path: Path) -> None:
    done = tuned(plant_folder, tmp_path / "out", tmp_path / "nowhere.csv")
    assert done.code == 2
    assert "nowhere.csv: the step-test sheet cannot be read" in done.complained
