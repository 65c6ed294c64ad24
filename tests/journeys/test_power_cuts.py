"""A computer that loses power in the middle of a command: the archive and the pages are the old ones or the new ones."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
INGESTS, REVIEWS = 7, 3  # a hundred are killed by tests/benchmarks/kills.py

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill many commands quickly")


def short_plant(plant_folder: Path, folder: Path) -> Path:
    """Return the plant with its first two days as two exports, so that a command takes a second."""
    (folder / "exports").mkdir(parents=True)
    for name in ("plant.toml", "lab.csv"):
        (folder / name).write_bytes((plant_folder / name).read_bytes())
    export = min((plant_folder / "exports").iterdir())
    header, *rows = export.read_text(encoding="utf-8").splitlines()
    for day, first in enumerate((0, 1440)):
        text = "\n".join([header, *rows[first : first + 1440]])
        (folder / "exports" / f"bfp-1_{day}.csv").write_text(text + "\n", encoding="utf-8")
    return folder


def test_commands_killed_at_random_leave_the_old_or_the_new(plant_folder: Path, tmp_path: Path) -> None:
    """Archive readable, nothing lost or twice, no half file, and the next run leaves what it would have left."""
    plant = short_plant(plant_folder, tmp_path / "plant")
    first = (plant / "exports" / "bfp-1_0.csv").read_text(encoding="utf-8").splitlines()[1][:10]
    words = [sys.executable, HERE / "power_cuts.py", plant, tmp_path / "work", str(INGESTS), str(REVIEWS), "11", first]
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    kills = [json.loads(line) for line in done.stdout.splitlines()]
    assert [kill["command"] for kill in kills] == ["ingest"] * INGESTS + ["review"] * REVIEWS
    assert (
        sum(kill["was_running"] for kill in kills) >= (INGESTS + REVIEWS) // 2
    )  # kills that found nothing to kill prove nothing
