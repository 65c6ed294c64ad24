"""Did a change help: as typed, on a plant in which nothing was changed."""

import json
from pathlib import Path

import pytest
from typed import type_command


@pytest.fixture(scope="session")
def compared(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict, str]:
    out = tmp_path_factory.mktemp("compare")
    done = type_command(
        "compare", "--plant", plant_folder / "plant.toml", "--before", "2026-02-02/2026-02-08", "--after",
        "2026-02-08/2026-02-14", "--out", out, plant_folder / "exports", plant_folder / "lab.csv",
    )  # fmt: skip
    assert done.code == 0, done.complained
    document = json.loads((out / "compare.json").read_text(encoding="utf-8"))
    return done.said, document, (out / "compare.html").read_text(encoding="utf-8")


def test_the_json_has_the_contracts_keys(compared: tuple[str, dict, str]) -> None:
    _, document, _ = compared
    assert {"before", "after", "effects", "press_days_per_week"} <= set(document)
    wanted = {"before", "after", "raw_difference", "adjusted_difference", "low", "high", "p_value"}
    assert all(wanted <= set(effect) for effect in document["effects"].values())
    cake = document["effects"]["cake_solids_pct"]
    assert cake["raw_difference"] == pytest.approx(cake["after"] - cake["before"], abs=1e-3)
    assert cake["low"] < cake["adjusted_difference"] < cake["high"]


def test_the_page_says_what_the_terminal_says(compared: tuple[str, dict, str]) -> None:
    said, document, page = compared
    assert document["answer"].replace("\u00a0", " ") in said
    assert document["answer"].split(":")[0] in page


@pytest.mark.parametrize(
    ("before", "after", "complaint"),
    [
        ("2026-02-02", "2026-02-08/2026-02-14", "--before: this is no period"),
        ("2026-02-08/2026-02-02", "2026-02-08/2026-02-14", "--before: the period is empty"),
        ("2026-02-02/2026-02-10", "2026-02-08/2026-02-14", "must end before the one after begins"),
        ("2026-02-02/2026-02-08", "2027-02-08/2027-02-14", "--after: no reading of the feed falls in this period"),
        ("2026-02-02/2026-02-08", "soon/2026-02-14", "--after: this is neither a day nor a time"),
    ],
)
def test_a_wrong_period_is_said_in_one_sentence(
    plant_folder: Path, tmp_path: Path, before: str, after: str, complaint: str
) -> None:
    done = type_command(
        "compare", "--plant", plant_folder / "plant.toml", "--before", before, "--after", after,
        "--out", tmp_path / "out", plant_folder / "exports",
    )  # fmt: skip
    assert done.code == 2
    assert complaint in done.complained
    assert done.complained.count("\n") == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("before", "side"), [("2026-02-02/2026-02-08", "after"), ("2026-02-08/2026-02-08T12:00", "before")]
)
def test_a_period_without_a_press_day_is_answered_not_refused(
    plant_folder: Path, tmp_path: Path, before: str, side: str
) -> None:
    """8 February 2026 is a Sunday: the invented plant does not press."""
    done = type_command(
        "compare", "--plant", plant_folder / "plant.toml", "--before", before, "--after",
        "2026-02-08T12:00/2026-02-09", "--out", tmp_path, plant_folder / "exports",
    )  # fmt: skip
    assert done.code == 0, done.complained
    assert f"cannot tell whether the change helped BFP-1: there is no press day in the period {side}" in done.said
    assert json.loads((tmp_path / "compare.json").read_text(encoding="utf-8"))["verdict"] == "cannot_tell"
