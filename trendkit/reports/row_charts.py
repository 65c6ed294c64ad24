"""The bad day's drawing: tags under one another on one time axis, the first mover ruled through them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from trendkit.reports.close_look import Plot
from trendkit.reports.drawing import WIDTH, altair, inline, layered, rows, to_svg
from trendkit.reports.palette import ATTENTION, INK, WASH
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.strip_charts import Span, span_numbers, span_shades
from trendkit.reports.thinning import thin
from trendkit.reports.time_axis import time_x
from trendkit.reports.value_axis import value_domain, value_y


@dataclass(frozen=True)
class Row:
    """One tag or figure of a day, in the reader's units, with its usual band and the moment it moved."""

    title: str
    line: pd.Series
    focus: pd.Series  # the values that set the axis: those while pressing
    usual: tuple[float, float] | None = None
    moved_at: pd.Timestamp | None = None
    direction: str = ""
    is_first: bool = False


def draw_rows(slug: str, day_rows: Sequence[Row], spans: tuple[Span, ...], clock: PlantClock) -> Markup:
    """Draw a day's tags under one another on one time axis; the first to move is ruled through all."""

    first_move = next((row.moved_at for row in day_rows if row.is_first), None)
    views = [
        _row_view(row, spans, clock, first_move, is_last=number == len(day_rows) - 1)
        for number, row in enumerate(day_rows)
    ]
    return to_svg({"vconcat": views, "spacing": 6}, slug)


def row_plots(day_rows: Sequence[Row], spans: tuple[Span, ...], clock: PlantClock) -> list[Plot]:
    """Return what is drawn of a day's tags, row by row, for looking closer."""
    first_move = tuple(row.moved_at for row in day_rows if row.is_first and row.moved_at is not None)
    return [
        Plot(
            _row_title(row, clock),
            ends=_row_ends(row),
            line=thin(row.line),
            usual=row.usual,
            spans=tuple((str(span.number), span.start, span.end) for span in spans),
            rules=first_move,
        )
        for row in day_rows
    ]


def _row_ends(row: Row) -> tuple[float, float]:
    return value_domain(row.focus, list(row.usual) if row.usual else None)


def _row_view(
    row: Row, spans: tuple[Span, ...], clock: PlantClock, first_move: pd.Timestamp | None, is_last: bool
) -> Any:
    alt = altair()
    line = thin(row.line)
    domain = _row_ends(row)
    x = time_x(clock, has_labels=is_last)
    layers: list[Any] = []
    if row.usual is not None:
        usual = alt.Chart(inline([{"lo": row.usual[0], "hi": row.usual[1]}])).mark_rect(fill=WASH, opacity=0.75)
        layers.append(usual.encode(y=value_y("lo", domain, ticks=3), y2=alt.Y2("hi")))
    drawn = rows(
        pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(line["time"])), "v": line["value"], "s": line["segment"]})
    )
    mark = (
        alt.Chart(inline(drawn))
        .mark_line(clip=True)
        .encode(x=x("t"), y=value_y("v", domain, ticks=3), detail=alt.Detail("s:N"))
    )
    layers += [*span_shades(spans, clock, x), mark, *span_numbers(spans, clock, x)]
    if first_move is not None:
        rule = alt.Chart(inline([{"a": clock.drawn(first_move)}])).mark_rule(stroke=INK, strokeDash=[2, 2])
        layers.append(rule.encode(x=x("a")))
    layers += _move_layers(row, clock, x)
    title = alt.TitleParams(
        _row_title(row, clock),
        anchor="start",
        frame="group",
        fontSize=11,
        fontWeight="bold" if row.is_first else "normal",
        offset=8,
    )
    return layered(layers, width=WIDTH, height=54, title=title)


def _row_title(row: Row, clock: PlantClock) -> str:
    if row.moved_at is None:
        return row.title
    order = "first to move," if row.is_first else "moved"
    return f"{row.title}: {order} {row.direction} at {clock.time_text(row.moved_at, with_day=False)}"


def _move_layers(row: Row, clock: PlantClock, x: Any) -> list[Any]:
    alt = altair()
    if row.moved_at is None:
        return []
    shape = "triangle-up" if row.direction == "up" else "triangle-down"
    source = alt.Chart(inline([{"a": clock.drawn(row.moved_at)}]))
    arrow = source.mark_point(shape=shape, filled=True, fill=ATTENTION, stroke=INK, size=90 if row.is_first else 50)
    return [arrow.encode(x=x("a"), y=alt.YValue(-4))]
