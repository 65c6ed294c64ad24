"""A computer whose clock was two years ahead and is set right between two runs: nothing is lost, stale or different."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from test_power_cuts import short_plant
from typed import type_command

from trendkit.archive.kept import keep, recall
from trendkit.reports.files import write_whole

AHEAD_S = 2 * 365 * 86400


def as_if_written_ahead(folder: Path) -> None:
    """Give every file the time it has when it was written while the clock was ahead."""
    for path in folder.rglob("*"):
        then = path.stat().st_mtime + AHEAD_S
        os.utime(path, (then, then))


def a_week_on(plant: Path, out: Path, is_set_back: bool) -> dict[str, bytes]:
    """Ingest and review, then again with the next export; between the two runs the clock may be set back."""
    day = min((plant / "exports").iterdir()).read_text(encoding="utf-8").splitlines()[1][:10]
    for number in (0, 1):
        took = type_command("ingest", "--plant", plant / "plant.toml", plant / "exports" / f"bfp-1_{number}.csv")
        assert took.code == 0, took.complained
        told = type_command(
            "review", "--plant", plant / "plant.toml", "--from", day, "--to", day[:-1] + "4", "--out", out
        )
        assert told.code == 0, told.complained
        if is_set_back and number == 0:
            as_if_written_ahead(plant)
            as_if_written_ahead(out)
    return {path.name: path.read_bytes() for path in out.iterdir()}


def test_the_next_run_does_what_it_would_have_done(plant_folder: Path, tmp_path: Path) -> None:
    pages = []
    for name in ("as usual", "set back"):
        plant = short_plant(plant_folder, tmp_path / name)
        pages.append(a_week_on(plant, tmp_path / f"{name} out", name == "set back"))
        again = type_command("ingest", "--plant", plant / "plant.toml", plant / "exports")
        assert again.said.splitlines()[-1].startswith("0 readings and results are new")
    assert pages[0] == pages[1] and b"2026-02-0" in pages[0]["review.json"]


def test_what_was_just_kept_is_not_the_first_to_go(tmp_path: Path) -> None:
    for number in range(3):
        keep(tmp_path / f"ahead-{number}.zip", b"made while the clock was ahead", most=3)
    as_if_written_ahead(tmp_path)
    for number in range(3):
        keep(tmp_path / f"fresh-{number}.zip", b"made since", most=3)
        assert recall(tmp_path / f"fresh-{number}.zip") == b"made since"
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"fresh-{number}.zip" for number in range(3)]


@pytest.mark.parametrize("off_s", [AHEAD_S, -AHEAD_S])
def test_unfinished_files_of_a_killed_writer_go_whatever_the_clock_says(off_s: int, tmp_path: Path) -> None:
    left, beside = tmp_path / ".review.html.4711.part", tmp_path / ".review.html.4712.part"
    for path in (left, beside):
        path.write_bytes(b"half a page")
    then = time.time() + off_s
    os.utime(left, (then, then))
    write_whole(tmp_path, {"review.html": b"a page"})
    assert sorted(path.name for path in tmp_path.iterdir()) == [beside.name, "review.html"]
