"""One figure over plant time: limits behind, target across, upsets shaded and numbered, grab samples on
top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from trendkit.plant.model import Exclude, Limit
from trendkit.reports.close_look import Plot
from trendkit.reports.drawing import WIDTH, altair, haloed, inline, layered, rows, to_svg
from trendkit.reports.palette import ATTENTION, FAINT, INK, PAPER, RULE, SOFT, WASH
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.thinning import band, thin
from trendkit.reports.time_axis import time_x
from trendkit.reports.value_axis import value_domain, value_y

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


def draw_strip(strip: Strip, clock: PlantClock) -> Markup:
    """Draw one figure over the period: limits behind, target across, upsets shaded and numbered, grabs on
    top.
    """
    alt = altair()
    plot = strip_plot(strip, clock)
    line, domain = plot.line, plot.ends
    assert line is not None
    x = time_x(clock)
    layers = [
        *_left_out_layers(strip.left_out, clock, x),
        *span_shades(strip.spans, clock, x),
        *_band_layers(plot, clock, x),
        *_target_layers(plot),
    ]
    drawn = rows(
        pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(line["time"])), "v": line["value"], "s": line["segment"]})
    )
    layers.append(
        alt.Chart(inline(drawn))
        .mark_line(clip=True)
        .encode(x=x("t"), y=value_y("v", domain, strip.unit), detail=alt.Detail("s:N"))
    )
    layers += _lab_layers(strip, clock, domain, x)
    layers += span_numbers(strip.spans, clock, x)
    layers += _change_layers(clock, x)
    chart = layered(layers, width=WIDTH, height=strip.height)
    return to_svg(chart, strip.slug)


def strip_plot(strip: Strip, clock: PlantClock) -> Plot:
    """Return what is drawn of one figure: the thinned line, the limits behind it, and all that is marked."""
    line = thin(strip.line)
    limit = strip.limit or Limit()
    targets = tuple(
        (value, f"{words} {value:.3g}")
        for value, words in ((limit.low, "at least"), (limit.high, "at most"))
        if value is not None
    )
    ends = value_domain(line["value"], [value for value, _ in targets], strip.lab, room_above=bool(strip.spans))
    return Plot(
        strip.slug,
        strip.unit,
        ends,
        line,
        _limits_band(strip, clock),
        limits=targets,
        grabs=strip.lab,
        spans=tuple((str(span.number), span.start, span.end) for span in strip.spans),
        left_out=tuple((each.start_utc, each.end_utc) for each in strip.left_out),
    )


def _limits_band(strip: Strip, clock: PlantClock) -> pd.DataFrame | None:
    """Return the limits averaged over two pixels each, `time` in the middle of its span."""
    if strip.low is None or strip.high is None:
        return None
    every = pd.Timedelta(minutes=max(1, round(clock.period.hours * 60 / WIDTH * 2)))
    limits = band(strip.low, strip.high, every)
    return None if limits.empty else limits.assign(time=pd.DatetimeIndex(limits["time"]) + every / 2)


def _left_out_layers(left_out: tuple[Exclude, ...], clock: PlantClock, x: Any) -> list[Any]:
    alt = altair()
    if not left_out:
        return []
    places = [{"a": clock.drawn(each.start_utc), "b": clock.drawn(each.end_utc)} for each in left_out]
    return [
        alt.Chart(inline(places))
        .mark_rect(fill=FAINT, stroke=RULE, strokeDash=[2, 2], clip=True)
        .encode(x=x("a"), x2=alt.X2("b"))
    ]


def span_shades(spans: tuple[Span, ...], clock: PlantClock, x: Any) -> list[Any]:
    """Return the layer that shades spans over the plot's whole height; draw it before the line."""
    alt = altair()
    if not spans:
        return []
    shade = alt.Chart(inline(_places(spans, clock))).mark_rect(
        fill=ATTENTION, fillOpacity=0.16, stroke=ATTENTION, strokeWidth=0.8, clip=True
    )
    return [shade.encode(x=x("a"), x2=alt.X2("b"))]


def span_numbers(spans: tuple[Span, ...], clock: PlantClock, x: Any) -> list[Any]:
    """Return the layers that number spans inside the plot; draw them after the line."""
    alt = altair()
    if not spans:
        return []
    chart = alt.Chart(inline(_numbered(_places(spans, clock), clock)))
    channels = {"x": x("a"), "y": alt.Y("row:Q", scale=None), "text": alt.Text("n:N")}
    return haloed(chart, channels, align="left", baseline="top", dx=2, dy=3, fontSize=10, fontWeight="bold", clip=True)


def _places(spans: tuple[Span, ...], clock: PlantClock) -> list[dict[str, Any]]:
    return [{"a": clock.drawn(s.start), "b": clock.drawn(s.end), "n": str(s.number)} for s in spans]


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


def _band_layers(plot: Plot, clock: PlantClock, x: Any) -> list[Any]:
    alt = altair()
    limits = plot.band
    if limits is None:
        return []
    times = pd.DatetimeIndex(limits["time"])
    drawn = rows(
        pd.DataFrame({"t": clock.drawn_ms(times), "lo": limits["low"], "hi": limits["high"], "s": limits["segment"]})
    )
    area = alt.Chart(inline(drawn)).mark_area(clip=True, fill=WASH, stroke=RULE, strokeWidth=0.4)
    y = value_y("lo", plot.ends, plot.unit)
    return [area.encode(x=x("t"), y=y, y2=alt.Y2("hi"), detail=alt.Detail("s:N"))]


def _target_layers(plot: Plot) -> list[Any]:
    alt = altair()
    layers: list[Any] = []
    for value, words in plot.limits:
        source, y = alt.Chart(inline([{"v": value, "text": words}])), value_y("v", plot.ends, plot.unit)
        layers.append(source.mark_rule(stroke=INK, strokeWidth=1, strokeDash=[7, 3]).encode(y=y))
        label = source.mark_text(align="left", baseline="middle", dx=6, fontSize=11)
        layers.append(label.encode(x=alt.XValue(WIDTH), y=y, text=alt.Text("text:N")))
    return layers


def _lab_layers(strip: Strip, clock: PlantClock, domain: tuple[float, float], x: Any) -> list[Any]:
    alt = altair()
    if strip.lab is None or strip.lab.empty:
        return []
    samples = strip.lab.dropna()
    drawn = rows(pd.DataFrame({"t": clock.drawn_ms(pd.DatetimeIndex(samples.index)), "v": samples.to_numpy()}))
    point = alt.Chart(inline(drawn)).mark_point(
        shape="diamond", fill=PAPER, stroke=INK, size=42, strokeWidth=1.3, clip=True
    )
    return [point.encode(x=x("t"), y=value_y("v", domain, strip.unit))]


def _change_layers(clock: PlantClock, x: Any) -> list[Any]:
    alt = altair()
    places = [{"a": clock.drawn(change), "text": "clock changes"} for change in clock.changes]
    if not places:
        return []
    source = alt.Chart(inline(places))
    rule = source.mark_rule(stroke=SOFT, strokeDash=[1, 3]).encode(x=x("a"))
    word = source.mark_text(align="left", baseline="bottom", dx=3, dy=-2, fontSize=9, color=SOFT)
    return [rule, word.encode(x=x("a"), y=alt.YValue(0), text=alt.Text("text:N"))]
