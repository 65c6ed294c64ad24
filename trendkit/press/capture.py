"""Solids capture in its four standard forms: balances of one press, by mass.

Notation: feed F kg/h with solids fraction f, water added A kg/h (washwater where it is in the filtrate
sampled, polymer solution, dilution water) with its own solids, cake K kg/h of fraction k, filtrate E kg/h of
fraction e. ``F + A = K + E`` and ``F f + A a = K k + E e + L``, L what a separate belt wash takes away.

All functions take floats, Series, arrays or `Measured`, rates or sums over a window (then capture is the
ratio of sums). Capture is in percent and never clipped: over 100 it says that an input is off. NaN in, NaN
out.
"""

from __future__ import annotations

from typing import Literal

from trendkit.press.amounts import Amount, ratio

WATER_KG_M3 = 1000.0  # filtrate, washwater and polymer solution weigh what water weighs
_MG_L_PER_FRACTION = 1e6

Place = Literal["with_wash", "before_wash"]


# --- filtrate and what it carries -----------------------------------------------------------------------


def flow_at_sample_m3_h(filtrate_flow_m3_h: Amount, washwater_flow_m3_h: Amount, meter: Place, sample: Place) -> Amount:
    """Return the flow at the point where filtrate is sampled [m3/h].

    Meter and sample on the same side of the washwater see the same flow; else the washwater is added or
    taken off.

    Source: water balance (common practice).

    Examples
    --------
    >>> flow_at_sample_m3_h(30.0, 14.0, "before_wash", "with_wash")
    44.0
    """
    if meter == sample:
        return filtrate_flow_m3_h
    if sample == "with_wash":
        return filtrate_flow_m3_h + washwater_flow_m3_h
    return filtrate_flow_m3_h - washwater_flow_m3_h


def stream_solids_kg_h(flow_m3_h: Amount, solids_mg_l: Amount) -> Amount:
    """Return the solids a stream carries [kg/h]: ``Q C / 1000``, mg/L being g/m3.

    Source: the pounds formula, lb/d = mg/L x 8.34 x MGD, in SI (ABC formula table for certification
    examinations).

    Examples
    --------
    >>> stream_solids_kg_h(40.0, 900.0)
    36.0
    """
    return flow_m3_h * (solids_mg_l / 1000.0)


def suspended_solids_mg_l(total_solids_mg_l: Amount, dissolved_solids_mg_l: Amount) -> Amount:
    """Return suspended solids from total and dissolved solids of one sample [mg/L].

    ``TSS = TS - TDS``. Dissolved solids pass the belt and are no loss; feed as TS beside filtrate as TSS
    makes capture read high.

    Source: "total residue minus filterable residue", Spellman, operator mathematics (value from memory).

    Examples
    --------
    >>> suspended_solids_mg_l(22_000.0, 720.0)
    21280.0
    """
    return total_solids_mg_l - dissolved_solids_mg_l


def solids_lost_kg_h(
    filtrate_solids_kg_h: Amount, water_solids_kg_h: Amount = 0.0, wash_return_solids_kg_h: Amount = 0.0
) -> Amount:
    """Return the solids that left otherwise than in cake [kg/h].

    Parameters
    ----------
    filtrate_solids_kg_h
        Carried by the filtrate at its sampling point.
    water_solids_kg_h
        Brought in by the washwater that is in that filtrate; no loss of the press.
    wash_return_solids_kg_h
        Taken away by a belt wash piped away separately, less what the washwater brought: a loss like the
        other.

    Source: mass in filtrate including washwater, Hicks, Handbook of Civil Engineering Calculations; UFC
    3-280-03.

    Examples
    --------
    >>> solids_lost_kg_h(36.0, 0.5, 4.0)
    39.5
    """
    return filtrate_solids_kg_h - water_solids_kg_h + wash_return_solids_kg_h


# --- the four forms -------------------------------------------------------------------------------------


def capture_filtrate_metered(feed_dry_solids_kg_h: Amount, solids_lost_kg_h: Amount) -> Amount:
    """Return capture from metered filtrate [%], form C2: ``R = 1 - lost / fed``.

    Source: Hicks, Handbook of Civil Engineering Calculations, gravity belt thickener example.

    Examples
    --------
    >>> capture_filtrate_metered(757.5, 37.875)
    95.0
    """
    return 100.0 - ratio(100.0 * solids_lost_kg_h, feed_dry_solids_kg_h)


def wet_cake_by_balance_kg_h(
    feed_kg_h: Amount,
    feed_dry_solids_kg_h: Amount,
    cake_solids_pct: Amount,
    filtrate_tss_mg_l: Amount,
    added_water_kg_h: Amount,
    added_solids_kg_h: Amount = 0.0,
    wash_return_solids_kg_h: Amount = 0.0,
) -> Amount:
    """Return the wet cake that closes the water and the solids balance [kg/h].

    ``K = [S_f + S_a - L - (F + A) e] / (k - e)``, from the two balances named at the head of this module.
    `added_water_kg_h` is all the water that is in the filtrate where it is sampled beside the feed's own:
    washwater only if it is there. NaN where cake and filtrate would be equally concentrated.

    Source: Metcalf & Eddy, Wastewater Engineering, belt filter press design example (value from memory);
    Hicks.

    Examples
    --------
    >>> round(wet_cake_by_balance_kg_h(1000.0, 30.0, 20.0, 900.0, 500.0), 2)
    143.9
    """
    filtrate_fraction = filtrate_tss_mg_l / _MG_L_PER_FRACTION
    cake_fraction = cake_solids_pct / 100.0
    if_all_were_filtrate = (feed_kg_h + added_water_kg_h) * filtrate_fraction
    surplus = feed_dry_solids_kg_h + added_solids_kg_h - wash_return_solids_kg_h - if_all_were_filtrate
    return ratio(surplus, cake_fraction - filtrate_fraction)


def filtrate_by_balance_kg_h(feed_kg_h: Amount, added_water_kg_h: Amount, wet_cake_kg_h: Amount) -> Amount:
    """Return the filtrate that closes the water balance [kg/h]: ``E = F + A - K``.

    Source: UFC 3-280-03 and Hicks, flows in less thickened sludge out.

    Examples
    --------
    >>> filtrate_by_balance_kg_h(1000.0, 500.0, 150.0)
    1350.0
    """
    return feed_kg_h + added_water_kg_h - wet_cake_kg_h


def capture_balance(
    feed_kg_h: Amount,
    feed_dry_solids_kg_h: Amount,
    cake_solids_pct: Amount,
    filtrate_tss_mg_l: Amount,
    added_water_kg_h: Amount,
    added_solids_kg_h: Amount = 0.0,
    wash_return_solids_kg_h: Amount = 0.0,
) -> Amount:
    """Return capture with the filtrate flow from the water balance [%], form C4, the dilution-corrected C1.

    ``R = k K / S_f`` with K of `wet_cake_by_balance_kg_h`, which is
    ``R = k [(f - e) - d (e - a)] / [f (k - e)]``, d = A / F. With honest meters it equals
    `capture_filtrate_metered`; with A = 0 it equals `capture_concentration`. Thickened sludge takes the
    place of cake in thickening.

    Source: derived from the two balances; checked on Metcalf & Eddy's example (value from memory).

    Examples
    --------
    >>> round(capture_balance(1000.0, 30.0, 20.0, 900.0, 500.0), 2)
    95.93
    """
    wet_cake = wet_cake_by_balance_kg_h(
        feed_kg_h,
        feed_dry_solids_kg_h,
        cake_solids_pct,
        filtrate_tss_mg_l,
        added_water_kg_h,
        added_solids_kg_h,
        wash_return_solids_kg_h,
    )
    return ratio(wet_cake * cake_solids_pct, feed_dry_solids_kg_h)


def capture_cake_weighed(
    wet_cake_kg_h: Amount,
    cake_solids_pct: Amount,
    feed_dry_solids_kg_h: Amount,
    chemical_solids_kg_h: Amount = 0.0,
) -> Amount:
    """Return capture from weighed cake [%], form C3: ``R = (K k - chemicals) / S_f``.

    `chemical_solids_kg_h`: polymer, lime or ferric solids that ended in the cake and were never fed as
    sludge.

    Source: UFC 3-280-03, Examples 1 and 2.

    Examples
    --------
    >>> capture_cake_weighed(3800.0, 20.0, 800.0)
    95.0
    """
    return ratio(wet_cake_kg_h * cake_solids_pct - 100.0 * chemical_solids_kg_h, feed_dry_solids_kg_h)


def capture_concentration(feed_solids_pct: Amount, cake_solids_pct: Amount, filtrate_tss_mg_l: Amount) -> Amount:
    """Return capture from three concentrations alone [%], form C1: ``R = k (f - e) / [f (k - e)]``.

    Right only where no water was added: washwater or polymer water in the filtrate sampled makes it read
    high by about ``d e / f``.

    Source: standard dewatering text form, EPA 625/1-87-014 (value from memory).

    Examples
    --------
    >>> round(capture_concentration(3.0, 20.0, 900.0), 2)
    97.44
    """
    filtrate_pct = filtrate_tss_mg_l * (100.0 / _MG_L_PER_FRACTION)
    kept = cake_solids_pct * (feed_solids_pct - filtrate_pct)
    return ratio(100.0 * kept, feed_solids_pct * (cake_solids_pct - filtrate_pct))
