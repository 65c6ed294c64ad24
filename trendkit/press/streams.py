"""The streams of a press, bin by bin: what was fed and added, what came off, what was lost, with their errors.

Comes in: role columns, bench samples and the operation of one press. Goes out: `Streams`, all rates per hour, on
two clocks: `..._row` at the wall clock, the others on sludge time (what is discharged in the bin).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.plant.model import Filtrate, Plant, Press
from trendkit.plant.roles import ROLES
from trendkit.press.capture import (
    WATER_KG_M3,
    capture_concentration,
    flow_at_sample_m3_h,
    solids_lost_kg_h,
    stream_solids_kg_h,
    wet_cake_by_balance_kg_h,
)
from trendkit.press.dose import polymer_active_kg_h
from trendkit.press.lab import BenchSeries, bench_series
from trendkit.press.loading import feed_dry_solids_kg_h
from trendkit.press.phases import DEWATERING, THICKENING, Operation
from trendkit.press.rows import Mask, has_role, role_values, setting, settings_over
from trendkit.press.transit import Span, carry
from trendkit.press.uncertainty import Array, Codes, Measured, Samples, choose, exact, reading

METHODS = ("filtrate_metered", "balance", "cake_weighed", "concentration")


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
    notes: tuple[str, ...]

    @property
    def is_thickening(self) -> Mask:
        """True in thickening runs."""
        return np.asarray((self.operation.mode == THICKENING) & (self.operation.run_code >= 0))

    @property
    def is_dewatering(self) -> Mask:
        """True in dewatering runs."""
        return np.asarray((self.operation.mode == DEWATERING) & (self.operation.run_code >= 0))

    @property
    def is_pressing(self) -> Mask:
        """True in the phase `pressing`."""
        return np.asarray(self.operation.phase == "pressing")


@dataclass(frozen=True)
class _Given:
    """What every step below works from."""

    roles: pd.DataFrame
    lab: pd.DataFrame | None
    press: Press
    plant: Plant
    operation: Operation
    every_s: float

    @property
    def times(self) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(self.roles.index)

    def seen_by_cake_meter(self) -> Span:
        """Return when the cake meter sees what is discharged in every bin."""
        delay_s = np.nan_to_num(setting(self.press, self.times, "cake_delay_s"))
        edges: Array = np.arange(len(self.roles), dtype=float) * self.every_s + delay_s
        return Span(edges, edges + self.every_s)

    def metered(self, role: str) -> Measured:
        """Return a role's readings with the error its meter has in common to all of them."""
        return reading(role_values(self.roles, role), role, self.press.uncertainty_of(role))

    def optional(self, role: str) -> Measured:
        """Return a role's readings, zero throughout where the press has no such meter."""
        return self.metered(role) if has_role(self.roles, role) else exact(np.zeros(len(self.roles)))

    def bench(self, point: str, analysis: str) -> BenchSeries:
        return bench_series(self.lab, point, analysis, self.times, self.operation.run_code, self.every_s, self.plant)

    def metered_or_bench(self, role: str, bench: BenchSeries) -> tuple[Measured, Mapping[str, Samples]]:
        """Return the meter's readings, bench samples where it gives none, and which samples were used."""
        meter = self.metered(role)
        is_metered = ~np.isnan(meter.value)
        ids = np.where(is_metered, -1, bench.samples.ids)
        used = {bench.source: Samples(ids, bench.samples.count)} if (ids >= 0).any() else {}
        return choose(is_metered, meter, bench.measured), used


def observe_streams(
    roles: pd.DataFrame,
    lab: pd.DataFrame | None,
    press: Press,
    plant: Plant,
    operation: Operation,
    every_s: float,
) -> Streams:
    """Return every stream of the press for every bin, on the wall clock and on sludge time."""
    given = _Given(roles, lab, press, plant, operation, every_s)
    times = given.times
    earliest = _run_start(operation)
    fed_span = operation.transit.fed.after(earliest)
    drained_span = operation.transit.drained.after(earliest)
    own_share = _own_share(given.metered("feed_flow"), fed_span, operation.transit.fed, every_s)
    density = setting(press, times, "feed_density_kg_m3")

    feed = given.metered("feed_flow")
    solids_pct, feed_samples = given.metered_or_bench("feed_solids", given.bench("feed", "TS"))
    fed_row = feed_dry_solids_kg_h(feed, solids_pct, density)
    active_row = polymer_active_kg_h(given.metered("polymer_flow"), given.metered("polymer_strength"))
    tss_row, filtrate_samples = given.metered_or_bench("filtrate_solids", given.bench("filtrate", "TSS"))
    product, product_samples = _product_solids(given)

    def as_fed(rate: Measured) -> Measured:
        return carry(rate, fed_span, every_s, is_rate=True)

    fed = as_fed(fed_row)
    is_dosed = has_role(roles, "polymer_flow") and has_role(roles, "polymer_strength")
    active = as_fed(active_row) if is_dosed else exact(np.zeros(len(times)))
    weighed = _weighed(given, earliest) * own_share

    def as_drained(rate: Measured) -> Measured:
        return carry(rate, drained_span, every_s, is_rate=True) * own_share

    tss = carry(tss_row, drained_span, every_s, is_rate=False)
    kept = {name: exact(np.full(len(times), np.nan)) for name in METHODS}
    for setup, rows in _filtrate_setups(press, times):
        found = _kept_by_method(given, setup, fed, active, product, weighed, as_fed, as_drained, tss_row, tss, density)
        kept = {name: choose(rows, found[name], kept[name]) for name in METHODS}
    return Streams(
        times=times,
        every_s=every_s,
        operation=operation,
        feed_m3_h=feed,
        feed_solids_pct=solids_pct,
        fed_row_kg_h=fed_row,
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
        reasons=_reasons(given, solids_pct, tss_row, product),
        notes=(*operation.transit.notes, *_assumptions(given)),
    )


def masked(quantity: Measured, where: Mask) -> Measured:
    """Return the quantity with NaN outside `where`."""
    return Measured(np.where(where, quantity.value, np.nan), quantity.parts)


def _run_start(operation: Operation) -> Array:
    starts = np.append(operation.run_start_s, 0.0)
    result: Array = starts[operation.run_code]
    return result


def _own_share(feed: Measured, cut: Span, whole: Span, every_s: float) -> Array:
    """Return which share of what comes off in a bin was fed in its own run: below one in a run's first bins."""
    volume = exact(np.nan_to_num(feed.value))
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


def _product_solids(given: _Given) -> tuple[Measured, Mapping[str, Samples]]:
    """Return the solids of what comes off [%]: cake, or thickened sludge in thickening; meter before bench."""
    cake_meter = carry(given.metered("cake_solids"), given.seen_by_cake_meter(), given.every_s, is_rate=False)
    cake_bench, thick_bench = given.bench("cake", "TS"), given.bench("thickened", "TS")
    thick_meter = given.metered("thickened_solids")
    is_thick = given.operation.mode == THICKENING
    meter = choose(is_thick, thick_meter, cake_meter)
    is_metered = ~np.isnan(meter.value)
    samples = {}
    for bench, mode in ((cake_bench, ~is_thick), (thick_bench, is_thick)):
        ids = np.where(mode & ~is_metered, bench.samples.ids, -1)
        if (ids >= 0).any():
            samples[bench.source] = Samples(ids, bench.samples.count)
    return choose(is_metered, meter, choose(is_thick, thick_bench.measured, cake_bench.measured)), samples


def _weighed(given: _Given, earliest: Array) -> Measured:
    """Return the wet product by its own meter [kg/h] at discharge: cake by rate or weight, thickened by flow."""
    seen = given.seen_by_cake_meter().after(earliest)
    if has_role(given.roles, "cake_rate"):
        cake = given.metered("cake_rate")
    else:
        cake = given.metered("cake_weight") * (3600.0 / given.every_s)
    cake = carry(cake, seen, given.every_s, is_rate=True) if (~np.isnan(cake.value)).any() else cake
    thickened = given.metered("thickened_flow") * WATER_KG_M3
    return choose(given.operation.mode == THICKENING, thickened, cake)


def _power(given: _Given) -> Measured:
    if has_role(given.roles, "power"):
        return given.metered("power")
    return given.metered("energy") * (3600.0 / given.every_s)


def _belt_speed(given: _Given, belt: str) -> Measured:
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


def _kept_by_method(
    given: _Given,
    setup: Filtrate,
    fed: Measured,
    active: Measured,
    product: Measured,
    weighed: Measured,
    as_fed: Callable[[Measured], Measured],
    as_drained: Callable[[Measured], Measured],
    tss_row: Measured,
    tss: Measured,
    density: Array,
) -> dict[str, Measured]:
    """Return the feed solids kept [kg/h] by every method, NaN where a method lacks an input.

    Polymer solids leave with the product and are taken off: they were never fed as sludge.
    """
    wash = given.metered("washwater_flow")
    # clean washwater brings nothing, however much of it there is: its flow need not be known for that
    nothing = exact(np.zeros(len(given.times)))
    has_solids = has_role(given.roles, "washwater_solids")
    wash_solids = stream_solids_kg_h(wash, given.metered("washwater_solids")) if has_solids else nothing
    is_wash_in_sample = setup.sample == "with_wash"
    if setup.wash_return == "separate":
        wash_return = as_drained(stream_solids_kg_h(wash, given.bench("wash_return", "TSS").measured) - wash_solids)
    else:
        wash_return = nothing

    kept = {}
    flow = _filtrate_flow(given, setup, wash)
    water_solids = wash_solids if is_wash_in_sample else nothing
    lost = solids_lost_kg_h(as_drained(stream_solids_kg_h(flow, tss_row)), as_drained(water_solids), wash_return)
    kept["filtrate_metered"] = fed - lost

    feed_kg_h = as_fed(given.metered("feed_flow") * density)
    conditioning = given.optional("polymer_flow") * (WATER_KG_M3 / 1000.0)
    conditioning = conditioning + given.optional("dilution_water_flow") * WATER_KG_M3
    added = as_fed(conditioning)
    added_solids = active
    if is_wash_in_sample:
        added = added + as_drained(wash * WATER_KG_M3)
        added_solids = added_solids + as_drained(wash_solids)
    wet = wet_cake_by_balance_kg_h(feed_kg_h, fed, product, tss, added, added_solids, wash_return)
    kept["balance"] = wet * product * 0.01 - active
    kept["cake_weighed"] = weighed * product * 0.01 - active

    is_undiluted = not is_wash_in_sample and not has_role(given.roles, "polymer_flow")
    share = capture_concentration(_feed_pct(fed, feed_kg_h), product, tss)
    kept["concentration"] = fed * share * 0.01 if is_undiluted else exact(np.full(len(given.times), np.nan))
    return kept


def _feed_pct(fed: Measured, feed_kg_h: Measured) -> Measured:
    """Return the solids of the feed that is discharged now [%], as the mass fraction of what was fed."""
    safe = Measured(np.where(feed_kg_h.value > 0.0, feed_kg_h.value, np.nan), feed_kg_h.parts)
    return fed * 100.0 / safe


def _filtrate_flow(given: _Given, setup: Filtrate, wash: Measured) -> Measured:
    """Return the flow at the filtrate's sampling point [m3/h], NaN where filtrate is not metered."""
    if setup.meter == "none":
        return exact(np.full(len(given.times), np.nan))
    flow: Measured = flow_at_sample_m3_h(given.metered("filtrate_flow"), wash, setup.meter, setup.sample)
    return flow


def _assumptions(given: _Given) -> tuple[str, ...]:
    names = [role.replace("_", " ") for role in given.press.fixed]
    return (f"Assumed, not metered: {', '.join(names)}.",) if names else ()


def _reasons(given: _Given, solids_pct: Measured, tss: Measured, product: Measured) -> dict[str, str]:
    """Return why something is missing, by what it is: words for a person."""
    reasons = {}

    def is_missing(quantity: Measured) -> bool:
        return bool(np.isnan(quantity.value).all())

    if is_missing(solids_pct):
        reasons["feed solids"] = "no feed solids: neither a meter, a fixed value nor a feed sample"
    if not has_role(given.roles, "polymer_flow"):
        reasons["polymer"] = "no polymer flow meter"
    elif not has_role(given.roles, "polymer_strength"):
        reasons["polymer"] = "no polymer strength: neither a meter nor a fixed value"
    if is_missing(tss):
        reasons["filtrate solids"] = "no filtrate solids: neither a meter nor a filtrate sample"
    if is_missing(product):
        reasons["product solids"] = "no cake solids: neither a meter nor a cake sample"
    if given.press.filtrate.sample == "with_wash" and not has_role(given.roles, "washwater_flow"):
        reasons["washwater"] = "no washwater flow, and the filtrate sample holds washwater"
    if given.press.filtrate.wash_return == "separate" and not given.bench("wash_return", "TSS").is_known:
        reasons["washwater"] = "no wash_return sample, and the belt wash carries solids away separately"
    return reasons


def codes_where(mask: Mask) -> Codes:
    """Return group 0 inside the mask, -1 outside."""
    return np.where(mask, 0, -1).astype(np.int64)


def role_columns() -> tuple[str, ...]:
    """Return the columns of all roles in the contract's order."""
    return tuple(role.column for role in ROLES.values())
