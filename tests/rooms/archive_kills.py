"""Run by `test_archive_safety.py` in a process of its own: ingests killed at one step each that touches the disk.

python archive_kills.py FOLDER        copies FOLDER/old to FOLDER/<n> and kills an ingest of b.csv there at step n
python archive_kills.py FOLDER hold   holds the lock of FOLDER/archive until it is killed
"""

import os
import shutil
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
from archive_files import ingested, plant_at
from steps_on_disk import count_steps

from trendkit.archive.lock import one_writer

CALLS = (
    *((os, name) for name in ("replace", "fsync", "unlink", "rmdir")),
    *((pq.ParquetWriter, name) for name in ("write_table", "close")),
)
EVERY, LAST = 7, 10  # every seventh step, and each of the last ones, among which the list is replaced


def ingest_in_child(folder: Path, here: Path, die_at: int | None = None) -> int | None:
    """Ingest in a copy of the old archive; return how many steps that takes, None when it was killed."""
    shutil.copytree(folder / "old", here)
    if os.fork() == 0:
        steps = count_steps(CALLS, die_at)
        ingested(plant_at(here), folder / "b.csv", sheets=[folder / "lab.csv"])
        (here / "steps").write_text(str(len(steps)))
        os._exit(0)
    _, status = os.wait()
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return None if os.WIFSIGNALED(status) else int((here / "steps").read_text())


def main() -> None:
    folder = Path(sys.argv[1])
    if sys.argv[2:] == ["hold"]:
        with one_writer(folder / "archive"):
            print("held", flush=True)
            time.sleep(60)
    count = ingest_in_child(folder, folder / "whole")
    assert count is not None
    for step in sorted({*range(1, count + 1, EVERY), *range(count - LAST + 1, count + 1)}):
        assert ingest_in_child(folder, folder / str(step), step) is None
        print(step, flush=True)


if __name__ == "__main__":
    main()
