"""A way to type a command and read what it said.

Where a process can be split, commands run in processes split off from one that has everything imported, which saves
each of them a second or two; `plainly=True` starts an interpreter of its own, as a user's prompt does.
"""

from __future__ import annotations

import atexit
import json
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

SERVER = Path(__file__).with_name("split_off.py")
_one_at_a_time = threading.Lock()
_servers: list[subprocess.Popen[str]] = []


@dataclass(frozen=True)
class Outcome:
    """What a command left behind: exit code, standard output, standard error."""

    code: int
    said: str
    complained: str


def type_command(*words: str | Path, cwd: Path | None = None, plainly: bool = False) -> Outcome:
    typed = [str(word) for word in words]
    if not plainly and hasattr(os, "fork") and _one_at_a_time.acquire(blocking=False):
        try:
            return _split_off(typed, cwd)
        finally:
            _one_at_a_time.release()
    done = subprocess.run(
        [sys.executable, "-m", "trendkit", *typed], capture_output=True, text=True, encoding="utf-8", cwd=cwd
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


def _split_off(words: list[str], cwd: Path | None) -> Outcome:
    server = _server()
    assert server.stdin is not None and server.stdout is not None
    with TemporaryDirectory() as folder:
        here = str(cwd or Path.cwd())
        asked = {"words": words, "cwd": here, "environment": dict(os.environ), "folder": folder}
        server.stdin.write(json.dumps(asked) + "\n")
        server.stdin.flush()
        code = int(server.stdout.readline())
        said, complained = ((Path(folder) / name).read_text(encoding="utf-8") for name in ("said", "complained"))
        return Outcome(code, said, complained)


def _server() -> subprocess.Popen[str]:
    """Return this process's own server, started when it is first needed."""
    if not _servers:
        words = [sys.executable, str(SERVER)]
        _servers.append(
            subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        )
        atexit.register(_servers[0].communicate)  # its input ends, and it with it
    return _servers[0]
