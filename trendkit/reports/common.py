"""The parts every page shares: docket, upset table, data quality, what the page rests on, cautions and sign-off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from trendkit import __version__
from trendkit.findings import Finding
from trendkit.plant.model import Limit
from trendkit.press.results import FigureTable
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.context import PageContext
from trendkit.reports.page import Cell, Head, Item, Listing, Panel, Prose, Section, Sheet, SignOff
from trendkit.reports.plant_clock import PlantClock, day_text, period_text
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.thinning import segments
from trendkit.reports.time_charts import Availability, Span, draw_availability
from trendkit.reports.words import CAUSES, FAULTS, KINDS, SEVERITIES, figure_name, said
from trendkit.upsets.results import Upset


def shown_for(context: PageContext) -> Shown:
    """Return how this plant reads numbers: its display units and its currency."""
    costs = context.plant.costs
    return Shown(context.plant.display_units, costs.currency if costs else "")


def facts(context: PageContext, clock: PlantClock) -> tuple[tuple[str, str], ...]:
    """Return the docket: press, period with its zone, and how much of it has readings."""
    changed = f", clock changed {clock.day_text(clock.changes[0])}" if clock.changes else ""
    return (
        ("Press", context.press.name),
        ("Period", f"{period_text(context.plant, context.period)}, {context.period.timezone}{changed}"),
        ("Feed flow known for", f"{context.covered_share:.1%} of the time".replace("%", "\u00a0%")),
        ("Units", "US customary" if context.plant.display_units == "us" else "SI"),
    )


def limit_text(limit: Limit | None, column: str, shown: Shown) -> str:
    """Return a target as words: "at least 95 %", "at most 18 lb/ton", "14 to 18 gpm/m"."""
    if limit is None:
        return ""
    if limit.low is not None and limit.high is not None:
        return f"{shown.digits(limit.low, column)} to {shown.amount(limit.high, column)}"
    if limit.low is not None:
        return f"at least {short_amount(limit.low, column, shown)}"
    return f"at most {short_amount(limit.high, column, shown)}" if limit.high is not None else ""


def short_amount(value: float | None, column: str, shown: Shown) -> str:
    """Return a set number (a target) without trailing zeros: "95 %"."""
    number = f"{shown.number(value, column):.4g}"
    unit = shown.unit(column)
    return f"{number}\u00a0{unit}" if unit else number


def is_off(value: object, limit: Limit | None) -> bool:
    """True when a known value lies beyond its target."""
    if limit is None or not isinstance(value, int | float) or not is_known(value):
        return False
    return (limit.low is not None and value < limit.low) or (limit.high is not None and value > limit.high)


# --- upsets ---------------------------------------------------------------------------------------------


def spans(upsets: Sequence[Upset], kinds: Iterable[str] | None = None) -> tuple[Span, ...]:
    """Return the upsets that show one of `kinds` (all without it) as spans, numbered by their place in the ledger."""
    wanted = None if kinds is None else set(kinds)
    return tuple(
        Span(number, upset.start, upset.end)
        for number, upset in enumerate(upsets, start=1)
        if wanted is None or wanted & {upset.kind, *upset.kinds}
    )


def upset_sheet(upsets: Sequence[Upset], clock: PlantClock, shown: Shown) -> Sheet:
    """Return the ledger for people: numbers as in the drawings, plant time, evidence in the reader's units."""
    heads = (
        Head("No.", is_number=True),
        Head("From", "plant time"),
        Head("Lasted", "h:min", True),
        Head("What was seen"),
        Head("Severity"),
        Head("Likeliest cause", "weight"),
        Head("Evidence"),
        Head("Solids lost", shown.unit("lost_dry_solids_kg"), True),
        Head("Extra cost", shown.currency, True),
    )
    rows = tuple(_upset_row(number, upset, clock, shown) for number, upset in enumerate(upsets, start=1))
    return Sheet("Upsets of the period", heads, rows)


def _upset_row(number: int, upset: Upset, clock: PlantClock, shown: Shown) -> tuple[Cell | str, ...]:
    minutes = round((upset.end - upset.start).total_seconds() / 60)
    weight = upset.causes[0].weight if upset.causes else None
    cause = said(CAUSES, upset.cause)
    return (
        str(number),
        clock.time_text(upset.start),
        f"{minutes // 60}:{minutes % 60:02d}",
        ", ".join(said(KINDS, kind) for kind in dict.fromkeys((upset.kind, *upset.kinds))),
        Cell(SEVERITIES[upset.severity], "misses" if upset.severity > 1 else ""),
        f"{cause} ({weight:.0%})".replace("%", "\u00a0%") if weight is not None else cause,
        shown.retold(upset.evidence),
        shown.digits(upset.lost_dry_solids_kg, "kg") if is_known(upset.lost_dry_solids_kg) else DASH,
        f"{upset.extra_cost:,.0f}" if upset.extra_cost is not None and is_known(upset.extra_cost) else DASH,
    )


# --- data quality ---------------------------------------------------------------------------------------


def quality_section(context: PageContext, table: FigureTable, clock: PlantClock, title: str = "Can the readings be trusted?") -> Section:
    """Return the section on the readings themselves: availability by tag, faults found, what was left out."""
    shown = shown_for(context)
    items: list[Item] = [_availability_panel(context, table, clock)]
    if context.findings:
        items.append(_fault_sheet(context.findings, clock, shown))
    if context.excluded:
        items.append(_excluded_sheet(context, clock))
    doubtful = _doubtful_samples(context, clock)
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
    note = "A bar is where a tag has readings; an outlined stretch is a fault. A faulty reading is left out of the figures, never deleted."
    return Section("readings", title, note, tuple(items))


def _availability_panel(context: PageContext, table: FigureTable, clock: PlantClock) -> Panel:
    inside = (table.frame.index >= context.period.start_utc) & (table.frame.index < context.period.end_utc)
    frame = table.frame[inside]
    every = pd.Timedelta(seconds=table.every_s)
    merged = max(1, round(context.period.hours * 3600 / 640 / table.every_s))
    tags = []
    for tag in context.press.tags.values():
        if tag.column not in frame:
            continue
        known = frame[tag.column].notna()
        stretches = tuple(
            (frame.index[start], frame.index[stop - 1] + every)
            for start, stop in segments(known.astype("float64").where(known).to_numpy(), most_missing=merged)
        )
        faults = tuple(
            (finding, said(FAULTS, finding.fault))
            for finding in context.findings
            if finding.tag == tag.tag and finding.end_utc > context.period.start_utc and finding.start_utc < context.period.end_utc
        )
        label = f"{figure_name(tag.name)}  ({tag.tag})"
        tags.append(Availability(label, stretches, float(known.mean()) if len(known) else 0.0, faults))
    whole = sum(tag.share >= 0.98 for tag in tags)
    faulty = sum(bool(tag.faults) for tag in tags)
    finding = f"{whole} of {len(tags)} tags have readings for at least 98 % of the period; {faulty or 'none'} of them show faults."
    sheet = Sheet(
        "share of the period with readings",
        (Head("Tag"), Head("With readings", "%", True)),
        tuple((tag.label, f"{100 * tag.share:.1f}") for tag in tags),
    )
    caption = f"Gaps shorter than {merged * table.every_s // 60 or 1} min are not drawn. {clock.zone[:1].upper()}{clock.zone[1:]}."
    svg = draw_availability("availability", tags, clock)
    return Panel("availability", "Readings by tag", finding, svg, caption, sheet, "misses" if faulty else "")


def _fault_sheet(findings: Sequence[Finding], clock: PlantClock, shown: Shown) -> Sheet:
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
    return Sheet("Faults found in the readings", tuple(Head(name) for name in heads), rows)


def _excluded_sheet(context: PageContext, clock: PlantClock) -> Sheet:
    rows = tuple((clock.time_text(each.start_utc), clock.time_text(each.end_utc), each.reason) for each in context.excluded)
    return Sheet("Left out of means by the plant file (kept in totals)", (Head("From"), Head("To"), Head("Reason")), rows)


def _doubtful_samples(context: PageContext, clock: PlantClock) -> Sheet | None:
    if context.lab is None or context.lab.empty:
        return None
    lab = context.lab[context.lab["is_suspect"].astype(bool)]
    period = context.period
    lab = lab[(lab["sampled_at"] >= period.start_utc) & (lab["sampled_at"] < period.end_utc)]
    rows = tuple(
        (clock.time_text(row.sampled_at), f"{row.point} {row.analysis}", f"{row.value:.4g}", row.why, row.note or DASH)
        for row in lab.itertuples(index=False)
    )
    heads = (Head("Sampled"), Head("Sample"), Head("Result", "%, mg/L", True), Head("Why left out"), Head("Note on the sheet"))
    return Sheet("Grab samples left out", heads, rows) if rows else None


# --- the end of every page -------------------------------------------------------------------------------


def method_section(context: PageContext, notes: Sequence[str]) -> Section:
    """Return how the figures came about, in sentences."""
    shown = shown_for(context)
    told = tuple(dict.fromkeys(shown.retold(note) for note in (*context.notes, *notes) if note))
    general = (
        "Means over any span are ratios of sums (solids kept over solids fed), not means of minute values.",
        "Means count the minutes with the press feeding steadily; totals, hours and costs count every minute.",
        "Cake and filtrate are matched to the feed that made them, minutes earlier, by the sludge's own travel time.",
        "Limits are 95 %: the true value lies inside them 19 times in 20, if the meters are as good as stated.",
    )
    return Section("method", "How it was worked out", "", (Listing((*told, *general)),))


def caution_list() -> Listing:
    """Return the cautions for work at the press."""
    return Listing(AT_THE_PRESS, "cautions", "Before anyone touches the press")


def provenance_section(context: PageContext, clock: PlantClock, made: str) -> Section:
    """Return what the page rests on, and lines to sign."""
    inputs = Sheet(
        "Inputs read",
        (Head("File"), Head("Rows", is_number=True), Head("Refused", is_number=True), Head("SHA-256")),
        tuple((each.file, f"{each.rows:,}", Cell(f"{each.refused:,}", "misses" if each.refused else ""), each.sha256) for each in context.inputs),
    )
    read = tuple(f"{each.file}: {note}" for each in context.inputs for note in each.notes)
    share = f"{context.covered_share:.1%}".replace("%", "\u00a0%")
    text = (
        f"{context.press.name}, {context.plant.name}. {period_text(context.plant, context.period)}, {clock.zone}. "
        f"Feed flow known for {share} of the period. Plant file SHA-256 {context.plant.sha256}. "
        f"Lines join readings; a state or setting holds until its next. trendkit {__version__}{', made ' + made if made else ''}."
    )
    items: list[Item] = [inputs]
    if read:
        items.append(Listing(read))
    items += [Prose(text), SignOff(("Prepared by, date", "Checked by, date", "Licensed operator in charge, date"))]
    return Section("basis", "What this page rests on", "Kept so that the figures can be made again from the same files.", tuple(items))


def day_label(day: object) -> str:
    """Return a day cell ("18 Mar") whatever date type the frame holds."""
    return day_text(pd.Timestamp(str(day)).date(), with_year=False)
