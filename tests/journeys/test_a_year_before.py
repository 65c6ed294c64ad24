"""A month from the archive is held against the same month of the year before; a late result is told."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

from typed import type_command


def test_the_archive_s_same_month_last_year_and_late_results_are_on_the_page(tmp_path: Path) -> None:
    for folder, start, seed in (("then", "2025-03-10", "3"), ("now", "2026-03-10", "4")):
        done = type_command("simulate", "--out", tmp_path / folder, "--days", "2", "--seed", seed, "--start", start)
        assert done.code == 0, done.complained
    plant = tmp_path / "plant.toml"
    shutil.copy(tmp_path / "now" / "plant.toml", plant)
    sheet = (tmp_path / "now" / "lab.csv").read_text(encoding="utf-8").splitlines()
    early = tmp_path / "lab.csv"
    early.write_text("\n".join(sheet[:-4]) + "\n", encoding="utf-8")
    exports = (tmp_path / "then" / "exports", tmp_path / "now" / "exports")
    assert type_command("ingest", "--plant", plant, *exports, early).code == 0

    call = ("review", "--plant", plant, "--month", "2026-03", "--out", tmp_path / "review")
    first = type_command(*call)
    assert first.code == 0, first.complained
    told = json.loads((tmp_path / "review" / "review.json").read_text(encoding="utf-8"))
    assert told["year_before"]["period"]["start"].startswith("2025-03-01")
    assert told["year_before"]["figures"]["capture_pct"]["value"] > 80 and told["reissue"] is None
    assert "March 2025" in (tmp_path / "review" / "review.html").read_text(encoding="utf-8")

    early.write_text("\n".join(sheet) + "\n", encoding="utf-8")
    assert type_command("ingest", "--plant", plant, early).code == 0
    assert type_command(*call).code == 0
    again = json.loads((tmp_path / "review" / "review.json").read_text(encoding="utf-8"))["reissue"]
    assert again["lab_results"]["now"] > again["lab_results"]["was"]
    assert "Made again: " in (tmp_path / "review" / "review.html").read_text(encoding="utf-8")


def test_a_shift_is_held_against_the_same_shift_the_day_before(plant_folder: Path, tmp_path: Path) -> None:
    words = ("review", "--plant", plant_folder / "plant.toml", "--out", tmp_path, plant_folder / "exports")
    export = min((plant_folder / "exports").iterdir())
    day = date.fromisoformat(export.stem[-10:]) + timedelta(days=3)
    times = (f"{day:%Y-%m-%d}T07:00", f"{day:%Y-%m-%d}T15:00")
    done = type_command(*words, "--from", times[0], "--to", times[1])
    assert done.code == 0, done.complained
    page = (tmp_path / "review.html").read_text(encoding="utf-8")
    before = day - timedelta(days=1)
    assert (
        f"Against {before.day} {before:%b} {before.year} 07:00 to {before.day} {before:%b} {before.year} 15:00" in page
    )
