"""One file while it is being told: its source, what its columns mean, and rows from all over it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatch
from itertools import pairwise
from pathlib import Path

from trendkit.errors import InputError, Problem
from trendkit.exports import ask, benchsheet, textfile
from trendkit.exports.clock import Zone
from trendkit.exports.export import FileOrder
from trendkit.exports.layout import Layout, tell_layout
from trendkit.exports.numbers import DecimalMark
from trendkit.exports.sampling import Samples, moments_seen, row_moment, take_samples
from trendkit.exports.sources import Source, TextSource, look_at_parquet, spoken_kind
from trendkit.exports.table import TextTable, read_table
from trendkit.exports.workbook import sheet_as_text, sheet_note
from trendkit.plant import model
from trendkit.plant.model import Plant, QualityScheme

_TEXT_ENDINGS = {".csv", ".txt", ".tsv", ".asc", ".dat", ".gz", ".zst", ".zstd", ".log", ".prn", ""}
_SHEET_ENDINGS = {".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"}


@dataclass
class Draft:
    """A file while it is being told: what is known so far."""

    path: Path
    source: Source
    meaning: Layout
    samples: Samples
    rules: model.Source | None
    notes: list[str] = field(default_factory=list)
    decimal: DecimalMark = "."
    guards_underscores: bool = True  # cells such as 1_000 are looked out for
    scheme: QualityScheme | None = None
    zone: Zone = field(default_factory=lambda: Zone("UTC"))
    more_tags: tuple[str, ...] = ()  # of a long file that was searched whole for its tag names

    @property
    def file(self) -> str:
        """The name shown."""
        return self.path.name

    @property
    def time_columns(self) -> tuple[int, ...]:
        """The first time column, or the date and clock columns."""
        return self.meaning.long.time_columns if self.meaning.long else self.meaning.groups[0].time_columns


def draft_of(path: Path, plant: Plant, known: Mapping[str, str]) -> Draft:
    """Return what one file shows by itself; `known` holds the plant's tag names by key.

    Raises
    ------
    InputError
        When it is missing, empty, no export, or has two-digit years.
    """
    if not path.exists():
        raise InputError(Problem("there is no such file", file=str(path), hint="check the name and the folder"))
    if path.is_dir():
        raise InputError(Problem("this is a folder, not an export", file=str(path), expected="a file"))
    source, notes = _source_of(path, known)
    header = source.header
    if benchsheet.is_bench_sheet(header):
        raise InputError(
            Problem(
                "this is a bench sheet, not an export of tags",
                file=path.name,
                found=f"columns {', '.join(header[:7])}",
                expected="tags over time",
                hint='name bench sheets in the plant file, as in [lab] files = "lab*.csv"',
            )
        )
    meaning = tell_layout(source, known, path.name, _stem(path))
    if any("%y" in shape for form in meaning.times for shape in form.formats):
        raise InputError(
            Problem(
                "the years have two digits, which could be days as well",
                file=path.name,
                found=repr(meaning.times[0].examples[0]),
                expected="years of four digits",
                hint="export the times as in 2026-03-14 07:00:00",
            )
        )
    rules = next((rule for rule in plant.sources if fnmatch(path.name.lower(), rule.files.lower())), None)
    return Draft(path, source, meaning, take_samples(source), rules, [*notes, *meaning.notes])


def _stem(path: Path) -> str:
    name = path.name
    while Path(name).suffix.lower() in _TEXT_ENDINGS | _SHEET_ENDINGS | {".parquet"} and Path(name).suffix:
        name = Path(name).stem
    return name


def _source_of(path: Path, known: Mapping[str, str]) -> tuple[Source, list[str]]:
    kind = textfile.signature(path)
    ending = path.suffix.lower()
    if kind == "empty":
        raise InputError(
            Problem(
                "the file is empty",
                file=path.name,
                found="0 bytes",
                expected="a header and rows",
                hint="export it again",
            )
        )
    if kind == "parquet":
        return look_at_parquet(path), []
    is_sheet = kind in ("workbook", "old_workbook")
    if kind == "pdf" or (is_sheet and ending not in _SHEET_ENDINGS):
        raise InputError(
            Problem(
                f"this is {spoken_kind(kind)}, not the text its name says",
                file=path.name,
                expected="an export as CSV, Parquet or workbook",
                hint="name it .xlsx, or export as CSV" if is_sheet else "export as CSV",
            )
        )
    file = textfile.look_at(sheet_as_text(path) if is_sheet else path)
    if is_sheet:
        file = replace(file, path=sheet_as_text(path))
    try:
        table = read_table(file, known)
    except InputError as cause:
        raise InputError(replace(problem, file=path.name) for problem in cause.problems) from None
    notes = [sheet_note(path)] if is_sheet else []
    return TextSource(file, table, is_sheet, path.name), [*notes, *_reading_notes(file, table)]


def _reading_notes(file: textfile.TextFile, table: TextTable) -> list[str]:
    notes = []
    if file.encoding != "utf-8":
        notes.append(f"read as {file.encoding_words} text")
    if file.nul_bytes:
        notes.append(f"{file.nul_bytes} NUL bytes, as a power loss leaves them, spoil the rows they stand in")
    if table.skipped:
        spoken = "; ".join(f"line {line}: {text[:60]!r}" for line, text in table.skipped[:5])
        notes.append(f"{len(table.skipped)} lines above the rows were left out ({spoken})")
    if any(table.units):
        notes.append("a row of units stands under the header")
    return notes


def ends_of(draft: Draft) -> tuple[int, int] | None:
    """Return the first and last time of a file [us, its own clock], None when they cannot be had."""
    seen = moments_seen(draft.samples, draft.meaning)
    if draft.samples.sees_end and seen:
        return min(seen), max(seen)
    return ask.first_and_last(draft.source, draft.meaning)


def likely_span(draft: Draft) -> tuple[int, int] | None:
    """Return a span of time [us, the file's own clock] that a file hardly leaves, from how much of it was seen."""
    seen = moments_seen(draft.samples, draft.meaning)
    if not seen or draft.samples.seen_share < 0.01 or draft.meaning.long is not None:
        return ends_of(draft)
    first, last = min(seen), max(seen)
    unseen = 0.0 if draft.samples.sees_end else 1.5 * (1.0 / draft.samples.seen_share - 1.0)
    return first, last + round(unseen * (last - first))


def order_of(draft: Draft) -> FileOrder:
    """Return whether a file runs forward, newest first, or neither."""
    seen = moments_seen(draft.samples, draft.meaning)
    if draft.meaning.long:
        column = draft.meaning.long.tag_column
        first = draft.samples.rows[0][column] if draft.samples.rows else ""
        form, columns = draft.meaning.times[0], draft.time_columns
        own = [row_moment(row, form, columns) for row in draft.samples.rows if row[column] == first]
        seen = [moment for moment in own if moment is not None]
    steps = [b - a for a, b in pairwise(seen) if a != b]
    back = sum(step < 0 for step in steps)
    if not steps or back <= 0.2 * len(steps):
        return "forward"
    return "backward" if back >= 0.8 * len(steps) else "mixed"
