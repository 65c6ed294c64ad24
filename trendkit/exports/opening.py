"""Exports opened together: what one file leaves open (day or month first, a clock's habit) the others may decide.

Comes in: paths and the plant. Goes out: `Export`s, each with the notes that say how it will be read. Every
problem of all files is raised at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem, has_no_room, system_problem
from trendkit.exports import ask, names
from trendkit.exports.dates import settle_dates
from trendkit.exports.draft import Draft, draft_of, ends_of, order_of
from trendkit.exports.export import Export
from trendkit.exports.layout import LongColumns
from trendkit.exports.notation import decimal_of, scheme_of
from trendkit.exports.zones import find_fixed_clocks, zone_of
from trendkit.plant.model import Plant


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
            drafts.append(draft_of(Path(path), plant, known))
        except InputError as cause:
            problems += cause.problems
        except OSError as cause:
            told = system_problem(cause)
            if told is None or has_no_room(cause):
                raise
            problems.append(told)
    problems += settle_dates(drafts)
    for draft in drafts:
        try:
            draft.decimal = decimal_of(draft)
            draft.scheme = scheme_of(draft)
            draft.zone = zone_of(draft, plant)
        except InputError as cause:
            problems += cause.problems
    if problems:
        raise InputError(problems)
    find_fixed_clocks(drafts)
    _look_for_missing(drafts, plant, known)
    exports = [_finished(draft, known) for draft in drafts]
    _refuse_mixed_units(exports)
    return exports


def _finished(draft: Draft, known: Mapping[str, str]) -> Export:
    form, order = draft.meaning.times[0], order_of(draft)
    tags = _tags_of(draft, known)
    ends = ends_of(draft) if draft.samples.sees_end else None
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
        guards_underscores=draft.guards_underscores,
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
    needed = {tag.tag for tag in names.every_tag(plant.presses) if tag.kind in ("analog", "counter")}
    seen = {tag for draft in drafts for tag in _tags_of(draft, known)}
    for draft in drafts:
        if draft.meaning.long is not None and needed - seen:
            draft.more_tags = tuple(ask.distinct_texts(draft.source, [draft.meaning.long.tag_column]))
            seen |= set(_tags_of(draft, known))


def _stated_units(draft: Draft, known: Mapping[str, str]) -> dict[str, str]:
    """Return the unit a file states per tag: in a row of units, in brackets behind the name, or (long) beside it."""
    if draft.meaning.long is not None:
        return _units_beside(draft, draft.meaning.long, known)
    stated = {}
    for group in draft.meaning.groups:
        for tag in group.tags:
            behind = names.split_unit(draft.source.header[tag.column])
            is_own = names.key(draft.source.header[tag.column]) in known
            stated[tag.tag] = draft.source.units[tag.column] or ("" if is_own else behind[1])
    return stated


def _units_beside(draft: Draft, long: LongColumns, known: Mapping[str, str]) -> dict[str, str]:
    """Return the units in a long file's own column of them, of tags that have one unit in all rows looked at."""
    columns = [i for i, name in enumerate(draft.source.header) if names.word(name) in names.UNIT_WORDS]
    used = {*long.time_columns, long.tag_column, long.value_column}
    if len(columns) != 1 or columns[0] in used:
        return {}
    seen: dict[str, set[str]] = {}
    for row in draft.samples.rows:
        if len(row) > max(columns[0], long.tag_column) and row[columns[0]].strip():
            seen.setdefault(names.canonical(row[long.tag_column], known), set()).add(row[columns[0]].strip())
    return {tag: units.pop() for tag, units in seen.items() if len(units) == 1}


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
