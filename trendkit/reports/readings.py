"""Whether the readings can be trusted: availability by tag, faults found, what was left out and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.calendar import Period
from trendkit.press.results import FigureTable
from trendkit.reports.availability_chart import Availability, availability_plot, draw_availability
from trendkit.reports.close_look import close_look
from trendkit.reports.context import PageContext
from trendkit.reports.docket import shown_for
from trendkit.reports.page import Head, Item, Mark, Panel, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.thinning import segments
from trendkit.reports.words import FAULTS, figure_name, said

_COMPLETE = 0.99  # share of the period from which a tag counts as there throughout
_DRAWN_PX = 640  # a gap narrower than one of these would not be seen


def quality_section(
    context: PageContext, table: FigureTable, clock: PlantClock, title: str = "Can the readings be trusted?"
) -> Section:
    """Return the section on the readings themselves: availability by tag, faults found, what was left out."""
    shown = shown_for(context)
    items: list[Item] = [_availability_panel(context, table, clock)]
    if context.findings:
        items.append(fault_sheet(context.findings, clock, shown))
    if context.excluded:
        items.append(_excluded_sheet(context, clock))
    doubtful = doubtful_samples(context, clock)
    if doubtful is not None:
        items.append(doubtful)
    if table.unavailable:
        items.append(
            Sheet(
                "Figures that cannot be had on this press",
                (Head("Figure"), Head("Why")),
                tuple((figure_name(column, shown.system), why) for column, why in table.unavailable.items()),
            )
        )
    note = (
        "A bar is where a tag has readings; an outlined stretch is a fault. A faulty reading is left out "
        "of the figures, never deleted."
    )
    return Section("readings", title, note, tuple(items))


def _availability_panel(context: PageContext, table: FigureTable, clock: PlantClock) -> Panel:
    merged = bins_in_a_pixel(context.period, table.every_s)
    tags = tag_availability(context, table.frame, table.every_s, merged)
    faulty = sum(bool(tag.faults) for tag in tags)
    drawn = [tag for tag in tags if tag.faults or tag.share < _COMPLETE] or tags[:1]
    whole = [tag.label for tag in tags if tag not in drawn]
    finding = f"{len(tags) - sum(tag.share < _COMPLETE for tag in tags)} of {len(tags)} tags have readings throughout; "
    finding += (
        f"{faulty} of the {len(tags)} {'shows a fault' if faulty == 1 else 'show faults'}."
        if faulty
        else "none shows a fault."
    )
    sheet = Sheet(
        "share of the period with readings",
        (Head("Tag"), Head("With readings", "%", True)),
        tuple((tag.label, f"{100 * tag.share:.1f}") for tag in tags),
    )
    complete = f"Complete and without faults, so not drawn: {', '.join(whole)}. " if whole else ""
    caption = f"{complete}Gaps shorter than {max(merged * table.every_s // 60, 1)} min are not drawn."
    svg = draw_availability("availability", drawn, clock)
    mark: Mark = "misses" if faulty else ""
    numbers = close_look([availability_plot(drawn)], clock)
    return Panel("availability", "Readings by tag", finding, svg, caption, sheet, mark, numbers)


def bins_in_a_pixel(period: Period, every_s: int) -> int:
    """Return how many bins long a gap must be to be seen in a drawing of the whole period."""
    return max(1, round(period.hours * 3600 / _DRAWN_PX / every_s))


def tag_availability(context: PageContext, rows: pd.DataFrame, every_s: int, merged: int) -> list[Availability]:
    """Return where each tag of the press has readings; gaps up to `merged` bins are bridged for the eye.

    `rows` has a column per role and free tag, indexed by the start of its bins of `every_s` seconds (UTC).
    """
    period = context.period
    frame = rows[(rows.index >= period.start_utc) & (rows.index < period.end_utc)]
    every = pd.Timedelta(seconds=every_s)
    tags = []
    for tag in context.press.tags.values():
        if tag.column not in frame:
            continue
        known = frame[tag.column].notna()
        stretches = tuple(
            (frame.index[start], frame.index[stop - 1] + every)
            for start, stop in segments(np.where(known.to_numpy(), 1.0, np.nan), most_missing=merged)
        )
        faults = tuple(
            (finding, said(FAULTS, finding.fault))
            for finding in context.findings
            if finding.tag == tag.tag and finding.end_utc > period.start_utc and finding.start_utc < period.end_utc
        )
        label = f"{figure_name(tag.name)} ({tag.tag})"
        tags.append(Availability(label, stretches, float(known.mean()) if len(known) else 0.0, faults))
    return tags


def fault_sheet(findings: Sequence[Finding], clock: PlantClock, shown: Shown) -> Sheet:
    """Return the faults found, a row each: tag, when, what was seen and what it does to the figures."""
    rows = tuple(
        (
            finding.tag,
            figure_name(finding.role) if finding.role else DASH,
            said(FAULTS, finding.fault),
            clock.time_text(finding.start_utc),
            clock.time_text(finding.end_utc),
            shown.retold(finding.evidence),
            shown.retold(finding.effect),
        )
        for finding in findings
    )
    heads = ("Tag", "Role", "Fault", "From", "To", "Seen", "Effect on the figures")
    return Sheet(
        "Faults found in the readings",
        tuple(Head(name, is_short=name in ("From", "To")) for name in heads),
        rows,
    )


def _excluded_sheet(context: PageContext, clock: PlantClock) -> Sheet:
    rows = tuple(
        (clock.time_text(each.start_utc), clock.time_text(each.end_utc), each.reason) for each in context.excluded
    )
    return Sheet(
        "Left out of means by the plant file (kept in totals)",
        (Head("From", is_short=True), Head("To", is_short=True), Head("Reason")),
        rows,
    )


def doubtful_samples(context: PageContext, clock: PlantClock) -> Sheet | None:
    """Return the grab samples of the period that do not count, and why; None when all do."""
    if context.lab is None or context.lab.empty:
        return None
    lab = context.lab[context.lab["is_suspect"].astype(bool)]
    period = context.period
    lab = lab[(lab["sampled_at"] >= period.start_utc) & (lab["sampled_at"] < period.end_utc)]
    rows = tuple(
        (
            clock.time_text(row["sampled_at"]),
            f"{row['point']} {row['analysis']}",
            f"{row['value']:.4g}" if is_known(row["value"]) else DASH,
            str(row["why"]),
            str(row["note"] or DASH),
        )
        for row in lab.to_dict("records")
    )
    heads = (
        Head("Sampled", is_short=True),
        Head("Sample"),
        Head("Result", "%, mg/L", True),
        Head("Why left out"),
        Head("Note on the sheet"),
    )
    return Sheet("Grab samples left out", heads, rows) if rows else None
