"""The gravity zone: a flocculated layer drains through its own cake and through the belt under its own head.

Falling-head filtration with cake and medium resistance (textbook filtration theory):
``t = (mu Rm / rho g) ln(1/x) + (mu alpha c h0 / rho g) (ln(1/x) - (1 - x))`` with x the share of the depth
left. Depth and time both go as one over belt speed, so the cake term does not depend on the speed; the belt
term does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.machine import Station
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import Stretch

HEAD_PA_M = 9.80665e3  # rho g of water
NEWTON_STEPS = 9
STRONGER_CAKE_POWER = 3.0  # cake resistance over floc strength


@dataclass(frozen=True)
class Drained:
    """A layer at the end of the gravity zone, and what left it there, in kg/h; arrays of one shape."""

    solids_kg_h: Array  # on the belt
    water_kg_h: Array
    passed_kg_h: Array  # solids through the belt or over the seals, with the filtrate
    film_kg_h: Array  # solids that stay in the belt and go out with the wash
    probe_depth_mm: Array  # depth halfway along the zone, where the level probe looks
    spilt: Array  # share of the sludge that went over the seals

    @property
    def solids(self) -> Array:
        """Solids mass fraction of the layer."""
        return self.solids_kg_h / (self.solids_kg_h + self.water_kg_h)


def softplus(value: Array) -> Array:
    """Return a smooth ``max(value, 0)``."""
    return np.asarray(np.logaddexp(0.0, value))


def viscosity_pa_s(temperature_degc: Array) -> Array:
    """Return the viscosity of water [Pa s] (Vogel form, 1.002e-3 at 20 degC, value from memory)."""
    return np.asarray(2.414e-5 * 10.0 ** (247.8 / (temperature_degc + 133.15)))


def depth_left(time_s: Array, belt_s: Array, cake_s: Array) -> Array:
    """Return the share x of a layer's depth that is left after `time_s` of draining.

    `belt_s` is ``mu Rm / rho g`` and `cake_s` is ``mu alpha c h0 / rho g``. Newton's method on ``ln(1/x)``
    from a start above the root; the equation is convex there, so every step stays on its side.

    Examples
    --------
    >>> x = depth_left(np.array([30.0]), np.array([10.2]), np.array([31.0]))
    >>> y = np.log(1 / x)
    >>> bool(np.isclose((10.2 + 31.0) * y - 31.0 * (1 - x), 30.0)[0])
    True
    """
    both = belt_s + cake_s
    y = (time_s + cake_s) / both
    for _ in range(NEWTON_STEPS):
        left = np.exp(-y)
        y = np.maximum(y - (both * y - cake_s * (1.0 - left) - time_s) / (both - cake_s * left), 0.0)
    return np.asarray(np.exp(-y))


def drain(stretch: Stretch, floc: Array, station: Station) -> Drained:
    """Return how stretches of conditioned sludge leave the gravity zone.

    Weak floc multiplies the cake's resistance and lets solids through; a heavier layer packs denser but also
    presses itself drier (self-weight); a layer deeper than the seals can hold spills, and well before that
    its pond runs along into the wedge.
    """
    machine, sludge = station.machine, station.sludge
    solids_in, water_in = stretch.feed_solids_kg_h + stretch.active_kg_h, stretch.water_kg_h
    reached, probe_mm = _layer_solids(stretch, solids_in / stretch.volume_m3_h, floc, station)

    spilt = np.minimum(0.006 * softplus(_above(probe_mm, machine.seal_height_mm, 0.07)), 0.5)
    film = machine.film_solids_kg_m2 * (1.0 + 0.3 * stretch.fouling) * machine.belt_width_m * 60.0
    film_kg_h = np.minimum(film * stretch.gravity_belt_m_min, 0.1 * solids_in)
    passing = sludge.base_loss + sludge.weak_floc_loss * (1.0 - floc)
    passed_kg_h = passing * (1.0 - spilt) * solids_in + spilt * solids_in
    on_belt = solids_in - passed_kg_h - film_kg_h

    water_on_belt = (1.0 - spilt) * water_in
    kept_water = np.minimum(on_belt * (1.0 / reached - 1.0), water_on_belt)
    running_along = np.minimum(0.035 * softplus(_above(probe_mm, 0.86 * machine.seal_height_mm, 0.105)), 0.7)
    kept_water = kept_water + running_along * (water_on_belt - kept_water)
    return Drained(on_belt, kept_water, passed_kg_h, film_kg_h, probe_mm, spilt)


def _above(depth_mm: Array, limit_mm: float, softness: float) -> Array:
    """Return how far a depth is above a limit, in shares `softness` of that limit."""
    return np.asarray((depth_mm - limit_mm) / (softness * limit_mm))


def _layer_solids(stretch: Stretch, solids_kg_m3: Array, floc: Array, station: Station) -> tuple[Array, Array]:
    """Return the solids fraction a layer drains to, and its depth at the probe [mm]."""
    machine, sludge = station.machine, station.sludge
    depth_m = stretch.volume_m3_h / (machine.belt_width_m * stretch.gravity_belt_m_min * 60.0)
    belt_solids = solids_kg_m3 * depth_m
    weight = belt_solids / sludge.reference_belt_solids_kg_m2
    viscosity = viscosity_pa_s(stretch.temperature_degc)
    resistance = sludge.cake_resistance_m_kg * stretch.resistance_factor * weight**sludge.compressibility
    cake_s = viscosity * resistance / floc**STRONGER_CAKE_POWER * belt_solids / HEAD_PA_M
    belt_s = viscosity * machine.gravity_belt_resistance_1_m * (1.0 + stretch.fouling) / HEAD_PA_M
    solids_in = solids_kg_m3 / 1000.0
    drained = solids_in / depth_left(stretch.gravity_s, belt_s, cake_s)
    most = sludge.self_weight_solids * weight**sludge.self_weight_power * (0.6 + 0.4 * floc)
    # A smooth lesser of the two: far from the self-weight limit the layer follows drainage, near it the
    # limit.
    reached = np.maximum((drained**-4 + most**-4) ** -0.25, solids_in)
    return reached, depth_m * depth_left(stretch.gravity_s / 2.0, belt_s, cake_s) * 1000.0
