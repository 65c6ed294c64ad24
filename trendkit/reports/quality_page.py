"""The quality page: which readings can be trusted, which cannot, what was refused and what to have looked at."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.reports.availability_chart import Availability, availability_plot, draw_availability
from trendkit.reports.close_look import close_look
from trendkit.reports.closing import caution_list, provenance_section
from trendkit.reports.context import PageContext
from trendkit.reports.docket import facts, shown_for
from trendkit.reports.page import Cell, Head, Item, Listing, Mark, Page, Panel, Prose, Section, Sheet, made_at
from trendkit.reports.plant_clock import PlantClock, clock_of, day_text, opening_words, period_text
from trendkit.reports.readings import bins_in_a_pixel, doubtful_samples, fault_sheet, tag_availability
from trendkit.reports.shown import DASH, Shown, is_known, joined, share_text
from trendkit.reports.words import FAULT_CHECKS, FAULTS, figure_name, said
from trendkit.series import FaultTally, QualityAccount, TagQuality

_THROUGHOUT = 0.99  # share of the period from which a tag counts as good throughout
_BARS_IN_A_DRAWING = 20  # more would not fit a printed page
_NAMED_FIRST = 6  # tags told apart above the fold

Fault = tuple[TagQuality, FaultTally]


def quality_page(context: PageContext, account: QualityAccount, rows: pd.DataFrame, every_s: int) -> Page:
    """Return the quality page as page content; `rows` are the press's bins of `every_s` seconds (SI)."""
    shown, clock = shown_for(context), clock_of(context.period)
    answer, mark = _answer(context, account)
    sections = (
        _availability_section(context, rows, every_s, clock),
        _check_section(account),
        _tag_section(account, shown),
        _day_section(account),
        _fault_section(account, clock, shown),
        _refused_section(context),
        _sample_section(context, clock),
        _method_section(context, shown),
        Section("care", "Care at the machine", "", (caution_list(),)),
        provenance_section(context, clock, made_at()),
    )
    return Page(
        title=f"{context.press.name}, {period_text(context.plant, context.period)}",
        press=context.press.name,
        plant=context.plant.name,
        question="Can the readings be trusted?",
        facts=facts(context, clock),
        answer=answer,
        mark=mark,
        marked=_exceptions(context, account),
        sections=tuple(section for section in sections if section.items),
    )


def _costly_faults(account: QualityAccount) -> list[Fault]:
    """Return every fault of every tag, those that cost most minutes of a moving press first."""
    pairs = [(tag, fault) for tag in account.tags for fault in tag.faults]
    return sorted(pairs, key=lambda pair: (-pair[1].lost_minutes, -pair[1].minutes))


def _answer(context: PageContext, account: QualityAccount) -> tuple[str, Mark]:
    when, press = period_text(context.plant, context.period), context.press.name
    opening = opening_words(when)
    count, whole = len(account.tags), sum(tag.share_good >= _THROUGHOUT for tag in account.tags)
    those = f"all {count} tags of {press} have" if whole == count else f"{whole} of the {count} tags of {press} have"
    faulty = [tag for tag in account.tags if tag.faults]
    short = sum(tag.share_good >= _THROUGHOUT for tag in faulty)
    text = f"{opening}, {those} good readings throughout"
    if short and len(faulty) > 1:
        text += f" (at least {share_text(_THROUGHOUT)} of the time)"
    if not faulty:
        return f"{text}, and none shows a fault.", "meets" if whole == count else "misses"
    lost = sum(any(fault.lost_minutes > 0 for fault in tag.faults) for tag in faulty)
    if len(faulty) == 1:
        cost = (
            "at the cost of readings while the press moved" if lost else "which cost no reading while the press moved"
        )
        return f"{text}; 1 shows a fault, {cost}.", "misses"
    cost = f"{lost} at the cost of readings" if lost else "none at the cost of readings"
    many = "all" if short == len(faulty) else str(short)
    told = f" {many} of them {'a short one' if short == 1 else 'short ones'}," if short else ""
    return f"{text}; {len(faulty)} show faults,{told} {cost} while the press moved.", "misses"


def _exceptions(context: PageContext, account: QualityAccount) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = []
    costly = [pair for pair in _costly_faults(account) if pair[1].lost_minutes > 0]
    marked += [("misses", f"{_fault_words(tag, fault)}.") for tag, fault in costly[:_NAMED_FIRST]]
    thin = [tag for tag in account.tags if tag.share_good < _THROUGHOUT and not any(pair[0] is tag for pair in costly)]
    marked += [
        ("misses", f"{_label(tag)}: good readings {share_text(tag.share_good, 1)} of the time{_gap_words(tag)}.")
        for tag in sorted(thin, key=lambda tag: tag.share_good)[:_NAMED_FIRST]
    ]
    more = max(len(costly) - _NAMED_FIRST, 0) + max(len(thin) - _NAMED_FIRST, 0)
    if more:
        marked.append(("misses", f"{more} more are listed below."))
    refused = sum(each.refused for each in context.inputs)
    if refused:
        files = sum(bool(each.refused) for each in context.inputs)
        where = "1 file" if files == 1 else f"{files} files"
        rows = "1 row" if refused == 1 else f"{refused:,} rows"
        marked.append(("misses", f"{rows} of {where} could not be used; listed below with line and reason."))
    else:
        marked.append(("meets", "No row of any file was refused."))
    return tuple(marked)


def _gap_words(tag: TagQuality) -> str:
    if not tag.gaps:
        return ""
    return f", {_times(tag.gaps, 'gap')} of up to {_duration(tag.longest_gap_minutes)}"


def _fault_words(tag: TagQuality, fault: FaultTally) -> str:
    how_long = f" for {_duration(fault.minutes)}" if fault.minutes else ""
    cost = f", {_duration(fault.lost_minutes)} of a moving press lost" if fault.lost_minutes else ""
    return f"{_label(tag)}: {said(FAULTS, fault.fault)}{how_long}{cost}"


def _label(tag: TagQuality) -> str:
    return f"{figure_name(tag.tag.name)} ({tag.tag.tag})"


def _duration(minutes: float) -> str:
    """Return a length of time as people say it.

    Examples
    --------
    >>> [_duration(each).replace(chr(160), " ") for each in (0, 12.4, 150, 5000)]
    ['0 min', '12 min', '2.5 h', '3.5 days']
    """
    if minutes < 90:
        return joined(f"{minutes:.0f}", "min")
    if minutes < 48 * 60:
        return joined(f"{minutes / 60:.1f}", "h")
    return joined(f"{minutes / 1440:.1f}", "days")


def _times(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _availability_section(context: PageContext, rows: pd.DataFrame, every_s: int, clock: PlantClock) -> Section:
    merged = bins_in_a_pixel(context.period, every_s)
    tags = tag_availability(context, rows, every_s, merged)
    parts = range(0, len(tags), _BARS_IN_A_DRAWING)
    caption = f"Gaps shorter than {max(merged * every_s // 60, 1)} min are not drawn."
    panels = tuple(
        _bars(tags[first : first + _BARS_IN_A_DRAWING], number, len(parts), caption, clock)
        for number, first in enumerate(parts, 1)
    )
    note = "A bar is where a tag has good readings; an outlined stretch is a fault, named beside it."
    return Section("availability", "Where there are readings", note, panels)


def _bars(tags: Sequence[Availability], number: int, of: int, caption: str, clock: PlantClock) -> Panel:
    faulty = sum(bool(tag.faults) for tag in tags)
    there = sum(tag.share >= _THROUGHOUT for tag in tags)
    finding = f"{there} of these {len(tags)} tags have readings throughout; {faulty or 'none'} of the {len(tags)} "
    finding += "shows a fault." if faulty < 2 else "show faults."
    title = "Readings by tag" if of == 1 else f"Readings by tag, {number} of {of}"
    svg = draw_availability(f"availability-{number}", tags, clock)
    sheet = Sheet(
        "share of the period with readings",
        (Head("Tag"), Head("With readings", "%", True)),
        tuple((tag.label, _percent(tag.share)) for tag in tags),
    )
    mark: Mark = "misses" if faulty else ""
    numbers = close_look([availability_plot(tags)], clock)
    return Panel(f"availability-{number}", title, finding, svg, caption, sheet, mark, numbers)


def _tag_section(account: QualityAccount, shown: Shown) -> Section:
    is_doubted = any(tag.habit and tag.habit.uncertain_share > 0.0 for tag in account.tags)
    heads = [
        Head("Tag"),
        Head("Role"),
        Head("Recorded"),
        Head("Good", "% of the time", True),
        Head("While moving", "% of the time", True),
        *([Head("Uncertain", "% of good", True)] if is_doubted else []),
        Head("Gaps"),
        Head("Means used"),
        Head("Faults"),
    ]
    note = (
        f"Good: a reading that can be used. While moving: of the {account.moving_hours:.0f} hours in which the press "
        "moved."
    )
    rows = tuple(_tag_row(tag, is_doubted, shown) for tag in account.tags)
    return Section("tags", "Tag by tag", note, (Sheet("Every tag of the press", tuple(heads), rows),))


def _tag_row(quality: TagQuality, is_doubted: bool, shown: Shown) -> tuple[Cell | str, ...]:
    tag = quality.tag
    faults = ", ".join(said(FAULTS, fault.fault) for fault in quality.faults)
    doubted = _percent(quality.habit.uncertain_share) if quality.habit else DASH
    return (
        tag.tag,
        figure_name(tag.name),
        _recorded(quality),
        Cell(_percent(quality.share_good), "" if quality.share_good >= _THROUGHOUT else "misses"),
        _percent(quality.share_good_moving),
        *([doubted] if is_doubted else []),
        f"{quality.gaps}, up to {_duration(quality.longest_gap_minutes)}" if quality.gaps else DASH,
        _range(quality, shown),
        Cell(faults, "misses") if faults else DASH,
    )


def _range(quality: TagQuality, shown: Shown) -> str:
    column, low, high = quality.tag.column, quality.lowest, quality.highest
    if not (is_known(low) and is_known(high)):
        return DASH
    lowest = "0" if abs(low) < 1e-3 * abs(high) else shown.digits(low, column)
    return f"{lowest} to {shown.amount(high, column)}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f}" if is_known(share) else DASH


def _recorded(quality: TagQuality) -> str:
    habit = quality.habit
    if habit is None or not habit.recorded:
        return DASH
    if habit.recorded == "changes":
        return f"when it changes, {_duration(habit.longest_silence_s / 60)} apart at most"
    return f"every {habit.spacing_s:.0f}\u00a0s" if habit.spacing_s < 90 else f"every {_duration(habit.spacing_s / 60)}"


def _check_section(account: QualityAccount) -> Section:
    found = _costly_faults(account)
    checks = tuple(f"{_fault_words(tag, fault)}. Then: {said(FAULT_CHECKS, fault.fault)}." for tag, fault in found)
    gaps = [tag for tag in account.tags if tag.gaps]
    if gaps:
        widest = max(gaps, key=lambda tag: tag.longest_gap_minutes)
        told = f"{_times(len(gaps), 'tag')} with gaps, the longest {_duration(widest.longest_gap_minutes)}"
        checks += (f"{told} ({widest.tag.tag}). Then: {FAULT_CHECKS['gap']}.",)
    note = "In the order of what they cost; common practice of instrument upkeep. Tick what is done."
    return Section("checks", "What to have looked at", note, (Listing(checks, "ticks"),) if checks else ())


def _day_section(account: QualityAccount) -> Section:
    heads = (
        Head("Day", is_short=True),
        Head("Hours", is_number=True),
        Head("All tags", "% of the time good", True),
        Head("Worst tag", "% of the time good", True),
        Head("Which"),
    )
    rows = tuple(
        (
            day_text(each.day),
            f"{each.hours:.4g}",
            Cell(_percent(each.share_good), "" if each.share_good >= _THROUGHOUT else "misses"),
            _percent(each.worst_share),
            each.worst_tag if each.worst_share < _THROUGHOUT else DASH,
        )
        for each in account.days
    )
    note = "Plant days; one that the period cuts counts with its part inside. A clock change makes 23 or 25 hours."
    return Section("days", "Day by day", note, (Sheet("Good readings by day", heads, rows),) if rows else ())


def _fault_section(account: QualityAccount, clock: PlantClock, shown: Shown) -> Section:
    note = "A faulty reading is left out of the figures, never deleted."
    items = (fault_sheet(account.findings, clock, shown),) if account.findings else ()
    return Section("faults", "Every fault found", note, items)


def _refused_section(context: PageContext) -> Section:
    items: list[Item] = []
    refused = tuple((each.file, f"{line}", why) for each in context.inputs for line, why in each.refusals)
    count = sum(each.refused for each in context.inputs)
    if refused:
        caption = "Rows that could not be used"
        items.append(Sheet(caption, (Head("File"), Head("Line", is_number=True), Head("Why")), refused))
    if count > len(refused):
        items.append(Prose(f"{count - len(refused):,} more rows were refused; each file lists its first."))
    texts = tuple(
        (each.file, tag, text, f"{number:,}")
        for each in context.inputs
        for tag, own in each.texts.items()
        for text, number in sorted(own.items(), key=lambda pair: (-pair[1], pair[0]))
    )
    if texts:
        heads = (Head("File"), Head("Tag"), Head("Text"), Head("Times", is_number=True))
        items.append(Sheet("Texts where a number belongs", heads, texts))
    note = "Nothing is dropped without being counted: these are the rows and cells that gave no reading."
    return Section("refused", "What was refused", note, tuple(items))


def _sample_section(context: PageContext, clock: PlantClock) -> Section:
    sheet = doubtful_samples(context, clock)
    return Section("samples", "Grab samples left out", "", () if sheet is None else (sheet,))


def _method_section(context: PageContext, shown: Shown) -> Section:
    told = tuple(dict.fromkeys(shown.retold(note) for note in context.notes if note))
    general = (
        "Good time is time with a reading that its source does not call bad, inside its range, not stuck and not "
        "older than the longest silence bridged; time marked uncertain is used and shown.",
        "Stuck means longer without any change than this meter's own habit allows while the press moves.",
        "Spans of doubled times and of clocks out of step cost no readings and are not counted as lost.",
    )
    return Section("method", "How it was judged", "", (Listing((*told, *general)),))
