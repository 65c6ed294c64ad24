"""What the columns of an export mean: which hold times, tags, values and quality, told from headers and cells.

Wide: one column per tag and one of times (or one of times per tag: pairs). Long: a row per reading with a column
of tag names. An event list is long with a message in place of the value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from trendkit.errors import InputError, Problem
from trendkit.exports import moments, names
from trendkit.exports.moments import TimeForm
from trendkit.exports.numbers import read_number


class Columns(Protocol):
    """The columns of an export as far as telling their meaning needs."""

    @property
    def header(self) -> tuple[str, ...]:
        """Names of the columns, "" without one."""

    def column(self, index: int) -> list[str]:
        """Return the first filled cells of a column, as texts."""

    def native_time(self, index: int) -> TimeForm | None:
        """Return the form of a column the file itself types as times, else None."""


@dataclass(frozen=True)
class WideTag:
    """A tag with a column of its own, and the column of its quality, if there is one."""

    tag: str
    column: int
    quality_column: int | None = None


@dataclass(frozen=True)
class Group:
    """Tags that share one time column (or a date and a clock column)."""

    time: TimeForm
    time_columns: tuple[int, ...]
    tags: tuple[WideTag, ...]


@dataclass(frozen=True)
class LongColumns:
    """The columns of a long export."""

    time: TimeForm
    time_columns: tuple[int, ...]
    tag_column: int
    value_column: int
    quality_column: int | None
    is_event_list: bool


@dataclass(frozen=True)
class Layout:
    """Either `groups` (wide) or `long`."""

    groups: tuple[Group, ...] = ()
    long: LongColumns | None = None
    notes: tuple[str, ...] = ()

    @property
    def times(self) -> list[TimeForm]:
        """The forms of all time columns."""
        return [self.long.time] if self.long else [group.time for group in self.groups]


def tell_layout(sheet: Columns, known: Mapping[str, str], file: str, stem: str) -> Layout:
    """Return what the columns mean; `known` holds the plant's tag names by key, `stem` the file's bare name.

    Raises
    ------
    InputError
        When no column holds times, two columns claim one tag with different content, or a header is missing.
    """
    times = time_columns(sheet)
    if not times:
        found = ", ".join(repr(name) for name in sheet.header[:6])
        raise InputError(
            Problem(
                "no column of the file holds times",
                file=file,
                found=f"columns {found}",
                expected="a column of times",
            )
        )
    taken = {column for _, columns in times for column in columns}
    long = _long_columns(sheet, times[0], taken, known)
    if long is not None:
        return Layout(long=long)
    if not any(sheet.header):
        raise InputError(
            Problem(
                "the file has no header line, so its columns have no names",
                file=file,
                found=f"{len(sheet.header)} columns",
                expected="a line with the tag names above the rows",
                hint="export with column names",
            )
        )
    return _wide_layout(sheet, times, taken, known, file, stem)


def time_columns(sheet: Columns) -> list[tuple[TimeForm, tuple[int, ...]]]:
    """Return the time columns from left to right: one each, or a date and a clock column together."""
    forms: dict[int, tuple[TimeForm, tuple[int, ...]]] = {}
    skip: set[int] = set()
    for index, name in enumerate(sheet.header):
        if index in skip:
            continue
        native = sheet.native_time(index)
        if native is not None:
            forms[index] = (native, (index,))
            continue
        cells = sheet.column(index)
        if not cells:
            continue
        beside = sheet.column(index + 1) if index + 1 < len(sheet.header) else []
        if _all_but_few(cells, moments.is_date_only) and beside and _all_but_few(beside, moments.is_clock_only):
            both = [f"{date} {clock}" for date, clock in zip(cells, beside, strict=False)]
            form = moments.text_form(both)
            if form is not None:
                forms[index] = (form, (index, index + 1))
                skip.add(index + 1)
                continue
        form = None if _is_numeric(cells) and forms else moments.text_form(cells)
        if form is None and (index == 0 or _is_time_name(name)) and _rises(cells):
            form = moments.number_form(cells)
        if form is not None:
            forms[index] = (form, (index,))
    texts = [pair for pair in forms.values() if pair[0].kind in ("text", "native")]
    named = [
        pair for pair in forms.values() if pair[0].kind in ("text", "native") or _is_time_name(sheet.header[pair[1][0]])
    ]
    return _without_second_clocks(sheet, named if texts else list(forms.values()))


def _all_but_few(cells: Sequence[str], test: object) -> bool:
    assert callable(test)
    return sum(bool(test(cell)) for cell in cells) >= 0.8 * len(cells)


def _is_time_name(name: str) -> bool:
    word = re.sub(r"_?\d+$", "", names.word(name))
    return word in names.TIME_WORDS or bool(set(word.split("_")) & names.TIME_WORDS)


def _rises(cells: Sequence[str]) -> bool:
    """True unless numbers go up and down as a meter's do."""
    numbers = [
        reading.value for cell in cells if (reading := read_number(cell, ".")) or (reading := read_number(cell, ","))
    ]
    steps = [b - a for a, b in pairwise(numbers)]
    return all(step >= 0 for step in steps) or all(step <= 0 for step in steps)


def says_utc(header: str) -> bool:
    """Return True for the header of a time column that calls its times UTC.

    Examples
    --------
    >>> says_utc("Time (UTC)"), says_utc("timestamp_utc"), says_utc("Time")
    (True, True, False)
    """
    return "utc" in re.split(r"[^a-z]+", names.key(header))


def _without_second_clocks(
    sheet: Columns, found: list[tuple[TimeForm, tuple[int, ...]]]
) -> list[tuple[TimeForm, tuple[int, ...]]]:
    """Of time columns side by side keep one: that which names its offset or is called UTC, else the first."""
    kept: list[tuple[TimeForm, tuple[int, ...]]] = []
    for form, columns in found:
        if kept and columns[0] == kept[-1][1][-1] + 1:
            is_better = form.is_absolute or says_utc(sheet.header[columns[0]])
            if is_better and not kept[-1][0].is_absolute:
                kept[-1] = (form, columns)
            continue
        kept.append((form, columns))
    return kept


# --- long -----------------------------------------------------------------------------------------------


def _long_columns(
    sheet: Columns, time: tuple[TimeForm, tuple[int, ...]], taken: set[int], known: Mapping[str, str]
) -> LongColumns | None:
    free = [i for i in range(len(sheet.header)) if i not in taken and sheet.column(i)]
    tag = _tag_column(sheet, free, known)
    if tag is None and not any(names.canonical(sheet.header[i], known) in known.values() for i in free):
        tag = _names_at_one_time(sheet, time[1], free)
    if tag is None:
        return None
    free.remove(tag)
    quality = next((i for i in free if names.word(sheet.header[i]) in names.QUALITY_WORDS), None)
    value = _value_column(sheet, [i for i in free if i != quality])
    if value is None:
        return None
    is_event_list = names.word(sheet.header[value]) in names.MESSAGE_WORDS and not _is_numeric(sheet.column(value))
    return LongColumns(time[0], time[1], tag, value, None if is_event_list else quality, is_event_list)


def _tag_column(sheet: Columns, free: Sequence[int], known: Mapping[str, str]) -> int | None:
    """Return the column of tag names: one that holds names of the plant's tags, else one named like it."""
    if any(names.canonical(sheet.header[i], known) in known.values() for i in free):
        return None  # a header is a tag: wide
    for index in free:
        cells = sheet.column(index)
        known_cells = sum(names.key(cell) in known for cell in cells)
        if known_cells and known_cells >= 0.02 * len(cells) and not _is_numeric(cells):
            return index
    for index in free:
        if names.word(sheet.header[index]) in names.TAG_WORDS and not _is_numeric(sheet.column(index)):
            return index
    return None


def _names_at_one_time(sheet: Columns, time: tuple[int, ...], free: Sequence[int]) -> int | None:
    """Return a column of words that differ within one time: several tags read at once, whatever its header says.

    A state beside meters (wide) has one word a time; rows written twice repeat theirs.
    """
    stamps = [sheet.column(i) for i in time]
    rows = len(stamps[0])
    times = list(zip(*stamps, strict=False))
    if rows < 20 or len(set(times)) > 0.5 * rows:
        return None
    for index in free:
        cells = sheet.column(index)
        is_other = names.word(sheet.header[index]) in names.QUALITY_WORDS | names.MESSAGE_WORDS
        if len(cells) != rows or is_other or _is_numeric(cells):
            continue
        if len(set(zip(times, cells, strict=True))) >= 0.95 * rows:
            return index
    return None


def _value_column(sheet: Columns, free: Sequence[int]) -> int | None:
    by_name = next((i for i in free if names.word(sheet.header[i]) in names.VALUE_WORDS), None)
    if by_name is not None:
        return by_name
    numeric = next((i for i in free if _is_numeric(sheet.column(i))), None)
    if numeric is not None:
        return numeric
    message = next((i for i in free if names.word(sheet.header[i]) in names.MESSAGE_WORDS), None)
    return message if message is not None else (free[-1] if free else None)


def _is_numeric(cells: Sequence[str]) -> bool:
    readable = sum(read_number(cell, ".") is not None or read_number(cell, ",") is not None for cell in cells)
    return bool(cells) and readable >= 0.5 * len(cells)


# --- wide -----------------------------------------------------------------------------------------------


def _wide_layout(
    sheet: Columns,
    times: Sequence[tuple[TimeForm, tuple[int, ...]]],
    taken: set[int],
    known: Mapping[str, str],
    file: str,
    stem: str,
) -> Layout:
    quality_of = _quality_columns(sheet, taken, known)
    starts = [columns[0] for _, columns in times]
    groups: list[Group] = []
    notes: list[str] = []
    all_tags: list[WideTag] = []
    for number, (form, columns) in enumerate(times):
        first = 0 if number == 0 else columns[0]
        end = starts[number + 1] if number + 1 < len(starts) else len(sheet.header)
        tags = []
        for index in range(first, end):
            if index in taken or index in quality_of.values():
                continue
            name = _wide_name(sheet, index, columns, known, stem, is_pair=len(times) > 1)
            if name:
                tags.append(WideTag(name, index, quality_of.get(index)))
            elif sheet.column(index):
                notes.append(f"column {index + 1} has no name and was left out")
        all_tags += tags
        if tags:
            groups.append(Group(form, columns, tuple(tags)))
    if not all_tags:
        raise InputError(Problem("the file has times and no other column", file=file, expected="a column per tag"))
    return Layout(_without_doubles(groups, sheet, file, notes), notes=tuple(notes))


def _wide_name(
    sheet: Columns, index: int, time: tuple[int, ...], known: Mapping[str, str], stem: str, is_pair: bool
) -> str:
    """Return the tag of a column; a column called only "Value" takes it from its time column or the file's name."""
    name = sheet.header[index]
    is_generic = re.sub(r"_?\d+$", "", names.word(name)) in names.VALUE_WORDS
    if not is_generic or names.key(name) in known:
        return names.canonical(name, known) if name else ""
    if is_pair:
        rest = re.sub(r"(?i)[ _.:-]*(date ?time|time ?stamp|time|date)[ _.:-]*", "", sheet.header[time[0]]).strip()
        return names.canonical(rest, known) if rest and not rest.isdigit() else names.trimmed(name)
    return tag_in_stem(stem, known) or names.canonical(stem, known)


def tag_in_stem(stem: str, known: Mapping[str, str]) -> str | None:
    """Return the plant tag a file is named after (also with a date or the like around it), None when none or two."""
    if names.key(stem) in known:
        return known[names.key(stem)]
    bare = names.key(stem)
    inside = [k for k in known if re.search(rf"(?<![a-z0-9]){re.escape(k)}(?![a-z])", bare)]
    inside = [k for k in inside if not any(k != other and k in other for other in inside)]
    return known[inside[0]] if len(inside) == 1 else None


def _quality_columns(sheet: Columns, taken: set[int], known: Mapping[str, str]) -> dict[int, int]:
    """Return value column -> quality column, for columns named after a tag, or plainly "Quality" behind it."""
    found: dict[int, int] = {}
    by_key = {names.key(names.split_unit(name)[0]): i for i, name in enumerate(sheet.header) if name}
    for index, name in enumerate(sheet.header):
        if index in taken or names.key(name) in known:
            continue
        match = re.fullmatch(r"(?i)(.+?)[ _.:/-]+(quality|qual|q|status|statuscode|status_code)", names.trimmed(name))
        if match and names.key(match[1]) in by_key and by_key[names.key(match[1])] not in taken:
            found[by_key[names.key(match[1])]] = index
        elif (
            re.sub(r"_?\d+$", "", names.word(name)) in {"quality", "qual", "q", "status"}
            and index - 1 not in taken
            and index > 0
        ):
            found[index - 1] = index
    return found


def _without_doubles(groups: Sequence[Group], sheet: Columns, file: str, notes: list[str]) -> tuple[Group, ...]:
    """Return the groups with each tag once: equal columns are one, different ones are refused."""
    seen: dict[str, int] = {}
    kept_groups = []
    for group in groups:
        kept = []
        for tag in group.tags:
            earlier = seen.setdefault(names.key(tag.tag), tag.column)
            if earlier == tag.column:
                kept.append(tag)
            elif sheet.column(earlier) == sheet.column(tag.column):
                notes.append(f"{tag.tag} has two equal columns; the first was read")
            else:
                raise InputError(
                    Problem(
                        f"two columns are called {tag.tag!r} and differ",
                        file=file,
                        place=f"columns {earlier + 1} and {tag.column + 1}",
                        expected="one column per tag",
                        hint="rename or remove one of them",
                    )
                )
        if kept:
            kept_groups.append(Group(group.time, group.time_columns, tuple(kept)))
    return tuple(kept_groups)
