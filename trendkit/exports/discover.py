"""Which files a call means: names, folders and patterns in; exports and bench sheets out, each file once."""

from __future__ import annotations

import glob
from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from trendkit.errors import InputError, Problem
from trendkit.exports import benchsheet, textfile
from trendkit.exports.table import DELIMITERS, split_line
from trendkit.exports.workbook import sheet_as_text
from trendkit.plant.model import Plant

_TABLE_ENDINGS = (
    ".csv",
    ".txt",
    ".tsv",
    ".gz",
    ".zst",
    ".parquet",
    ".pq",
    ".xlsx",
    ".xlsm",
    ".xlsb",
    ".xls",
    ".ods",
)
_OTHER_FOLDERS = {"truth"}  # beside simulated exports: what truly happened, never an input


@dataclass(frozen=True)
class Inputs:
    """The files of one call, each once, in order of name within a folder."""

    exports: tuple[Path, ...]
    labs: tuple[Path, ...]
    tickets: tuple[Path, ...] = ()
    deliveries: tuple[Path, ...] = ()


def find_inputs(paths: Iterable[str | Path], plant: Plant) -> Inputs:
    """Return the files named, found in the folders named (with their sub-folders) or matched by patterns.

    Bench sheets, tickets and deliveries are told by the plant file's patterns; a bench sheet also by its header.

    Raises
    ------
    InputError
        For every name without a file, every folder or pattern without a table in it.
    """
    found: dict[Path, Path] = {}
    problems = []
    for path in paths:
        files = _files_of(str(path), plant)
        if isinstance(files, Problem):
            problems.append(files)
            continue
        for file in files:
            found.setdefault(file.resolve(), file)
    if problems:
        raise InputError(problems)
    kinds: dict[str, list[Path]] = {"export": [], "lab": [], "tickets": [], "deliveries": []}
    for file in found.values():
        kinds[_kind_of(file, plant)].append(file)
    return Inputs(*(tuple(kinds[kind]) for kind in ("export", "lab", "tickets", "deliveries")))


def _files_of(path: str, plant: Plant) -> list[Path] | Problem:
    given = Path(path).expanduser()
    if given.is_dir():
        files = _tables_in(given, plant)
        if not files:
            return Problem(
                "the folder holds no exports",
                file=path,
                expected="CSV, Parquet or workbook files",
                hint="name another folder",
            )
        return files
    if given.is_file():
        return [given]
    if given.exists():
        return Problem(
            "this is no file with rows", file=path, found="a pipe or a device", expected="a file or a folder"
        )
    if glob.has_magic(path):
        matched = _matching(given)
        files = [file for file in matched if file.is_file()]
        files += [file for folder in matched if folder.is_dir() for file in _tables_in(folder, plant)]
        if not files:
            return Problem(
                "no file matches",
                file=path,
                expected="at least one export",
                hint="check the pattern and the folder",
            )
        return files
    beside = [each.name for each in given.parent.iterdir()] if given.parent.is_dir() else []
    from trendkit.exports.names import close_names

    near = close_names(given.name, beside, 1)
    hint = f"perhaps {str(given.parent / near[0])!r} is meant" if near else "check the name and the folder"
    return Problem("there is no such file", file=path, hint=hint)


def _matching(pattern: Path) -> list[Path]:
    """Return what a pattern matches, hidden files apart; ``**`` follows no links, which may lead in a circle."""
    parts = pattern.parts
    first = next(number for number, part in enumerate(parts) if glob.has_magic(part))
    base = Path(*parts[:first]) if first else Path()
    found = sorted(base.glob(str(Path(*parts[first:]))))
    if any(part.startswith(".") for part in parts[first:]):
        return found
    return [each for each in found if not any(part.startswith(".") for part in each.parts[first:])]


def _tables_in(folder: Path, plant: Plant) -> list[Path]:
    """Return the tables of a folder and its sub-folders; hidden ones, the archive and a simulation's truth apart."""
    archive = plant.archive if plant.archive.is_absolute() else plant.path.parent / plant.archive

    def is_meant(file: Path) -> bool:
        inside = file.relative_to(folder).parts
        if any(part.startswith((".", "~")) for part in inside) or set(inside[:-1]) & _OTHER_FOLDERS:
            return False
        return archive.resolve() not in file.resolve().parents

    return [
        f for f in sorted(folder.rglob("*")) if f.is_file() and f.name.lower().endswith(_TABLE_ENDINGS) and is_meant(f)
    ]


def _kind_of(file: Path, plant: Plant) -> str:
    for pattern, kind in (
        (plant.lab.files, "lab"),
        (plant.tickets_files, "tickets"),
        (plant.deliveries_files, "deliveries"),
    ):
        if pattern and (fnmatch(file.name.lower(), pattern.lower()) or fnmatch(str(file).lower(), pattern.lower())):
            return kind
    return "lab" if _has_bench_header(file) else "export"


def _has_bench_header(file: Path) -> bool:
    """Return True when one of the first lines of a text or workbook is the header of a long bench sheet."""
    try:
        kind = textfile.signature(file)
        if kind in ("workbook", "old_workbook"):
            head = textfile.look_at(sheet_as_text(file)).head
        elif kind in ("text", "gzip", "zstd"):
            head = textfile.look_at(file).head
        else:
            return False
    except (InputError, OSError):
        return False  # said when the file is opened as an export
    lines = head.split("\n")[:20]
    return any(
        benchsheet.is_bench_sheet(split_line(line, mark)) for mark in DELIMITERS for line in lines if mark in line
    )
