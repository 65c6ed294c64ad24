"""What pressing costs: amounts of a period and prices in, lines per dry tonne leaving in cake out.

Per tonne leaving in cake, not per tonne fed: else lost solids would look like savings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from trendkit.plant.model import Costs
from trendkit.press.results import CostLine


@dataclass(frozen=True)
class CostItem:
    """One kind of cost: the field of `Costs` with its price, the amount paid for and its unit.

    `goes_with_feed`: the amount is made from the feed, and counts no hour without a feed flow.
    """

    price_field: str
    amount: str
    unit: str  # "kg of active polymer"
    goes_with_feed: bool = False

    def known_share(self, feed_known_share: float) -> float:
        """Return the share of the amount that belongs to the tonnes known: all of what is made from the feed."""
        return 1.0 if self.goes_with_feed else feed_known_share


COST_ITEMS: dict[str, CostItem] = {
    "polymer": CostItem("polymer_per_kg", "polymer_kg", "kg of active polymer"),
    "haul": CostItem("haul_per_t", "wet_cake_t", "t of wet cake", True),
    "power": CostItem("power_per_kwh", "energy_kwh", "kWh"),
    "water": CostItem("water_per_m3", "washwater_m3", "m³ of washwater"),
    "solids_return": CostItem("solids_return_per_t", "solids_returned_t", "t of dry solids sent back", True),
    "press_hour": CostItem("press_hour", "press_hours", "h feeding"),
}


@dataclass(frozen=True)
class PeriodCost:
    """The cost lines of a period, what has no price and what has a price but no amount."""

    lines: tuple[CostLine, ...]
    missing_prices: tuple[str, ...]
    missing_amounts: tuple[str, ...]

    @property
    def per_dry_t(self) -> float | None:
        """Sum of the lines per dry tonne leaving in cake; None without a line."""
        return sum(line.per_dry_t for line in self.lines) if self.lines else None


def cost_lines(
    costs: Costs | None,
    amounts: Mapping[str, float | None],
    dry_cake_t: float | None,
    feed_known_share: float = 1.0,
) -> PeriodCost:
    """Return the cost of a period line by line, per dry tonne leaving in cake [currency/t].

    Parameters
    ----------
    costs
        The plant's prices; a missing price leaves its line out, never zero.
    amounts
        Totals of the period over all phases, by figure name: `polymer_kg`, `wet_cake_t`, `energy_kwh`,
        `washwater_m3`, `solids_returned_t`, `press_hours`. None or absent: not to be had, the line is left
        out.
    dry_cake_t
        Dry tonnes that left in cake. Without any there is no line.
    feed_known_share
        Of the hours feeding, those with a known feed flow, 0 to 1: the tonnes are of these alone, polymer, water,
        power and hours of all. Per tonne they count by this share; what was paid is told whole.

    Source: cost per dry ton of dewatering, EPA 625/1-87-014 pattern (common practice).

    Examples
    --------
    >>> prices = Costs("USD", polymer_per_kg=4.0, haul_per_t=60.0)
    >>> cost_lines(prices, {"polymer_kg": 50.0, "wet_cake_t": 50.0}, dry_cake_t=10.0).per_dry_t
    320.0
    """
    if costs is None:
        return PeriodCost((), tuple(COST_ITEMS), ())
    lines, unpriced, unmeasured = [], [], []
    for name, item in COST_ITEMS.items():
        price, amount = getattr(costs, item.price_field), amounts.get(item.amount)
        if price is None:
            unpriced.append(name)
            continue
        share = item.known_share(feed_known_share)
        if amount is None or math.isnan(amount * share) or dry_cake_t is None or not dry_cake_t > 0:
            unmeasured.append(name)
        else:
            paid, words = price * amount, f"{price:g} {costs.currency} per {item.unit}"
            lines.append(CostLine(name, paid, paid * share / dry_cake_t, words))
    return PeriodCost(tuple(lines), tuple(unpriced), tuple(unmeasured))
