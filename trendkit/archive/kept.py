"""What was worked out from the archive, kept beside it and used again; any of it may be removed at any time."""

from __future__ import annotations

import hashlib
import os
import time
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

import trendkit
from trendkit.archive.files import NEW

GRIDS = "grids"  # below the archive folder


@lru_cache(maxsize=1)
def program_sign() -> str:
    """Return what changes with the program itself: its version and the content of its files.

    What an older program kept is not used again, even where the two call themselves by one version. The same on every
    machine.
    """
    home = Path(trendkit.__file__).parent
    whole = hashlib.sha256(trendkit.__version__.encode())
    for path in sorted(home.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            whole.update(path.relative_to(home).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()[:24]


def recall(path: Path) -> bytes | None:
    """Return a kept content; None where there is none, or it is not as it was written."""
    try:
        whole = path.read_bytes()
    except OSError:
        return None
    content = whole[32:]
    if hashlib.sha256(content).digest() != whole[:32]:
        return None
    with suppress(OSError):
        os.utime(path)
    return content


def keep(path: Path, content: bytes, most: int) -> None:
    """Keep a content with its checksum in front; of more than `most` of a kind those unused for longest go.

    An archive that can only be read is used all the same.
    """
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(f"{path.name}.{os.getpid()}{NEW}")
        fresh.write_bytes(hashlib.sha256(content).digest() + content)
        os.replace(fresh, path)
        others = sorted((each for each in path.parent.glob(f"*{path.suffix}") if each != path), key=_last_used)
        for old in others[: max(0, len(others) + 1 - most)]:
            old.unlink(missing_ok=True)


def _last_used(path: Path) -> float:
    """Return when a file was used last [s since 1970]; long ago where that is to come: the clock was set back since."""
    used = path.stat().st_mtime
    return used if used <= time.time() + 60.0 else 0.0
