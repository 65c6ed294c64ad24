"""What heads every page, and how targets and days are put into words."""

from __future__ import annotations

import pandas as pd

from trendkit.plant.model import Limit
from trendkit.reports.context import PageContext
from trendkit.reports.plant_clock import PlantClock, day_text, period_text
from trendkit.reports.shown import Shown, is_known, share_text


def shown_for(context: PageContext) -> Shown:
    """Return how this plant reads numbers: its display units and its currency."""
    costs = context.plant.costs
    return Shown(context.plant.display_units, costs.currency if costs else "")


def facts(context: PageContext, clock: PlantClock) -> tuple[tuple[str, str], ...]:
    """Return the docket: press, period with its zone, and how much of it has readings."""
    changed = f", clock changed {clock.day_text(clock.changes[0])}" if clock.changes else ""
    return (
        ("Press", context.press.name),
        ("Period", f"{period_text(context.plant, context.period)}, {context.period.timezone}{changed}"),
        ("Feed flow known for", f"{share_text(context.covered_share, 1)} of the time"),
        ("Units", "US customary" if context.plant.display_units == "us" else "SI"),
    )


def limit_text(limit: Limit | None, column: str, shown: Shown) -> str:
    """Return a target as words: "at least 95 %", "at most 18 lb/ton", "14 to 18 gpm/m"."""
    if limit is None:
        return ""
    if limit.low is not None and limit.high is not None:
        return f"{shown.digits(limit.low, column)} to {shown.amount(limit.high, column)}"
    if limit.low is not None:
        return f"at least {short_amount(limit.low, column, shown)}"
    return f"at most {short_amount(limit.high, column, shown)}" if limit.high is not None else ""


def short_amount(value: float | None, column: str, shown: Shown) -> str:
    """Return a set number (a target) to three digits, without trailing zeros: "95 %", "992 lb/h/m"."""
    number = f"{float(f'{shown.number(value, column):.3g}'):g}"
    unit = shown.unit(column)
    return f"{number}\u00a0{unit}" if unit else number


def is_off(value: object, limit: Limit | None) -> bool:
    """True when a known value lies beyond its target."""
    if limit is None or not isinstance(value, int | float) or not is_known(value):
        return False
    return (limit.low is not None and value < limit.low) or (limit.high is not None and value > limit.high)


def day_label(day: object) -> str:
    """Return a day cell ("18 Mar") whatever date type the frame holds."""
    return day_text(pd.Timestamp(str(day)).date(), with_year=False)
