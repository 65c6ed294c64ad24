"""One function per command: the path of a sample from export to page, room by room.

Comes in: what the command line was told (`Call`). Goes out: files on disk and a `Done` that says in a few lines
what came of it. Nothing is computed here; each step is one call into the room that knows how.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd

from trendkit import reports
from trendkit.archive import ingest as keep_in_archive
from trendkit.archive import read_archive
from trendkit.errors import InputError, Problem
from trendkit.exports import (
    Export,
    InputFile,
    LabSheet,
    check_exports,
    find_inputs,
    open_exports,
    read_lab,
    require_tags,
)
from trendkit.findings import Finding
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.calendar import Period, day_period, month_period, parse_day, period_between
from trendkit.plant.quantities import parse_quantity
from trendkit.press import FigureTable, compute_figures, review_period
from trendkit.reports import PageContext
from trendkit.series import PressGrid, build_grids, check_against_lab, grids_from_archive
from trendkit.tuning import tune as find_tuning
from trendkit.upsets import JudgedMode, Upset, account_for_day, find_upsets, judge

Progress = Callable[[str], None]

_WARM_UP = pd.Timedelta(days=1)  # read before every period so that values do not depend on the window
_NO_HISTORY = pd.Timedelta(0)
_HISTORY = pd.Timedelta(days=28)  # what "usual" rests on in the upset ledger and on the bad-day page

_SAMPLE_MONTH, _SAMPLE_MONTH_BEFORE = "2026-03", "2026-02"  # what the demo looks at in sample_exports/
_SAMPLE_BAD_DAY = date(2026, 3, 18)


@dataclass(frozen=True)
class Call:
    """What one command was told: plant file, inputs, press and period, as typed."""

    plant: Path
    files: tuple[str, ...]
    press: str | None = None
    start: str | None = None
    end: str | None = None
    progress: Progress = field(default=lambda _: None)


@dataclass(frozen=True)
class Done:
    """What a command has to say: lines for a person, and the same as one JSON object."""

    summary: tuple[str, ...]
    as_json: dict[str, Any]

    def json_line(self) -> str:
        """Return the object as one line of JSON: null for what is not known, times in UTC ending in Z."""
        return reports.json_text(self.as_json, indent=None)


@dataclass(frozen=True)
class PressSeries:
    """One press ready to be judged: its figures over the whole span read, its lab samples, its data faults."""

    press: Press
    table: FigureTable
    good_feed_share: pd.Series  # share of each bin with good feed flow
    has_readings: pd.Series  # bool: any tag of the press has a good reading in the bin
    lab: pd.DataFrame | None
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


# --- from files to figures: one room after the other ------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """Everything read for one command: the series of each press and the files they came from."""

    plant: Plant
    presses: tuple[PressSeries, ...]
    inputs: tuple[InputFile, ...]
    span: Period  # the whole span computed


def read_presses(
    plant: Plant,
    call: Call,
    period: Period | None = None,
    history: pd.Timedelta = _NO_HISTORY,
    every_s: int = 60,
) -> Reading:
    """Read the files of a call, or the archive, and compute the figure table of each press asked for.

    Without a period all there is is read; else the period with `history` and a day to warm up in front of it. Bins
    of `every_s` seconds.

    Raises
    ------
    InputError
        When no input is named and the archive is empty, a file cannot be read, a tag of the plant file is in none
        of them, or no row falls in the span.
    """
    presses = _chosen_presses(plant, call.press)
    start_utc = period.start_utc - history - _WARM_UP if period is not None else None
    end_utc = period.end_utc if period is not None else None
    if call.files:
        given = _given_files(plant, call, presses, period)
        call.progress(f"reading {len(given.exports)} exports")
        grids, inputs = build_grids(given.exports, plant, presses, start_utc, end_utc, every_s)
        inputs, lab = [*inputs, *given.sheets], given.lab
    else:
        call.progress("reading the archive")
        kept = read_archive(plant, presses, start_utc, end_utc)
        grids, inputs = grids_from_archive(kept, plant, presses, start_utc, end_utc, every_s)
        lab = kept.lab
    series = []
    for press in presses:
        call.progress(f"computing the figures of {press.name}")
        series.append(_press_series(grids[press.slug], lab, press, plant))
    index = series[0].table.frame.index
    span = Period(index[0], index[-1] + pd.Timedelta(seconds=every_s), plant.timezone)
    reading = Reading(plant, tuple(series), tuple(inputs), span)
    if period is not None:
        _require_rows(reading, period)
    return reading


@dataclass(frozen=True)
class _Given:
    """The exports and bench sheets a call names."""

    exports: list[Export]
    lab: pd.DataFrame | None
    sheets: tuple[InputFile, ...]


def _given_files(plant: Plant, call: Call, presses: tuple[Press, ...], period: Period | None) -> _Given:
    """Open the exports and bench sheets a call names."""
    exports, sheets = _opened(plant, call.files)
    if period is not None:
        _require_overlap(exports, period)
    require_tags(exports, plant, presses)
    lab = pd.concat([sheet.frame for sheet in sheets], ignore_index=True) if sheets else None
    return _Given(exports, lab, tuple(sheet.input for sheet in sheets))


def _opened(plant: Plant, files: tuple[str, ...]) -> tuple[list[Export], list[LabSheet]]:
    found = find_inputs(files, plant)
    if not found.exports:
        sheets_only = ", ".join(path.name for path in found.labs)
        raise InputError(
            Problem(
                "no export is among the inputs",
                place="FILE",
                found=f"only the bench sheet {sheets_only}" if sheets_only else "none",
                expected="at least one file of tag readings",
                hint="name the exports, too",
            )
        )
    return open_exports(found.exports, plant), [read_lab(path, plant) for path in found.labs]


def _press_series(grid: PressGrid, lab: pd.DataFrame | None, press: Press, plant: Plant) -> PressSeries:
    samples = lab[lab["press"] == press.slug].reset_index(drop=True) if lab is not None else None
    grid = check_against_lab(grid, samples, press)
    table = compute_figures(grid.roles, grid.good_share, grid.basis, samples, press, plant, grid.every_s)
    read = [column for column, basis in grid.basis.items() if basis != "assumed"]
    return PressSeries(
        press,
        table,
        good_feed_share=grid.good_share["feed_flow_m3_h"],
        has_readings=(grid.good_share[read] > 0).any(axis=1),
        lab=samples,
        findings=grid.findings,
        notes=grid.notes,
    )


def _chosen_presses(plant: Plant, name: str | None) -> tuple[Press, ...]:
    if name is None:
        return plant.presses
    press = plant.press(name)
    if press is None:
        names = {each.name.upper(): each.name for each in plant.presses}
        near = get_close_matches(name.upper(), names, n=1, cutoff=0.5)
        raise InputError(
            Problem(
                "the plant has no such press",
                place="--press",
                found=repr(name),
                expected=", ".join(names.values()),
                hint=f"did you mean {names[near[0]]}?" if near else "name one of these",
            )
        )
    return (press,)


def _asked_period(plant: Plant, call: Call) -> Period | None:
    if call.start is None and call.end is None:
        return None
    if call.start is None or call.end is None:
        missing = "--from" if call.start is None else "--to"
        raise InputError(
            Problem("a period needs both its ends", place=missing, found="nothing", expected="a day or a time")
        )
    return period_between(plant, call.start, call.end)


def _read_period(plant: Plant, call: Call, history: pd.Timedelta, every_s: int = 60) -> tuple[Reading, Period]:
    """Read a call's period with `history` in front of it; the whole span of the files when none was asked for."""
    period = _asked_period(plant, call)
    if period is None:
        reading = read_presses(plant, call, every_s=every_s)
        return reading, reading.span
    return read_presses(plant, call, period, history, every_s), period


def _require_overlap(exports: list[Export], period: Period) -> None:
    """Refuse before reading when every file says it begins after the period or ends before it."""
    ends = [(each.start_utc, each.end_utc) for each in exports]
    for start, end in ends:
        if start is None or end is None or (start < period.end_utc and end >= period.start_utc):
            return
    first, last = min(start for start, _ in ends if start), max(end for _, end in ends if end)
    raise InputError(_nothing_in(period, [each.file for each in exports], f"rows {_shown(period, first, last)}"))


def _require_rows(reading: Reading, period: Period) -> None:
    if not any(_within(series.has_readings, period).any() for series in reading.presses):
        raise InputError(_nothing_in(period, [each.file for each in reading.inputs], "no reading of any press in it"))


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


def _within(rows: Any, period: Period) -> Any:
    return rows[(rows.index >= period.start_utc) & (rows.index < period.end_utc)]


def _cut(table: FigureTable, period: Period) -> FigureTable:
    """Return the table with the rows and runs of the period alone."""
    frame = _within(table.frame, period)
    runs = table.capture_by_run
    return replace(table, frame=frame, capture_by_run=runs[runs["run"].isin(frame["run"].dropna().unique())])


def _context(reading: Reading, series: PressSeries, period: Period) -> PageContext:
    """Gather what a page says about its press, period, inputs and data faults."""
    bins = max(round(period.hours * 3600 / series.table.every_s), 1)
    findings = tuple(
        finding
        for finding in series.findings
        if finding.start_utc < period.end_utc and finding.end_utc > period.start_utc
    )
    excluded = tuple(
        each
        for each in reading.plant.excludes
        if each.press in (None, series.press.slug)
        and each.start_utc < period.end_utc
        and each.end_utc > period.start_utc
    )
    return PageContext(
        reading.plant,
        series.press,
        period,
        float(_within(series.good_feed_share, period).sum()) / bins,
        reading.inputs,
        findings,
        excluded,
        series.notes,
        series.lab,
    )


def _folder_of(out: Path, reading: Reading, series: PressSeries) -> Path:
    return out if len(reading.presses) == 1 else out / series.press.slug


# --- the commands ------------------------------------------------------------------------------------------


def write_figure_table(call: Call, out: Path, every: str) -> Done:
    """Write every computed series of the presses asked for on one regular grid."""
    reports.require_suffix(out, (".parquet", ".csv", ".xlsx"))
    plant = load_plant(call.plant)
    every_s = _whole_seconds(every)
    reading, period = _read_period(plant, call, _NO_HISTORY, every_s)
    tables = [_cut(series.table, period) for series in reading.presses]
    reports.write_table(out, tables, plant)
    rows = sum(len(table.frame) for table in tables)
    missing = {table.press: dict(table.unavailable) for table in tables}
    return Done(
        (f"{rows} rows of {len(tables)} presses written to {out}.",),
        {"command": "table", "out": str(out), "rows": rows, "unavailable": missing},
    )


def _whole_seconds(every: str) -> int:
    seconds = parse_quantity(every, "s")
    if seconds < 1 or seconds != round(seconds) or 86_400 % seconds:
        raise InputError(
            Problem(
                "rows of this length do not fill a day",
                "--every",
                found=repr(every),
                expected="1min, 10s, 1h …",
            )
        )
    return int(seconds)


def write_upset_ledger(call: Call, out: Path) -> Done:
    """Write the upset ledger of the presses asked for."""
    reports.require_suffix(out, (".csv", ".json", ".parquet"))
    plant = load_plant(call.plant)
    reading, period = _read_period(plant, call, _HISTORY)
    found = [
        upset
        for series in reading.presses
        for upset in _upsets(series, plant)
        if period.start_utc <= upset.start < period.end_utc
    ]
    reports.write_upsets(out, found)
    lines = [f"{len(found)} upsets written to {out}."]
    lines += [reports.upset_line(upset, plant) for upset in found if upset.severity == 3]
    return Done(tuple(lines), {"command": "upsets", "out": str(out), "upsets": reports.upset_rows(found)})


def _upsets(series: PressSeries, plant: Plant, judged: Sequence[JudgedMode] | None = None) -> list[Upset]:
    return find_upsets(series.table, series.press, plant, series.findings, judged=judged)


def _write_for_each_press(
    reading: Reading, out: Path, page: str, write: Callable[[PressSeries, Path], dict[str, Any]]
) -> Done:
    """Write one page per press, an index when there are several, and say the answers."""
    answers = [(series.press, write(series, _folder_of(out, reading, series))) for series in reading.presses]
    lines = []
    for press, answer in answers:
        lines += [f"{press.name}: {answer['answer']}", f"  {answer['page']}"]
    if len(answers) > 1:
        index = reports.write_index(out, reading.plant, page, [(press, each["answer"]) for press, each in answers])
        lines.append(f"All presses: {index}")
    pages = {press.slug: answer for press, answer in answers}
    return Done(tuple(lines), {"command": page, "out": str(out), "presses": pages})


def _review_period(plant: Plant, call: Call, month: str | None) -> tuple[Period, Period]:
    """Return the period asked for and the one it is compared with: the month, or as long a time, before it."""
    if month is not None:
        if call.start is not None or call.end is not None:
            raise InputError(Problem("name a month or a period, not both", place="--month", found=month))
        period = month_period(plant, month)
        day_before = period.local(period.start_utc - pd.Timedelta(hours=1))
        return period, month_period(plant, day_before.strftime("%Y-%m"))
    asked = _asked_period(plant, call)
    if asked is None:
        raise InputError(
            Problem(
                "no period is named",
                place="review",
                found="neither --month nor --from and --to",
                expected="one",
            )
        )
    length = asked.end_utc - asked.start_utc
    return asked, Period(asked.start_utc - length, asked.start_utc, plant.timezone)


def review(call: Call, month: str | None, out: Path) -> Done:
    """Write the performance review of a month, a week or a shift."""
    plant = load_plant(call.plant)
    period, before = _review_period(plant, call, month)
    reading = read_presses(plant, call, period, max(period.start_utc - before.start_utc, _HISTORY))
    return _write_for_each_press(
        reading,
        out,
        "review",
        lambda series, folder: _review_page(reading, series, _upsets(series, plant), period, before, folder),
    )


def _review_page(
    reading: Reading, series: PressSeries, upsets: list[Upset], period: Period, before: Period, folder: Path
) -> dict[str, Any]:
    table, earlier = _cut(series.table, period), _cut(series.table, before)
    has_earlier = (earlier.frame["phase"] == "pressing").any()
    figures = review_period(table, series.press, reading.plant, period, earlier if has_earlier else None)
    begun = [upset for upset in upsets if period.start_utc <= upset.start < period.end_utc]
    return reports.write_review(folder, _context(reading, series, period), figures, table, begun)


def troubleshoot(call: Call, day: str, out: Path) -> Done:
    """Write the page on one day: what went wrong, what moved first, what to check."""
    plant = load_plant(call.plant)
    wanted = parse_day(day)
    period = day_period(plant, wanted)
    reading = read_presses(plant, call, period, _HISTORY)
    return _write_for_each_press(
        reading,
        out,
        "troubleshoot",
        lambda series, folder: _day_page(reading, series, wanted, folder),
    )


def _day_page(reading: Reading, series: PressSeries, day: date, folder: Path) -> dict[str, Any]:
    judged = judge(series.table, series.press, reading.plant, series.findings)
    return _judged_day_page(reading, series, judged, _upsets(series, reading.plant, judged), day, folder)


def _judged_day_page(
    reading: Reading, series: PressSeries, judged: Sequence[JudgedMode], upsets: list[Upset], day: date, folder: Path
) -> dict[str, Any]:
    plant, press = reading.plant, series.press
    period = day_period(plant, day)
    account = account_for_day(series.table, upsets, series.lab, series.findings, press, plant, day, judged)
    of_the_day = [upset for upset in upsets if upset.start < period.end_utc and upset.end > period.start_utc]
    context = _context(reading, series, period)
    return reports.write_troubleshoot(folder, context, account, _cut(series.table, period), of_the_day)


def tune(call: Call, out: Path) -> Done:
    """Write the page on where to run the gravity belt."""
    plant = load_plant(call.plant)
    reading, period = _read_period(plant, call, _NO_HISTORY)
    return _write_for_each_press(
        reading, out, "tune", lambda series, folder: _tuning_page(reading, series, period, folder)
    )


def _tuning_page(reading: Reading, series: PressSeries, period: Period, folder: Path) -> dict[str, Any]:
    table = _cut(series.table, period)
    answer = find_tuning(table, series.press, reading.plant)
    return reports.write_tune(folder, _context(reading, series, period), answer, table)


def ingest(call: Call) -> Done:
    """Append the exports and bench sheets of a call to the plant's archive, once however often repeated."""
    plant = load_plant(call.plant)
    _require_files(call)
    exports, sheets = _opened(plant, call.files)
    report = keep_in_archive(plant, exports, sheets, call.progress)
    lines = [file.sentence() for file in report.files]
    lines.append(f"{report.new} readings and results are new in {report.folder}.")
    files = [
        {"file": each.source.file, "new": each.new, "known": each.known, "conflicting": each.conflicting,
         "rows": each.source.rows, "refused": each.source.refused}
        for each in report.files
    ]  # fmt: skip
    return Done(tuple(lines), {"command": "ingest", "archive": str(report.folder), "new": report.new, "files": files})


def _require_files(call: Call) -> None:
    if not call.files:
        raise InputError(
            Problem(
                "no input is named",
                place="FILE",
                found="nothing",
                expected="exports, folders or globs",
                hint="name them after the options",
            )
        )


def check_plant(plant_file: Path, files: Iterable[str], progress: Progress) -> Done:
    """Check a plant file and, with files, what they say about its tags.

    Raises
    ------
    InputError
        With every mistake of the plant file, or every way in which the exports disagree with it.
    """
    plant = load_plant(plant_file)
    tags = sum(len(press.tags) for press in plant.presses)
    said = [f"{plant_file}: in order. {plant.name}: {len(plant.presses)} presses, {tags} tags, {plant.timezone}."]
    names = tuple(files)
    if names:
        progress("reading the exports")
        exports = open_exports(find_inputs(names, plant).exports, plant)
        problems = check_exports(exports, plant)
        if problems:
            raise InputError(problems)
        said.append(f"{len(exports)} exports: every tag is there, within its range and in a likely unit.")
    return Done(tuple(said), {"command": "plant check", "plant": plant.name, "is_valid": True})


def simulate(
    out: Path,
    days: int,
    seed: int,
    scenario: str,
    start: str | None,
    every: str,
    shape: str | None,
    progress: Progress,
) -> Done:
    """Write an invented plant with its truth."""
    from trendkit.simulate import simulate as write_plant

    progress(f"inventing {days} days")
    made = write_plant(out, days, seed, scenario, start, every_s=parse_quantity(every, "s"), shape=shape)
    lines = (
        f"{days} invented days (scenario {made.scenario}, seed {seed}) written to {out}.",
        f"  {len(made.exports)} exports, bench sheet {made.lab.name}, plant file {made.plant.name}, truth in truth/",
    )
    named = {"plant": made.plant, "lab": made.lab, "truth": made.truth}
    return Done(
        lines,
        {
            "command": "simulate",
            "scenario": made.scenario,
            "seed": seed,
            "days": days,
            "exports": [str(path) for path in made.exports],
            **{name: str(path) for name, path in named.items()},
        },
    )


def demo(out: Path, progress: Progress) -> Done:
    """Run the main job on the sample exports: review, bad-day page and tuning page of both presses."""
    with TemporaryDirectory() as spare:
        samples = _sample_folder(Path(spare), progress)
        call = Call(samples / "plant.toml", (str(samples),), progress=progress)
        plant = load_plant(call.plant)
        reading = read_presses(plant, call)
    month, before = month_period(plant, _SAMPLE_MONTH), month_period(plant, _SAMPLE_MONTH_BEFORE)
    pages: dict[str, dict[str, Any]] = {}
    lines = []
    for series in reading.presses:
        folder = out / series.press.slug
        progress(f"writing the pages of {series.press.name}")
        judged = judge(series.table, series.press, plant, series.findings)
        upsets = _upsets(series, plant, judged)
        lines.append(f"{series.press.name}")
        answers = {
            "review": _review_page(reading, series, upsets, month, before, folder),
            "troubleshoot": _judged_day_page(reading, series, judged, upsets, _SAMPLE_BAD_DAY, folder),
            "tune": _tuning_page(reading, series, reading.span, folder),
        }
        lines += [line for answer in answers.values() for line in (f"  {answer['answer']}", f"    {answer['page']}")]
        pages[series.press.slug] = answers
    return Done(tuple(lines), {"command": "demo", "out": str(out), "presses": pages})


def _sample_folder(spare: Path, progress: Progress) -> Path:
    """Return sample_exports/ of this folder or checkout; an installed copy without it writes the same samples."""
    for place in (Path.cwd(), Path(__file__).resolve().parent.parent):
        if (place / "sample_exports" / "plant.toml").is_file():
            return place / "sample_exports"
    progress("no sample_exports/ here: inventing the same plant")
    from trendkit.simulate import write_sample_exports

    write_sample_exports(spare)
    return spare
