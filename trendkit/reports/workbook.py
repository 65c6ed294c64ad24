"""figures.xlsx for people: the plant's units, plant time, limits and a sheet of notes; the same bytes every time."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from trendkit import __version__
from trendkit.errors import InputError, Problem
from trendkit.plant.display import display
from trendkit.plant.model import Limit, Plant
from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.common import shown_for
from trendkit.reports.context import PageContext
from trendkit.reports.plant_clock import period_text
from trendkit.reports.shown import Shown
from trendkit.reports.words import CAPTURE_METHODS, CAUSES, FAULTS, KINDS, figure_name, meaning, said
from trendkit.upsets.results import Upset

MOST_ROWS = 1_048_575  # rows of one sheet, the heading left out (ECMA-376 workbooks as programs read them)
_FIXED = datetime(1980, 1, 1)  # noqa: DTZ001 - the earliest time a zip entry can bear
_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_DATE, _TIME = "yyyy-mm-dd", "yyyy-mm-dd hh:mm"
Row = Sequence[Any]


def safe_text(text: str) -> str:
    """Return a text no spreadsheet will run: one that begins like a formula gets an apostrophe in front.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("belt 2")
    ("'=1+1", 'belt 2')
    """
    clean = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", " ", text)
    return f"'{clean}" if clean.startswith(_STARTS_A_FORMULA) else clean


def _cell(value: Any) -> Any:
    if value is None or value is pd.NaT or (isinstance(value, float) and not -1e300 < value < 1e300):
        return None
    return safe_text(value) if isinstance(value, str) else value


def _finished(workbook: Any) -> bytes:
    """Return the workbook's bytes with every time in it fixed, so that equal content gives equal files."""
    workbook.properties.creator = f"trendkit {__version__}"
    workbook.properties.created = workbook.properties.modified = _FIXED
    raw = io.BytesIO()
    workbook.save(raw)
    sink = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"1980-01-01T00:00:00Z", content)
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(entry, content)
    return sink.getvalue()


def _add_sheet(workbook: Any, title: str, heads: Sequence[str], rows: Iterable[Row], formats: Mapping[int, str]) -> None:
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.utils import get_column_letter

    sheet = workbook.create_sheet(title)
    sheet.append([safe_text(head) for head in heads])
    widths = [len(head) for head in heads]
    for row in rows:
        cells = [_cell(value) for value in row]
        sheet.append(cells)
        widths = [max(width, min(len(str(value if value is not None else "")), 60)) for width, value in zip(widths, cells, strict=True)]
    line = Border(bottom=Side(style="thin"))
    for cell in sheet[1]:
        cell.font, cell.border = Font(bold=True), line
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
    for column, form in formats.items():
        for (cell,) in sheet.iter_rows(min_row=2, min_col=column, max_col=column):
            cell.number_format = form
    for number, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(number)].width = min(max(9.0, width * 0.95 + 2), 58.0)
    sheet.freeze_panes = "B2"


def review_workbook(context: PageContext, review: PeriodReview, table: FigureTable, upsets: Sequence[Upset]) -> bytes:
    """Return the review as a workbook: figures, days, shifts, runs, upsets, faults in the readings, notes."""
    from openpyxl import Workbook

    shown, local = shown_for(context), _local_reader(context.period.timezone)
    workbook = Workbook()
    workbook.remove(workbook.active)
    figures = [_figure_row(name, figure, "dewatering", shown) for name, figure in review.figures.items()]
    for mode, others in review.by_mode.items():
        if mode != "dewatering":
            figures += [_figure_row(name, figure, mode, shown) for name, figure in others.items()]
    heads = ("Figure", "Mode", "Value", "Lower limit (95 %)", "Upper limit (95 %)", "Unit", "Period before", "Target, least", "Target, most", "Meets target", "Rests on (bins, samples or runs)", "Method", "Why not known", "Meaning")
    _add_sheet(workbook, "Figures", heads, figures, {})
    for title, frame in (("Days", review.by_day), ("Shifts", review.by_shift), ("Runs", review.runs)):
        if not frame.empty:
            _add_frame(workbook, title, frame, shown, local)
    _add_sheet(workbook, "Upsets", *_upset_rows(upsets, shown, local))
    _add_sheet(workbook, "Readings", *_fault_rows(context, local))
    _add_sheet(workbook, "Notes", ("Note",), _note_rows(context, review, table), {})
    return _finished(workbook)


def _local_reader(timezone: str) -> Any:
    def local(moment: pd.Timestamp | None) -> datetime | None:
        if moment is None or pd.isna(moment):
            return None
        return pd.Timestamp(moment).tz_convert(timezone).tz_localize(None).to_pydatetime().replace(microsecond=0)

    return local


def _rounded(value: float | None, column: str, shown: Shown) -> float | None:
    number = shown.number(value, column)
    return float(f"{number:.6g}") if number == number else None


def _figure_row(name: str, figure: Figure, mode: str, shown: Shown) -> Row:
    limit = figure.target or Limit()
    meets = {True: "yes", False: "no", None: "cannot be told" if figure.target else ""}[figure.meets_target]
    numbers = [_rounded(each, name, shown) for each in (figure.value, figure.low, figure.high)]
    others = [_rounded(each, name, shown) for each in (figure.previous, limit.low, limit.high)]
    method = said(CAPTURE_METHODS, figure.method) if name == "capture_pct" else figure.method
    return (figure_name(name, shown.system), mode, *numbers, shown.unit(name), *others, meets, figure.n, method, figure.reason or "", meaning(name, shown.system))


def _add_frame(workbook: Any, title: str, frame: pd.DataFrame, shown: Shown, local: Any) -> None:
    heads, columns, formats = [], [], {}
    for number, name in enumerate(map(str, frame.columns), start=1):
        column = frame[name]
        heads.append(shown.name(name))
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            heads[-1] = f"{figure_name(name)}, plant time"
            columns.append([local(moment) for moment in column])
            formats[number] = _TIME
        elif name == "day":
            columns.append([pd.Timestamp(str(day)).date() for day in column])
            formats[number] = _DATE
        elif pd.api.types.is_numeric_dtype(column):
            columns.append([_rounded(float(value), name, shown) for value in column])
        else:
            columns.append([None if pd.isna(value) else str(value) for value in column])
    _add_sheet(workbook, title, heads, zip(*columns, strict=True), formats)


def _upset_rows(upsets: Sequence[Upset], shown: Shown, local: Any) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("No.", "From, plant time", "To, plant time", "What was seen", "Severity", "Likeliest cause", "Evidence", f"Solids lost, {shown.unit('kg')}", f"Extra cost, {shown.currency}", "Run")
    rows = [
        (number, local(each.start), local(each.end), said(KINDS, each.kind), each.severity, said(CAUSES, each.cause), shown.retold(each.evidence), _rounded(each.lost_dry_solids_kg, "kg", shown), each.extra_cost, each.run)
        for number, each in enumerate(upsets, start=1)
    ]
    return heads, rows, {2: _TIME, 3: _TIME}


def _fault_rows(context: PageContext, local: Any) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("Tag", "Role", "Fault", "From, plant time", "To, plant time", "Seen", "Effect", "Count")
    rows = [
        (each.tag, each.role, said(FAULTS, each.fault), local(each.start_utc), local(each.end_utc), each.evidence, each.effect, each.count)
        for each in context.findings
    ]
    return heads, rows, {4: _TIME, 5: _TIME}


def _note_rows(context: PageContext, review: PeriodReview, table: FigureTable) -> list[Row]:
    period = period_text(context.plant, context.period)
    notes = [
        f"{context.press.name}, {context.plant.name}, {period}, times in {context.period.timezone}.",
        f"Feed flow known for {context.covered_share:.1%} of the period. Units: {context.plant.display_units}. trendkit {__version__}.",
        *(f"Input {each.file}: {each.rows} rows, {each.refused} refused, SHA-256 {each.sha256}" for each in context.inputs),
        f"Plant file SHA-256 {context.plant.sha256}",
        *context.notes,
        *table.notes,
        *review.notes,
        *(f"{figure_name(column)}: {why}" for column, why in table.unavailable.items()),
        *(f"Left out of means, kept in totals: {each.start_utc:%Y-%m-%d %H:%M} to {each.end_utc:%Y-%m-%d %H:%M} UTC, {each.reason}" for each in context.excluded),
        *AT_THE_PRESS,
    ]
    return [(note,) for note in dict.fromkeys(notes)]


def table_workbook(frame: pd.DataFrame, plant: Plant) -> bytes:
    """Return the figure table as a workbook in the plant's units and time; columns null throughout are left out.

    Raises
    ------
    InputError
        When it has more rows than a sheet can hold.
    """
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    if len(frame) > MOST_ROWS:
        raise InputError(
            Problem("too many rows for a workbook", found=f"{len(frame):,} rows", expected=f"at most {MOST_ROWS:,}", hint="write .parquet, or longer rows with --every 1h")
        )
    shown, local = Shown(plant.display_units, plant.costs.currency if plant.costs else ""), _local_reader(plant.timezone)
    names = [str(name) for name in frame.columns if frame[name].notna().any()]
    workbook = Workbook(write_only=True)
    sheet = workbook.create_sheet("Figures")
    sheet.freeze_panes = "B2"
    sheet.append([shown.name(name) + (", plant time" if "time" in name and "drain" not in name else "") for name in names])
    columns = [_table_column(frame[name], name, shown, local) for name in names]

    def cell(value: Any) -> Any:
        if not isinstance(value, datetime):
            return value
        written = WriteOnlyCell(sheet, value=value)
        written.number_format = _TIME
        return written

    for row in zip(*columns, strict=True):
        sheet.append([cell(value) for value in row])
    notes = workbook.create_sheet("Notes")
    for note in (f"{plant.name}, times in {plant.timezone}, trendkit {__version__}.", "A bin is labelled at its start.", *AT_THE_PRESS):
        notes.append([safe_text(note)])
    return _finished(workbook)


def _table_column(column: pd.Series, name: str, shown: Shown, local: Any) -> list[Any]:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return [local(moment) for moment in column]
    if pd.api.types.is_numeric_dtype(column):
        numbers = display(column.astype("float64"), name, shown.system)[0]
        return [None if value != value else float(f"{value:.6g}") for value in numbers.tolist()]
    return [None if pd.isna(value) else safe_text(str(value)) for value in column]


