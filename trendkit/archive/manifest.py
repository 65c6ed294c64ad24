"""The one list of what belongs to the archive; a file it does not name is not part of it.

It is replaced in one move, which is what makes an ingest happen wholly or not at all, and carries its own checksum.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from trendkit.archive.elsewhere import copied, copy_list
from trendkit.archive.files import checksum, write_whole
from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.block import Repeated

MANIFEST = "manifest.json"
FORM = 3  # of the archive; another number is another way of keeping things


@dataclass(frozen=True)
class Part:
    """One file of readings: a week (UTC) of one press, or of what serves no single press.

    `tags` are the tags with a reading in it, `starts_us` and `ends_us` its first and last reading.
    """

    path: str  # below the archive folder, with "/"
    sha256: str
    readings: int
    starts_us: int
    ends_us: int
    tags: tuple[str, ...]

    @property
    def place(self) -> str:
        """Its folder below the observations: press and week."""
        return self.path.rsplit("/", 1)[0]

    @property
    def week(self) -> str:
        """The Monday its week (UTC) begins with, as YYYY-MM-DD."""
        return self.place.rpartition("=")[2]

    @property
    def file(self) -> str:
        """What it is called in messages and notes."""
        press = self.path.split("/")[-3].partition("=")[2]
        return f"archive of {press if press != '_shared' else 'shared tags'}, from {self.week}"


@dataclass(frozen=True)
class Bench:
    """The file of all results of the bench."""

    path: str
    sha256: str
    results: int


@dataclass(frozen=True)
class Source:
    """One file that was ingested: what it was, how it was read and what came of it.

    `reading` says how its times and numbers were understood. `refusals` are (line, why), the first 200. `repeated` are
    the readings of a tag at a time it had already given, `texts` the texts it gave for numbers, by tag.
    """

    kind: Literal["export", "bench sheet"]
    file: str
    path: str
    sha256: str
    reading: str
    ingested_at: str
    rows: int
    refused: int
    refusals: tuple[tuple[int, str], ...] = ()
    new: int = 0
    known: int = 0
    conflicting: int = 0
    conflicts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    starts_us: int | None = None
    ends_us: int | None = None
    layout: Literal["wide", "long"] = "wide"
    tags: tuple[str, ...] = ()  # looked for: of a long file every tag of the plant
    tags_read_as_words: tuple[str, ...] = ()
    tags_seen: tuple[str, ...] = ()  # with rows in it; empty in archives made before this was kept
    repeated: Mapping[str, Repeated] = field(default_factory=dict)
    texts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class Manifest:
    """Everything the archive holds.

    `homes` says for each tag (by its key) under which press it is kept and how it is spelled; a tag never moves.
    `units` are the units that exports stated for their tags.
    """

    parts: tuple[Part, ...] = ()
    bench: Bench | None = None
    sources: tuple[Source, ...] = ()
    homes: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    units: Mapping[str, tuple[str, str]] = field(default_factory=dict)  # unit, and the file that stated it

    def paths(self) -> list[str]:
        """Return the paths of all its files below the archive folder."""
        return [part.path for part in self.parts] + ([self.bench.path] if self.bench else [])

    def with_parts(self, fresh: Mapping[str, Part]) -> Manifest:
        """Return the manifest with the parts of some places in place of those it named there."""
        kept = {part.place: part for part in self.parts} | dict(fresh)
        return replace(self, parts=tuple(kept[place] for place in sorted(kept)))

    def spelled(self, tag: str) -> str:
        """Return how the archive spells a tag."""
        return self.homes.get(names.key(tag), ("", tag))[1]


def load_manifest(folder: Path, url: str | None = None) -> Manifest:
    """Return what the archive in `folder` holds; nothing when there is none yet.

    Of an archive at an address (`url`) the list is fetched into `folder` first.

    Raises
    ------
    InputError
        When its list is damaged or was written in a form this version does not know.
    """
    if url is not None:
        copy_list(url, folder, MANIFEST)
    path = folder / MANIFEST
    try:
        written = json.loads(path.read_bytes())
        body = written["archive"]
        if written["sha256"] != _checksum_of(body):
            raise InputError(_damaged(path, "a checksum that does not fit its content"))
        if body["form"] != FORM:
            raise InputError(_other_form(path, body["form"]))
        return _from_json(body)
    except FileNotFoundError:
        return Manifest()
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as cause:
        raise InputError(_damaged(path, str(cause).splitlines()[0] or type(cause).__name__)) from cause


def save_manifest(folder: Path, manifest: Manifest) -> None:
    """Put a manifest in place of the one there; from this moment on the archive is what it says."""
    body = {"form": FORM, **asdict(manifest)}
    body = json.loads(json.dumps(body))  # lists for tuples, as they are read back
    text = json.dumps({"sha256": _checksum_of(body), "archive": body}, ensure_ascii=False, indent=1)
    write_whole(folder / MANIFEST, text.encode())


def verified(folder: Path, path: str, sha256: str, url: str | None = None) -> Path:
    """Return a file of the archive after comparing it with its checksum.

    Of an archive at an address (`url`) it is copied into `folder` first, unless a whole copy is there.

    Raises
    ------
    InputError
        When it is missing or not as it was written.
    """
    file = folder / path
    if url is not None:
        copied(url, folder, path, lambda copy: checksum(copy) != sha256)
    try:
        found = checksum(file)
    except OSError as cause:
        raise InputError(
            Problem(
                "a file of the archive cannot be read",
                file=str(file),
                found=cause.strerror or str(cause),
                hint=_RESTORE,
            )
        ) from cause
    if found != sha256:
        raise InputError(
            Problem(
                "a file of the archive is not as it was written",
                file=str(file),
                found=f"checksum {found[:12]}…",
                expected=f"{sha256[:12]}…",
                hint=_RESTORE,
            )
        )
    return file


_RESTORE = "restore it from a backup, or move the archive folder away and ingest the exports again"


def _checksum_of(body: Any) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _from_json(body: Any) -> Manifest:
    def frozen(each: dict[str, Any], *listed: str) -> dict[str, Any]:
        return each | {name: tuple(each[name]) for name in listed if name in each}

    sources = [
        frozen(each, "conflicts", "notes", "tags", "tags_read_as_words", "tags_seen")
        | {
            "refusals": tuple((line, why) for line, why in each["refusals"]),
            "repeated": {tag: Repeated(*repeated) for tag, repeated in each["repeated"].items()},
        }
        for each in body["sources"]
    ]
    return Manifest(
        tuple(Part(**frozen(each, "tags")) for each in body["parts"]),
        Bench(**body["bench"]) if body["bench"] else None,
        tuple(Source(**each) for each in sources),
        {key: (home, name) for key, (home, name) in body["homes"].items()},
        {key: (unit, file) for key, (unit, file) in body["units"].items()},
    )


def _damaged(path: Path, found: str) -> Problem:
    return Problem("the list of what the archive holds is damaged", file=str(path), found=found, hint=_RESTORE)


def list_is_missing(folder: Path) -> Problem:
    """Return the problem of an archive with readings and without its list."""
    return Problem(
        "the list of what the archive holds is missing",
        file=str(folder / MANIFEST),
        found="files of readings that no list names",
        hint=_RESTORE,
    )


def _other_form(path: Path, form: object) -> Problem:
    return Problem(
        "the archive was written by another version of trendkit",
        file=str(path),
        found=f"form {form}",
        expected=f"form {FORM}",
        hint="use that version, or move the archive folder away and ingest the exports again",
    )
