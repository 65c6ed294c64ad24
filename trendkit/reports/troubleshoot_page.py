"""The bad-day page: was it a bad cake day, what moved first, what cost how much, what to check at the
press.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from trendkit.press.results import FigureTable
from trendkit.reports.closing import method_section, provenance_section
from trendkit.reports.context import PageContext
from trendkit.reports.day_causes import FAR, cause_section, check_section, comparison_section, share_section
from trendkit.reports.day_course import ALWAYS, course_section, moved
from trendkit.reports.docket import facts, shown_for
from trendkit.reports.page import FigureLine, Head, Mark, Page, Section, made_at
from trendkit.reports.plant_clock import PlantClock, clock_of, day_text
from trendkit.reports.readings import quality_section
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.upset_sheet import upset_sheet
from trendkit.reports.words import CAUSES, figure_name, meaning, said
from trendkit.upsets.results import DayAccount, Difference, Upset

_MOST_LINES = 6
_ISO_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


def troubleshoot_page(context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset]) -> Page:
    """Return the bad-day page as page content."""
    shown, clock = shown_for(context), clock_of(context.period)
    sections = [
        course_section(context, account, table, upsets, shown),
        share_section(account, shown),
        cause_section(account, shown),
        check_section(account, shown),
        comparison_section(account, shown),
        Section(
            "upsets",
            "Upsets of the day",
            "",
            (upset_sheet(upsets, clock, shown, "Upsets of the day"),) if upsets else (),
        ),
        quality_section(context, table, clock),
        method_section(context, (*table.notes, *account.notes)),
        provenance_section(context, clock, made_at()),
    ]
    mark: dict[str, Mark] = {"bad": "misses", "not_bad": "meets", "cannot_tell": "undecided"}
    return Page(
        title=f"{context.press.name}, {day_text(account.day)}",
        press=context.press.name,
        plant=context.plant.name,
        question="What went wrong on this day?",
        facts=facts(context, clock),
        answer=_answer(context, account, shown),
        mark=mark[account.verdict],
        marked=_exceptions(context, account, clock, shown),
        sections=tuple(section for section in sections if section.items),
        lines=_lines(account, shown),
        lines_heads=(Head("This day"), Head("Where it lies"), Head("Usual"), Head("Distance from usual")),
        lines_note="On the ruler: the bar is the usual range of the comparison days, the upright this day, "
        "the diamond their middle. A triangle stands where the day is over three usual spreads away.",
    )


def _answer(context: PageContext, account: DayAccount, shown: Shown) -> str:
    day, press = day_text(account.day), context.press.name
    parts = []
    for name, value, usual in (
        ("cake solids", account.cake_solids_pct, account.usual_cake_solids_pct),
        ("capture", account.capture_pct, account.usual_capture_pct),
    ):
        if is_known(value) and is_known(usual):
            parts.append(f"{name} {shown.amount(value, 'pct')} against a usual {shown.amount(usual, 'pct')}")
        elif is_known(value):
            parts.append(f"{name} {shown.amount(value, 'pct')}")
    told = f": {' and '.join(parts)}" if parts else ""
    kind = "cake day" if is_known(account.cake_solids_pct) else "day by its capture"
    if account.verdict == "cannot_tell":
        told = told or _why_not(account)
        return f"These readings cannot tell whether {day} was a bad cake day on {press}{told}."
    if account.verdict == "not_bad":
        return f"{day} was not a bad {kind} on {press}{told}."
    likeliest = account.causes[0] if account.causes else None
    if likeliest is None or likeliest.cause == "unknown":
        return f"{day} was a bad {kind} on {press}{told}; its cause does not show in these tags."
    if account.unranked:
        others = " or ".join(said(CAUSES, cause) for cause, _ in account.unranked[:2])
        seen = f"{said(CAUSES, likeliest.cause)}, or with {others}, which no tag here shows"
        return f"{day} was a bad {kind} on {press}{told}; consistent with {seen}."
    return f"{day} was a bad {kind} on {press}{told}; likeliest cause: {said(CAUSES, likeliest.cause)}."


def _why_not(account: DayAccount) -> str:
    """Return why nothing can be said of a day, to end a sentence that names it; "" when it is a sentence of its own."""
    lead, _, reason = account.answer.partition("These data cannot tell: ")
    return "" if lead or not reason else f": {reason.replace(f' on {account.day:%Y-%m-%d}', '').rstrip('.')}"


def _with_days(text: str) -> str:
    """Return a sentence with its dates as the page writes them."""
    return _ISO_DAY.sub(lambda match: day_text(date.fromisoformat(match.group())), text)


def _exceptions(
    context: PageContext, account: DayAccount, clock: PlantClock, shown: Shown
) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = []
    is_said = is_known(account.cake_solids_pct) or is_known(account.capture_pct) or not _why_not(account)
    if account.verdict == "cannot_tell" and account.answer and is_said:
        marked.append(("undecided", shown.retold(_with_days(account.answer))))
    marked += [("undecided", shown.retold(_with_days(ground))) for ground in account.rests_on]
    if account.timeline and account.verdict == "bad":
        first = min(account.timeline, key=lambda move: move.time)
        marked.append(("misses", f"First to move: {moved(first, clock, shown)}."))
    largest = max(account.contributions, key=lambda part: part.points, default=None)
    if largest is not None and largest.low > 0 and largest.factor in ("unexplained", "unknown"):
        words = f"{largest.points:.1f} points of cake solids ({largest.low:.1f} to {largest.high:.1f})"
        marked.append(("undecided", f"Most of the loss is not explained by these tags: {words}."))
    elif largest is not None and largest.low > 0:
        words = f"{largest.points:.1f} points of cake solids ({largest.low:.1f} to {largest.high:.1f})"
        whose = f"{said(CAUSES, largest.factor)}{' or a cause no tag here shows' if account.unranked else ''}"
        marked.append(("misses", f"Largest share of the loss: {whose}, {words}."))
    if context.findings:
        count = len(context.findings)
        what = "One fault was" if count == 1 else f"{count} faults were"
        marked.append(("undecided", f"{what} found in the readings themselves; see “Can the readings be trusted?”"))
    return tuple(marked)


def _lines(account: DayAccount, shown: Shown) -> tuple[FigureLine, ...]:
    chosen = [change for change in account.changes if change.figure in ALWAYS]
    others = sorted((c for c in account.changes if c.figure not in ALWAYS), key=lambda c: -abs(c.z))
    return tuple(_line(change, shown) for change in [*chosen, *others][:_MOST_LINES])


def _line(change: Difference, shown: Shown) -> FigureLine:
    name = change.figure
    is_far = abs(change.z) > FAR
    low, high = (shown.digits(each, name) for each in (change.usual_low, change.usual_high))
    value = shown.amount(change.value, name)
    return FigureLine(
        name=figure_name(name, shown.system),
        meaning=meaning(name, shown.system),
        value=value,
        ruler=ruler(change.value, change.usual_low, change.usual_high, None, change.usual, is_far),
        target=f"{low} to {high}",
        mark="misses" if is_far else "",
        verdict=("above" if change.z > 0 else "below") + " usual" if is_far else "",
        previous=_distance(change),
    )


def _distance(change: Difference) -> str:
    if not is_known(change.z):
        return DASH
    return f"{abs(change.z):.1f} times the usual spread {'above' if change.z > 0 else 'below'}"
