"""Commands killed (SIGKILL) at random moments, as a power cut ends them, and what is on the disk afterwards.

python power_cuts.py PLANT FOLDER INGESTS REVIEWS SEED DAY [again]    kills so many of each; prints a line a kill

PLANT is the folder of an invented plant with two exports or more, FOLDER one to work in; the reviews are of the plant
day DAY. With `again` every killed command is done again and compared, which takes twice as long; without it the last ingest is.

Every command runs in a process of its own that begins with everything imported, so that the kills fall into the work
and not into the start. What an undisturbed run leaves is the measure: after a kill every file is the one before or
the one after, byte for byte, and the same command again leaves what it would have left.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from trendkit.archive.manifest import load_manifest, verified
from trendkit.cli import run

Files = dict[str, str]  # path below a folder -> checksum
SLOW = 4.0  # times the usual run before a command counts as hanging


# What the commands would import on first use: everything but threads is there before a process is split off.
USED = (
    "altair openpyxl vl_convert statsmodels.api scipy.optimize pandas pyarrow.parquet trendkit.jobs.keeping "
    "trendkit.jobs.pages trendkit.reports.review_page trendkit.reports.workbook"
)


def files_below(folder: Path) -> Files:
    """Return every file below a folder that a person would see."""
    shown = [path for path in folder.rglob("*") if path.is_file() and not path.name.startswith(".")]
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in shown}


def archived(folder: Path) -> Files:
    """Return what belongs to the archive, each file verified: the checksums of its list and its sources."""
    archive = folder / "archive"
    manifest = load_manifest(archive)
    parts = {part.path: part.sha256 for part in manifest.parts} | {
        bench.path: bench.sha256 for bench in (manifest.bench,) if bench is not None
    }
    for path, sha256 in parts.items():
        verified(archive, path, sha256)
    return parts | {f"source {source.file}": source.sha256 for source in manifest.sources}


def begun(words: list[str]) -> int:
    """Start a command in a process of its own and return its id."""
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        code = run(words)
        os._exit(code)
    return child


def timed(words: list[str]) -> float:
    """Run a command to its end and return how long it took [s]."""
    start = time.monotonic()
    _, status = os.waitpid(begun(words), 0)
    assert os.waitstatus_to_exitcode(status) == 0, words
    return time.monotonic() - start


def killed_after(words: list[str], wait_s: float) -> bool:
    """Kill a command after a while; return True when it was still running."""
    child = begun(words)
    time.sleep(wait_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, words
    return os.WIFSIGNALED(status)


class Trials:
    """One plant as it was, what a command makes of it, and copies in which the command is killed."""

    def __init__(self, folder: Path, plant: Path, wait: random.Random, day: date) -> None:
        self.folder, self.wait, self.day = folder, wait, day
        self.old = folder / "old"
        shutil.copytree(plant, self.old, ignore=shutil.ignore_patterns("truth"))
        self.exports = sorted((self.old / "exports").iterdir())
        assert len(self.exports) > 1, "there must be exports to ingest after others"

    def copy(self, name: str, of: Path) -> Path:
        place = self.folder / name
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(of, place)
        return place

    def ingest(self, place: Path, all_files: bool = True) -> list[str]:
        files = self.exports if all_files else self.exports[:1]
        sheet = [place / "lab.csv"] if all_files else []
        return ["ingest", "--plant", str(place / "plant.toml"), *map(str, [*files, *sheet])]

    def review(self, place: Path) -> list[str]:
        period = ["--from", str(self.day), "--to", str(self.day + timedelta(days=1))]
        return ["review", "--plant", str(place / "plant.toml"), "--out", str(place / "out"), *period]

    def killed(
        self, count: int, start: Path, words: Callable[[Path], list[str]], usual_s: float, check: Callable[[Path], str]
    ) -> None:
        """Kill a command `count` times, each in a fresh copy of `start`, and print what `check` says of each."""
        for number in range(count):
            place = self.copy("trial", start)
            was_running = killed_after(words(place), self.wait.uniform(0.0, usual_s))
            print(
                json.dumps(
                    {"command": words(place)[0], "number": number, "was_running": was_running, "found": check(place)}
                ),
                flush=True,
            )

    def ingests(self, count: int, does_again: bool) -> Path:
        """Kill ingests; return the plant with everything ingested."""
        timed(self.ingest(self.old, all_files=False))
        old, new = archived(self.old), self.copy("new", self.old)
        usual = timed(self.ingest(new))
        after = archived(new)
        assert old != after
        checked: list[Path] = []

        def check(place: Path) -> str:
            found = archived(place)
            assert found in (old, after), "the archive is neither the old one nor the new one"
            if does_again or len(checked) == count - 1:
                again = timed(self.ingest(place))
                assert archived(place) == after, "the same ingest again leaves another archive"
                assert again < SLOW * usual + 2.0, "the next ingest was held up"
            checked.append(place)
            return "old" if found == old else "new"

        self.killed(count, self.old, self.ingest, usual, check)
        return new

    def reviews(self, count: int, plant: Path, does_again: bool) -> None:
        """Kill reviews that replace the files of last month's."""
        whole = self.copy("whole", plant)
        usual = timed(self.review(whole))
        after, kept = files_below(whole / "out"), archived(whole)
        (plant / "out").mkdir()
        for name in after:
            (plant / "out" / name).write_text(f"last month's {name}\n" * 200)
        before = files_below(plant / "out")
        again = self._made_twice(whole) if does_again else {}

        def check(place: Path) -> str:
            found = files_below(place / "out")
            assert found.keys() == after.keys(), "a file appeared or went"
            halves = [name for name, sha256 in found.items() if sha256 not in (before[name], after[name])]
            assert not halves, f"neither the old file nor the new one: {halves}"
            assert archived(place) == kept
            if does_again:
                timed(self.review(place))
                done = files_below(place / "out")
                assert all(sha256 in (after[name], again[name]) for name, sha256 in done.items()), (
                    "the next page differs"
                )
            fresh = sum(found[name] == after[name] for name in after)
            return "old" if fresh == 0 else "new" if fresh == len(after) else f"{fresh} of {len(after)} files new"

        self.killed(count, plant, self.review, usual, check)

    def _made_twice(self, whole: Path) -> Files:
        """Return the files of a review that replaces itself, with nothing kept of the first."""
        twice = self.copy("twice", whole)
        shutil.rmtree(twice / "archive" / "grids")
        timed(self.review(twice))
        return files_below(twice / "out")


def main() -> None:
    plant, folder = Path(sys.argv[1]), Path(sys.argv[2])
    ingests, reviews, seed = map(int, sys.argv[3:6])
    for name in USED.split():
        importlib.import_module(name)
    trials = Trials(folder, plant, random.Random(seed), date.fromisoformat(sys.argv[6]))
    does_again = "again" in sys.argv[7:]
    trials.reviews(reviews, trials.ingests(ingests, does_again), does_again)


if __name__ == "__main__":
    main()
