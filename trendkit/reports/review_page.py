"""The review page: how one press did over a month, a week or a shift, and whether the number can be
defended.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.reports.closing import caution_list, method_section, provenance_section
from trendkit.reports.context import PageContext
from trendkit.reports.docket import facts, limit_text, shown_for
from trendkit.reports.held_against import HeldAgainst
from trendkit.reports.page import Mark, Page, Prose, Section, made_at
from trendkit.reports.plant_clock import clock_of, opening_words, period_text
from trendkit.reports.readings import quality_section
from trendkit.reports.review_changes import changes_section, is_short_before
from trendkit.reports.review_closure import closure_section
from trendkit.reports.review_lines import figure_lines
from trendkit.reports.review_panels import calendar_panel, cost_panel, loading_panel
from trendkit.reports.review_runs import runs_section
from trendkit.reports.review_strips import strip_panels
from trendkit.reports.review_tables import amounts_section, tables_section, upset_section
from trendkit.reports.shown import Shown, is_known
from trendkit.reports.words import figure_name
from trendkit.upsets.results import Upset

MOSTLY_COVERED = 0.95  # share of the period from which the first sentence need not say how much is known


def review_page(
    context: PageContext,
    review: PeriodReview,
    table: FigureTable,
    upsets: Sequence[Upset],
    held: HeldAgainst | None = None,
    again: Mapping[str, Any] | None = None,
) -> Page:
    """Return the review as page content; `again` says what moved since it was last made (`reissue.reissue`)."""
    shown, clock = shown_for(context), clock_of(context.period)
    answer, marked = _answer(context, review, upsets, shown)
    sections = _sections(context, review, table, upsets, held or HeldAgainst(), again)
    return Page(
        title=f"{context.press.name}, {period_text(context.plant, context.period)}",
        press=context.press.name,
        plant=context.plant.name,
        question="How did the press do, and can the number be defended?",
        facts=facts(context, clock),
        answer=answer,
        mark="",
        marked=marked,
        sections=tuple(section for section in sections if section.items),
        lines=figure_lines(review.figures, shown),
        lines_note=(
            "On the ruler: the bar is the 95 % limits, the upright the value, the hatching lies beyond "
            f"the target, the diamond is the period before.{_short_before(review)}"
        ),
    )


def _sections(
    context: PageContext,
    review: PeriodReview,
    table: FigureTable,
    upsets: Sequence[Upset],
    held: HeldAgainst,
    again: Mapping[str, Any] | None,
) -> list[Section]:
    """Return the sections of the review in order, those without an item too."""
    shown, clock = shown_for(context), clock_of(context.period)
    strips = strip_panels(context, table, review, upsets, clock, shown)
    course_note = (
        "Line: the trailing hour. Grey band: 95 % limits. Long dashes: target. Diamonds: grab samples. "
        "Shaded and numbered: upsets, listed below. Dotted box: left out of means."
    )
    return [
        changes_section(context, review, held, again, clock, shown),
        Section("course", "Through the period", course_note, (*strips, *calendar_panel(context, review, shown))),
        runs_section(held, clock, shown),
        _loading_section(context, review, shown),
        amounts_section(review, shown),
        *_cost_sections(review, shown),
        closure_section(review, clock, shown),
        tables_section(context, review, shown),
        upset_section(upsets, clock, shown),
        quality_section(context, table, clock),
        method_section(context, (*table.notes, *review.notes)),
        Section("care", "Care at the machine", "", (caution_list(),)),
        provenance_section(context, clock, made_at()),
    ]


def _answer(
    context: PageContext, review: PeriodReview, upsets: Sequence[Upset], shown: Shown
) -> tuple[str, tuple[tuple[Mark, str], ...]]:
    figures = review.figures
    when, press = period_text(context.plant, context.period), context.press.name
    hours = figures.get("press_hours")
    if context.covered_share == 0.0:
        answer = f"These readings cannot tell how {press} did in {when}: there is no good reading of its feed flow."
        return answer, _exceptions(review, upsets, shown)
    covered = _covered_words(context)
    if hours is None or not hours.value:
        return f"{opening_words(when)}{covered}, {press} did not dewater.", _exceptions(review, upsets, shown)
    parts = []
    capture, cake, dose = (figures.get(name) for name in ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t"))
    if capture is not None and is_known(capture.value):
        parts.append(f"kept {_told(capture, 'capture_pct', shown)} of the solids fed to it")
    if cake is not None and is_known(cake.value):
        parts.append(_cake_words(cake, shown))
    if dose is not None and is_known(dose.value):
        parts.append(f"used {_told(dose, 'polymer_dose_kg_t', shown)} of polymer")
    if not parts:
        parts = [f"pressed for {shown.amount(hours.value, 'press_hours')}"]
    listed = " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else parts[0]
    opening = opening_words(when)
    return f"{opening}{covered}, {press} {listed}.", _exceptions(review, upsets, shown)


def _covered_words(context: PageContext) -> str:
    """Say in the first sentence when the readings cover a part of the period only."""
    if context.covered_share >= MOSTLY_COVERED:
        return ""
    days = context.period.hours / 24.0
    if days < 2.0:
        return f" (readings cover {context.covered_share * days * 24:.1f} of its {days * 24:.0f} hours)"
    return f" (readings cover {context.covered_share * days:.1f} of its {days:.0f} days)"


def _cake_words(cake: Figure, shown: Shown) -> str:
    value, limits = shown.limited(cake.value, cake.low, cake.high, "cake_solids_pct")
    return f"made cake of {value} solids ({limits})" if limits else f"made cake of {value} solids"


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
            marked.append(
                (
                    "misses",
                    f"{label}: {_told(figure, name, shown)} misses its target, "
                    f"{limit_text(figure.target, name, shown)}.",
                )
            )
        elif figure.meets_target is None:
            marked.append(
                (
                    "undecided",
                    f"{label}: {_told(figure, name, shown)}; its limits lie on both sides of the "
                    f"target, {limit_text(figure.target, name, shown)}.",
                )
            )
    met = [figure_name(name, shown.system).lower() for name, figure in judged if figure.meets_target]
    if met:
        marked.append(("meets", f"Within target: {', '.join(met)}."))
    for name in ("capture_pct", "cake_solids_pct"):
        unknown = review.figures.get(name)
        if unknown is not None and unknown.value is None and unknown.reason:
            marked.append(("undecided", f"{figure_name(name)} is not known: {unknown.reason.rstrip('.')}."))
    marked.append(("", _upset_sentence(upsets, shown)))
    return tuple(marked)


def _short_before(review: PeriodReview) -> str:
    """Return a warning when the totals of the period before do not compare."""
    if not is_short_before(review):
        return ""
    return f" It holds only {review.figures['press_days'].previous:.0f} days of pressing, so its totals do not compare."


def _round_sum(amount: float) -> str:
    return f"{float(f'{amount:.2g}'):,.0f}"


def _upset_sentence(upsets: Sequence[Upset], shown: Shown) -> str:
    if not upsets:
        return "No upsets were found."
    costs = [upset.extra_cost for upset in upsets if upset.extra_cost is not None and is_known(upset.extra_cost)]
    severe = sum(upset.severity > 1 for upset in upsets)
    if len(upsets) == 1:
        text, together = f"One upset, {'clear or severe' if severe else 'slight'}", "it"
    else:
        many = "all" if severe == len(upsets) else severe or "none"
        text, together = f"{len(upsets)} upsets, {many} of them clear or severe", "together they"
    if sum(costs) < 1:
        return f"{text}."
    return f"{text}; {together} cost about {_round_sum(sum(costs))} {shown.currency}."


def _loading_section(context: PageContext, review: PeriodReview, shown: Shown) -> Section:
    note = "Each dot is a day; the outermost are named. A triangle is a day off its target. Long dashes are targets."
    return Section("loading", "Did loading matter?", note, loading_panel(context, review, shown))


_UNCOUNTED = (
    "What was paid for in hours without a known feed flow stands in the whole period and not in the cost per dry {}: "
    "no cake of those hours is counted."
)


def _cost_sections(review: PeriodReview, shown: Shown) -> tuple[Section, ...]:
    if not review.costs:
        missing = "No prices are given in the plant file, so no cost is worked out."
        return (Section("cost", "What it cost", "", (Prose(missing),)),) if review.missing_prices else ()
    ton = "ton" if shown.system == "us" else "tonne"
    uncounted = (Prose(_UNCOUNTED.format(ton)),) if review.feed_unknown else ()
    note = f"Counted for each dry {ton} that left as cake, so that lost solids never look like savings."
    return (Section("cost", "What it cost", note, (*cost_panel(review, shown), *uncounted)),)
