"""Whatever happens to a writer, the archive is the old one or the new one; what is damaged is said, never read."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from archive_files import files_of, ingested, kept, plant_at, written_export, written_sheet

from trendkit.archive import read_archive
from trendkit.archive.lock import one_writer
from trendkit.errors import InputError
from trendkit.plant.model import Plant

SCRIPT = Path(__file__).parent / "archive_kills.py"


def state(plant: Plant) -> tuple[pd.DataFrame, list[float]]:
    """Return all readings and bench results of an archive."""
    lab = read_archive(plant).lab
    return kept(plant), [] if lab is None else lab["value"].tolist()


def is_same(first: tuple[pd.DataFrame, list[float]], second: tuple[pd.DataFrame, list[float]]) -> bool:
    return first[1] == second[1] and first[0].equals(second[0])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill many writers quickly")
def test_a_writer_killed_at_any_step_leaves_the_old_archive_or_the_new_one(tmp_path: Path) -> None:
    """Killed (SIGKILL) before each call that touches the disk; then the same files are ingested again."""
    old_plant, new_plant = plant_at(tmp_path / "old"), plant_at(tmp_path / "new")
    first = written_export(tmp_path / "a.csv", "2026-02-28 22:00", 180)
    second = written_export(tmp_path / "b.csv", "2026-02-28 23:00", 180, {"FLOW": {7: "99.5"}})
    sheet = written_sheet(tmp_path / "lab.csv", "2026-02-28 20:00,BFP-1,feed,TS,3.1,%,")
    for plant in (old_plant, new_plant):
        plant.path.parent.mkdir()
        ingested(plant, first)
    ingested(new_plant, second, sheets=[sheet])
    old, new = state(old_plant), state(new_plant)
    assert not is_same(old, new)
    done = subprocess.run([sys.executable, SCRIPT, tmp_path], capture_output=True, text=True, check=True)
    seen = {"old": 0, "new": 0}
    for step in done.stdout.split():
        plant = plant_at(tmp_path / step)
        found = state(plant)
        assert is_same(found, old) or is_same(found, new), f"killed at step {step}"
        seen["old" if is_same(found, old) else "new"] += 1
        ingested(plant, second, sheets=[sheet])
        assert is_same(state(plant), new)
        assert files_of(plant) == files_of(new_plant)
    assert seen["old"] >= 8
    assert seen["new"] >= 2


def test_what_a_killed_writer_left_is_removed_by_the_next(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
    week = next(plant.archive.rglob("week=2026-02-23"))
    left = [plant.archive / "staging" / "bfp-1-2026-02-23", week / "part.new", week / "0123456789abcdef0123.parquet"]
    for path in left:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"half")
    assert len(kept(plant)) == 70
    ingested(plant, written_export(tmp_path / "b.csv", "2026-02-28", 10))
    assert not any(path.exists() for path in left)
    assert len(kept(plant)) == 140


def test_a_second_writer_is_told_who_writes_and_since_when(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    with one_writer(plant.archive), pytest.raises(InputError) as refused:
        ingested(plant, export)
    text = str(refused.value)
    assert "somebody else is writing into the archive; found " in text
    assert f"process {os.getpid()}, since 20" in text
    assert "To do: wait until it is done" in text
    assert ingested(plant, export).new == 70


def test_the_lock_of_a_dead_writer_holds_nobody_up(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    holder = subprocess.Popen([sys.executable, SCRIPT, tmp_path, "hold"], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(InputError, match=f"process {holder.pid}, since"):
        ingested(plant, export)
    holder.kill()
    holder.wait()
    holder.stdout.close()
    assert (plant.archive / "writer.json").exists()
    start = time.monotonic()
    assert ingested(plant, export).new == 70
    assert time.monotonic() - start < 5
    assert not (plant.archive / "writer.json").exists()


def test_the_archive_is_read_while_somebody_writes(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
    with one_writer(plant.archive):
        assert len(kept(plant)) == 70


def flipped(path: Path, place: int) -> None:
    """Turn one bit of a file round."""
    content = bytearray(path.read_bytes())
    content[place] ^= 1
    path.write_bytes(content)


@pytest.mark.parametrize("place", [10, -200])
def test_a_flipped_bit_is_said_with_the_file_and_what_to_do(tmp_path: Path, place: int) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 100))
    (path,) = plant.archive.rglob("press=bfp-2/week=2026-02-23/*.parquet")
    flipped(path, place)
    with pytest.raises(InputError) as refused:
        kept(plant, ["FLOW2"])
    (problem,) = refused.value.problems
    assert problem.file == str(path)
    assert problem.sentence().endswith(
        "To do: restore it from a backup, or move the archive folder away and ingest the exports again."
    )
    assert len(kept(plant, ["FLOW"])) == 100
    more = written_export(tmp_path / "b.csv", "2026-02-27 01:00", 100)
    with pytest.raises(InputError, match="a file of the archive is not as it was written"):
        ingested(plant, more)


def test_a_flipped_bit_in_the_list_or_the_bench_results_is_said(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 100)
    ingested(plant, export, sheets=[written_sheet(tmp_path / "lab.csv", "2026-02-27 08:00,BFP-1,feed,TS,3.1,%,")])
    (path,) = (plant.archive / "bench").iterdir()
    flipped(path, 30)
    with pytest.raises(InputError, match="a file of the archive is not as it was written"):
        read_archive(plant)
    flipped(path, 30)
    assert len(kept(plant)) == 700
    manifest = plant.archive / "manifest.json"
    text = manifest.read_text()
    manifest.write_text(text.replace('"readings": 3', '"readings": 4', 1))
    assert manifest.read_text() != text
    for call in (lambda: read_archive(plant), lambda: ingested(plant, export)):
        with pytest.raises(InputError, match="the list of what the archive holds is damaged"):
            call()


def test_a_lost_list_or_file_is_said_and_nothing_is_removed(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 100)
    ingested(plant, export)
    manifest = plant.archive / "manifest.json"
    before, text = files_of(plant), manifest.read_bytes()
    manifest.unlink()
    for call in (lambda: read_archive(plant), lambda: ingested(plant, export)):
        with pytest.raises(InputError, match="the list of what the archive holds is missing"):
            call()
    manifest.write_bytes(text)
    assert files_of(plant) == before
    (path,) = plant.archive.rglob("press=bfp-1/week=2026-02-23/*.parquet")
    path.unlink()
    with pytest.raises(InputError, match=f"{path.name}: a file of the archive cannot be read"):
        kept(plant, ["FLOW"])


def test_an_archive_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    plant.archive.write_text("no folder")
    with pytest.raises(InputError, match="the archive cannot be written"):
        ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
