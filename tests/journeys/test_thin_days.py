"""The bad-day page of days that tell little: no pressing, no cake data, grabs alone."""

import json
import re
from pathlib import Path
from typing import Any

import pandas as pd
from typed import type_command

WEEKEND, PRESSED = "2026-02-07", "2026-02-12"
CAKE_METERS = ("cake_solids", "cake_rate", "cake_weight")
FILTRATE_METERS = ("filtrate_solids", "filtrate_turbidity")


def day_page(
    plant_folder: Path, out: Path, day: str, unmetered: tuple[str, ...] = (), unsampled: str = ""
) -> tuple[dict[str, Any], str]:
    """Return the JSON and the words of a day's page, of a plant without some meters and grabs."""
    plant = (plant_folder / "plant.toml").read_text(encoding="utf-8")
    for role in unmetered:
        plant = re.sub(rf"\[press\.tags\.{role}\]\n(?:.+\n)*\n?", "", plant)
    lab = pd.read_csv(plant_folder / "lab.csv", dtype=str, keep_default_na=False)
    out.mkdir()
    (out / "plant.toml").write_text(plant, encoding="utf-8")
    lab[lab["point"] != unsampled].to_csv(out / "lab.csv", index=False)
    page = out / "page"
    files = (plant_folder / "exports", out / "lab.csv")
    done = type_command("troubleshoot", "--plant", out / "plant.toml", "--day", day, "--out", page, *files)
    assert done.code == 0, done.complained
    html = (page / "troubleshoot.html").read_text(encoding="utf-8")
    words = re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style|svg).*?</\1>", " ", html, flags=re.S))
    return json.loads((page / "troubleshoot.json").read_text(encoding="utf-8")), re.sub(r"\s+", " ", words)


def test_a_day_without_pressing_claims_nothing_and_names_the_last_day_pressed(
    plant_folder: Path, tmp_path: Path
) -> None:
    found, words = day_page(plant_folder, tmp_path / "idle", WEEKEND)
    assert found["verdict"] == "cannot_tell"
    assert found["changes"] == found["timeline"] == found["causes"] == []
    assert "cannot tell whether 7 Feb 2026 was a bad cake day on BFP-1: the press did not press." in words
    assert words.count("did not press") == 1
    assert "Cake was last pressed on 6 Feb 2026" in words
    assert "No tag left" not in words and "Nothing asks for a check" not in words


def test_a_day_without_cake_data_is_judged_by_its_capture_and_says_what_would_not_show(
    plant_folder: Path, tmp_path: Path
) -> None:
    found, words = day_page(plant_folder, tmp_path / "no cake", PRESSED, CAKE_METERS, "cake")
    assert found["cake_solids_pct"] is None and found["capture_pct"] is not None
    assert "day by its capture" in found["answer"] and "cake day" not in found["answer"]
    assert "wet cake would not show" in words
    assert found["checks"][0].startswith("Take a grab of the cake")
    assert found["timeline"]  # what moved is told all the same


def test_a_day_on_grabs_alone_says_on_how_many_it_rests(plant_folder: Path, tmp_path: Path) -> None:
    found, words = day_page(plant_folder, tmp_path / "grabs", PRESSED, CAKE_METERS + FILTRATE_METERS)
    lab = pd.read_csv(plant_folder / "lab.csv")
    taken = int((lab["sampled_at"].str.startswith(PRESSED) & (lab["point"] == "cake")).sum())
    assert taken > 1
    assert f"Cake solids rest on {taken} bench grabs this day" in words
    assert found["cake_solids_pct"] is not None and found["verdict"] in ("bad", "not_bad")
