"""Sludge time: where the sludge that is here now was before, through the tank and over the two belts.

Plug flow through the conditioning volume, then the gravity zone along the actual gravity belt, then the
pressure zone along the actual pressure belt. Positions are kept as running totals (m3 pumped, m of belt), so
that stops and speed changes need no special case and nothing is lost between steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.machine import Machine
from trendkit.simulate.randomness import Array

_NUDGE = 1e-9  # makes running totals strictly increasing, so that they can be read backwards


@dataclass(frozen=True)
class Travel:
    """Running totals at the edges of the grid, shape (n + 1,), and the lengths to be covered."""

    edges_s: Array
    pumped_m3: Array
    gravity_m: Array
    pressure_m: Array
    conditioning_m3: float
    gravity_zone_m: float
    pressure_zone_m: float

    def pumped_at(self, second: Array) -> Array:
        """Return the volume pumped into the tank by each moment [m3]."""
        result: Array = np.interp(second, self.edges_s, self.pumped_m3)
        return result

    def entered_gravity(self, second: Array) -> Array:
        """Return the pumped volume whose last drop enters the gravity zone at each moment; negative: none yet."""
        result: Array = self.pumped_at(second) - self.conditioning_m3
        return result

    def back_along_gravity(self, second: Array, share: float = 1.0) -> Array:
        """Return when the sludge that is `share` of the gravity zone along at each moment entered it [s]."""
        here = np.interp(second, self.edges_s, self.gravity_m)
        result: Array = np.interp(here - share * self.gravity_zone_m, self.gravity_m, self.edges_s, left=-1.0)
        return result

    def back_along_pressure(self, second: Array, share: float = 1.0) -> Array:
        """Return when the sludge that is `share` of the pressure zone along at each moment entered it [s]."""
        here = np.interp(second, self.edges_s, self.pressure_m)
        result: Array = np.interp(here - share * self.pressure_zone_m, self.pressure_m, self.edges_s, left=-1.0)
        return result

    def volume_at(self, second: Array, gravity_share: float, pressure_share: float) -> Array:
        """Return the pumped volume of the sludge found at a place at each moment (negative: none has come yet)."""
        back = second
        if pressure_share > 0.0:
            back = self.back_along_pressure(back, pressure_share)
        if gravity_share > 0.0:
            back = np.where(back < 0.0, -1.0, self.back_along_gravity(np.maximum(back, 0.0), gravity_share))
        return np.where(back < 0.0, -1.0, self.entered_gravity(np.maximum(back, 0.0)))

    def fed_at(self, volume: Array) -> Array:
        """Return when the drop at a pumped volume was fed [s]; NaN for a negative volume."""
        second = np.interp(volume, self.pumped_m3, self.edges_s)
        return np.where(volume < 0.0, np.nan, second)

    def onward(self, second: Array) -> tuple[Array, Array, Array]:
        """Return when sludge fed at each moment enters the gravity zone, the pressure zone, and leaves [s].

        What has not arrived by the end of the grid gets infinity.
        """
        into_gravity = np.interp(
            self.pumped_at(second) + self.conditioning_m3, self.pumped_m3, self.edges_s, right=np.inf
        )
        into_pressure = self._forward(into_gravity, self.gravity_m, self.gravity_zone_m)
        out = self._forward(into_pressure, self.pressure_m, self.pressure_zone_m)
        return into_gravity, into_pressure, out

    def _forward(self, second: Array, run_m: Array, length_m: float) -> Array:
        here = np.interp(second, self.edges_s, run_m)
        there = np.interp(here + length_m, run_m, self.edges_s, right=np.inf)
        return np.where(np.isfinite(second), there, np.inf)


def travel(step_s: float, pumped_m3_h: Array, gravity_m_min: Array, pressure_m_min: Array, machine: Machine) -> Travel:
    """Return the running totals for flows and belt speeds per step, shape (n,)."""

    def total(rate_per_s: Array) -> Array:
        steps = np.concatenate([[0.0], np.cumsum(rate_per_s * step_s)])
        result: Array = steps + np.arange(len(steps)) * _NUDGE
        return result

    return Travel(
        edges_s=np.arange(len(pumped_m3_h) + 1, dtype=np.float64) * step_s,
        pumped_m3=total(pumped_m3_h / 3600.0),
        gravity_m=total(gravity_m_min / 60.0),
        pressure_m=total(pressure_m_min / 60.0),
        conditioning_m3=machine.conditioning_volume_m3,
        gravity_zone_m=machine.gravity_zone_length_m,
        pressure_zone_m=machine.pressure_zone_length_m,
    )
