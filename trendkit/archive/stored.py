"""The archive read back: weeks of a press that give blocks as an export does, results of the bench, and sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from trendkit.archive.bench import read_results
from trendkit.archive.elsewhere import forget_others, shown
from trendkit.archive.manifest import MANIFEST, Manifest, Part, Source, list_is_missing, load_manifest, verified
from trendkit.archive.parts import PartReader
from trendkit.archive.readings import Bools, Readings, as_words
from trendkit.archive.weeks import OBSERVATIONS, folder_of, microseconds
from trendkit.errors import InputError, Problem
from trendkit.exports import Block, InputFile, ReadLog, names
from trendkit.exports.block import BAD, Repeated
from trendkit.exports.lab import COLUMNS
from trendkit.exports.numbers import read_number
from trendkit.plant.model import Plant, Press, Tag

BLOCK_ROWS = 100_000


@dataclass(frozen=True)
class ArchivedWeek:
    """A week of one press in the archive, read like an export (`trendkit.exports.StoredExport`)."""

    part: Part
    folder: Path = field(repr=False)
    tags: tuple[str, ...]  # as the plant file spells them, where it knows them
    layout: Literal["wide", "long"]
    url: str | None = field(default=None, repr=False)  # of an archive at an address, whose copies are in `folder`

    @property
    def file(self) -> str:
        """What it is called on pages and in messages."""
        return self.part.file

    @property
    def start_utc(self) -> pd.Timestamp:
        """Its first reading."""
        return pd.Timestamp(self.part.starts_us, unit="us", tz="UTC")

    @property
    def end_utc(self) -> pd.Timestamp:
        """Its last reading."""
        return pd.Timestamp(self.part.ends_us, unit="us", tz="UTC")

    def input_file(self, log: ReadLog) -> InputFile:
        """Return how it is listed among the inputs."""
        return InputFile(
            self.folder / self.part.path, self.file, lambda: self.part.sha256, log.rows, 0, tuple(log.notes)
        )

    def blocks(
        self,
        wanted: Mapping[str, Tag],
        log: ReadLog,
        start_utc: pd.Timestamp | None = None,
        end_utc: pd.Timestamp | None = None,
    ) -> Iterator[Block]:
        """Yield the readings of the wanted tags from `start_utc` up to `end_utc`, in order of time for each tag.

        Tags that were recorded at the same times come together. A week outside the period, or without a wanted
        tag, is not opened.

        Raises
        ------
        InputError
            When the file is missing or not as it was written.
        """
        by_key = {names.key(name): name for name in wanted}
        asked = {tag: by_key[names.key(tag)] for tag in self.part.tags if names.key(tag) in by_key}
        first = self.part.starts_us if start_utc is None else microseconds(start_utc)
        past = self.part.ends_us + 1 if end_utc is None else microseconds(end_utc)
        if not asked or first > self.part.ends_us or past <= self.part.starts_us:
            return
        reader = PartReader(verified(self.folder, self.part.path, self.part.sha256, self.url))
        try:
            for together in _stretches(reader, asked, first, past):
                for tags, readings in together:
                    yield from _blocks(tags, readings, wanted, log, first, past)
        finally:
            reader.close()


Shared = tuple[list[str], list[Readings]]  # tags recorded at the same times, by the names asked for


def _stretches(reader: PartReader, asked: Mapping[str, str], first: int, past: int) -> Iterator[list[Shared]]:
    """Yield the readings of the tags asked for, stretch by stretch; the next is read while one is worked on."""

    def wanted_groups(places: Sequence[int]) -> list[int]:
        return [
            place
            for place in places
            if (group := reader.groups[place]).tag in asked and group.first_us < past and group.last_us >= first
        ]

    def read(places: list[int]) -> list[Shared]:
        found: dict[int, Shared] = {}
        for place, readings in zip(places, reader.read(places), strict=True):
            group = reader.groups[place]
            tags, columns = found.setdefault(group.timeline, ([], []))
            tags.append(asked[group.tag])
            columns.append(readings)
        return list(found.values())

    chosen = [groups for places in reader.stretches() if (groups := wanted_groups(places))]
    with ThreadPoolExecutor(1, thread_name_prefix="archive") as ahead:
        pending = ahead.submit(read, chosen[0]) if chosen else None
        for following in [*chosen[1:], None]:
            if pending is None:
                return
            ready = pending.result()
            pending = ahead.submit(read, following) if following is not None else None
            yield ready


def _blocks(
    tags: list[str], columns: list[Readings], wanted: Mapping[str, Tag], log: ReadLog, first: int, past: int
) -> Iterator[Block]:
    """Yield readings at common times as blocks of some rows each, within a period."""
    time = columns[0].time_us
    low, high = (int(place) for place in np.searchsorted(time, (first, past)))
    for start in range(low, high, BLOCK_ROWS):
        rows = slice(start, min(start + BLOCK_ROWS, high))
        values, quality, texts = {}, {}, {}
        for tag, readings in zip(tags, columns, strict=True):
            own = _as_asked(readings.chosen(rows), wanted[tag], log)
            if own.texts is None:
                values[tag] = own.values
            else:
                texts[tag] = own.texts
            if own.quality is not None:
                quality[tag] = own.quality
            log.rows += len(own)
        yield Block(time[rows], values, quality, texts)


def _as_asked(readings: Readings, tag: Tag, log: ReadLog) -> Readings:
    """Return readings as words for a state and as numbers for any other tag, however they were kept."""
    if tag.kind == "state":
        if readings.texts is not None:
            return readings
        return Readings(readings.time_us, readings.values, readings.quality, as_words(readings.values))
    if readings.texts is None:
        return readings
    codes, words = pd.factorize(readings.texts, use_na_sentinel=True)
    found = [read_number(str(word), ".") for word in words]
    values = np.array([*(np.nan if number is None else number.value for number in found), np.nan])[codes]
    is_text: Bools = np.isnan(values) & (codes >= 0)
    counts = np.bincount(codes[is_text], minlength=len(words))
    for word, count in zip(words, counts, strict=True):
        if count:
            seen = log.texts.setdefault(tag.tag, {})
            seen[str(word)] = seen.get(str(word), 0) + int(count)
    return Readings(readings.time_us, values, np.where(is_text, BAD, readings.rated()).astype(np.uint8))


@dataclass(frozen=True)
class GivenTwice:
    """What a file gave at a time it had already given, by tag."""

    file: str
    of_tag: Mapping[str, Repeated]


@dataclass(frozen=True)
class Archive:
    """What the archive holds for some presses and a period.

    `weeks` are read like exports. `lab` are the results of the bench as `read_lab` gives them (None: none). `inputs`
    are the files all that came from, in order of time, `files_of` the names of those each tag came from, and
    `given_twice` what they repeated.
    """

    folder: Path
    weeks: tuple[ArchivedWeek, ...]
    lab: pd.DataFrame | None
    inputs: tuple[InputFile, ...]
    given_twice: tuple[GivenTwice, ...] = ()
    files_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def weeks_bearing_on(
        self, start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None, tags: Sequence[str]
    ) -> list[ArchivedWeek]:
        """Return the weeks with a reading of some tags from `start_utc` up to `end_utc`, in order of time."""
        keys = {names.key(tag) for tag in tags}
        first = None if start_utc is None else microseconds(start_utc)
        past = None if end_utc is None else microseconds(end_utc)
        return [
            each
            for each in self.weeks
            if keys.intersection(map(names.key, each.part.tags))
            and (first is None or each.part.ends_us >= first)
            and (past is None or each.part.starts_us < past)
        ]

    def sign(self, start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None, tags: Sequence[str]) -> str:
        """Return what changes whenever readings of some tags in a period do."""
        weeks = self.weeks_bearing_on(start_utc, end_utc, tags)
        signs = [f"{each.part.path} {each.part.sha256}" for each in weeks]
        signs += [f"{each.file} {sorted(each.of_tag.items())}" for each in self.given_twice]
        return "\n".join(signs)


def read_archive(
    plant: Plant,
    presses: Sequence[Press] | None = None,
    start_utc: pd.Timestamp | None = None,
    end_utc: pd.Timestamp | None = None,
) -> Archive:
    """Return what the plant's archive holds; no reading is read before `Archive.weeks` are asked for blocks.

    `inputs` are the ingested files with a row from `start_utc` up to `end_utc` (None: without end) and a tag, or any
    result, of `presses` (None: all).

    Raises
    ------
    InputError
        When there is no archive, it holds no reading, or its list or its bench results are damaged.
    """
    folder = folder_of(plant)
    url = plant.archive_url
    manifest = load_manifest(folder, url)
    if not manifest.parts:
        has_files = url is None and any((folder / OBSERVATIONS).rglob("*.parquet"))
        is_lost = has_files and not (folder / MANIFEST).exists()
        raise InputError(list_is_missing(folder) if is_lost else _nothing_in(folder, plant))
    if url is not None:
        forget_others(folder, manifest.paths())
    spelled = names.plant_tags(plant)
    lists_changes = any(source.layout == "long" for source in manifest.sources)
    weeks = tuple(
        ArchivedWeek(
            part,
            folder,
            tuple(spelled.get(names.key(tag), tag) for tag in part.tags),
            "long" if lists_changes else "wide",
            url,
        )
        for part in sorted(manifest.parts, key=lambda part: (part.starts_us, part.path))
    )
    results = read_results(folder, manifest.bench, url)
    lab = None if results is None else results[list(COLUMNS)].copy()
    asked = {names.key(tag.tag) for tag in names.every_tag(presses or plant.presses)}
    sources = list(_sources(manifest, asked, start_utc, end_utc))
    return Archive(
        folder,
        weeks,
        lab,
        tuple(_input_file(source) for source in sources),
        tuple(
            GivenTwice(
                source.file,
                {spelled.get(names.key(tag), tag): repeated for tag, repeated in source.repeated.items()},
            )
            for source in sources
            if source.repeated
        ),
        _files_of(sources, spelled),
    )


def _files_of(sources: Sequence[Source], spelled: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Return the names of the files each tag came from."""
    found: dict[str, list[str]] = {}
    for source in sources:
        for tag in source.tags_seen or source.tags:
            found.setdefault(spelled.get(tag, tag), []).append(source.file)
    return {tag: tuple(files) for tag, files in found.items()}


def _sources(
    manifest: Manifest, asked: set[str], start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None
) -> Iterator[Source]:
    """Yield the sources of a period with a tag asked for, and its bench sheets; each kind in order of time."""
    first = None if start_utc is None else microseconds(start_utc)
    past = None if end_utc is None else microseconds(end_utc)
    for source in sorted(manifest.sources, key=lambda s: (s.kind == "bench sheet", s.starts_us or 0, s.file)):
        if _overlaps(source, first, past) and (
            source.kind == "bench sheet" or asked.intersection(source.tags_seen or source.tags)
        ):
            yield source


def _input_file(source: Source) -> InputFile:
    return InputFile(
        Path(source.path),
        source.file,
        lambda: source.sha256,
        source.rows,
        source.refused,
        source.notes,
        source.refusals,
        source.texts,
        frozenset(source.tags_seen or source.tags),
    )


def _overlaps(source: Source, first: int | None, past: int | None) -> bool:
    if source.starts_us is None or source.ends_us is None:
        return False
    return (first is None or source.ends_us >= first) and (past is None or source.starts_us < past)


def _nothing_in(folder: Path, plant: Plant) -> Problem:
    return Problem(
        "no file is named and the archive holds no reading",
        place="FILE",
        found=f"nothing in {folder if plant.archive_url is None else shown(plant.archive_url)}",
        expected="exports, or an archive",
        hint=f"name exports, folders or globs, or run trendkit ingest --plant {plant.path.name} FILE... first",
    )
