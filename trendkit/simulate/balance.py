"""The whole press on a steady stretch of sludge: every kilogram of water and solids that goes in comes out.

Comes in: rates and states, arrays of one shape. Goes out: `Flows` in kg/h. Nothing is rounded, capped or thrown
away on the way: what leaves a stage is what entered it less what is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.conditioning import floc_strength, mixing_quality
from trendkit.simulate.gravity_zone import drain
from trendkit.simulate.machine import SOLIDS_DENSITY_KG_M3, WATER_DENSITY_KG_M3, Machine, Sludge
from trendkit.simulate.pressure_zone import press
from trendkit.simulate.randomness import Array


@dataclass(frozen=True)
class Inputs:
    """What a stretch of sludge meets on its way; arrays of one shape."""

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


@dataclass(frozen=True)
class Flows:
    """Where everything goes, in kg/h; solids are dry, water is water."""

    solids_in: Array  # feed and polymer
    feed_solids_in: Array
    water_in: Array  # feed, polymer solution and dilution water, without wash
    gravity_solids: Array  # filtrate of the gravity zone, spill over the seals inside it
    gravity_water: Array
    pressate_solids: Array  # pressed out and squeezed out between the belts
    pressate_water: Array
    wash_solids: Array  # carried over on the belts and washed off
    wash_water: Array  # that came with them; negative where the cake took water up from the belts
    product_solids: Array  # cake, or thickened sludge
    product_water: Array
    floc: Array
    dose_kg_t: Array
    layer_solids: Array  # mass fraction at the end of the gravity zone
    probe_depth_mm: Array
    spilt: Array  # share of the sludge that went over the seals
    wedge_contact: Array


def _softplus(value: Array) -> Array:
    result: Array = np.logaddexp(0.0, value)
    return result


def feed_density_kg_m3(solids: Array) -> Array:
    """Return the density of sludge [kg/m3] at a solids mass fraction, volumes of solids and water added."""
    result: Array = 1.0 / (solids / SOLIDS_DENSITY_KG_M3 + (1.0 - solids) / WATER_DENSITY_KG_M3)
    return result


def press_sludge(inputs: Inputs, machine: Machine, sludge: Sludge, usual_dilution_m3_h: float) -> Flows:
    """Return where the solids and the water of a steady stretch of sludge go."""
    feed_mass = inputs.feed_flow_m3_h * feed_density_kg_m3(inputs.feed_solids)
    feed_solids = feed_mass * inputs.feed_solids
    active = inputs.polymer_flow_l_h * inputs.polymer_strength
    solids_in = feed_solids + active
    water_in = (
        feed_mass
        - feed_solids
        + inputs.polymer_flow_l_h
        - active
        + inputs.dilution_m3_h * WATER_DENSITY_KG_M3
    )
    volume = inputs.feed_flow_m3_h + inputs.polymer_flow_l_h / 1000.0 + inputs.dilution_m3_h

    dose = 1000.0 * active / feed_solids
    ratio = dose / (sludge.optimum_dose_kg_t * inputs.optimum_factor)
    floc = np.maximum(
        floc_strength(ratio, mixing_quality(inputs.dilution_m3_h, usual_dilution_m3_h), sludge), 0.12
    )
    layer = drain(
        volume,
        solids_in / volume,
        inputs.gravity_belt_m_min,
        inputs.gravity_s,
        floc,
        inputs.fouling,
        inputs.resistance_factor,
        inputs.temperature_degc,
        machine,
        sludge,
    )

    passed = sludge.base_loss + sludge.weak_floc_loss * (1.0 - floc)
    over_seal = (layer.probe_depth_mm - machine.seal_height_mm) / (0.07 * machine.seal_height_mm)
    spilt = np.minimum(0.006 * _softplus(over_seal), 0.5)
    spilt_solids, spilt_water = spilt * solids_in, spilt * water_in
    gravity_film = machine.film_solids_kg_m2 * (1.0 + 0.3 * inputs.fouling) * machine.belt_width_m * 60.0
    film_gravity = np.minimum(gravity_film * inputs.gravity_belt_m_min, 0.1 * solids_in)
    passed_solids = passed * (solids_in - spilt_solids)
    on_belt = solids_in - spilt_solids - passed_solids - film_gravity
    layer_water = np.minimum(on_belt * (1.0 / layer.solids - 1.0), water_in - spilt_water)
    # A pond behind the plows runs along with the layer into the wedge well before it spills.
    ponding = (layer.probe_depth_mm - 0.86 * machine.seal_height_mm) / (0.09 * machine.seal_height_mm)
    carried_along = np.minimum(0.035 * _softplus(ponding), 0.7)
    layer_water = layer_water + carried_along * (water_in - spilt_water - layer_water)
    gravity_water = water_in - layer_water

    thickened = inputs.is_thickening > 0.5
    belt_area = machine.belt_width_m * np.maximum(inputs.pressure_belt_m_min, 0.05) * 60.0  # m2/h
    weight = on_belt / belt_area
    entering = on_belt / (on_belt + layer_water)
    too_wet = (sludge.yield_solids / np.sqrt(floc) - entering) / (0.08 * sludge.yield_solids)
    too_thick = (weight / entering / 1.03 - 48.0) / 5.0  # layer in mm against what the edges hold
    squeezed = np.where(
        thickened, 0.0, np.minimum(0.004 * _softplus(too_wet) + 0.003 * _softplus(too_thick), 0.4)
    )
    squeezed_solids, squeezed_water = squeezed * on_belt, squeezed * layer_water
    held, held_water = on_belt - squeezed_solids, layer_water - squeezed_water

    cake = press(
        held / (held + held_water),
        held / belt_area,
        np.maximum(inputs.pressure_belt_m_min, 0.05),
        inputs.tension_kn_m,
        floc,
        inputs.fouling,
        inputs.quality,
        machine,
        sludge,
    )
    thickness_mm = held / cake.solids / belt_area / 1.06
    # Thin cakes release badly and unevenly: part stays on the belts, and what leaves has been pressed less well.
    thin = np.exp(-thickness_mm / machine.thin_cake_mm)
    pressed = np.maximum(cake.solids * (1.0 - 0.9 * thin), held / (held + held_water))
    pressed_water = held * (1.0 / pressed - 1.0)
    film_pressure = machine.film_solids_kg_m2 * (1.0 + 0.3 * inputs.fouling) * belt_area
    carried = np.minimum(film_pressure + 0.25 * thin * held, 0.3 * held)
    carried_water = carried * (1.0 / pressed - 1.0)
    rewet = 2.0 * machine.rewet_kg_m2 * (1.0 + 0.05 * inputs.fouling) * belt_area
    return Flows(
        solids_in=solids_in,
        feed_solids_in=feed_solids,
        water_in=water_in,
        gravity_solids=passed_solids + spilt_solids,
        gravity_water=gravity_water,
        pressate_solids=squeezed_solids,
        pressate_water=np.where(thickened, 0.0, held_water - pressed_water + squeezed_water),
        wash_solids=film_gravity + np.where(thickened, 0.0, carried),
        wash_water=np.where(thickened, 0.0, carried_water - rewet),
        product_solids=np.where(thickened, on_belt, held - carried),
        product_water=np.where(thickened, layer_water, pressed_water - carried_water + rewet),
        floc=floc,
        dose_kg_t=dose,
        layer_solids=layer.solids,
        probe_depth_mm=layer.probe_depth_mm,
        spilt=spilt,
        wedge_contact=np.where(thickened, np.nan, cake.wedge_contact),
    )
