"""Computed wet cake and polymer against what was weighed over the gate: truck tickets and polymer deliveries."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from trendkit.plant.calendar import Period
from trendkit.press.results import Compared, Figure


def against_tickets(tickets: pd.DataFrame, wet_cake: Figure, press: str, period: Period, presses: int) -> Compared:
    """Return the wet cake computed for a press [t] against its truck tickets of the period.

    Parameters
    ----------
    tickets
        Rows `time` (UTC), `press` (slug or ""), `mass_kg`.
    wet_cake
        The period's `wet_cake_t` of dewatering.
    press, presses
        Slug of the press, and how many the plant has: a ticket that names none counts only where there is one.
    """
    own = _within(tickets, period)
    unnamed = own[own["press"] == ""]
    own = own[(own["press"] == press) | ((own["press"] == "") & (presses == 1))]
    if own.empty and len(unnamed):
        reason = f"{len(unnamed)} tickets name no press, and the plant has {presses}"
        return Compared("wet_cake_t", "t", wet_cake.value, wet_cake.low, wet_cake.high, 0.0, 0, None, None, reason)
    return _compared("wet_cake_t", "t", wet_cake, float(own["mass_kg"].sum()) / 1000.0, len(own), _CAKE_OFF)


def against_deliveries(
    deliveries: pd.DataFrame, polymer: Sequence[Figure], period: Period, are_all_presses: bool
) -> Compared:
    """Return the active polymer computed for all presses together [kg] against the deliveries of the period.

    `polymer` holds every press's `polymer_kg` over all modes; `are_all_presses` is False when some were not read.
    Deliveries fill a store, so over a short period they need not match what was used.
    """
    own = _within(deliveries, period)
    active = float((own["mass_kg"] * own["active_share"]).sum())
    if own["active_share"].isna().any():
        why = f"{int(own['active_share'].isna().sum())} deliveries do not say how much of them is active"
        return Compared("polymer_kg", "kg", None, None, None, active, len(own), None, None, why)
    if not are_all_presses:
        why = "deliveries serve every press, and not all of them were read: leave out --press"
        return Compared("polymer_kg", "kg", None, None, None, active, len(own), None, None, why)
    known = [each for each in polymer if each.value is not None]
    if len(known) < len(polymer):
        why = "the polymer of some press is not known"
        return Compared("polymer_kg", "kg", None, None, None, active, len(own), None, None, why)
    together = _together(known)
    return _compared("polymer_kg", "kg", together, active, len(own), _POLYMER_OFF)


def _together(presses: Sequence[Figure]) -> Figure:
    """Return what presses used together [kg], their errors independent; without limits where one has none."""
    total = sum(each.value or 0.0 for each in presses)
    spans = [each.high - each.low for each in presses if each.low is not None and each.high is not None]
    if len(spans) < len(presses):
        return Figure(total, "kg")
    half = 0.5 * math.hypot(*spans)
    return Figure(total, "kg", total - half, total + half)


_CAKE_OFF = (
    "cake still in the bin at either end of the period, the truck scale, the cake solids, or the solids fed must be off"
)
_POLYMER_OFF = (
    "the stock changed over the period, or polymer flow, polymer strength or the active share of the product is off"
)


def _within(rows: pd.DataFrame, period: Period) -> pd.DataFrame:
    return rows[(rows["time"] >= period.start_utc) & (rows["time"] < period.end_utc)]


def _compared(name: str, unit: str, computed: Figure, weighed: float, rows: int, off: str) -> Compared:
    value, low, high = computed.value, computed.low, computed.high
    if rows == 0:
        return Compared(name, unit, value, low, high, 0.0, 0, None, None, "none of them falls in the period")
    if value is None:
        why = computed.reason or "the computed amount is not known"
        return Compared(name, unit, None, None, None, weighed, rows, None, None, why)
    gap = 100.0 * (value - weighed) / weighed if weighed > 0.0 else None
    if low is None or high is None:
        return Compared(name, unit, value, low, high, weighed, rows, gap, None, "the computed amount has no limits")
    agrees = low <= weighed <= high
    reason = "within the limits of the computed amount" if agrees else off
    return Compared(name, unit, value, low, high, weighed, rows, gap, agrees, reason)
