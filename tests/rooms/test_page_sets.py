"""The files of a page belong together: after a kill at any step a set of two makings is known and made whole again."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from page_set_kills import NAMES, files_of

from trendkit.reports.files import write_whole
from trendkit.reports.page_set import KEY, is_of_one_making

SCRIPT = Path(__file__).with_name("page_set_kills.py")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill a writer at each of its steps")
def test_killed_at_any_step_a_mixed_set_is_known_the_page_comes_last_and_the_next_run_heals(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, SCRIPT, tmp_path], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    kills = [json.loads(line) for line in done.stdout.splitlines()]
    for kill in kills:
        assert "half" not in kill["ages"]
        assert kill["is_of_one_making"] == (len(set(kill["ages"])) == 1)
        assert kill["ages"][-1] == "old" or set(kill["ages"]) == {"new"}, "a new page beside older files"
        assert kill["is_healed"]
    mixed = [kill for kill in kills if len(set(kill["ages"])) == 2]
    assert len(mixed) == len(NAMES) - 1  # one between each two names: it was killed at every step
    assert kills[-1]["ages"] == ["new"] * len(NAMES)


def test_page_and_json_carry_the_same_mark_and_another_content_another_one() -> None:
    marks = set()
    for month in ("January", "February"):
        files = files_of(month)
        mark = json.loads(files["review.json"])[KEY]["mark"]
        assert re.findall(r"set ([0-9a-f]{12})", files["review.html"].decode()) == [mark]
        assert files == files_of(month)
        marks.add(mark)
    assert len(marks) == 2


@pytest.mark.parametrize("name", NAMES)
def test_a_file_that_is_missing_or_was_changed_is_seen(name: str, tmp_path: Path) -> None:
    write_whole(tmp_path, files_of("January"))
    assert is_of_one_making(tmp_path, "review")
    if name != "review.json":  # the list itself
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes() + b" ")
        assert not is_of_one_making(tmp_path, "review")
    (tmp_path / name).unlink()
    assert not is_of_one_making(tmp_path, "review")
