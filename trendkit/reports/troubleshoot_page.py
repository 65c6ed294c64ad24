"""The bad-day page: was it a bad cake day, what moved first, what cost how much, what to check at the press."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.plant.calendar import Period
from trendkit.plant.display import display
from trendkit.plant.roles import ROLES
from trendkit.press.results import FigureTable
from trendkit.reports import common
from trendkit.reports.context import PageContext
from trendkit.reports.figure_charts import draw_contributions
from trendkit.reports.page import Cell, FigureLine, Head, Item, Listing, Mark, Page, Panel, Prose, Section, Sheet, made_at
from trendkit.reports.plant_clock import PlantClock, clock_of, day_text
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.time_charts import Row, draw_rows
from trendkit.reports.words import CAUSES, figure_name, meaning, said
from trendkit.upsets.results import DayAccount, Difference, Move, Upset

_FAR = 3.0  # robust spreads from usual that ask for attention
_MOST_LINES = 6
_MOST_ROWS = 8
_ALWAYS = ("cake_solids_pct", "capture_pct")
_WITHOUT_MOVES = (
    "feed_flow_m3_h",
    "feed_solids_pct",
    "polymer_dose_kg_t",
    "gravity_belt_speed_m_min",
    "pressure_belt_speed_m_min",
    "washwater_flow_m3_h",
)


def troubleshoot_page(
    context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset]
) -> Page:
    """Return the bad-day page as page content."""
    shown, clock = common.shown_for(context), clock_of(context.period)
    sections = [
        _course_section(context, account, table, upsets, shown),
        _share_section(account, shown),
        _cause_section(account, shown),
        _check_section(account, shown),
        _comparison_section(account, shown),
        Section("upsets", "Upsets of the day", "", (common.upset_sheet(upsets, clock, shown),) if upsets else ()),
        common.quality_section(context, table, clock),
        common.method_section(context, (*table.notes, *account.notes)),
        common.provenance_section(context, clock, made_at()),
    ]
    mark: dict[str, Mark] = {"bad": "misses", "not_bad": "meets", "cannot_tell": "undecided"}
    return Page(
        title=f"{context.press.name}, {day_text(account.day)}",
        press=context.press.name,
        plant=context.plant.name,
        question="What went wrong on this day?",
        facts=common.facts(context, clock),
        answer=_answer(context, account, shown),
        mark=mark[account.verdict],
        marked=_exceptions(context, account, clock, shown),
        sections=tuple(section for section in sections if section.items),
        lines=_lines(account, shown),
        lines_heads=("", "Usual", "Distance from usual"),
        lines_note="On the ruler: the bar is the usual range of the comparison days, the upright this day, the diamond "
        "their middle. A triangle stands where the day is over three times the usual spread away.",
    )


# --- the answer -----------------------------------------------------------------------------------------


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
    if account.verdict == "cannot_tell":
        return f"These readings cannot tell whether {day} was a bad cake day on {press}{told}."
    if account.verdict == "not_bad":
        return f"{day} was not a bad cake day on {press}{told}."
    likeliest = account.causes[0] if account.causes else None
    if likeliest is None or likeliest.cause == "unknown":
        return f"{day} was a bad cake day on {press}{told}; its cause does not show in these tags."
    return f"{day} was a bad cake day on {press}{told}; the likeliest cause is {said(CAUSES, likeliest.cause)}."


def _exceptions(
    context: PageContext, account: DayAccount, clock: PlantClock, shown: Shown
) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = []
    if account.verdict == "cannot_tell" and account.answer:
        marked.append(("undecided", shown.retold(account.answer)))
    if account.timeline and account.verdict == "bad":
        first = min(account.timeline, key=lambda move: move.time)
        marked.append(("misses", f"First to move: {_moved(first, clock, shown)}."))
    largest = max(account.contributions, key=lambda part: part.points, default=None)
    if largest is not None and largest.low > 0:
        words = f"{largest.points:.1f} points of cake solids ({largest.low:.1f} to {largest.high:.1f})"
        marked.append(("misses", f"Largest share of the loss: {said(CAUSES, largest.factor)}, {words}."))
    if context.findings:
        count = len(context.findings)
        what = "One fault was" if count == 1 else f"{count} faults were"
        marked.append(("undecided", f"{what} found in the readings themselves; see “Can the readings be trusted?”"))
    return tuple(marked)


def _moved(move: Move, clock: PlantClock, shown: Shown) -> str:
    size, unit = display(abs(move.size), move.unit, shown.system, is_difference=True)
    amount = f"{shown.digits(abs(move.size), move.unit)}\u00a0{unit or move.unit}".strip() if is_known(size) else ""
    return f"{figure_name(move.role).lower()} {move.direction} by {amount} at {clock.time_text(move.time, with_day=False)}"


# --- figures --------------------------------------------------------------------------------------------


def _lines(account: DayAccount, shown: Shown) -> tuple[FigureLine, ...]:
    chosen = [change for change in account.changes if change.figure in _ALWAYS]
    others = sorted((c for c in account.changes if c.figure not in _ALWAYS), key=lambda c: -abs(c.z))
    return tuple(_line(change, shown) for change in [*chosen, *others][:_MOST_LINES])


def _line(change: Difference, shown: Shown) -> FigureLine:
    name = change.figure
    is_far = abs(change.z) > _FAR
    low, high = (shown.digits(each, name, change.usual_low, change.usual_high) for each in (change.usual_low, change.usual_high))
    value = f"{shown.digits(change.value, name, change.usual_low, change.usual_high)}\u00a0{shown.unit(name)}".strip()
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


# --- sections -------------------------------------------------------------------------------------------


def _active(period: Period, table: FigureTable) -> Period:
    """Return the part of the day in which the press moved, an hour to spare at both ends, whole hours."""
    frame = table.frame[(table.frame.index >= period.start_utc) & (table.frame.index < period.end_utc)]
    moving = frame.index[(frame["phase"] != "stopped").to_numpy()]
    if not len(moving):
        return period
    start = max(period.start_utc, (moving[0] - pd.Timedelta(minutes=45)).floor("h"))
    end = min(period.end_utc, (moving[-1] + pd.Timedelta(minutes=45)).ceil("h"))
    return Period(start, end, period.timezone)


def _column_of(move: Move, frame: pd.DataFrame) -> str | None:
    if move.role in ROLES:
        return ROLES[move.role].column
    if move.role in frame.columns:
        return move.role
    return next((str(name) for name in frame.columns if str(name).startswith(f"{move.role}_")), None)


def _course_section(
    context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset], shown: Shown
) -> Section:
    period = _active(context.period, table)
    clock = clock_of(period)
    frame = table.frame[(table.frame.index >= period.start_utc) & (table.frame.index < period.end_utc)]
    rows = _rows(account, frame, shown)
    items: list[Item] = []
    if rows:
        moves = sorted(account.timeline, key=lambda move: move.time)
        finding = (
            f"First to move: {_moved(moves[0], clock, shown)}." if moves else "No tag left its usual band on this day."
        )
        svg = draw_rows("day-rows", rows, common.spans(upsets), clock)
        caption = "The dotted rule marks the first move through all the tags. Cake and filtrate answer minutes later, since the sludge has to travel."
        items.append(Panel("day-rows", "Tags and figures through the day", finding, svg, caption, _move_sheet(moves, clock, shown)))
    note = "Grey band: the usual range of the comparison days. A triangle above a plot: when it left its usual band, and which way. Shaded: upsets, numbered as listed below."
    return Section("course", "What moved, and when", note, tuple(items))


def _rows(account: DayAccount, frame: pd.DataFrame, shown: Shown) -> list[Row]:
    usual = {change.figure: (change.usual_low, change.usual_high) for change in account.changes}
    moves = sorted(account.timeline, key=lambda move: move.time)
    first_moves: dict[str, Move] = {}
    for move in moves:
        column = _column_of(move, frame)
        if column is not None:
            first_moves.setdefault(_drawn_column(column, frame), move)
    wanted = dict.fromkeys([*first_moves, *_ALWAYS] if first_moves else [*_ALWAYS, *_WITHOUT_MOVES])
    first = moves[0] if moves else None
    rows = []
    for column in wanted:
        if column not in frame or not pd.api.types.is_numeric_dtype(frame[column]) or not frame[column].notna().any():
            continue
        found = first_moves.get(column)
        band = usual.get(column)
        rows.append(
            Row(
                title=shown.name(column),
                line=display(frame[column], column, shown.system)[0],
                usual=None if band is None else (shown.number(band[0], column), shown.number(band[1], column)),
                moved_at=found.time if found else None,
                direction=found.direction if found else "",
                is_first=found is not None and found is first,
            )
        )
    return rows[:_MOST_ROWS]


def _drawn_column(column: str, frame: pd.DataFrame) -> str:
    """Return the figure that stands for a raw reading where both are had, so that each is drawn once."""
    stands_for = {"cake_solids_meter_pct": "cake_solids_pct", "thickened_solids_meter_pct": "thickened_solids_pct"}
    figure = stands_for.get(column, column)
    return figure if figure in frame and frame[figure].notna().any() else column


def _move_sheet(moves: Sequence[Move], clock: PlantClock, shown: Shown) -> Sheet | None:
    rows = tuple(
        (clock.time_text(move.time), figure_name(move.role), move.direction, f"{shown.digits(abs(move.size), move.unit)} {shown.unit(move.unit) or move.unit}")
        for move in moves
    )
    heads = (Head("Time", "plant time"), Head("Tag or figure"), Head("Moved"), Head("By", is_number=True))
    return Sheet("the order of moves", heads, rows) if rows else None


def _share_section(account: DayAccount, shown: Shown) -> Section:
    if not account.contributions:
        return Section("shares", "Where the points went", "", ())
    parts = [
        (said(CAUSES, part.factor).capitalize(), part.points, part.low, part.high, part.factor != "unexplained")
        for part in sorted(account.contributions, key=lambda part: (part.factor == "unexplained", -part.points))
    ]
    sure = [name.lower() for name, _, low, _, is_told in parts if is_told and low > 0]
    finding = f"Beyond doubt at 95 %: {', '.join(sure)}." if sure else "No single factor stands out beyond doubt."
    sheet = Sheet(
        "points of cake solids lost",
        (Head("Factor"), Head("Points lost", is_number=True), Head("95 % limits", is_number=True)),
        tuple((name, f"{v:.2f}".replace("-", "−"), f"{low:.2f} to {high:.2f}".replace("-", "−")) for name, v, low, high, _ in parts),
    )
    panel = Panel("shares", "Points of cake solids lost to each factor", finding, draw_contributions("shares-drawing", parts), "The dark rule through each bar is its 95 % limits. The dashed bar is what these tags do not explain.", sheet)
    return Section("loss", "Where the points went", "Compared with days of like feed and load.", (panel,))


def _cause_section(account: DayAccount, shown: Shown) -> Section:
    rows = tuple(
        (said(CAUSES, cause.cause).capitalize(), f"{cause.weight:.0%}".replace("%", "\u00a0%"), shown.retold(cause.because) or DASH, shown.retold(cause.check) or DASH)
        for cause in account.causes
    )
    heads = (Head("Cause"), Head("Weight", is_number=True), Head("Because"), Head("What would settle it"))
    note = "Weights share out the evidence among the causes; they are no certainty. Streaks, ponding and slime must be seen: the tags are only consistent with them."
    return Section("causes", "Likeliest causes", note, (Sheet("Causes, likeliest first", heads, rows),) if rows else ())


def _check_section(account: DayAccount, shown: Shown) -> Section:
    items: list[Item] = [common.caution_list()]
    if account.checks:
        items.append(Listing(tuple(shown.retold(check) for check in account.checks), "ticks", "In this order"))
    else:
        items.append(Prose("Nothing asks for a check at the press."))
    return Section("checks", "What to check at the press", "Print this part and tick it off; note the time beside each.", tuple(items))


def _comparison_section(account: DayAccount, shown: Shown) -> Section:
    items: list[Item] = []
    if account.changes:
        items.append(Sheet("This day against the comparison days", _CHANGE_HEADS, tuple(_change_row(each, shown) for each in account.changes)))
    if account.compared_with:
        rows = tuple((day_text(each.day), shown.retold(each.why)) for each in account.compared_with)
        items.append(Sheet("Days it is compared with", (Head("Day"), Head("Why it is a fair comparison")), rows))
    return Section("comparison", "Compared with other days", "", tuple(items))


_CHANGE_HEADS = (
    Head("Figure"),
    Head("This day", is_number=True),
    Head("Usual", is_number=True),
    Head("Usual range", is_number=True),
    Head("Distance", "usual spreads", True),
)


def _change_row(change: Difference, shown: Shown) -> tuple[Cell | str, ...]:
    name, low, high = change.figure, change.usual_low, change.usual_high
    mark: Mark = "misses" if abs(change.z) > _FAR else ""
    return (
        shown.name(name),
        shown.digits(change.value, name, low, high),
        shown.digits(change.usual, name, low, high),
        f"{shown.digits(low, name, low, high)} to {shown.digits(high, name, low, high)}",
        Cell(f"{change.z:+.1f}".replace("-", "−"), mark),
    )
