"""The pressure zone: free water out in the wedge, then consolidation roll by roll, then rewetting.

Surface pressure on a roll is belt tension over roll radius (static membrane relation). Consolidation follows the
one-dimensional diffusion form of Terzaghi and Shirato, ``U = 1 - exp(-t / tau)``, with two draining faces:
``tau = 4 w^2 / (pi^2 i^2 Ce)``, i = 2, w the solids volume per belt area; equilibrium ``C_eq = C_ref (p/p_ref)^beta``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trendkit.simulate.machine import SOLIDS_DENSITY_KG_M3, Machine, Sludge
from trendkit.simulate.randomness import Array

REFERENCE_PRESSURE_KPA = 50.0
WEDGE_RADIUS_M = 0.8  # the gentle pressure of the wedge, as that of a roll this large
REBOUND = 0.05  # share of what one roll gained that relaxes on the way to the next


@dataclass(frozen=True)
class Pressing:
    """A cake at the end of the last roll, before it takes up water from the belts."""

    solids: Array  # mass fraction
    wedge_contact: Array  # share of the wedge's length in which the layer is held


def roll_pressure_kpa(tension_kn_m: Array | float, radius_m: float) -> Array | float:
    """Return the surface pressure [kPa] under a belt of `tension_kn_m` on a roll of `radius_m`.

    Examples
    --------
    >>> roll_pressure_kpa(7.0, 0.10)
    70.0
    """
    return tension_kn_m / radius_m


def wedge_contact(gaps: tuple[tuple[float, float], ...], thickness_mm: Array) -> Array:
    """Return the share of the wedge's length where the gap is at most `thickness_mm`.

    Straight lines between the given gaps; a single pair at most as wide as the layer means contact throughout.

    Examples
    --------
    >>> wedge_contact(((0.0, 25.4), (1.0, 0.0)), np.array([9.525]))
    array([0.375])
    """
    if len(gaps) == 1:
        return np.where(thickness_mm >= gaps[0][1], 1.0, 0.0)
    length = gaps[-1][0] - gaps[0][0]
    held = np.zeros_like(thickness_mm)
    for (start, wide), (end, narrow) in zip(gaps[:-1], gaps[1:], strict=True):
        if wide == narrow:
            share = np.where(thickness_mm >= wide, 1.0, 0.0)
        else:
            share = np.clip((thickness_mm - narrow) / (wide - narrow), 0.0, 1.0)
        held = held + share * (end - start)
    result: Array = held / length
    return result


def equilibrium_solids(pressure_kpa: Array, factor: Array, sludge: Sludge) -> Array:
    """Return the solids fraction a cake reaches under `pressure_kpa` given all the time it wants."""
    result: Array = (
        sludge.equilibrium_solids * factor * (pressure_kpa / REFERENCE_PRESSURE_KPA) ** sludge.pressure_power
    )
    return result


def time_constant_s(solids_kg_m2: Array, floc: Array, sludge: Sludge) -> Array:
    """Return the consolidation time constant [s] of a cake of `solids_kg_m2` draining through both faces."""
    thickness_m = solids_kg_m2 / SOLIDS_DENSITY_KG_M3
    diffusion = 4.0 * thickness_m**2 / (np.pi**2 * 4.0 * sludge.consolidation_m2_s * floc**2.2)
    result: Array = diffusion + sludge.creep_s
    return result


def press(
    solids_in: Array,
    solids_kg_m2: Array,
    belt_m_min: Array,
    tension_kn_m: Array,
    floc: Array,
    fouling: Array,
    quality: Array,
    machine: Machine,
    sludge: Sludge,
) -> Pressing:
    """Return the cake after the last roll for a layer of `solids_kg_m2` that enters with `solids_in`.

    The wedge first has to let out the water above what the layer holds on to; blinded belts let it out slower, and
    the length that takes is lost to consolidation. `quality` scales the equilibrium (1 is the usual sludge).
    """
    speed_m_s = belt_m_min / 60.0
    layer_mm = solids_kg_m2 * (1.0 / solids_in + 1.0 / (0.75 * sludge.equilibrium_solids)) / 2.0 / 1.03
    contact = wedge_contact(machine.wedge_gaps, layer_mm)
    held = 1.6 * sludge.yield_solids
    surplus = solids_kg_m2 * np.maximum(1.0 / solids_in - 1.0 / held, 0.0)
    # However wet the layer, most of the press still presses: what the first half cannot let out leaves sideways.
    half_s = 0.5 * machine.pressure_zone_length_m / speed_m_s
    needed_s = surplus / machine.free_water_rate_kg_m2_s * (1.0 + 0.10 * fouling)
    letting_out_s = half_s * (1.0 - np.exp(-needed_s / half_s))
    wedge_s = contact * machine.wedge_length_m / speed_m_s - letting_out_s
    tau = time_constant_s(solids_kg_m2, floc, sludge)
    start = np.minimum(np.maximum(solids_in, held * 0.98), 0.9 * sludge.equilibrium_solids)
    start = np.where(solids_in > start, solids_in, start)
    stages = [(WEDGE_RADIUS_M, wedge_s)]
    stages += [(radius, np.deg2rad(wrap) * radius / speed_m_s) for radius, wrap in machine.rolls]
    debt = np.zeros_like(tau)
    solids = start
    for radius, time_s in stages:
        available = time_s + debt
        debt = np.minimum(available, 0.0)
        pressure = np.maximum(np.asarray(roll_pressure_kpa(tension_kn_m, radius)), 0.1)
        reach = equilibrium_solids(pressure, quality, sludge)
        gain = (1.0 - np.exp(-np.maximum(available, 0.0) / tau)) * np.maximum(reach - solids, 0.0)
        solids = solids + (1.0 - REBOUND) * gain
    return Pressing(solids=np.maximum(solids, solids_in), wedge_contact=contact)
