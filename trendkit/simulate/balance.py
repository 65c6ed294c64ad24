"""The whole press on a steady stretch of sludge: every kilogram of water and solids that goes in comes out.

Comes in: a `Stretch`. Goes out: `Flows` in kg/h. Nothing is rounded, capped or thrown away on the way: what
leaves a stage is what entered it less what is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.conditioning import floc_strength, mixing_quality
from trendkit.simulate.gravity_zone import drain
from trendkit.simulate.machine import Station
from trendkit.simulate.pressure_zone import press
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import Stretch

WEAKEST_FLOC = 0.12


@dataclass(frozen=True)
class Flows:
    """Where everything goes, in kg/h; solids are dry, water is water; wash water itself is not in here."""

    solids_in: Array  # feed and polymer
    feed_solids_in: Array
    water_in: Array  # feed, polymer solution and dilution water
    gravity_solids: Array  # filtrate of the gravity zone, spill over the seals inside it
    gravity_water: Array
    pressate_solids: Array  # pressed out and squeezed out between the belts
    pressate_water: Array
    wash_solids: Array  # carried over on the belts and washed off
    wash_water: Array  # that came with them; negative where the cake took water up from the belts
    product_solids: Array  # cake, or thickened sludge
    product_water: Array
    is_thickened: Array  # 1.0 where the product left at the end of the gravity zone
    dose_kg_t: Array
    floc: Array
    layer_solids: Array  # mass fraction at the end of the gravity zone
    probe_depth_mm: Array
    wedge_contact: Array  # NaN in thickening

    @property
    def product(self) -> Array:
        """Solids mass fraction of the product."""
        return self.product_solids / (self.product_solids + self.product_water)

    @property
    def capture(self) -> Array:
        """Share of the solids that is in the product."""
        return self.product_solids / self.solids_in


def press_sludge(stretch: Stretch, station: Station) -> Flows:
    """Return where the solids and the water of stretches of sludge go."""
    dose = 1000.0 * stretch.active_kg_h / stretch.feed_solids_kg_h
    ratio = dose / (station.sludge.optimum_dose_kg_t * stretch.optimum_factor)
    mixing = mixing_quality(stretch.dilution_m3_h, station.settings.dilution_m3_h)
    floc = np.maximum(floc_strength(ratio, mixing, station.sludge), WEAKEST_FLOC)
    layer = drain(stretch, floc, station)
    cake = press(layer, stretch, floc, station)
    thickened = stretch.is_thickening > 0.5

    def pressed(value: Array) -> Array:
        return np.where(thickened, 0.0, value)

    return Flows(
        solids_in=stretch.feed_solids_kg_h + stretch.active_kg_h,
        feed_solids_in=stretch.feed_solids_kg_h,
        water_in=stretch.water_kg_h,
        gravity_solids=layer.passed_kg_h,
        gravity_water=stretch.water_kg_h - layer.water_kg_h,
        pressate_solids=pressed(cake.squeezed_kg_h),
        pressate_water=pressed(cake.pressate_water_kg_h),
        wash_solids=layer.film_kg_h + pressed(cake.carried_kg_h),
        wash_water=pressed(cake.carried_water_kg_h),
        product_solids=np.where(thickened, layer.solids_kg_h, cake.cake_solids_kg_h),
        product_water=np.where(thickened, layer.water_kg_h, cake.cake_water_kg_h),
        is_thickened=thickened.astype(np.float64),
        dose_kg_t=dose,
        floc=floc,
        layer_solids=layer.solids,
        probe_depth_mm=layer.probe_depth_mm,
        wedge_contact=np.where(thickened, np.nan, cake.wedge_contact),
    )
