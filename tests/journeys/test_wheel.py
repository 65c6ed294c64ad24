"""The wheel: whole, small, and working when it is unpacked far from the checkout."""

import os
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
PACKAGE = CHECKOUT / "trendkit"

pytestmark = pytest.mark.skipif(not PACKAGE.is_dir(), reason="the wheel is built from a checkout, and this is none")
PROGRAM = """
import sys, trendkit
assert "unpacked" in trendkit.__file__, trendkit.__file__
from trendkit.cli import run
sys.exit(run(sys.argv[1:]))
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as its own build backend makes it; no network, no other environment."""
    hatchling = pytest.importorskip("hatchling.build", reason="the build backend is not installed here")
    folder, before = tmp_path_factory.mktemp("wheel"), Path.cwd()
    os.chdir(CHECKOUT)
    try:
        name = hatchling.build_wheel(str(folder))
    finally:
        os.chdir(before)
    return folder / name


def test_every_file_of_the_package_is_in_the_wheel_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        inside = {name for name in packed.namelist() if ".dist-info/" not in name}
    there = {
        path.relative_to(CHECKOUT).as_posix()
        for path in PACKAGE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert inside == there
    assert {
        "trendkit/upsets/signatures.csv",
        "trendkit/upsets/watched.csv",
        "trendkit/reports/templates/style.css.j2",
    } <= inside


def test_the_wheel_is_at_most_a_megabyte(wheel: Path) -> None:
    assert wheel.stat().st_size <= 1_000_000


def test_the_unpacked_wheel_works_far_from_the_checkout(wheel: Path, tmp_path: Path) -> None:
    folder = tmp_path / "unpacked"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(folder)
    words = ["plant", "check", str(CHECKOUT / "sample_exports" / "plant.toml")]
    environment = {**os.environ, "PYTHONPATH": str(folder)}
    command = [sys.executable, "-c", PROGRAM, *words]
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    assert "2 presses" in done.stdout


def test_every_requirement_states_its_lowest_version() -> None:
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert [each for each in project["dependencies"] if ">=" not in each] == ["tzdata"]  # newest is always right
