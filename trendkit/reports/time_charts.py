"""Drawings over plant time: the month's strips, the bad day's small multiples, the bars of data availability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from trendkit.findings import Finding
from trendkit.plant.model import Exclude, Limit
from trendkit.reports.drawing import WIDTH, inline, rows, to_svg
from trendkit.reports.palette import ATTENTION, FAINT, INK, PAPER, RULE, SOFT, WASH
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.thinning import band, thin
from trendkit.reports.time_axis import time_x

_LABEL_ROOM = 16.0  # px between two upset numbers in one row


@dataclass(frozen=True)
class Span:
    """A numbered stretch of time shaded inside a plot."""

    number: int
    start: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True)
class Strip:
    """One figure over a period, in the reader's units.

    `line` is the series drawn, `low`/`high` its 95 % limits, `lab` grab samples, all with UTC index.
    """

    slug: str
    unit: str
    line: pd.Series
    low: pd.Series | None = None
    high: pd.Series | None = None
    limit: Limit | None = None
    lab: pd.Series | None = None
    spans: tuple[Span, ...] = ()
    left_out: tuple[Exclude, ...] = ()
    height: int = 104


@dataclass(frozen=True)
class Row:
    """One tag or figure of a day, in the reader's units, with its usual band and the moment it moved."""

    title: str
    line: pd.Series
    usual: tuple[float, float] | None = None
    moved_at: pd.Timestamp | None = None
    direction: str = ""
    is_first: bool = False


@dataclass(frozen=True)
class Availability:
    """One tag: the stretches with readings and the faults found."""

    label: str
    stretches: tuple[tuple[pd.Timestamp, pd.Timestamp], ...]
    share: float
    faults: tuple[tuple[Finding, str], ...] = ()


def value_domain(*parts: pd.Series | Sequence[float | None] | None) -> tuple[float, float]:
    """Return the value axis's ends: all the numbers given, with a twelfth of their spread to spare."""
    arrays = [np.asarray(part, dtype=np.float64).ravel() for part in parts if part is not None and len(part)]
    known = np.concatenate([array[np.isfinite(array)] for array in arrays]) if arrays else np.array([])
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    spare = (high - low) / 12 or abs(high) * 0.05 or 1.0
    return low - spare, high + spare


def value_y(field: str, domain: tuple[float, float], unit: str = "", ticks: int = 4) -> Any:
    """Return the value axis, its unit written level above the plot."""
    import altair as alt

    axis = alt.Axis(tickCount=ticks, title=unit or None, titleAngle=0, titleAlign="right", titleX=-4, titleY=-7, titleBaseline="bottom")
    return alt.Y(f"{field}:Q", scale=alt.Scale(domain=list(domain), nice=False, zero=False), axis=axis)


def draw_strip(strip: Strip, clock: PlantClock) -> Markup:
    """Draw one figure over the period: limits behind, target across, upsets shaded and numbered, grabs on top."""
    import altair as alt

    line = thin(strip.line)
    limits = [strip.limit.low, strip.limit.high] if strip.limit else []
    domain = value_domain(line["value"], [each for each in limits if each is not None], strip.lab)
    x = time_x(clock)
    layers = [
        *_left_out_layers(strip.left_out, clock, x),
        *_span_layers(strip.spans, clock, x),
        *_band_layers(strip, clock, domain, x),
        *_target_layers(strip, domain),
    ]
    drawn = rows(pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(line["time"])), "v": line["value"], "s": line["segment"]}))
    layers.append(
        alt.Chart(inline(drawn)).mark_line(clip=True).encode(x=x("t"), y=value_y("v", domain, strip.unit), detail="s:N")
    )
    layers += _lab_layers(strip, clock, domain, x)
    layers += _change_layers(clock, x)
    chart = alt.layer(*layers).properties(width=WIDTH, height=strip.height)
    return to_svg(chart, strip.slug)


def _left_out_layers(left_out: tuple[Exclude, ...], clock: PlantClock, x: Any) -> list[Any]:
    import altair as alt

    if not left_out:
        return []
    places = [{"a": clock.drawn(each.start_utc), "b": clock.drawn(each.end_utc)} for each in left_out]
    return [alt.Chart(inline(places)).mark_rect(fill=FAINT, stroke=RULE, strokeDash=[2, 2], clip=True).encode(x=x("a"), x2="b:T")]


def _span_layers(spans: tuple[Span, ...], clock: PlantClock, x: Any) -> list[Any]:
    import altair as alt

    if not spans:
        return []
    places = [{"a": clock.drawn(span.start), "b": clock.drawn(span.end), "n": str(span.number)} for span in spans]
    shade = alt.Chart(inline(places)).mark_rect(fill=ATTENTION, fillOpacity=0.16, stroke=ATTENTION, strokeWidth=0.8, clip=True)
    number = alt.Chart(inline(_numbered(places, clock))).mark_text(
        align="left", baseline="top", dx=2, dy=3, fontSize=10, fontWeight="bold", clip=True
    )
    return [shade.encode(x=x("a"), x2="b:T"), number.encode(x=x("a"), y=alt.Y("row:Q", scale=None), text="n:N")]


def _numbered(places: Sequence[dict[str, Any]], clock: PlantClock) -> list[dict[str, Any]]:
    """Return the numbers that fit, each in the first of three rows where it does not touch its neighbour."""
    first, last = clock.drawn(clock.period.start_utc), clock.drawn(clock.period.end_utc)
    px_per_ms = WIDTH / max(last - first, 1)
    taken = [-1e9] * 3
    fitting = []
    for place in sorted(places, key=lambda each: each["a"]):
        at = (place["a"] - first) * px_per_ms
        row = next((i for i, end in enumerate(taken) if at >= end + 2), None)
        if row is not None:
            taken[row] = at + _LABEL_ROOM
            fitting.append({"a": place["a"], "n": place["n"], "row": 12 * row})
    return fitting


def _band_layers(strip: Strip, clock: PlantClock, domain: tuple[float, float], x: Any) -> list[Any]:
    import altair as alt

    if strip.low is None or strip.high is None:
        return []
    every = pd.Timedelta(minutes=max(1, round(clock.period.hours * 60 / WIDTH * 2)))
    limits = band(strip.low, strip.high, every)
    if limits.empty:
        return []
    times = pd.DatetimeIndex(limits["time"]) + every / 2
    drawn = rows(pd.DataFrame({"t": clock.drawn_ms(times), "lo": limits["low"], "hi": limits["high"], "s": limits["segment"]}))
    area = alt.Chart(inline(drawn)).mark_area(clip=True, fill=WASH, stroke=RULE, strokeWidth=0.4)
    return [area.encode(x=x("t"), y=value_y("lo", domain, strip.unit), y2="hi:Q", detail="s:N")]


def _target_layers(strip: Strip, domain: tuple[float, float]) -> list[Any]:
    import altair as alt

    layers: list[Any] = []
    limit = strip.limit or Limit()
    for value, words, baseline in ((limit.low, "at least", "middle"), (limit.high, "at most", "middle")):
        if value is None:
            continue
        source = alt.Chart(inline([{"v": value, "text": f"{words} {value:.3g}"}]))
        layers.append(source.mark_rule(stroke=INK, strokeWidth=1, strokeDash=[7, 3]).encode(y=value_y("v", domain, strip.unit)))
        label = source.mark_text(align="left", baseline=baseline, dx=6, fontSize=11)
        layers.append(label.encode(x=alt.value(WIDTH), y=value_y("v", domain, strip.unit), text="text:N"))
    return layers


def _lab_layers(strip: Strip, clock: PlantClock, domain: tuple[float, float], x: Any) -> list[Any]:
    import altair as alt

    if strip.lab is None or strip.lab.empty:
        return []
    samples = strip.lab.dropna()
    drawn = rows(pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(samples.index)), "v": samples.to_numpy()}))
    point = alt.Chart(inline(drawn)).mark_point(shape="diamond", fill=PAPER, stroke=INK, size=42, strokeWidth=1.3, clip=True)
    return [point.encode(x=x("t"), y=value_y("v", domain, strip.unit))]


def _change_layers(clock: PlantClock, x: Any) -> list[Any]:
    import altair as alt

    places = [{"a": clock.drawn(change), "text": "clock changes"} for change in clock.changes]
    if not places:
        return []
    source = alt.Chart(inline(places))
    rule = source.mark_rule(stroke=SOFT, strokeDash=[1, 3]).encode(x=x("a"))
    word = source.mark_text(align="left", baseline="bottom", dx=3, dy=-2, fontSize=9, color=SOFT)
    return [rule, word.encode(x=x("a"), y=alt.value(0), text="text:N")]


def draw_rows(slug: str, day_rows: Sequence[Row], spans: tuple[Span, ...], clock: PlantClock) -> Markup:
    """Draw a day's tags under one another on one time axis; the first to move is ruled through all of them."""
    import altair as alt

    first_move = next((row.moved_at for row in day_rows if row.is_first), None)
    views = [
        _row_view(row, spans, clock, first_move, is_last=number == len(day_rows) - 1)
        for number, row in enumerate(day_rows)
    ]
    return to_svg(alt.vconcat(*views, spacing=6), slug)


def _row_view(row: Row, spans: tuple[Span, ...], clock: PlantClock, first_move: pd.Timestamp | None, is_last: bool) -> Any:
    import altair as alt

    line = thin(row.line)
    domain = value_domain(line["value"], list(row.usual) if row.usual else None)
    x = time_x(clock, has_labels=is_last)
    layers: list[Any] = []
    if row.usual is not None:
        usual = alt.Chart(inline([{"lo": row.usual[0], "hi": row.usual[1]}])).mark_rect(fill=WASH, opacity=0.75)
        layers.append(usual.encode(y=value_y("lo", domain, ticks=3), y2="hi:Q"))
    drawn = rows(pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(line["time"])), "v": line["value"], "s": line["segment"]}))
    mark = alt.Chart(inline(drawn)).mark_line(clip=True).encode(x=x("t"), y=value_y("v", domain, ticks=3), detail="s:N")
    layers += [*_span_layers(spans, clock, x), mark]
    if first_move is not None:
        rule = alt.Chart(inline([{"a": clock.drawn(first_move)}])).mark_rule(stroke=INK, strokeDash=[2, 2])
        layers.append(rule.encode(x=x("a")))
    layers += _move_layers(row, clock, x)
    title = alt.TitleParams(
        _row_title(row, clock), anchor="start", frame="group", fontSize=11, fontWeight="bold" if row.is_first else "normal", offset=8
    )
    return alt.layer(*layers).properties(width=WIDTH, height=54, title=title)


def _row_title(row: Row, clock: PlantClock) -> str:
    if row.moved_at is None:
        return row.title
    order = "first to move" if row.is_first else "moved"
    return f"{row.title}:  {order} {row.direction} at {clock.time_text(row.moved_at, with_day=False)}"


def _move_layers(row: Row, clock: PlantClock, x: Any) -> list[Any]:
    import altair as alt

    if row.moved_at is None:
        return []
    shape = "triangle-up" if row.direction == "up" else "triangle-down"
    source = alt.Chart(inline([{"a": clock.drawn(row.moved_at)}]))
    arrow = source.mark_point(shape=shape, filled=True, fill=ATTENTION, stroke=INK, size=90 if row.is_first else 50)
    return [arrow.encode(x=x("a"), y=alt.value(-4))]


def draw_availability(slug: str, tags: Sequence[Availability], clock: PlantClock) -> Markup:
    """Draw a bar per tag where there are readings; a fault is outlined on it and named beside it."""
    import altair as alt

    x = time_x(clock)
    order = [tag.label for tag in tags]
    y = alt.Y("tag:N", sort=order, scale=alt.Scale(domain=order, paddingInner=0.6, paddingOuter=0.5), axis=alt.Axis(labels=False, title=None))
    bars = [
        {"tag": tag.label, "a": clock.drawn(start), "b": clock.drawn(end)} for tag in tags for start, end in tag.stretches
    ]
    faults = [
        {
            "tag": tag.label,
            "a": clock.drawn(max(fault.start_utc, clock.period.start_utc)),
            "b": clock.drawn(min(fault.end_utc, clock.period.end_utc)),
            "text": words,
        }
        for tag in tags
        for fault, words in tag.faults
    ]
    names = [{"tag": tag.label, "share": f"{tag.share:.1%}".replace("%", " %")} for tag in tags]
    bar = alt.Chart(inline(bars)).mark_bar(fill="#bdbdbd").encode(x=x("a"), x2="b:T", y=y)
    layers = [bar]
    if faults:
        layers.append(
            alt.Chart(inline(faults))
            .mark_bar(fill=PAPER, fillOpacity=0.55, stroke=ATTENTION, strokeWidth=1.6)
            .encode(x=x("a"), x2="b:T", y=y)
        )
        layers.append(
            alt.Chart(inline(_apart(faults, clock)))
            .mark_text(align="left", dx=4, fontSize=10, clip=True)
            .encode(x=x("b"), y=y, text="text:N")
        )
    label = alt.Chart(inline(names)).mark_text(align="left", baseline="bottom", dy=-7, dx=1, fontSize=11, color=INK)
    share = alt.Chart(inline(names)).mark_text(align="left", dx=8, fontSize=11)
    layers.append(label.encode(x=alt.value(0), y=y, text="tag:N"))
    layers.append(share.encode(x=alt.value(WIDTH), y=y, text="share:N"))
    return to_svg(alt.layer(*layers).properties(width=WIDTH, height=32 * len(tags)), slug)


def _apart(faults: Sequence[dict[str, Any]], clock: PlantClock) -> list[dict[str, Any]]:
    """Return one word per tag and kind of fault, at its last span that leaves room for it."""
    last = clock.drawn(clock.period.end_utc)
    room = (last - clock.drawn(clock.period.start_utc)) // 6
    words: dict[tuple[str, str], dict[str, Any]] = {}
    for fault in faults:
        words[(fault["tag"], fault["text"])] = {**fault, "b": min(fault["b"], last - room)}
    return list(words.values())
