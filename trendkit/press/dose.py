"""Polymer: solution flow and strength in, active polymer and dose out.

The dose is kg of active polymer per tonne (1000 kg) of dry solids in the feed. 10 lb/ton is 5 kg/t.
"""

from __future__ import annotations

from trendkit.press.amounts import Amount, ratio

SOLUTION_DENSITY_KG_L = 1.0  # a made-down polymer solution of a few g/L weighs what water weighs


def polymer_active_kg_h(polymer_flow_l_h: Amount, polymer_strength_pct: Amount) -> Amount:
    """Return the active polymer fed [kg/h].

    ``m_p = Q_p rho c_p / 100`` with Q_p the solution metered [L/h], rho its density (1 kg/L) and c_p the
    percent active by mass of that same solution. Dilution water added after make-down changes neither.

    Source: belt filter press operator mathematics, Spellman (value from memory).

    Examples
    --------
    >>> polymer_active_kg_h(1500.0, 0.25)
    3.75
    """
    return polymer_flow_l_h * SOLUTION_DENSITY_KG_L * (polymer_strength_pct / 100.0)


def polymer_dose_kg_t(polymer_active_kg_h: Amount, feed_dry_solids_kg_h: Amount) -> Amount:
    """Return active polymer per dry solids fed [kg/t].

    ``D = 1000 m_p / S_f``. Over a window give the sums of both, never a mean of doses. NaN where nothing is
    fed.

    Source: "pounds of polymer per ton of dry solids in the feed", Environmental Engineers' Handbook.

    Examples
    --------
    >>> round(polymer_dose_kg_t(3.75, 757.5), 3)
    4.95
    """
    return ratio(1000.0 * polymer_active_kg_h, feed_dry_solids_kg_h)
