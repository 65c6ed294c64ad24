"""Exports in, one regular grid per press out: every file is read once, whatever number of presses asks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

import pandas as pd

from trendkit import exports as exports_room
from trendkit.errors import InputError, Problem
from trendkit.exports.block import InputFile, ReadLog
from trendkit.plant.model import Plant, Press, Tag
from trendkit.series.accumulate import Accumulator
from trendkit.series.columns import Column, columns_of, from_us, to_us
from trendkit.series.filling import Reading, fill_columns, share_meters
from trendkit.series.grid import PressGrid
from trendkit.series.recorded_faults import Repeats
from trendkit.series.segments import Bins
from trendkit.series.sharing import ROLES_FOR_SHARING
from trendkit.series.source_skew import spoken_source

if TYPE_CHECKING:
    from trendkit.exports import Export, StoredExport
    from trendkit.series.weighed_weeks import WeighedWeeks

# How far before the window a file is read to find what was held when it began.
LOOK_BACK = pd.Timedelta(days=35)


def build_grids(
    exports: Sequence[Export | StoredExport],
    plant: Plant,
    presses: Sequence[Press],
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
    every_s: int = 60,
    repeats: Sequence[Repeats] = (),
    files_of: Mapping[str, Sequence[str]] | None = None,
    weighed: WeighedWeeks | None = None,
) -> tuple[dict[str, PressGrid], list[InputFile]]:
    """Return the grid of each press by its slug, and the files read, as they are listed on the pages.

    Bins of `every_s` seconds from `start_utc` up to `end_utc` (None: from the first row, to the last),
    time-weighted as the definitions of IEC 62541-13 have it: straight lines between the values of sampled
    analog tags, each value held for states, setpoints and tags recorded at changes only. `repeats` are readings given
    twice that the exports themselves no longer show, `files_of` the files each tag came from where the exports do not
    tell. With `weighed`, whose weeks are the exports, weeks that were weighed before are not read again (and not listed
    among the files read).

    Raises
    ------
    InputError
        When no row falls in the period, or none of a press's tags is in the files.
    """
    also = _presses_sharing(plant, presses)
    columns = {press.slug: columns_of(press) for press in presses}
    columns |= {press.slug: [c for c in columns_of(press) if c.name in ROLES_FOR_SHARING] for press in also}
    _refuse_unknown_tags(exports, presses, columns)
    reading = _read(exports, plant, list(chain.from_iterable(columns.values())), start_utc, end_utc, every_s, weighed)
    reading = replace(reading, repeats=(*reading.repeats, *repeats), origins=_origins(exports, files_of))
    everyone = [*presses, *also]
    uses = Counter(version.key for each in columns.values() for column in each for version in column.versions)
    shared = {key for key, times in uses.items() if times > 1}
    filled = {press.slug: fill_columns(press, columns[press.slug], reading, shared) for press in everyone}
    frames = {slug: each.frame for slug, each in filled.items()}
    served = [press for press in plant.presses if press.slug in frames]
    grids = {}
    for press in presses:
        share_meters(filled[press.slug], press, served, frames)
        grids[press.slug] = filled[press.slug].grid(every_s)
    return grids, list(reading.inputs)


def _origins(exports: Sequence[Export | StoredExport], files_of: Mapping[str, Sequence[str]] | None) -> dict[str, str]:
    """Return for each tag the pattern of the files it came from."""
    found: dict[str, list[str]] = {tag: list(files) for tag, files in (files_of or {}).items()}
    if files_of is None:
        for export in exports:
            for tag in export.tags:
                found.setdefault(tag, []).append(export.file)
    return {tag: spoken_source(files) for tag, files in found.items() if files}


def _presses_sharing(plant: Plant, presses: Sequence[Press]) -> list[Press]:
    """Return the presses not asked for whose meters are needed to share a common one."""
    asked = {press.slug for press in presses}
    among = {slug for press in presses for tag in press.tags.values() for slug in tag.split_among}
    return [press for press in plant.presses if press.slug in among - asked]


def _refuse_unknown_tags(
    exports: Sequence[Export | StoredExport], presses: Sequence[Press], columns: Mapping[str, Sequence[Column]]
) -> None:
    """Raise an InputError for every press none of whose tags is in the files."""
    known = {tag for export in exports for tag in export.tags}
    problems = []
    for press in presses:
        asked = [version.tag.tag for column in columns[press.slug] for version in column.versions]
        if not known.intersection(asked):
            files = ", ".join(export.file for export in exports[:3]) + (" and others" if len(exports) > 3 else "")
            problems.append(
                Problem(
                    f"none of the tags of {press.name} is in these files",
                    file=files or None,
                    found=", ".join(sorted(known)[:5]) or "no tag",
                    expected=", ".join(asked[:5]) or "the press's tags",
                    hint="write the export's tag names in the plant file, or name the right files",
                )
            )
    if problems:
        raise InputError(problems)


def _read(
    exports: Sequence[Export | StoredExport],
    plant: Plant,
    columns: Sequence[Column],
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
    every_s: int,
    weighed: WeighedWeeks | None = None,
) -> Reading:
    """Read every file once, in order of time, and return what all of them gave."""
    tags = {version.key: version.tag for column in columns for version in column.versions}
    wanted = {tag.tag: tag for tag in tags.values()}
    accumulator = _empty(tags, plant, start_utc, end_utc, every_s)
    read_from = None if start_utc is None else start_utc - LOOK_BACK
    read_to = None if end_utc is None else end_utc + pd.Timedelta(seconds=plant.max_hold_s)
    inputs: list[InputFile] = []
    repeats: list[Repeats] = []
    in_order = sorted(exports, key=_first_moment) if weighed is None else weighed.weeks
    taken_up = weighed.take_up(accumulator) if weighed is not None else 0
    with exports_room.ReadAhead(in_order) as ahead:
        for place, export in enumerate(in_order[taken_up:], taken_up):
            if weighed is not None and taken_up < place == weighed.past:
                weighed.leave(accumulator)
            log = ReadLog()
            for block in exports_room.read_blocks(export, plant, wanted, log, read_from, read_to, ahead):
                accumulator.add(block)
            if log.duplicates:
                repeats.append(Repeats(export.file, dict(log.duplicates)))
            inputs.append(exports_room.input_file(export, log))
    if not accumulator.rows_inside:
        raise InputError(_no_rows(accumulator, start_utc, end_utc))
    return replace(_trimmed(accumulator, tuple(inputs), start_utc, end_utc), repeats=tuple(repeats))


def _empty(
    tags: Mapping[Hashable, Tag],
    plant: Plant,
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
    every_s: int,
) -> Accumulator:
    """Return an accumulator for the bins of a period; without both its ends one that begins at its first row."""
    every_us = every_s * 1_000_000
    if start_utc is None or end_utc is None:
        return Accumulator(tags.items(), Bins(0, every_us, 0), plant.max_hold_s, widens=True)
    start_us = to_us(start_utc)
    bins = Bins(start_us, every_us, max(-((start_us - to_us(end_utc)) // every_us), 0))
    return Accumulator(tags.items(), bins, plant.max_hold_s)


def _first_moment(export: Export | StoredExport) -> tuple[bool, pd.Timestamp]:
    """Return what puts files in order of time; those of unknown start last."""
    start = export.start_utc
    return start is None, pd.Timestamp(0, tz="UTC") if start is None else start


def _no_rows(accumulator: Accumulator, start_utc: pd.Timestamp | None, end_utc: pd.Timestamp | None) -> Problem:
    found = "no row of the plant's tags"
    if accumulator.first_us is not None and accumulator.last_us is not None:
        found = f"rows from {_shown(from_us(accumulator.first_us))} to {_shown(from_us(accumulator.last_us))}"
    if start_utc is None and end_utc is None:
        return Problem(
            "the files hold no row of the plant's tags", found=found, expected="rows with a time and a value"
        )
    return Problem(
        "no row of the files falls in the period",
        place=f"{_shown(start_utc)} to {_shown(end_utc)}",
        found=found,
        expected="rows inside the period",
        hint="ask for a period the files cover, or name the files of this period",
    )


def _shown(moment: pd.Timestamp | None) -> str:
    return "the end" if moment is None else moment.strftime("%Y-%m-%d %H:%M UTC")


def _trimmed(
    accumulator: Accumulator,
    inputs: tuple[InputFile, ...],
    start_utc: pd.Timestamp | None,
    end_utc: pd.Timestamp | None,
) -> Reading:
    """Return the reading on the bins asked for: the period's, or from the first to the last row."""
    tracks = accumulator.finish()
    bins = accumulator.bins
    if accumulator.widens:
        assert accumulator.first_us is not None and accumulator.last_us is not None
        first = accumulator.first_us if start_utc is None else to_us(start_utc)
        last = accumulator.last_us + 1 if end_utc is None else to_us(end_utc)
        first = bins.start_us + (first - bins.start_us) // bins.every_us * bins.every_us
        bins = Bins(first, bins.every_us, max(-((first - last) // bins.every_us), 0))
        for track in (*tracks.values(), *(c.outside for c in accumulator.channels.values() if c.outside)):
            track.rebin(bins)
    return Reading(bins, accumulator.channels, tracks, inputs)
