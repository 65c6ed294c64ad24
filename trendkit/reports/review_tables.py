"""The sections of a review that are tables: amounts, days and shifts, upsets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from trendkit.plant.display import counted
from trendkit.plant.model import Limit
from trendkit.press.results import PeriodReview
from trendkit.press.workload import Workload
from trendkit.reports.context import PageContext
from trendkit.reports.docket import day_label, is_off
from trendkit.reports.page import Cell, Head, Item, Prose, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.review_lines import AMOUNTS, capture_sheet, figure_sheet
from trendkit.reports.shown import Shown
from trendkit.reports.upset_sheet import upset_sheet
from trendkit.reports.words import figure_name
from trendkit.upsets.results import Upset

_DAY_COLUMNS = (
    "press_hours",
    "dry_cake_t",
    "wet_cake_t",
    "capture_pct",
    "cake_solids_pct",
    "thickened_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "belt_speed_ratio",
)


def amounts_section(review: PeriodReview, shown: Shown) -> Section:
    """Return the section on totals, hours and ratios, thickening apart, capture by each method."""
    items: list[Item] = [figure_sheet("Amounts, hours and ratios", review.figures, AMOUNTS, shown)]
    thick = review.by_mode.get("thickening")
    known = tuple(name for name, figure in (thick or {}).items() if figure.value is not None)
    if thick and known:
        items.append(figure_sheet("Thickening, judged apart", thick, known, shown, is_thickening=True))
    if review.capture_by_method:
        items.append(capture_sheet(review.capture_by_method, shown))
    if review.workload is not None:
        items.append(Prose(_workload_text(review.workload, shown)))
    note = "Totals and hours count every minute of the period, start-up and wash-down included."
    return Section("amounts", "How much, how long", f"{note} {review.feed_unknown}".strip(), tuple(items))


def _workload_text(work: Workload, shown: Shown) -> str:
    """Say the press days a week the solids need, at the present and the best loading, and starts and trips."""
    starts = "one start" if work.starts == 1 else f"{work.starts} starts"
    text = (
        f"The belts ran {work.gravity_belt_hours:,.0f} hours (gravity) and {work.pressure_belt_hours:,.0f} hours "
        f"(pressure), with {starts}"
    )
    if work.trips is not None:
        text += f" and {'no belt trip' if not work.trips else counted(work.trips, 'belt trip')}"
    text += "."
    if work.days_per_week_now is not None and work.loading_now_kg_h_m is not None:
        now = shown.amount(work.loading_now_kg_h_m, "solids_loading_kg_h_m")
        text += f" At the present loading ({now}) the week's solids need {work.days_per_week_now:.1f} press days"
        if work.days_per_week_best is not None and work.loading_best_kg_h_m is not None:
            best = shown.amount(work.loading_best_kg_h_m, "solids_loading_kg_h_m")
            text += f", at that of the best tenth of days on target ({best}) {work.days_per_week_best:.1f}"
        text += f", each of {work.hours_per_press_day:.1f} hours."
    return f"{text} {work.reason[:1].upper()}{work.reason[1:]}.".strip(" .") + "." if work.reason else text


def tables_section(context: PageContext, review: PeriodReview, shown: Shown) -> Section:
    """Return the section with a row per day and a row per shift."""
    targets = context.press.targets
    items: list[Item] = []
    if not review.by_day.empty:
        items.append(_period_sheet("Day by day", review.by_day, ("day",), targets, shown))
    if _has_several_shifts(review.by_shift):
        items.append(_period_sheet("Shift by shift", review.by_shift, ("day", "shift"), targets, shown))
    return Section(
        "days",
        "Day by day, shift by shift",
        "A triangle stands where a day's mean is off the target.",
        tuple(items),
    )


def _has_several_shifts(by_shift: pd.DataFrame) -> bool:
    """True when some day was pressed on more than one shift; else the table would repeat the days."""
    return not by_shift.empty and bool(by_shift.groupby(["day", "mode"])["shift"].count().gt(1).any())


def _period_sheet(
    caption: str,
    frame: pd.DataFrame,
    keys: tuple[str, ...],
    targets: Mapping[str, Mapping[str, Limit]],
    shown: Shown,
) -> Sheet:
    has_modes = len(set(frame["mode"])) > 1
    columns = [name for name in _DAY_COLUMNS if name in frame and frame[name].notna().any()]
    heads = [Head({"day": "Day", "shift": "Shift"}[key]) for key in keys]
    if has_modes:
        heads.append(Head("Mode"))
    heads += [Head(figure_name(name, shown.system), shown.unit(name), is_number=True) for name in columns]
    rows: list[tuple[Cell | str, ...]] = []
    for _, row in frame.iterrows():
        first = [day_label(row["day"]), *(str(row[key]) for key in keys[1:])]
        if has_modes:
            first.append(str(row["mode"]))
        rows.append((*first, *(_judged(row, name, targets, shown) for name in columns)))
    return Sheet(caption, tuple(heads), tuple(rows))


def _judged(row: pd.Series, name: str, targets: Mapping[str, Mapping[str, Limit]], shown: Shown) -> Cell:
    off = is_off(row[name], targets.get(str(row["mode"]), {}).get(name))
    return Cell(shown.digits(row[name], name), "misses" if off else "")


def upset_section(upsets: Sequence[Upset], clock: PlantClock, shown: Shown) -> Section:
    """Return the section on the upset ledger."""
    if not upsets:
        return Section("upsets", "Upsets", "", (Prose("None was found in this period."),))
    note = (
        "The weight says how much of the evidence points to that cause. Severity is judged by the worst "
        "quarter of an hour."
    )
    return Section("upsets", "Upsets", note, (upset_sheet(upsets, clock, shown),))
