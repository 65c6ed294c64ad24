"""Exports opened together: what one file leaves open (day or month first, a clock's habit) the others may decide.

Comes in: paths and the plant. Goes out: `Export`s, each with the notes that say how it will be read. Every
problem of all files is raised at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatch
from itertools import pairwise
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.exports import ask, benchsheet, clock, moments, names, quality, textfile
from trendkit.exports.clock import Zone
from trendkit.exports.export import Export, FileOrder
from trendkit.exports.layout import Layout, says_utc, tell_layout
from trendkit.exports.moments import DateOrder, TimeForm
from trendkit.exports.numbers import DecimalMark, has_open_mark, proved_marks
from trendkit.exports.sampling import Samples, moments_seen, take_samples
from trendkit.exports.sources import Source, TextSource, look_at_parquet, spoken_kind
from trendkit.exports.table import read_table
from trendkit.exports.workbook import sheet_as_text
from trendkit.plant import model
from trendkit.plant.model import Plant

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
    scheme: quality.Scheme | None = None
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


def open_export(path: Path, plant: Plant) -> Export:
    """Return one export; see `open_exports`, which also lets files decide for each other."""
    return open_exports([path], plant)[0]


def open_exports(paths: Sequence[Path], plant: Plant) -> list[Export]:
    """Return the exports at `paths`, in their order, told from their content.

    Raises
    ------
    InputError
        With every problem of every file: missing, empty, no rows, no times, a bench sheet or a workbook under a
        wrong name, an order of day and month or a quality column that nothing decides.
    """
    known = names.plant_tags(plant)
    drafts: list[Draft] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            drafts.append(_draft(Path(path), plant, known))
        except InputError as cause:
            problems += cause.problems
    problems += _settle_dates(drafts)
    for draft in drafts:
        try:
            draft.decimal = _decimal_of(draft)
            draft.scheme = _scheme_of(draft)
            draft.zone = _zone_of(draft, plant)
        except InputError as cause:
            problems += cause.problems
    if problems:
        raise InputError(problems)
    _find_fixed_clocks(drafts)
    _look_for_missing(drafts, plant, known)
    exports = [_finished(draft, known) for draft in drafts]
    _refuse_mixed_units(exports)
    return exports


# --- one file -------------------------------------------------------------------------------------------


def _draft(path: Path, plant: Plant, known: Mapping[str, str]) -> Draft:
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
    return TextSource(file, table, is_sheet), _reading_notes(file, table, is_sheet)


def _reading_notes(file: textfile.TextFile, table: object, is_sheet: bool) -> list[str]:
    from trendkit.exports.table import TextTable

    assert isinstance(table, TextTable)
    notes = []
    if is_sheet:
        notes.append("read from the first filled sheet of the workbook")
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


# --- what a set of files decides ------------------------------------------------------------------------


def _settle_dates(drafts: Sequence[Draft]) -> list[Problem]:
    """Settle day-first or month-first in every draft; return the problems of those nothing decides."""
    problems = []
    proofs: dict[int, DateOrder] = {}
    open_drafts = [draft for draft in drafts if any(form.is_open for form in draft.meaning.times)]
    for draft in open_drafts:
        told = draft.rules.dates if draft.rules else None
        proved = {told} if told else _proved(draft)
        if len(proved) > 1:
            problems.append(
                Problem(
                    "some dates can only be day first and others only month first",
                    file=draft.file,
                    expected="one order of day and month in a file",
                    hint="export the times as in 2026-03-14 07:00:00",
                )
            )
        elif proved:
            proofs[id(draft)] = next(iter(proved))
    agreed = set(proofs.values())
    for draft in open_drafts:
        order = proofs.get(id(draft)) or (next(iter(agreed)) if len(agreed) == 1 else None)
        if order is None and not problems:
            problems.append(_undecided(draft))
        elif order is not None:
            how = "as its dates prove" if id(draft) in proofs else "as the other files prove"
            draft.notes.append(f"dates are read {order.replace('_', ' ')}, {how}")
            draft.meaning = _with_order(draft.meaning, order)
    return problems


def _proved(draft: Draft) -> set[DateOrder]:
    """Return what the dates of a file prove: by a number above 12, else by days that run on at midnight."""
    columns = draft.time_columns
    proved = moments.proved_order(draft.samples.cells(columns[0]))
    if proved:
        return proved
    dates = ask.distinct_dates(draft.source, columns)
    return moments.proved_order(dates) or _running_on(draft, dates)


def _running_on(draft: Draft, dates: Sequence[str]) -> set[DateOrder]:
    """Return the only order under which a file of many rows a day runs on from day to day, empty if there is none."""
    if len(dates) < 2 or len(draft.samples.rows) < 12 * len(dates):
        return set()
    fitting: set[DateOrder] = set()
    for order in ("day_first", "month_first"):
        days = [cell.local_us(order) for date in dates if (cell := moments.take_apart(date))]  # type: ignore[arg-type]
        if all(a is not None and b is not None and abs(b - a) == moments.DAY_US for a, b in pairwise(days)):
            fitting.add(order)  # type: ignore[arg-type]
    return fitting if len(fitting) == 1 else set()


def _undecided(draft: Draft) -> Problem:
    return Problem(
        "the dates can be read day first or month first, and nothing decides which",
        file=draft.file,
        found=repr(draft.samples.cells(draft.time_columns[0])[0]),
        expected="a day above the 12th in this file or in another one given with it",
        hint='give a file of later days along with it, or add dates = "day_first" (or "month_first") to a [[source]] '
        "of the plant file",
    )


def _with_order(meaning: Layout, order: DateOrder) -> Layout:
    def settled(form: TimeForm) -> TimeForm:
        return moments.with_order(form, order) if form.is_open else form

    if meaning.long:
        return replace(meaning, long=replace(meaning.long, time=settled(meaning.long.time)))
    return replace(meaning, groups=tuple(replace(group, time=settled(group.time)) for group in meaning.groups))


def _decimal_of(draft: Draft) -> DecimalMark:
    """Return the decimal mark of a file's numbers."""
    if draft.rules and draft.rules.decimal_mark:
        return draft.rules.decimal_mark
    if not isinstance(draft.source, TextSource) or draft.source.is_workbook:
        return "."
    cells = [cell for column in _number_columns(draft.meaning) for cell in draft.samples.cells(column)]
    proved = proved_marks(cells)
    is_comma_separated = draft.source.table.delimiter == ","
    if len(proved) == 1:
        mark = next(iter(proved))
        if mark == ",":
            draft.notes.append("numbers are read with a decimal comma")
        return mark
    if is_comma_separated or not has_open_mark(cells):
        return "."
    if proved:
        commas = sum(proved_marks([cell]) == {","} for cell in cells)
        points = sum(proved_marks([cell]) == {"."} for cell in cells)
        draft.notes.append("numbers come with decimal points and commas; those of the rarer kind count as texts")
        return "," if commas > points else "."
    example = next(cell for cell in cells if has_open_mark([cell]))
    raise InputError(
        Problem(
            "a number can be read with a decimal mark or with a thousands mark, and nothing decides which",
            file=draft.file,
            found=repr(example),
            expected="some number that only one way can be read, such as 0.5 or 12,5",
            hint='add decimal_mark = "." (or ",") to a [[source]] of the plant file',
        )
    )


def _number_columns(meaning: Layout) -> list[int]:
    if meaning.long:
        return [meaning.long.value_column]
    return [tag.column for group in meaning.groups for tag in group.tags]


def _scheme_of(draft: Draft) -> quality.Scheme | None:
    """Return how the quality columns of a file are read, None when it has none."""
    meaning = draft.meaning
    if meaning.long:
        columns = [] if meaning.long.quality_column is None else [meaning.long.quality_column]
    else:
        columns = [t.quality_column for g in meaning.groups for t in g.tags if t.quality_column is not None]
    if not columns:
        return None
    if draft.rules and draft.rules.quality:
        return draft.rules.quality
    values = {cell for column in columns for cell in draft.samples.cells(column)}
    possible = quality.possible_schemes(values)
    if len(possible) != 1:
        values = set(ask.distinct_texts(draft.source, columns))
        possible = quality.possible_schemes(values)
    if len(possible) == 1:
        scheme = next(iter(possible))
        draft.notes.append(f"quality is read as {quality.SCHEMES[scheme]}")
        return scheme
    if not values:
        return None
    raise InputError(unknown_quality(draft.file, sorted(values)))


def unknown_quality(file: str, values: Sequence[str]) -> Problem:
    """Return the problem of a quality column whose values do not say what they mean."""
    return Problem(
        "the quality column does not say what its values mean",
        file=file,
        found=", ".join(repr(value) for value in values[:8]),
        expected="OPC DA bytes (192 good), OPC UA status codes (0 good), a flag of 0 and 1, or words such as Good and Bad",
        hint='add quality = "opc_da", "opc_ua", "one_is_good" or "words" to a [[source]] of the plant file',
    )


# --- clocks ---------------------------------------------------------------------------------------------


def _zone_of(draft: Draft, plant: Plant) -> Zone:
    named = draft.rules.timezone if draft.rules else None
    header = draft.source.header[draft.time_columns[0]] if draft.source.header else ""
    is_utc = says_utc(header)
    name = named or ("UTC" if is_utc else plant.timezone)
    if named is None and is_utc and not draft.meaning.times[0].is_absolute:
        draft.notes.append(f"times are read as UTC, as the column {header!r} says")
    if not clock.is_zone(name):
        raise InputError(
            Problem(
                "this time zone is not known",
                file=draft.file,
                found=repr(name),
                expected="America/Denver or -07:00",
            )
        )
    letters = clock.zone_letters(name if named else plant.timezone, 2020)
    if letters:
        draft.meaning = _with_letters(draft.meaning, letters)
    return Zone(name)


def _with_letters(meaning: Layout, letters: tuple[tuple[str, int], ...]) -> Layout:
    if meaning.long:
        return replace(meaning, long=replace(meaning.long, time=replace(meaning.long.time, zone_names=letters)))
    groups = tuple(replace(group, time=replace(group.time, zone_names=letters)) for group in meaning.groups)
    return replace(meaning, groups=groups)


_FEW_TIMES = 3  # fewer different times in the skipped hour are errors of single rows, not a habit of the clock


def _find_fixed_clocks(drafts: Sequence[Draft]) -> None:
    """Read files at a fixed offset whose clock shows an hour that daylight saving skips, and their like with them."""
    fixed: list[tuple[Draft, Zone]] = []
    for draft in drafts:
        zone = _fixed_by_evidence(draft)
        if zone is not None:
            fixed.append((draft, zone))
    for draft in drafts:
        for evident, zone in fixed:
            if draft is evident or _same_clock(draft, evident):
                why = "its times" if draft is evident else f"those of {evident.file}, with the same columns,"
                draft.notes.append(
                    f"{why} show an hour that {draft.zone.name} skips, so the clock ignores daylight saving: read at {zone.name}"
                )
                draft.zone = zone
                break


def _same_clock(draft: Draft, evident: Draft) -> bool:
    return (
        draft.rules is evident.rules
        and draft.source.header == evident.source.header
        and not draft.zone.is_fixed
        and not draft.meaning.times[0].is_absolute
    )


def _fixed_by_evidence(draft: Draft) -> Zone | None:
    form = draft.meaning.times[0]
    if form.is_absolute or draft.zone.is_fixed:
        return None
    ends = _ends(draft)
    if ends is None:
        return None
    for turn in draft.zone.turns(*ends):
        is_inside = ends[0] < turn.last_local_us and ends[1] >= turn.first_local_us
        if turn.repeats or not is_inside:
            continue
        seen = _times_in_gap(draft, turn)
        if seen >= _FEW_TIMES:
            return Zone(clock.fixed_name(turn.before_us))
    return None


def _times_in_gap(draft: Draft, turn: clock.Turn) -> int:
    from trendkit.exports.seek import rows_around

    form, columns = draft.meaning.times[0], draft.time_columns
    if _order_of(draft) == "forward" and draft.meaning.long is None:
        near = rows_around(draft.source, form, columns, turn.first_local_us, turn.last_local_us)
        if near is not None:
            return near
    return ask.times_never_shown(draft.source, form, columns, turn)


def _ends(draft: Draft) -> tuple[int, int] | None:
    """Return the first and last time of a file [us, its own clock], None when they cannot be had."""
    seen = moments_seen(draft.samples, draft.meaning)
    if draft.samples.sees_end and seen:
        return min(seen), max(seen)
    return ask.first_and_last(draft.source, draft.meaning)


def _order_of(draft: Draft) -> FileOrder:
    """Return whether a file runs forward, newest first, or neither."""
    seen = moments_seen(draft.samples, draft.meaning)
    if draft.meaning.long:
        column = draft.meaning.long.tag_column
        first = draft.samples.rows[0][column] if draft.samples.rows else ""
        form, columns = draft.meaning.times[0], draft.time_columns
        from trendkit.exports.sampling import row_moment

        own = [row_moment(row, form, columns) for row in draft.samples.rows if row[column] == first]
        seen = [moment for moment in own if moment is not None]
    steps = [b - a for a, b in pairwise(seen) if a != b]
    back = sum(step < 0 for step in steps)
    if not steps or back <= 0.2 * len(steps):
        return "forward"
    return "backward" if back >= 0.8 * len(steps) else "mixed"


# --- the finished export --------------------------------------------------------------------------------


def _finished(draft: Draft, known: Mapping[str, str]) -> Export:
    form, order = draft.meaning.times[0], _order_of(draft)
    tags = _tags_of(draft, known)
    ends = _ends(draft) if draft.samples.sees_end else None
    if order == "backward":
        draft.notes.append("the file runs newest first and was turned round")
    if order == "mixed":
        draft.notes.append("the rows are in no order of time and were sorted")
    shift = draft.rules.shift_clock_s if draft.rules else 0.0
    if shift:
        draft.notes.append(f"its clock is shifted by {shift:g} s, as the plant file says")
    zone_name = "as each time says" if form.is_absolute else draft.zone.name
    units = {tag: unit for tag, unit in _stated_units(draft, known).items() if unit}
    return Export(
        draft.path,
        draft.file,
        "long" if draft.meaning.long else "wide",
        tags,
        form.words(),
        zone_name,
        tuple(dict.fromkeys(draft.notes)),
        _stamp(ends[0], draft) if ends else None,
        _stamp(ends[1], draft) if ends else None,
        units,
        source=draft.source,
        meaning=draft.meaning,
        zone=draft.zone,
        shift_clock_s=shift,
        decimal=draft.decimal,
        quality=draft.scheme,
        order=order,
    )


def _stamp(moment_us: int, draft: Draft) -> pd.Timestamp:
    offset = (
        0 if draft.meaning.times[0].is_absolute else draft.zone.offset_us(moment_us - draft.zone.offset_us(moment_us))
    )
    shift = draft.rules.shift_clock_s if draft.rules else 0.0
    return pd.Timestamp(moment_us - offset + round(shift * 1e6), unit="us", tz="UTC")


def _tags_of(draft: Draft, known: Mapping[str, str]) -> tuple[str, ...]:
    long = draft.meaning.long
    if long is None:
        return tuple(tag.tag for group in draft.meaning.groups for tag in group.tags)
    texts = [*draft.samples.cells(long.tag_column), *draft.more_tags]
    return tuple(sorted({names.canonical(text, known) for text in texts}))


def _look_for_missing(drafts: Sequence[Draft], plant: Plant, known: Mapping[str, str]) -> None:
    """Search long files whole for their tag names as long as readings of a plant tag are seen in no file."""
    needed = {tag.tag for tag in names.every_tag(plant) if tag.kind in ("analog", "counter")}
    seen = {tag for draft in drafts for tag in _tags_of(draft, known)}
    for draft in drafts:
        if draft.meaning.long is not None and needed - seen:
            draft.more_tags = tuple(ask.distinct_texts(draft.source, [draft.meaning.long.tag_column]))
            seen |= set(_tags_of(draft, known))


def _stated_units(draft: Draft, known: Mapping[str, str]) -> dict[str, str]:
    """Return the unit a wide file states per tag, in a row of units or in brackets behind the name."""
    stated = {}
    for group in draft.meaning.groups:
        for tag in group.tags:
            behind = names.split_unit(draft.source.header[tag.column])
            is_own = names.key(draft.source.header[tag.column]) in known
            stated[tag.tag] = draft.source.units[tag.column] or ("" if is_own else behind[1])
    return stated


def _refuse_mixed_units(exports: Sequence[Export]) -> None:
    """Raise an InputError when files state different units for one tag."""
    first: dict[str, tuple[str, str]] = {}
    problems = []
    for export in exports:
        for tag, unit in export.units.items():
            earlier = first.setdefault(tag, (unit, export.file))
            if earlier[0].replace(" ", "").casefold() != unit.replace(" ", "").casefold():
                problems.append(
                    Problem(
                        f"the unit of {tag} differs from that in {earlier[1]}",
                        file=export.file,
                        found=unit,
                        expected=earlier[0],
                        hint="export both in one unit, or give them in separate calls with their own plant file",
                    )
                )
    if problems:
        raise InputError(problems)
