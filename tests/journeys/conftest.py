"""A small invented plant, written once for all journeys, and a way to type a command."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class Outcome:
    """What a command left behind: exit code, standard output, standard error."""

    code: int
    said: str
    complained: str


def type_command(*words: str | Path, cwd: Path | None = None) -> Outcome:
    done = subprocess.run(
        [sys.executable, "-m", "trendkit", *map(str, words)], capture_output=True, text=True, encoding="utf-8", cwd=cwd
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def plant_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve days of one invented press: exports/, lab.csv, plant.toml, truth/."""
    folder = tmp_path_factory.mktemp("made up plant")
    done = type_command("simulate", "--out", folder, "--days", "12", "--seed", "7")
    assert done.code == 0, done.complained
    return folder
