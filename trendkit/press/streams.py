"""The streams of a press, bin by bin: what was fed and added, what came off, what was lost, with their errors.

Comes in: role columns, bench samples and the operation of one press. Goes out: `Streams`, all rates per hour, on
two clocks: `..._row` at the wall clock, the others on sludge time (what is discharged in the bin).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from trendkit.plant.model import Filtrate, Press
from trendkit.press.calibration import Calibrated, Calibration
from trendkit.press.capture import (
    WATER_KG_M3,
    capture_concentration,
    flow_at_sample_m3_h,
    solids_lost_kg_h,
    stream_solids_kg_h,
    wet_cake_by_balance_kg_h,
)
from trendkit.press.dose import polymer_active_kg_h
from trendkit.press.given import Given, conditioning_kg_h, dissolved_mg_l
from trendkit.press.loading import feed_dry_solids_kg_h
from trendkit.press.phases import DEWATERING, THICKENING, Operation
from trendkit.press.rows import Mask, has_role, role_values, setting, settings_over
from trendkit.press.stream_words import missing_reasons
from trendkit.press.transit import Span, carry
from trendkit.press.uncertainty import Array, Codes, Measured, Samples, choose, exact

METHODS = ("filtrate_metered", "balance", "cake_weighed", "concentration")


@dataclass(frozen=True)
class BalanceTerms:
    """What enters and leaves the press besides the solids fed, as the balances need it, on sludge time [kg/h].

    `filtrate_kg_h` and `filtrate_tss_mg_l` are as metered and sampled; NaN where there is no such meter.
    """

    feed_kg_h: Measured
    conditioning_kg_h: Measured  # polymer solution and dilution water
    wash_kg_h: Measured
    wash_solids_kg_h: Measured
    wash_return_kg_h: Measured  # solids a separate belt wash takes away, 0 where it joins
    filtrate_kg_h: Measured
    filtrate_tss_mg_l: Measured
    product_solids_pct: Measured  # on the basis of the solids balance: suspended where dissolved solids are known


@dataclass(frozen=True)
class Streams:
    """Rates and concentrations of one press on one grid; NaN where not to be had.

    `kept` holds per capture method the feed solids that stayed in the product [kg/h] on sludge time. `samples`
    names the bench grab each bin used, per source, for independent errors. `reasons`: why a stream is not known.
    """

    times: pd.DatetimeIndex
    every_s: float
    operation: Operation
    feed_m3_h: Measured
    feed_solids_pct: Measured
    fed_row_kg_h: Measured
    fed_suspended_row_kg_h: Measured  # less the dissolved solids where they are known: what capture is of
    polymer_active_row_kg_h: Measured
    washwater_row_m3_h: Measured
    power_row_kw: Measured
    filtrate_tss_row_mg_l: Measured
    product_solids_pct: Measured
    fed_kg_h: Measured
    polymer_active_kg_h: Measured
    weighed_wet_kg_h: Measured
    kept_kg_h: Mapping[str, Measured]
    gravity_m_min: Measured
    pressure_m_min: Measured
    samples: Mapping[str, Samples]
    discharge_samples: Mapping[str, Samples]
    reasons: Mapping[str, str]
    calibrations: tuple[Calibration, ...]
    product_over_suspended: Measured  # total over suspended solids of the product; 1 where dissolved are not known
    balance: BalanceTerms

    @cached_property
    def is_thickening(self) -> Mask:
        """True in thickening runs."""
        return np.asarray((self.operation.mode == THICKENING) & (self.operation.run_code >= 0))

    @cached_property
    def is_dewatering(self) -> Mask:
        """True in dewatering runs."""
        return np.asarray((self.operation.mode == DEWATERING) & (self.operation.run_code >= 0))

    @cached_property
    def is_pressing(self) -> Mask:
        """True in the phase `pressing`."""
        return np.asarray(self.operation.phase == "pressing")


def observe_streams(given: Given) -> Streams:
    """Return every stream of the press for every bin, on the wall clock and on sludge time."""
    roles, press, operation, every_s, times = given.roles, given.press, given.operation, given.every_s, given.times
    earliest = _run_start(operation)
    fed_span = operation.transit.fed.after(earliest)
    drained_span = operation.transit.drained.after(earliest)
    own_share = given.known.own_share
    density = setting(press, times, "feed_density_kg_m3")

    feed = given.metered("feed_flow")
    feed_meter, filtrate_meter = given.calibrated("feed_solids"), given.calibrated("filtrate_solids")
    turbidity = given.calibrated("filtrate_turbidity")
    solids_pct, feed_samples = given.metered_or_bench((feed_meter,), given.bench("feed", "TS"))
    fed_row = feed_dry_solids_kg_h(feed, solids_pct, density)
    active_row = polymer_active_kg_h(given.metered("polymer_flow"), given.metered("polymer_strength"))
    tss_row, filtrate_samples = given.metered_or_bench((filtrate_meter, turbidity), given.bench("filtrate", "TSS"))
    product, product_samples = _product_solids(given)
    dissolved = dissolved_mg_l(given)
    suspended = product - (100.0 - product.value) * dissolved * 1e-6
    total_over_suspended = product / suspended

    def as_fed(rate: Measured) -> Measured:
        return carry(rate, fed_span, every_s, is_rate=True)

    fed_suspended_row = fed_row - stream_solids_kg_h(feed, dissolved)
    fed = as_fed(fed_suspended_row)
    is_dosed = has_role(roles, "polymer_flow") and has_role(roles, "polymer_strength")
    active = as_fed(active_row) if is_dosed else exact(np.zeros(len(times)))
    weighed = _weighed(given, earliest) * own_share

    def as_drained(rate: Measured) -> Measured:
        return carry(rate, drained_span, every_s, is_rate=True) * own_share

    tss = carry(tss_row, drained_span, every_s, is_rate=False)
    discharge = _Discharge(given, as_fed, as_drained, density, fed, active, suspended, weighed, tss_row, tss)
    kept = {name: exact(np.full(len(times), np.nan)) for name in METHODS}
    for setup, rows in _filtrate_setups(press, times):
        found = _kept_by_method(discharge, setup)
        kept = {name: choose(rows, found[name], kept[name]) for name in METHODS}
    return Streams(
        times=times,
        every_s=every_s,
        operation=operation,
        feed_m3_h=feed,
        feed_solids_pct=solids_pct,
        fed_row_kg_h=fed_row,
        fed_suspended_row_kg_h=fed_suspended_row,
        polymer_active_row_kg_h=active_row,
        washwater_row_m3_h=given.metered("washwater_flow"),
        power_row_kw=_power(given),
        filtrate_tss_row_mg_l=tss_row,
        product_solids_pct=product,
        fed_kg_h=fed,
        polymer_active_kg_h=active,
        weighed_wet_kg_h=weighed,
        kept_kg_h={name: masked(each, fed.value > 0.0) for name, each in kept.items()},
        gravity_m_min=_belt_speed(given, "gravity"),
        pressure_m_min=_belt_speed(given, "pressure"),
        samples={**feed_samples, **filtrate_samples},
        discharge_samples={
            **_shifted(feed_samples, fed_span, every_s),
            **_shifted(filtrate_samples, drained_span, every_s),
            **product_samples,
        },
        reasons=missing_reasons(given, solids_pct, tss_row, product, turbidity.calibrations),
        calibrations=given.calibrations,
        product_over_suspended=total_over_suspended,
        balance=_balance_terms(discharge),
    )


@dataclass(frozen=True)
class _Discharge:
    """What every way to the capture starts from: what comes off in a bin and what was fed for it, on sludge time.

    `as_fed` and `as_drained` bring a rate of the wall clock to sludge time, by when its sludge was fed and drained.
    """

    given: Given
    as_fed: Callable[[Measured], Measured]
    as_drained: Callable[[Measured], Measured]
    density_kg_m3: Array
    fed_kg_h: Measured
    polymer_active_kg_h: Measured
    product_solids_pct: Measured
    weighed_wet_kg_h: Measured
    filtrate_tss_row_mg_l: Measured  # on the wall clock
    filtrate_tss_mg_l: Measured

    @property
    def nothing(self) -> Measured:
        """Zero, exactly, in every bin."""
        return exact(np.zeros(len(self.given.times)))

    @property
    def unknown(self) -> Measured:
        """Not to be had in any bin."""
        return exact(np.full(len(self.given.times), np.nan))

    @property
    def feed_kg_h(self) -> Measured:
        """The wet feed."""
        return self.as_fed(self.given.metered("feed_flow") * self.density_kg_m3)

    def wash_solids_row_kg_h(self, wash_m3_h: Measured) -> Measured:
        """Return the solids a flow of washwater brings, on the wall clock.

        Clean washwater brings nothing, however much of it there is: its flow need not be known for that.
        """
        if not has_role(self.given.roles, "washwater_solids"):
            return self.nothing
        brought: Measured = stream_solids_kg_h(wash_m3_h, self.given.metered("washwater_solids"))
        return brought

    def wash_return_kg_h(self, setup: Filtrate, wash_m3_h: Measured) -> Measured:
        """Return the solids a belt wash piped away separately takes along, less what the washwater brought."""
        if setup.wash_return != "separate":
            return self.nothing
        taken = stream_solids_kg_h(wash_m3_h, self.given.bench("wash_return", "TSS").measured)
        return self.as_drained(taken - self.wash_solids_row_kg_h(wash_m3_h))


def _balance_terms(discharge: _Discharge) -> BalanceTerms:
    given, as_drained = discharge.given, discharge.as_drained
    wash = given.optional("washwater_flow")
    wash_return = discharge.unknown
    for setup, rows in _filtrate_setups(given.press, given.times):
        wash_return = choose(rows, discharge.wash_return_kg_h(setup, wash), wash_return)
    return BalanceTerms(
        feed_kg_h=discharge.feed_kg_h,
        conditioning_kg_h=discharge.as_fed(conditioning_kg_h(given)),
        wash_kg_h=as_drained(wash * WATER_KG_M3),
        wash_solids_kg_h=as_drained(discharge.wash_solids_row_kg_h(wash)),
        wash_return_kg_h=wash_return,
        filtrate_kg_h=as_drained(given.metered("filtrate_flow") * WATER_KG_M3),
        filtrate_tss_mg_l=discharge.filtrate_tss_mg_l,
        product_solids_pct=discharge.product_solids_pct,
    )


def masked(quantity: Measured, where: Mask) -> Measured:
    """Return the quantity with NaN outside `where`."""
    return Measured(np.where(where, quantity.value, np.nan), quantity.parts)


def _run_start(operation: Operation) -> Array:
    starts = np.append(operation.run_start_s, 0.0)
    result: Array = starts[operation.run_code]
    return result


def own_share(roles: pd.DataFrame, operation: Operation, every_s: float) -> Array:
    """Return which share of what comes off in a bin was fed in its own run: below one in a run's first bins."""
    volume = exact(np.nan_to_num(role_values(roles, "feed_flow")))
    whole = operation.transit.fed
    cut = whole.after(_run_start(operation))
    own, all_of_it = (carry(volume, span, every_s, is_rate=True).value for span in (cut, whole))
    share: Array = np.divide(own, all_of_it, out=np.ones(len(own)), where=all_of_it > 0.0)
    return share


def _shifted(samples: Mapping[str, Samples], span: Span, every_s: float) -> Mapping[str, Samples]:
    """Return which sample each discharging bin goes back to, by the middle of the span it stands for."""
    middle = span.middle
    shifted = {}
    for source, used in samples.items():
        rows = np.clip(np.nan_to_num(middle) / every_s, 0, len(used.ids) - 1).astype(np.int64)
        shifted[source] = Samples(np.where(np.isnan(middle), -1, used.ids[rows]), used.count)
    return shifted


def _product_solids(given: Given) -> tuple[Measured, Mapping[str, Samples]]:
    """Return the solids of what comes off [%]: cake, or thickened sludge in thickening; meter before bench."""
    is_thick = given.operation.mode == THICKENING
    cake_meter, thick_meter = given.calibrated("cake_solids"), given.calibrated("thickened_solids")
    seen = given.seen_by_cake_meter()
    at_discharge = carry(cake_meter.measured, seen, given.every_s, is_rate=False)
    cake = Calibrated(at_discharge, dict(_shifted(cake_meter.samples, seen, given.every_s)), cake_meter.calibrations)
    found: dict[str, Measured] = {}
    samples: dict[str, Samples] = {}
    for is_mode, meter, bench in (
        (~is_thick, cake, given.bench("cake", "TS")),
        (is_thick, thick_meter, given.bench("thickened", "TS")),
    ):
        found[bench.source], used = given.metered_or_bench((meter,), bench)
        own = {source: Samples(np.where(is_mode, each.ids, -1), each.count) for source, each in used.items()}
        samples |= {source: each for source, each in own.items() if (each.ids >= 0).any()}
    product = choose(is_thick, found["bench thickened TS"], found["bench cake TS"])
    return product, samples


def _weighed(given: Given, earliest: Array) -> Measured:
    """Return the wet product by its own meter [kg/h] at discharge: cake by rate or weight, thickened by flow."""
    seen = given.seen_by_cake_meter().after(earliest)
    if has_role(given.roles, "cake_rate"):
        cake = given.metered("cake_rate")
    else:
        cake = given.metered("cake_weight") * (3600.0 / given.every_s)
    cake = carry(cake, seen, given.every_s, is_rate=True) if (~np.isnan(cake.value)).any() else cake
    thickened = given.metered("thickened_flow") * WATER_KG_M3
    return choose(given.operation.mode == THICKENING, thickened, cake)


def _power(given: Given) -> Measured:
    if has_role(given.roles, "power"):
        return given.metered("power")
    return given.metered("energy") * (3600.0 / given.every_s)


def _belt_speed(given: Given, belt: str) -> Measured:
    role = f"{belt}_belt_speed" if has_role(given.roles, f"{belt}_belt_speed") else f"{belt}_belt_setpoint"
    return given.metered(role)


def _filtrate_setups(press: Press, times: pd.DatetimeIndex) -> Iterator[tuple[Filtrate, Mask]]:
    """Yield every way filtrate is metered and sampled over the rows, with the rows it holds for."""
    spans = list(settings_over(press, times))
    for setup in dict.fromkeys(there.filtrate for _, there in spans):
        mask = np.zeros(len(times), dtype=bool)
        for rows, there in spans:
            mask[rows] = there.filtrate == setup
        yield setup, mask


def _kept_by_method(discharge: _Discharge, setup: Filtrate) -> dict[str, Measured]:
    """Return the feed solids kept [kg/h] by every method, NaN where a method lacks an input.

    Polymer solids leave with the product and are taken off: they were never fed as sludge.
    """
    given, as_drained = discharge.given, discharge.as_drained
    fed, active, product = discharge.fed_kg_h, discharge.polymer_active_kg_h, discharge.product_solids_pct
    wash = given.metered("washwater_flow")
    wash_solids = discharge.wash_solids_row_kg_h(wash)
    wash_return = discharge.wash_return_kg_h(setup, wash)
    is_wash_in_sample = setup.sample == "with_wash"

    kept = {}
    flow = _filtrate_flow(discharge, setup, wash)
    water_solids = wash_solids if is_wash_in_sample else discharge.nothing
    in_filtrate = stream_solids_kg_h(flow, discharge.filtrate_tss_row_mg_l)
    kept["filtrate_metered"] = fed - solids_lost_kg_h(as_drained(in_filtrate), as_drained(water_solids), wash_return)

    added = discharge.as_fed(conditioning_kg_h(given))
    added_solids = active
    if is_wash_in_sample:
        added = added + as_drained(wash * WATER_KG_M3)
        added_solids = added_solids + as_drained(wash_solids)
    tss, feed_kg_h = discharge.filtrate_tss_mg_l, discharge.feed_kg_h
    wet = wet_cake_by_balance_kg_h(feed_kg_h, fed, product, tss, added, added_solids, wash_return)
    kept["balance"] = wet * product * 0.01 - active
    kept["cake_weighed"] = discharge.weighed_wet_kg_h * product * 0.01 - active

    is_undiluted = not is_wash_in_sample and not has_role(given.roles, "polymer_flow")
    share = capture_concentration(_feed_pct(fed, feed_kg_h), product, tss)
    kept["concentration"] = fed * share * 0.01 if is_undiluted else discharge.unknown
    return kept


def _feed_pct(fed: Measured, feed_kg_h: Measured) -> Measured:
    """Return the solids of the feed that is discharged now [%], as the mass fraction of what was fed."""
    safe = Measured(np.where(feed_kg_h.value > 0.0, feed_kg_h.value, np.nan), feed_kg_h.parts)
    return fed * 100.0 / safe


def _filtrate_flow(discharge: _Discharge, setup: Filtrate, wash: Measured) -> Measured:
    """Return the flow at the filtrate's sampling point [m3/h], NaN where filtrate is not metered."""
    if setup.meter == "none":
        return discharge.unknown
    metered = discharge.given.metered("filtrate_flow")
    flow: Measured = flow_at_sample_m3_h(metered, wash, setup.meter, setup.sample)
    return flow


def codes_where(mask: Mask) -> Codes:
    """Return group 0 inside the mask, -1 outside."""
    return np.where(mask, 0, -1).astype(np.int64)
