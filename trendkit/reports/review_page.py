"""The review page: how one press did over a month, a week or a shift, and whether the number can be defended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from trendkit.plant.model import Limit
from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.reports import common
from trendkit.reports.context import PageContext
from trendkit.reports.page import Cell, FigureLine, Head, Item, Mark, Page, Prose, Section, Sheet, made_at
from trendkit.reports.plant_clock import PlantClock, clock_of, period_text
from trendkit.reports.review_panels import calendar_panel, cost_panel, loading_panel, strip_panels
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.words import CAPTURE_METHODS, figure_name, meaning, said
from trendkit.upsets.results import Upset

_MATTER = (
    "capture_pct",
    "cake_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "hydraulic_loading_m3_h_m",
    "cost_per_dry_t",
)
_AMOUNTS = (
    "feed_volume_m3",
    "feed_dry_solids_t",
    "dry_cake_t",
    "wet_cake_t",
    "solids_returned_t",
    "polymer_kg",
    "washwater_m3",
    "energy_kwh",
    "press_hours",
    "run_hours",
    "press_days",
    "belt_speed_ratio",
    "washwater_m3_t",
    "energy_kwh_t",
)
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


def review_page(context: PageContext, review: PeriodReview, table: FigureTable, upsets: Sequence[Upset]) -> Page:
    """Return the review as page content."""
    shown, clock = common.shown_for(context), clock_of(context.period)
    answer, marked = _answer(context, review, upsets, shown)
    sections = [
        Section(
            "course",
            "Through the period",
            "Line: the trailing hour. Grey band: 95 % limits. Long dashes: target. Diamonds: grab samples. "
            "Shaded and numbered: upsets, listed below. Dotted box: left out of means.",
            (*strip_panels(context, table, review, upsets, clock, shown), *calendar_panel(context, review, shown)),
        ),
        _loading_section(context, review, shown),
        _amounts_section(review, shown),
        *_cost_sections(review, shown),
        _tables_section(context, review, shown),
        _upset_section(upsets, clock, shown),
        common.quality_section(context, table, clock),
        common.method_section(context, (*table.notes, *review.notes)),
        Section("care", "Care at the machine", "", (common.caution_list(),)),
        common.provenance_section(context, clock, made_at()),
    ]
    return Page(
        title=f"{context.press.name}, {period_text(context.plant, context.period)}",
        press=context.press.name,
        plant=context.plant.name,
        question="How did the press do, and can the number be defended?",
        facts=common.facts(context, clock),
        answer=answer,
        mark="",
        marked=marked,
        sections=tuple(section for section in sections if section.items),
        lines=figure_lines(review.figures, shown),
        lines_note="On the ruler: the bar is the 95 % limits, the upright the value, the hatching lies beyond the target, the diamond is the period before.",
    )


# --- the answer -----------------------------------------------------------------------------------------


def _answer(
    context: PageContext, review: PeriodReview, upsets: Sequence[Upset], shown: Shown
) -> tuple[str, tuple[tuple[Mark, str], ...]]:
    figures = review.figures
    when, press = period_text(context.plant, context.period), context.press.name
    hours = figures.get("press_hours")
    if hours is None or not hours.value:
        return f"{press} did not dewater in {when}.", _exceptions(review, upsets, shown)
    parts = []
    capture, cake, dose = (figures.get(name) for name in ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t"))
    if capture is not None and is_known(capture.value):
        parts.append(f"kept {_told(capture, 'capture_pct', shown)} of the solids fed to it")
    if cake is not None and is_known(cake.value):
        parts.append(f"made cake of {_told(cake, 'cake_solids_pct', shown)} solids")
    if dose is not None and is_known(dose.value):
        parts.append(f"used {_told(dose, 'polymer_dose_kg_t', shown)} of polymer")
    if not parts:
        parts = [f"pressed for {shown.amount(hours.value, 'press_hours')}"]
    listed = " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else parts[0]
    return f"In {when}, {press} {listed}.", _exceptions(review, upsets, shown)


def _told(figure: Figure, column: str, shown: Shown) -> str:
    return shown.sentence(figure.value, figure.low, figure.high, column)


def _exceptions(review: PeriodReview, upsets: Sequence[Upset], shown: Shown) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = []
    judged = [(name, figure) for name, figure in review.figures.items() if figure.target is not None]
    for name, figure in judged:
        label = figure_name(name, shown.system)
        if not is_known(figure.value):
            continue
        if figure.meets_target is False:
            marked.append(("misses", f"{label}: {_told(figure, name, shown)} misses its target, {common.limit_text(figure.target, name, shown)}."))
        elif figure.meets_target is None:
            marked.append(
                ("undecided", f"{label}: {_told(figure, name, shown)}; its limits lie on both sides of the target, {common.limit_text(figure.target, name, shown)}.")
            )
    met = [figure_name(name, shown.system).lower() for name, figure in judged if figure.meets_target]
    if met:
        marked.append(("meets", f"Within target: {', '.join(met)}."))
    for name in ("capture_pct", "cake_solids_pct"):
        figure = review.figures.get(name)
        if figure is not None and not is_known(figure.value) and figure.reason:
            marked.append(("undecided", f"{figure_name(name)} is not known: {figure.reason}."))
    marked.append(("", _upset_sentence(upsets, shown)))
    return tuple(marked)


def _upset_sentence(upsets: Sequence[Upset], shown: Shown) -> str:
    if not upsets:
        return "No upsets were found."
    costs = [upset.extra_cost for upset in upsets if upset.extra_cost is not None and is_known(upset.extra_cost)]
    severe = sum(upset.severity > 1 for upset in upsets)
    count = "One upset" if len(upsets) == 1 else f"{len(upsets)} upsets"
    text = f"{count}, {severe or 'none'} of them clear or severe"
    return f"{text}; together they cost about {sum(costs):,.0f} {shown.currency}." if costs else f"{text}."


# --- figures --------------------------------------------------------------------------------------------


def figure_lines(figures: Mapping[str, Figure], shown: Shown) -> tuple[FigureLine, ...]:
    """Return the few figures that matter, each with limits, target and the period before."""
    return tuple(_figure_line(name, figures[name], shown) for name in _MATTER if name in figures)


def _figure_line(name: str, figure: Figure, shown: Shown) -> FigureLine:
    label, what = figure_name(name, shown.system), meaning(name, shown.system)
    if not is_known(figure.value):
        return FigureLine(label, what, DASH, reason=figure.reason or "no readings")
    value, limits = shown.limited(figure.value, figure.low, figure.high, name)
    mark: Mark = ""
    verdict = ""
    if figure.target is not None:
        mark = "meets" if figure.meets_target else "undecided" if figure.meets_target is None else "misses"
        verdict = {"meets": "met", "misses": "missed", "undecided": "cannot be told at these limits"}[mark]
    return FigureLine(
        name=label,
        meaning=f"{what}; by {said(CAPTURE_METHODS, figure.method)}" if name == "capture_pct" and figure.method else what,
        value=value,
        limits=limits,
        ruler=ruler(figure.value, figure.low, figure.high, figure.target, figure.previous, mark == "misses"),
        target=common.limit_text(figure.target, name, shown) or "none set",
        mark=mark,
        verdict=verdict,
        previous=_previous(figure, name, shown),
    )


def _previous(figure: Figure, name: str, shown: Shown) -> str:
    if not is_known(figure.previous) or not is_known(figure.value) or figure.previous is None or figure.value is None:
        return DASH
    change = figure.value - figure.previous
    before = shown.digits(figure.previous, name, *_like(figure, figure.previous))
    if figure.low is not None and figure.high is not None and figure.low <= figure.previous <= figure.high:
        return f"{before}, no clear change"
    return f"{before}, now {'higher' if change > 0 else 'lower'}"


def _like(figure: Figure, value: float) -> tuple[float | None, float | None]:
    """Return limits as wide as the figure's around another value, so that it is printed to as many digits."""
    if figure.low is None or figure.high is None:
        return None, None
    half = (figure.high - figure.low) / 2
    return value - half, value + half


def _amounts_section(review: PeriodReview, shown: Shown) -> Section:
    items: list[Item] = [_figure_sheet("Amounts, hours and ratios", review.figures, _AMOUNTS, shown)]
    thick = review.by_mode.get("thickening")
    if thick:
        items.append(_figure_sheet("Thickening, judged apart", thick, tuple(thick), shown))
    if review.capture_by_method:
        items.append(_capture_sheet(review.capture_by_method, shown))
    note = "Totals and hours count every minute of the period, start-up and wash-down included."
    return Section("amounts", "How much, how long", note, tuple(items))


def _figure_sheet(caption: str, figures: Mapping[str, Figure], names: Sequence[str], shown: Shown) -> Sheet:
    rows = []
    for name in names:
        if name not in figures:
            continue
        figure = figures[name]
        value, limits = shown.limited(figure.value, figure.low, figure.high, name)
        remark = figure.reason or meaning(name, shown.system)
        previous = shown.digits(figure.previous, name, *_like(figure, figure.previous)) if figure.previous is not None else DASH
        rows.append((figure_name(name, shown.system), value, limits or DASH, previous, remark))
    heads = (Head("Figure"), Head("Value", is_number=True), Head("95 % limits", is_number=True), Head("Period before", is_number=True), Head("Meaning"))
    return Sheet(caption, heads, tuple(rows))


def _capture_sheet(by_method: Mapping[str, Figure], shown: Shown) -> Sheet:
    rows = []
    for method, figure in by_method.items():
        value, limits = shown.limited(figure.value, figure.low, figure.high, "capture_pct")
        doubt: Mark = "misses" if figure.value is not None and is_known(figure.value) and figure.value > 100 else ""
        remark = figure.reason or ("over 100 %: one of its inputs must be off" if doubt else "")
        rows.append((said(CAPTURE_METHODS, method).capitalize(), Cell(value, doubt), limits or DASH, remark))
    heads = (Head("Capture by"), Head("Value", is_number=True), Head("95 % limits", is_number=True), Head("Remark"))
    return Sheet("Capture by each way it can be had", heads, tuple(rows))


# --- sections -------------------------------------------------------------------------------------------


def _loading_section(context: PageContext, review: PeriodReview, shown: Shown) -> Section:
    note = "Each dot is a day; the outermost are named. A triangle is a day off its target. Long dashes are targets."
    return Section("loading", "Did loading matter?", note, loading_panel(context, review, shown))


def _cost_sections(review: PeriodReview, shown: Shown) -> tuple[Section, ...]:
    if not review.costs:
        missing = "No prices are given in the plant file, so no cost is worked out."
        return (Section("cost", "What it cost", "", (Prose(missing),)),) if review.missing_prices else ()
    return (Section("cost", "What it cost", "Counted for each dry {} that left as cake, so that lost solids never look like savings.".format("ton" if shown.system == "us" else "tonne"), cost_panel(review, shown)),)


def _tables_section(context: PageContext, review: PeriodReview, shown: Shown) -> Section:
    targets = context.press.targets
    items: list[Item] = []
    if not review.by_day.empty:
        items.append(_period_sheet("Day by day", review.by_day, ("day",), targets, shown))
    if not review.by_shift.empty and review.by_shift["shift"].astype(bool).any():
        items.append(_period_sheet("Shift by shift", review.by_shift, ("day", "shift"), targets, shown))
    return Section("days", "Day by day, shift by shift", "A triangle stands where a day's mean is off the target.", tuple(items))


def _period_sheet(
    caption: str, frame: pd.DataFrame, keys: tuple[str, ...], targets: Mapping[str, Mapping[str, Limit]], shown: Shown
) -> Sheet:
    has_modes = frame["mode"].nunique() > 1
    columns = [name for name in _DAY_COLUMNS if name in frame and frame[name].notna().any()]
    heads = [Head({"day": "Day", "shift": "Shift"}[key]) for key in keys]
    if has_modes:
        heads.append(Head("Mode"))
    heads += [Head(figure_name(name, shown.system), shown.unit(name), is_number=True) for name in columns]
    rows = []
    for _, row in frame.iterrows():
        first = [common.day_label(row["day"]), *(str(row[key]) for key in keys[1:])]
        if has_modes:
            first.append(str(row["mode"]))
        rows.append((*first, *(_judged(row, name, targets, shown) for name in columns)))
    return Sheet(caption, tuple(heads), tuple(rows))


def _judged(row: pd.Series, name: str, targets: Mapping[str, Mapping[str, Limit]], shown: Shown) -> Cell:
    off = common.is_off(row[name], targets.get(str(row["mode"]), {}).get(name))
    return Cell(shown.digits(row[name], name), "misses" if off else "")


def _upset_section(upsets: Sequence[Upset], clock: PlantClock, shown: Shown) -> Section:
    if not upsets:
        return Section("upsets", "Upsets", "", (Prose("None was found in this period."),))
    note = "The weight says how much of the evidence points to that cause. Severity is judged by the worst quarter of an hour."
    return Section("upsets", "Upsets", note, (common.upset_sheet(upsets, clock, shown),))
