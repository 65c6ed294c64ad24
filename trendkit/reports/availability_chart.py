"""The bars of data availability: where each tag has readings, and where they are at fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from trendkit.findings import Finding
from trendkit.reports.close_look import BarRow, Plot
from trendkit.reports.drawing import WIDTH, altair, haloed, inline, layered, to_svg
from trendkit.reports.palette import ATTENTION, INK, PAPER
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import share_text
from trendkit.reports.time_axis import time_x


@dataclass(frozen=True)
class Availability:
    """One tag: the stretches with readings and the faults found."""

    label: str
    stretches: tuple[tuple[pd.Timestamp, pd.Timestamp], ...]
    share: float
    faults: tuple[tuple[Finding, str], ...] = ()


def draw_availability(slug: str, tags: Sequence[Availability], clock: PlantClock) -> Markup:
    """Draw a bar per tag where there are readings; a fault is outlined on it and named beside it."""
    alt = altair()
    x = time_x(clock)
    order = [tag.label for tag in tags]
    y = alt.Y(
        "tag:N",
        sort=order,
        scale=alt.Scale(domain=order, paddingInner=0.6, paddingOuter=0.5),
        axis=alt.Axis(labels=False, title=None),
    )
    bars = [
        {"tag": tag.label, "a": clock.drawn(start), "b": clock.drawn(end)}
        for tag in tags
        for start, end in tag.stretches
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
    names = [{"tag": tag.label, "share": share_text(tag.share, 1)} for tag in tags]
    bar = alt.Chart(inline(bars)).mark_bar(fill="#bdbdbd").encode(x=x("a"), x2=alt.X2("b"), y=y)
    layers = [bar]
    if faults:
        layers.append(
            alt.Chart(inline(faults))
            .mark_bar(fill=PAPER, fillOpacity=0.55, stroke=ATTENTION, strokeWidth=1.6)
            .encode(x=x("a"), x2=alt.X2("b"), y=y)
        )
        words = alt.Chart(inline(_apart(faults, clock)))
        channels = {"x": x("b"), "y": y, "text": alt.Text("text:N")}
        layers += haloed(words, channels, align="left", dx=4, fontSize=10, clip=True)
    label = alt.Chart(inline(names)).mark_text(
        align="left", baseline="bottom", dy=-7, dx=1, fontSize=11, color=INK, limit=WIDTH
    )
    share = alt.Chart(inline(names)).mark_text(align="left", dx=8, fontSize=11)
    layers.append(label.encode(x=alt.XValue(0), y=y, text=alt.Text("tag:N")))
    layers.append(share.encode(x=alt.XValue(WIDTH), y=y, text=alt.Text("share:N")))
    return to_svg(layered(layers, width=WIDTH, height=32 * len(tags)), slug)


def availability_plot(tags: Sequence[Availability]) -> Plot:
    """Return what is drawn of data availability, for looking closer."""
    rows = (
        BarRow(
            tag.label,
            tag.stretches,
            tuple((fault.start_utc, fault.end_utc, words) for fault, words in tag.faults),
        )
        for tag in tags
    )
    return Plot("Readings by tag", rows=tuple(rows))


def _apart(faults: Sequence[dict[str, Any]], clock: PlantClock) -> list[dict[str, Any]]:
    """Return one word per tag and kind of fault, at its last span that leaves room for it."""
    last = clock.drawn(clock.period.end_utc)
    room = (last - clock.drawn(clock.period.start_utc)) // 6
    words: dict[tuple[str, str], dict[str, Any]] = {}
    for fault in faults:
        words[(fault["tag"], fault["text"])] = {**fault, "b": min(fault["b"], last - room)}
    return list(words.values())
