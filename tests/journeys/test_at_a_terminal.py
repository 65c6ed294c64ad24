"""What a person at a terminal sees that a program does not: stages, links, and the page in the browser."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from typed import type_command

from trendkit.cli import _clickable


def _typed_at_a_terminal(*words: str | Path) -> tuple[str, str]:
    """Run a command whose standard error is a terminal; return standard output and what the terminal got."""
    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "trendkit", *map(str, words)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=follower, env={**os.environ, "TERM": "xterm"})
    os.close(follower)
    told = b""
    while True:
        try:
            part = os.read(leader, 4096)
        except OSError:  # the other end is closed: the command is over
            break
        if not part:
            break
        told += part
    said = running.communicate(timeout=120)[0]
    os.close(leader)
    assert running.returncode == 0, told
    return said.decode(), told.decode()


def test_stages_are_named_with_their_time_at_a_terminal_alone(tmp_path: Path) -> None:
    said, told = _typed_at_a_terminal("simulate", "--out", tmp_path / "a", "--days", "1", "--seed", "2")
    assert "inventing 1 days, " in told and " s" in told.split("inventing 1 days, ")[-1]
    assert "inventing" not in said and said.startswith("1 invented day")
    quiet = type_command("simulate", "--out", tmp_path / "b", "--days", "1", "--seed", "2")
    assert quiet.code == 0 and quiet.complained == ""


def test_the_path_of_a_page_is_a_link_and_other_lines_stay_as_they_are(tmp_path: Path) -> None:
    page = tmp_path / "a b" / "review.html"
    linked = _clickable(f"  {page}", (page,))
    assert linked == f"  \x1b]8;;{page.as_uri()}\x1b\\{page}\x1b]8;;\x1b\\" and "%20" in linked
    assert _clickable("BFP-1: an answer", (page,)) == "BFP-1: an answer"


def test_open_shows_the_page_in_the_browser(
    plant_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note, browser = tmp_path / "opened", tmp_path / "browser.sh"
    browser.write_text(f'#!/bin/sh\nprintf %s "$1" > "{note}"\n', encoding="utf-8")
    browser.chmod(0o755)
    monkeypatch.setenv("BROWSER", f"{browser} %s")
    words = ("quality", "--plant", plant_folder / "plant.toml", "--out", tmp_path / "q", plant_folder / "exports")
    done = type_command(*words, "--open")
    assert done.code == 0, done.complained
    assert note.read_text(encoding="utf-8") == (tmp_path / "q" / "quality.html").as_uri()
