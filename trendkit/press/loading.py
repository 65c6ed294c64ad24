"""Loadings of a press: flows and solids in, per width of belt out.

Everything works on floats, Series, arrays and `Measured` alike, on bins as on sums; NaN in, NaN out.
"""

from __future__ import annotations

from trendkit.press.amounts import Amount, ratio


def hydraulic_loading_m3_h_m(feed_flow_m3_h: Amount, belt_width_m: Amount) -> Amount:
    """Return the feed flow per metre of effective belt width [m3/h/m].

    ``q = Q_f / W``, W the width between the side seals, not the frame size. Polymer and dilution water are
    left out.

    Source: belt filter press design practice, Metcalf & Eddy, Wastewater Engineering (value from memory).

    Examples
    --------
    >>> hydraulic_loading_m3_h_m(30.0, 2.0)
    15.0
    """
    return ratio(feed_flow_m3_h, belt_width_m)


def feed_dry_solids_kg_h(
    feed_flow_m3_h: Amount, feed_solids_pct: Amount, feed_density_kg_m3: Amount = 1000.0
) -> Amount:
    """Return the dry solids fed [kg/h].

    ``S_f = Q_f rho_f C_f / 100``. A share by mass needs the density of the sludge; solids given in g/L do
    not (the plant file turns g/L into % with the same density, so it cancels).

    Source: the pounds formula of operator mathematics, here with density instead of the weight of water
    (as in Hicks, Handbook of Civil Engineering Calculations, gravity belt thickener example).

    Examples
    --------
    >>> feed_dry_solids_kg_h(30.0, 2.5, 1010.0)
    757.5
    """
    return feed_flow_m3_h * feed_density_kg_m3 * (feed_solids_pct / 100.0)


def solids_loading_kg_h_m(feed_dry_solids_kg_h: Amount, belt_width_m: Amount) -> Amount:
    """Return the dry solids fed per metre of effective belt width [kg/h/m].

    ``G = S_f / W``. Source: as for the hydraulic loading.

    Examples
    --------
    >>> solids_loading_kg_h_m(757.5, 2.0)
    378.75
    """
    return ratio(feed_dry_solids_kg_h, belt_width_m)


def tank_upflow_m_h(feed_flow_m3_h: Amount, conditioning_tank_area_m2: Amount) -> Amount:
    """Return the upflow velocity of the feed in the conditioning tank [m/h].

    ``u = Q_f / A``. Polymer and dilution water, a few percent of it, are left out, as in the hydraulic loading.

    Source: continuity; the product of cross-section and upflow velocity is the feed flow (common practice).

    Examples
    --------
    >>> round(tank_upflow_m_h(30.0, 0.9), 2)
    33.33
    """
    return ratio(feed_flow_m3_h, conditioning_tank_area_m2)
