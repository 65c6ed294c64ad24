"""Files that are whole or not there: written under another name, forced to the disk, then put in their place."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterable
from pathlib import Path

NEW = ".new"  # how the name of a file ends until it is whole


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def force_to_disk(path: Path) -> None:
    """Return once a file lies on the disk itself and no longer in a cache."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def force_names_to_disk(folder: Path) -> None:
    """Force the names of a folder's files to the disk, where the system has a way to; elsewhere do nothing."""
    try:
        opened = os.open(folder, os.O_RDONLY)
    except OSError:  # a system that opens no folders
        return
    try:
        os.fsync(opened)
    except OSError:
        pass
    finally:
        os.close(opened)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is the old one or the new one at any moment, whatever stops the computer."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(path.name + NEW)
    with fresh.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)
    force_names_to_disk(path.parent)


def name_by_content(fresh: Path, ending: str) -> tuple[Path, str]:
    """Give a finished file the name its content says and return its path and SHA-256.

    A file of that name already there holds the same content and stays, unless it was damaged.
    """
    force_to_disk(fresh)
    sha256 = checksum(fresh)
    path = fresh.with_name(sha256[:20] + ending)
    if path.exists() and checksum(path) == sha256:
        fresh.unlink()
    else:
        os.replace(fresh, path)
        force_names_to_disk(path.parent)
    return path, sha256


def remove_all_but(folder: Path, kept: Iterable[Path]) -> None:
    """Remove every file below a folder that is not among the kept ones, and folders left empty.

    A file that another program holds open stays for another time.
    """
    named = {path.resolve() for path in kept}
    for path in sorted(folder.rglob("*"), reverse=True):  # what lies in a folder before the folder
        try:
            if path.is_dir():
                if not any(path.iterdir()):
                    path.rmdir()
            elif path.resolve() not in named:
                path.unlink()
        except OSError:
            continue


def remove_folder(folder: Path) -> None:
    """Remove a folder with all that is in it, as far as nothing is held open."""
    shutil.rmtree(folder, ignore_errors=True)
