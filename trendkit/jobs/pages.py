"""The commands that judge: the upset ledger, the review, the bad day, where to run the gravity belt."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done, unheard
from trendkit.jobs.for_each_press import write_for_each_press
from trendkit.jobs.gate import NOTHING_WEIGHED, Gate, Weighed, compared, polymer_of_all, read_weighed
from trendkit.jobs.heading import series_context
from trendkit.jobs.kept_pages import made_once
from trendkit.jobs.reading import (
    NO_HISTORY,
    WARM_UP,
    PressSeries,
    Reading,
    asked_period,
    cut,
    read_period,
    read_presses,
)
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.calendar import Period, day_period, month_period, parse_day
from trendkit.plant.display import counted
from trendkit.press import Figure, period_figures, review_period
from trendkit.reports import (
    HeldAgainst,
    require_suffix,
    upset_line,
    upset_rows,
    write_review,
    write_troubleshoot,
    write_tune,
    write_upsets,
)
from trendkit.tuning import read_step_sheet
from trendkit.tuning import tune as find_tuning
from trendkit.upsets import JudgedMode, Upset, account_for_day, find_upsets, judge, run_charts

_Span = tuple[pd.Timestamp, pd.Timestamp]
_ONE_DAY = pd.Timedelta(days=1)
_HISTORY = pd.Timedelta(days=28)  # what "usual" rests on in the upset ledger and on the bad-day page


def write_upset_ledger(call: Call, out: Path) -> Done:
    """Write the upset ledger of the presses asked for."""
    require_suffix(out, (".csv", ".json", ".parquet"))
    plant = load_plant(call.plant)
    reading, period = read_period(plant, call, _HISTORY, in_full=False)
    found = [
        upset
        for press, _ in reading.grids.grids
        for upset in upsets_of(reading.series_of(press), plant)
        if period.start_utc <= upset.start < period.end_utc
    ]
    write_upsets(out, found)
    severe = [upset_line(upset, plant) for upset in found if upset.severity == 3]
    told = f", {counted(len(severe), 'of them severe', 'of them severe')}:" if severe else "."
    lines = [f"{counted(len(found), 'upset')} written to {out}{told}", *severe]
    return Done(tuple(lines), {"command": "upsets", "out": str(out), "upsets": upset_rows(found)})


def upsets_of(series: PressSeries, plant: Plant, judged: Sequence[JudgedMode] | None = None) -> list[Upset]:
    """Return the upsets of a press over the whole span read, by start."""
    return find_upsets(series.table, series.press, plant, series.findings, judged=judged)


def _write_for_each_press(
    reading: Reading, out: Path, page: str, write: Callable[[PressSeries, Path], dict[str, Any]]
) -> Done:
    def page_of(press: Press, folder: Path) -> dict[str, Any]:
        return write(reading.series_of(press), folder)

    writers = [(press, partial(page_of, press)) for press, _ in reading.grids.grids]
    return write_for_each_press(reading.plant, out, page, writers)


def _review_period(plant: Plant, call: Call, month: str | None) -> tuple[Period, Period]:
    """Return the period asked for and the one it is compared with: the month, or as long a time, before it."""
    if month is not None:
        if call.start is not None or call.end is not None:
            raise InputError(Problem("name a month or a period, not both", place="--month", found=month))
        return _month_and_before(plant, month)
    asked = asked_period(plant, call)
    if asked is None:
        raise InputError(
            Problem(
                "no period is named",
                place="review",
                found="neither --month nor --from and --to",
                expected="one",
            )
        )
    back = max(asked.end_utc - asked.start_utc, _ONE_DAY)  # a shift is held against the same shift the day before
    return asked, Period(asked.start_utc - back, asked.end_utc - back, plant.timezone)


def _month_and_before(plant: Plant, month: str) -> tuple[Period, Period]:
    period = month_period(plant, month)
    day_before = period.local(period.start_utc - pd.Timedelta(hours=1))
    return period, month_period(plant, day_before.strftime("%Y-%m"))


def _history(period: Period, before: Period) -> pd.Timedelta:
    """Return what a review reads in front of its period."""
    return max(period.start_utc - before.start_utc, _HISTORY)


def review_spans(plant: Plant, month: str) -> tuple[_Span, ...]:
    """Return from when up to when (UTC) an archive is read for the review of a month: the month, a year before."""
    period, before = _month_and_before(plant, month)
    return _spans_read(period, before, _year_before(plant, month))


def _spans_read(period: Period, before: Period, year_before: Period | None) -> tuple[_Span, ...]:
    read = (period.start_utc - _history(period, before) - WARM_UP, period.end_utc)
    return (read,) if year_before is None else (read, (year_before.start_utc - WARM_UP, year_before.end_utc))


def review(call: Call, month: str | None, out: Path) -> Done:
    """Write the performance review of a month, a week or a shift."""
    plant = load_plant(call.plant)
    period, before = _review_period(plant, call, month)
    weighed = read_weighed(plant, call)
    year_before = _year_before(plant, month) if month and not call.files else None
    spans = _spans_read(period, before, year_before)
    asked = [_said(period), [[each.file, each.sha256] for each in weighed.inputs]]

    def make() -> Done:
        return _make_review(plant, call, (period, before, year_before), weighed, out)

    return made_once("review", plant, call, out, asked, spans, make)


def _said(period: Period) -> list[str]:
    return [str(period.start_utc), str(period.end_utc)]


def _make_review(
    plant: Plant, call: Call, periods: tuple[Period, Period, Period | None], weighed: Weighed, out: Path
) -> Done:
    """Write the review of a period, held against the one before and, from an archive, that of the year before."""
    period, before, year_before = periods
    reading = read_presses(plant, call, period, _history(period, before))
    reading = replace(reading, inputs=(*reading.inputs, *weighed.inputs))
    gate = Gate(weighed, tuple(polymer_of_all(reading, period)) if weighed.deliveries is not None else ())
    last_year = _read_if_kept(plant, call, year_before) if year_before else None

    def write(series: PressSeries, folder: Path) -> dict[str, Any]:
        held = HeldAgainst(before, year_before, _figures_of(last_year, series.press, year_before))
        return review_page(reading, series, upsets_of(series, plant), period, held, folder, gate)

    return _write_for_each_press(reading, out, "review", write)


def _year_before(plant: Plant, month: str) -> Period:
    return month_period(plant, f"{int(month[:4]) - 1:04d}{month[4:]}")


def _read_if_kept(plant: Plant, call: Call, period: Period) -> Reading | None:
    """Return what the archive holds of a period, None when it holds nothing of it."""
    call.progress("reading the same month of the year before")
    try:
        return read_presses(plant, replace(call, progress=unheard), period, in_full=False)
    except InputError:
        return None


def _figures_of(reading: Reading | None, press: Press, period: Period | None) -> Mapping[str, Figure]:
    """Return the dewatering figures of a press over another period, none when nothing was pressed in it."""
    if reading is None or period is None:
        return {}
    table = cut(reading.series_of(press).table, period)
    has_pressing = (table.frame["phase"] == "pressing").any()
    return period_figures(table, press, reading.plant, period) if has_pressing else {}


def review_page(
    reading: Reading,
    series: PressSeries,
    upsets: list[Upset],
    period: Period,
    held: HeldAgainst,
    folder: Path,
    gate: Gate = NOTHING_WEIGHED,
) -> dict[str, Any]:
    """Write one press's review of a period, held against other periods; return its answer and path."""
    table = cut(series.table, period)
    earlier = cut(series.table, held.before) if held.before is not None else None
    has_earlier = earlier is not None and (earlier.frame["phase"] == "pressing").any()
    figures = review_period(table, series.press, reading.plant, period, earlier if has_earlier else None)
    figures = compared(figures, gate, reading, series, period)
    held = replace(held, charts=run_charts(figures.runs))
    begun = [upset for upset in upsets if period.start_utc <= upset.start < period.end_utc]
    return write_review(folder, series_context(reading, series, period), figures, table, begun, held)


def troubleshoot(call: Call, day: str, out: Path) -> Done:
    """Write the page on one day: what went wrong, what moved first, what to check."""
    plant = load_plant(call.plant)
    wanted = parse_day(day)
    period = day_period(plant, wanted)

    def make() -> Done:
        reading = read_presses(plant, call, period, _HISTORY)
        return _write_for_each_press(
            reading, out, "troubleshoot", lambda series, folder: _day_page(reading, series, wanted, folder)
        )

    read = (period.start_utc - _HISTORY - WARM_UP, period.end_utc)
    return made_once("troubleshoot", plant, call, out, _said(period), [read], make)


def _day_page(reading: Reading, series: PressSeries, day: date, folder: Path) -> dict[str, Any]:
    judged = judge(series.table, series.press, reading.plant, series.findings)
    return judged_day_page(reading, series, judged, upsets_of(series, reading.plant, judged), day, folder)


def judged_day_page(
    reading: Reading, series: PressSeries, judged: Sequence[JudgedMode], upsets: list[Upset], day: date, folder: Path
) -> dict[str, Any]:
    """Write one press's page on one day from what `judge` made of its table; return its answer and path."""
    plant, press = reading.plant, series.press
    period = day_period(plant, day)
    account = account_for_day(series.table, upsets, series.lab, series.findings, press, plant, day, judged)
    of_the_day = [upset for upset in upsets if upset.start < period.end_utc and upset.end > period.start_utc]
    context = series_context(reading, series, period)
    return write_troubleshoot(folder, context, account, cut(series.table, period), of_the_day)


def tune(call: Call, out: Path, step_test: Path | None = None) -> Done:
    """Write the page on where to run the gravity belt; a filled step-test sheet is judged and merged."""
    plant = load_plant(call.plant)
    sheet = _filled_sheet(plant, call, step_test) if step_test is not None else None

    def make() -> Done:
        reading, period = read_period(plant, call, NO_HISTORY, in_full=False)
        return _write_for_each_press(
            reading, out, "tune", lambda series, folder: tuning_page(reading, series, period, folder, sheet)
        )

    asked = asked_period(plant, call)
    read = (asked.start_utc - WARM_UP, asked.end_utc) if asked else (None, None)
    told = [_said(asked) if asked else None, sheet.to_csv() if sheet is not None else None]
    return made_once("tune", plant, call, out, told, [read], make)


def _filled_sheet(plant: Plant, call: Call, path: Path) -> pd.DataFrame:
    """Read a filled sheet; an InputError when it cannot be read or it is not said whose it is."""
    if len(plant.presses) > 1 and call.press is None:
        raise InputError(
            Problem(
                "a step test belongs to one press",
                place="--step-test",
                found=f"{len(plant.presses)} presses",
                expected="--press with its name",
            )
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        found = error.strerror if isinstance(error, OSError) else "bytes that are no UTF-8 text"
        raise InputError(
            Problem("the step-test sheet cannot be read", path.name, found=found, expected="the filled CSV sheet")
        ) from None
    return read_step_sheet(text, path.name, plant)


def tuning_page(
    reading: Reading, series: PressSeries, period: Period, folder: Path, sheet: pd.DataFrame | None = None
) -> dict[str, Any]:
    """Write one press's tuning page; return its answer and path."""
    table = cut(series.table, period)
    answer = find_tuning(table, series.press, reading.plant, sheet)
    return write_tune(folder, series_context(reading, series, period), answer, table)
