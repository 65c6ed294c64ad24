"""The drawing of a control chart: a dot a run on the shared time axis, mean and three-sigma limits across."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from trendkit.plant.display import display
from trendkit.reports.close_look import Plot
from trendkit.reports.drawing import WIDTH, altair, inline, layered, to_svg
from trendkit.reports.palette import ATTENTION, INK, PAPER, RULE
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import Shown
from trendkit.reports.time_axis import time_x
from trendkit.reports.value_axis import value_domain, value_y
from trendkit.upsets.run_charts import RunChart

_HEIGHT = 96
_LABEL_ROOM = 12.0  # px from one label to the next


def chart_plot(chart: RunChart, shown: Shown) -> Plot:
    """Return what is drawn of a control chart, in the reader's units."""
    values = display(chart.runs["value"], chart.figure, shown.system)[0]
    limits = chart.limits
    lines = tuple(
        (shown.number(value, chart.figure), f"{name} {shown.digits(value, chart.figure)}")
        for name, value in (("upper", limits.upper), ("mean", limits.centre), ("lower", limits.lower))
    )
    times = pd.DatetimeIndex(chart.runs["start_utc"])
    return Plot(
        shown.name(chart.figure),
        shown.unit(chart.figure),
        value_domain(values, [value for value, _ in lines]),
        pd.DataFrame({"time": times, "value": values.to_numpy(), "segment": 0}),
        limits=lines,
        grabs=pd.Series(values.to_numpy(), index=times),
    )


def _label_shifts(plot: Plot) -> list[float]:
    """Return how far each label must stand below its line (px) so that no two touch; labels come from the top down."""
    low, high = plot.ends
    shifts, free = [], -_LABEL_ROOM
    for value, _ in plot.limits:
        at = _HEIGHT * (high - value) / (high - low)
        stands = max(at, free)
        shifts.append(stands - at)
        free = stands + _LABEL_ROOM
    return shifts


def draw_run_chart(slug: str, chart: RunChart, plot: Plot, clock: PlantClock) -> Markup:
    """Draw one value a run at the run's start; a run out of control is a filled triangle."""
    alt = altair()
    assert plot.line is not None
    x, y = time_x(clock), value_y("v", plot.ends, plot.unit)
    drawn: list[dict[str, Any]] = [
        {"t": at, "v": value, "n": f"{clock.time_text(start)}: {value:.3g}\u00a0{plot.unit}", "off": bool(off)}
        for at, start, value, off in zip(
            clock.drawn_ms(pd.DatetimeIndex(plot.line["time"])).tolist(),
            plot.line["time"],
            plot.line["value"].tolist(),
            chart.runs["is_beyond"] | chart.runs["is_shifted"],
            strict=True,
        )
    ]
    layers: list[Any] = []
    for (value, words), lower in zip(plot.limits, _label_shifts(plot), strict=True):
        line = alt.Chart(inline([{"v": value, "text": words}]))
        dash = [1, 0] if words.startswith("mean") else [5, 4]
        layers.append(line.mark_rule(stroke=RULE, strokeDash=dash).encode(y=y))
        label = line.mark_text(align="left", baseline="middle", dx=6, dy=lower, fontSize=11)
        layers.append(label.encode(x=alt.XValue(WIDTH), y=y, text=alt.Text("text:N")))
    layers.append(alt.Chart(inline(drawn)).mark_line(strokeWidth=0.9, clip=True).encode(x=x("t"), y=y))
    told = {"x": x("t"), "y": y, "description": alt.Description("n:N")}
    steady, off = ([row for row in drawn if row["off"] is is_off] for is_off in (False, True))
    dot: dict[str, Any] = {"filled": True, "opacity": 1, "aria": True, "stroke": INK}
    layers.append(alt.Chart(inline(steady)).mark_point(shape="circle", fill=PAPER, size=34, **dot).encode(**told))
    if off:
        layers.append(
            alt.Chart(inline(off)).mark_point(shape="triangle-up", fill=ATTENTION, size=90, **dot).encode(**told)
        )
    return to_svg(layered(layers, width=WIDTH, height=_HEIGHT), slug)
