"""A small invented plant, written once for all journeys."""

from pathlib import Path

import pytest
from typed import type_command


@pytest.fixture(scope="session")
def plant_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve days of one invented press: exports/, lab.csv, plant.toml, truth/."""
    folder = tmp_path_factory.mktemp("made up plant")
    done = type_command("simulate", "--out", folder, "--days", "12", "--seed", "7")
    assert done.code == 0, done.complained
    return folder
