"""Disks that are full, locked or damaged, and two writers at once: a sentence each, and nothing half-written."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from test_power_cuts import short_plant
from typed import Outcome

from trendkit.cli import run

ON_POSIX = pytest.mark.skipif(not hasattr(os, "fork"), reason="limits and rights as POSIX has them")
SMALL_FILES = 20


@pytest.fixture(scope="module")
def plant(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return short_plant(plant_folder, tmp_path_factory.mktemp("disk") / "plant")


def type_command(*words: str | Path) -> Outcome:
    """Run a command in this process: a tenth of the time, and the disk is the same."""
    with redirect_stdout(io.StringIO()) as said, redirect_stderr(io.StringIO()) as complained:
        code = run([str(word) for word in words])
    return Outcome(code, said.getvalue(), complained.getvalue())


def _mounted(place: Path, options: str) -> Iterator[Path]:
    """Give a small disk of its own at a place; only root can mount one."""
    place.mkdir()
    mounting = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
    if shutil.which("mount") is None or subprocess.run(mounting, capture_output=True).returncode != 0:
        pytest.skip("a small disk can only be mounted by root")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 200 kB."""
    yield from _mounted(tmp_path / "small disk", "size=200k")


@pytest.fixture
def locked_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder nobody may write into: by its rights, or for root a disk mounted to be read."""
    if os.name == "posix" and os.geteuid() == 0:
        yield from _mounted(tmp_path / "locked", "ro")
    else:
        (tmp_path / "locked").mkdir(mode=0o555)
        yield tmp_path / "locked"


def typed_with_limit(most_bytes: int, *words: str | Path) -> Outcome:
    """Type a command where no file may grow beyond a size."""
    import resource

    done = subprocess.run(
        [sys.executable, "-B", "-m", "trendkit", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes)),
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


def check_sentence(outcome: Outcome, *words: str) -> None:
    assert outcome.code == 2, outcome
    assert "Traceback" not in outcome.complained
    assert "unforeseen" not in outcome.complained
    for word in words:
        assert word in outcome.complained, outcome.complained


def table_words(plant: Path, out: Path) -> tuple[str | Path, ...]:
    return ("table", "--plant", plant / "plant.toml", "--out", out, plant / "exports")


def test_a_full_disk_is_said_and_the_old_table_stays(plant: Path, full_disk: Path) -> None:
    out = full_disk / "figures.csv"
    out.write_text("last month\n")
    check_sentence(type_command(*table_words(plant, out)), "no room is left on the disk", "make room on the disk")
    assert out.read_text() == "last month\n"
    assert [path.name for path in full_disk.iterdir()] == ["figures.csv"]


def test_a_full_disk_leaves_the_archive_as_it_was(plant: Path, full_disk: Path) -> None:
    text = (plant / "plant.toml").read_text(encoding="utf-8")
    (full_disk / "plant.toml").write_text(text, encoding="utf-8")
    small = plant / "exports" / "small.csv"
    header, *rows = (plant / "exports" / "bfp-1_0.csv").read_text(encoding="utf-8").splitlines()
    small.write_text("\n".join([header, *rows[:60]]) + "\n", encoding="utf-8")
    ingest = ("ingest", "--plant", full_disk / "plant.toml")
    assert type_command(*ingest, small).code == 0
    small.unlink()
    manifest = (full_disk / "archive" / "manifest.json").read_bytes()
    check_sentence(type_command(*ingest, plant / "exports"), "no room is left on the disk")
    assert (full_disk / "archive" / "manifest.json").read_bytes() == manifest
    named = [
        path for path in (full_disk / "archive" / "observations").rglob("*.parquet") if path.stem in manifest.decode()
    ]
    assert named
    out = full_disk.parent / "figures.csv"
    read = type_command(
        "table", "--plant", full_disk / "plant.toml", "--out", out, "--from", rows[0][:10], "--to", "2026-02-03"
    )
    assert read.code == 0, read


@ON_POSIX
def test_a_file_larger_than_allowed_is_said(plant: Path, tmp_path: Path) -> None:
    outcome = typed_with_limit(100_000, *table_words(plant, tmp_path / "figures.csv"))
    check_sentence(outcome, "no room is left on the disk; found File too large")
    assert list(tmp_path.iterdir()) == []


@ON_POSIX
def test_a_folder_that_must_not_be_written_is_named(plant: Path, locked_folder: Path) -> None:
    words = (str(locked_folder), "the system does not let this be read or written", "check the rights")
    check_sentence(type_command(*table_words(plant, locked_folder / "figures.csv")), *words)
    check_sentence(type_command(*table_words(plant, locked_folder / "deeper" / "figures.csv")), *words)


@ON_POSIX
def test_an_archive_that_must_not_be_written_is_named(plant: Path, locked_folder: Path, tmp_path: Path) -> None:
    text = (plant / "plant.toml").read_text(encoding="utf-8")
    named = text.replace('name = "', f'archive = "{locked_folder.as_posix()}"\nname = "', 1)
    (tmp_path / "plant.toml").write_text(named, encoding="utf-8")
    outcome = type_command("ingest", "--plant", tmp_path / "plant.toml", plant / "exports")
    check_sentence(outcome, str(locked_folder), "the archive cannot be written", "check the rights on the folder")


def test_a_truncated_file_of_the_archive_is_said_with_what_to_do(plant: Path, tmp_path: Path) -> None:
    place = tmp_path / "plant"
    shutil.copytree(plant, place)
    assert type_command("ingest", "--plant", place / "plant.toml", place / "exports").code == 0
    (part,) = (place / "archive" / "observations").rglob("*.parquet")
    part.write_bytes(part.read_bytes()[:-1000])
    outcome = type_command(
        "table",
        "--plant",
        place / "plant.toml",
        "--out",
        tmp_path / "t.csv",
        "--from",
        "2026-02-02",
        "--to",
        "2026-02-03",
    )
    check_sentence(outcome, part.name, "a file of the archive is not as it was written", "restore it from a backup")
    assert not (tmp_path / "t.csv").exists()


def test_two_writers_at_once_leave_one_whole_archive(plant: Path, tmp_path: Path) -> None:
    """The second is refused in a sentence, or comes after the first; nothing is in it twice."""
    place = tmp_path / "plant"
    shutil.copytree(plant, place)
    words = [sys.executable, "-m", "trendkit", "ingest", "--plant", str(place / "plant.toml"), "--json"]
    exports = sorted(map(str, (place / "exports").iterdir()))
    both = [
        subprocess.Popen([*words, export], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for export in exports
    ]
    told = [writer.communicate() for writer in both]
    codes = [writer.returncode for writer in both]
    assert 0 in codes
    for code, (_, complained) in zip(codes, told, strict=True):
        assert code in (0, 2), complained
        assert code == 0 or "somebody else is writing into the archive" in complained
    again = type_command("ingest", "--plant", place / "plant.toml", *exports)
    assert again.code == 0
    third = type_command("ingest", "--plant", place / "plant.toml", *exports)
    assert third.said.splitlines()[-1].startswith("0 readings and results are new")


def test_many_small_files_are_one_archive(plant: Path, tmp_path: Path) -> None:
    """Exports of two minutes each, in one call; every row is there once."""
    place = tmp_path / "plant"
    (place / "exports").mkdir(parents=True)
    shutil.copy(plant / "plant.toml", place)
    header, *rows = (plant / "exports" / "bfp-1_0.csv").read_text(encoding="utf-8").splitlines()
    for number in range(SMALL_FILES):
        lines = [header, *rows[2 * number : 2 * number + 2]]
        (place / "exports" / f"{number:04d}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    outcome = type_command("ingest", "--plant", place / "plant.toml", place / "exports", "--json")
    assert outcome.code == 0, outcome.complained
    files = json.loads(outcome.said)["files"]
    assert [(each["rows"], each["refused"], each["conflicting"]) for each in files] == [(2, 0, 0)] * SMALL_FILES
