"""What moved on the day, and when: the tags under one another, the first mover ruled through them."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.plant.calendar import Period
from trendkit.plant.display import display, significant
from trendkit.plant.roles import ROLES
from trendkit.press.results import FigureTable
from trendkit.reports.close_look import close_look
from trendkit.reports.context import PageContext
from trendkit.reports.day_causes import FAR
from trendkit.reports.page import Head, Item, Panel, Section, Sheet
from trendkit.reports.plant_clock import PlantClock, clock_of
from trendkit.reports.row_charts import Row, draw_rows, row_plots
from trendkit.reports.shown import Shown
from trendkit.reports.upset_sheet import spans
from trendkit.reports.words import figure_name
from trendkit.upsets.results import DayAccount, Move, Upset

_MOST_ROWS = 8


ALWAYS = ("cake_solids_pct", "capture_pct")


_WITHOUT_MOVES = (
    "feed_flow_m3_h",
    "feed_solids_pct",
    "polymer_dose_kg_t",
    "gravity_belt_speed_m_min",
    "pressure_belt_speed_m_min",
    "washwater_flow_m3_h",
)


def moved(move: Move, clock: PlantClock, shown: Shown) -> str:
    """Return one move in words: "polymer flow down by 201 gal/h at 10:12"."""
    by = _size(move, shown)
    return f"{figure_name(move.role).lower()} {move.direction} by {by} at {clock.time_text(move.time, with_day=False)}"


def _size(move: Move, shown: Shown) -> str:
    """Return how far a tag moved; a share moves by points, not by percent."""
    size = abs(move.size)
    if move.unit in ("%", "percent", "pct", "points"):
        return f"{shown.digits(size, 'pct')} points"
    number, unit = display(size, move.unit, shown.system, is_difference=True)
    return f"{significant(number)}\u00a0{unit or move.unit}".strip()


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


def course_section(
    context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset], shown: Shown
) -> Section:
    """Return the section on what left its usual band, in order, over the hours the press moved."""
    period = _active(context.period, table)
    clock = clock_of(period)
    frame = table.frame[(table.frame.index >= period.start_utc) & (table.frame.index < period.end_utc)]
    is_thickening = (frame["mode"] == "thickening") & (frame["phase"] != "stopped")
    frame = frame[~is_thickening].reindex(frame.index)
    rows = _rows(account, frame, shown) if (frame["phase"] != "stopped").any() else []
    items: list[Item] = []
    if rows:
        moves = sorted(account.timeline, key=lambda move: move.time)
        finding = f"First to move: {moved(moves[0], clock, shown)}." if moves else _nothing_moved(account, shown)
        svg = draw_rows("day-rows", rows, spans(upsets), clock)
        caption = "Cake and filtrate answer minutes later than the feed, since the sludge has to travel."
        if moves:
            caption = f"The dotted rule marks the first move through all the tags. {caption}"
        items.append(
            Panel(
                "day-rows",
                "Tags and figures through the day",
                finding,
                svg,
                caption,
                _move_sheet(moves, clock, shown),
                numbers=close_look(row_plots(rows, spans(upsets), clock), clock),
            )
        )
    note = (
        "Grey band: the usual range of the comparison days. A triangle above a plot: when it left its "
        "usual band, and which way. Shaded: upsets, numbered as listed below."
    )
    if is_thickening.any():
        note += " Left blank: while the press thickened, which makes no cake."
    return Section("course", "What moved, and when", note, tuple(items))


def _nothing_moved(account: DayAccount, shown: Shown) -> str:
    """Return that no tag moved, and what nevertheless differs from the comparison days."""
    if not account.changes and account.verdict == "cannot_tell":
        return "No tag can be held against its usual band on this day."
    text = "No tag left the band it kept in this run and the ones before"
    far = [shown.name(change.figure).partition(",")[0] for change in account.changes if abs(change.z) > FAR][:3]
    return f"{text}; against the comparison days these differ: {', '.join(far).lower()}." if far else f"{text}."


def _rows(account: DayAccount, frame: pd.DataFrame, shown: Shown) -> list[Row]:
    usual = {change.figure: (change.usual_low, change.usual_high) for change in account.changes}
    moves = sorted(account.timeline, key=lambda move: move.time)
    first_moves: dict[str, Move] = {}
    for move in moves:
        column = _column_of(move, frame)
        if column is not None:
            first_moves.setdefault(_drawn_column(column, frame), move)
    wanted = dict.fromkeys([*first_moves, *ALWAYS] if first_moves else [*ALWAYS, *_WITHOUT_MOVES])
    first = moves[0] if moves else None
    pressed = frame[frame["phase"] == "pressing"] if (frame["phase"] == "pressing").any() else frame
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
                focus=display(pressed[column], column, shown.system)[0],
                usual=None if band is None else (shown.number(band[0], column), shown.number(band[1], column)),
                moved_at=found.time if found else None,
                direction=found.direction if found else "",
                is_first=found is not None and found is first,
            )
        )
    return rows[:_MOST_ROWS]


def _drawn_column(column: str, frame: pd.DataFrame) -> str:
    """Return the figure that stands for a raw reading where both are had, so that each is drawn once."""
    stands_for = {
        "cake_solids_meter_pct": "cake_solids_pct",
        "thickened_solids_meter_pct": "thickened_solids_pct",
        "filtrate_solids_mg_l": "filtrate_tss_mg_l",
    }
    figure = stands_for.get(column, column)
    return figure if figure in frame and frame[figure].notna().any() else column


def _move_sheet(moves: Sequence[Move], clock: PlantClock, shown: Shown) -> Sheet | None:
    rows = tuple(
        (
            clock.time_text(move.time),
            figure_name(move.role),
            move.direction,
            _size(move, shown),
        )
        for move in moves
    )
    heads = (
        Head("Time", "plant time", is_short=True),
        Head("Tag or figure"),
        Head("Moved"),
        Head("By", is_number=True),
    )
    return Sheet("the order of moves", heads, rows) if rows else None
