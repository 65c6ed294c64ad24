"""Exports and bench sheets into the archive: once however often repeated, wholly or not at all.

Comes in: opened exports, bench sheets read. Goes out: new files of the archive, and one move by which they count.
Until that move, and after any failure before it, the archive is what it was.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from trendkit.archive import bench
from trendkit.archive.asking import homes_for, reading_of, tags_known, unknown_tags
from trendkit.archive.elsewhere import refuse_writing
from trendkit.archive.files import remove_all_but, remove_folder
from trendkit.archive.kept import GRIDS
from trendkit.archive.lock import one_writer
from trendkit.archive.manifest import (
    MANIFEST,
    Manifest,
    Part,
    Source,
    list_is_missing,
    load_manifest,
    save_manifest,
)
from trendkit.archive.merging import LISTED_CONFLICTS, Tally, merge_week
from trendkit.archive.report import IngestedFile, IngestReport
from trendkit.archive.staging import Staging
from trendkit.archive.weeks import OBSERVATIONS, folder_of, microseconds, place_of
from trendkit.errors import InputError, Problem
from trendkit.exports import Export, LabSheet, ReadAhead, ReadLog, names, read_blocks
from trendkit.plant.model import Plant, Tag

STAGING = "staging"
_WRITERS = 2  # weeks written at once: encoding takes longer than reading, and holds a stretch each in memory


def ingest(
    plant: Plant,
    exports: Sequence[Export],
    sheets: Sequence[LabSheet] = (),
    progress: Callable[[str], None] = lambda _: None,
) -> IngestReport:
    """Add the readings of exports and the results of bench sheets to the plant's archive and say what came of each.

    All tags of the exports are kept, also those the plant file does not name. A reading known already changes
    nothing; one that contradicts the archive is listed, and of the two the last good one counts. Files are taken in
    order of time, whatever order they are given in.

    Raises
    ------
    InputError
        When somebody else is writing, the archive is damaged, or a file cannot be read or contradicts how the
        archive has read it. The archive is then as it was.
    """
    refuse_writing(plant)
    folder = folder_of(plant)
    _require_own(folder)
    in_order = sorted(exports, key=_by_time)
    with one_writer(folder), ReadAhead(in_order) as ahead:
        manifest = load_manifest(folder)
        _begin(folder, manifest)
        run = _Run(plant, folder, manifest, ahead, progress)
        try:
            run.take_exports(in_order)
            run.take_sheets(sorted(sheets, key=lambda sheet: (bench.ends_of(sheet)[0], sheet.input.sha256)))
            fresh = run.manifest()
            if fresh != manifest:
                save_manifest(folder, fresh)
        finally:
            remove_folder(folder / STAGING)
    return IngestReport(folder, tuple(run.files), _written(manifest, fresh))


def _require_own(folder: Path) -> None:
    """Raise an InputError for a folder that holds other files and no archive: nothing there may be removed.

    A plant file may name any folder by its whole path, and what is no part of an archive is removed from it.
    """
    if not folder.is_dir() or (folder / MANIFEST).exists() or any((folder / OBSERVATIONS).rglob("*.parquet")):
        return
    foreign = sorted(
        each.name
        for each in folder.iterdir()
        if not each.name.startswith((".", MANIFEST, "writer.")) and each.name != GRIDS
    )
    if foreign:
        raise InputError(
            Problem(
                "the folder of the archive holds other files",
                file=str(folder),
                found=", ".join(foreign[:5]),
                expected="an archive, an empty folder or one to be made",
                hint="set [plant] archive to a folder of its own",
            )
        )


def _written(before: Manifest, after: Manifest) -> int:
    """Return how many files of the archive are new or other than before."""
    have = {part.sha256 for part in before.parts} | ({before.bench.sha256} if before.bench else set())
    now = {part.sha256 for part in after.parts} | ({after.bench.sha256} if after.bench else set())
    return len(now - have)


def _by_time(export: Export) -> tuple[bool, pd.Timestamp, str]:
    start = export.start_utc
    return start is None, pd.Timestamp(0, tz="UTC") if start is None else start, export.sha256


def _begin(folder: Path, manifest: Manifest) -> None:
    """Remove what an earlier writer left behind: files that the list does not name. A new archive begins its list.

    Raises
    ------
    InputError
        When there are readings and no list: it was lost, and nothing may be removed.
    """
    if not (folder / MANIFEST).exists():
        if any((folder / OBSERVATIONS).rglob("*.parquet")):
            raise InputError(list_is_missing(folder))
        save_manifest(folder, manifest)
    named = [folder / path for path in manifest.paths()]
    for below in (OBSERVATIONS, bench.BENCH):
        remove_all_but(folder / below, named)
    remove_folder(folder / STAGING)


@dataclass
class _Run:
    """One ingest under way: what it has made so far, none of it part of the archive yet."""

    plant: Plant
    folder: Path
    before: Manifest
    ahead: ReadAhead
    progress: Callable[[str], None]
    files: list[IngestedFile] = field(default_factory=list)
    parts: dict[str, Part] = field(default_factory=dict)  # by place
    homes: dict[str, tuple[str, str]] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    results: pd.DataFrame | None = None

    def take_exports(self, exports: Sequence[Export]) -> None:
        """Read exports into staging, and staged weeks into parts once no later export can add to them."""
        self.homes, self.units = dict(self.before.homes), dict(self.before.units)
        staging = Staging(self.folder / STAGING)
        tallies: dict[int, Tally] = {}
        taken: dict[int, Source] = {}
        first_of: dict[str, int] = {}
        for number, export in enumerate(exports):
            self._refuse_other_units(export)
            # Each file is read for its checksum just before its rows, while the system still has it at hand.
            if first_of.setdefault(export.sha256, number) != number:
                continue
            earlier = self._earlier("export", export.sha256)
            if earlier is not None and _adds_nothing(earlier, export, self.plant):
                taken[number] = earlier
                continue
            self.progress(f"reading {export.file}")
            if export.start_utc is not None:
                self._merge(staging, tallies, microseconds(export.start_utc))
            tallies[number] = Tally()
            taken[number] = self._staged(export, number, staging)
        self._merge(staging, tallies, None)
        for number, tally in tallies.items():
            taken[number] = _with_counts(taken[number], tally)
        for number, export in enumerate(exports):
            first = first_of[export.sha256]
            self.files.append(IngestedFile(taken[first], was_known=first != number or number not in tallies))

    def _earlier(self, kind: str, sha256: str) -> Source | None:
        entries = [*self.before.sources, *(each.source for each in self.files)]
        return next((each for each in entries if (each.kind, each.sha256) == (kind, sha256)), None)

    def _refuse_other_units(self, export: Export) -> None:
        """Raise an InputError when an export states another unit for a tag than one before it."""
        problems = []
        for tag, unit in export.units.items():
            known, file = self.units.setdefault(names.key(tag), (unit, export.file))
            if known.replace(" ", "").casefold() != unit.replace(" ", "").casefold():
                problems.append(
                    Problem(
                        f"the unit of {tag} differs from that in the archive",
                        file=export.file,
                        found=unit,
                        expected=f"{known}, as in {file}",
                        hint="export it in that unit, or keep these exports under a plant file of their own",
                    )
                )
        if problems:
            raise InputError(problems)

    def _staged(self, export: Export, number: int, staging: Staging) -> Source:
        """Lay down the readings of an export and return its entry, nothing counted yet."""
        spelled = self._spelled(tags_known(export, self.plant))
        ends: list[int] = []
        seen: set[str] = set()
        log = self._lay_down(export, number, staging, spelled, ends, seen)
        others = self._spelled(unknown_tags(log.other_tags))
        if others:  # a long file shows a tag that its first rows do not: it is read once more for these
            again = self._lay_down(export, number, staging, others, ends, seen)
            log.duplicates |= again.duplicates
            log.texts |= again.texts
            log.notes += [note for note in again.notes if note not in log.notes]
            spelled |= others
        return Source(
            kind="export",
            file=export.file,
            path=str(export.path),
            sha256=export.sha256,
            reading=reading_of(export),
            ingested_at=_now(),
            rows=log.rows,
            refused=log.refused,
            refusals=tuple(log.refusals),
            notes=tuple(dict.fromkeys([*export.notes, *log.notes])),
            starts_us=min(ends, default=None),
            ends_us=max(ends, default=None),
            layout=export.layout,
            tags=tuple(sorted(names.key(name) for name in spelled)),
            tags_seen=tuple(sorted(names.key(name) for name in seen)),
            tags_read_as_words=_read_as_words(spelled),
            repeated=dict(log.duplicates),
            texts=log.texts,
        )

    def _spelled(self, tags: Mapping[str, Tag]) -> dict[str, Tag]:
        """Return tags as the archive spells them, each given its home."""
        for key, home in homes_for(tags, self.plant, self.before).items():
            self.homes.setdefault(key, home)
        return {self.homes[names.key(name)][1]: tag for name, tag in tags.items()}

    def _lay_down(
        self,
        export: Export,
        number: int,
        staging: Staging,
        spelled: Mapping[str, Tag],
        ends: list[int],
        seen: set[str],
    ) -> ReadLog:
        """Lay down the readings of some tags of an export; `ends` widens to its first and last time, `seen` by them."""
        home_of = {name: self.homes[names.key(name)][0] for name in spelled}
        log = ReadLog()
        for block in read_blocks(export, self.plant, spelled, log, ahead=self.ahead):
            if len(block.time_us):
                seen.update(block.values, block.texts)
                staging.add(block, number, home_of)
                ends[:] = [min([*ends, int(block.time_us[0])]), max([*ends, int(block.time_us[-1])])]
        return log

    def _merge(self, staging: Staging, tallies: Mapping[int, Tally], moment_us: int | None) -> None:
        """Make parts of the staged weeks that end before a moment (None: of all), two at a time."""
        known = {part.place: part for part in self.before.parts}
        ended = staging.ended_before(moment_us)
        if ended:
            self.progress(f"writing {', '.join(sorted({f'{home} from {week}' for home, week in ended}))}")

        def merge(place: tuple[str, str]) -> tuple[Part, dict[int, Tally]]:
            where = place_of(*place)
            return merge_week(self.folder, place, ended[place], self.parts.get(where) or known.get(where))

        with ThreadPoolExecutor(_WRITERS, thread_name_prefix="archive") as writers:
            for place, (part, own) in zip(ended, writers.map(merge, ended), strict=True):
                self._count_in(place_of(*place), part, known)
                for source, tally in own.items():
                    tallies[source].include(tally)

    def _count_in(self, where: str, part: Part, known: Mapping[str, Part]) -> None:
        """Take a part just written for that of its place; one made earlier in this run goes."""
        made_before = self.parts.get(where)
        if made_before is not None and made_before.path not in (part.path, known.get(where, part).path):
            with suppress(OSError):  # named by no list; the next ingest tries again
                (self.folder / made_before.path).unlink()
        if part.readings:
            self.parts[where] = part

    def take_sheets(self, sheets: Sequence[LabSheet]) -> None:
        """Add the results of bench sheets to those there are."""
        kept = bench.read_results(self.folder, self.before.bench) if sheets else None
        reading = bench.reading_of(self.plant)
        for sheet in sheets:
            earlier = self._earlier("bench sheet", sheet.input.sha256)
            if earlier is not None and earlier.reading == reading:
                self.files.append(IngestedFile(earlier, was_known=True))
                continue
            kept, outcome = bench.merge_results(kept, sheet)
            self.results = kept
            first_us, last_us = bench.ends_of(sheet)
            source = Source(
                kind="bench sheet",
                file=sheet.input.file,
                path=str(sheet.input.path),
                sha256=sheet.input.sha256,
                reading=reading,
                ingested_at=_now(),
                rows=sheet.input.rows,
                refused=sheet.input.refused,
                refusals=sheet.input.refusals,
                new=outcome.new,
                known=outcome.known,
                conflicting=len(outcome.conflicts),
                conflicts=outcome.conflicts[:LISTED_CONFLICTS],
                notes=sheet.input.notes,
                starts_us=first_us,
                ends_us=last_us,
            )
            self.files.append(IngestedFile(source, was_known=False))

    def manifest(self) -> Manifest:
        """Return what the archive holds once this ingest counts."""
        fresh = [each.source for each in self.files if not each.was_known]
        if not fresh:
            return self.before
        again = {(each.kind, each.sha256) for each in fresh}
        sources = [each for each in self.before.sources if (each.kind, each.sha256) not in again]
        kept = bench.write_results(self.folder, self.results) if self.results is not None else self.before.bench
        whole = replace(self.before, sources=(*sources, *fresh), bench=kept, homes=self.homes, units=self.units)
        return whole.with_parts(self.parts)


def _with_counts(source: Source, tally: Tally) -> Source:
    return replace(
        source, new=tally.new, known=tally.known, conflicting=tally.conflicting, conflicts=tuple(tally.conflicts)
    )


def _adds_nothing(earlier: Source, export: Export, plant: Plant) -> bool:
    """Return True when a file ingested before holds nothing that was not read then.

    Raises
    ------
    InputError
        When its times or numbers would now be understood otherwise.
    """
    if earlier.reading != reading_of(export):
        raise InputError(
            Problem(
                "the file was ingested before, read in another way",
                file=export.file,
                found=reading_of(export),
                expected=earlier.reading,
                hint="set [plant] timezone or [[source]] in the plant file back; if the new one is right, move the "
                "archive folder away and ingest all files again",
            )
        )
    tags = tags_known(export, plant)
    worded = set(_read_as_words({name: tag for name, tag in tags.items()}))
    return {names.key(name) for name in tags} <= set(earlier.tags) and worded <= set(earlier.tags_read_as_words)


def _read_as_words(tags: Mapping[str, Tag]) -> tuple[str, ...]:
    return tuple(sorted(names.key(name) for name, tag in tags.items() if tag.kind == "state"))


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
