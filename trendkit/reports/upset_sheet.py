"""The upset ledger for people: numbered as in the drawings, in plant time and the reader's units."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trendkit.plant.display import rounded
from trendkit.reports.page import Cell, Head, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import DASH, Shown, is_known, share_text
from trendkit.reports.strip_charts import Span
from trendkit.reports.words import CAUSES, KINDS, SEVERITIES, said
from trendkit.upsets.results import Upset


def spans(upsets: Sequence[Upset], kinds: Iterable[str] | None = None) -> tuple[Span, ...]:
    """Return the upsets that show one of `kinds` (all without it) as spans, numbered by their place in the
    ledger.
    """
    wanted = None if kinds is None else set(kinds)
    return tuple(
        Span(number, upset.start, upset.end)
        for number, upset in enumerate(upsets, start=1)
        if wanted is None or wanted & {upset.kind, *upset.kinds}
    )


def upset_sheet(
    upsets: Sequence[Upset], clock: PlantClock, shown: Shown, caption: str = "Upsets of the period"
) -> Sheet:
    """Return the ledger for people: numbered as drawn, in plant time, evidence in the reader's units."""
    heads = (
        Head("No.", is_number=True),
        Head("From", "plant time", is_short=True),
        Head("Lasted", "h:min", True),
        Head("What was seen"),
        Head("Severity"),
        Head("Likeliest cause", "weight"),
        Head("Evidence"),
        Head("Solids lost beyond usual", f"{shown.unit('lost_dry_solids_kg')} (95 % limits)", True, is_breaking=True),
        Head("Extra cost", f"{shown.currency} (95 % limits)", True, is_breaking=True),
    )
    rows = tuple(_upset_row(number, upset, clock, shown) for number, upset in enumerate(upsets, start=1))
    return Sheet(caption, heads, rows)


def _upset_row(number: int, upset: Upset, clock: PlantClock, shown: Shown) -> tuple[Cell | str, ...]:
    minutes = round((upset.end - upset.start).total_seconds() / 60)
    weight = upset.causes[0].weight if upset.causes else None
    cause = said(CAUSES, upset.cause)
    return (
        str(number),
        clock.time_text(upset.start),
        f"{minutes // 60}:{minutes % 60:02d}",
        ", ".join(said(KINDS, kind) for kind in dict.fromkeys((upset.kind, *upset.kinds))),
        Cell(SEVERITIES[upset.severity], "misses" if upset.severity > 1 else ""),
        f"{cause} ({share_text(weight)})" if weight is not None else cause,
        shown.retold(upset.evidence),
        _solids_lost(upset, shown),
        _limited(_money(upset.extra_cost), _money(upset.extra_cost_low), _money(upset.extra_cost_high)),
    )


def _solids_lost(upset: Upset, shown: Shown) -> str:
    """Return the solids lost beyond the usual; nothing is lost where more than usual was kept."""
    value_kg, high_kg = upset.lost_dry_solids_kg, upset.lost_dry_solids_kg_high
    if value_kg is not None and value_kg <= 0.0:
        return f"none (up to {shown.digits(high_kg, 'kg')})" if high_kg is not None and high_kg > 0.0 else "none"
    amounts = (upset.lost_dry_solids_kg, upset.lost_dry_solids_kg_low, upset.lost_dry_solids_kg_high)
    value, low, high = rounded(*(shown.number(each, "kg") for each in amounts))
    return _limited(value, low, high)


def _money(amount: float | None) -> str:
    return f"{amount:,.0f}".replace("-", "\u2212") if amount is not None and is_known(amount) else DASH


def _limited(value: str, low: str, high: str) -> str:
    """Return an amount with its 95 % limits behind it, where it has them."""
    return value if DASH in (value, low, high) else f"{value} ({low}\u00a0to\u00a0{high})"
