"""The gravity zone: a flocculated layer drains through its own cake and through the belt under its own head.

Falling-head filtration with cake and medium resistance (textbook filtration theory):
``t = (mu Rm / rho g) ln(1/x) + (mu alpha c h0 / rho g) (ln(1/x) - (1 - x))`` with x the share of the depth left.
Depth and time both go as one over belt speed, so the cake term does not depend on the speed; the belt term does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.machine import Machine, Sludge
from trendkit.simulate.randomness import Array

GRAVITY_HEAD_PA_M = 9.80665e3  # rho g of water
NEWTON_STEPS = 9


@dataclass(frozen=True)
class Drainage:
    """A layer at the end of the gravity zone; all arrays of one shape."""

    solids: Array  # mass fraction of the layer that goes into the wedge
    probe_depth_mm: Array  # depth halfway along the zone, where the level probe looks
    belt_solids_kg_m2: Array


def viscosity_pa_s(temperature_degc: Array) -> Array:
    """Return the viscosity of water [Pa s] (Vogel form, 1.002e-3 at 20 degC, value from memory)."""
    result: Array = 2.414e-5 * 10.0 ** (247.8 / (temperature_degc + 133.15))
    return result


def depth_left(time_s: Array, belt_s: Array, cake_s: Array) -> Array:
    """Return the share x of a layer's depth that is left after `time_s` of draining.

    `belt_s` is ``mu Rm / rho g`` and `cake_s` is ``mu alpha c h0 / rho g``. Newton's method on ``ln(1/x)`` from a
    start above the root; the equation is convex there, so every step stays on its side.

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
    result: Array = np.exp(-y)
    return result


def drain(
    volume_m3_h: Array,
    solids_kg_m3: Array,
    belt_m_min: Array,
    time_s: Array,
    floc: Array,
    fouling: Array,
    resistance_factor: Array,
    temperature_degc: Array,
    machine: Machine,
    sludge: Sludge,
) -> Drainage:
    """Return how a layer of conditioned sludge leaves the gravity zone.

    `volume_m3_h` is sludge with polymer and dilution water, `solids_kg_m3` its solids; `fouling` in clean belt
    resistances. Weak floc multiplies the cake's resistance, a heavier layer packs denser (compressibility) but
    also presses itself drier (self-weight), which sets the most the zone can reach.
    """
    depth_m = volume_m3_h / (machine.belt_width_m * belt_m_min * 60.0)
    belt_solids = solids_kg_m3 * depth_m
    weight = belt_solids / sludge.reference_belt_solids_kg_m2
    viscosity = viscosity_pa_s(temperature_degc)
    resistance = sludge.cake_resistance_m_kg * resistance_factor * weight**sludge.compressibility / floc**3
    cake_s = viscosity * resistance * belt_solids / GRAVITY_HEAD_PA_M
    belt_s = viscosity * machine.gravity_belt_resistance_1_m * (1.0 + fouling) / GRAVITY_HEAD_PA_M
    solids_in = solids_kg_m3 / 1000.0
    drained = solids_in / depth_left(time_s, belt_s, cake_s)
    most = sludge.self_weight_solids * weight**sludge.self_weight_power * (0.6 + 0.4 * floc)
    # A smooth lesser-of-two: far from the self-weight limit the layer follows drainage, near it the limit.
    reached = np.maximum((drained**-4 + most**-4) ** -0.25, solids_in)
    probe = depth_m * depth_left(time_s / 2.0, belt_s, cake_s) * 1000.0
    return Drainage(solids=reached, probe_depth_mm=probe, belt_solids_kg_m2=belt_solids)
