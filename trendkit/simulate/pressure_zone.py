"""The pressure zone: free water out in the wedge, then consolidation roll by roll, then rewetting and release.

Surface pressure on a roll is belt tension over roll radius (static membrane relation). Consolidation follows
the one-dimensional diffusion form of Terzaghi and Shirato, ``U = 1 - exp(-t / tau)``, with two draining
faces: ``tau = 4 w^2 / (pi^2 i^2 Ce)``, i = 2, w the solids volume per belt area; equilibrium ``C_eq = C_ref
(p/p_ref)^beta``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trendkit.simulate.gravity_zone import Drained, softplus
from trendkit.simulate.machine import SOLIDS_DENSITY_KG_M3, Sludge, Station
from trendkit.simulate.randomness import Array
from trendkit.simulate.stretch import Stretch

REFERENCE_PRESSURE_KPA = 50.0
WEDGE_RADIUS_M = 0.8  # the gentle pressure of the wedge, as that of a roll this large
REBOUND = 0.05  # share of what one roll gained that relaxes on the way to the next
LAYER_DENSITY_T_M3, CAKE_DENSITY_T_M3 = 1.03, 1.06
EDGE_HOLDS_MM = 48.0  # a layer thicker than this is squeezed out at the edges
SLOWEST_M_MIN = 0.05


@dataclass(frozen=True)
class Pressed:
    """What leaves the pressure zone, in kg/h; arrays of one shape."""

    cake_solids_kg_h: Array
    cake_water_kg_h: Array
    squeezed_kg_h: Array  # solids squeezed out sideways, with the pressate
    pressate_water_kg_h: Array  # pressed out or squeezed out
    carried_kg_h: Array  # solids that stay on the belts and go out with the wash
    carried_water_kg_h: Array  # with them; less what the cake took up from the belts
    wedge_contact: Array  # share of the wedge's length in which the layer is held


def roll_pressure_kpa(tension_kn_m: Array, radius_m: float) -> Array:
    """Return the surface pressure [kPa] under a belt of `tension_kn_m` on a roll of `radius_m`.

    Examples
    --------
    >>> roll_pressure_kpa(np.array([7.0]), 0.10)
    array([70.])
    """
    return tension_kn_m / radius_m


def wedge_contact(gaps: tuple[tuple[float, float], ...], thickness_mm: Array) -> Array:
    """Return the share of the wedge's length where the gap is at most `thickness_mm`.

    Straight lines between the given gaps; a single pair at most as wide as the layer means contact
    throughout.

    Examples
    --------
    >>> wedge_contact(((0.0, 25.4), (1.0, 0.0)), np.array([9.525]))
    array([0.375])
    """
    if len(gaps) == 1:
        return np.where(thickness_mm >= gaps[0][1], 1.0, 0.0)
    length = gaps[-1][0] - gaps[0][0]
    held = np.zeros_like(thickness_mm)
    for (start, wide), (end, narrow) in pairwise(gaps):
        if wide == narrow:
            share = np.where(thickness_mm >= wide, 1.0, 0.0)
        else:
            share = np.clip((thickness_mm - narrow) / (wide - narrow), 0.0, 1.0)
        held = held + share * (end - start)
    return held / length


def equilibrium_solids(pressure_kpa: Array, quality: Array, sludge: Sludge) -> Array:
    """Return the solids fraction a cake reaches under `pressure_kpa` given all the time it wants."""
    over = (pressure_kpa / REFERENCE_PRESSURE_KPA) ** sludge.pressure_power
    return np.asarray(sludge.equilibrium_solids * quality * over)


def time_constant_s(solids_kg_m2: Array, floc: Array, sludge: Sludge) -> Array:
    """Return the consolidation time constant [s] of a cake of `solids_kg_m2` draining through both faces.

    Weak floc slows it; creep adds a part that does not depend on thickness.
    """
    thickness_m = solids_kg_m2 / SOLIDS_DENSITY_KG_M3
    diffusion = 4.0 * thickness_m**2 / (np.pi**2 * 4.0 * sludge.consolidation_m2_s * floc**2.2)
    return np.asarray(diffusion + sludge.creep_s)


def press(layer: Drained, stretch: Stretch, floc: Array, station: Station) -> Pressed:
    """Return what becomes of drained layers between the belts."""
    machine = station.machine
    area_m2_h = machine.belt_width_m * np.maximum(stretch.pressure_belt_m_min, SLOWEST_M_MIN) * 60.0
    squeezed = _squeezed_out(layer, layer.solids_kg_h / area_m2_h, floc, station.sludge)
    held, held_water = (1.0 - squeezed) * layer.solids_kg_h, (1.0 - squeezed) * layer.water_kg_h
    solids, contact = _consolidated(layer.solids, held / area_m2_h, stretch, floc, station)

    # Thin cakes release badly and unevenly: part stays on the belts, and what leaves has been pressed less
    # well.
    thickness_mm = held / solids / area_m2_h / CAKE_DENSITY_T_M3
    thin = np.exp(-thickness_mm / machine.thin_cake_mm)
    solids = np.maximum(solids * (1.0 - 0.9 * thin), layer.solids)
    water = held * (1.0 / solids - 1.0)
    film = machine.film_solids_kg_m2 * (1.0 + 0.3 * stretch.fouling) * area_m2_h
    carried = np.minimum(film + 0.25 * thin * held, 0.3 * held)
    carried_water = carried * (1.0 / solids - 1.0)
    rewet = 2.0 * machine.rewet_kg_m2 * (1.0 + 0.05 * stretch.fouling) * area_m2_h
    return Pressed(
        cake_solids_kg_h=held - carried,
        cake_water_kg_h=water - carried_water + rewet,
        squeezed_kg_h=squeezed * layer.solids_kg_h,
        pressate_water_kg_h=held_water - water + squeezed * layer.water_kg_h,
        carried_kg_h=carried,
        carried_water_kg_h=carried_water - rewet,
        wedge_contact=contact,
    )


def _squeezed_out(layer: Drained, solids_kg_m2: Array, floc: Array, sludge: Sludge) -> Array:
    """Return the share of a layer that runs out sideways because it is too wet to hold, or too thick."""
    too_wet = (sludge.yield_solids / np.sqrt(floc) - layer.solids) / (0.08 * sludge.yield_solids)
    too_thick = (solids_kg_m2 / layer.solids / LAYER_DENSITY_T_M3 - EDGE_HOLDS_MM) / 5.0
    return np.minimum(0.004 * softplus(too_wet) + 0.003 * softplus(too_thick), 0.4)


def _consolidated(
    solids_in: Array, solids_kg_m2: Array, stretch: Stretch, floc: Array, station: Station
) -> tuple[Array, Array]:
    """Return the solids fraction after the last roll, and the wedge contact.

    The wedge first has to let out the water above what the layer holds on to; blinded belts let it out
    slower, and the time that takes is lost to consolidation.
    """
    machine, sludge = station.machine, station.sludge
    speed_m_s = np.maximum(stretch.pressure_belt_m_min, SLOWEST_M_MIN) / 60.0
    layer_mm = solids_kg_m2 * (1.0 / solids_in + 1.0 / (0.75 * sludge.equilibrium_solids)) / 2.0 / LAYER_DENSITY_T_M3
    contact = wedge_contact(machine.wedge_gaps, layer_mm)
    held = 1.6 * sludge.yield_solids
    surplus = solids_kg_m2 * np.maximum(1.0 / solids_in - 1.0 / held, 0.0)
    # However wet the layer, half the press still presses: what the first half cannot let out leaves sideways.
    half_s = 0.5 * machine.pressure_zone_length_m / speed_m_s
    needed_s = surplus / machine.free_water_rate_kg_m2_s * (1.0 + 0.10 * stretch.fouling)
    owed_s = half_s * (1.0 - np.exp(-needed_s / half_s))

    tau = time_constant_s(solids_kg_m2, floc, sludge)
    solids = np.maximum(solids_in, np.minimum(0.98 * held, 0.9 * sludge.equilibrium_solids))
    stages = [(WEDGE_RADIUS_M, contact * machine.wedge_length_m / speed_m_s)]
    stages += [(radius, np.deg2rad(wrap) * radius / speed_m_s) for radius, wrap in machine.rolls]
    for radius, time_s in stages:
        pressing_s = np.maximum(time_s - owed_s, 0.0)
        owed_s = np.maximum(owed_s - time_s, 0.0)
        pressure = np.maximum(roll_pressure_kpa(stretch.tension_kn_m, radius), 0.1)
        room = np.maximum(equilibrium_solids(pressure, stretch.quality, sludge) - solids, 0.0)
        solids = solids + (1.0 - REBOUND) * (1.0 - np.exp(-pressing_s / tau)) * room
    return np.maximum(solids, solids_in), contact
