"""The month's strips: one figure over the period each, with its finding in one sentence."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.plant.display import display
from trendkit.plant.model import Limit
from trendkit.press.results import FigureTable, PeriodReview
from trendkit.reports.close_look import close_look
from trendkit.reports.context import PageContext
from trendkit.reports.docket import day_label, is_off, limit_text
from trendkit.reports.page import Mark, Panel
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.review_panels import _day_sheet, _dewatering_days, _in_units, _targets
from trendkit.reports.shown import Shown
from trendkit.reports.strip_charts import Span, Strip, draw_strip, strip_plot
from trendkit.reports.thinning import MOST_POINTS
from trendkit.reports.upset_sheet import spans
from trendkit.reports.words import figure_name
from trendkit.upsets.results import Upset

# figure -> kinds of upset shaded on its strip
_STRIPS: dict[str, tuple[str, ...]] = {
    "capture_pct": ("low_capture",),
    "cake_solids_pct": ("wet_cake",),
    "polymer_dose_kg_t": ("dose_off",),
    "solids_loading_kg_h_m": ("overload", "feed_swing", "press_stop", "belt_trip", "ponding"),
    "belt_speed_ratio": ("belt_speed_off", "tension_low", "washwater_low"),
}


_GRABS = {"cake_solids_pct": ("cake", "TS")}


def strip_panels(
    context: PageContext,
    table: FigureTable,
    review: PeriodReview,
    upsets: Sequence[Upset],
    clock: PlantClock,
    shown: Shown,
) -> tuple[Panel, ...]:
    """Return a strip per figure that this press has, over the period."""
    inside = (table.frame.index >= context.period.start_utc) & (table.frame.index < context.period.end_utc)
    frame = table.frame[inside & (table.frame["mode"] == "dewatering").to_numpy()].reindex(table.frame.index[inside])
    panels = []
    for column, kinds in _STRIPS.items():
        line = frame.get(f"{column}_rolling", frame.get(column))
        if line is None or not line.notna().any():
            continue
        panels.append(_strip_panel(column, frame, line, context, review, spans(upsets, kinds), clock, shown))
    return tuple(panels)


def _strip_panel(
    column: str,
    frame: pd.DataFrame,
    line: pd.Series,
    context: PageContext,
    review: PeriodReview,
    spans: tuple[Span, ...],
    clock: PlantClock,
    shown: Shown,
) -> Panel:
    limit = _targets(context).get(column)
    low, high = frame.get(f"{column}_low"), frame.get(f"{column}_high")
    days = _dewatering_days(review)
    strip = Strip(
        slug=f"strip-{column.replace('_', '-')}",
        unit=shown.unit(column),
        line=display(line, column, shown.system)[0],
        low=None if low is None else display(low.where(line.notna()), column, shown.system)[0],
        high=None if high is None else display(high.where(line.notna()), column, shown.system)[0],
        limit=_in_units(limit, column, shown),
        lab=_grabs(context, column),
        spans=spans,
        left_out=context.excluded,
    )
    known = int(line.notna().sum())
    thinned = (
        f"Line drawn with about {MOST_POINTS:,} of {known:,} points, every extreme kept." if known > MOST_POINTS else ""
    )
    finding, mark = _day_finding(column, days, limit, shown)
    sheet = _day_sheet(days, (column,), shown) if column in days else None
    numbers = close_look([strip_plot(strip, clock)], clock)
    return Panel(strip.slug, shown.name(column), finding, draw_strip(strip, clock), thinned, sheet, mark, numbers)


def _grabs(context: PageContext, column: str) -> pd.Series | None:
    if column not in _GRABS or context.lab is None or context.lab.empty:
        return None
    point, analysis = _GRABS[column]
    lab, period = context.lab, context.period
    taken = lab[(lab["point"] == point) & (lab["analysis"] == analysis) & ~lab["is_suspect"].astype(bool)]
    taken = taken[(taken["sampled_at"] >= period.start_utc) & (taken["sampled_at"] < period.end_utc)]
    return pd.Series(taken["value"].to_numpy(dtype="float64"), index=pd.DatetimeIndex(taken["sampled_at"])).sort_index()


def _day_finding(column: str, days: pd.DataFrame, limit: Limit | None, shown: Shown) -> tuple[str, Mark]:
    name = figure_name(column, shown.system)
    known = days.dropna(subset=[column]) if column in days else pd.DataFrame()
    if known.empty:
        return f"{name} over the period.", ""
    order = known.sort_values(column, kind="stable")
    least, most = order.iloc[0], order.iloc[-1]
    if len(known) == 1:
        text = f"{name} was {shown.amount(least[column], column)} on the one day with readings"
    else:
        text = (
            f"{name} lay between {shown.digits(least[column], column)} ({day_label(least['day'])}) and "
            f"{shown.amount(most[column], column)} ({day_label(most['day'])}) by day"
        )
    if limit is None:
        return f"{text}.", ""
    target = limit_text(limit, column, shown)
    off = sum(is_off(float(value), limit) for value in known[column])
    if not off:
        return f"{text}, always within its target ({target}).", ""
    where = f" on {off} of {len(known)} days" if len(known) > 1 else ""
    return f"{text}; it missed its target ({target}){where}.", "misses"
