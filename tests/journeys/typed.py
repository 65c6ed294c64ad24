"""A way to type a command and read what it said."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Outcome:
    """What a command left behind: exit code, standard output, standard error."""

    code: int
    said: str
    complained: str


def type_command(*words: str | Path, cwd: Path | None = None) -> Outcome:
    done = subprocess.run(
        [sys.executable, "-m", "trendkit", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
    )
    return Outcome(done.returncode, done.stdout, done.stderr)
