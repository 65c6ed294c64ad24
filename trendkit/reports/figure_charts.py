"""Drawings of figures that are not over a time axis: the press calendar, days against loading, cost,
contributions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from markupsafe import Markup

from trendkit.plant.model import Limit
from trendkit.reports.drawing import LEFT, TOTAL, altair, inline, layered, to_svg
from trendkit.reports.palette import ATTENTION, INK, PAPER, RULE, SOFT
from trendkit.reports.plant_clock import MONTHS, WEEKDAYS
from trendkit.reports.value_axis import value_domain, value_y

MOST_CALENDAR_DAYS = 100
_BAR_GREY = "#a6a6a6"


@dataclass(frozen=True)
class CalendarDay:
    """One plant day: hours with the feed on, dry solids made (text with unit), and whether it missed a
    limit.
    """

    day: date
    hours: float
    made: str
    misses: bool = False


def draw_calendar(slug: str, days: Sequence[CalendarDay], first: date, last: date) -> Markup:
    """Draw a sheet of weeks; in each day a bar of the hours pressed (its full width is 24 h)."""
    alt = altair()
    monday = first - timedelta(days=first.weekday())
    known = {each.day: each for each in days}
    cells = [_cell(first + timedelta(days=n), monday, known) for n in range((last - first).days + 1)]
    weeks = 1 + max(cell["w"] for cell in cells)
    across = alt.Scale(domain=[0, 7], nice=False)
    down = alt.Scale(domain=[-0.3, weeks], reverse=True, nice=False)
    layers = _calendar_layers(cells, across, down)
    missed = [cell for cell in cells if cell["misses"]]
    if missed:
        mark: dict[str, Any] = {"shape": "triangle-up", "filled": True, "fill": ATTENTION, "stroke": INK, "opacity": 1}
        corner = alt.X("corner:Q", scale=across, axis=None), alt.Y("mark:Q", scale=down, axis=None)
        drawn = alt.Chart(inline(missed)).mark_point(**mark, strokeWidth=0.6, size=60)
        layers.append(drawn.encode(x=corner[0], y=corner[1]))
    return to_svg(layered(layers, width=TOTAL - 12, height=44 * weeks + 16), slug)


def _calendar_layers(cells: Sequence[dict[str, Any]], across: Any, down: Any) -> list[Any]:
    """Return the names of the days, the cells, the bars and what is written in a cell."""
    alt = altair()
    x, y = alt.X("x:Q", scale=across, axis=None), alt.Y("y:Q", scale=down, axis=None)
    x2, y2, top = alt.X2("x2"), alt.Y2("y2"), alt.Y("top:Q", scale=down, axis=None)
    right = alt.X("x2:Q", scale=across, axis=None)
    source = alt.Chart(inline(cells))
    pressed = alt.Chart(inline([cell for cell in cells if cell["made"]]))
    heads = alt.Chart(inline([{"x": n, "y": 0, "text": name} for n, name in enumerate(WEEKDAYS)]))

    def words(chart: Any, field: str, at: Any, **mark: Any) -> Any:
        return chart.mark_text(**mark).encode(x=at, y=y, text=alt.Text(f"{field}:N"))

    return [
        words(heads, "text", x, align="left", baseline="bottom", dx=6, dy=-4, color=SOFT),
        source.mark_rect(fill=PAPER, stroke="#cfcfcf", strokeWidth=0.8).encode(x=x, x2=x2, y=y, y2=y2),
        pressed.mark_rect(fill=_BAR_GREY, aria=True).encode(x=x, x2=alt.X2("bar"), y=top, y2=y2, description="told:N"),
        words(source, "date", x, align="left", baseline="top", dx=6, dy=5, fontSize=10, color=SOFT),
        words(pressed, "made", x, align="left", baseline="top", dx=6, dy=18, fontSize=11.5),
        words(pressed, "hours", right, align="right", baseline="top", dx=-6, dy=18, fontSize=11.5),
    ]


def _cell(day: date, monday: date, known: dict[date, CalendarDay]) -> dict[str, Any]:
    at, column = (day - monday).days // 7, day.weekday()
    found = known.get(day)
    hours = found.hours if found else 0.0
    return {
        "x": column,
        "x2": column + 1,
        "y": at,
        "y2": at + 1,
        "w": at,
        "top": at + 0.84,
        "bar": column + min(hours, 24.0) / 24.0,
        "date": f"{day.day} {MONTHS[day.month - 1]}" if day.day == 1 else str(day.day),
        "made": found.made if found and hours > 0 else "",
        "hours": f"{hours:.1f} h" if found and hours > 0 else "",
        "told": f"{day.day} {MONTHS[day.month - 1]}: {found.made}, {hours:.1f} h" if found else "",
        "misses": bool(found and found.misses),
        "corner": column + 0.92,
        "mark": at + 0.2,
    }


@dataclass(frozen=True)
class DayPoint:
    """One day in a plot of two figures, in the reader's units; `label` is drawn beside it, `told` shown on pointing."""

    x: float
    y: float
    label: str
    misses: bool = False
    told: str = ""


def draw_days(
    slug: str,
    panels: Sequence[tuple[str, Sequence[DayPoint], Limit | None]],
    x_title: str,
    x_limit: float | None,
) -> Markup:
    """Draw days as dots, one panel per figure side by side, against one figure across; days off limits are
    named.
    """

    width = (TOTAL - 2 * LEFT - 40) / 2
    views = [_day_panel(title, points, limit, x_title, x_limit, width) for title, points, limit in panels]
    return to_svg({"hconcat": views, "spacing": 24}, slug)


def _day_panel(
    title: str,
    points: Sequence[DayPoint],
    limit: Limit | None,
    x_title: str,
    x_limit: float | None,
    width: float,
) -> Any:
    alt = altair()
    limits = [each for each in ((limit.low, limit.high) if limit else ()) if each is not None]
    low, high = value_domain(
        [p.x for p in points], [x_limit] if x_limit is not None and _is_near(x_limit, points) else None
    )
    scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    x = alt.X("x:Q", scale=scale, axis=alt.Axis(title=x_title, tickCount=5))
    y = value_y("v", value_domain([p.y for p in points], limits))
    layers = [_rule({"v": value}).encode(y=y) for value in limits]
    if x_limit is not None and low < x_limit < high:
        layers.append(_rule({"x": x_limit}).encode(x=x))
    layers += _day_layers(points, x, y, edge=low + 0.8 * (high - low))
    heading = alt.TitleParams(title, anchor="start", frame="group", fontSize=11, fontWeight="normal", offset=6)
    return layered(layers, width=width, height=200, title=heading)


def _rule(at: dict[str, float]) -> Any:
    alt = altair()
    return alt.Chart(inline([at])).mark_rule(stroke=INK, strokeDash=[7, 3])


def _day_layers(points: Sequence[DayPoint], x: Any, y: Any, edge: float) -> list[Any]:
    """Return the days' dots, their dates (beyond `edge`, near the right end, to the left of the dot), those missed."""
    alt = altair()
    drawn: list[dict[str, Any]] = [{"x": p.x, "v": p.y, "n": p.label, "told": p.told} for p in points]
    dot: dict[str, Any] = {"fill": _BAR_GREY, "stroke": INK, "strokeWidth": 0.6, "size": 36, "opacity": 1, "aria": True}
    layers = [alt.Chart(inline(drawn)).mark_circle(**dot).encode(x=x, y=y, description="told:N")]
    for is_outer, side in ((True, {"align": "right", "dx": -5}), (False, {"align": "left", "dx": 5})):
        text: dict[str, Any] = {**side, "dy": -5, "fontSize": 9, "color": SOFT}
        words = alt.Chart(inline([row for row in drawn if (row["x"] > edge) is is_outer])).mark_text(**text)
        layers.append(words.encode(x=x, y=y, text=alt.Text("n:N")))
    off = [row for row, point in zip(drawn, points, strict=True) if point.misses]
    if off:
        mark: dict[str, Any] = {"shape": "triangle-up", "filled": True, "fill": ATTENTION, "stroke": INK, "opacity": 1}
        missed = alt.Chart(inline(off)).mark_point(**mark, strokeWidth=0.8, size=80, aria=True)
        layers.append(missed.encode(x=x, y=y, description="told:N"))
    return layers


def _is_near(limit: float, points: Sequence[DayPoint]) -> bool:
    """True when the limit lies within half the points' own spread of them, so that drawing it squeezes
    nothing.
    """
    low, high = min(p.x for p in points), max(p.x for p in points)
    return low - (high - low) / 2 <= limit <= high + (high - low) / 2


def draw_stack(slug: str, lines: Sequence[tuple[str, float, str]], total: str, unit: str) -> Markup:
    """Draw cost lines as steps that add up from left to right: (name, amount, amount as text); the total
    last.
    """
    alt = altair()
    ends: list[dict[str, Any]] = []
    at = 0.0
    for name, amount, text in lines:
        ends.append({"name": name, "a": at, "b": at + amount, "text": text})
        at += amount
    ends.append({"name": "Together", "a": 0.0, "b": at, "text": total})
    names = [str(each["name"]) for each in ends]
    y = alt.Y("name:N", sort=names, scale=alt.Scale(domain=names, paddingInner=0.35), axis=_name_axis())
    scale = alt.Scale(domain=[0, at * 1.14], nice=False)
    axis = alt.Axis(title=unit, tickCount=6, grid=True)
    x = alt.X("a:Q", scale=scale, axis=axis)
    bar = (
        alt.Chart(inline(ends[:-1]))
        .mark_bar(fill=_BAR_GREY, stroke=INK, strokeWidth=0.6)
        .encode(x=x, x2=alt.X2("b"), y=y)
    )
    whole = alt.Chart(inline(ends[-1:])).mark_bar(fill=INK).encode(x=x, x2=alt.X2("b"), y=y)
    word = (
        alt.Chart(inline(ends))
        .mark_text(align="left", dx=6)
        .encode(x=alt.X("b:Q", scale=scale, axis=axis), y=y, text=alt.Text("text:N"))
    )
    return to_svg(layered([bar, whole, word], width=TOTAL - 190, height=24 * len(names)), slug)


def _name_axis() -> Any:
    alt = altair()
    return alt.Axis(title=None, minExtent=160, maxExtent=160, labelLimit=156, labelColor=INK, grid=False)


def draw_contributions(slug: str, parts: Sequence[tuple[str, float, float, float, bool]]) -> Markup:
    """Draw points lost per factor with 95 % limits: (name, points, low, high, is explained); lost is to the
    right.
    """
    alt = altair()
    names = [name for name, *_ in parts]
    drawn = [
        {
            "name": name,
            "zero": 0,
            "v": value,
            "lo": low,
            "hi": high,
            "text": f"{value:+.1f}".replace("-", "−"),
        }
        for name, value, low, high, _ in parts
    ]
    low, high = value_domain([0.0], [p[2] for p in parts], [p[3] for p in parts])
    scale = alt.Scale(domain=[low, high], nice=False)
    y = alt.Y("name:N", sort=names, scale=alt.Scale(domain=names, paddingInner=0.4), axis=_name_axis())
    axis = alt.Axis(title="points of cake solids lost (to the right of zero)", tickCount=6, grid=True)
    x = alt.X("zero:Q", scale=scale, axis=axis)
    source = alt.Chart(inline(drawn))
    told = [row for row, part in zip(drawn, parts, strict=True) if part[4]]
    layers = [
        source.mark_bar(fill=PAPER, stroke=RULE, strokeDash=[3, 2]).encode(x=x, x2=alt.X2("v"), y=y),
        alt.Chart(inline(told)).mark_bar(fill=_BAR_GREY, stroke=INK, strokeWidth=0.6).encode(x=x, x2=alt.X2("v"), y=y),
        source.mark_rule(stroke=INK, strokeWidth=2).encode(
            x=alt.X("lo:Q", scale=scale, axis=axis), x2=alt.X2("hi"), y=y
        ),
        alt.Chart(inline([{"zero": 0}])).mark_rule(stroke=INK).encode(x=x),
        source.mark_text(align="left", dx=7).encode(
            x=alt.X("hi:Q", scale=scale, axis=axis), y=y, text=alt.Text("text:N")
        ),
    ]
    return to_svg(layered(layers, width=TOTAL - 210, height=28 * len(names)), slug)
