"""One writer at a time: a lock the operating system itself lets go of when its holder ends, however it ends.

The lock is an exclusive transaction on an empty database file: the engine that comes with Python asks each system
for a file lock in that system's own way. A note beside it says who holds it; the note alone locks nothing.
"""

from __future__ import annotations

import getpass
import json
import os
import platform
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from trendkit.archive.files import write_whole
from trendkit.errors import InputError, Problem

LOCK, HOLDER = "writer.lock", "writer.json"


@contextmanager
def one_writer(folder: Path) -> Iterator[None]:
    """Hold the archive folder for writing; nobody else does in the meantime.

    Raises
    ------
    InputError
        When somebody else is writing (who, where and since when), or the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        database = sqlite3.connect(folder / LOCK, timeout=0.0, isolation_level=None)
    except (OSError, sqlite3.Error) as cause:
        raise InputError(_not_writable(folder, cause)) from cause
    with closing(database):
        try:
            database.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as cause:
            if "locked" in str(cause):
                raise InputError(_held(folder)) from cause
            raise InputError(_not_writable(folder, cause)) from cause
        write_whole(folder / HOLDER, json.dumps(_myself()).encode())
        try:
            yield
        finally:
            (folder / HOLDER).unlink(missing_ok=True)
            database.execute("ROLLBACK")


def _myself() -> dict[str, str | int]:
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):  # no name is known for this user
        user = "unknown"
    since = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    return {"user": user, "computer": platform.node(), "process": os.getpid(), "since": since}


def _held(folder: Path) -> Problem:
    try:
        who = json.loads((folder / HOLDER).read_text(encoding="utf-8"))
        found = f"{who['user']} on {who['computer']}, process {who['process']}, since {who['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        found = "a writer that has just begun or just ends"
    return Problem(
        "somebody else is writing into the archive",
        file=str(folder),
        found=found,
        expected="one writer at a time",
        hint="wait until it is done and call again; the archive can be read in the meantime",
    )


def _not_writable(folder: Path, cause: Exception) -> Problem:
    return Problem(
        "the archive cannot be written",
        file=str(folder),
        found=str(cause),
        expected="a folder of files that can be written and locked",
        hint="check the rights on the folder, or set [plant] archive to another place",
    )
