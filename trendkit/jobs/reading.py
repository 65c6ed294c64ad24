"""From files, or the archive, to the figures of each press: one room after the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from trendkit.archive import Archive, read_archive
from trendkit.errors import InputError, Problem
from trendkit.exports import Export, InputFile, require_tags
from trendkit.findings import Finding
from trendkit.jobs.call import Call, Progress, unheard
from trendkit.jobs.inputs import chosen_presses, opened
from trendkit.plant import Plant, Press
from trendkit.plant.calendar import Period, period_between
from trendkit.press import FigurePieces, FigureTable, compute_figures, observe
from trendkit.series import PressGrid, build_grids, check_against_lab, grids_from_archive, mark_receipts

WARM_UP = pd.Timedelta(days=1)  # read before every period so that values do not depend on the window
NO_HISTORY = pd.Timedelta(0)


@dataclass(frozen=True)
class PressSeries:
    """One press ready to be judged: its figures over the whole span read, its lab samples, its data faults."""

    press: Press
    table: FigureTable
    good_feed_share: pd.Series  # share of each bin with good feed flow
    lab: pd.DataFrame | None
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class GridReading:
    """The grid of each press asked for, checked against its grabs, and what it was read from."""

    grids: tuple[tuple[Press, PressGrid], ...]
    lab: pd.DataFrame | None
    inputs: tuple[InputFile, ...]

    def samples_of(self, press: Press) -> pd.DataFrame | None:
        """Return the press's own results of the bench, None when there is no sheet."""
        return None if self.lab is None else self.lab[self.lab["press"] == press.slug].reset_index(drop=True)

    def span(self, plant: Plant) -> Period:
        """Return the whole span read."""
        _, grid = self.grids[0]
        index = grid.roles.index
        return Period(index[0], index[-1] + pd.Timedelta(seconds=grid.every_s), plant.timezone)


@dataclass(frozen=True)
class Reading:
    """Everything read for one command. The figures of a press are computed when asked for and kept by nobody here.

    A press's figures take several times the room of its grid: who goes through `presses` holds those of one at a time.
    """

    plant: Plant
    grids: GridReading
    inputs: tuple[InputFile, ...]
    in_full: bool = True
    progress: Progress = unheard

    @property
    def span(self) -> Period:
        """The whole span computed."""
        return self.grids.span(self.plant)

    @property
    def presses(self) -> Iterator[PressSeries]:
        """The presses asked for, one after another."""
        return (self.series_of(press) for press, _ in self.grids.grids)

    def series_of(self, press: Press) -> PressSeries:
        """Return one press of those read, ready to be judged."""
        grid = next(grid for each, grid in self.grids.grids if each.slug == press.slug)
        self.progress(f"computing the figures of {press.name}")
        return _press_series(grid, self.grids.samples_of(press), press, self.plant, self.in_full)

    def pieces_of(self, press: Press) -> FigurePieces:
        """Return the figures of one press, to be gone through a stretch at a time."""
        grid = next(grid for each, grid in self.grids.grids if each.slug == press.slug)
        record = observe(grid.roles, self.grids.samples_of(press), press, self.plant, grid.every_s)
        return FigurePieces(record, grid.roles, self.in_full)


def read_grids(
    plant: Plant,
    call: Call,
    period: Period | None = None,
    history: pd.Timedelta = NO_HISTORY,
    every_s: int = 60,
) -> GridReading:
    """Read the files of a call, or the archive, as far as the grid of each press asked for; see `read_presses`."""
    presses = chosen_presses(plant, call.press)
    start_utc = period.start_utc - history - WARM_UP if period is not None else None
    end_utc = period.end_utc if period is not None else None
    if call.files:
        given = _given_files(plant, call, presses, period)
        call.progress(f"reading {len(given.exports)} exports")
        grids, inputs = build_grids(given.exports, plant, presses, start_utc, end_utc, every_s)
        inputs, lab = [*inputs, *given.sheets], given.lab
    else:
        call.progress("reading the archive")
        kept = read_archive(plant, presses, start_utc, end_utc)
        require_tags(kept.weeks, plant, presses)
        if period is not None:
            _require_archived(kept, presses, period)
        grids, inputs = grids_from_archive(kept, plant, presses, start_utc, end_utc, every_s)
        lab = kept.lab
    stamped = []
    for press in presses:
        lab, found = mark_receipts(grids[press.slug], lab, press, plant)
        stamped.append((press, replace(grids[press.slug], findings=(*grids[press.slug].findings, *found))))
    unchecked = GridReading(tuple(stamped), lab, tuple(inputs))
    checked = [(press, check_against_lab(grid, unchecked.samples_of(press), press)) for press, grid in unchecked.grids]
    read = replace(unchecked, grids=tuple(checked))
    if period is not None:
        _require_rows(read, period)
    return read


def read_presses(
    plant: Plant,
    call: Call,
    period: Period | None = None,
    history: pd.Timedelta = NO_HISTORY,
    every_s: int = 60,
    in_full: bool = True,
) -> Reading:
    """Read the files of a call, or the archive, for the figures of each press asked for.

    Without a period all there is is read; else the period with `history` and a day to warm up in front of it. Bins
    of `every_s` seconds; limits and rolling columns unless they are not asked for.

    Raises
    ------
    InputError
        When no input is named and the archive is empty, a file cannot be read, a tag of the plant file is in none
        of them, or no row falls in the span.
    """
    read = read_grids(plant, call, period, history, every_s)
    return Reading(plant, read, read.inputs, in_full, call.progress)


@dataclass(frozen=True)
class _Given:
    """The exports and bench sheets a call names."""

    exports: list[Export]
    lab: pd.DataFrame | None
    sheets: tuple[InputFile, ...]


def _given_files(plant: Plant, call: Call, presses: tuple[Press, ...], period: Period | None) -> _Given:
    """Open the exports and bench sheets a call names."""
    exports, sheets = opened(plant, call.files)
    if period is not None:
        _require_overlap(exports, period)
    require_tags(exports, plant, presses)
    lab = pd.concat([sheet.frame for sheet in sheets], ignore_index=True) if sheets else None
    return _Given(exports, lab, tuple(sheet.input for sheet in sheets))


def _press_series(
    grid: PressGrid, samples: pd.DataFrame | None, press: Press, plant: Plant, in_full: bool
) -> PressSeries:
    table = compute_figures(grid.roles, grid.basis, samples, press, plant, grid.every_s, in_full)
    return PressSeries(
        press,
        table,
        good_feed_share=grid.good_share("feed_flow_m3_h"),
        lab=samples,
        findings=grid.findings,
        notes=grid.notes,
    )


def asked_period(plant: Plant, call: Call) -> Period | None:
    """Return the period of --from and --to, None when neither is given; one alone is an InputError."""
    if call.start is None and call.end is None:
        return None
    if call.start is None or call.end is None:
        missing = "--from" if call.start is None else "--to"
        raise InputError(
            Problem("a period needs both its ends", place=missing, found="nothing", expected="a day or a time")
        )
    return period_between(plant, call.start, call.end)


def read_period(
    plant: Plant, call: Call, history: pd.Timedelta, every_s: int = 60, in_full: bool = True
) -> tuple[Reading, Period]:
    """Read a call's period with `history` in front of it; the whole span of the files when none was asked for."""
    period = asked_period(plant, call)
    if period is None:
        reading = read_presses(plant, call, every_s=every_s, in_full=in_full)
        return reading, reading.span
    return read_presses(plant, call, period, history, every_s, in_full), period


def _require_overlap(exports: list[Export], period: Period) -> None:
    """Refuse before reading when every file says it begins after the period or ends before it."""
    ends = [(each.start_utc, each.end_utc) for each in exports]
    for start, end in ends:
        if start is None or end is None or (start < period.end_utc and end >= period.start_utc):
            return
    first, last = min(start for start, _ in ends if start), max(end for _, end in ends if end)
    raise InputError(_nothing_in(period, [each.file for each in exports], f"rows {_shown(period, first, last)}"))


def _require_rows(read: GridReading, period: Period) -> None:
    if not any(within(_has_readings(grid), period).any() for _, grid in read.grids):
        raise InputError(_nothing_in(period, [each.file for each in read.inputs], "no reading of any press in it"))


def _require_archived(kept: Archive, presses: Sequence[Press], period: Period) -> None:
    """Raise an InputError that says what the archive covers when it has no reading in the period."""
    tags = [tag.tag for press in presses for tag in press.tags.values()]
    own = kept.weeks_bearing_on(None, None, tags)
    if not own or kept.weeks_bearing_on(period.start_utc, period.end_utc, tags):
        return
    first, last = min(each.part.starts_us for each in own), max(each.part.ends_us for each in own)
    covers = _shown(period, *(pd.Timestamp(moment, unit="us", tz="UTC") for moment in (first, last)))
    problem = replace(_nothing_in(period, [], f"an archive with readings {covers}"), file=None)
    raise InputError(replace(problem, hint="ask for a period the archive covers, or ingest the exports of this one"))


def _has_readings(grid: PressGrid) -> pd.Series:
    """Return in which bins any tag of the press has a good reading."""
    read = [column for column, basis in grid.basis.items() if basis != "assumed"]
    return (grid.good_s[read] > 0).any(axis=1)


def _nothing_in(period: Period, files: list[str], found: str) -> Problem:
    return Problem(
        "no row falls in the period",
        file=", ".join(files[:3]) + (", …" if len(files) > 3 else ""),
        found=found,
        expected=f"rows {_shown(period, period.start_utc, period.end_utc)}",
        hint="give the exports that cover the period, or another period",
    )


def _shown(period: Period, first: pd.Timestamp, last: pd.Timestamp) -> str:
    ends = (period.local(moment).strftime("%Y-%m-%d %H:%M") for moment in (first, last))
    return f"from {' to '.join(ends)} ({period.timezone})"


def within(rows: Any, period: Period) -> Any:
    """Return the rows of a frame or series, indexed by UTC time in order, that fall in the period; not copied."""
    first, last = rows.index.searchsorted([period.start_utc, period.end_utc])
    return rows.iloc[first:last]


def cut(table: FigureTable, period: Period) -> FigureTable:
    """Return the table with the rows and runs of the period alone."""
    frame = within(table.frame, period)
    runs = table.capture_by_run
    return replace(table, frame=frame, capture_by_run=runs[runs["run"].isin(frame["run"].dropna().unique())])
