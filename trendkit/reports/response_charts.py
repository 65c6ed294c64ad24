"""Drawings of what follows from the gravity belt speed: the fitted response, its limits and the blocks it
rests on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from trendkit.plant.model import Limit
from trendkit.reports.drawing import WIDTH, altair, inline, layered, to_svg
from trendkit.reports.palette import CHOSEN, INK, PAPER, RULE, SOFT, WASH
from trendkit.reports.value_axis import value_domain, value_y


@dataclass(frozen=True)
class Response:
    """One figure over gravity belt speed, in the reader's units: rows of (speed, value, low, high), and the
    blocks.
    """

    title: str
    curve: Sequence[tuple[float, float, float, float]]
    blocks: Sequence[tuple[float, float]] = ()
    limit: Limit | None = None

    def values(self) -> tuple[float, float]:
        """Return the ends of the value axis: the curve with its limits and the middle 96 % of the blocks."""
        shown = [each for row in self.curve for each in row[1:]]
        middle = np.quantile([b[1] for b in self.blocks], [0.02, 0.98]).tolist() if self.blocks else []
        return value_domain(shown, middle)

    def speeds(self) -> tuple[float, float]:
        """Return the ends of the speed axis: those of the curve, of the blocks where there is no curve."""
        return value_domain([row[0] for row in self.curve] or [block[0] for block in self.blocks])

    @property
    def beyond(self) -> int:
        """How many blocks lie beyond the axes and are not drawn."""
        (low, high), (slow, fast) = self.values(), self.speeds()
        return sum(not (low <= value <= high and slow <= speed <= fast) for speed, value in self.blocks)


def draw_responses(
    slug: str,
    responses: Sequence[Response],
    speed_title: str,
    now: float | None,
    window: tuple[float, float, float] | None,
) -> Markup:
    """Draw figures over gravity belt speed, one above the other: limits, blocks, the present speed, the best
    band.

    `window` is (least, best, greatest) of the recommended speed.
    """

    ends = [end for each in responses for end in each.speeds()]
    if now is not None:
        ends.append(now)
    low, high = min(ends), max(ends)
    views = [
        _response_view(each, (low, high), speed_title, now, window, number == 0, number == len(responses) - 1)
        for number, each in enumerate(responses)
    ]
    return to_svg({"vconcat": views, "spacing": 10}, slug)


def _response_view(
    response: Response,
    domain: tuple[float, float],
    speed_title: str,
    now: float | None,
    window: tuple[float, float, float] | None,
    is_first: bool,
    is_last: bool,
) -> Any:
    alt = altair()
    limits = [
        each for each in ((response.limit.low, response.limit.high) if response.limit else ()) if each is not None
    ]
    values = response.values()
    near = [
        each for each in limits if values[0] - (values[1] - values[0]) <= each <= values[1] + (values[1] - values[0])
    ]
    values = value_domain(values, near)
    axis = alt.Axis(title=speed_title if is_last else None, labels=is_last, tickCount=10, grid=True)
    scale = alt.Scale(domain=list(domain), nice=False, zero=False)
    x, x_low = alt.X("x:Q", scale=scale, axis=axis), alt.X("a:Q", scale=scale, axis=axis)
    layers = _window_layers(window, x, x_low, is_first)
    layers += _curve_layers(response, speed_title, x, values)
    layers += [
        alt.Chart(inline([{"v": value}])).mark_rule(stroke=INK, strokeDash=[7, 3]).encode(y=value_y("v", values))
        for value in near
    ]
    layers += _now_layers(now, x, is_first)
    title = alt.TitleParams(
        response.title,
        anchor="start",
        frame="group",
        fontSize=11,
        fontWeight="normal",
        offset=18 if is_first else 5,
    )
    return layered(layers, width=WIDTH + 70, height=150, title=title)


def _curve_layers(response: Response, speed_title: str, x: Any, values: tuple[float, float]) -> list[Any]:
    alt = altair()
    drawn = [{"x": s, "v": v, "lo": low, "hi": high} for s, v, low, high in response.curve]
    layers = []
    if drawn:
        source = alt.Chart(inline(drawn))
        layers.append(
            source.mark_area(fill=WASH, fillOpacity=0.8, stroke=RULE, strokeWidth=0.5).encode(
                x=x, y=value_y("lo", values), y2=alt.Y2("hi")
            )
        )
    if response.blocks:
        rows = [
            {"x": speed, "v": value, "told": f"{speed_title}: {speed:.3g}; {response.title}: {value:.3g}"}
            for speed, value in response.blocks
        ]
        ring: dict[str, Any] = {
            "stroke": SOFT,
            "strokeWidth": 0.9,
            "fill": PAPER,
            "fillOpacity": 0,
        }  # inside is touched
        dots = alt.Chart(inline(rows))
        circle = dots.mark_point(shape="circle", size=22, opacity=1, clip=True, aria=True, **ring)
        layers.append(circle.encode(x=x, y=value_y("v", values), description="told:N"))
    if drawn:
        layers.append(source.mark_line(strokeWidth=2).encode(x=x, y=value_y("v", values)))
    return layers


def _window_layers(window: tuple[float, float, float] | None, x: Any, x_low: Any, has_words: bool) -> list[Any]:
    alt = altair()
    if window is None:
        return []
    low, best, high = window
    band = alt.Chart(inline([{"a": low, "b": high}])).mark_rect(
        fill=CHOSEN, fillOpacity=0.12, stroke=CHOSEN, strokeDash=[4, 2]
    )
    mid = alt.Chart(inline([{"x": best, "text": "best"}]))
    layers = [band.encode(x=x_low, x2=alt.X2("b")), mid.mark_rule(stroke=CHOSEN, strokeWidth=2).encode(x=x)]
    if has_words:
        layers.append(
            mid.mark_text(baseline="bottom", dy=-3, fontWeight="bold", color=CHOSEN).encode(
                x=x, y=alt.YValue(0), text=alt.Text("text:N")
            )
        )
    return layers


def _now_layers(now: float | None, x: Any, has_words: bool) -> list[Any]:
    alt = altair()
    if now is None:
        return []
    source = alt.Chart(inline([{"x": now, "text": "now"}]))
    layers = [source.mark_rule(stroke=INK, strokeWidth=1.6, strokeDash=[3, 3]).encode(x=x)]
    if has_words:
        layers.append(source.mark_text(baseline="bottom", dy=-3).encode(x=x, y=alt.YValue(0), text=alt.Text("text:N")))
    return layers
