"""Belts: speeds, lengths and solids in; times, layers and contact out (continuity throughout)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.press.amounts import Amount, ratio

MIN_PER_H = 60.0


def belt_speed_ratio(gravity_belt_speed_m_min: Amount, pressure_belt_speed_m_min: Amount) -> Amount:
    """Return gravity belt speed over pressure belt speed [-].

    ``r = v_g / v_p``. NaN where the pressure belt stands. Over a window: mean speed over mean speed.

    Source: definition; a press with one drive for both zones has a fixed ratio (common practice).

    Examples
    --------
    >>> belt_speed_ratio(6.0, 3.0)
    2.0
    """
    return ratio(gravity_belt_speed_m_min, pressure_belt_speed_m_min)


def gravity_drain_time_s(gravity_zone_length_m: Amount, gravity_belt_speed_m_min: Amount) -> Amount:
    """Return the time sludge has to drain on the gravity belt [s].

    ``t_g = L_g / v_g``. NaN where the belt stands.

    Source: continuity (common practice).

    Examples
    --------
    >>> gravity_drain_time_s(3.0, 6.0)
    30.0
    """
    return ratio(60.0 * gravity_zone_length_m, gravity_belt_speed_m_min)


def belt_solids_kg_m2(feed_dry_solids_kg_h: Amount, belt_width_m: Amount, gravity_belt_speed_m_min: Amount) -> Amount:
    """Return the dry solids laid on a belt per area [kg/m2].

    ``omega = S_f / (W v)`` with v in m/h. NaN where the belt stands. With the pressure belt's speed and the
    solids kept it is the load between the pressing belts.

    Source: continuity; the "load" of belt filter simulation, Water Science & Technology 61(12), 2010, 3162.

    Examples
    --------
    >>> round(belt_solids_kg_m2(757.5, 2.0, 6.0), 3)
    1.052
    """
    return ratio(feed_dry_solids_kg_h, belt_width_m * gravity_belt_speed_m_min * MIN_PER_H)


def cake_thickness_mm(
    wet_cake_kg_h: Amount, belt_width_m: Amount, pressure_belt_speed_m_min: Amount, cake_density_kg_m3: Amount
) -> Amount:
    """Return the thickness of the cake at discharge [mm].

    ``delta = M_k / (W v_p rho_k)``. NaN where the pressure belt stands.

    Source: continuity (common practice).

    Examples
    --------
    >>> round(cake_thickness_mm(3598.1, 2.0, 3.0, 950.0), 2)
    10.52
    """
    swept_m2_h = belt_width_m * pressure_belt_speed_m_min * MIN_PER_H
    return ratio(1000.0 * wet_cake_kg_h, swept_m2_h * cake_density_kg_m3)


def wedge_contact_pct(cake_thickness_mm: Amount, wedge_gaps: tuple[tuple[float, float], ...]) -> Amount:
    """Return the share of the wedge length where the gap is at most the discharge cake thickness [%].

    Parameters
    ----------
    cake_thickness_mm
        Float, Series or array [mm]; NaN gives NaN.
    wedge_gaps
        Pairs of position along the wedge [m] and gap [mm], positions increasing, straight lines between them.
        One pair means pressure from the start: 100 where the cake fills that gap, else 0.

    Returns
    -------
    The same kind as given. 0 where the wedge never touches, 100 where it touches throughout.

    Source: geometry; a straight wedge from 25.4 mm to zero meets a 9.5 mm cake at 0.625 of its length (common
    practice).

    Raises
    ------
    ValueError
        Without any pair.

    Examples
    --------
    >>> round(wedge_contact_pct(9.5, ((0.0, 25.4), (1.0, 0.0))), 1)
    37.4
    """
    if not wedge_gaps:
        raise ValueError("wedge_gaps needs at least one pair of position and gap")
    thickness = np.asarray(cake_thickness_mm, dtype=float)
    share = np.where(np.isnan(thickness), np.nan, _touched_share(thickness, wedge_gaps))
    percent = 100.0 * share
    if isinstance(cake_thickness_mm, pd.Series):
        return pd.Series(percent, index=cake_thickness_mm.index, name=cake_thickness_mm.name)
    return float(percent) if np.ndim(cake_thickness_mm) == 0 else percent


def _touched_share(
    thickness_mm: NDArray[np.float64], wedge_gaps: tuple[tuple[float, float], ...]
) -> NDArray[np.float64]:
    """Return the touched length over the whole length, piece by piece of straight line."""
    positions, gaps = np.array(wedge_gaps, dtype=float).T
    if len(positions) == 1:
        return np.asarray((thickness_mm >= gaps[0]).astype(float))
    touched = np.zeros_like(thickness_mm)
    for first, last, length in zip(gaps[:-1], gaps[1:], np.diff(positions), strict=True):
        narrow, wide = min(first, last), max(first, last)
        if wide - narrow > 1e-9:
            touched = touched + length * np.clip((thickness_mm - narrow) / (wide - narrow), 0.0, 1.0)
        else:
            touched = touched + length * (thickness_mm >= wide)
    return np.asarray(touched / (positions[-1] - positions[0]))
