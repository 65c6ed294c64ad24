"""A steady stretch of sludge and what it meets on its way through the press."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.machine import SOLIDS_DENSITY_KG_M3, WATER_DENSITY_KG_M3
from trendkit.simulate.randomness import Array


@dataclass(frozen=True)
class Stretch:
    """Rates and states of stretches of sludge; arrays of one shape, an element a stretch."""

    feed_flow_m3_h: Array
    feed_solids: Array  # mass fraction
    polymer_flow_l_h: Array
    polymer_strength: Array  # mass fraction, active
    dilution_m3_h: Array
    gravity_belt_m_min: Array
    gravity_s: Array  # time spent in the gravity zone
    pressure_belt_m_min: Array
    tension_kn_m: Array
    fouling: Array  # of the belts, in clean resistances
    temperature_degc: Array
    quality: Array  # factor on the equilibrium dryness
    optimum_factor: Array  # factor on the optimum dose
    resistance_factor: Array  # factor on the cake's resistance
    is_thickening: Array  # 1.0 when the gravity zone works alone

    @property
    def feed_kg_h(self) -> Array:
        """Wet feed [kg/h]."""
        return self.feed_flow_m3_h * sludge_density_kg_m3(self.feed_solids)

    @property
    def feed_solids_kg_h(self) -> Array:
        """Dry solids of the feed [kg/h]."""
        return self.feed_kg_h * self.feed_solids

    @property
    def active_kg_h(self) -> Array:
        """Active polymer [kg/h]; a litre of solution weighs a kilogram."""
        return self.polymer_flow_l_h * self.polymer_strength

    @property
    def water_kg_h(self) -> Array:
        """Water of feed, polymer solution and dilution together [kg/h]."""
        feed = self.feed_kg_h - self.feed_solids_kg_h
        return feed + self.polymer_flow_l_h - self.active_kg_h + self.dilution_m3_h * WATER_DENSITY_KG_M3

    @property
    def volume_m3_h(self) -> Array:
        """Feed, polymer solution and dilution water together [m3/h]."""
        return self.feed_flow_m3_h + self.polymer_flow_l_h / 1000.0 + self.dilution_m3_h


def sludge_density_kg_m3(solids: Array) -> Array:
    """Return the density of sludge [kg/m3] at a solids mass fraction, volumes of solids and water added.

    Examples
    --------
    >>> sludge_density_kg_m3(np.array([0.0, 0.20])).round(1)
    array([1000. , 1060.6])
    """
    return np.asarray(1.0 / (solids / SOLIDS_DENSITY_KG_M3 + (1.0 - solids) / WATER_DENSITY_KG_M3))
