"""Drawing of press days before and after a change over the load they carried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from trendkit.reports.drawing import WIDTH, altair, inline, layered, to_svg
from trendkit.reports.palette import CHOSEN, INK, RULE
from trendkit.reports.value_axis import value_domain, value_y

SHAPES = {"before": "circle", "after": "triangle-up", "left out": "cross"}
_COLOURS = {"before": INK, "after": CHOSEN, "left out": RULE}


@dataclass(frozen=True)
class DayMarks:
    """One figure of the press days in the reader's units: rows of (load, value, "before", "after" or "left out")."""

    title: str
    days: Sequence[tuple[float, float, str]]


def draw_days(slug: str, figures: Sequence[DayMarks], load_title: str) -> Markup:
    """Draw the press days over load, a figure above the other: circles before, filled triangles after."""

    loads = value_domain([day[0] for each in figures for day in each.days])
    views = [_view(each, loads, load_title, number == len(figures) - 1) for number, each in enumerate(figures)]
    return to_svg({"vconcat": views, "spacing": 10}, slug)


def _view(figure: DayMarks, loads: tuple[float, float], load_title: str, is_last: bool) -> Any:
    alt = altair()
    values = value_domain([day[1] for day in figure.days])
    axis = alt.Axis(title=load_title if is_last else None, labels=is_last, tickCount=10, grid=True)
    x = alt.X("x:Q", scale=alt.Scale(domain=list(loads), nice=False, zero=False), axis=axis)
    layers = []
    for name, shape in SHAPES.items():
        of_kind = [{"x": load, "v": value} for load, value, kind in figure.days if kind == name]
        if of_kind:
            marks = alt.Chart(inline(of_kind)).mark_point(
                shape=shape, stroke=_COLOURS[name], fill=_COLOURS[name] if name == "after" else None, size=42, opacity=1
            )
            layers.append(marks.encode(x=x, y=value_y("v", values)))
    title = alt.TitleParams(figure.title, anchor="start", frame="group", fontSize=11, fontWeight="normal", offset=5)
    return layered(layers, width=WIDTH + 70, height=150, title=title)
