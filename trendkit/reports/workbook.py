"""figures.xlsx for people: the plant's units, plant time, limits and a sheet of notes; the same bytes every
time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from trendkit import __version__
from trendkit.plant.model import Limit
from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.context import PageContext
from trendkit.reports.docket import shown_for
from trendkit.reports.held_against import HeldAgainst
from trendkit.reports.plant_clock import period_text
from trendkit.reports.shown import Shown, is_known, share_text
from trendkit.reports.words import CAPTURE_METHODS, CAUSES, COST_LINES, FAULTS, KINDS, figure_name, meaning, said
from trendkit.reports.workbook_sheet import DATE_FORMAT, TIME_FORMAT, Row, add_sheet, finished, local_reader
from trendkit.upsets.results import Upset


def review_workbook(
    context: PageContext,
    review: PeriodReview,
    table: FigureTable,
    upsets: Sequence[Upset],
    held: HeldAgainst | None = None,
) -> bytes:
    """Return the review as a workbook: figures, capture, costs, days, shifts, runs, upsets, samples, notes."""
    from openpyxl import Workbook

    shown, local = shown_for(context), local_reader(context.period.timezone)
    year = held.year_figures if held is not None else {}
    workbook = Workbook()
    del workbook["Sheet"]
    figures = [
        _figure_row(name, figure, "dewatering", shown, year.get(name)) for name, figure in review.figures.items()
    ]
    for mode, others in review.by_mode.items():
        if mode != "dewatering":
            figures += [_figure_row(name, figure, mode, shown) for name, figure in others.items()]
    add_sheet(workbook, "Figures", _FIGURE_HEADS, figures, {11: "#,##0"}, is_mixed=True)
    if review.capture_by_method:
        add_sheet(workbook, "Capture", *_capture_rows(review))
    if review.costs:
        add_sheet(workbook, "Costs", *_cost_rows(review, shown))
    for title, frame in (("Days", review.by_day), ("Shifts", review.by_shift), ("Runs", review.runs)):
        if not frame.empty:
            _add_frame(workbook, title, _named_first(frame), shown, local)
    add_sheet(workbook, "Upsets", *_upset_rows(upsets, shown, local))
    if context.lab is not None and not context.lab.empty:
        add_sheet(workbook, "Samples", *_sample_rows(context, local))
    add_sheet(workbook, "Readings", *_fault_rows(context, local))
    add_sheet(workbook, "Inputs", *_input_rows(context))
    add_sheet(workbook, "Notes", ("Note",), _note_rows(context, review, table, local), {})
    return finished(workbook)


_FIGURE_HEADS = (
    "Figure",
    "Mode",
    "Value",
    "Lower limit (95 %)",
    "Upper limit (95 %)",
    "Unit",
    "Period before",
    "Target, least",
    "Target, most",
    "Meets target",
    "Rests on (bins, samples or runs)",
    "Method",
    "Why not known",
    "Meaning",
    "A year before",
)


def _named_first(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with what names its rows in front: run, start, end, mode, day, shift."""
    first = [name for name in ("run", "start_utc", "end_utc", "day", "shift", "mode") if name in frame]
    return frame[[*first, *(name for name in frame.columns if name not in first)]]


def _capture_rows(review: PeriodReview) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("Capture by", "Value, %", "Lower limit (95 %)", "Upper limit (95 %)", "Rests on", "Why not known")
    rows: list[Row] = [
        (
            said(CAPTURE_METHODS, method),
            *(_six_digits(each) for each in (figure.value, figure.low, figure.high)),
            figure.n,
            figure.reason or "",
        )
        for method, figure in review.capture_by_method.items()
    ]
    return heads, rows, {5: "#,##0"}


def _cost_rows(review: PeriodReview, shown: Shown) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("Line", f"Whole period, {shown.currency}", f"Cost, {shown.unit('cost_per_dry_t')}", "Price")
    rows: list[Row] = [
        (
            said(COST_LINES, line.name),
            _six_digits(line.amount),
            _rounded(line.per_dry_t, "cost_per_dry_t", shown),
            line.price,
        )
        for line in review.costs
    ]
    rows += [(said(COST_LINES, name), None, None, "no price or no meter") for name in review.missing_prices]
    return heads, rows, {}


def _sample_rows(context: PageContext, local: Any) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    """Return the bench's results sampled in the period, those left out with the reason."""
    heads = ("Sampled, plant time", "Point", "Analysis", "Value", "Unit", "Note", "Left out because")
    units = {"TS": "%", "VS": "% of TS"}
    assert context.lab is not None
    sampled = context.lab["sampled_at"]
    inside = context.lab[(sampled >= context.period.start_utc) & (sampled < context.period.end_utc)]
    rows: list[Row] = [
        (
            local(each["sampled_at"]),
            each["point"],
            each["analysis"],
            _six_digits(float(each["value"])),
            units.get(each["analysis"], "mg/L"),
            each["note"] or "",
            (each["why"] or "suspect") if each["is_suspect"] else "",
        )
        for _, each in inside.sort_values("sampled_at", kind="stable").iterrows()
    ]
    return heads, rows, {1: TIME_FORMAT, 4: "#,##0.0#"}


def _input_rows(context: PageContext) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("File", "Rows", "Refused", "SHA-256")
    rows: list[Row] = [(each.file, each.rows, each.refused, each.sha256) for each in context.inputs]
    return heads, rows, {2: "#,##0", 3: "#,##0"}


def _six_digits(value: float | None) -> float | None:
    return float(f"{value:.6g}") if is_known(value) else None


def _rounded(value: float | None, column: str, shown: Shown) -> float | None:
    return _six_digits(shown.number(value, column))


def _figure_row(name: str, figure: Figure, mode: str, shown: Shown, year: Figure | None = None) -> Row:
    limit = figure.target or Limit()
    meets = {True: "yes", False: "no", None: "cannot be told" if figure.target else ""}[figure.meets_target]
    numbers = [_rounded(each, name, shown) for each in (figure.value, figure.low, figure.high)]
    others = [_rounded(each, name, shown) for each in (figure.previous, limit.low, limit.high)]
    method = said(CAPTURE_METHODS, figure.method) if name == "capture_pct" else figure.method
    return (
        figure_name(name, shown.system),
        mode,
        *numbers,
        shown.unit(name),
        *others,
        meets,
        figure.n,
        method,
        figure.reason or "",
        meaning(name, shown.system),
        _rounded(year.value, name, shown) if year is not None else None,
    )


def _add_frame(workbook: Any, title: str, frame: pd.DataFrame, shown: Shown, local: Any) -> None:
    heads, columns, formats = [], [], {}
    for number, name in enumerate(map(str, frame.columns), start=1):
        column = frame[name]
        heads.append(shown.name(name))
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            heads[-1] = f"{figure_name(name)}, plant time"
            columns.append([local(moment) for moment in column])
            formats[number] = TIME_FORMAT
        elif name == "day":
            columns.append([pd.Timestamp(str(day)).date() for day in column])
            formats[number] = DATE_FORMAT
        elif pd.api.types.is_numeric_dtype(column):
            columns.append([_rounded(float(value), name, shown) for value in column])
        elif name == "capture_method":
            columns.append([None if pd.isna(value) else said(CAPTURE_METHODS, str(value)) for value in column])
        else:
            columns.append([None if pd.isna(value) else str(value) for value in column])
    add_sheet(workbook, title, heads, zip(*columns, strict=True), formats)


def _upset_rows(
    upsets: Sequence[Upset], shown: Shown, local: Any
) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = (
        "No.",
        "From, plant time",
        "To, plant time",
        "What was seen",
        "Severity",
        "Likeliest cause",
        "Evidence",
        f"Solids lost beyond usual (below 0: kept), {shown.unit('kg')}",
        f"Extra cost, {shown.currency}",
        "Run",
    )
    rows: list[Row] = [
        (
            number,
            local(each.start),
            local(each.end),
            said(KINDS, each.kind),
            each.severity,
            said(CAUSES, each.cause),
            shown.retold(each.evidence),
            _rounded(each.lost_dry_solids_kg, "kg", shown),
            each.extra_cost,
            each.run,
        )
        for number, each in enumerate(upsets, start=1)
    ]
    return heads, rows, {2: TIME_FORMAT, 3: TIME_FORMAT}


def _fault_rows(context: PageContext, local: Any) -> tuple[Sequence[str], list[Row], Mapping[int, str]]:
    heads = ("Tag", "Role", "Fault", "From, plant time", "To, plant time", "Seen", "Effect", "Count")
    rows: list[Row] = [
        (
            each.tag,
            each.role,
            said(FAULTS, each.fault),
            local(each.start_utc),
            local(each.end_utc),
            each.evidence,
            each.effect,
            each.count,
        )
        for each in context.findings
    ]
    return heads, rows, {4: TIME_FORMAT, 5: TIME_FORMAT}


def _note_rows(context: PageContext, review: PeriodReview, table: FigureTable, local: Any) -> list[Row]:
    period = period_text(context.plant, context.period)
    notes = [
        f"{context.press.name}, {context.plant.name}, {period}, times in {context.period.timezone}.",
        f"Feed flow known for {share_text(context.covered_share, 1)} of the period. Units: "
        f"{context.plant.display_units}. trendkit {__version__}.",
        f"Plant file SHA-256 {context.plant.sha256}",
        *context.notes,
        *table.notes,
        *review.notes,
        *(f"{figure_name(column)}: {why}" for column, why in table.unavailable.items()),
        *(
            f"Left out of means, kept in totals: {local(each.start_utc):%Y-%m-%d %H:%M} to "
            f"{local(each.end_utc):%Y-%m-%d %H:%M}, {each.reason}"
            for each in context.excluded
        ),
        *AT_THE_PRESS,
    ]
    return [(note,) for note in dict.fromkeys(notes)]
