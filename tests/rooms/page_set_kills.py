"""Run by `test_page_sets.py` in a process of its own: a page's files replaced, killed before each step on the disk.

python page_set_kills.py FOLDER       FOLDER/<n> is what lies there when the process dies at step n; prints a line each
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

from steps_on_disk import count_steps

from trendkit.reports.files import write_whole
from trendkit.reports.page import Page
from trendkit.reports.page_set import is_of_one_making, sealed

NAMES = ("figures.parquet", "upsets.csv", "review.json", "review.html")
CALLS = ((os, "replace"), (os, "fsync"), (Path, "write_bytes"), (Path, "unlink"))


def files_of(month: str) -> dict[str, bytes]:
    """Return a small set; every file of one month differs from that of another."""
    page = Page("Review", "BFP-1", "Quillmark Bend", "How was it?", (), f"The answer of {month}.", "", (), ())
    others = {name: f"{name} of {month}".encode() * 200 for name in NAMES[:2]}
    return sealed("review", page, {"command": "review", "month": month}, others)


def replaced(folder: Path, step: int) -> bool:
    """Replace January's set by February's in a process that dies before a step; return whether it got to its end."""
    child = os.fork()
    if child == 0:
        count_steps(CALLS, step)
        write_whole(folder, files_of("February"))
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return not os.WIFSIGNALED(status)


def main() -> None:
    folder, old, new = Path(sys.argv[1]), files_of("January"), files_of("February")
    write_whole(folder / "old", old)
    step, is_done = 0, False
    while not is_done:
        step += 1
        here = folder / str(step)
        shutil.copytree(folder / "old", here)
        is_done = replaced(here, step)
        found = {name: (here / name).read_bytes() for name in NAMES}
        ages = ["old" if found[name] == old[name] else "new" if found[name] == new[name] else "half" for name in NAMES]
        before = is_of_one_making(here, "review")
        write_whole(here, new)  # the next run
        healed = is_of_one_making(here, "review") and all((here / name).read_bytes() == new[name] for name in NAMES)
        print(json.dumps({"ages": ages, "is_of_one_making": before, "is_healed": healed}), flush=True)


if __name__ == "__main__":
    main()
