"""The drawings of the review, each with its finding in one sentence and its numbers as a table."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from trendkit.plant.model import Limit
from trendkit.press.results import PeriodReview
from trendkit.reports.context import PageContext
from trendkit.reports.docket import day_label, is_off
from trendkit.reports.figure_charts import (
    MOST_CALENDAR_DAYS,
    CalendarDay,
    DayPoint,
    draw_calendar,
    draw_days,
    draw_stack,
)
from trendkit.reports.page import Head, Item, Panel, Prose, Sheet
from trendkit.reports.shown import Shown, share_text
from trendkit.reports.words import COST_LINES, figure_name, said


def _targets(context: PageContext) -> dict[str, Limit]:
    return dict(context.press.targets.get("dewatering", {}))


def _in_units(limit: Limit | None, column: str, shown: Shown) -> Limit | None:
    if limit is None:
        return None
    low, high = (None if each is None else shown.number(each, column) for each in (limit.low, limit.high))
    return Limit(low, high)


def _dewatering_days(review: PeriodReview) -> pd.DataFrame:
    days = review.by_day
    return days[days["mode"] == "dewatering"] if not days.empty else days


def _day_sheet(days: pd.DataFrame, columns: Iterable[str], shown: Shown) -> Sheet:
    names = [name for name in columns if name in days]
    heads = (
        Head("Day"),
        *(Head(figure_name(name, shown.system), shown.unit(name), is_number=True) for name in names),
    )
    rows = tuple(
        (day_label(row["day"]), *(shown.digits(row[name], name) for name in names)) for _, row in days.iterrows()
    )
    return Sheet("by day", heads, rows)


def calendar_panel(context: PageContext, review: PeriodReview, shown: Shown) -> tuple[Panel, ...]:
    """Return the press calendar, or nothing for periods of one day or of more than about three months."""
    period = context.period
    first = period.local(period.start_utc).date()
    last = period.local(period.end_utc - pd.Timedelta(seconds=1)).date()
    count = (last - first).days + 1
    if review.by_day.empty or count < 3 or count > MOST_CALENDAR_DAYS or "press_hours" not in review.by_day:
        return ()
    targets = _targets(context)
    days = []
    for day, part in review.by_day.groupby("day", sort=True):
        pressed = part[part["mode"] == "dewatering"]
        hours = float(part["press_hours"].fillna(0.0).sum())
        made = (
            shown.amount(float(pressed["dry_cake_t"].sum()), "dry_cake_t")
            if pressed["dry_cake_t"].notna().any()
            else ""
        )
        off = any(is_off(row.get(name), limit) for _, row in pressed.iterrows() for name, limit in targets.items())
        days.append(CalendarDay(pd.Timestamp(str(day)).date(), hours, made or "–", off))
    missed = sum(each.misses for each in days)
    pressed_days = sum(each.hours > 0 for each in days)
    finding = f"The press ran on {pressed_days} of {count} days" + (
        f"; {missed} {'was' if missed == 1 else 'were'} off a target." if missed else "."
    )
    sheet = _day_sheet(review.by_day, ("press_hours", "dry_cake_t", "wet_cake_t"), shown)
    caption = (
        f"In each day: dry solids in cake ({shown.unit('dry_cake_t')}), hours with the feed on (in any mode), and a "
        "bar of those hours (full width is 24 h). A triangle: a day's mean was off a target."
    )
    return (
        Panel(
            "calendar",
            "Press calendar",
            finding,
            draw_calendar("calendar", days, first, last),
            caption,
            sheet,
        ),
    )


def loading_panel(context: PageContext, review: PeriodReview, shown: Shown) -> tuple[Item, ...]:
    """Return the days' cake and capture against their solids loading."""
    days = _dewatering_days(review)
    column = "solids_loading_kg_h_m"
    if days.empty or column not in days:
        return ()
    targets, panels = _targets(context), []
    for name in ("cake_solids_pct", "capture_pct"):
        known = days.dropna(subset=[column, name]) if name in days else days.iloc[:0]
        if len(known) < 3:
            continue
        points = _day_points(known, column, name, targets.get(name), shown)
        panels.append((shown.name(name), points, _in_units(targets.get(name), name, shown)))
    if not panels:
        return ()
    limit = _in_units(targets.get(column), column, shown)
    svg = draw_days("days-loading", panels, shown.name(column), limit.high if limit else None)
    loads = days[column].dropna()
    finding = (
        f"Daily loading lay between {shown.digits(loads.min(), column)} and "
        f"{shown.amount(loads.max(), column)}; the days off a target are marked."
    )
    sheet = _day_sheet(days, (column, "cake_solids_pct", "capture_pct"), shown)
    return (
        Panel(
            "days-loading",
            "Loading, cake and capture by day",
            finding,
            svg,
            "A day's dot is its ratio of sums, not a mean of minutes.",
            sheet,
        ),
    )


def _day_points(known: pd.DataFrame, across: str, up: str, limit: Limit | None, shown: Shown) -> list[DayPoint]:
    """Return the days as dots; those off the target and the outermost ones bear their date."""
    outer = {known[column].idxmin() for column in (across, up)} | {known[column].idxmax() for column in (across, up)}
    points = []
    for place, row in known.iterrows():
        off = is_off(row[up], limit)
        label = day_label(row["day"]) if off or place in outer else ""
        told = f"{day_label(row['day'])}: {shown.amount(row[up], up)} at {shown.amount(row[across], across)}"
        points.append(DayPoint(shown.number(row[across], across), shown.number(row[up], up), label, off, told))
    return points


def cost_panel(review: PeriodReview, shown: Shown) -> tuple[Item, ...]:
    """Return the cost of a dry ton in cake, line by line, and which prices are missing."""
    lines = sorted(review.costs, key=lambda line: -line.per_dry_t)
    named = [
        (said(COST_LINES, line.name).capitalize(), shown.number(line.per_dry_t, "cost_per_dry_t")) for line in lines
    ]
    drawn = [(name, amount, f"{amount:,.3g}" if amount < 1000 else f"{amount:,.0f}") for name, amount in named]
    total = sum(amount for _, amount in named)
    biggest, amount = named[0]
    finding = f"{biggest} is {share_text(amount / total)} of the {total:,.0f} {shown.unit('cost_per_dry_t')}."
    sheet = Sheet(
        "cost lines",
        (
            Head("Line"),
            Head("Cost", shown.unit("cost_per_dry_t"), True),
            Head("Whole period", shown.currency, True),
            Head("Price"),
        ),
        tuple(
            (name, text, f"{line.amount:,.0f}", line.price) for (name, _, text), line in zip(drawn, lines, strict=True)
        ),
    )
    svg = draw_stack("cost-stack", drawn, f"{total:,.0f}", shown.unit("cost_per_dry_t"))
    items: list[Item] = [Panel("cost-stack", figure_name("cost_per_dry_t", shown.system), finding, svg, "", sheet)]
    if review.missing_prices:
        missing = ", ".join(said(COST_LINES, name).lower() for name in review.missing_prices)
        items.append(
            Prose(f"Left out for want of a price or a meter: {missing}. A missing line is not a cost of nothing.")
        )
    return tuple(items)
