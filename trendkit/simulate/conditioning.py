"""Polymer meets sludge: how strong the floc gets, and how belts blind over hours and wash clean in minutes."""

from __future__ import annotations

import numpy as np

from trendkit.simulate.machine import Sludge
from trendkit.simulate.randomness import Array

PLATEAU_END = 1.2  # doses up to this multiple of the optimum neither help nor harm
FOULING_PER_H = 0.4  # growth of belt resistance while sludge lies on it, in clean resistances per hour
OVERDOSE_FOULING_PER_H = 3.0  # further growth per hour and unit of dose beyond the plateau
WASH_PER_H = 1.0  # share of the fouling the sprays take off per hour while pressing
WASH_DOWN_PER_H = 14.0  # the same while the belts run without sludge
MOST_FOULING = 5.0  # clean resistances


def floc_strength(dose_ratio: Array, mixing: Array, sludge: Sludge) -> Array:
    """Return floc strength, 1 at its best and 0 unconditioned, for doses as multiples of the optimum.

    Steep below the optimum (a log-normal flank), level to 1.2 times it, then a slow loss. `mixing` (1 is
    good) scales the dose that takes effect. Shape: process literature on dose response, scaling by common
    practice.
    """
    ratio = np.maximum(dose_ratio * mixing, 1e-6)
    flank = np.exp(-((np.log(np.minimum(ratio, 1.0)) / sludge.dose_width) ** 2))
    beyond = np.maximum(ratio - PLATEAU_END, 0.0)
    result: Array = flank * np.exp(-0.12 * beyond)
    return result


def mixing_quality(dilution_m3_h: Array, usual_m3_h: float) -> Array:
    """Return how well the polymer is spread: 1 at the usual dilution water, down to 0.42 without any."""
    if usual_m3_h <= 0.0:
        return np.ones_like(dilution_m3_h)
    share = np.clip(dilution_m3_h / usual_m3_h, 0.0, 1.0)
    result: Array = 0.42 + 0.58 * np.sqrt(share)
    return result


def wash_effect(flow_m3_h: Array, pressure_kpa: Array, usual_m3_h: float, usual_kpa: float) -> Array:
    """Return how well the sprays clean, 1 at usual flow and pressure, 0 when they are dry."""
    flow = np.clip(flow_m3_h / usual_m3_h, 0.0, 1.3)
    pressure = np.clip(pressure_kpa / usual_kpa, 0.0, 1.3)
    result: Array = np.clip(flow * np.sqrt(pressure), 0.0, 1.2) ** 1.5
    return result


def belt_fouling(
    is_pressing: Array, is_moving: Array, dose_ratio: Array, wash: Array, extra_per_h: Array, step_s: float
) -> Array:
    """Return the fouling of a belt at each step, in clean resistances above the clean one, shape (n,).

    Grows while sludge lies on the belt, faster with polymer beyond the plateau; the sprays take off a share
    of it per hour, most of it within minutes when the belts run empty. Stopped belts keep what they have.
    """
    hours = step_s / 3600.0
    beyond = np.maximum(dose_ratio - PLATEAU_END, 0.0)
    growth = is_pressing * (FOULING_PER_H + OVERDOSE_FOULING_PER_H * beyond + extra_per_h) * hours
    rate = np.where(is_pressing > 0.5, WASH_PER_H, WASH_DOWN_PER_H) * wash * is_moving
    kept = np.exp(-rate * hours)
    fouling = np.empty(len(growth))
    level = 0.0
    for step, (grown, share) in enumerate(zip(growth.tolist(), kept.tolist(), strict=True)):
        level = min((level + grown) * share, MOST_FOULING)
        fouling[step] = level
    return fouling
