"""The rows of a bench sheet before their meaning is checked: long (one result a row) or wide (one sample a row)."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import benchsheet, moments, names, textfile
from trendkit.exports.clock import ClockTally, Zone, to_utc, zone_letters
from trendkit.exports.moments import TimeForm, read_cell
from trendkit.exports.numbers import DecimalMark, proved_marks, read_number, tidy_number
from trendkit.exports.size_limits import MOST_SHEET_BYTES, too_large_a_sheet
from trendkit.exports.table import DELIMITERS, split_line
from trendkit.exports.workbook import sheet_as_text, sheet_note
from trendkit.plant.display import counted
from trendkit.plant.model import Plant

Cells = tuple[str, ...]

_PERCENT = re.compile(r"\s*(%|pct\b|percent\b)", re.I)
_NOTES = frozenset(["note", "notes", "comment", "comments", "remark", "remarks", "bemerkung", "bemerkungen"])


@dataclass(frozen=True)
class LabRow:
    """One result as the sheet has it; `number` is None where the cell holds no plain number."""

    line: int
    sampled_at: pd.Timestamp
    press: str
    point: str
    analysis: str
    number: float | None
    text_value: str  # the cell, where it is no plain number
    doubt: str  # why it cannot be used, "" when it can
    unit: str
    note: str


@dataclass
class SheetRows:
    """The rows of a sheet, those refused, and how it was read."""

    rows: list[LabRow] = field(default_factory=list)
    refused: list[tuple[int, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    has_units: bool = True


def read_rows(path: Path, plant: Plant) -> SheetRows:
    """Return the results of a bench sheet in the order of the file.

    Raises
    ------
    InputError
        When the file cannot be read as the bench sheet the plant file describes.
    """
    split, sheet = sheet_lines(path)
    if plant.lab.layout == "wide" and not any(benchsheet.is_bench_sheet(cells) for _, cells in split[:20]):
        found = _wide_results(split, plant, path)
    else:
        found = _long_results(split, path)
    table = list(found)
    times = [cells_time for _, cells_time, *_ in table]
    form = time_form(times, path, plant)
    bare = sum(moments.is_date_only(time) for time in times)
    if bare:
        sheet.notes.append(f"{bare} results have a date without a clock time and count from midnight")
    mark = decimal_mark([value for *_, value, _, _ in table])
    zone, clock = Zone(plant.lab.timezone or plant.timezone), ClockTally()
    for line, time, press, point, analysis, value, unit, note in table:
        moment = read_cell(time, form)
        if isinstance(moment, str):
            sheet.refused.append((line, f"{moment} ({time!r})" if time else "it has no time"))
            continue
        sampled_at = in_utc(moment, form, zone, clock)
        if sampled_at is None:
            sheet.refused.append((line, f"the hour of {time!r} was skipped by the clock"))
            continue
        number, text, doubt = read_result(value, mark, unit)
        unit = unit or ("%" if number is not None and "%" in value else "")
        sheet.rows.append(LabRow(line, sampled_at, press, point, analysis, number, text, doubt, unit, note))
    sheet.notes += told_of_clock(clock)
    return sheet


def told_of_clock(clock: ClockTally) -> list[str]:
    """Say which rows of a sheet lie in an hour that the clock showed twice: no order of rows tells them apart."""
    if not clock.unresolved:
        return []
    days = ", ".join(sorted(clock.unresolved_days))
    return [f"{counted(clock.unresolved, 'row')} of the hour shown twice on {days} counted as of its first showing"]


def sheet_lines(path: Path) -> tuple[list[tuple[int, Cells]], SheetRows]:
    """Return the filled rows of a sheet, each with its line, and an empty account of the sheet."""
    if not path.exists():
        raise InputError(Problem("there is no such file", file=str(path), hint="check the name and the folder"))
    kind = textfile.signature(path)
    if kind == "empty":
        raise InputError(Problem("the bench sheet is empty", file=path.name, expected="a header and rows"))
    if kind in ("parquet", "pdf"):
        raise InputError(Problem("this is no bench sheet", file=path.name, found=kind, expected="CSV or a workbook"))
    sheet = SheetRows()
    is_workbook = kind in ("workbook", "old_workbook")
    file = textfile.look_at(sheet_as_text(path) if is_workbook else path)
    if is_workbook:
        sheet.notes.append(sheet_note(path))
    elif file.encoding != "utf-8":
        sheet.notes.append(f"read as {file.encoding_words} text")
    with textfile.open_bytes(file.path, file.packing) as (opened, _):
        content = opened.read(MOST_SHEET_BYTES + 1)
    if len(content) > MOST_SHEET_BYTES:
        raise InputError(too_large_a_sheet(path.name))
    text = textfile.without_nul(content.decode(file.encoding, errors="replace")).removeprefix("\ufeff")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    head = [line for line in text.split("\n")[:50] if line.strip()]
    delimiter = max(DELIMITERS, key=lambda mark: sum(len(split_line(line, mark)) for line in head))
    return list(_numbered(text, delimiter, path.name)), sheet


def _numbered(text: str, delimiter: str, file: str) -> Iterator[tuple[int, Cells]]:
    """Yield the rows that hold something, each with the line it begins on; a quoted note may run over lines."""
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield line, tuple(cells)
            line = reader.line_num + 1
    except csv.Error as cause:
        raise InputError(
            Problem(
                "the rows of the sheet cannot be told apart",
                file=file,
                place=f"from line {line} on",
                found=str(cause),
                expected="cells of a few words",
                hint="look for a quotation mark that is never closed, or save the sheet again",
            )
        ) from cause


Result = tuple[int, str, str, str, str, str, str, str]  # line, time, press, point, analysis, value, unit, note


def _long_results(split: Sequence[tuple[int, Cells]], path: Path) -> Iterator[Result]:
    header_at = next((i for i, (_, cells) in enumerate(split) if benchsheet.is_bench_sheet(cells)), None)
    if header_at is None:
        raise InputError(_no_header(split, path, benchsheet.COLUMNS))
    header = split[header_at][1]
    places = benchsheet.column_places(header)
    if "sampled_at" not in places:
        raise InputError(_no_header(split, path, benchsheet.COLUMNS))

    rows = split[header_at + 1 :]
    clock_at = _clock_column(header, places["sampled_at"], rows)

    def cell(cells: Cells, column: str) -> str:
        place = places.get(column)
        return cells[place].strip() if place is not None and place < len(cells) else ""

    def results() -> Iterator[Result]:
        for number, cells in rows:
            press, point, analysis = cell(cells, "press"), cell(cells, "point"), cell(cells, "analysis")
            value, unit, note = cell(cells, "value"), cell(cells, "unit"), cell(cells, "note")
            yield number, _time_of(cells, places["sampled_at"], clock_at), press, point, analysis, value, unit, note

    return results()


def _wide_results(split: Sequence[tuple[int, Cells]], plant: Plant, path: Path) -> Iterator[Result]:
    """Return the results of a wide sheet: for each sample row one for each column of ``[[lab.column]]``."""
    header_at, at = _wide_header(split, plant, path)
    header, rows = split[header_at][1], split[header_at + 1 :]
    time_at, press_header = at[names.key(plant.lab.time_header or "")], plant.lab.press_header
    note_at = next((at[key] for key in at if names.word(key) in _NOTES), None)
    clock_at = _clock_column(header, time_at, rows)
    wanted = {at[names.key(column.header)]: column for column in plant.lab.columns}

    def results() -> Iterator[Result]:
        for number, cells in rows:
            padded = [*cells, *[""] * (len(header) - len(cells))]
            note = padded[note_at].strip() if note_at is not None else ""
            press = padded[at[names.key(press_header)]].strip() if press_header else plant.lab.press or ""
            for place, column in wanted.items():
                value = padded[place].strip()
                if value:
                    time = _time_of(cells, time_at, clock_at)
                    yield number, time, press, column.point, column.analysis, value, column.unit, note

    return results()


def _wide_header(split: Sequence[tuple[int, Cells]], plant: Plant, path: Path) -> tuple[int, dict[str, int]]:
    """Return the place of a wide sheet's header among its rows, and the columns of its names by key.

    Raises
    ------
    InputError
        When no row holds the header of the sampling time, or a column the plant file names is not there, or twice.
    """
    lab = plant.lab
    time_key = names.key(lab.time_header or "")
    header_at = next((i for i, (_, cells) in enumerate(split) if time_key in map(names.key, cells)), None)
    if header_at is None:
        raise InputError(_no_header(split, path, [lab.time_header or "", *(each.header for each in lab.columns)]))
    line, header = split[header_at]
    keys = [names.key(name) for name in header]
    at = {key: place for place, key in enumerate(keys)}
    asked = dict.fromkeys([lab.press_header or "", *(column.header for column in lab.columns)])
    twice = [name for name in (lab.time_header or "", *asked) if name and keys.count(names.key(name)) > 1]
    if twice:
        message, hint = f"two columns of the bench sheet are called {twice[0]!r}", "rename or remove one of them"
        raise InputError(Problem(message, path.name, f"line {line}", expected="one column per name", hint=hint))
    missing = [name for name in asked if name and names.key(name) not in at]
    if missing:
        lacks = f"{'columns' if len(missing) > 1 else 'the column'} {', '.join(map(repr, missing))}"
        found = ", ".join(names.trimmed(name) for name in header if name.strip())
        hint = "correct the headers under [lab] in the plant file"
        raise InputError(Problem(f"the bench sheet lacks {lacks}", path.name, f"line {line}", found, hint=hint))
    return header_at, at


def _clock_column(header: Cells, time_at: int, rows: Sequence[tuple[int, Cells]]) -> int | None:
    """Return the column of clock times beside a column of mere dates, None when there is none."""
    dates = [cells[time_at] for _, cells in rows if time_at < len(cells) and cells[time_at].strip()]
    if not dates or not all(moments.is_date_only(date) for date in dates):
        return None
    for place in range(len(header)):
        clocks = [cells[place] for _, cells in rows if place < len(cells) and cells[place].strip()]
        if place != time_at and clocks and all(moments.is_clock_only(clock) for clock in clocks):
            return place
    return None


def _time_of(cells: Cells, time_at: int, clock_at: int | None) -> str:
    parts = [cells[place].strip() for place in (time_at, clock_at) if place is not None and place < len(cells)]
    return " ".join(part for part in parts if part)


def _no_header(split: Sequence[tuple[int, Cells]], path: Path, expected: Sequence[str]) -> Problem:
    found = ", ".join(names.trimmed(cell) for cell in split[0][1][:8]) if split else "nothing"
    return Problem(
        "this is no bench sheet: the header is not there",
        file=path.name,
        place=f"line {split[0][0]}" if split else None,
        found=found,
        expected=", ".join(expected),
        hint="correct the sheet's header or [lab] files in the plant file; a sheet with a column per result "
        'is described there with layout = "wide"',
    )


def time_form(times: Sequence[str], path: Path, plant: Plant) -> TimeForm:
    """Return how the times of a sheet are written; the whole sheet decides on day or month first."""
    filled = [time for time in times if time]
    form = moments.text_form(filled)
    if form is None:
        raise InputError(
            Problem(
                "the sampling times cannot be read" if filled else "the bench sheet has a header and no result",
                file=path.name,
                found=repr(filled[0]) if filled else "no row",
                expected="times such as 2026-03-14 07:30",
            )
        )
    if any("%y" in shape for shape in form.formats):
        raise InputError(
            Problem("the years have two digits, which could be days as well", file=path.name, found=repr(filled[0]),
                    expected="years of four digits")
        )  # fmt: skip
    letters = zone_letters(plant.lab.timezone or plant.timezone, 2020)
    form = TimeForm(form.kind, form.formats, form.order, form.is_absolute, zone_names=letters, examples=form.examples)
    if not form.is_open:
        return form
    rules = next((rule for rule in plant.sources if fnmatch(path.name.lower(), rule.files.lower())), None)
    proved = {rules.dates} if rules and rules.dates else moments.proved_order(filled)
    if len(proved) != 1:
        raise InputError(
            Problem(
                "the dates can be read day first or month first, and nothing decides which"
                if not proved
                else "some dates can only be day first and others only month first",
                file=path.name,
                found=repr(filled[0]),
                hint='write the dates as in 2026-03-14, or add dates = "day_first" to a [[source]] for this file',
            )
        )
    return moments.with_order(form, next(iter(proved)))


def in_utc(moment_us: int, form: TimeForm, zone: Zone, clock: ClockTally) -> pd.Timestamp | None:
    """Return a moment as read from a sheet in UTC, None for an hour the clock skipped; one shown twice is counted."""
    import numpy as np

    if not form.is_absolute:
        rows = to_utc(np.array([moment_us], np.int64), zone, clock)
        if rows.exists is not None and not rows.exists[0]:
            return None
        moment_us = int(rows.utc_us[0])
    return pd.Timestamp(moment_us, unit="us", tz="UTC")


def decimal_mark(values: Sequence[str]) -> DecimalMark:
    """Return the decimal mark the numbers of a sheet are written with."""
    proved = proved_marks([value.lstrip("<>≤≥ ") for value in values])
    return "," if proved == {","} else "."


def read_result(cell: str, mark: DecimalMark, unit: str = "") -> tuple[float | None, str, str]:
    """Return a result's number, the cell's text where it is no plain number, and why it cannot be used.

    `unit` is what the sheet says of the result beside its cell. A result beyond a limit of the method ("<2", ">100")
    carries no number; its text is kept.

    Examples
    --------
    >>> read_result("2.4", ".")
    (2.4, '', '')
    >>> read_result("<2", ".")
    (None, '<2', 'below the limit of the method')
    >>> read_result("2.4 %", ".", "mg/L")
    (None, '2.4 %', 'the result is in %, its unit says mg/L')
    """
    clean = tidy_number(cell)
    if not clean:
        return None, "", "no result is written"
    if clean[0] in "<≤" or clean[0] in ">≥":
        side = "below" if clean[0] in "<≤" else "above"
        return None, clean, f"{side} the limit of the method"
    reading = read_number(clean, mark)
    if reading is None or reading.unit not in ("", "%"):
        return None, clean, "the result is no number"
    if reading.unit and unit and not _PERCENT.match(unit):
        return None, clean, f"the result is in %, its unit says {unit}"
    return reading.value, "", ""


def press_slug(text: str, plant: Plant) -> str | None:
    """Return the press a sheet means: by its name or slug, or the only one when the sheet names none."""
    if not text.strip():
        return plant.presses[0].slug if len(plant.presses) == 1 else None
    bare = "".join(c for c in text.casefold() if c.isalnum())
    for press in plant.presses:
        if bare in ("".join(c for c in name.casefold() if c.isalnum()) for name in (press.name, press.slug)):
            return press.slug
    return None
