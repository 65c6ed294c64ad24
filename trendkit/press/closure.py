"""Do water and solids balance? Measurements of a period or a run reconciled under the press's two balances.

Comes in: the streams of a press and the bins of a group. Goes out: `Closure`: every measurement as read and as the
balances want it, the test of all together and of each, and which one most likely breaks the balance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from trendkit.plant.model import Filtrate
from trendkit.press.amounts import ratio
from trendkit.press.reconcile import Reconciled, reconcile
from trendkit.press.rows import Mask
from trendkit.press.streams import Streams, codes_where
from trendkit.press.uncertainty import Array, Measured, Samples, standard_uncertainty, sum_by

QUANTITIES = {  # name of the measurement -> its unit
    "feed_flow": "kg",
    "conditioning_flow": "kg",
    "washwater_flow": "kg",
    "filtrate_flow": "kg",
    "product_flow": "kg",
    "feed_solids": "%",
    "filtrate_solids": "mg/L",
    "product_solids": "%",
}
FLOWS = tuple(QUANTITIES)[:5]
LEAST_H = 0.5  # of a group with everything known
_CONCENTRATIONS = tuple(QUANTITIES)[5:]
_SCALE = {"feed_solids": 1e-2, "filtrate_solids": 1e-6, "product_solids": 1e-2}  # to a mass fraction


@dataclass(frozen=True)
class BalanceCheck:
    """One measurement under the balances, in its `unit`; `reconciled` is what the balances and all others want.

    `statistic` is the adjustment over its standard uncertainty (None: no balance checks it). `would_explain` is by
    how many percent it alone would have to be off for the balances to close, `multiples` the same in its own
    standard uncertainties.
    """

    name: str
    unit: str
    measured: float | None  # None: not measured, the balance gives it
    uncertainty: float | None
    reconciled: float
    reconciled_uncertainty: float
    statistic: float | None
    would_explain_pct: float | None
    multiples: float | None
    is_suspect: bool


@dataclass(frozen=True)
class Closure:
    """The balances of one group of bins; `reason` says why they could not be checked."""

    label: str
    hours: float
    water_gap_pct: float | None = None  # in less out, of what the feed brought, as measured
    solids_gap_pct: float | None = None
    chi_square: float | None = None
    degrees_of_freedom: int = 0
    critical_chi_square: float | None = None
    critical_statistic: float | None = None
    closes: bool | None = None
    suspects: tuple[str, ...] = ()  # most likely first; several when the balances cannot tell them apart
    checks: tuple[BalanceCheck, ...] = field(default=())
    reason: str | None = None


@dataclass(frozen=True)
class _Masses:
    """What a group's bins add up to: each measurement, and what is taken as known."""

    measured: Mapping[str, Measured]
    polymer_kg: float
    wash_solids_kg: float
    wash_return_kg: float


def close_balances(streams: Streams, setup: Filtrate, inside: Mask, label: str) -> Closure:
    """Return how the water and the solids of the pressing bins inside balance.

    Used are the bins in which every metered stream is known, on sludge time, so that what is on the belts does not
    count. Masses in kg; solids on the basis of capture.
    """
    terms = _terms(streams, setup)
    is_had = {name: bool((~np.isnan(each.value[inside & streams.is_pressing])).any()) for name, each in terms.items()}
    used = inside & streams.is_pressing & (streams.fed_kg_h.value > 0.0)
    for name, each in terms.items():
        if is_had[name]:
            used = used & ~np.isnan(each.value)
    if setup.wash_return == "separate":
        used = used & ~np.isnan(streams.balance.wash_return_kg_h.value)
    hours = float(used.sum()) * streams.every_s / 3600.0
    if hours < LEAST_H:
        return Closure(label, hours, reason="under half an hour of pressing with all its meters and samples known")
    missing = [name for name in QUANTITIES if not is_had[name]]
    if any(name in _CONCENTRATIONS for name in missing):
        words = ", ".join(name.replace("_", " ") for name in missing if name in _CONCENTRATIONS)
        return Closure(label, hours, reason=f"not known: {words}")
    if len(missing) > 1:
        words = " and ".join(name.replace("_", " ") for name in missing)
        return Closure(
            label, hours, reason=f"{words} are not measured, so that both balances are used up by working these out"
        )
    return _closure(_masses(streams, terms, used, missing), setup, missing, label, hours)


def _terms(streams: Streams, setup: Filtrate) -> dict[str, Measured]:
    """Return every stream the balances rest on, bin by bin; NaN throughout where there is no meter."""
    balance = streams.balance
    terms = {
        "feed_flow": balance.feed_kg_h,
        "conditioning_flow": balance.conditioning_kg_h,
        "washwater_flow": balance.wash_kg_h,
        "filtrate_flow": balance.filtrate_kg_h,
        "product_flow": streams.weighed_wet_kg_h,
        "feed_solids": streams.fed_kg_h,
        "filtrate_solids": balance.filtrate_tss_mg_l,
        "product_solids": balance.product_solids_pct,
    }
    if setup.meter == "none":
        terms["filtrate_flow"] = Measured(np.full(len(streams.times), np.nan))
    return terms


def _masses(streams: Streams, terms: Mapping[str, Measured], used: Mask, missing: list[str]) -> _Masses:
    codes, hours = codes_where(used), streams.every_s / 3600.0

    def total(quantity: Measured) -> Measured:
        samples: Mapping[str, Samples] = streams.discharge_samples
        return sum_by(quantity, codes, 1, samples) * hours

    fed, feed = streams.fed_kg_h, terms["feed_flow"]
    measured = {name: total(terms[name]) for name in FLOWS if name not in missing}
    measured["feed_solids"] = ratio(total(fed) * 100.0, total(feed))
    by = terms["filtrate_flow"] if "filtrate_flow" not in missing else feed
    weight = Measured(np.where(used, by.value, 0.0))
    measured["filtrate_solids"] = ratio(total(terms["filtrate_solids"] * weight), total(weight))
    solids = terms["product_solids"].value
    weight = Measured(np.divide(fed.value, solids, out=np.zeros(len(solids)), where=used & (solids > 0.0)))
    measured["product_solids"] = ratio(total(terms["product_solids"] * weight), total(weight))

    def all_told(quantity: Measured) -> float:
        """Return the total [kg], hours in which it is not known counted at its mean; 0 where it never is."""
        there = quantity.value[used & ~np.isnan(quantity.value)]
        return float(there.mean()) * float(used.sum()) * hours if len(there) else 0.0

    balance = streams.balance
    return _Masses(
        measured,
        all_told(streams.polymer_active_kg_h),
        all_told(balance.wash_solids_kg_h),
        all_told(balance.wash_return_kg_h),
    )


def _balances(masses: _Masses, setup: Filtrate, order: list[str]) -> Callable[[Array], tuple[Array, Array]]:
    """Return the residuals of water (all mass) and solids and their slopes, for quantities in `order`."""
    place = {name: number for number, name in enumerate(order)}
    wash_in_meter = 1.0 if setup.meter != "before_wash" else 0.0
    wash_in_sample = 1.0 if setup.sample == "with_wash" else 0.0
    to_sample = wash_in_sample - wash_in_meter  # of the washwater, from the meter to the sampling point

    def constraints(values: Array) -> tuple[Array, Array]:
        def get(name: str) -> float:
            return float(values[place[name]]) * _SCALE.get(name, 1.0)

        at_sample = get("filtrate_flow") + to_sample * get("washwater_flow")
        water_in = get("feed_flow") + get("conditioning_flow") + wash_in_meter * get("washwater_flow")
        solids_in = get("feed_flow") * get("feed_solids") + masses.polymer_kg + wash_in_sample * masses.wash_solids_kg
        solids_out = at_sample * get("filtrate_solids") + get("product_flow") * get("product_solids")
        residual = np.array(
            [
                water_in - get("filtrate_flow") - get("product_flow"),
                solids_in - solids_out - masses.wash_return_kg,
            ]
        )
        slopes = np.zeros((2, len(order)))
        for name, of_water, of_solids in (
            ("feed_flow", 1.0, get("feed_solids")),
            ("conditioning_flow", 1.0, 0.0),
            ("washwater_flow", wash_in_meter, -to_sample * get("filtrate_solids")),
            ("filtrate_flow", -1.0, -get("filtrate_solids")),
            ("product_flow", -1.0, -get("product_solids")),
            ("feed_solids", 0.0, get("feed_flow")),
            ("filtrate_solids", 0.0, -at_sample),
            ("product_solids", 0.0, -get("product_flow")),
        ):
            slopes[:, place[name]] = np.array([of_water, of_solids]) * _SCALE.get(name, 1.0)
        return residual, slopes

    return constraints


def _guess(masses: _Masses, missing: list[str]) -> Array | None:
    """Return a start for the one flow that is not measured: the feed's water less what comes off."""
    if not missing:
        return None
    feed = float(masses.measured["feed_flow"].value[0])
    solids = float(masses.measured["feed_solids"].value[0]) / float(masses.measured["product_solids"].value[0])
    return np.array([feed * solids if missing == ["product_flow"] else feed])


def _closure(masses: _Masses, setup: Filtrate, missing: list[str], label: str, hours: float) -> Closure:
    names = [name for name in QUANTITIES if name not in missing]
    values = np.array([float(masses.measured[name].value[0]) for name in names])
    spread = np.array([float(standard_uncertainty(masses.measured[name])[0]) for name in names])
    constraints = _balances(masses, setup, names + missing)
    spread = np.maximum(spread, 1e-9 * np.maximum(np.abs(values), 1.0))
    found = reconcile(values, np.diag(spread**2), constraints, _guess(masses, missing))
    gaps = _gaps(constraints, values, masses) if not missing else (None, None)
    suspects = tuple(names[place] for place in found.suspects())
    return Closure(
        label=label,
        hours=hours,
        water_gap_pct=gaps[0],
        solids_gap_pct=gaps[1],
        chi_square=found.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        critical_chi_square=found.critical_chi_square,
        critical_statistic=found.critical_statistic,
        closes=found.closes,
        suspects=suspects,
        checks=_checks(found, names, missing, values, spread, suspects),
    )


def _gaps(
    constraints: Callable[[Array], tuple[Array, Array]], values: Array, masses: _Masses
) -> tuple[float | None, float | None]:
    """Return in less out of water and of solids as measured, in percent of what the feed brought."""
    residual, _ = constraints(values)
    feed = float(masses.measured["feed_flow"].value[0])
    solids = feed * float(masses.measured["feed_solids"].value[0]) / 100.0
    return 100.0 * float(residual[0]) / feed, 100.0 * float(residual[1]) / solids


def _checks(
    found: Reconciled, names: list[str], missing: list[str], values: Array, spread: Array, suspects: tuple[str, ...]
) -> tuple[BalanceCheck, ...]:
    def told(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    measured = [
        BalanceCheck(
            name,
            QUANTITIES[name],
            float(values[place]),
            float(spread[place]),
            float(found.values[place]),
            float(found.standard_uncertainties[place]),
            told(found.statistics[place]),
            told(100.0 * found.explaining[place] / values[place]) if values[place] else None,
            told(found.multiples[place]),
            name in suspects,
        )
        for place, name in enumerate(names)
        if values[place] > 0.0
    ]
    given = [
        BalanceCheck(
            name,
            QUANTITIES[name],
            None,
            None,
            float(found.values[len(names) + place]),
            float(found.standard_uncertainties[len(names) + place]),
            None,
            None,
            None,
            False,
        )
        for place, name in enumerate(missing)
    ]
    return (*measured, *given)
