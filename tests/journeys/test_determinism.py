"""Same inputs, same bytes: every command of the contract, done twice on days, in places and zones of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from every_command import COMMANDS

from trendkit.cli import app, plant_app

HERE = Path(__file__).parent
# what may not matter: the seed of Python's hashes, the computer's zone, its language, where it works
SIDES = {
    "one place": {"PYTHONHASHSEED": "1", "TZ": "UTC", "LC_ALL": "C.UTF-8"},
    "other (2) plätze": {"PYTHONHASHSEED": "4711", "TZ": "Pacific/Chatham", "LC_ALL": "C"},
}
Files = dict[str, bytes]  # path below a side's folder -> content


def files_below(folder: Path) -> Files:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def sides(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every command, done at the same time in two folders."""
    folder = tmp_path_factory.mktemp("sides")
    begun = {}
    for side, settings in SIDES.items():
        (folder / side).mkdir()
        words = [sys.executable, "-X", "utf8", str(HERE / "every_command.py"), str(folder / side)]
        environment = {name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"} | settings
        begun[side] = subprocess.Popen(words, env=environment, stderr=subprocess.PIPE, text=True, encoding="utf-8")
    for side, child in begun.items():
        _, complained = child.communicate()
        assert child.returncode == 0, f"{side}: {complained[-3000:]}"
        assert "Warning" not in complained, complained
    return {side: folder / side for side in SIDES}


def test_every_command_there_is_was_done() -> None:
    there = {each.name or each.callback.__name__ for each in app.registered_commands if each.callback}
    there |= {f"plant {each.name}" for each in plant_app.registered_commands}
    assert there == {" ".join(words[:2]) if words[0] == "plant" else words[0] for words in COMMANDS}


def test_the_same_inputs_give_the_same_bytes(sides: dict[str, Path]) -> None:
    one, other = (files_below(folder / "out") for folder in sides.values())
    assert {"." + name.rsplit(".", 1)[-1] for name in one} >= {".html", ".json", ".csv", ".parquet", ".xlsx", ".toml"}
    assert [name for name in one if name.endswith(".html")] != []
    assert one.keys() == other.keys()
    assert [name for name, content in one.items() if other[name] != content] == []


def test_commands_say_the_same_and_simulate_invents_the_same(sides: dict[str, Path]) -> None:
    for below in ("said", "sample_exports"):
        one, other = (files_below(folder / below) for folder in sides.values())
        clocked = {name for name in one if "archive/" in name}  # the archive's list says when a file came in
        assert len(one.keys() - clocked) > 4 and one.keys() - clocked == other.keys() - clocked
        assert [name for name in one.keys() - clocked if other[name] != one[name]] == []


def test_the_archives_readings_are_the_same(sides: dict[str, Path]) -> None:
    """Its list differs by when a file came in, and by nothing else."""
    lists = []
    for folder in sides.values():
        archive = json.loads((folder / "sample_exports" / "archive" / "manifest.json").read_text(encoding="utf-8"))
        del archive["sha256"]  # of the list itself
        for source in archive["archive"]["sources"]:
            assert source.pop("ingested_at")
        lists.append(archive)
    assert lists[0] == lists[1] and lists[0]["archive"]["parts"]


def test_no_file_carries_the_day_it_was_made(sides: dict[str, Path]) -> None:
    today = datetime.now(UTC)
    days = {f"{today:%Y-%m-%d}", f"{today:%d %B %Y}".lstrip("0"), f"{today:%d %b %Y}".lstrip("0")}
    for name, content in files_below(sides["one place"] / "out").items():
        if not name.endswith((".parquet", ".xlsx")):
            text = content.decode("utf-8")
            assert not [day for day in days if day in text], name
