"""Sanity bounds of a press: what a number in the plant file can hardly leave, and what is usual.

The usual ranges are those of design handbooks (values from memory of Metcalf & Eddy and of EPA 625/1-87-014;
densities also after UFC 3-280-03), the outer ones are common practice. They catch slips of the pen. They are
no verdict on a press: a plant's own history outranks them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Bound:
    """Outer limits of one number, the usual range inside them, in `unit` (as shown to people)."""

    what: str
    unit: str
    low: float
    high: float
    usual_low: float | None = None
    usual_high: float | None = None

    def holds(self, value: float) -> bool:
        """True when the value lies within the outer limits."""
        return self.low <= value <= self.high

    def is_usual(self, value: float) -> bool:
        """True when the value lies in the usual range, or none is known."""
        if self.usual_low is None or self.usual_high is None:
            return True
        return self.usual_low <= value <= self.usual_high

    def usual_sentence(self) -> str:
        """Return the usual range in words."""
        return f"{self.what} is usually {self.usual_low:g} to {self.usual_high:g} {self.unit}"

    def sentence(self) -> str:
        """Return the outer limits in words, named what they are: a sanity bound."""
        usual = "" if self.usual_low is None else f", usually {self.usual_low:g} to {self.usual_high:g}"
        return f"{self.low:g} to {self.high:g} {self.unit} (a sanity bound{usual})".replace("  ", " ")


BELT_WIDTH = Bound("an effective belt width", "m", 0.2, 5, 0.5, 3.5)
GRAVITY_ZONE_LENGTH = Bound("a gravity zone length", "m", 0.5, 15, 2, 6)
PRESSURE_ZONE_LENGTH = Bound("a pressure zone length", "m", 1, 40, 5, 20)
WEDGE_POSITION = Bound("a position along the wedge", "m", 0, 40)
WEDGE_GAP = Bound("a wedge gap", "mm", 0, 300)
CONDITIONING_VOLUME = Bound("a volume from polymer injection to belt", "m3", 0, 50)
CONDITIONING_TANK_AREA = Bound("a conditioning tank's cross-section", "m2", 0.01, 20)
CAKE_DELAY = Bound("a delay from last roll to cake meter", "s", 0, 900)
FEED_DENSITY = Bound("a feed sludge density", "kg/m3", 950, 1250, 990, 1060)
CAKE_DENSITY = Bound("a cake density", "kg/m3", 500, 1600, 800, 1300)
FEED_ON_ABOVE = Bound("a feed flow that counts as feeding", "m3/h", 0.01, 100)
ROLLING_WINDOW = Bound("a rolling window", "s", 300, 7 * 86_400)
MAX_HOLD = Bound("a longest silence bridged", "s", 1, 86_400)
SHIFT_CLOCK = Bound("a clock correction", "s", -366 * 86_400, 366 * 86_400)
LAB_MAX_AGE = Bound("a lab result's longest validity", "s", 60, 31 * 86_400)
